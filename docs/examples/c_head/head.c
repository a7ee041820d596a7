/* The head behind the wire: an invented model of polygon, mirror, laser, trims and gauge. Put your hardware here.
 *
 * Like real hardware should, it ends light by itself when lock or interlock is lost. */
#include "head.h"
#include "model.h"
#include "rotor.h"

#include <stdint.h>
#include <string.h>

#define SPEED_LEAST 60.0
#define SPEED_MOST 630.0
#define FOCAL_LENGTH 0.4
#define CLOCK 480e6
#define MIRROR_RANGE 0.1
#define DOTS_MOST (32 * 256)

static const double SPIN_RATE = 600, COAST_RATE = 120; /* rad/s per second */
static const double LOCK_TURNS = 16, PULSE_SILENCE = 1.0;
static const double SETTLING = 0.005, ARMING = 0.1, READING = 0.002;
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
    "\"times\":{\"reply_most\":0.2,\"silence_most\":1,\"pulse_silence_most\":1,\"arming_most\":0.2,"
    "\"fill_most\":0.05,\"waiting_turns_most\":3,\"reading_most\":0.1,\"gauge_silence_most\":1,"
    "\"brake_most\":3},\"signals\":[],\"channels\":[]}";

const double head_marks_u[9] = {0.5e-6, 0, 2e-6, 0, 0.5e-6, 0, 2e-6, 0, NAN};

static struct {
    double now, wake, busy; /* head time; when a busy call can go on; when the current call is done, or -1 */
    bool interlock, armed, drive;
    struct rotor rotor;
    double angle, from, moved; /* mirror: sent where, from where, when */
    double ready; /* when light can come out */
    int32_t trims[HEAD_FACETS][2]; /* in steps */
    char proof[HEAD_PROOF];
    size_t proof_size;
    double turn; /* angle at which the turn begins that is watched */
    unsigned facet; /* of the last line, when it began, and where it lies */
    double begins, along, across;
    bool drawn;
    uint32_t noise;
} head;

/* The current call, or a wait of it, is done at this head time. */
static struct fault busy(double until)
{
    if (head.now >= until)
        return fault_of(FAULT_NONE, NULL);
    head.wake = fmin(head.wake, until);
    return fault_of(FAULT_BUSY, NULL);
}

static bool is_locked(void)
{
    return head.drive && head.now >= rotor_settled(&head.rotor) + LOCK_TURNS * TURN / head.rotor.goal;
}

static void guard(void)
{
    head.armed = head.armed && head.interlock && is_locked();
}

void model_begin(double now, bool interlock_closed)
{
    memset(&head, 0, sizeof head);
    head.now = head.rotor.since = now;
    head.moved = now - SETTLING;
    head.wake = INFINITY;
    head.busy = -1;
    head.noise = 1;
    head.interlock = interlock_closed;
    head_make_safe(false);
}

void model_set_time(double now)
{
    head.now = fmax(head.now, now);
    guard();
}

double model_wake(void)
{
    double wake = head.wake;
    head.wake = INFINITY;
    return wake;
}

void model_toggle_interlock(void)
{
    head.interlock = !head.interlock;
    guard();
}

double head_now(void)
{
    return head.now;
}

static double mirror(void)
{
    double passed = (head.now - head.moved) / SETTLING;
    return passed < 1 ? head.angle + (head.from - head.angle) * exp(-10 * passed) : head.angle;
}

void head_read(struct head_status *status)
{
    double angle = rotor_angle(&head.rotor, head.now), pitch = TURN / HEAD_FACETS;
    bool rest = rotor_rests(&head.rotor, head.now);
    *status = (struct head_status){
        .time = head.now,
        .speed = rotor_speed(&head.rotor, head.now),
        .target = head.drive ? head.rotor.goal : NAN,
        .locked = is_locked(),
        .facet = rest || angle < head.rotor.known ? -1 : (int)fmod(ceil(angle / pitch), HEAD_FACETS),
        .interlock = head.interlock,
        .armed = head.armed,
        .rest = rest,
        .angle = mirror(),
        .parked = head.angle == 0 && mirror() == 0,
        .temperature = 297.0,
        .rails = {3.31, 23.9},
    };
}

static struct fault refuse_armed(const char *what)
{
    return fault_of(head.armed ? FAULT_ARMED : FAULT_NONE, what);
}

/* Polygon. */

struct fault head_spin(double speed)
{
    struct fault fault = fault_range("polygon speed", speed, SPEED_LEAST, SPEED_MOST, "rad/s");
    if (fault.kind == FAULT_NONE)
        fault = refuse_armed("changing the polygon speed");
    if (fault.kind != FAULT_NONE || (head.drive && head.rotor.goal == speed))
        return fault;
    head.drive = true;
    rotor_run(&head.rotor, head.now, speed, SPIN_RATE);
    return fault;
}

static void run_down(double rate)
{
    head.drive = false;
    rotor_run(&head.rotor, head.now, 0, rate);
    guard();
}

struct fault head_halt(bool brake)
{
    struct fault fault = refuse_armed("stopping the polygon");
    if (fault.kind == FAULT_NONE)
        run_down(brake ? SPIN_RATE : COAST_RATE);
    return fault;
}

/* As a counter at the detector would give them, in whole ns. */
static double counted(double seconds)
{
    return round(seconds * 1e9) / 1e9;
}

struct fault head_watch(struct head_turn *turn)
{
    if (head.busy < 0) {
        head.busy = head.now;
        head.turn = ceil(rotor_angle(&head.rotor, head.now) / TURN) * TURN;
    }
    double begins = rotor_time(&head.rotor, head.turn), ends = rotor_time(&head.rotor, head.turn + TURN);
    struct fault fault = busy(fmin(ends, head.busy + PULSE_SILENCE));
    if (fault.kind == FAULT_BUSY)
        return fault;
    if (head.now < ends) {
        head_cancel();
        return fault_of(FAULT_NO_PULSE, "index");
    }
    turn->period = counted(ends - begins);
    for (int k = 0; k < HEAD_FACETS; k++) {
        double pulse = rotor_time(&head.rotor, head.turn + (double)k * TURN / HEAD_FACETS);
        turn->pulses[k] = counted(pulse - begins + LATE[k] * (ends - begins) / TURN);
    }
    head.turn += TURN;
    head.busy = head.now;
    return fault;
}

/* Mirror and trims. */

struct fault head_steer(double angle)
{
    struct fault fault = fault_range("galvanometer angle", angle, -MIRROR_RANGE, MIRROR_RANGE, "rad");
    if (fault.kind == FAULT_NONE) {
        head.from = mirror();
        head.angle = angle;
        head.moved = head.now;
    }
    return fault;
}

struct fault head_settle(void)
{
    return busy(head.moved + SETTLING);
}

void head_trims(struct trim trims[HEAD_FACETS])
{
    for (int k = 0; k < HEAD_FACETS; k++)
        trims[k] = (struct trim){head.trims[k][0] * STEP[0], head.trims[k][1] * STEP[1]};
}

struct fault head_load(const struct trim *trims, size_t count)
{
    int32_t steps[HEAD_FACETS][2];
    if (count != HEAD_FACETS)
        return fault_of(FAULT_REFUSED, "there must be one trim for each facet");
    for (size_t k = 0; k < HEAD_FACETS; k++) {
        double values[2] = {trims[k].in_scan, trims[k].cross_scan};
        for (int axis = 0; axis < 2; axis++) {
            /* A value that rounds to the last step is inside. */
            double least = -RANGE[axis] - 0.49 * STEP[axis], most = -least;
            struct fault fault = fault_range(axis ? "cross-scan trim" : "in-scan trim", values[axis], least, most,
                                             axis ? "rad" : "s");
            if (fault.kind != FAULT_NONE)
                return fault;
            steps[k][axis] = (int32_t)lround(values[axis] / STEP[axis]);
        }
    }
    memcpy(head.trims, steps, sizeof steps);
    return fault_of(FAULT_NONE, NULL);
}

/* The model has no memory that outlasts it: it keeps the proof only. Hardware writes both, at once. */
struct fault head_store(const char *proof, size_t size)
{
    struct fault fault = refuse_armed("storing trims");
    if (fault.kind != FAULT_NONE)
        return fault;
    if (size > sizeof head.proof)
        return fault_of(FAULT_REFUSED, "what proved the trims may have 1024 bytes");
    if (size > 0)
        memcpy(head.proof, proof, size);
    head.proof_size = size;
    return fault;
}

size_t head_proof(const char **proof)
{
    *proof = head.proof;
    return head.proof_size;
}

/* Laser and lines. */

struct fault head_arm(double share)
{
    struct fault fault = fault_range("laser power", share, 0, 1, "of full power");
    if (fault.kind == FAULT_NONE)
        fault = refuse_armed("arming");
    if (fault.kind != FAULT_NONE)
        return fault;
    if (!head.interlock)
        return fault_of(FAULT_INTERLOCK_OPEN, NULL);
    if (!is_locked())
        return fault_of(FAULT_NOT_LOCKED, NULL);
    head.armed = true;
    head.ready = head.now + ARMING;
    return fault;
}

void head_disarm(void)
{
    head.armed = false;
}

static struct fault check_line(const struct head_line *line)
{
    double period = TURN / HEAD_FACETS / head.rotor.goal;
    struct fault fault = fault_range("facet", line->facet, 0, HEAD_FACETS - 1, "from the index");
    if (fault.kind == FAULT_NONE)
        fault = fault_range("dots", line->dots, 1, DOTS_MOST, "dots");
    if (fault.kind == FAULT_NONE)
        fault = fault_range("dot period", line->dot_period, 50e-9, 1, "s");
    if (fault.kind == FAULT_NONE)
        fault = fault_range("delay, trim and length of the line",
                            line->delay + head.trims[line->facet][0] * STEP[0] + line->dots * line->dot_period, 0,
                            period, "s");
    if (fault.kind == FAULT_NONE)
        fault = fault_range("pre-scan delay", line->delay, 0, period, "s");
    return fault;
}

/* The next passage of the facet once light can come out; done when its turn has ended. */
static void begin_line(const struct head_line *line)
{
    double facet = line->facet * TURN / HEAD_FACETS, speed = head.rotor.goal;
    double from = rotor_angle(&head.rotor, fmax(head.now, head.ready));
    double at = ceil((from - facet) / TURN) * TURN + facet;
    /* The dot clock is the master clock times n/2^32, with n from 1 to 2^31. */
    double n = fmin(fmax(round(4294967296.0 / (line->dot_period * CLOCK)), 1), 2147483648.0);
    double delay = line->delay + head.trims[line->facet][0] * STEP[0];
    double middle = delay + line->dots * 4294967296.0 / (n * CLOCK) / 2 - TURN / HEAD_FACETS / speed / 2;
    head.facet = line->facet;
    head.begins = rotor_time(&head.rotor, at) + delay;
    /* The spot runs at twice the speed of the polygon, and the mirror deflects by twice its angle. */
    head.along = 2 * speed * FOCAL_LENGTH * middle + ALONG[head.facet];
    head.across = 2 * FOCAL_LENGTH * (head.angle + head.trims[head.facet][1] * STEP[1]) + ACROSS[head.facet];
    head.drawn = false;
    head.busy = rotor_time(&head.rotor, (floor(at / TURN) + 1) * TURN);
}

struct fault head_draw(const struct head_line *line, struct head_drawn *drawn)
{
    if (!head.armed) {
        bool was = head.busy >= 0;
        head_cancel();
        return fault_of(!was            ? FAULT_NOT_ARMED
                        : !head.interlock ? FAULT_INTERLOCK_OPEN
                        : !is_locked()    ? FAULT_NOT_LOCKED
                                          : FAULT_NOT_ARMED, NULL);
    }
    if (head.busy < 0) {
        struct fault fault = check_line(line);
        if (fault.kind != FAULT_NONE)
            return fault;
        begin_line(line);
    }
    struct fault fault = busy(head.busy);
    if (fault.kind == FAULT_NONE) {
        head.drawn = true;
        *drawn = (struct head_drawn){head.begins, counted(TURN / head.rotor.goal), false};
        head_cancel();
    }
    return fault;
}

/* Noise of the gauge, about ±0.7 µm: a generator of Marsaglia's, "Xorshift RNGs", J. Stat. Softw. 8 (14), 2003. */
static double noise(void)
{
    head.noise ^= head.noise << 13;
    head.noise ^= head.noise >> 17;
    head.noise ^= head.noise << 5;
    return (head.noise / 4294967296.0 - 0.5) * 1.4e-6;
}

struct fault head_measure(struct head_mark marks[HEAD_MARKS])
{
    if (!head.drawn)
        return fault_of(FAULT_REFUSED, "there is no line to measure yet");
    if (head.busy < 0)
        head.busy = head.now + READING;
    struct fault fault = busy(head.busy);
    if (fault.kind != FAULT_NONE)
        return fault;
    head_cancel();
    for (int k = 0; k < HEAD_MARKS; k++) {
        marks[k].place = (double)k / (HEAD_MARKS - 1) - 0.5;
        marks[k].along = head.along + noise();
        marks[k].across = head.across + noise();
    }
    return fault;
}

/* Time, and making safe. */

struct fault head_sleep(double seconds)
{
    if (head.busy < 0)
        head.busy = head.now + seconds;
    struct fault fault = busy(head.busy);
    if (fault.kind == FAULT_NONE)
        head_cancel();
    return fault;
}

void head_cancel(void)
{
    head.busy = -1;
}

void head_make_safe(bool keep)
{
    head_cancel();
    head_disarm();
    if (head.angle != 0)
        (void)head_steer(0); /* 0 is in range */
    if (!keep)
        run_down(SPIN_RATE);
}
