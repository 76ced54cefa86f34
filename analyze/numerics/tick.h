/* A beat too small to be seen one by one: the force of a level, searched for a sinusoid that recurs with feed
 * near one known period. A stepper that loses step beats once an electrical cycle; a slipping grip does not.
 * Pure arrays in, a struct out. */
#ifndef ANALYZE_NUMERICS_TICK_H
#define ANALYZE_NUMERICS_TICK_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

struct tick {
    bool seen;          /* noise alone would show so much with probability TICK_FALSE_ALARM at most */
    bool would_be_seen; /* a saw tooth of the size asked about would have been found in this noise */
    double period_mm;   /* of the strongest sinusoid in the range */
    double amplitude_n; /* of it: half of peak to peak */
    double false_alarm; /* probability that noise alone gives as much */
};

#define TICK_FALSE_ALARM 1e-4

/* n samples of force (N) against commanded feed (mm, increasing); at most the last few thousand are used,
 * less a parabola, since the level may still bend. The period lies between period_mm and longest_mm: a
 * slipping nip lets the gear gain meanwhile. fall_n: how far a saw tooth of that period would fall; noise_n:
 * sd of one unloaded reading. ERR_NO_ANSWER for fewer than 3 samples in a period, fewer than 4 periods, or
 * values that are not finite. */
enum err_code tick_find(const double *feed_mm, const double *force_n, size_t n, double period_mm,
                        double longest_mm, double fall_n, double noise_n, struct tick *tick, struct err *e);

#endif
