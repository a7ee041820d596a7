/* Messages from bytes, in one fixed buffer. A prefix stands before each message, and a 0 behind it. */
#include "message.h"

#include <string.h>

struct prefix {
    uint32_t stamp;
    uint16_t size;
    int16_t code;
};

static void restart(struct frame *frame) {
    frame->used = frame->start;
    frame->block = 0;
    frame->digits = 0;
    frame->quote = 0;
}

/* Ends the message that is coming, and puts what stands for it into `message`. */
static enum frame_event end(struct frame *frame, int code, struct message *message) {
    struct prefix prefix;
    char *begins = frame->bytes + frame->start;
    memcpy(&prefix, begins, sizeof prefix);
    if (code != 0)
        frame->used = frame->start + sizeof prefix;
    prefix.code = (int16_t)code;
    prefix.size = (uint16_t)(frame->used - frame->start - sizeof prefix);
    memcpy(begins, &prefix, sizeof prefix);
    *message = (struct message){{begins + sizeof prefix, frame->bytes + frame->used}, prefix.stamp, code};
    frame->bytes[frame->used++] = '\0';
    frame->start = frame->used;
    restart(frame);
    return FRAME_MESSAGE;
}

enum frame_event frame_reject(struct frame *frame, int code, struct message *message) {
    frame->dropping = true;
    return end(frame, code, message);
}

/* Follows quotes and the beginning of blocks, in which other bytes mean something else. */
static void follow(struct frame *frame, char byte) {
    bool digit = byte >= '0' && byte <= '9';
    if (frame->digits < 0 && digit && byte != '0') {
        frame->digits = byte - '0';
        frame->length = 0;
    } else if (frame->digits > 0 && digit) {
        frame->length = frame->length * 10 + (size_t)(byte - '0');
        frame->block = --frame->digits == 0 ? frame->length : 0;
    } else {
        frame->digits = byte == '#' && !frame->quote ? -1 : 0;
        if (frame->quote ? byte == frame->quote : byte == '"' || byte == '\'')
            frame->quote = frame->quote ? 0 : byte;
    }
}

enum frame_event frame_byte(struct frame *frame, char byte, uint32_t stamp, struct message *message) {
    bool begins = frame->used == frame->start, blank = (unsigned char)byte <= ' ';
    if (frame->dropping || (begins && blank)) {
        frame->dropping = frame->dropping && byte != '\n';
        return byte == '\n' ? FRAME_BLANK : FRAME_MORE;
    }
    if (byte == '\n' && frame->block == 0)
        return end(frame, 0, message);
    if (begins) {
        struct prefix prefix = {stamp, 0, 0};
        memcpy(frame->bytes + frame->used, &prefix, sizeof prefix);
        frame->used += sizeof prefix;
    }
    if (frame->used == FRAME_SIZE - 1)
        return frame_reject(frame, -363, message);
    frame->bytes[frame->used++] = byte;
    if (frame->block > 0)
        frame->block--;
    else
        follow(frame, byte);
    return frame->block < FRAME_SIZE - frame->used ? FRAME_MORE : frame_reject(frame, -223, message);
}

size_t frame_room(const struct frame *frame) {
    /* The shortest message, a byte and its newline, takes the most room for its bytes. A message that has the
     * whole buffer is taken further, and dropped. */
    size_t room = 2 * ((FRAME_SIZE - frame->used) / (sizeof(struct prefix) + 2));
    return room > 2 ? room - 2 : frame->start == 0;
}

bool frame_first(const struct frame *frame, struct message *message) {
    struct prefix prefix;
    if (frame->start == 0)
        return false;
    memcpy(&prefix, frame->bytes, sizeof prefix);
    const char *at = frame->bytes + sizeof prefix;
    *message = (struct message){{at, at + prefix.size}, prefix.stamp, prefix.code};
    return true;
}

void frame_drop_first(struct frame *frame) {
    struct message message;
    if (!frame_first(frame, &message))
        return;
    size_t size = (size_t)(message.text.end - frame->bytes) + 1;
    memmove(frame->bytes, frame->bytes + size, frame->used - size);
    frame->used -= size;
    frame->start -= size;
}
