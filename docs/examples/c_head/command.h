/* The headers that are understood, and what each does. */
#ifndef COMMAND_H
#define COMMAND_H

#include "wire.h"

enum { COMMAND_CONTROL = 1, COMMAND_MOVES = 2, COMMAND_ARMS = 4, COMMAND_TAKES = 8, COMMAND_TELLS = 16 };

/* A unit that is carried out. */
struct call {
    struct wire *wire;
    struct client *client;
    struct span arguments;
    unsigned count, taken; /* of them */
    struct fault fault;    /* why one could not be taken */
};

struct command {
    const char *header;
    bool query;
    unsigned flags; /* needs control; moves the head; arms; takes control; tells errors and has none */
    unsigned most;  /* arguments */
    struct fault (*run)(struct call *call);
};

/* What a message asks for that must not wait. */
struct stops {
    bool safe, keep, dark;
};

/* The command of a unit, or NULL. Without a leading colon a header is relative to `path`, which is updated. */
const struct command *command_find(char path[WIRE_PATH], const struct unit *unit);
/* Whether a message is a stop: it makes safe or disarms, and asks for nothing that only the controller may. */
bool command_stops(struct span message, struct stops *stops);
/* The error of SCPI-1999 that stands for a fault. */
int command_code(const struct fault *fault);

#endif
