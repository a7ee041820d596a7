/* Units and arguments. Every step compares with the end of the span, so no byte beyond it is used. */
#include "message.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The next byte, or 0 at the end. */
static unsigned char peek(const struct span *rest) {
    return rest->at < rest->end ? (unsigned char)*rest->at : 0;
}

static void skip_blanks(struct span *rest) {
    while (rest->at < rest->end && peek(rest) <= ' ')
        rest->at++;
}

static int unexpected(const struct span *rest, int code) {
    return rest->at == rest->end || (peek(rest) > ' ' && peek(rest) < 0x7F) ? code : -101;
}

static int read_number(struct span *rest, struct argument *argument) {
    /* Without letters, strtod knows no hexadecimal numbers and no infinity. A 0 stops both. */
    const char *end = rest->at + strspn(rest->at, "0123456789+-.eE");
    char *stop;
    argument->kind = ARGUMENT_NUMBER;
    argument->number = end == rest->at ? 0 : strtod(rest->at, &stop);
    if (end == rest->at || stop == rest->at)
        return unexpected(rest, -102);
    rest->at = end;
    struct span after = *rest;
    skip_blanks(&after);
    if (stop != end || isalpha(peek(&after)) || peek(&after) == '%')
        return -131;
    return isfinite(argument->number) ? 1 : -123;
}

static int read_string(struct span *rest, struct argument *argument) {
    char quote = *rest->at++;
    argument->kind = ARGUMENT_STRING;
    argument->text.at = rest->at;
    while (rest->at < rest->end)
        if (*rest->at++ == quote) {
            argument->text.end = rest->at - 1;
            if (peek(rest) != (unsigned char)quote)
                return 1;
            rest->at++;
        }
    return -151;
}

static int read_block(struct span *rest, struct argument *argument) {
    size_t size = 0;
    rest->at++;
    int digits = isdigit(peek(rest)) ? *rest->at++ - '0' : 0;
    bool any = digits > 0;
    for (; digits > 0 && isdigit(peek(rest)); digits--)
        size = size * 10 + (size_t)(*rest->at++ - '0');
    if (!any || digits > 0 || size > (size_t)(rest->end - rest->at))
        return -161;
    argument->kind = ARGUMENT_BLOCK;
    argument->text = (struct span){rest->at, rest->at + size};
    rest->at += size;
    return 1;
}

int message_argument(struct span *rest, struct argument *argument) {
    skip_blanks(rest);
    if (peek(rest) == ',')
        rest->at++;
    skip_blanks(rest);
    if (rest->at == rest->end)
        return 0;
    if (peek(rest) == '"' || peek(rest) == '\'')
        return read_string(rest, argument);
    if (peek(rest) == '#')
        return read_block(rest, argument);
    if (!isalpha(peek(rest)))
        return read_number(rest, argument);
    argument->kind = ARGUMENT_WORD;
    argument->text.at = rest->at;
    while (isalnum(peek(rest)))
        rest->at++;
    argument->text.end = rest->at;
    return 1;
}

int message_unit(struct span *rest, struct unit *unit) {
    while (rest->at < rest->end && (peek(rest) <= ' ' || peek(rest) == ';'))
        rest->at++;
    if (rest->at == rest->end)
        return 0;
    *unit = (struct unit){.header = *rest};
    while (isalnum(peek(rest)) || peek(rest) == ':' || peek(rest) == '*')
        rest->at++;
    unit->header.end = rest->at;
    unit->query = peek(rest) == '?';
    rest->at += unit->query;
    if (unit->header.at == unit->header.end || (peek(rest) > ' ' && peek(rest) != ';'))
        return unexpected(rest, -102);
    skip_blanks(rest);
    unit->arguments = *rest;
    while (rest->at < rest->end && peek(rest) != ';') {
        struct argument argument;
        if ((peek(rest) == ',') != (unit->count > 0))
            return unexpected(rest, unit->count > 0 ? -103 : -102);
        int code = message_argument(rest, &argument);
        if (code <= 0)
            return code < 0 ? code : -102;
        unit->count++;
        unit->arguments.end = rest->at;
        skip_blanks(rest);
    }
    return 1;
}

int message_check(struct span message) {
    struct unit unit;
    int code;
    while ((code = message_unit(&message, &unit)) > 0)
        continue;
    return code;
}

bool message_begins(const char **word, struct span text) {
    for (; text.at < text.end && toupper(peek(&text)) == **word; text.at++)
        (*word)++;
    return text.at == text.end;
}

bool message_is(struct span text, const char *word) {
    return message_begins(&word, text) && *word == '\0';
}

bool message_is_http(struct span message) {
    skip_blanks(&message);
    struct span name = message;
    for (; message.end - message.at >= 5; message.at++)
        if (memcmp(message.at, "HTTP/", 5) == 0)
            return true;
    while (isalnum(peek(&name)) || peek(&name) == '-')
        name.at++;
    return peek(&name) == ':' && (name.at + 1 == name.end || name.at[1] <= ' ');
}
