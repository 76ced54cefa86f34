#include "analyze/numerics/load_line_fit.h"

#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/nonlinear_fit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

const char *const LOAD_LINE_MODEL_NAMES[LOAD_LINE_MODELS] = {"F0 + k Q^n", "k Q^n",
                                                             "exp(a + b ln Q + c (ln Q)^2)"};

static const double SAME_RATE = 1e-3;
/* Starts: the exponent is tried in steps of a fifth, F0 and k follow by straight fits. Melts have 0.2 to 1;
 * the range beyond costs nothing. */
static const double EXPONENT_FIRST = 0.05, EXPONENT_FACTOR = 1.2, EXPONENT_LAST = 6;

/* Value and slopes against the parameters; false where the line cannot be computed. */
static bool line(const struct load_line_fit *fit, double rate, double *value, double *slopes)
{
    const double *p = fit->parameters;
    double l = log(rate / fit->scale_rate);
    if (fit->model == LOAD_LINE_VARYING) {
        *value = exp(p[0] + p[1] * l + p[2] * l * l);
        slopes[0] = *value;
        slopes[1] = *value * l;
        slopes[2] = *value * l * l;
        return true;
    }
    size_t first = fit->model == LOAD_LINE_POWER ? 1 : 0;
    double power = exp(p[first + 1] * l);
    *value = (first == 1 ? p[0] : 0) + p[first] * power;
    slopes[0] = 1;
    slopes[first] = power;
    slopes[first + 1] = p[first] * power * l;
    return true;
}

struct problem {
    struct load_line_fit shape;
    const double *rate;
};

static bool model_at(const double *parameters, size_t i, double *value, double *slopes, void *context)
{
    struct problem *q = context;
    memcpy(q->shape.parameters, parameters, q->shape.p * sizeof *parameters);
    return line(&q->shape, q->rate[i], value, slopes);
}

/* Straight fit of F on Q^exponent, with intercept. */
static bool straight(const double *rate, const double *force, size_t n, double exponent, double *power,
                     struct linear_fit *fit)
{
    for (size_t i = 0; i < n; i++)
        power[i] = pow(rate[i], exponent);
    return linear_fit_polynomial(power, force, NULL, n, 1, true, false, fit, NULL) == ERR_OK;
}

/* Quadratic in logarithms: its coefficients start the varying exponent, and with degree 1 the power law from
 * zero. */
static bool start_in_logs(const struct load_line_fit *fit, const double *rate, const double *force,
                          double *room, int degree, double *start)
{
    struct linear_fit logs;
    double *x = room, *y = room + fit->n;
    for (size_t i = 0; i < fit->n; i++) {
        x[i] = log(rate[i] / fit->scale_rate);
        y[i] = log(force[i]);
    }
    if (linear_fit_polynomial(x, y, NULL, fit->n, degree, true, false, &logs, NULL) != ERR_OK)
        return false;
    memcpy(start, logs.coefficients, (size_t)(degree + 1) * sizeof *start);
    return true;
}

static bool find_start(const struct load_line_fit *fit, const double *rate, const double *force, double *room,
                       double *start)
{
    struct linear_fit best = {.residual_sum = INFINITY}, trial;
    if (fit->model == LOAD_LINE_VARYING)
        return start_in_logs(fit, rate, force, room, 2, start);
    if (fit->model == LOAD_LINE_POWER_FROM_ZERO) {
        if (!start_in_logs(fit, rate, force, room, 1, start))
            return false;
        start[0] = exp(start[0]);
        return true;
    }
    for (double exponent = EXPONENT_FIRST; exponent < EXPONENT_LAST; exponent *= EXPONENT_FACTOR) {
        if (straight(rate, force, fit->n, exponent, room, &trial) && trial.residual_sum < best.residual_sum) {
            best = trial;
            start[2] = exponent;
        }
    }
    start[0] = best.coefficients[0];
    start[1] = best.coefficients[1];
    return isfinite(best.residual_sum);
}

size_t load_line_rates(const double *rate, size_t n)
{
    size_t different = 0;
    for (size_t i = 0; i < n; i++) {
        size_t j = 0;
        while (j < i && !(fabs(rate[j] - rate[i]) <= SAME_RATE * rate[i]))
            j++;
        different += j == i;
    }
    return different;
}

static double aicc(double residual_sum, size_t n, size_t p)
{
    double k = (double)p + 1, m = (double)n;
    if (m - k - 1 <= 0)
        return INFINITY;
    return m * log(residual_sum / m) + 2 * k + 2 * k * (k + 1) / (m - k - 1);
}

static enum err_code check(const struct load_line_fit *fit, const double *rate, const double *force,
                           struct err *e)
{
    size_t different = load_line_rates(rate, fit->n);
    size_t least =
        fit->model == LOAD_LINE_POWER_FROM_ZERO ? LOAD_LINE_RATES_POWER_TWO : LOAD_LINE_RATES_LEAST;
    for (size_t i = 0; i < fit->n; i++) {
        if (!isfinite(rate[i]) || !(rate[i] > 0) || !isfinite(force[i]) || !(force[i] > 0))
            return err_set(e, ERR_NO_ANSWER, "a load line takes rates and forces above 0, not %g at %g",
                           force[i], rate[i]);
    }
    if (different < least)
        return err_set(e, ERR_NO_ANSWER, "a load line takes %zu different rates or more, not %zu", least,
                       different);
    return ERR_OK;
}

enum err_code load_line_fit(enum load_line_model model, const double *rate, const double *force,
                            const double *weights, size_t n, struct load_line_fit *fit, struct err *e)
{
    struct problem q = {.rate = rate};
    struct nonlinear_fit found;
    double start[LOAD_LINE_PARAMETERS_MAX] = {0}, logs = 0, *room;
    enum err_code code;
    *fit = (struct load_line_fit){.model = model,
                                  .n = n,
                                  .p = model == LOAD_LINE_POWER_FROM_ZERO ? 2 : 3,
                                  .scale_rate = 1,
                                  .low_rate = INFINITY};
    code = check(fit, rate, force, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0; i < n; i++) {
        fit->low_rate = fmin(fit->low_rate, rate[i]);
        fit->high_rate = fmax(fit->high_rate, rate[i]);
        logs += log(rate[i]) / (double)n;
    }
    if (model == LOAD_LINE_VARYING)
        fit->scale_rate = exp(logs);
    room = malloc((2 * n + 1) * sizeof *room);
    if (room == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a load line of %zu points", n);
    if (find_start(fit, rate, force, room, start)) {
        q.shape = *fit;
        code = nonlinear_fit(model_at, &q, force, weights, n, fit->p, start, false, &found, e);
    } else {
        code = err_set(e, ERR_NO_ANSWER, "the points do not determine a load line");
    }
    free(room);
    if (code != ERR_OK)
        return code;
    memcpy(fit->parameters, found.parameters, fit->p * sizeof *fit->parameters);
    for (size_t i = 0; i < fit->p; i++)
        memcpy(fit->covariance[i], found.covariance[i], fit->p * sizeof *fit->covariance[i]);
    fit->residual_sum = found.residual_sum;
    fit->residual_sd = found.residual_sd;
    fit->degrees_of_freedom = found.degrees_of_freedom;
    fit->aicc = aicc(found.residual_sum, n, fit->p);
    return ERR_OK;
}

/* Weights for scatter in proportion to force^exponent, their geometric mean 1: residual sums with different
 * exponents then compare as likelihoods do. */
static void set_weights(const struct load_line_fit *fit, const double *rate, const double *force, size_t n,
                        double exponent, double *weights)
{
    double logs = 0;
    for (size_t i = 0; i < n; i++) {
        double level = load_line_at(fit, rate[i], NULL);
        weights[i] = -2 * exponent * log(level > 0 ? level : force[i]);
        logs += weights[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++)
        weights[i] = exp(weights[i] - logs);
}

/* The form with the scatter that the points ask for: the mean of the exponents tried, each by its likelihood.
 * The likeliest alone is the wrong one so often that bands come out too wide at one end of the line and too
 * narrow at the other. */
static enum err_code fit_scatter(enum load_line_model model, const double *rate, const double *force,
                                 size_t n, double *weights, struct load_line_fit *fit, struct err *e)
{
    static const double EXPONENTS[] = {0, 0.5, 1, 1.5};
    struct load_line_fit plain, trial;
    enum err_code code = load_line_fit(model, rate, force, NULL, n, &plain, e);
    double sum = 0, weighted = 0;
    *fit = plain;
    if (code != ERR_OK)
        return code;
    for (size_t k = 0; k < sizeof EXPONENTS / sizeof *EXPONENTS; k++) {
        set_weights(&plain, rate, force, n, EXPONENTS[k], weights);
        if (load_line_fit(model, rate, force, weights, n, &trial, NULL) != ERR_OK)
            continue;
        double likelihood = pow(trial.residual_sum / plain.residual_sum, -0.5 * (double)n);
        if (!isfinite(likelihood))
            continue;
        sum += likelihood;
        weighted += likelihood * EXPONENTS[k];
    }
    double exponent = sum > 0 ? weighted / sum : 0;
    set_weights(&plain, rate, force, n, exponent, weights);
    if (load_line_fit(model, rate, force, weights, n, &trial, NULL) == ERR_OK) {
        *fit = trial;
        fit->scatter_exponent = exponent;
    } else {
        set_weights(&plain, rate, force, n, 0, weights);
    }
    return ERR_OK;
}

enum err_code load_line_choose(const double *rate, const double *force, size_t n, struct load_line_fit *fit,
                               double *power_aicc, double *varying_aicc, struct err *e)
{
    struct load_line_fit varying;
    struct err other;
    double *weights = malloc((n + 1) * sizeof *weights);
    if (weights == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a load line of %zu points", n);
    enum err_code power_code = fit_scatter(LOAD_LINE_POWER, rate, force, n, weights, fit, e), varying_code;
    if (power_code == ERR_OK) {
        varying_code = load_line_fit(LOAD_LINE_VARYING, rate, force, weights, n, &varying, &other);
        varying.scatter_exponent = fit->scatter_exponent;
    } else {
        varying_code = fit_scatter(LOAD_LINE_VARYING, rate, force, n, weights, &varying, &other);
    }
    free(weights);
    *power_aicc = power_code == ERR_OK ? fit->aicc : INFINITY;
    *varying_aicc = varying_code == ERR_OK ? varying.aicc : INFINITY;
    if (power_code == ERR_MEMORY || varying_code == ERR_MEMORY)
        return err_set(e, ERR_MEMORY, "no memory for a load line of %zu points", n);
    if (varying_code != ERR_OK)
        return power_code;
    if (power_code != ERR_OK || *varying_aicc < *power_aicc - LOAD_LINE_AICC_MARGIN)
        *fit = varying;
    return ERR_OK;
}

enum err_code load_line_again(const struct load_line_fit *before, const double *rate, const double *force,
                              size_t n, struct load_line_fit *fit, struct err *e)
{
    double *weights = malloc((n + 1) * sizeof *weights);
    if (weights == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a load line of %zu points", n);
    set_weights(before, rate, force, n, before->scatter_exponent, weights);
    enum err_code code = load_line_fit(before->model, rate, force, weights, n, fit, e);
    fit->scatter_exponent = before->scatter_exponent;
    free(weights);
    return code;
}

double load_line_at(const struct load_line_fit *fit, double rate, double *standard_error)
{
    double value = NAN, slopes[LOAD_LINE_PARAMETERS_MAX] = {0}, variance = 0;
    line(fit, rate, &value, slopes);
    for (size_t i = 0; i < fit->p; i++) {
        for (size_t j = 0; j < fit->p; j++)
            variance += slopes[i] * fit->covariance[i][j] * slopes[j];
    }
    if (standard_error != NULL)
        *standard_error = sqrt(fmax(0, variance));
    return value;
}

double load_line_slope(const struct load_line_fit *fit, double rate)
{
    const double *p = fit->parameters;
    double l = log(rate / fit->scale_rate);
    if (fit->model == LOAD_LINE_VARYING)
        return load_line_at(fit, rate, NULL) * (p[1] + 2 * p[2] * l) / rate;
    size_t first = fit->model == LOAD_LINE_POWER ? 1 : 0;
    return p[first] * p[first + 1] * exp((p[first + 1] - 1) * l);
}
