/* The polygon of the model: its angle and speed, solved in closed form between two commands. */
#ifndef ROTOR_H
#define ROTOR_H

#include <stdbool.h>

#define TURN 6.283185307179586

struct rotor {
    double since, angle, speed; /* where it was at the last command */
    double goal, rate;          /* speed that it approaches, and how fast in rad/s per second */
    double known;               /* angle from which on the index has been seen */
};

void rotor_run(struct rotor *rotor, double now, double goal, double rate);
double rotor_settled(const struct rotor *rotor); /* when it reaches the goal */
double rotor_speed(const struct rotor *rotor, double now);
double rotor_angle(const struct rotor *rotor, double now);
/* When it stands at an angle that lies ahead; INFINITY if it stops before. */
double rotor_time(const struct rotor *rotor, double angle);
bool rotor_rests(const struct rotor *rotor, double now);

#endif
