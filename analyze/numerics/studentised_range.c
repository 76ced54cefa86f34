#include "analyze/numerics/studentised_range.h"

#include "analyze/numerics/sd_average.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_roots.h>
#include <math.h>
#include <stdbool.h>

/* The integrand is smooth and vanishes at both ends, where the trapezoidal rule converges faster than any
 * power of its step: this one leaves some 1e-13 of the result up to 20 means; the maximum of more is steeper.
 */
#define STEP              0.25
#define REACH             9.0   /* of the normal density: 1e-18 of its peak */
#define GREATEST_RANGE    100.0 /* past it the probability is below the smallest double */
#define ITERATIONS_MAX    100
#define POWER_BY_SUM_MOST 20

static double normal_below(double z)
{
    return erfc(-z / M_SQRT2) / 2;
}

/* 1 - (1 - d)^n without losing digits of a small d. */
static double one_less_power(double d, int n)
{
    double sum = 0;
    if (n > POWER_BY_SUM_MOST)
        return -expm1(n * log1p(-d));
    for (int i = 0; i < n; i++)
        sum = 1 + (1 - d) * sum;
    return d * sum;
}

/* Probability that the range of k standard normal values is above r: 1 - k Int phi(z) (Phi(z) - Phi(z -
 * r))^(k-1) dz. The one is written as the same integral without r, and the difference under the sign, so that
 * no digits are lost where the probability is small. */
static double range_upper(double r, int k)
{
    double low = r / 2 - REACH, high = fmax(r / 2, 2) + REACH, sum = 0;
    if (r > GREATEST_RANGE)
        return 0;
    for (double z = low; z <= high; z += STEP) {
        double above = normal_below(z), share = normal_below(z - r) / above;
        if (!(share > 0) || !(above > 0))
            continue;
        sum += exp(-z * z / 2 + (k - 1) * log(above)) * one_less_power(fmin(share, 1), k - 1);
    }
    return fmin(1, k * sum * STEP / sqrt(2 * M_PI));
}

double studentised_range_known(double r, int k)
{
    return range_upper(r, k);
}

struct range {
    double q;
    int k;
};

static double upper_at(double s, void *context)
{
    const struct range *r = context;
    return range_upper(r->q * s, r->k);
}

static bool domain(int k, double degrees_of_freedom)
{
    return k >= 2 && degrees_of_freedom >= 1;
}

double studentised_range_upper(double q, int k, double degrees_of_freedom)
{
    if (!domain(k, degrees_of_freedom) || isnan(q))
        return NAN;
    if (q <= 0)
        return 1;
    if (isinf(q))
        return 0;
    return fmin(1, sd_average(upper_at, &(struct range){q, k}, degrees_of_freedom));
}

struct wanted {
    double log_p, degrees_of_freedom;
    int k;
};

static double apart(double log_q, void *context)
{
    const struct wanted *w = context;
    return log(studentised_range_upper(exp(log_q), w->k, w->degrees_of_freedom)) - w->log_p;
}

double studentised_range_quantile(double p, int k, double degrees_of_freedom)
{
    struct wanted w = {log(p), degrees_of_freedom, k};
    gsl_function f = {apart, &w};
    double low = log(1.0), high = log(4.0), root = NAN;
    gsl_root_fsolver *solver;
    int status = GSL_SUCCESS;
    if (!domain(k, degrees_of_freedom) || !(p > 0) || !(p < 1))
        return NAN;
    while (low > -700 && apart(low, &w) < 0)
        low -= 1;
    while (high < 700 && apart(high, &w) > 0)
        high += 1;
    solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    if (solver == NULL)
        return NAN;
    if (gsl_root_fsolver_set(solver, &f, low, high) == GSL_SUCCESS) {
        for (int i = 0; i < ITERATIONS_MAX; i++) {
            status = gsl_root_fsolver_iterate(solver);
            root = gsl_root_fsolver_root(solver);
            if (status != GSL_SUCCESS ||
                gsl_root_fsolver_x_upper(solver) - gsl_root_fsolver_x_lower(solver) < 1e-13)
                break;
        }
    }
    gsl_root_fsolver_free(solver);
    return status == GSL_SUCCESS ? exp(root) : NAN;
}
