/* The head behind the wire: an invented model of polygon, mirror, laser, trims and gauge. Put your hardware here.
 *
 * Like real hardware should, it ends light by itself when lock or interlock is lost. */
#include "head.h"

#include <stdint.h>
#include <string.h>

#define TURN 6.283185307179586
#define FOCAL_LENGTH 0.4
#define CLOCK 480e6
#define PULSE_SILENCE 1.0
#define SETTLING 0.005

static const double SPIN_RATE = 600, COAST_RATE = 120; /* rad/s per second */
static const double LOCK_TURNS = 16, REST_AFTER = 0.1, ARMING = 0.1, READING = 0.002;
static const double STEP[2] = {1e-9, 0.25e-6}, RANGE[2] = {1e-6, 500e-6}; /* of the trims, in-scan and cross-scan */

/* Errors of each facet, invented: late pulses in rad; lines that lie off along and across in m. */
static const double LATE[HEAD_FACETS] = {-12e-6, 31e-6, 8e-6, -40e-6, 22e-6, 3e-6, -27e-6, 15e-6};
static const double ALONG[HEAD_FACETS] = {9e-6, -14e-6, 3e-6, 11e-6, -6e-6, -2e-6, 17e-6, -8e-6};
static const double ACROSS[HEAD_FACETS] = {-21e-6, 16e-6, 28e-6, -5e-6, 12e-6, -33e-6, 7e-6, 19e-6};

const char head_identity[] = "invented,C demonstration head (invented),C-0001,1";

const char head_description[] =
    "{\"model\":\"C demonstration head (invented)\",\"serial\":\"C-0001\",\"simulated\":true,\"facets\":8,"
    "\"speed_least\":60,\"speed_most\":630,\"lock_window\":0.0005,\"lock_turns\":16,"
    "\"spin_up_most\":4,\"coast_most\":8,\"focal_length\":0.4,\"line_most\":0.33,\"active_most\":0.7,"
    "\"clock\":{\"master\":480e6,\"kind\":{\"accumulator\":{\"bits\":32}}},"
    "\"dot_least\":50e-9,\"word_service\":2e-6,\"queue_words\":256,"
    "\"in_scan_trim\":{\"step\":1e-9,\"range\":1e-6},\"cross_scan_trim\":{\"step\":0.25e-6,\"range\":500e-6},"
    "\"galvanometer_range\":0.1,\"galvanometer_settling\":0.005,"
    "\"rails\":[{\"name\":\"logic\",\"nominal\":3.3,\"tolerance\":0.05},"
    "{\"name\":\"drive\",\"nominal\":24,\"tolerance\":0.1}],"
    "\"start_of_scan\":\"every_facet\",\"laser_power\":0.05,"
    "\"times\":{\"reply_most\":0.5,\"silence_most\":1,\"pulse_silence_most\":1,\"arming_most\":0.5,"
    "\"fill_most\":0.2,\"waiting_turns_most\":3,\"reading_most\":0.5,\"gauge_silence_most\":1,"
    "\"brake_most\":3},\"signals\":[],\"channels\":[]}";

const double head_marks_u[9] = {0.5e-6, 0, 2e-6, 0, 0.5e-6, 0, 2e-6, 0, NAN};

static struct {
    double now, wake, busy;        /* head time; when a busy call can go on; when the call is done, -1 without one */
    bool interlock, armed, drive;
    double since, from, goal, rate; /* the polygon: last command, speed then, speed that it approaches, and how fast */
    double angle, before, moved;   /* the mirror: sent where, from where, when */
    double ready;                  /* when light can come out */
    int32_t trims[HEAD_FACETS][2]; /* in steps */
    char proof[HEAD_PROOF + 1];
    double turn;                   /* the index pulse at which the turn begins that is watched */
    double begins, along, across;  /* the last line: when it began, and where it lies */
    bool drawn;
    uint32_t noise;
} head;

/* Done at this head time, until then busy. */
static struct fault busy(double until) {
    if (head.now >= until)
        return fault_of(FAULT_NONE, NULL);
    head.wake = fmin(head.wake, until);
    return fault_of(FAULT_BUSY, NULL);
}

static struct fault refuse_armed(const char *what) {
    return fault_of(head.armed ? FAULT_ARMED : FAULT_NONE, what);
}

/* Polygon: a constant acceleration up to its goal. There the first index passes, and the others in equal times. */

static double settled(void) {
    return head.since + fabs(head.goal - head.from) / head.rate;
}

static double speed(void) {
    double way = copysign(head.rate, head.goal - head.from) * (head.now - head.since);
    return head.now >= settled() ? head.goal : head.from + way;
}

/* The first passage of an angle that is not before a time. */
static double passage(double angle, double time) {
    double period = TURN / head.goal, first = settled() + angle / head.goal;
    return first + fmax(ceil((time - first) / period - 1e-9), 0) * period;
}

static bool is_locked(void) {
    return head.drive && head.now >= settled() + LOCK_TURNS * TURN / head.goal;
}

static void guard(void) {
    head.armed = head.armed && head.interlock && is_locked();
}

static void run(bool drive, double goal, double rate) {
    bool same = head.drive == drive && head.goal == goal && head.rate == rate;
    double now = speed();
    head.drive = drive;
    if (same)
        return;
    head.from = now;
    head.since = head.now;
    head.goal = goal;
    head.rate = rate;
    guard();
}

struct fault head_spin(double goal) {
    struct fault fault;
    if (!failed(&fault, fault_range("polygon speed", goal, 60, 630, "rad/s")) &&
        !failed(&fault, refuse_armed("changing the polygon speed")))
        run(true, goal, SPIN_RATE);
    return fault;
}

struct fault head_halt(bool brake) {
    struct fault fault;
    if (!failed(&fault, refuse_armed("stopping the polygon")))
        run(false, 0, brake ? SPIN_RATE : COAST_RATE);
    return fault;
}

/* As a counter at the detector would give them, in whole ns. */
static double counted(double seconds) {
    return round(seconds * 1e9) / 1e9;
}

struct fault head_watch(struct head_turn *turn) {
    if (head.busy < 0) {
        head.busy = head.now + PULSE_SILENCE;
        head.turn = head.drive ? passage(0, head.now) : 0;
    }
    double period = TURN / head.goal;
    struct fault fault;
    if (failed(&fault, busy(head.drive ? head.turn + period : head.busy)))
        return fault;
    if (!head.drive) {
        head_cancel();
        return fault_of(FAULT_NO_PULSE, "index");
    }
    head.turn += period;
    turn->period = counted(period);
    for (int k = 0; k < HEAD_FACETS; k++)
        turn->pulses[k] = counted(((double)k / HEAD_FACETS + LATE[k] / TURN) * period);
    return fault;
}

/* Mirror and trims. */

static double mirror(void) {
    double passed = (head.now - head.moved) / SETTLING;
    return passed < 1 ? head.angle + (head.before - head.angle) * exp(-10 * passed) : head.angle;
}

struct fault head_steer(double angle) {
    struct fault fault;
    if (!failed(&fault, fault_range("galvanometer angle", angle, -0.1, 0.1, "rad"))) {
        head.before = mirror();
        head.angle = angle;
        head.moved = head.now;
    }
    return fault;
}

struct fault head_settle(void) {
    return busy(head.moved + SETTLING);
}

void head_trims(struct trim trims[HEAD_FACETS]) {
    for (int k = 0; k < HEAD_FACETS; k++)
        trims[k] = (struct trim){head.trims[k][0] * STEP[0], head.trims[k][1] * STEP[1]};
}

struct fault head_load(const struct trim trims[HEAD_FACETS]) {
    int32_t steps[HEAD_FACETS][2];
    struct fault fault = {.kind = FAULT_NONE};
    for (int k = 0; k < HEAD_FACETS; k++)
        for (int axis = 0; axis < 2; axis++) {
            double value = axis == 0 ? trims[k].in_scan : trims[k].cross_scan;
            /* A value that rounds to the last step is inside. */
            double most = RANGE[axis] + 0.49 * STEP[axis];
            if (failed(&fault, fault_range("trim", value, -most, most, axis == 0 ? "s" : "rad")))
                return fault;
            steps[k][axis] = (int32_t)lround(value / STEP[axis]);
        }
    memcpy(head.trims, steps, sizeof steps);
    return fault;
}

/* The model has no memory that outlasts it: it only keeps the proof. Hardware stores both, at once. */
struct fault head_store(const char *proof, size_t size) {
    struct fault fault;
    if (failed(&fault, refuse_armed("storing trims")))
        return fault;
    if (size > HEAD_PROOF || memchr(proof, '\0', size) != NULL)
        return fault_of(FAULT_REFUSED, "what proved the trims is text of at most 1024 bytes");
    memcpy(head.proof, proof, size);
    head.proof[size] = '\0';
    return fault;
}

const char *head_proof(void) {
    return head.proof[0] != '\0' ? head.proof : "null";
}

/* Laser, lines and gauge. */

struct fault head_arm(double share) {
    struct fault fault;
    if (failed(&fault, fault_range("laser power", share, 0, 1, "of full power")) ||
        failed(&fault, refuse_armed("arming")))
        return fault;
    if (!head.interlock || !is_locked())
        return fault_of(head.interlock ? FAULT_NOT_LOCKED : FAULT_INTERLOCK_OPEN, NULL);
    head.armed = true;
    head.ready = head.now + ARMING;
    return fault;
}

void head_disarm(void) {
    head.armed = false;
}

/* Plans a line for the next passage of its facet once light can come out. It is done when its turn has ended. */
static struct fault begin_line(const struct head_line *line) {
    double period = TURN / head.goal;
    struct fault fault;
    if (failed(&fault, fault_range("facet", line->facet, 0, HEAD_FACETS - 1, "from the index")) ||
        failed(&fault, fault_range("dots", line->dots, 1, 32 * 256, "dots")) ||
        failed(&fault, fault_range("dot period", line->dot_period, 50e-9, 1, "s")) ||
        failed(&fault, fault_range("pre-scan delay", line->delay, 0, period / HEAD_FACETS, "s")))
        return fault;
    /* The dot clock is the master clock times n/2^32, with n from 1 to 2^31. */
    double n = fmin(fmax(round(4294967296.0 / (line->dot_period * CLOCK)), 1), 2147483648.0);
    double length = line->dots * 4294967296.0 / (n * CLOCK);
    double delay = line->delay + head.trims[line->facet][0] * STEP[0];
    double start = passage(line->facet * TURN / HEAD_FACETS, fmax(head.now, head.ready));
    if (failed(&fault, fault_range("delay, trim and line", delay + length, 0, period / HEAD_FACETS, "s")))
        return fault;
    /* The spot runs at twice the speed of the polygon, and the mirror deflects by twice its angle. */
    head.along = 2 * head.goal * FOCAL_LENGTH * (delay + length / 2 - period / HEAD_FACETS / 2) + ALONG[line->facet];
    head.across = 2 * FOCAL_LENGTH * (head.angle + head.trims[line->facet][1] * STEP[1]) + ACROSS[line->facet];
    head.begins = start + delay;
    head.drawn = false;
    head.busy = start + period - line->facet * period / HEAD_FACETS;
    return fault;
}

struct fault head_draw(const struct head_line *line, struct head_drawn *drawn) {
    if (!head.armed) {
        bool lost = head.busy >= 0;
        head_cancel();
        return fault_of(!lost || (head.interlock && is_locked()) ? FAULT_NOT_ARMED
                        : head.interlock                         ? FAULT_NOT_LOCKED
                                                                 : FAULT_INTERLOCK_OPEN, NULL);
    }
    struct fault fault = {.kind = FAULT_NONE};
    if ((head.busy >= 0 || !failed(&fault, begin_line(line))) && !failed(&fault, busy(head.busy))) {
        head_cancel();
        head.drawn = true;
        *drawn = (struct head_drawn){head.begins, counted(TURN / head.goal), false};
    }
    return fault;
}

/* Noise of the gauge, up to 0.7 um either way, by Marsaglia's generator ("Xorshift RNGs", J. Stat. Softw. 8 (14),
 * 2003). */
static double noise(void) {
    head.noise ^= head.noise << 13;
    head.noise ^= head.noise >> 17;
    head.noise ^= head.noise << 5;
    return (head.noise / 4294967296.0 - 0.5) * 1.4e-6;
}

struct fault head_measure(struct head_mark marks[HEAD_MARKS]) {
    if (!head.drawn)
        return fault_of(FAULT_REFUSED, "there is no line to measure yet");
    if (head.busy < 0)
        head.busy = head.now + READING;
    struct fault fault;
    if (failed(&fault, busy(head.busy)))
        return fault;
    head_cancel();
    for (int k = 0; k < HEAD_MARKS; k++)
        marks[k] = (struct head_mark){(double)k / (HEAD_MARKS - 1) - 0.5, head.along + noise(), head.across + noise()};
    return fault;
}

/* Status, time, and making safe. */

void head_read(struct head_status *status) {
    double turns = (head.now - settled()) * head.goal / TURN;
    *status = (struct head_status){
        .time = head.now,
        .speed = speed(),
        .target = head.drive ? head.goal : NAN,
        .locked = is_locked(),
        .facet = head.drive && turns >= 0 ? (int)fmod(ceil(turns * HEAD_FACETS), HEAD_FACETS) : -1,
        .interlock = head.interlock,
        .armed = head.armed,
        .rest = head.goal == 0 && head.now >= settled() + REST_AFTER,
        .angle = mirror(),
        .parked = head.angle == 0 && mirror() == 0,
        .temperature = 297.0,
        .rails = {3.31, 23.9},
    };
}

double head_now(void) {
    return head.now;
}

struct fault head_sleep(double seconds) {
    struct fault fault;
    if (failed(&fault, fault_range("sleep", seconds, 0, 1e6, "s")))
        return fault;
    if (head.busy < 0)
        head.busy = head.now + seconds;
    if (!failed(&fault, busy(head.busy)))
        head_cancel();
    return fault;
}

void head_cancel(void) {
    head.busy = -1;
}

void head_make_safe(bool keep) {
    head_cancel();
    head_disarm();
    if (head.angle != 0)
        (void)head_steer(0); /* which is in range */
    if (!keep)
        run(false, 0, SPIN_RATE);
}

/* The model's time and interlock. */

void model_begin(void) {
    memset(&head, 0, sizeof head);
    head.rate = SPIN_RATE;
    head.since = head.moved = -1;
    head.wake = INFINITY;
    head.noise = 1;
    head.interlock = true;
    head_make_safe(false);
}

void model_set_time(double now) {
    head.now = fmax(head.now, now);
    guard();
}

double model_wake(void) {
    double wake = head.wake;
    head.wake = INFINITY;
    return wake;
}

void model_toggle_interlock(void) {
    head.interlock = !head.interlock;
    guard();
}
