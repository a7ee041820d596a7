/* The headers that are understood, and what each does. */
#include "command.h"
#include "control.h"

#include <string.h>

enum { TURNS_MOST = 300, TURNS_TOLD = 50 /* whose pulse times have room in a reply */ };

static const struct {
    const char *name;
    int code;
} FAULTS[] = {
    [FAULT_INTERLOCK_OPEN] = {"interlock_open", -221}, [FAULT_NOT_LOCKED] = {"not_locked", -221},
    [FAULT_NOT_ARMED] = {"not_armed", -221}, [FAULT_ARMED] = {"armed", -221},
    [FAULT_REFUSED] = {"refused", -200}, [FAULT_OUT_OF_RANGE] = {"out_of_range", -222},
    [FAULT_NO_PULSE] = {"no_pulse", -365}, [FAULT_UNDERRUN] = {"underrun", -230},
    [FAULT_LOST_READING] = {"lost_reading", -230}, [FAULT_NO_GAUGE] = {"no_gauge", -241},
    [FAULT_BROKEN] = {"broken", -240},
};

static const struct wire_error WORDS[] = {
    {0, "No error"}, {-101, "Invalid character"}, {-102, "Syntax error"}, {-103, "Invalid separator"},
    {-104, "Data type error"}, {-108, "Parameter not allowed"}, {-109, "Missing parameter"},
    {-113, "Undefined header"}, {-123, "Exponent too large"}, {-131, "Invalid suffix"},
    {-151, "Invalid string data"}, {-161, "Invalid block data"}, {-200, "Execution error"},
    {-203, "Command protected"}, {-221, "Settings conflict"}, {-222, "Data out of range"}, {-223, "Too much data"},
    {-224, "Illegal parameter value"}, {-230, "Data corrupt or stale"}, {-240, "Hardware error"},
    {-241, "Hardware missing"}, {-350, "Queue overflow"}, {-363, "Input buffer overrun"},
    {-365, "Time out error"}, {-430, "Query DEADLOCKED"},
};

int command_code(const struct fault *fault)
{
    return fault->kind == FAULT_WIRE ? fault->code : FAULTS[fault->kind].code;
}

static void put_error(struct reply *reply, int code, const char *what)
{
    const char *words = "Device-specific error";
    for (size_t k = 0; k < sizeof WORDS / sizeof *WORDS; k++)
        if (WORDS[k].code == code)
            words = WORDS[k].what;
    reply_whole(reply, code);
    reply_string(reply, words, what != NULL ? ";" : NULL, what);
}

/* Arguments. Each of these returns false and sets `fault` if the next one is not what it should be. */

static bool take(struct call *call, enum argument_kind kind, struct argument *argument)
{
    call->taken++;
    if (message_argument(&call->arguments, argument) <= 0)
        call->fault = fault_wire(-109, NULL);
    else if (argument->kind != kind)
        call->fault = fault_wire(-104, NULL);
    else
        return true;
    return false;
}

static bool take_number(struct call *call, double *value)
{
    struct argument argument;
    bool taken = take(call, ARGUMENT_NUMBER, &argument);
    *value = taken ? argument.number : 0;
    return taken;
}

static bool take_whole(struct call *call, unsigned *value)
{
    double number;
    if (!take_number(call, &number))
        return false;
    if (!(number >= 0 && number < 1e9 && floor(number) == number)) {
        call->fault = fault_wire(-222, "it must be a whole number");
        return false;
    }
    *value = (unsigned)number;
    return true;
}

/* One of two words: true for the second. */
static bool take_word(struct call *call, const char *one, const char *other, bool *is_other)
{
    struct argument argument;
    if (!take(call, ARGUMENT_WORD, &argument))
        return false;
    *is_other = message_matches(argument.text, other);
    if (*is_other || message_matches(argument.text, one))
        return true;
    call->fault = fault_wire(-224, NULL);
    return false;
}

static bool take_keep(struct call *call, bool *keep)
{
    *keep = false;
    return call->count == 0 || take_word(call, "STOP", "KEEP", keep);
}

static const struct fault DONE = {.kind = FAULT_NONE};

/* What the server itself knows. */

static struct fault identity(struct call *call)
{
    reply_word(&call->client->reply, head_identity);
    return DONE;
}

static struct fault clear(struct call *call)
{
    call->client->error_count = 0;
    return DONE;
}

static struct fault next_error(struct call *call)
{
    struct client *client = call->client;
    struct wire_error error = {0, NULL};
    if (client->error_count > 0) {
        error = client->errors[client->first_error];
        client->first_error = (client->first_error + 1) % WIRE_ERRORS;
        client->error_count--;
    }
    put_error(&client->reply, error.code, error.what);
    return DONE;
}

static struct fault last_fault(struct call *call)
{
    const struct fault *fault = &call->client->outcome;
    struct reply *reply = &call->client->reply;
    if (fault->kind == FAULT_WIRE) {
        reply_string(reply, "error", NULL, NULL);
        put_error(reply, fault->code, fault->what);
        return DONE;
    }
    reply_string(reply, fault->kind == FAULT_NONE ? "none" : FAULTS[fault->kind].name, NULL, NULL);
    if (fault->kind != FAULT_NONE && fault->what != NULL)
        reply_string(reply, fault->what, NULL, NULL);
    if (fault->kind == FAULT_OUT_OF_RANGE) {
        reply_value(reply, fault->value, fault->unit);
        reply_value(reply, fault->least, fault->unit);
        reply_value(reply, fault->most, fault->unit);
    }
    return DONE;
}

static struct fault protocol(struct call *call)
{
    reply_word(&call->client->reply, "1.2");
    return DONE;
}

static struct fault take_control(struct call *call)
{
    struct wire *wire = call->wire;
    if (wire->controller != NULL && wire->controller != call->client)
        return fault_wire(-203, "another client controls the head");
    if (call->client->gone || (wire->controller == NULL && control_silent(wire, call->client)))
        return fault_wire(-203, "the client was silent for too long after it sent this: send it again");
    wire->controller = call->client;
    return DONE;
}

static struct fault release(struct call *call)
{
    bool keep;
    if (!take_keep(call, &keep))
        return call->fault;
    if (call->wire->controller == call->client)
        control_release(call->wire, keep);
    return DONE;
}

static struct fault owner(struct call *call)
{
    const struct client *controller = call->wire->controller;
    reply_word(&call->client->reply, controller == NULL ? "NONE" : controller == call->client ? "SELF" : "OTH");
    return DONE;
}

static struct fault limit(struct call *call)
{
    reply_number(&call->client->reply, call->wire->limit);
    return DONE;
}

static struct fault pace(struct call *call)
{
    reply_word(&call->client->reply, call->wire->pace);
    return DONE;
}

/* The head. */

static struct fault clock_time(struct call *call)
{
    reply_number(&call->client->reply, head_now());
    return DONE;
}

static struct fault sleep_for(struct call *call)
{
    double seconds;
    if (!take_number(call, &seconds))
        return call->fault;
    struct fault fault = fault_range("sleep", seconds, 0, 1e6, "s");
    return fault.kind == FAULT_NONE ? head_sleep(seconds) : fault;
}

static struct fault describe(struct call *call)
{
    reply_block(&call->client->reply, head_description, strlen(head_description));
    return DONE;
}

static struct fault seed(struct call *call)
{
    reply_number(&call->client->reply, NAN);
    return DONE;
}

static struct fault status(struct call *call)
{
    struct reply *reply = &call->client->reply;
    struct head_status status;
    head_read(&status);
    reply_number(reply, status.time);
    reply_number(reply, status.speed);
    reply_number(reply, status.target);
    reply_flag(reply, status.locked);
    reply_whole(reply, status.facet);
    reply_flag(reply, status.interlock);
    reply_flag(reply, status.armed);
    reply_flag(reply, status.rest);
    reply_number(reply, status.angle);
    reply_flag(reply, status.parked);
    reply_number(reply, status.temperature);
    for (int k = 0; k < HEAD_RAILS; k++)
        reply_number(reply, status.rails[k]);
    return DONE;
}

static struct fault spin(struct call *call)
{
    double speed;
    return take_number(call, &speed) ? head_spin(speed) : call->fault;
}

static struct fault halt(struct call *call)
{
    bool coast;
    return take_word(call, "BRAKe", "COASt", &coast) ? head_halt(!coast) : call->fault;
}

static struct fault pulses(struct call *call)
{
    struct reply *reply = &call->client->reply;
    struct head_turn turn;
    unsigned count;
    if (!take_whole(call, &count))
        return call->fault;
    struct fault fault = fault_range("turns", count, 1, TURNS_MOST, "turns");
    while (fault.kind == FAULT_NONE && call->client->calls < count) {
        fault = head_watch(&turn);
        if (fault.kind != FAULT_NONE)
            return fault;
        int told = count <= TURNS_TOLD ? HEAD_FACETS : 0;
        reply_number(reply, turn.period);
        reply_whole(reply, HEAD_FACETS);
        reply_whole(reply, told);
        for (int k = 0; k < told; k++)
            reply_number(reply, turn.pulses[k]);
        reply_whole(reply, 0); /* no end-of-scan detector */
        call->client->calls++;
    }
    head_cancel();
    return fault;
}

static struct fault steer(struct call *call)
{
    double angle;
    return take_number(call, &angle) ? head_steer(angle) : call->fault;
}

static struct fault park(struct call *call)
{
    (void)call;
    return head_steer(0);
}

static struct fault load(struct call *call)
{
    struct trim trims[HEAD_FACETS];
    size_t count = call->count / 2;
    if (call->count % 2 != 0)
        return fault_wire(-109, "each facet has an in-scan and a cross-scan trim");
    for (size_t k = 0; k < count && k < HEAD_FACETS; k++)
        if (!take_number(call, &trims[k].in_scan) || !take_number(call, &trims[k].cross_scan))
            return call->fault;
    return head_load(trims, count);
}

static struct fault trims(struct call *call)
{
    struct trim trims[HEAD_FACETS];
    head_trims(trims);
    for (int k = 0; k < HEAD_FACETS; k++) {
        reply_number(&call->client->reply, trims[k].in_scan);
        reply_number(&call->client->reply, trims[k].cross_scan);
    }
    return DONE;
}

static struct fault store(struct call *call)
{
    struct argument proof = {.kind = ARGUMENT_BLOCK};
    if (call->count > 0 && !take(call, ARGUMENT_BLOCK, &proof))
        return call->fault;
    return head_store(proof.text.at, (size_t)(proof.text.end - proof.text.at));
}

static struct fault proof(struct call *call)
{
    const char *proof;
    size_t size = head_proof(&proof);
    reply_block(&call->client->reply, size > 0 ? proof : "null", size > 0 ? size : strlen("null"));
    return DONE;
}

static struct fault arm(struct call *call)
{
    double share;
    return take_number(call, &share) ? head_arm(share) : call->fault;
}

static struct fault disarm(struct call *call)
{
    if (!call->client->stops)
        control_disarm(call->wire);
    return DONE;
}

static struct fault expose(struct call *call)
{
    struct reply *reply = &call->client->reply;
    struct head_line line = {0};
    struct head_drawn drawn;
    struct argument words;
    bool marks;
    if (!take_whole(call, &line.facet) || !take_whole(call, &line.dots) || !take_number(call, &line.dot_period) ||
        !take_number(call, &line.delay))
        return call->fault;
    struct call before = *call;
    unsigned count = line.dots / 32 + (line.dots % 32 > 0);
    if (take(call, ARGUMENT_BLOCK, &words)) {
        if ((size_t)(words.text.end - words.text.at) != 4 * (size_t)count)
            return fault_of(FAULT_REFUSED, "a dot word of 4 bytes is needed for each 32 dots");
        line.words = (const unsigned char *)words.text.at;
    } else if (*call = before, !take_word(call, "TESTmarks", "MARKs", &marks)) {
        return call->fault;
    }
    struct fault fault = head_draw(&line, &drawn);
    if (fault.kind != FAULT_NONE)
        return fault;
    reply_number(reply, drawn.time);
    reply_whole(reply, (long)line.facet);
    reply_whole(reply, (long)count);
    reply_flag(reply, drawn.underrun);
    reply_number(reply, drawn.turn);
    return DONE;
}

static struct fault measure(struct call *call)
{
    struct reply *reply = &call->client->reply;
    struct head_mark marks[HEAD_MARKS];
    struct fault fault = head_measure(marks);
    if (fault.kind != FAULT_NONE)
        return fault;
    for (size_t k = 0; k < sizeof head_marks_u / sizeof *head_marks_u; k++)
        reply_number(reply, head_marks_u[k]);
    for (int k = 0; k < HEAD_MARKS; k++) {
        reply_number(reply, marks[k].place);
        reply_number(reply, marks[k].along);
        reply_number(reply, marks[k].across);
        reply_number(reply, NAN); /* this gauge reads no dose */
    }
    return DONE;
}

static struct fault safe(struct call *call)
{
    struct reply *reply = &call->client->reply;
    struct head_status status;
    bool keep;
    if (!take_keep(call, &keep))
        return call->fault;
    /* A message that stops was carried out when it came. */
    if (call->client->busy == NULL && !call->client->stops)
        control_safe(call->wire, call->client, keep);
    struct fault fault = head_settle();
    if (fault.kind != FAULT_NONE)
        return fault;
    head_read(&status);
    reply_flag(reply, !status.armed);
    reply_flag(reply, status.parked);
    reply_number(reply, status.speed);
    reply_flag(reply, status.rest);
    reply_flag(reply, keep && !isnan(status.target));
    return DONE;
}

#define MOVES (COMMAND_CONTROL | COMMAND_MOVES)

static const struct command COMMANDS[] = {
    {"*IDN", true, 0, 0, identity},
    {"*CLS", false, 0, 0, clear},
    {"SYSTem:ERRor", true, COMMAND_TELLS, 0, next_error},
    {"SYSTem:ERRor:NEXT", true, COMMAND_TELLS, 0, next_error},
    {"SYSTem:PROTocol", true, 0, 0, protocol},
    {"FAULt", true, COMMAND_TELLS, 0, last_fault},
    {"CONTrol:TAKE", false, COMMAND_TAKES, 0, take_control},
    {"CONTrol:RELease", false, 0, 1, release},
    {"CONTrol:OWNer", true, 0, 0, owner},
    {"CONTrol:LIMit", true, 0, 0, limit},
    {"CLOCk:PACE", true, 0, 0, pace},
    {"CLOCk:TIME", true, 0, 0, clock_time},
    {"CLOCk:SLEep", false, COMMAND_CONTROL, 1, sleep_for},
    {"HEAD:DESCription", true, 0, 0, describe},
    {"HEAD:STATus", true, 0, 0, status},
    {"HEAD:SEED", true, 0, 0, seed},
    {"ROTor:SPEed", false, MOVES, 1, spin},
    {"ROTor:HALT", false, MOVES, 1, halt},
    {"ROTor:PULSes", true, MOVES, 1, pulses},
    {"MIRRor:ANGLe", false, MOVES, 1, steer},
    {"MIRRor:PARK", false, MOVES, 0, park},
    {"TRIM:LOAD", false, MOVES, 4 * HEAD_FACETS, load},
    {"TRIM:LOAD", true, 0, 0, trims},
    {"TRIM:STORe", false, MOVES, 1, store},
    {"TRIM:PROof", true, 0, 0, proof},
    {"LASer:ARM", false, MOVES | COMMAND_ARMS, 1, arm},
    {"LASer:DISarm", false, 0, 0, disarm},
    {"LINE:EXPose", true, MOVES, 5, expose},
    {"GAUGe:MARKs", true, MOVES, 0, measure},
    {"SAFE", true, 0, 1, safe},
};

const struct command *command_find(char path[WIRE_PATH], const struct unit *unit)
{
    struct span header = unit->header;
    char whole[WIRE_PATH];
    size_t before = *header.at == ':' || *header.at == '*' ? 0 : strlen(path);
    header.at += *header.at == ':';
    size_t size = (size_t)(header.end - header.at);
    if (size >= sizeof whole - before)
        return NULL;
    memcpy(whole, path, before);
    memcpy(whole + before, header.at, size);
    struct span name = {whole, whole + before + size};
    for (const struct command *command = COMMANDS; command < COMMANDS + sizeof COMMANDS / sizeof *COMMANDS; command++) {
        if (command->query != unit->query || !message_matches(name, command->header))
            continue;
        while (name.end > whole && name.end[-1] != ':')
            name.end--;
        if (*whole != '*') {
            memcpy(path, whole, (size_t)(name.end - whole));
            path[name.end - whole] = '\0';
        }
        return command;
    }
    return NULL;
}

bool command_stops(struct span message, struct stops *stops)
{
    char path[WIRE_PATH] = "";
    struct unit unit;
    *stops = (struct stops){false, false, false};
    if (message_check(message) < 0)
        return false;
    while (message_unit(&message, &unit) > 0) {
        const struct command *command = command_find(path, &unit);
        if (command == NULL || unit.count > command->most)
            continue;
        if (command->flags & (COMMAND_CONTROL | COMMAND_TAKES))
            return false;
        struct call call = {.arguments = unit.arguments, .count = unit.count};
        bool keep;
        if (command->run == disarm)
            stops->dark = true;
        else if (command->run == safe && take_keep(&call, &keep))
            *(keep ? &stops->keep : &stops->safe) = true;
    }
    return stops->dark || stops->safe || stops->keep;
}
