/* Reading messages. Every step compares with the end of the span, so no byte beyond it is read. */
#include "message.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The ranges of ASCII, whatever the locale of the C library. */
static bool is_digit(char c) { return c >= '0' && c <= '9'; }
static bool is_lower(char c) { return c >= 'a' && c <= 'z'; }
static bool is_letter(char c) { return is_lower(c) || (c >= 'A' && c <= 'Z'); }
static bool is_name(char c) { return is_letter(c) || is_digit(c) || c == '_'; }
static bool is_blank(char c) { return (unsigned char)c <= ' '; }
static char upper(char c) { return is_lower(c) ? (char)(c - 'a' + 'A') : c; }

/* The next byte, or 0 at the end. */
static char peek(const struct span *rest)
{
    return rest->at < rest->end ? *rest->at : '\0';
}

static void skip_blanks(struct span *rest)
{
    while (rest->at < rest->end && is_blank(*rest->at))
        rest->at++;
}

static int unexpected(const struct span *rest, int code)
{
    if (rest->at == rest->end)
        return -102;
    return *rest->at > ' ' && *rest->at < 0x7F ? code : -101;
}

static void skip_digits(struct span *rest, int *count)
{
    for (; is_digit(peek(rest)); rest->at++)
        (*count)++;
}

static int read_number(struct span *rest, struct argument *argument)
{
    struct span scan = *rest;
    int digits = 0, exponent = 0;
    if (peek(&scan) == '+' || peek(&scan) == '-')
        scan.at++;
    skip_digits(&scan, &digits);
    if (peek(&scan) == '.') {
        scan.at++;
        skip_digits(&scan, &digits);
    }
    if (digits == 0)
        return unexpected(rest, -102);
    if (upper(peek(&scan)) == 'E') {
        struct span power = {scan.at + 1, scan.end};
        if (peek(&power) == '+' || peek(&power) == '-')
            power.at++;
        skip_digits(&power, &exponent);
        if (exponent > 0)
            scan = power;
    }
    argument->kind = ARGUMENT_NUMBER;
    argument->text = (struct span){rest->at, scan.at};
    struct span after = scan;
    skip_blanks(&after);
    if (is_letter(peek(&after)) || peek(&after) == '%')
        return -131;
    /* What follows a message is 0, so this ends where the scan did. */
    argument->number = strtod(rest->at, NULL);
    *rest = scan;
    return isfinite(argument->number) ? 1 : -123;
}

static int read_string(struct span *rest, struct argument *argument)
{
    char quote = *rest->at++;
    argument->kind = ARGUMENT_STRING;
    argument->text = *rest;
    for (; rest->at < rest->end; rest->at++) {
        if (*rest->at != quote)
            continue;
        argument->text.end = rest->at++;
        if (peek(rest) != quote)
            return 1;
    }
    return -151;
}

static int read_block(struct span *rest, struct argument *argument)
{
    size_t size = 0;
    rest->at++;
    int digits = is_digit(peek(rest)) ? *rest->at++ - '0' : 0;
    if (digits == 0)
        return -161;
    for (; digits > 0 && is_digit(peek(rest)); digits--)
        size = size * 10 + (size_t)(*rest->at++ - '0');
    if (digits > 0 || size > (size_t)(rest->end - rest->at))
        return -161;
    argument->kind = ARGUMENT_BLOCK;
    argument->text = (struct span){rest->at, rest->at + size};
    rest->at += size;
    return 1;
}

int message_argument(struct span *rest, struct argument *argument)
{
    skip_blanks(rest);
    if (peek(rest) == ',') {
        rest->at++;
        skip_blanks(rest);
    }
    if (rest->at == rest->end)
        return 0;
    if (peek(rest) == '"' || peek(rest) == '\'')
        return read_string(rest, argument);
    if (peek(rest) == '#')
        return read_block(rest, argument);
    if (!is_letter(peek(rest)))
        return read_number(rest, argument);
    argument->kind = ARGUMENT_WORD;
    argument->text.at = rest->at;
    while (is_name(peek(rest)))
        rest->at++;
    argument->text.end = rest->at;
    return 1;
}

int message_unit(struct span *rest, struct unit *unit)
{
    while (rest->at < rest->end && (is_blank(*rest->at) || *rest->at == ';'))
        rest->at++;
    if (rest->at == rest->end)
        return 0;
    *unit = (struct unit){.header = *rest};
    while (is_name(peek(rest)) || peek(rest) == ':' || peek(rest) == '*')
        rest->at++;
    unit->header.end = rest->at;
    unit->query = peek(rest) == '?';
    rest->at += unit->query ? 1 : 0;
    bool ends = rest->at == rest->end || is_blank(*rest->at) || *rest->at == ';';
    if (unit->header.at == unit->header.end || !ends)
        return unexpected(rest, -102);
    skip_blanks(rest);
    unit->arguments = *rest;
    while (rest->at < rest->end && *rest->at != ';') {
        if ((peek(rest) == ',') != (unit->count > 0))
            return unexpected(rest, unit->count > 0 ? -103 : -102);
        struct argument argument;
        int code = message_argument(rest, &argument);
        if (code <= 0)
            return code < 0 ? code : -102;
        unit->count++;
        unit->arguments.end = rest->at;
        skip_blanks(rest);
    }
    return 1;
}

int message_check(struct span message)
{
    struct unit unit;
    int code;
    while ((code = message_unit(&message, &unit)) > 0)
        continue;
    return code;
}

bool message_matches(struct span header, const char *pattern)
{
    for (;; header.at++, pattern++) {
        size_t size = 0, whole = 0, brief = 0;
        while (header.at + size < header.end && header.at[size] != ':')
            size++;
        while (pattern[whole] != '\0' && pattern[whole] != ':')
            brief += !is_lower(pattern[whole++]);
        if (size != whole && size != brief)
            return false;
        for (size_t k = 0; k < size; k++)
            if (upper(header.at[k]) != upper(pattern[k]))
                return false;
        header.at += size;
        pattern += whole;
        if (*pattern == '\0' || header.at == header.end)
            return *pattern == '\0' && header.at == header.end;
    }
}

bool message_is_http(struct span message)
{
    static const char HTTP[] = "HTTP/";
    size_t size = sizeof HTTP - 1;
    skip_blanks(&message);
    while (message.end > message.at && is_blank(message.end[-1]))
        message.end--;
    const char *at = message.at;
    while (at < message.end && (is_letter(*at) || is_digit(*at) || *at == '-'))
        at++;
    if (at > message.at && at < message.end && *at == ':' && (at + 1 == message.end || is_blank(at[1])))
        return true;
    if ((size_t)(message.end - message.at) < size)
        return false;
    /* A status line begins with HTTP/1.1, a request line ends with it. */
    if (memcmp(message.at, HTTP, size) == 0)
        return true;
    for (at = message.end; at > message.at && (is_digit(at[-1]) || at[-1] == '.');)
        at--;
    return at - message.at > (ptrdiff_t)size && memcmp(at - size, HTTP, size) == 0 && is_blank(at[-(ptrdiff_t)size - 1]);
}
