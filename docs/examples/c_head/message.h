/* Messages: from bytes in a fixed buffer (frame.c), to units and arguments as spans of it (message.c). */
#ifndef MESSAGE_H
#define MESSAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { FRAME_SIZE = 2048 };

struct span {
    const char *at, *end;
};

/* A complete message, or the error that stands for one that had no room or stopped inside a block. The byte behind
 * its end is 0. */
struct message {
    struct span text;
    uint32_t stamp; /* given when it began */
    int code;
};

struct frame {
    char bytes[FRAME_SIZE]; /* complete messages, then the one that is coming */
    size_t used, start;     /* bytes in use; where the last message begins */
    size_t block, length;   /* bytes of a block still to come; its length, as far as its digits came */
    int digits;             /* of this length that are still to come; -1 behind a # */
    char quote;             /* the quote that is open, or 0 */
    bool dropping;
};

/* Takes a byte: nothing is complete, a line without a message is, or a message is. */
enum frame_event { FRAME_MORE, FRAME_BLANK, FRAME_MESSAGE };
enum frame_event frame_byte(struct frame *frame, char byte, uint32_t stamp, struct message *message);
/* Replaces the message that is coming by an error, and drops what comes up to the next newline. */
enum frame_event frame_reject(struct frame *frame, int code, struct message *message);
/* How many bytes can be taken now, whatever they are. */
size_t frame_room(const struct frame *frame);
/* The oldest complete message. */
bool frame_first(const struct frame *frame, struct message *message);
void frame_drop_first(struct frame *frame);

struct argument {
    enum { ARGUMENT_NUMBER, ARGUMENT_WORD, ARGUMENT_STRING, ARGUMENT_BLOCK } kind;
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
/* Whether a word begins with a text, in whatever case; moves on behind it. */
bool message_begins(const char **word, struct span text);
/* Whether a text is a word, in whatever case. */
bool message_is(struct span text, const char *word);
/* Whether a message is a line of HTTP (RFC 9112): with its version, or a name and a colon. */
bool message_is_http(struct span message);

#endif
