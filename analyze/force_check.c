#include "analyze/force_check.h"

#include "analyze/numerics/monte_carlo.h"
#include "analyze/numerics/propagation.h"
#include "analyze/push_budget.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *const FORCE_CHECK_COMPONENT_NAME = "calibration, beyond linear propagation";

/* Digits of the standard uncertainty to which the two intervals must agree. With two, the draws' own noise,
 * 0.006 standard uncertainties at an end of the interval, would decide about as often as the curvature. */
static const int DIGITS = 1;

/* Draws without a load are all on one side of the interval and missing from it: one in a thousand moves its
 * end by 0.02 standard uncertainties. */
#define FAILURES_MOST (FORCE_CHECK_DRAWS / 1000)

/* Two standard normal numbers make the coefficients, by the Cholesky factor of their covariance: the inputs
 * are then independent, as the second-order terms of propagation_run want them. */
enum { FIRST, SECOND, READING, INPUTS };

struct inverse {
    const struct calibration *calibration;
    struct calibration drawn;
    double first_to_slope, first_to_curve, second_to_curve;
};

static bool force_of(const double *x, double *force_n, void *context)
{
    struct inverse *inverse = context;
    const double *mean = inverse->calibration->coefficients;
    double *drawn = inverse->drawn.coefficients;
    drawn[1] = mean[1] + inverse->first_to_slope * x[FIRST];
    drawn[2] = inverse->first_to_curve * x[FIRST] + inverse->second_to_curve * x[SECOND];
    if (inverse->calibration->degree == 2)
        drawn[2] += mean[2];
    /* A slope of the other sign, or a curve that turns back before the reading: no load has it. */
    if (!(drawn[1] * mean[1] > 0) || !(drawn[1] * drawn[1] + 4 * drawn[2] * x[READING] > 0))
        return false;
    *force_n = calibration_force_n(&inverse->drawn, x[READING], 0);
    return true;
}

static enum err_code add_input(struct propagation_inputs *inputs, const char *name, const char *unit,
                               double value, double standard_uncertainty)
{
    struct budget_component c = {
        .standard_uncertainty = standard_uncertainty, .degrees_of_freedom = INFINITY, .type = BUDGET_TYPE_B};
    snprintf(c.name, sizeof c.name, "%s", name);
    snprintf(c.unit, sizeof c.unit, "%s", unit);
    return propagation_add(inputs, &c, value, NULL);
}

static void prepare(struct inverse *inverse, const struct calibration *c)
{
    double slope = sqrt(c->covariance[1][1]);
    memset(inverse, 0, sizeof *inverse);
    inverse->calibration = c;
    inverse->drawn.degree = c->degree;
    inverse->first_to_slope = slope;
    if (c->degree != 2)
        return;
    if (slope > 0)
        inverse->first_to_curve = c->covariance[2][1] / slope;
    inverse->second_to_curve =
        sqrt(fmax(0, c->covariance[2][2] - inverse->first_to_curve * inverse->first_to_curve));
}

/* Standard uncertainty of everything but the calibration, N. */
static double others_n(const struct budget *b)
{
    double variance = 0;
    for (size_t i = 0; i < b->count; i++) {
        if (!push_budget_of_covariance(b->components[i].name))
            variance += b->components[i].contribution * b->components[i].contribution;
    }
    return sqrt(variance);
}

static void replace(const struct monte_carlo *draws, struct budget *budget, struct quantity *q)
{
    double missing = draws->sd * draws->sd - q->standard_uncertainty * q->standard_uncertainty;
    double stretch =
        (q->high_95 - q->value) / (quantity_t_975(INFINITY) * q->standard_uncertainty); /* 1 or more */
    q->standard_uncertainty = draws->sd;
    q->low_95 = q->value - stretch * (q->value - draws->low_95);
    q->high_95 = q->value + stretch * (draws->high_95 - q->value);
    push_budget_add(budget, FORCE_CHECK_COMPONENT_NAME, sqrt(fmax(0, missing)), INFINITY, BUDGET_TYPE_B,
                    false);
}

enum force_check force_check(const struct calibration *calibration, unsigned long seed, struct budget *budget,
                             struct quantity *force_n)
{
    const struct monte_carlo_settings settings = {.seed = seed, .trials_most = FORCE_CHECK_DRAWS};
    struct monte_carlo_input distributions[INPUTS];
    struct propagation_inputs inputs = {0};
    struct propagation linear;
    struct monte_carlo draws;
    struct inverse inverse;
    double reading = calibration_counts(calibration, force_n->value, 0);
    if (!force_n->present || force_n->at_least || !(force_n->standard_uncertainty > 0))
        return FORCE_CHECK_LINEAR;
    double slope = calibration->coefficients[1] +
                   (calibration->degree == 2 ? 2 * calibration->coefficients[2] * force_n->value : 0);
    prepare(&inverse, calibration);
    if (!(inverse.first_to_slope > 0) && !(inverse.second_to_curve > 0))
        return FORCE_CHECK_LINEAR; /* coefficients known exactly */
    budget_init(&inputs.budget);
    if (add_input(&inputs, "calibration, first", "1", 0, 1) != ERR_OK ||
        add_input(&inputs, "calibration, second", "1", 0, 1) != ERR_OK ||
        add_input(&inputs, "reading above zero", "counts", reading, fabs(slope) * others_n(budget)) !=
            ERR_OK ||
        propagation_run(force_of, &inverse, &inputs, NULL, 1, &linear, NULL) != ERR_OK)
        return FORCE_CHECK_FAILED;
    if (!linear.doubtful[0])
        return FORCE_CHECK_LINEAR;
    for (size_t i = 0; i < INPUTS; i++)
        distributions[i] =
            (struct monte_carlo_input){.distribution = MONTE_CARLO_NORMAL,
                                       .centre = inputs.values[i],
                                       .scale = inputs.budget.components[i].standard_uncertainty};
    if (monte_carlo_run(force_of, &inverse, 1, 0, distributions, INPUTS, NULL, &settings, &draws, NULL) !=
            ERR_OK ||
        draws.failed > FAILURES_MOST)
        return FORCE_CHECK_FAILED;
    /* Like with like: the draws are normal, so is the interval that they are held against. */
    struct quantity normal =
        quantity_from(force_n->value, force_n->standard_uncertainty, INFINITY, force_n->n);
    if (monte_carlo_judge(&draws, &normal, DIGITS).validated)
        return FORCE_CHECK_LINEAR;
    replace(&draws, budget, force_n);
    return FORCE_CHECK_REPLACED;
}
