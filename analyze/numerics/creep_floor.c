#include "analyze/numerics/creep_floor.h"

#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/nonlinear_fit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Decays that starts are looked for among: from well below to well above the ladder's span. */
#define DECAYS 40
/* A decay longer than this many spans of the ladder cannot be told from a straight line. */
#define DECAY_MOST 2.0

struct points {
    const double *preload_n;
    double least_n;
};

static double falling(const double *t, double beyond_n)
{
    return t[1] * exp(-beyond_n / t[2]);
}

static bool model(const double *t, size_t i, double *value, double *slopes, void *context)
{
    const struct points *p = context;
    double x = p->preload_n[i] - p->least_n, part;
    if (!(t[2] > 0))
        return false;
    part = falling(t, x);
    *value = t[0] + part;
    slopes[0] = 1;
    slopes[1] = exp(-x / t[2]);
    slopes[2] = part * x / (t[2] * t[2]);
    return true;
}

static bool take_straight(const double *preload_n, const double *creep, const double *weights, size_t n,
                          int degree, struct creep_floor *fit)
{
    struct linear_fit l;
    struct err e = {0};
    if (linear_fit_polynomial(preload_n, creep, weights, n, degree, true, true, &l, &e) != ERR_OK)
        return false;
    fit->aic[degree] = l.residual_sum + 2 * (degree + 1);
    if (degree > 0 && !(fit->aic[degree] < fit->aic[fit->model]))
        return true;
    fit->model = degree == 0 ? CREEP_CONSTANT : CREEP_STRAIGHT;
    for (int i = 0; i <= degree; i++) {
        fit->parameters[i] = l.coefficients[i];
        for (int j = 0; j <= degree; j++)
            fit->covariance[i][j] = l.covariance[i][j];
    }
    return true;
}

/* Floor and fall for the best of a ladder of decays: linear for each. */
static bool start_of(const struct points *p, const double *creep, const double *weights, size_t n,
                     double span, double *t)
{
    double best = INFINITY, *rows = malloc(2 * n * sizeof *rows);
    if (rows == NULL)
        return false;
    for (int k = 0; k < DECAYS; k++) {
        double decay = span * 0.05 * pow(DECAY_MOST / 0.05, (double)k / (DECAYS - 1));
        struct linear_fit l;
        struct err e = {0};
        for (size_t i = 0; i < n; i++) {
            rows[2 * i] = 1;
            rows[2 * i + 1] = exp(-(p->preload_n[i] - p->least_n) / decay);
        }
        if (linear_fit(rows, creep, weights, n, 2, true, &l, &e) != ERR_OK || l.residual_sum >= best)
            continue;
        best = l.residual_sum;
        t[0] = l.coefficients[0];
        t[1] = l.coefficients[1];
        t[2] = decay;
    }
    free(rows);
    return !isinf(best);
}

static void find_reached(struct creep_floor *f)
{
    const double *t = f->parameters;
    double ratio = t[1] / (CREEP_FLOOR_SHARE * t[0]), sum = 0;
    /* reached = least + decay ln(extra / (share floor)) */
    double slopes[3] = {-t[2] / t[0], t[2] / t[1], log(ratio)};
    f->reached_n = f->least_n + t[2] * log(ratio);
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++)
            sum += slopes[i] * slopes[j] * f->covariance[i][j];
    }
    f->reached_standard_error_n = sqrt(fmax(0, sum));
}

enum err_code creep_floor_fit(const double *preload_n, const double *creep, const double *creep_u, size_t n,
                              struct creep_floor *fit, struct err *e)
{
    struct points p = {.preload_n = preload_n};
    struct nonlinear_fit f;
    double *weights, t[3];
    memset(fit, 0, sizeof *fit);
    fit->aic[CREEP_STRAIGHT] = fit->aic[CREEP_TO_FLOOR] = NAN;
    if (n < CREEP_FLOOR_PRELOADS_LEAST)
        return err_set(e, ERR_NO_ANSWER, "%zu preloads: how creep falls with preload needs at least %u", n,
                       CREEP_FLOOR_PRELOADS_LEAST);
    weights = malloc(n * sizeof *weights);
    if (weights == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu preloads", n);
    fit->least_n = fit->greatest_n = preload_n[0];
    for (size_t i = 0; i < n; i++) {
        weights[i] = 1 / (creep_u[i] * creep_u[i]);
        fit->least_n = fmin(fit->least_n, preload_n[i]);
        fit->greatest_n = fmax(fit->greatest_n, preload_n[i]);
    }
    p.least_n = fit->least_n;
    if (!take_straight(preload_n, creep, weights, n, 0, fit)) {
        free(weights);
        return err_set(e, ERR_NO_ANSWER, "creep coefficients without an uncertainty, or not numbers");
    }
    take_straight(preload_n, creep, weights, n, 1, fit);
    double span = fit->greatest_n - fit->least_n;
    struct err unused = {0};
    if (start_of(&p, creep, weights, n, span, t) &&
        nonlinear_fit(model, &p, creep, weights, n, 3, t, true, &f, &unused) == ERR_OK) {
        fit->aic[CREEP_TO_FLOOR] = f.residual_sum + 2 * 3;
        if (fit->aic[CREEP_TO_FLOOR] < fit->aic[fit->model] && f.parameters[0] > 0 && f.parameters[1] > 0 &&
            f.parameters[2] < DECAY_MOST * span) {
            fit->model = CREEP_TO_FLOOR;
            for (int i = 0; i < 3; i++) {
                fit->parameters[i] = f.parameters[i];
                for (int j = 0; j < 3; j++)
                    fit->covariance[i][j] = f.covariance[i][j];
            }
            find_reached(fit);
        }
    }
    free(weights);
    return ERR_OK;
}

double creep_floor_at(const struct creep_floor *fit, double preload_n, double *standard_error)
{
    const double *t = fit->parameters;
    double slopes[3] = {1, 0, 0}, value = t[0], sum = 0;
    if (fit->model == CREEP_STRAIGHT) {
        slopes[1] = preload_n;
        value += t[1] * preload_n;
    } else if (fit->model == CREEP_TO_FLOOR) {
        const struct points p = {.preload_n = &preload_n, .least_n = fit->least_n};
        struct points at = p;
        model(t, 0, &value, slopes, &at);
    }
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++)
            sum += slopes[i] * slopes[j] * fit->covariance[i][j];
    }
    if (standard_error != NULL)
        *standard_error = sqrt(fmax(0, sum));
    return value;
}
