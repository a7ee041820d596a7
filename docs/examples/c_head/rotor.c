/* The polygon of the model: a constant acceleration towards the speed asked for. */
#include "rotor.h"

#include <math.h>

static const double REST_AFTER = 0.1; /* s without a pulse */

void rotor_run(struct rotor *rotor, double now, double goal, double rate)
{
    bool rested = rotor_rests(rotor, now);
    double angle = rotor_angle(rotor, now), base = floor(angle / TURN) * TURN;
    if (rested && goal == 0)
        return;
    rotor->speed = rotor_speed(rotor, now);
    rotor->angle = angle - base;
    rotor->known = rested ? TURN : rotor->known - base;
    rotor->since = now;
    rotor->goal = goal;
    rotor->rate = rate;
}

double rotor_settled(const struct rotor *rotor)
{
    double change = fabs(rotor->goal - rotor->speed);
    return rotor->since + (change > 0 ? change / rotor->rate : 0);
}

double rotor_speed(const struct rotor *rotor, double now)
{
    if (now >= rotor_settled(rotor))
        return rotor->goal;
    return rotor->speed + copysign(rotor->rate, rotor->goal - rotor->speed) * (now - rotor->since);
}

double rotor_angle(const struct rotor *rotor, double now)
{
    double settled = rotor_settled(rotor), until = fmin(now, settled);
    double mean = (rotor->speed + rotor_speed(rotor, until)) / 2;
    return rotor->angle + mean * (until - rotor->since) + rotor->goal * fmax(now - settled, 0);
}

double rotor_time(const struct rotor *rotor, double angle)
{
    double settled = rotor_settled(rotor), reached = rotor_angle(rotor, settled);
    if (angle >= reached)
        return rotor->goal > 0 ? settled + (angle - reached) / rotor->goal : INFINITY;
    /* angle = speed·t + a·t²/2, in the form that loses no digits where a is small or the speed 0. */
    double a = copysign(rotor->rate, rotor->goal - rotor->speed), way = angle - rotor->angle;
    double root = sqrt(fmax(rotor->speed * rotor->speed + 2 * a * way, 0));
    return rotor->since + (rotor->speed + root > 0 ? 2 * way / (rotor->speed + root) : 0);
}

bool rotor_rests(const struct rotor *rotor, double now)
{
    return rotor->goal == 0 && now >= rotor_settled(rotor) + REST_AFTER;
}
