/* The level to which a reading settles: where its approach ends, and the mean from there on with its
 * autocorrelation allowed for. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_STEADY_LEVEL_H
#define ANALYZE_NUMERICS_STEADY_LEVEL_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

struct steady_level {
    double level; /* mean over the settled stretch; where it has not settled, that of the last part */
    double standard_error, degrees_of_freedom; /* of that mean, from its scatter */
    bool settled;
    size_t first;         /* of the settled stretch, or of the last part */
    size_t count;         /* samples of the mean */
    double approach;      /* in x: the constant of the exponential approach; 0: none is seen */
    double leads_to;      /* where the approach leads to; the level where none is seen */
    double still_missing; /* leads_to less the reading at the end, as a share of leads_to */
};

/* n readings y at rising x, evenly spaced. The approach is an exponential fitted to what follows half of the
 * last part's level (the way in, which may have any shape, is left out). It has ended where it is within
 * STEADY_LEVEL_SHARE of where it leads to; settled: at least STEADY_LEVEL_PART of the readings, and at least
 * one constant of the approach, lie past that. whole_x: where more than this is settled the mean is over a
 * whole number of it, counted from the end (a turn of something that runs out); 0: over all. ERR_NO_ANSWER
 * for fewer than STEADY_LEVEL_LEAST readings or readings that are not finite. */
#define STEADY_LEVEL_SHARE 0.002
#define STEADY_LEVEL_PART  0.25
#define STEADY_LEVEL_LEAST 64
enum err_code steady_level_find(const double *x, const double *y, size_t n, double whole_x,
                                struct steady_level *level, struct err *e);

#endif
