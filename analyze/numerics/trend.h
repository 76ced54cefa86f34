/* A robust straight trend: the median of the slopes between all pairs of points (Theil 1950; Sen, J. Amer.
 * Statist. Assoc. 63 (1968) 1379-1389). Up to 29 % of the points may be anything at all. */
#ifndef ANALYZE_NUMERICS_TREND_H
#define ANALYZE_NUMERICS_TREND_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define TREND_POINTS_MAX 2000 /* 16 MB of pair slopes */

struct trend {
    size_t n, pairs; /* pairs of points with different x */
    double slope;
    double intercept;  /* median of y - slope x */
    double low, high;  /* interval of the slope; -INFINITY to INFINITY when so few points allow none */
    double confidence; /* asked for */
    double coverage; /* of that interval: exact for up to TREND_EXACT_POINTS points with different x, else the
                      * confidence asked for, which the normal approximation aims at */
    bool exact;
};

#define TREND_EXACT_POINTS 60

/* Points in any order. The interval is Sen's, from Kendall's S with its variance for tied x; where its exact
 * distribution is known, it is widened if it would hold the slope less often than asked for. It assumes
 * independent scatter. ERR_NO_ANSWER for fewer than 3 points, more than TREND_POINTS_MAX, fewer than 2
 * different x, or a value that is not finite; ERR_CALLER for a confidence outside 0 to 1. */
enum err_code trend_theil_sen(const double *x, const double *y, size_t n, double confidence,
                              struct trend *trend, struct err *e);

#endif
