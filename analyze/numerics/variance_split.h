/* A variance split into what feeders, operators, refits and repeats bring: random factors, estimated from
 * sums of squares and their expectations. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_VARIANCE_SPLIT_H
#define ANALYZE_NUMERICS_VARIANCE_SPLIT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define VARIANCE_SPLIT_FACTORS_MAX 6
#define VARIANCE_SPLIT_LEVELS_MAX  1000

/* Factors in the order in which their sums of squares are taken; level[i] is the level of value i, from 0 to
 * levels - 1, and not all levels need occur. A nested factor numbers its levels through, so that no two of
 * them share a number; an interaction is a factor with one level per combination, after its factors. */
struct variance_factor {
    const char *name;
    const size_t *level;
    size_t levels;
};

struct variance_component {
    bool present; /* false: the data have no freedom left for it, and what it brings is in that of the factors
                     before it; all its numbers are NAN then, but for its 0 degrees of freedom */
    double degrees_of_freedom, square, mean_square;
    double variance;                    /* as estimated; may be negative */
    double variance_degrees_of_freedom; /* of that estimate, by Satterthwaite */
    double sd;                          /* of the variance, 0 where that is negative */
    double share;                       /* of the total variance, negative ones counted as 0 */
    double low_95, high_95; /* of the variance, by Satterthwaite; NAN where not known: the variance is not
 above 0, or has less than one degree of freedom */
    /* Of the mean square against what expectation has it be were this variance 0: another mean square, or a
     * sum of several, some of them perhaps taken away, with degrees of freedom by Satterthwaite. NAN where
     * there is none (the residual) or it is not above 0. */
    double f, f_degrees_of_freedom, p_value;
};

struct variance_split {
    size_t count; /* factors, then the residual as the last one */
    struct variance_component components[VARIANCE_SPLIT_FACTORS_MAX + 1];
    double mean, total_variance; /* the total counts negative variances as 0 */
};

/* Sequential (type I) sums of squares with their exact expectations, so that layouts may be unbalanced;
 * Searle, Casella and McCulloch, Variance Components (1992), Henderson's method 3 (from memory). With a
 * balanced layout they are the usual ones, and where none is negative the variances are those of restricted
 * maximum likelihood. F and intervals are exact to the same extent only: unbalanced mean squares are neither
 * quite independent nor quite chi-squared. Variances are in the square of the values' unit.
 *
 * Nested factors and interactions take a time in proportion to n. Of factors crossed with one another the
 * widest does too, the others the cube of their levels together: half a second for 1000, 12 s for 2000.
 *
 * ERR_NO_ANSWER when nothing is left for the residual, a value is not finite or too great to be worked with,
 * or nothing scatters. ERR_CALLER for more factors or levels than above, or a level out of range. */
enum err_code variance_split(const double *values, size_t n, const struct variance_factor *factors,
                             size_t count, struct variance_split *result, struct err *e);

#endif
