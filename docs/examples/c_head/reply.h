/* Replies, as docs/wire.md writes values, in one fixed buffer. */
#ifndef REPLY_H
#define REPLY_H

#include <stdbool.h>
#include <stddef.h>

enum { REPLY_SIZE = 8192 };

struct reply {
    char bytes[REPLY_SIZE];
    size_t used;
    bool first; /* the next value needs no comma before it */
    bool full;  /* something had no room */
};

void reply_number(struct reply *reply, double value);
void reply_whole(struct reply *reply, long value);
void reply_flag(struct reply *reply, bool value);
void reply_word(struct reply *reply, const char *word);
/* A string in quotes, of up to three parts; NULL is none. */
void reply_string(struct reply *reply, const char *text, const char *between, const char *more);
/* A number with its unit, in quotes, for people. */
void reply_value(struct reply *reply, double value, const char *unit);
void reply_block(struct reply *reply, const char *bytes, size_t size);
/* One byte as it is. */
void reply_byte(struct reply *reply, char byte);
/* The newline behind a reply, for which there always is room. */
void reply_end(struct reply *reply);

#endif
