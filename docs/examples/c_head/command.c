/* The headers that are understood, in their short forms, and what each does. */
#include "wire.h"

#include <string.h>

enum { MAX_TURNS = 250, TURNS_TOLD = 50 /* whose pulse times have room in a reply */ };

static const struct {
    const char *name;
    int code;
} FAULTS[] = {
    [FAULT_NONE] = {"none", 0},
    [FAULT_INTERLOCK_OPEN] = {"interlock_open", -221}, [FAULT_NOT_LOCKED] = {"not_locked", -221},
    [FAULT_NOT_ARMED] = {"not_armed", -221}, [FAULT_ARMED] = {"armed", -221},
    [FAULT_REFUSED] = {"refused", -200}, [FAULT_OUT_OF_RANGE] = {"out_of_range", -222},
    [FAULT_NO_PULSE] = {"no_pulse", -365}, [FAULT_UNDERRUN] = {"underrun", -230},
    [FAULT_LOST_READING] = {"lost_reading", -230}, [FAULT_NO_GAUGE] = {"no_gauge", -241},
    [FAULT_BROKEN] = {"broken", -240},
};

int command_code(const struct fault *fault) {
    return fault->kind == FAULT_WIRE ? fault->code : FAULTS[fault->kind].code;
}

static void put_error(struct reply *reply, int code, const char *what) {
    static const char *const CLASSES[] = {"No error", "Command error", "Execution error", "Device-specific error",
                                          "Query error"};
    reply_put(reply, "%d", code);
    reply_put(reply, what != NULL ? "\"%s;%s\"" : "\"%s\"", CLASSES[-code / 100 % 5], what);
}

/* Arguments. Each of these returns false and sets `fault` if the next one is not what it should be. */

static bool refuse(struct call *call, int code, const char *what) {
    call->fault = fault_wire(code, what);
    return false;
}

static bool take(struct call *call, int kind, struct argument *argument) {
    if (message_argument(&call->arguments, argument) <= 0)
        return refuse(call, -109, "a parameter is missing");
    return (int)argument->kind == kind || refuse(call, -104, "a parameter is of another type");
}

static bool take_number(struct call *call, double *value) {
    struct argument argument = {.number = 0};
    bool taken = take(call, ARGUMENT_NUMBER, &argument);
    *value = argument.number;
    return taken;
}

static bool take_whole(struct call *call, unsigned *value) {
    double number;
    if (!take_number(call, &number))
        return false;
    if (!(number >= 0 && number < 1e9 && floor(number) == number))
        return refuse(call, -222, "it must be a whole number");
    *value = (unsigned)number;
    return true;
}

/* One of two words; without any, the first. */
static bool take_word(struct call *call, const char *one, const char *other, bool *is_other) {
    struct argument argument;
    *is_other = false;
    if (call->count == 0)
        return true;
    if (!take(call, ARGUMENT_WORD, &argument))
        return false;
    *is_other = message_is(argument.text, other);
    return *is_other || message_is(argument.text, one) || refuse(call, -224, one);
}

static const struct fault DONE = {.kind = FAULT_NONE};

/* What the server itself knows. */

static struct fault clear(struct call *call) {
    call->client->error_count = 0;
    return DONE;
}

static struct fault next_error(struct call *call) {
    struct client *client = call->client;
    struct wire_error error = {0, NULL};
    if (client->error_count > 0) {
        error = client->errors[client->first_error];
        client->first_error = (client->first_error + 1) % WIRE_ERRORS;
        client->error_count--;
    }
    put_error(call->reply, error.code, error.what);
    return DONE;
}

static struct fault last_fault(struct call *call) {
    const struct fault *fault = &call->client->outcome;
    const double values[] = {fault->value, fault->least, fault->most};
    if (fault->kind == FAULT_WIRE) {
        reply_put(call->reply, "\"error\"");
        put_error(call->reply, fault->code, fault->what);
        return DONE;
    }
    reply_put(call->reply, "\"%s\"", FAULTS[fault->kind].name);
    if (fault->what != NULL)
        reply_put(call->reply, "\"%s\"", fault->what);
    for (int k = 0; fault->kind == FAULT_OUT_OF_RANGE && k < 3; k++)
        reply_put(call->reply, "\"%.6g %s\"", values[k], fault->unit);
    return DONE;
}

static struct fault take_control(struct call *call) {
    struct wire *wire = call->wire;
    if (wire->controller != NULL && wire->controller != call->client)
        return fault_wire(-203, "another client controls the head");
    if (call->client->gone || (wire->controller == NULL && control_silent(wire, call->client)))
        return fault_wire(-203, "the client was silent for too long after it sent this: send it again");
    wire->controller = call->client;
    return DONE;
}

static struct fault release(struct call *call) {
    bool keep;
    if (!take_word(call, "STOP", "KEEP", &keep))
        return call->fault;
    if (call->wire->controller == call->client)
        control_release(call->wire, keep);
    return DONE;
}

static struct fault owner(struct call *call) {
    const struct client *controller = call->wire->controller;
    reply_put(call->reply, controller == NULL ? "NONE" : controller == call->client ? "SELF" : "OTH");
    return DONE;
}

static struct fault limit(struct call *call) {
    reply_number(call->reply, call->wire->limit);
    return DONE;
}

static struct fault pace(struct call *call) {
    reply_put(call->reply, "%s", call->wire->pace);
    return DONE;
}

/* The head. */

static struct fault clock_time(struct call *call) {
    reply_number(call->reply, head_now());
    return DONE;
}

static struct fault describe(struct call *call) {
    reply_block(call->reply, head_description);
    return DONE;
}

static struct fault status(struct call *call) {
    struct reply *reply = call->reply;
    struct head_status status;
    head_read(&status);
    reply_number(reply, status.time);
    reply_number(reply, status.speed);
    reply_number(reply, status.target);
    reply_put(reply, "%d,%d,%d,%d,%d", status.locked, status.facet, status.interlock, status.armed, status.rest);
    reply_number(reply, status.angle);
    reply_put(reply, "%d", status.parked);
    reply_number(reply, status.temperature);
    for (int k = 0; k < HEAD_RAILS; k++)
        reply_number(reply, status.rails[k]);
    return DONE;
}

static struct fault halt(struct call *call) {
    bool coast;
    if (call->count == 0)
        return fault_wire(-109, "a parameter is missing");
    return take_word(call, "BRAK", "COAS", &coast) ? head_halt(!coast) : call->fault;
}

static struct fault pulses(struct call *call) {
    struct head_turn turn;
    unsigned count;
    if (!take_whole(call, &count))
        return call->fault;
    struct fault fault;
    if (failed(&fault, fault_range("turns", count, 1, MAX_TURNS, "turns")))
        return fault;
    for (; call->client->calls < count; call->client->calls++) {
        if (failed(&fault, head_watch(&turn)))
            return fault;
        int told = count <= TURNS_TOLD ? HEAD_FACETS : 0;
        reply_number(call->reply, turn.period);
        reply_put(call->reply, "%d,%d", HEAD_FACETS, told);
        for (int k = 0; k < told; k++)
            reply_number(call->reply, turn.pulses[k]);
        reply_put(call->reply, "0"); /* no end-of-scan detector */
    }
    head_cancel();
    return fault;
}

static struct fault park(struct call *call) {
    (void)call;
    return head_steer(0);
}

static struct fault load(struct call *call) {
    struct trim trims[HEAD_FACETS];
    if (call->count != 2 * HEAD_FACETS)
        return fault_of(FAULT_REFUSED, "there must be an in-scan and a cross-scan trim for each facet");
    for (int k = 0; k < HEAD_FACETS; k++)
        if (!take_number(call, &trims[k].in_scan) || !take_number(call, &trims[k].cross_scan))
            return call->fault;
    return head_load(trims);
}

static struct fault trims(struct call *call) {
    struct trim trims[HEAD_FACETS];
    head_trims(trims);
    for (int k = 0; k < HEAD_FACETS; k++) {
        reply_number(call->reply, trims[k].in_scan);
        reply_number(call->reply, trims[k].cross_scan);
    }
    return DONE;
}

static struct fault store(struct call *call) {
    struct argument proof = {.text = {"", ""}};
    if (call->count > 0 && !take(call, ARGUMENT_BLOCK, &proof))
        return call->fault;
    return head_store(proof.text.at, (size_t)(proof.text.end - proof.text.at));
}

static struct fault proof(struct call *call) {
    reply_block(call->reply, head_proof());
    return DONE;
}

static struct fault disarm(struct call *call) {
    if (!call->client->stops)
        control_disarm(call->wire);
    return DONE;
}

static struct fault expose(struct call *call) {
    struct head_line line = {0};
    struct head_drawn drawn;
    struct argument pattern;
    if (!take_whole(call, &line.facet) || !take_whole(call, &line.dots) || !take_number(call, &line.dot_period) ||
        !take_number(call, &line.delay))
        return call->fault;
    size_t count = line.dots / 32 + (line.dots % 32 > 0);
    if (message_argument(&call->arguments, &pattern) <= 0)
        return fault_wire(-109, "a parameter is missing");
    bool block = pattern.kind == ARGUMENT_BLOCK;
    if (block && (size_t)(pattern.text.end - pattern.text.at) != 4 * count)
        return fault_wire(-161, "a dot word of 4 bytes is needed for each 32 dots");
    if (!block && (pattern.kind != ARGUMENT_WORD || !message_is(pattern.text, "TEST")))
        return fault_wire(-224, "TEST draws test marks, otherwise give a block of dot words");
    line.words = block ? (const unsigned char *)pattern.text.at : NULL;
    struct fault fault;
    if (failed(&fault, head_draw(&line, &drawn)))
        return fault;
    reply_number(call->reply, drawn.time);
    reply_put(call->reply, "%u,%zu,%d", line.facet, count, drawn.underrun);
    reply_number(call->reply, drawn.turn);
    return DONE;
}

static struct fault measure(struct call *call) {
    struct head_mark marks[HEAD_MARKS];
    struct fault fault;
    if (failed(&fault, head_measure(marks)))
        return fault;
    for (size_t k = 0; k < sizeof head_marks_u / sizeof *head_marks_u; k++)
        reply_number(call->reply, head_marks_u[k]);
    for (int k = 0; k < HEAD_MARKS; k++) {
        reply_number(call->reply, marks[k].place);
        reply_number(call->reply, marks[k].along);
        reply_number(call->reply, marks[k].across);
        reply_number(call->reply, NAN); /* this gauge reads no dose */
    }
    return DONE;
}

static struct fault safe(struct call *call) {
    struct head_status status;
    bool keep;
    if (!take_word(call, "STOP", "KEEP", &keep))
        return call->fault;
    /* A message that stops was carried out when it came. */
    if (call->client->busy == NULL && !call->client->stops)
        control_safe(call->wire, call->client, keep);
    struct fault fault;
    if (failed(&fault, head_settle()))
        return fault;
    head_read(&status);
    reply_put(call->reply, "%d,%d", !status.armed, status.parked);
    reply_number(call->reply, status.speed);
    reply_put(call->reply, "%d,%d", status.rest, keep && !isnan(status.target));
    return DONE;
}

#define MOVES (COMMAND_CONTROL | COMMAND_MOVES)
#define QUERY true
#define ORDER false

static const struct command COMMANDS[] = {
    {"*IDN", QUERY, 0, 0, .text = head_identity},
    {"*CLS", ORDER, 0, 0, .run = clear},
    {"SYST:ERR", QUERY, COMMAND_TELLS, 0, .run = next_error},
    {"SYST:PROT", QUERY, 0, 0, .text = "1.2"},
    {"FAUL", QUERY, COMMAND_TELLS, 0, .run = last_fault},
    {"CONT:TAKE", ORDER, COMMAND_TAKES, 0, .run = take_control},
    {"CONT:REL", ORDER, 0, 1, .run = release},
    {"CONT:OWN", QUERY, 0, 0, .run = owner},
    {"CONT:LIM", QUERY, 0, 0, .run = limit},
    {"CLOC:PACE", QUERY, 0, 0, .run = pace},
    {"CLOC:TIME", QUERY, 0, 0, .run = clock_time},
    {"CLOC:SLE", ORDER, COMMAND_CONTROL, 1, .with = head_sleep},
    {"HEAD:DESC", QUERY, 0, 0, .run = describe},
    {"HEAD:STAT", QUERY, 0, 0, .run = status},
    {"HEAD:SEED", QUERY, 0, 0, .text = "9.91E+37"},
    {"ROT:SPE", ORDER, MOVES, 1, .with = head_spin},
    {"ROT:HALT", ORDER, MOVES, 1, .run = halt},
    {"ROT:PULS", QUERY, MOVES, 1, .run = pulses},
    {"MIRR:ANGL", ORDER, MOVES, 1, .with = head_steer},
    {"MIRR:PARK", ORDER, MOVES, 0, .run = park},
    {"TRIM:LOAD", ORDER, MOVES, 4 * HEAD_FACETS, .run = load},
    {"TRIM:LOAD", QUERY, 0, 0, .run = trims},
    {"TRIM:STOR", ORDER, MOVES, 1, .run = store},
    {"TRIM:PRO", QUERY, 0, 0, .run = proof},
    {"LAS:ARM", ORDER, MOVES | COMMAND_ARMS, 1, .with = head_arm},
    {"LAS:DIS", ORDER, 0, 0, .run = disarm},
    {"LINE:EXP", QUERY, MOVES, 5, .run = expose},
    {"GAUG:MARK", QUERY, MOVES, 0, .run = measure},
    {"SAFE", QUERY, 0, 1, .run = safe},
};

const struct command *command_find(struct span *path, const struct unit *unit) {
    struct span header = unit->header, before = *path;
    bool common = *header.at == '*';
    if (common || *header.at == ':')
        before.end = before.at;
    header.at += *header.at == ':';
    for (const struct command *command = COMMANDS; command < COMMANDS + sizeof COMMANDS / sizeof *COMMANDS; command++) {
        const char *word = command->header, *colon = strrchr(word, ':');
        if (command->query != unit->query || !message_begins(&word, before) || !message_is(header, word))
            continue;
        if (!common)
            *path = (struct span){command->header, colon != NULL ? colon + 1 : command->header};
        return command;
    }
    return NULL;
}

struct fault command_run(const struct command *command, struct call *call) {
    double value;
    if (command->run != NULL)
        return command->run(call);
    if (command->with != NULL)
        return take_number(call, &value) ? command->with(value) : call->fault;
    reply_put(call->reply, "%s", command->text);
    return DONE;
}

unsigned command_stops(struct span message) {
    struct span path = {message.at, message.at};
    struct unit unit;
    unsigned stops = 0;
    if (message_check(message) < 0)
        return 0;
    while (message_unit(&message, &unit) > 0) {
        const struct command *command = command_find(&path, &unit);
        struct call call = {.arguments = unit.arguments, .count = unit.count};
        bool keep;
        if (command == NULL || unit.count > command->most)
            continue;
        if (command->flags & (COMMAND_CONTROL | COMMAND_TAKES))
            return 0;
        if (command->run == disarm)
            stops |= STOP_DARK;
        else if (command->run == safe && take_word(&call, "STOP", "KEEP", &keep))
            stops |= keep ? STOP_KEEP : STOP_SAFE;
    }
    return stops;
}
