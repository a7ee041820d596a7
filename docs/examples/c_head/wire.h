/* The wire of docs/wire.md, independent of sockets: clients, control of the head, messages.
 *
 * One thread calls everything: wire_time, then what the clients sent, then wire_run: often, at the latest every
 * 20 ms. No call waits. `now` is a clock in s that only goes forward. */
#ifndef WIRE_H
#define WIRE_H

#include "head.h"
#include "message.h"

enum { WIRE_CLIENTS = 4, WIRE_ERRORS = 32, REPLY_SIZE = 8192 };

struct wire_error {
    int code;
    const char *what; /* NULL is nothing besides the words of the code */
};

struct reply {
    char bytes[REPLY_SIZE];
    size_t used;
    bool first, full; /* the next value needs no comma; something had no room */
};

struct client {
    struct frame frame;
    struct reply reply;
    struct wire_error errors[WIRE_ERRORS]; /* a ring */
    unsigned first_error, error_count;
    struct fault outcome;     /* what FAULt? tells */
    bool open, gone;          /* it has this place; it hung up or is to be disconnected */
    bool begun, spoke;        /* a byte came; its first message was of this protocol */
    double heard, read, took; /* last sign of life, last byte, since when it takes its reply */
    bool lives, drained;      /* in this round: a sign of life; all that it had sent was read */
    uint32_t stamp;           /* of what it says now; see `stops` of the wire */
    uint32_t take_after;      /* CONTrol:TAKE with an older stamp fails */
    unsigned asks;            /* stops to carry out before all that waits */
    /* The message under way: */
    bool running, stops, failed;
    uint32_t said;            /* its stamp */
    size_t at, mark;          /* next unit; where the reply of the current one begins */
    size_t ready, sent;       /* bytes of the reply that can be sent, and that were */
    struct span path;         /* of its last header */
    const struct command *busy; /* the call that takes time */
    unsigned calls;           /* results of it so far */
    const char *cut;          /* why it is cut short */
};

struct wire {
    struct client clients[WIRE_CLIENTS];
    struct client *controller;
    bool moving;              /* the dead-man limit holds */
    double limit, now, tried;
    const char *pace;
    /* Stops are numbered. What has an older stamp than the last one was said before it, and cannot undo it. */
    uint32_t stops, safed, disarmed;
};

/* wire.c: clients. */

void wire_begin(struct wire *wire, double limit, const char *pace, double now);
/* A place for a new client, perhaps of one that has not spoken yet. NULL if there is none. */
struct client *wire_connect(struct wire *wire);
void wire_time(struct wire *wire, double now);
/* How many bytes of a client can be taken now. It is read all the time, whatever waits. */
size_t wire_room(const struct client *client);
void wire_receive(struct wire *wire, struct client *client, const char *bytes, size_t size);
/* All that the client had sent was read. */
void wire_drained(struct wire *wire, struct client *client);
/* Carries out stops, watches the controller, then at most one message of each client. */
enum wire_work { WIRE_IDLE, WIRE_BUSY, WIRE_READY } wire_run(struct wire *wire); /* a call takes time; more waits */
struct span wire_reply(const struct client *client);
void wire_sent(struct wire *wire, struct client *client, size_t size);
/* The client can be disconnected, which ends its control. */
bool wire_is_over(const struct client *client);
void wire_disconnect(struct wire *wire, struct client *client);

/* command.c: the headers that are understood, and what each does. */

enum { COMMAND_CONTROL = 1, COMMAND_MOVES = 2, COMMAND_ARMS = 4, COMMAND_TAKES = 8, COMMAND_TELLS = 16 };

struct call {
    struct wire *wire;
    struct client *client;
    struct reply *reply;
    struct span arguments;
    unsigned count;
    struct fault fault; /* why an argument could not be taken */
};

struct command {
    const char *header;
    bool query;
    unsigned flags, most; /* needs control, moves the head and so on; arguments */
    struct fault (*run)(struct call *call);
    struct fault (*with)(double value); /* instead: a call of the head with one number */
    const char *text;                   /* instead: a reply that is always the same */
};

/* The command of a unit, or NULL. Without leading colon its header is relative to `path`, that of the unit before. */
const struct command *command_find(struct span *path, const struct unit *unit);
struct fault command_run(const struct command *command, struct call *call);
/* The stops of a message that makes safe or disarms, and asks for nothing that only the controller may, else 0. */
enum { STOP_DARK = 1, STOP_KEEP = 2, STOP_SAFE = 4 };
unsigned command_stops(struct span message);
/* The error of SCPI-1999 that stands for a fault. */
int command_code(const struct fault *fault);

/* control.c: who controls the head, how that ends, and what a stop does. */

void control_tell(struct client *client, int code, const char *what);
/* A client counts as silent early enough that the head is safe when the limit is over. */
bool control_silent(const struct wire *wire, const struct client *client);
/* Makes the head safe for a client, which ends the control of another. */
void control_safe(struct wire *wire, const struct client *client, bool keep);
void control_release(struct wire *wire, bool keep);
void control_disarm(struct wire *wire);
void control_stop(struct wire *wire);
void control_watch(struct wire *wire);

/* reply.c: values as docs/wire.md writes them, with commas in between. */

void reply_put(struct reply *reply, const char *format, ...);
void reply_number(struct reply *reply, double value);
void reply_block(struct reply *reply, const char *text);

#endif
