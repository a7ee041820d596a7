/* What main and tests do to the model behind head.h; hardware needs none of it. */
#ifndef MODEL_H
#define MODEL_H

#include <stdbool.h>

void model_begin(double now, bool interlock_closed);
/* Head time; it never goes back. */
void model_set_time(double now);
/* The earliest head time at which a call that is busy can go on, INFINITY without one; asking forgets it. */
double model_wake(void);
void model_toggle_interlock(void);

#endif
