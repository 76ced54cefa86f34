/* Nonlinear least squares with the caller's own model and derivatives: trust region steps from a start,
 * finished by Gauss-Newton steps of full precision. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_NONLINEAR_FIT_H
#define ANALYZE_NUMERICS_NONLINEAR_FIT_H

#include "analyze/numerics/linear_fit.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define NONLINEAR_FIT_PARAMETERS_MAX LINEAR_FIT_COLUMNS_MAX

/* The model at point i (0-based; the caller keeps x in context): its value and its slopes against the p
 * parameters. False where it cannot be computed (a logarithm of a negative number, say): such parameters are
 * then avoided. Derivatives must be exact: finite differences do not reach full precision, so test yours
 * against them. */
typedef bool nonlinear_fit_model(const double *parameters, size_t i, double *value, double *slopes,
                                 void *context);

struct nonlinear_fit {
    size_t n, p;
    double parameters[NONLINEAR_FIT_PARAMETERS_MAX];
    double covariance[NONLINEAR_FIT_PARAMETERS_MAX]
                     [NONLINEAR_FIT_PARAMETERS_MAX]; /* linearised at the solution */
    double standard_errors[NONLINEAR_FIT_PARAMETERS_MAX];
    double residual_sum;       /* weighted sum of squared residuals */
    double residual_sd;        /* sqrt(residual_sum / degrees_of_freedom); 0 when there are none */
    double degrees_of_freedom; /* n - p */
    bool known_variances; /* weights are 1 / sigma^2: the covariance is then not scaled by residual_sd^2 */
    double last_step;     /* greatest change of a parameter in the last step, in its standard errors */
    size_t iterations;    /* trust region steps of the run that won */
    int status, info; /* of that run as GSL numbers them: how it stopped, and by which test (1 small step, 2
                       * small gradient). Tell nobody that it converged by these: last_step does. */
};

/* Fit y (n) by model from start (p parameters). weights NULL: all 1. Three ways of scaling the steps are
 * tried and the smallest residual_sum is kept. Without degrees of freedom see linear_fit. ERR_NO_ANSWER when
 * n < p, a value is not finite, a weight is not above 0, the model cannot be computed at the start, no run
 * converges, or the points do not determine every parameter. */
enum err_code nonlinear_fit(nonlinear_fit_model *model, void *context, const double *y, const double *weights,
                            size_t n, size_t p, const double *start, bool known_variances,
                            struct nonlinear_fit *fit, struct err *e);

#endif
