/* Clients and their messages, on the way from bytes to replies. */
#include "wire.h"

#include <ctype.h>
#include <string.h>

static const double BLOCK_PAUSE = 2.0, REPLY_PAUSE = 0.5, OBSERVER_PAUSE = 600.0; /* s */
static const char LEFT_OUT[] = "left out: the head was stopped after this was said";

void wire_begin(struct wire *wire, double limit, const char *pace, double now) {
    memset(wire, 0, sizeof *wire);
    wire->limit = limit;
    wire->pace = pace;
    wire->now = now;
}

void wire_time(struct wire *wire, double now) {
    wire->now = now;
    for (struct client *client = wire->clients; client < wire->clients + WIRE_CLIENTS; client++)
        client->lives = false;
}

struct client *wire_connect(struct wire *wire) {
    struct client *place = NULL;
    for (struct client *client = wire->clients; client < wire->clients + WIRE_CLIENTS; client++)
        if (!client->open || (!client->spoke && (place == NULL || place->open)))
            place = client;
    if (place == NULL)
        return NULL;
    memset(place, 0, sizeof *place);
    place->open = true;
    place->heard = place->read = place->took = wire->now;
    place->stamp = wire->stops;
    return place;
}

/* Nothing of what waits is carried out, and the client is disconnected once it has taken what it is told. */
static void dismiss(struct client *client, const char *told) {
    client->frame = (struct frame){.used = 0};
    client->gone = true;
    client->running = false;
    client->busy = NULL;
    client->reply.used = client->ready = client->sent = 0;
    client->reply.full = false;
    client->reply.first = true;
    if (told != NULL)
        reply_put(&client->reply, "%s", told);
    client->ready = client->reply.used;
}

static void fail(struct client *client, struct fault fault) {
    client->failed = true;
    client->outcome = fault;
    control_tell(client, command_code(&fault), fault.what);
}

/* A web page can make its browser send any bytes to any port, but only behind the first words of another protocol.
 * So a socket is closed before it can say more. */
static void dismiss_foreign(struct client *client) {
    static const char WHY[] = "-113,\"Undefined header;what came is not this protocol: send *IDN? first\"\n";
    dismiss(client, client->spoke ? NULL : WHY);
}

static void arrive(struct wire *wire, struct client *client, const struct message *message) {
    struct span rest = message->text, path = {rest.at, rest.at};
    struct unit unit;
    bool good = message->code == 0 && message_check(rest) == 0;
    bool known = client->spoke || (good && message_unit(&rest, &unit) > 0 && command_find(&path, &unit) != NULL);
    if (!known || message_is_http(message->text)) {
        dismiss_foreign(client);
        return;
    }
    client->spoke = true;
    unsigned stops = command_stops(message->text);
    if (stops == 0)
        return;
    client->asks |= stops;
    /* What this client says from here on was said behind the stop; others must first be read empty. */
    client->stamp = wire->disarmed = ++wire->stops;
    if (stops == STOP_DARK)
        return;
    wire->safed = wire->stops;
    for (struct client *other = wire->clients; other < wire->clients + WIRE_CLIENTS; other++)
        if (other != client)
            other->take_after = wire->stops;
}

size_t wire_room(const struct client *client) {
    return client->open && !client->gone ? frame_room(&client->frame) : 0;
}

void wire_receive(struct wire *wire, struct client *client, const char *bytes, size_t size) {
    client->read = wire->now;
    for (; size > 0 && !client->gone; bytes++, size--) {
        struct message message;
        bool in_block = client->frame.block > 0;
        if (!client->begun && *bytes != ' ' && *bytes != '\t' && *bytes != '\r' && *bytes != '\n') {
            client->begun = true;
            if (!isalpha((unsigned char)*bytes) && *bytes != '*' && *bytes != ':') {
                dismiss_foreign(client);
                return;
            }
        }
        enum frame_event event = frame_byte(&client->frame, *bytes, client->stamp, &message);
        client->lives |= event != FRAME_MORE || in_block || client->frame.block > 0;
        if (event == FRAME_MESSAGE)
            arrive(wire, client, &message);
    }
}

void wire_drained(struct wire *wire, struct client *client) {
    /* Until now, what was read may have been sent long ago. */
    if (client->lives)
        client->heard = wire->now;
    client->drained = true;
}

/* Why a command may not be carried out now, or FAULT_NONE. */
static struct fault admit(const struct wire *wire, const struct client *client, const struct command *command) {
    if (command->flags & COMMAND_TAKES && client->said < client->take_after)
        return fault_wire(-221, LEFT_OUT);
    if (!(command->flags & COMMAND_CONTROL))
        return fault_of(FAULT_NONE, NULL);
    if (client->said < wire->safed || (command->flags & COMMAND_ARMS && client->said < wire->disarmed))
        return fault_wire(-221, LEFT_OUT);
    if (client->failed)
        return fault_wire(-221, "skipped after an error in the same message");
    if (client->gone || wire->controller != client)
        return fault_wire(-203, wire->controller != NULL ? "another client controls the head" : "send CONT:TAKE first");
    return fault_of(FAULT_NONE, NULL);
}

/* Carries out a unit, or goes on with it. */
static struct fault perform(struct wire *wire, struct client *client, const struct unit *unit) {
    struct call call = {wire, client, &client->reply, unit->arguments, unit->count, {.kind = FAULT_NONE}};
    const struct command *command = client->busy;
    struct fault fault = {.kind = FAULT_NONE};
    if (command == NULL) {
        client->mark = client->reply.used;
        client->calls = 0;
        client->cut = NULL;
        command = command_find(&client->path, unit);
        if (command == NULL)
            return fault_wire(-113, NULL);
        if (unit->count > command->most)
            return fault_wire(-108, NULL);
        fault = admit(wire, client, command);
        if (fault.kind != FAULT_NONE)
            return fault;
        if (command->query && client->reply.used > 0 && client->reply.used < REPLY_SIZE - 1)
            client->reply.bytes[client->reply.used++] = ';';
        client->reply.first = true;
        wire->moving |= (command->flags & COMMAND_MOVES) != 0;
    }
    fault = client->cut != NULL ? fault_of(FAULT_REFUSED, client->cut) : command_run(command, &call);
    client->busy = fault.kind == FAULT_BUSY ? command : NULL;
    if (client->reply.full && client->busy == NULL)
        fault = fault_wire(-430, "the reply is too long");
    if (fault.kind == FAULT_NONE && !(command->flags & COMMAND_TELLS))
        client->outcome = (struct fault){.kind = FAULT_NONE};
    return fault;
}

/* Carries out the oldest message of a client, as far as it goes now. */
static void step(struct wire *wire, struct client *client) {
    struct message message;
    struct unit unit;
    /* A client that does not take its replies gets no further ones. */
    if (client->ready > client->sent || !frame_first(&client->frame, &message))
        return;
    if (!client->running) {
        int code = message.code != 0 ? message.code : message_check(message.text);
        client->running = true;
        client->failed = false;
        client->said = message.stamp;
        client->stops = command_stops(message.text) != 0;
        client->at = 0;
        client->path.at = client->path.end = NULL;
        client->reply.used = client->ready = client->sent = 0;
        if (code < 0) {
            fail(client, fault_wire(code, "nothing of this message was carried out"));
            client->at = (size_t)(message.text.end - message.text.at);
        }
    }
    struct span rest = {message.text.at + client->at, message.text.end};
    while (message_unit(&rest, &unit) > 0) {
        struct fault fault = perform(wire, client, &unit);
        if (fault.kind == FAULT_BUSY)
            return;
        if (fault.kind != FAULT_NONE) {
            client->reply.used = client->mark;
            client->reply.full = false;
            fail(client, fault);
        }
        client->at = (size_t)(rest.at - message.text.at);
    }
    client->running = false;
    frame_drop_first(&client->frame);
    if (client->reply.used > 0)
        client->reply.bytes[client->reply.used++] = '\n';
    client->ready = client->reply.used;
    client->took = wire->now;
}

/* Silence inside a block, of an observer, or of a client that does not take its replies. */
static void watch_silence(struct wire *wire, struct client *client) {
    struct message message;
    if (client->frame.block > 0 && wire->now - client->read > BLOCK_PAUSE) {
        frame_reject(&client->frame, -161, &message);
        client->frame.dropping = false;
        arrive(wire, client, &message);
    }
    if (client->ready > client->sent && wire->now - client->took > REPLY_PAUSE)
        dismiss(client, NULL);
    if (client != wire->controller && wire->now - client->heard > OBSERVER_PAUSE)
        dismiss(client, NULL);
    if (client->busy != NULL && wire_room(client) == 0 && !client->gone)
        dismiss(client, "-363,\"Input buffer overrun;more messages wait for the head than may\"\n");
}

enum wire_work wire_run(struct wire *wire) {
    struct client *end = wire->clients + WIRE_CLIENTS;
    enum wire_work work = WIRE_IDLE;
    for (struct client *client = wire->clients; client < end; client++)
        if (client->open)
            watch_silence(wire, client);
    control_stop(wire);
    for (struct client *client = wire->clients; client < end; client++) {
        if (client->drained)
            client->stamp = wire->stops;
        client->drained = false;
    }
    for (struct client *client = wire->clients; client < end; client++) {
        control_watch(wire);
        if (client->open)
            step(wire, client);
        if (client->open && client->busy != NULL)
            work = work == WIRE_IDLE ? WIRE_BUSY : work;
        else if (client->open && client->frame.start > 0 && client->ready == client->sent)
            work = WIRE_READY;
    }
    return work;
}

struct span wire_reply(const struct client *client) {
    return (struct span){client->reply.bytes + client->sent, client->reply.bytes + client->ready};
}

void wire_sent(struct wire *wire, struct client *client, size_t size) {
    client->sent += size;
    if (client->sent < client->ready)
        return;
    client->sent = client->ready = 0;
    client->took = wire->now;
}

bool wire_is_over(const struct client *client) {
    return client->gone && client->ready == client->sent && client->frame.start == 0;
}

void wire_disconnect(struct wire *wire, struct client *client) {
    client->gone = true;
    control_watch(wire);
    client->open = false;
}
