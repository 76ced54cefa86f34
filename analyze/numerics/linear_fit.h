/* Weighted linear least squares by QR on centred and scaled columns: pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_LINEAR_FIT_H
#define ANALYZE_NUMERICS_LINEAR_FIT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define LINEAR_FIT_COLUMNS_MAX 12

struct linear_fit {
    size_t n, p;
    double coefficients[LINEAR_FIT_COLUMNS_MAX];
    double covariance[LINEAR_FIT_COLUMNS_MAX][LINEAR_FIT_COLUMNS_MAX];
    double standard_errors[LINEAR_FIT_COLUMNS_MAX];
    double residual_sum;       /* weighted sum of squared residuals */
    double residual_sd;        /* sqrt(residual_sum / degrees_of_freedom); 0 when there are none */
    double degrees_of_freedom; /* n - p */
    bool known_variances; /* weights are 1 / sigma^2: the covariance is then not scaled by residual_sd^2 */
};

/* Fit y (n) by the columns of x (row-major, n rows of p). weights NULL: all 1. ERR_NO_ANSWER when n < p, a
 * value is not finite, a weight is not above 0, or columns are linearly dependent. Without degrees of freedom
 * (n == p) and without known variances the covariance and standard errors are NAN: nothing is known about
 * them. */
enum err_code linear_fit(const double *x, const double *y, const double *weights, size_t n, size_t p,
                         bool known_variances, struct linear_fit *fit, struct err *e);

/* Fit y as a polynomial of x of the given degree, 0 to LINEAR_FIT_COLUMNS_MAX - 1, with intercept or through
 * the origin. Works on centred and scaled x and carries coefficients and covariance back to powers of x:
 * coefficients[0] belongs to the lowest power, which is x^0 with intercept and x^1 through the origin. */
enum err_code linear_fit_polynomial(const double *x, const double *y, const double *weights, size_t n,
                                    int degree, bool intercept, bool known_variances, struct linear_fit *fit,
                                    struct err *e);

#endif
