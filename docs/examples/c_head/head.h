/* What the wire asks of a head: the file to keep. head.c answers with a model; put your hardware there.
 *
 * Lasers and rotors hurt people. No software is a safety function: the interlock chain of the hardware stands
 * on its own. IEC 60825-1, local codes and the laser safety officer decide.
 *
 * All values are in SI, angles in rad. No call here may wait: a call that takes time returns FAULT_BUSY and is
 * made again until it is done, and head_cancel ends it at any time. */
#ifndef HEAD_H
#define HEAD_H

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

enum { HEAD_FACETS = 8, HEAD_RAILS = 2, HEAD_MARKS = 5, HEAD_PROOF = 1024 };

enum fault_kind {
    FAULT_NONE, FAULT_BUSY, FAULT_WIRE, /* done; ask again; an error of the wire with a code */
    FAULT_INTERLOCK_OPEN, FAULT_NOT_LOCKED, FAULT_NOT_ARMED, FAULT_ARMED, FAULT_REFUSED, FAULT_OUT_OF_RANGE,
    FAULT_NO_PULSE, FAULT_UNDERRUN, FAULT_LOST_READING, FAULT_NO_GAUGE, FAULT_BROKEN
};

/* The result of a call. All text is constant, so a fault needs no memory of its own. */
struct fault {
    enum fault_kind kind;
    int code;                   /* of FAULT_WIRE */
    const char *what;           /* what is refused, out of range or broken, and why */
    const char *unit;           /* of the values of FAULT_OUT_OF_RANGE */
    double value, least, most;
};

struct head_status {
    double time, speed, target; /* no target is NAN */
    double angle, temperature, rails[HEAD_RAILS];
    int facet;                  /* unknown is -1 */
    bool locked, interlock, armed, rest, parked;
};

struct trim {
    double in_scan, cross_scan; /* s, rad */
};

/* A whole turn: its time, and its start-of-scan pulses after the index pulse that begins it. */
struct head_turn {
    double period, pulses[HEAD_FACETS];
};

struct head_line {
    unsigned facet, dots;
    double dot_period, delay;
    const unsigned char *words; /* of 32 dots, highest byte first; NULL draws test marks */
};

struct head_drawn {
    double time, turn;          /* of the first dot; of the turn in which it was drawn */
    bool underrun;
};

struct head_mark {
    double place, along, across; /* share of the line from its middle; m; m */
};

extern const char head_identity[];    /* maker,model,serial,version */
extern const char head_description[]; /* JSON; docs/heads.md lists the keys */
extern const double head_marks_u[9];  /* standard uncertainties of the gauge, as GAUGe:MARKs? tells them */

double head_now(void);
void head_read(struct head_status *status);

struct fault head_spin(double speed);
struct fault head_halt(bool brake);
struct fault head_steer(double angle); /* 0 parks the mirror */
void head_trims(struct trim trims[HEAD_FACETS]);
struct fault head_load(const struct trim trims[HEAD_FACETS]);
struct fault head_store(const char *proof, size_t size); /* the trims, with what proved them: size 0 is none */
const char *head_proof(void);
struct fault head_arm(double share);
void head_disarm(void);

/* Laser off, then mirror parked, then polygon down or kept: the steps that come later must not prevent an
 * earlier one. What came of it is measured with head_read. */
void head_make_safe(bool keep);

/* Calls that take time. The first call begins; while it returns FAULT_BUSY it is made again. */
struct fault head_sleep(double seconds);
struct fault head_settle(void); /* until the mirror had its time */
struct fault head_watch(struct head_turn *turn);
struct fault head_draw(const struct head_line *line, struct head_drawn *drawn);
struct fault head_measure(struct head_mark marks[HEAD_MARKS]);
void head_cancel(void);

/* The model alone: hardware has its own time and interlock. A call that is busy can go on at model_wake. */
void model_begin(void);
void model_set_time(double now);
double model_wake(void);
void model_toggle_interlock(void);

static inline struct fault fault_of(enum fault_kind kind, const char *what) {
    return (struct fault){.kind = kind, .what = what};
}

/* Keeps a result, and tells whether it is none to go on with. */
static inline bool failed(struct fault *kept, struct fault result) {
    *kept = result;
    return result.kind != FAULT_NONE;
}

static inline struct fault fault_wire(int code, const char *what) {
    return (struct fault){.kind = FAULT_WIRE, .code = code, .what = what};
}

/* FAULT_NONE inside the range; NAN is outside. */
static inline struct fault fault_range(const char *what, double value, double least, double most, const char *unit) {
    if (value >= least && value <= most)
        return fault_of(FAULT_NONE, NULL);
    return (struct fault){FAULT_OUT_OF_RANGE, 0, what, unit, value, least, most};
}

#endif
