/* Replies in a fixed buffer. What has no room is left out, and the reply counts as full. */
#include "wire.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void reply_put(struct reply *reply, const char *format, ...) {
    /* The last byte is for the newline. */
    size_t room = sizeof reply->bytes - 1 - reply->used;
    va_list values;
    if (!reply->first && room > 0) {
        reply->bytes[reply->used++] = ',';
        room--;
    }
    reply->first = false;
    va_start(values, format);
    int size = vsnprintf(reply->bytes + reply->used, room, format, values);
    va_end(values);
    if (size < 0 || (size_t)size >= room)
        reply->full = true;
    else
        reply->used += (size_t)size;
}

/* NR3 with as many digits as needed to read the same double; 17 (DBL_DECIMAL_DIG) always are enough. */
void reply_number(struct reply *reply, double value) {
    static const int DIGITS[] = {1, 3, 6, 9, 12, 14, 15, 16}; /* behind the point */
    char text[32] = "9.91E+37";
    if (isinf(value))
        strcpy(text, value > 0 ? "9.9E+37" : "-9.9E+37");
    else if (!isnan(value))
        for (size_t k = 0; k < sizeof DIGITS / sizeof *DIGITS; k++) {
            snprintf(text, sizeof text, "%.*E", DIGITS[k], value);
            if (strtod(text, NULL) == value)
                break;
        }
    reply_put(reply, "%s", text);
}

void reply_block(struct reply *reply, const char *text) {
    char length[24];
    int digits = snprintf(length, sizeof length, "%zu", strlen(text));
    reply_put(reply, "#%d%s%s", digits, length, text);
}
