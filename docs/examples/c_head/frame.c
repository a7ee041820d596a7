/* Messages from bytes. Before each message its stamp and size are kept, behind it a 0. */
#include "frame.h"

#include <string.h>

struct prefix {
    uint32_t stamp, size;
};

void frame_give_up(struct frame *frame)
{
    frame->used = frame->start;
    frame->block = 0;
    frame->digits = 0;
    frame->quote = 0;
}

static enum frame_event drop(struct frame *frame, enum frame_event why)
{
    frame_give_up(frame);
    frame->dropping = true;
    return why;
}

/* A newline outside a block ends a message. */
static enum frame_event end(struct frame *frame, struct span *message)
{
    struct span text = {frame->bytes + frame->start + sizeof(struct prefix), frame->bytes + frame->used};
    const char *at = text.at;
    if (frame->used > frame->start)
        while (at < text.end && (unsigned char)*at <= ' ')
            at++;
    if (frame->used == frame->start || at == text.end) {
        frame_give_up(frame);
        return FRAME_BLANK;
    }
    uint32_t size = (uint32_t)(text.end - text.at);
    memcpy(frame->bytes + frame->start + offsetof(struct prefix, size), &size, sizeof size);
    frame->bytes[frame->used++] = '\0';
    frame->start = frame->used;
    frame_give_up(frame);
    *message = text;
    return FRAME_MESSAGE;
}

/* Follows quotes and the beginning of blocks, in which other bytes mean something else. False if a block is too
 * long. */
static bool follow(struct frame *frame, char byte, size_t room)
{
    bool digit = byte >= '0' && byte <= '9';
    if (frame->digits < 0 && digit && byte != '0') {
        frame->digits = byte - '0';
        frame->length = 0;
    } else if (frame->digits > 0 && digit) {
        frame->length = frame->length * 10 + (size_t)(byte - '0');
        if (--frame->digits == 0)
            frame->block = frame->length;
        return frame->block <= room;
    } else {
        frame->digits = byte == '#' && !frame->quote ? -1 : 0;
        if (frame->quote ? byte == frame->quote : byte == '"' || byte == '\'')
            frame->quote = frame->quote ? 0 : byte;
    }
    return true;
}

enum frame_event frame_byte(struct frame *frame, char byte, uint32_t stamp, struct span *message)
{
    if (frame->dropping) {
        frame->dropping = byte != '\n';
        return byte == '\n' ? FRAME_BLANK : FRAME_MORE;
    }
    if (byte == '\n' && frame->block == 0)
        return end(frame, message);
    size_t needs = (frame->used == frame->start ? sizeof(struct prefix) : 0) + 1 + 1;
    if (FRAME_SIZE - frame->used < needs)
        return drop(frame, FRAME_TOO_LONG);
    if (frame->used == frame->start) {
        struct prefix prefix = {stamp, 0};
        memcpy(frame->bytes + frame->used, &prefix, sizeof prefix);
        frame->used += sizeof prefix;
    }
    frame->bytes[frame->used++] = byte;
    if (frame->block > 0)
        frame->block--;
    else if (!follow(frame, byte, FRAME_SIZE - 1 - frame->used))
        return drop(frame, FRAME_LONG_BLOCK);
    return FRAME_MORE;
}

size_t frame_room(const struct frame *frame)
{
    /* The shortest message, a byte and its newline, takes the most room for its bytes. A message that has the
     * whole buffer is taken further, and dropped. */
    size_t room = 2 * ((FRAME_SIZE - frame->used) / (sizeof(struct prefix) + 2));
    return room > 2 ? room - 2 : frame->start == 0;
}

bool frame_first(const struct frame *frame, struct span *message, uint32_t *stamp)
{
    struct prefix prefix;
    if (frame->start == 0)
        return false;
    memcpy(&prefix, frame->bytes, sizeof prefix);
    message->at = frame->bytes + sizeof prefix;
    message->end = message->at + prefix.size;
    *stamp = prefix.stamp;
    return true;
}

void frame_drop_first(struct frame *frame)
{
    struct span message;
    uint32_t stamp;
    if (!frame_first(frame, &message, &stamp))
        return;
    size_t size = (size_t)(message.end - frame->bytes) + 1;
    memmove(frame->bytes, frame->bytes + size, frame->used - size);
    frame->used -= size;
    frame->start -= size;
}
