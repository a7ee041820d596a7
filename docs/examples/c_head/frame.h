/* Messages from bytes, in the order and pieces in which they come, in one fixed buffer. */
#ifndef FRAME_H
#define FRAME_H

#include "message.h"

#include <stdint.h>

enum { FRAME_SIZE = 2048 };

enum frame_event {
    FRAME_MORE,       /* nothing is complete yet */
    FRAME_BLANK,      /* a line that holds no message ended */
    FRAME_MESSAGE,    /* a message is complete */
    FRAME_TOO_LONG,   /* a message has no room; its bytes are dropped up to the next newline */
    FRAME_LONG_BLOCK  /* a block has no room; likewise */
};

struct frame {
    char bytes[FRAME_SIZE]; /* complete messages, then the one that is coming */
    size_t used, start;     /* bytes in use; where the last message begins */
    size_t block;           /* bytes of a block that are still to come */
    size_t length;          /* of a block, as far as its digits came */
    int digits;             /* of this length that are still to come; -1 behind a # */
    char quote;             /* the quote that is open, or 0 */
    bool dropping;
};

/* Takes a byte. `stamp` is kept with a message that begins with it. A complete message is put into `message`. */
enum frame_event frame_byte(struct frame *frame, char byte, uint32_t stamp, struct span *message);
/* How many bytes can be taken now, whatever they are. */
size_t frame_room(const struct frame *frame);
/* The oldest complete message. The byte behind its end is 0. */
bool frame_first(const struct frame *frame, struct span *message, uint32_t *stamp);
void frame_drop_first(struct frame *frame);
/* Forgets the message that is coming. */
void frame_give_up(struct frame *frame);

#endif
