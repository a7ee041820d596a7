/* Clients and their messages, on the way from bytes to replies. */
#include "wire.h"
#include "command.h"
#include "control.h"

#include <string.h>

static const double BLOCK_PAUSE = 2.0, REPLY_PAUSE = 0.5, OBSERVER_PAUSE = 600.0; /* s */
static const char LEFT_OUT[] = "left out: the head was stopped after this was said";

void wire_begin(struct wire *wire, double limit, const char *pace, double now)
{
    memset(wire, 0, sizeof *wire);
    wire->limit = limit;
    wire->pace = pace;
    wire->now = now;
}

void wire_time(struct wire *wire, double now)
{
    wire->now = now;
    for (struct client *client = wire->clients; client < wire->clients + WIRE_CLIENTS; client++)
        client->lives = false;
}

struct client *wire_connect(struct wire *wire)
{
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
static void dismiss(struct client *client, const char *told)
{
    client->frame.start = 0;
    frame_give_up(&client->frame);
    client->gone = true;
    client->running = false;
    client->busy = NULL;
    client->reply.used = client->ready = client->sent = 0;
    client->reply.full = false;
    client->reply.first = true;
    if (told != NULL)
        reply_word(&client->reply, told);
    client->ready = client->reply.used;
}

void wire_hang_up(struct client *client)
{
    /* What it said before may still be read, but nothing moves. */
    client->gone = true;
}

static void fail(struct client *client, struct fault fault)
{
    client->failed = true;
    client->outcome = fault;
    control_tell(client, command_code(&fault), fault.what);
}

static bool begins_well(struct span message)
{
    char path[WIRE_PATH] = "";
    struct unit unit;
    return message_check(message) == 0 && message_unit(&message, &unit) > 0 && command_find(path, &unit) != NULL;
}

/* A web page can make its browser send any bytes to any port, but only behind the first words of another protocol.
 * So a socket is closed before it can say more. */
static void dismiss_foreign(struct client *client)
{
    dismiss(client, client->spoke ? NULL : "-113,\"Undefined header;what came is not this protocol: send *IDN? first\"\n");
}

static void arrive(struct wire *wire, struct client *client, struct span message)
{
    struct stops stops;
    if (message_is_http(message) || (!client->spoke && !begins_well(message))) {
        dismiss_foreign(client);
        return;
    }
    client->spoke = true;
    if (!command_stops(message, &stops))
        return;
    client->asks_dark |= stops.dark;
    client->asks_keep |= stops.keep;
    client->asks_safe |= stops.safe;
    /* What this client says from here on was said behind the stop; others must first be read empty. */
    client->stamp = wire->disarmed = ++wire->stops;
    if (!stops.safe && !stops.keep)
        return;
    wire->safed = wire->stops;
    for (struct client *other = wire->clients; other < wire->clients + WIRE_CLIENTS; other++)
        if (other != client)
            other->take_after = wire->stops;
}

size_t wire_room(const struct client *client)
{
    return client->open && !client->gone ? frame_room(&client->frame) : 0;
}

/* An error of bytes that were no message. */
static void reject(struct client *client, int code, const char *what)
{
    if (!client->spoke) {
        dismiss_foreign(client);
        return;
    }
    control_tell(client, code, what);
    if (!client->running)
        client->outcome = fault_wire(code, what);
}

static bool begins_message(char byte)
{
    return (byte >= 'a' && byte <= 'z') || (byte >= 'A' && byte <= 'Z') || byte == '*' || byte == ':';
}

void wire_receive(struct wire *wire, struct client *client, const char *bytes, size_t size)
{
    client->read = wire->now;
    for (; size > 0 && !client->gone; bytes++, size--) {
        struct span message;
        bool in_block = client->frame.block > 0;
        if (!client->begun && *bytes != ' ' && *bytes != '\t' && *bytes != '\r' && *bytes != '\n') {
            client->begun = true;
            if (!begins_message(*bytes)) {
                dismiss_foreign(client);
                return;
            }
        }
        switch (frame_byte(&client->frame, *bytes, client->stamp, &message)) {
        case FRAME_MORE:
            client->lives |= in_block || client->frame.block > 0;
            break;
        case FRAME_BLANK:
            client->lives = true;
            break;
        case FRAME_MESSAGE:
            client->lives = true;
            arrive(wire, client, message);
            break;
        case FRAME_TOO_LONG:
            reject(client, -363, "the message is too long");
            break;
        case FRAME_LONG_BLOCK:
            reject(client, -223, "the block is too long");
            break;
        }
    }
}

void wire_drained(struct wire *wire, struct client *client)
{
    /* Until now, what was read may have been sent long ago. */
    if (client->lives)
        client->heard = wire->now;
    client->drained = true;
}

/* Why a command may not be carried out now, or FAULT_NONE. */
static struct fault admit(const struct wire *wire, const struct client *client, const struct command *command)
{
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
static struct fault perform(struct wire *wire, struct client *client, const struct unit *unit)
{
    struct call call = {wire, client, unit->arguments, unit->count, 0, {.kind = FAULT_NONE}};
    const struct command *command = client->busy;
    struct fault fault = {.kind = FAULT_NONE};
    if (command == NULL) {
        client->mark = client->reply.used;
        client->calls = 0;
        client->cut = NULL;
        command = command_find(client->path, unit);
        if (command == NULL)
            return fault_wire(-113, NULL);
        if (unit->count > command->most)
            return fault_wire(-108, NULL);
        fault = admit(wire, client, command);
        if (fault.kind != FAULT_NONE)
            return fault;
        if (command->query && client->reply.used > 0)
            reply_byte(&client->reply, ';');
        client->reply.first = true;
        wire->moving |= (command->flags & COMMAND_MOVES) != 0;
    }
    fault = client->cut != NULL ? fault_of(FAULT_REFUSED, client->cut) : command->run(&call);
    client->busy = fault.kind == FAULT_BUSY ? command : NULL;
    if (client->reply.full && client->busy == NULL)
        fault = fault_wire(-430, "the reply is too long");
    if (fault.kind == FAULT_NONE && !(command->flags & COMMAND_TELLS))
        client->outcome = fault;
    return fault;
}

/* Carries out the oldest message of a client, as far as it goes now. */
static void step(struct wire *wire, struct client *client)
{
    struct span message, rest;
    struct stops stops;
    struct unit unit;
    uint32_t said;
    /* A client that does not take its replies gets no further ones. */
    if (client->ready > client->sent || !frame_first(&client->frame, &message, &said))
        return;
    if (!client->running) {
        client->running = true;
        client->failed = false;
        client->said = said;
        client->stops = command_stops(message, &stops);
        client->at = 0;
        client->path[0] = '\0';
        client->reply.used = client->ready = client->sent = 0;
        int code = message_check(message);
        if (code < 0) {
            fail(client, fault_wire(code, NULL));
            client->at = (size_t)(message.end - message.at);
        }
    }
    rest = (struct span){message.at + client->at, message.end};
    while (message_unit(&rest, &unit) > 0) {
        struct fault fault = perform(wire, client, &unit);
        if (fault.kind == FAULT_BUSY)
            return;
        if (fault.kind != FAULT_NONE) {
            client->reply.used = client->mark;
            client->reply.full = false;
            fail(client, fault);
        }
        client->at = (size_t)(rest.at - message.at);
    }
    client->running = false;
    frame_drop_first(&client->frame);
    if (client->reply.used > 0)
        reply_end(&client->reply);
    client->ready = client->reply.used;
    client->took = wire->now;
}

/* Silence inside a block, of an observer, or of a client that does not take its replies. */
static void watch_silence(struct wire *wire, struct client *client)
{
    if (client->frame.block > 0 && wire->now - client->read > BLOCK_PAUSE) {
        frame_give_up(&client->frame);
        reject(client, -161, "the rest of a block did not come");
    }
    if (client->ready > client->sent && wire->now - client->took > REPLY_PAUSE)
        dismiss(client, NULL);
    if (client != wire->controller && wire->now - client->heard > OBSERVER_PAUSE)
        dismiss(client, NULL);
    if (client->busy != NULL && wire_room(client) == 0 && !client->gone)
        dismiss(client, "-363,\"Input buffer overrun;more messages wait for the head than may\"\n");
}

void wire_run(struct wire *wire)
{
    struct client *end = wire->clients + WIRE_CLIENTS;
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
    }
}

bool wire_is_busy(const struct wire *wire)
{
    for (const struct client *client = wire->clients; client < wire->clients + WIRE_CLIENTS; client++)
        if (client->open && client->busy != NULL)
            return true;
    return false;
}

bool wire_has_work(const struct wire *wire)
{
    struct span message;
    uint32_t said;
    for (const struct client *client = wire->clients; client < wire->clients + WIRE_CLIENTS; client++)
        if (client->open && client->busy == NULL && client->ready == client->sent &&
            frame_first(&client->frame, &message, &said))
            return true;
    return false;
}

struct span wire_reply(const struct client *client)
{
    return (struct span){client->reply.bytes + client->sent, client->reply.bytes + client->ready};
}

void wire_sent(struct wire *wire, struct client *client, size_t size)
{
    client->sent += size;
    if (client->sent < client->ready)
        return;
    client->sent = client->ready = 0;
    client->took = wire->now;
}

bool wire_is_over(const struct client *client)
{
    struct span message;
    uint32_t said;
    return client->gone && client->ready == client->sent && !frame_first(&client->frame, &message, &said);
}

void wire_disconnect(struct wire *wire, struct client *client)
{
    client->gone = true;
    control_watch(wire);
    client->open = false;
}
