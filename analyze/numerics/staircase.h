/* What rounding to whole counts does to a linear fit. An encoder's counts are no noise: they follow from
 * where the filament is, and whether they move a coefficient much or hardly at all depends on how steps,
 * samples and ripple meet. So the fitted motion is read again through the same staircase, begun at many
 * places within a count. Pure arrays in, numbers out. */
#ifndef ANALYZE_NUMERICS_STAIRCASE_H
#define ANALYZE_NUMERICS_STAIRCASE_H

#include "analyze/numerics/linear_fit.h"

/* Blocks of the whole whose sums tell how much residuals hang together. */
#define STAIRCASE_BLOCKS 40u

struct staircase_input {
    size_t n;                /* rows of the fit */
    size_t p;                /* and columns, at most LINEAR_FIT_COLUMNS_MAX */
    size_t samples_per_row;  /* whose mean each row is */
    const double *rows;      /* n of p */
    const double *positions; /* n * samples_per_row, in counts, as fitted */
    double inverse[LINEAR_FIT_COLUMNS_MAX][LINEAR_FIT_COLUMNS_MAX]; /* of rows' rows */
    double dither; /* standard deviation, in counts, of noise that comes before the rounding */
};

struct staircase {
    double covariance[LINEAR_FIT_COLUMNS_MAX][LINEAR_FIT_COLUMNS_MAX]; /* of the coefficients, counts^2 */
    double variance; /* of the residuals, counts^2, over n - p */
    double between;  /* as staircase_between of the residuals, counts^2 */
};

/* ERR_MEMORY, or ERR_CALLER for too many columns. The dither is drawn from a fixed start: the same input
 * gives the same answer. */
enum err_code staircase_rounding(const struct staircase_input *in, struct staircase *out, struct err *e);

/* Mean square of the sums over STAIRCASE_BLOCKS blocks, for each sample of a block: the variance of one
 * sample where these are independent, more where they hang together. 0 for fewer than 4 samples a block. */
double staircase_between(const double *residuals, size_t n);

#endif
