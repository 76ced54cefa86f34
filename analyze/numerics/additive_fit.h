/* Least squares of values by group, block and a covariate: what analysis of variance is made of. Pure arrays
 * in, structs out. */
#ifndef ANALYZE_NUMERICS_ADDITIVE_FIT_H
#define ANALYZE_NUMERICS_ADDITIVE_FIT_H

#include "rig/base/err.h"

#include <gsl/gsl_matrix.h>
#include <stdbool.h>
#include <stddef.h>

/* value[i] of group[i] (0 to groups - 1) in block[i] (0 to blocks - 1; NULL: no blocks). covariate NULL:
 * none. */
struct additive_data {
    const double *value, *covariate;
    const size_t *group, *block;
    size_t n, groups, blocks;
};

/* Row i of the design: groups columns, of which that of its group is 1; blocks - 1 columns of block effects
 * that add up to zero, so that the coefficient of a group is its value in the mean of all blocks; the
 * covariate, its mean taken out. Without group columns (with_groups false) the first column is a constant. */
size_t additive_columns(const struct additive_data *d, bool with_groups, bool with_blocks,
                        bool with_covariate);
void additive_row(const struct additive_data *d, size_t i, bool with_groups, bool with_blocks,
                  bool with_covariate, double *row);

struct additive_fit {
    size_t columns, rank;
    double residual_square;
    double *coefficients;   /* columns of them */
    gsl_matrix *covariance; /* of the coefficients, over the residual variance: whether there is any or not */
};
/* By singular values. ERR_NO_ANSWER when there are fewer values than columns or the columns are not
 * independent; ERR_MEMORY. residuals (n) may be NULL. fit is to be freed after ERR_OK. */
enum err_code additive_fit(const struct additive_data *d, bool with_groups, bool with_blocks,
                           bool with_covariate, struct additive_fit *fit, double *residuals, struct err *e);
void additive_fit_free(struct additive_fit *fit);

#endif
