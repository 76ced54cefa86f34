#include "analyze/numerics/equivalence_power.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_roots.h>
#include <math.h>

#define INTERVALS_MAX  400
#define ERROR_MOST     1e-12
#define RELATIVE_MOST  1e-10
#define ITERATIONS_MAX 200
/* How far the integral reaches from 1 in standard deviations of an estimated one: less than 1e-16 lies past
 * it, and nothing narrow is missed in between. */
#define REACH 12

/* All in standard errors of the difference. */
struct two_tests {
    double margin, difference;
    double t; /* what the estimate must keep from either bound, in estimated standard errors */
    double degrees_of_freedom;
};

/* Chance of a verdict at an estimated standard error of s times the true one, times the density of s. */
static double called_at(double s, void *context)
{
    const struct two_tests *w = context;
    double n = w->degrees_of_freedom;
    double called = gsl_cdf_ugaussian_P(w->margin - w->difference - w->t * s) -
                    gsl_cdf_ugaussian_P(-w->margin - w->difference + w->t * s);
    return fmax(0, called) * 2 * n * s * gsl_ran_chisq_pdf(n * s * s, n);
}

double equivalence_power(const struct power_design *d, int repeats, double margin, double difference)
{
    double n = power_degrees_of_freedom(d, repeats), error, power, low, high,
           pairs = (double)d->feeders * (d->feeders - 1) / 2, standard_error = d->sd * sqrt(2.0 / repeats);
    gsl_integration_workspace *workspace;
    int status;
    if (!(n >= 1) || !(margin > 0) || !isfinite(margin) || !isfinite(difference))
        return NAN;
    struct two_tests w = {margin / standard_error, difference / standard_error,
                          gsl_cdf_tdist_Qinv(d->level / pairs, n), n};
    gsl_function f = {called_at, &w};
    low = fmax(0, 1 - REACH / sqrt(2 * n));
    high = 1 + REACH / sqrt(2 * n);
    /* Past margin / t no difference lies inside both bounds. */
    if (w.t > 0)
        high = fmin(high, w.margin / w.t);
    if (high <= low)
        return 0;
    workspace = gsl_integration_workspace_alloc(INTERVALS_MAX);
    if (workspace == NULL)
        return NAN;
    status = gsl_integration_qag(&f, low, high, ERROR_MOST, RELATIVE_MOST, INTERVALS_MAX, GSL_INTEG_GAUSS61,
                                 workspace, &power, &error);
    gsl_integration_workspace_free(workspace);
    return status == GSL_SUCCESS ? fmin(1, power) : NAN;
}

struct alike {
    const struct power_design *design;
    double margin;
};

static double alike_called(int repeats, void *context)
{
    const struct alike *a = context;
    return equivalence_power(a->design, repeats, a->margin, 0);
}

enum err_code equivalence_repeats(const struct power_design *d, double margin, double power, int *repeats,
                                  struct err *e)
{
    enum err_code code = power_check(d, power, e);
    if (code == ERR_OK && (!(margin > 0) || !isfinite(margin)))
        code = err_set(e, ERR_CALLER, "a margin of %g", margin);
    return code != ERR_OK ? code : power_search(alike_called, &(struct alike){d, margin}, power, repeats, e);
}

struct wanted {
    const struct power_design *design;
    int repeats;
    double power;
};

static double too_much(double margin, void *context)
{
    const struct wanted *w = context;
    return equivalence_power(w->design, w->repeats, margin, 0) - w->power;
}

enum err_code equivalence_margin(const struct power_design *d, int repeats, double power, double *margin,
                                 struct err *e)
{
    struct wanted w = {d, repeats, power};
    gsl_function f = {too_much, &w};
    gsl_root_fsolver *solver;
    double low, high;
    enum err_code code = power_check(d, power, e);
    if (code == ERR_OK && repeats < 2)
        code = err_set(e, ERR_CALLER, "%d repeats have no scatter", repeats);
    if (code != ERR_OK)
        return code;
    low = high = d->sd;
    while (too_much(low, &w) > 0)
        low /= 2;
    while (!(too_much(high, &w) > 0)) {
        high *= 2;
        if (!isfinite(high))
            return err_set(e, ERR_NO_ANSWER, "no margin is reached with a power of %g", power);
    }
    solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    if (solver == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    code = gsl_root_fsolver_set(solver, &f, low, high) == GSL_SUCCESS ? ERR_OK : ERR_NO_ANSWER;
    for (int i = 0; i < ITERATIONS_MAX && code == ERR_OK; i++) {
        if (gsl_root_fsolver_iterate(solver) != GSL_SUCCESS)
            code = ERR_NO_ANSWER;
        low = gsl_root_fsolver_x_lower(solver);
        high = gsl_root_fsolver_x_upper(solver);
        if (gsl_root_test_interval(low, high, 0, RELATIVE_MOST) == GSL_SUCCESS)
            break;
    }
    *margin = gsl_root_fsolver_root(solver);
    gsl_root_fsolver_free(solver);
    return code == ERR_OK ? ERR_OK : err_set(e, code, "the search for the margin did not end");
}
