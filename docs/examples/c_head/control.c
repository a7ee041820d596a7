/* Control of the head. A lost link never leaves a laser armed or a polygon driven. */
#include "wire.h"

static const double RETRY = 1.0; /* s between attempts to make a head safe */

void control_tell(struct client *client, int code, const char *what) {
    unsigned last = client->first_error + client->error_count;
    struct wire_error error = {code, what};
    if (client->error_count < WIRE_ERRORS)
        client->error_count++;
    else {
        last--;
        error = (struct wire_error){-350, "the queue of errors is full"};
    }
    client->errors[last % WIRE_ERRORS] = error;
}

bool control_silent(const struct wire *wire, const struct client *client) {
    return wire->now - client->heard >= wire->limit - fmin(wire->limit / 5, 0.5);
}

static void cut(struct wire *wire, const char *why) {
    if (wire->controller != NULL && wire->controller->busy != NULL &&
        wire->controller->busy->flags & COMMAND_CONTROL)
        wire->controller->cut = why;
    head_cancel();
}

static void make_safe(struct wire *wire, bool keep) {
    struct head_status status;
    wire->tried = wire->now;
    head_make_safe(keep);
    head_read(&status);
    /* A polygon that runs down, or is kept without a controller, needs no client. */
    wire->moving = status.armed || (!isnan(status.target) && (!keep || wire->controller != NULL));
}

static void revoke(struct wire *wire, int code, const char *why) {
    cut(wire, why);
    if (wire->controller != NULL)
        control_tell(wire->controller, code, why);
    wire->controller = NULL;
}

void control_safe(struct wire *wire, const struct client *client, bool keep) {
    if (wire->controller != client)
        revoke(wire, -221, "another client made the head safe");
    cut(wire, "the head was made safe");
    make_safe(wire, keep);
}

void control_release(struct wire *wire, bool keep) {
    wire->controller = NULL;
    if (wire->moving)
        make_safe(wire, keep);
}

void control_disarm(struct wire *wire) {
    cut(wire, "the laser was disarmed");
    head_disarm();
}

void control_stop(struct wire *wire) {
    for (struct client *client = wire->clients; client < wire->clients + WIRE_CLIENTS; client++) {
        if (client->asks & STOP_DARK)
            control_disarm(wire);
        if (client->asks & (STOP_KEEP | STOP_SAFE))
            control_safe(wire, client, !(client->asks & STOP_SAFE));
        client->asks = 0;
    }
}

static bool at_rest(void) {
    struct head_status status;
    head_read(&status);
    return status.rest && isnan(status.target) && !status.armed;
}

void control_watch(struct wire *wire) {
    if (wire->controller == NULL) {
        if (wire->moving && wire->now - wire->tried >= RETRY)
            make_safe(wire, false);
    } else if (wire->controller->gone || (wire->moving && control_silent(wire, wire->controller))) {
        /* A head at rest with its laser off has no limit. */
        if (!wire->controller->gone && at_rest()) {
            wire->moving = false;
            return;
        }
        revoke(wire, -203, "control was lost and the head made safe: the client was silent for too long");
        if (wire->moving)
            make_safe(wire, false);
    }
}
