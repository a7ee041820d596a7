/* Control of the head: who has it, how it ends, and what a stop does. */
#ifndef CONTROL_H
#define CONTROL_H

#include "wire.h"

/* Puts an error into the queue of a client. */
void control_tell(struct client *client, int code, const char *what);
/* Whether a client must count as silent: early enough that the head is safe when the limit is over. */
bool control_silent(const struct wire *wire, const struct client *client);
/* Cuts the call of the controller short. */
void control_cut(struct wire *wire, const char *why);
/* Makes the head safe for a client, which ends the control of another. */
void control_safe(struct wire *wire, const struct client *client, bool keep);
void control_release(struct wire *wire, bool keep);
/* Disarms, and cuts the call of the controller short. */
void control_disarm(struct wire *wire);
/* Carries out the stops that were asked for. */
void control_stop(struct wire *wire);
/* Ends the control of a client that is gone or silent, and makes the head safe. */
void control_watch(struct wire *wire);

#endif
