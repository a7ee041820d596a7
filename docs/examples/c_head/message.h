/* Reading messages: units, arguments and headers, as spans of the bytes that came. */
#ifndef MESSAGE_H
#define MESSAGE_H

#include <stdbool.h>
#include <stddef.h>

struct span {
    const char *at, *end;
};

enum argument_kind { ARGUMENT_NUMBER, ARGUMENT_WORD, ARGUMENT_STRING, ARGUMENT_BLOCK };

struct argument {
    enum argument_kind kind;
    struct span text; /* of a string or block: what is inside */
    double number;
};

struct unit {
    struct span header, arguments;
    bool query;
    unsigned count;
};

/* Both take what they read off `rest`, and return 1, or 0 at the end, or an error code below 0. */
int message_unit(struct span *rest, struct unit *unit);
int message_argument(struct span *rest, struct argument *argument);

/* 0 if all units of a message can be read, else an error code. */
int message_check(struct span message);

/* Whether a header without leading colon is one of the spellings of `pattern`, such as SYSTem:ERRor. */
bool message_matches(struct span header, const char *pattern);

/* Whether a message is a request line, a status line or a header line of HTTP (RFC 9112). */
bool message_is_http(struct span message);

#endif
