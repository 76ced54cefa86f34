/* How often 95 % intervals hold the truth in a study: a tally for each quantity, and the figures made of it.
 */
#ifndef TESTS_SIM_COVERAGE_H
#define TESTS_SIM_COVERAGE_H

#include "analyze/numerics/quantity.h"
#include "tests/sim/study.h"

struct coverage {
    const char *name;
    int tried, held, none;        /* none: no value, or a bound only */
    double error_sum, square_sum; /* of (value - truth) / standard uncertainty */
};

/* One answer; q NULL or absent, or a bound: none. */
void coverage_count(struct coverage *c, const struct quantity *q, double truth);

/* Shares that hold the truth of n right 95 % intervals: 0.93 to `high`, or for few answers what chance allows
 * (once in a thousand below, by the binomial; at most 1). */
void coverage_limits(int n, double high, double *least, double *most);

/* Three figures named "KIND: NAME ...": share held, within coverage_limits of 0.97; share without a value, at
 * most none_most; and the mean error in standard uncertainties (bias), within 0.25 or what chance allows.
 * high: above 0.97 for what rests on rectangles of the operator's, which hold more than they say. */
void coverage_figures(struct study *study, const char *kind, const struct coverage *c, double none_most,
                      double high);

#endif
