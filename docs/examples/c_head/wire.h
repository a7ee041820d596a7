/* The wire of docs/wire.md, independent of sockets: clients, control of the head, messages.
 *
 * One thread calls everything: wire_time, then what the clients sent, then wire_run: often, at the latest every 20 ms.
 * No call waits. `now` is a clock in s that only goes forward. */
#ifndef WIRE_H
#define WIRE_H

#include "frame.h"
#include "head.h"
#include "reply.h"

enum { WIRE_CLIENTS = 4, WIRE_ERRORS = 32, WIRE_PATH = 48 };

struct wire_error {
    int code;
    const char *what; /* NULL is nothing besides the words of the code */
};

struct client {
    struct frame frame;
    struct reply reply;
    struct wire_error errors[WIRE_ERRORS]; /* a ring */
    struct fault outcome;                  /* what FAULt? tells */
    unsigned first_error, error_count;
    bool open, gone;        /* it can be used; it hung up or must be disconnected */
    bool begun, spoke;      /* a byte came; its first message was of this protocol */
    bool drained;           /* all that it had sent was read */
    double heard, read, took; /* last sign of life, last byte, since when it takes its reply */
    bool lives;             /* a sign of life among the bytes that are being read */
    uint32_t stamp;         /* for what it says now; see wire_stops */
    uint32_t take_after;    /* CONTrol:TAKE with an older stamp fails */
    bool asks_safe, asks_keep, asks_dark; /* the stops to carry out before all that waits */
    /* The message under way: */
    bool running, stops, failed;
    size_t at, mark;        /* next unit; where the reply of the current one begins */
    size_t ready, sent;     /* bytes of the reply that can be sent, and that were */
    uint32_t said;          /* its stamp */
    char path[WIRE_PATH];   /* of its last header */
    const struct command *busy; /* the call that takes time */
    unsigned calls;         /* results of it so far */
    const char *cut;        /* why it is cut short */
};

struct wire {
    struct client clients[WIRE_CLIENTS];
    struct client *controller;
    bool moving;            /* the dead-man limit holds */
    double limit, now, tried;
    const char *pace;
    /* Each stop has a number. A message with an older stamp was said before it, and cannot undo it. */
    uint32_t stops, safed, disarmed;
};

void wire_begin(struct wire *wire, double limit, const char *pace, double now);
/* A place for a new client. One that has not spoken yet makes room. NULL if there is none. */
struct client *wire_connect(struct wire *wire);
/* How many bytes of a client can be taken now. It is read all the time, whatever waits. */
size_t wire_room(const struct client *client);
void wire_receive(struct wire *wire, struct client *client, const char *bytes, size_t size);
/* All that the client had sent was read. */
void wire_drained(struct wire *wire, struct client *client);
void wire_hang_up(struct client *client);
void wire_time(struct wire *wire, double now);
/* Carries out stops, watches the controller, then at most one message of each client. */
void wire_run(struct wire *wire);
/* Messages wait that can be carried out at once. */
bool wire_has_work(const struct wire *wire);
/* A call takes time: run again soon. */
bool wire_is_busy(const struct wire *wire);
/* The bytes to send, and how many of them were. */
struct span wire_reply(const struct client *client);
void wire_sent(struct wire *wire, struct client *client, size_t size);
/* The client can be disconnected, which ends its control. */
bool wire_is_over(const struct client *client);
void wire_disconnect(struct wire *wire, struct client *client);

#endif
