/* Replies in a fixed buffer. What has no room is left out, and the reply counts as full. */
#include "reply.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void put(struct reply *reply, const char *bytes, size_t size)
{
    if (size > sizeof reply->bytes - 1 - reply->used) {
        reply->full = true;
        return;
    }
    memcpy(reply->bytes + reply->used, bytes, size);
    reply->used += size;
}

void reply_byte(struct reply *reply, char byte)
{
    put(reply, &byte, 1);
}

void reply_end(struct reply *reply)
{
    if (reply->used < sizeof reply->bytes)
        reply->bytes[reply->used++] = '\n';
}

/* A comma, unless this is the first value of a unit. */
static void next(struct reply *reply)
{
    if (!reply->first)
        reply_byte(reply, ',');
    reply->first = false;
}

void reply_word(struct reply *reply, const char *word)
{
    next(reply);
    put(reply, word, strlen(word));
}

/* NR3 with as many digits as needed to read the same double: DBL_DECIMAL_DIG, 17, always are enough. */
void reply_number(struct reply *reply, double value)
{
    static const int DIGITS[] = {1, 3, 6, 9, 12, 14, 15, 16}; /* behind the point */
    char text[32];
    if (isnan(value)) {
        reply_word(reply, "9.91E+37");
        return;
    }
    if (isinf(value)) {
        reply_word(reply, value > 0 ? "9.9E+37" : "-9.9E+37");
        return;
    }
    for (size_t k = 0; k < sizeof DIGITS / sizeof *DIGITS; k++) {
        snprintf(text, sizeof text, "%.*E", DIGITS[k], value);
        if (strtod(text, NULL) == value)
            break;
    }
    reply_word(reply, text);
}

void reply_whole(struct reply *reply, long value)
{
    char text[24];
    snprintf(text, sizeof text, "%ld", value);
    reply_word(reply, text);
}

void reply_flag(struct reply *reply, bool value)
{
    reply_word(reply, value ? "1" : "0");
}

static void quoted(struct reply *reply, const char *text)
{
    for (; text != NULL && *text != '\0'; text++) {
        if (*text == '"')
            reply_byte(reply, '"');
        reply_byte(reply, *text);
    }
}

void reply_string(struct reply *reply, const char *text, const char *between, const char *more)
{
    next(reply);
    reply_byte(reply, '"');
    quoted(reply, text);
    quoted(reply, between);
    quoted(reply, more);
    reply_byte(reply, '"');
}

void reply_value(struct reply *reply, double value, const char *unit)
{
    char text[32];
    snprintf(text, sizeof text, "%.6g", value);
    reply_string(reply, text, " ", unit);
}

void reply_block(struct reply *reply, const char *bytes, size_t size)
{
    char length[24], head[32];
    int digits = snprintf(length, sizeof length, "%zu", size);
    snprintf(head, sizeof head, "#%d%s", digits, length);
    reply_word(reply, head);
    put(reply, bytes, size);
}
