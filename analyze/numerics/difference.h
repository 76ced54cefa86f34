/* Differences between two groups of numbers, and the adjustment of several p values. Pure arrays in, structs
 * out. */
#ifndef ANALYZE_NUMERICS_DIFFERENCE_H
#define ANALYZE_NUMERICS_DIFFERENCE_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

struct difference {
    double mean; /* of a minus of b */
    double standard_error;
    double degrees_of_freedom; /* fractional for Welch */
    double t, p_value;         /* two-sided */
    double low_95, high_95;
};

/* Welch's unequal-variances t test. ERR_NO_ANSWER for fewer than two in a group or no scatter at all. */
enum err_code difference_welch(const double *a, size_t na, const double *b, size_t nb, struct difference *d,
                               struct err *e);
/* Paired t: a[i] and b[i] belong to the same block. */
enum err_code difference_paired(const double *a, const double *b, size_t n, struct difference *d,
                                struct err *e);
/* Two-sided p value of a mean that stands so many standard errors from zero; NAN where there is none. */
double difference_p_value(double mean, double standard_error, double degrees_of_freedom);
/* Holm's step-down adjustment of n p values into adjusted (may not overlap); ties and order as in S. Holm
 * 1979. False, and all of adjusted NAN, without memory. */
bool difference_holm(const double *p, size_t n, double *adjusted);

/* Mean and sd by a shifted two-pass sum. sd is 0 for n < 2. */
void difference_mean_sd(const double *values, size_t n, double *mean, double *sd);

#endif
