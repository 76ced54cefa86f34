/* Analysis of variance of values by feeder and block, by least squares, whatever is missing. Pure arrays in,
 * structs out. */
#ifndef ANALYZE_NUMERICS_ANOVA_H
#define ANALYZE_NUMERICS_ANOVA_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define ANOVA_GROUPS_MAX 128 /* feeders of a session that are compared as one family */

/* One line of a table of analysis of variance. */
struct anova_test {
    bool present; /* false: the design does not allow it */
    double f;
    double n1, n2; /* degrees of freedom; fractional for Welch */
    double p_value;
};

/* One-way: group[i] from 0 to groups - 1. Sums of squares hold up where the values agree in their leading
 * digits (NIST StRD SmLs). welch is absent where a group has a single value or does not scatter.
 * ERR_NO_ANSWER when a group is empty, no degree of freedom is left, or nothing scatters. */
struct anova_one_way {
    struct anova_test test, welch; /* Welch, Biometrika 38 (1951) 330-336 */
    double between_square, within_square, residual_sd;
};
enum err_code anova_one_way(const double *values, const size_t *group, size_t n, size_t groups,
                            struct anova_one_way *result, struct err *e);

/* Bartlett's test that all groups scatter alike (Proc. R. Soc. A 160 (1937) 268-282): his chi-squared over
 * its degrees of freedom, so that n2 is INFINITY. It asks for normal values, and then sees more than the
 * tests that do not. Absent where a group has fewer than 3 values, or does not scatter. */
struct anova_test anova_equal_scatter(const double *values, const size_t *group, size_t n, size_t groups);

/* Mauchly's test (Ann. Math. Statist. 11 (1940) 204-209) that the differences between three groups run in
 * blocks scatter alike, by the blocks that hold one value of each: exact for three. His chi-squared over its
 * two degrees of freedom. Absent with fewer than three such blocks, or where nothing scatters. */
struct anova_test anova_equal_differences(const double *values, const size_t *group, const size_t *block,
                                          size_t n, size_t blocks);

/* Additive model: value = feeder + block + error, by least squares. Cells may be empty, or hold several
 * values. */
struct anova_blocks {
    struct anova_test groups_test;                      /* feeders, adjusted for blocks */
    struct anova_test blocks_test;                      /* blocks, adjusted for feeders */
    double block_square, group_square, residual_square; /* sums of squares of the adjusted lines */
    double residual_sd, degrees_of_freedom;
    double effect[ANOVA_GROUPS_MAX];                       /* of each feeder, mean of blocks: adjusted mean */
    double covariance[ANOVA_GROUPS_MAX][ANOVA_GROUPS_MAX]; /* of effect[] over residual variance */
};
/* block[i] from 0 to blocks - 1; NULL: no blocks. residuals (n) may be NULL. ERR_NO_ANSWER when feeders
 * cannot be compared within blocks (the design is not connected), no degree of freedom is left, nothing
 * scatters by more than the last digits of the values (degrees_of_freedom is then set all the same), or
 * groups is above ANOVA_GROUPS_MAX. The result is large: keep it off the stack. */
enum err_code anova_blocks(const double *values, const size_t *group, const size_t *block, size_t n,
                           size_t groups, size_t blocks, struct anova_blocks *result, double *residuals,
                           struct err *e);

/* The same model with slope * covariate added to it. */
struct anova_covariate {
    struct anova_test test; /* t^2 as F(1, df) */
    double slope, standard_error;
};
/* square_without: the residual_square of the model without the covariate, where anova_blocks has told it of
 * the same values; NAN: to be found. ERR_NO_ANSWER as of anova_blocks, and for a covariate that feeders and
 * blocks tell already. */
enum err_code anova_covariate(const double *values, const size_t *group, const size_t *block,
                              const double *covariate, size_t n, size_t groups, size_t blocks,
                              double square_without, struct anova_covariate *result, struct err *e);

#endif
