#include "analyze/numerics/studentised_range.h"

#include "analyze/numerics/sd_average.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_roots.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

/* The integrand is smooth and vanishes at both ends, where the trapezoidal rule converges faster than any
 * power of its step: this one leaves some 1e-13 of the result up to 20 means; the maximum of more is steeper.
 */
#define STEPS_IN_ONE      4
#define STEP              (1.0 / STEPS_IN_ONE)
#define REACH             9   /* of the normal density: 1e-18 of its peak */
#define GREATEST_RANGE    100 /* past it the probability is below the smallest double */
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

/* What does not depend on the range, at z = j STEP: the share of normal values below z, and the density of
 * the greatest of k up to a constant. */
struct node {
    double below, density;
};

static struct node node_at(int j, int k)
{
    double z = j * STEP, below = normal_below(z);
    return (struct node){below, below > 0 ? exp(-z * z / 2 + (k - 1) * log(below)) : 0};
}

/* Those of every range. */
#define NODE_FIRST (-REACH * STEPS_IN_ONE)
#define NODES      ((GREATEST_RANGE / 2 + 2 * REACH) * STEPS_IN_ONE + 1)

struct studentised_known {
    int k;
    struct node nodes[NODES];
};

static void begin(struct studentised_known *known, int k)
{
    known->k = k;
    for (int j = 0; j < NODES; j++)
        known->nodes[j] = node_at(NODE_FIRST + j, k);
}

struct studentised_known *studentised_known_new(int k)
{
    struct studentised_known *known = malloc(sizeof *known);
    if (known != NULL)
        begin(known, k);
    return known;
}

void studentised_known_free(struct studentised_known *known)
{
    free(known);
}

/* Probability that the range of k standard normal values is above r: 1 - k Int phi(z) (Phi(z) - Phi(z -
 * r))^(k-1) dz. The one is written as the same integral without r, and the difference under the sign, so that
 * no digits are lost where the probability is small. */
double studentised_known_upper(const struct studentised_known *known, double r)
{
    const int k = known->k;
    double sum = 0;
    if (r > GREATEST_RANGE)
        return 0;
    for (int j = (int)ceil((r / 2 - REACH) / STEP), last = (int)floor((fmax(r / 2, 2) + REACH) / STEP);
         j <= last; j++) {
        struct node n = known->nodes[j - NODE_FIRST];
        double share = normal_below(j * STEP - r) / n.below;
        if (share > 0 && n.below > 0)
            sum += n.density * one_less_power(fmin(share, 1), k - 1);
    }
    return fmin(1, k * sum * STEP / sqrt(2 * M_PI));
}

struct range {
    double q;
    struct studentised_known known;
};

static double upper_at(double s, void *context)
{
    const struct range *r = context;
    return studentised_known_upper(&r->known, r->q * s);
}

static double upper_of(struct range *r, double q, double degrees_of_freedom)
{
    r->q = q;
    return fmin(1, sd_average(upper_at, r, degrees_of_freedom));
}

static bool domain(int k, double degrees_of_freedom)
{
    return k >= 2 && degrees_of_freedom >= 1;
}

double studentised_range_upper(double q, int k, double degrees_of_freedom)
{
    struct range r;
    if (!domain(k, degrees_of_freedom) || isnan(q))
        return NAN;
    if (q <= 0)
        return 1;
    if (isinf(q))
        return 0;
    begin(&r.known, k);
    return upper_of(&r, q, degrees_of_freedom);
}

struct wanted {
    double log_p, degrees_of_freedom;
    struct range range;
};

static double apart(double log_q, void *context)
{
    struct wanted *w = context;
    return log(upper_of(&w->range, exp(log_q), w->degrees_of_freedom)) - w->log_p;
}

double studentised_range_quantile(double p, int k, double degrees_of_freedom)
{
    struct wanted w = {.log_p = log(p), .degrees_of_freedom = degrees_of_freedom};
    gsl_function f = {apart, &w};
    double low = log(1.0), high = log(4.0), root = NAN;
    gsl_root_fsolver *solver;
    int status = GSL_SUCCESS;
    if (!domain(k, degrees_of_freedom) || !(p > 0) || !(p < 1))
        return NAN;
    begin(&w.range.known, k);
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
