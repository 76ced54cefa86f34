/* Linear regression with normal scatter in which some points are only lower bounds (right-censored), by
 * maximum likelihood. Pure arrays in, numbers out. */
#ifndef ANALYZE_NUMERICS_CENSORED_FIT_H
#define ANALYZE_NUMERICS_CENSORED_FIT_H

#include <stdbool.h>
#include <stddef.h>

#define CENSORED_FIT_COLUMNS_MAX 3

/* n points; row i of columns starts at columns[i * CENSORED_FIT_COLUMNS_MAX]. at_least[i]: the true y is y[i]
 * or above. Scale columns and y to about 1: a scatter below CENSORED_FIT_SIGMA_LEAST counts as that, since
 * the likelihood of points that lie exactly on the model has no bound. */
#define CENSORED_FIT_SIGMA_LEAST 1e-8
struct censored_points {
    const double *columns;
    const double *y;
    const bool *at_least;
    size_t n;
    /* Where a row stands for several values of one and the same row, as their mean: it and its y are
     * multiplied by the root of their number, and here is by how many there are more values than rows, and
     * the sum of their squares about their means. Both 0 otherwise. */
    size_t more;
    double squares;
    /* NULL, or n values that this fit leaves for the next one of much the same points (NAN before the first):
     * what the bounds most likely stand for. A fit that begins there takes fewer steps to the same answer. */
    double *likely;
};

/* Fit the first columns of the points, 1 to CENSORED_FIT_COLUMNS_MAX of them. sigma is the maximum-likelihood
 * scatter, without any factor for degrees of freedom. False when the uncensored points do not determine the
 * coefficients, or a value is not finite. */
bool censored_fit(const struct censored_points *points, size_t columns, double *coefficients, double *sigma,
                  double *log_likelihood);

/* Logarithm of the normal survival function Q at u, with minus its first and second derivatives: the hazard
 * and the slope of the hazard. */
double censored_fit_log_survival(double u, double *hazard, double *hazard_slope);

#endif
