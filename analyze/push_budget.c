#include "analyze/push_budget.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define PI 3.14159265358979323846

const char *const PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_COUNT] = {
    [PLAN_ESTIMATE_ALIGNMENT_DEG] = "alignment of the load axis",
    [PLAN_ESTIMATE_CELL_CREEP_PERCENT] = "creep of the load cell",
    [PLAN_ESTIMATE_RUNOUT_MM] = "runout of the drive gear",
};
const char *const PUSH_BUDGET_CALIBRATION_NAME = "calibration of the load cell";
const char *const PUSH_BUDGET_WEIGHTS_NAME = "weights of the calibration";
const char *const PUSH_BUDGET_GRAVITY_NAME = "gravity at the calibration";
const char *const PUSH_BUDGET_REVERSIBILITY_NAME = "reversibility of the load cell";
const char *const PUSH_BUDGET_DIAMETER_NAME = "drive diameter";
const char *const PUSH_BUDGET_GAUGE_NAME = "resolution of the force gauge";
const char *const PUSH_BUDGET_STAMPS_NAME = "time stamps of separate instruments";
const char *const PUSH_BUDGET_BETWEEN_NAME = "peaks between two readings";
const char *const PUSH_BUDGET_HIDDEN_NAME = "motor cycles too small to see";
const char *const PUSH_BUDGET_UNSEEN_NAME = "cycles or teeth too quick to see";

struct push_settings push_budget_settings(const struct plan *plan)
{
    struct push_settings s;
    for (int i = 0; i < PLAN_ESTIMATE_COUNT; i++)
        s.estimates[i] = plan != NULL ? plan->estimates[i].value : PLAN_ESTIMATE_KINDS[i].value;
    s.zero_drift_limit_n = plan != NULL ? plan->zero_drift_limit_n : PLAN_ZERO_DRIFT_LIMIT_N;
    return s;
}

void push_budget_add(struct budget *b, const char *name, double standard_uncertainty_n,
                     double degrees_of_freedom, enum budget_type type, bool estimate)
{
    struct budget_component c = {.unit = "N",
                                 .standard_uncertainty = standard_uncertainty_n,
                                 .sensitivity = 1,
                                 .degrees_of_freedom = degrees_of_freedom,
                                 .type = type,
                                 .operator_estimate = estimate};
    if (!isfinite(standard_uncertainty_n) || !(standard_uncertainty_n > 0))
        return;
    snprintf(c.name, sizeof c.name, "%s", name);
    budget_add(b, &c, NULL);
}

bool push_budget_of_covariance(const char *name)
{
    return strcmp(name, PUSH_BUDGET_CALIBRATION_NAME) == 0 || strcmp(name, PUSH_BUDGET_WEIGHTS_NAME) == 0 ||
           strcmp(name, PUSH_BUDGET_GRAVITY_NAME) == 0;
}

static void add_part(struct budget *b, const char *name, const char *which, double standard_uncertainty_n,
                     double degrees_of_freedom, enum budget_type type, bool estimate)
{
    char full[sizeof b->components[0].name];
    snprintf(full, sizeof full, "%s%s", name, which);
    push_budget_add(b, full, standard_uncertainty_n, degrees_of_freedom, type, estimate);
}

void push_budget_add_calibration(struct budget *b, double force_n, double share, const char *which,
                                 const struct calibration *calibration)
{
    double degrees = calibration->degrees_of_freedom;
    bool stated = isinf(degrees) || strcmp(calibration->origin, "stated") == 0;
    double total = calibration_uncertainty_n(calibration, force_n);
    /* The covariance is what counts: its parts cannot be more than it. */
    double weights = fmin(calibration->weights_relative * fabs(force_n), total);
    double gravity =
        fmin(calibration->gravity_relative * fabs(force_n), sqrt(total * total - weights * weights));
    double fit = sqrt(fmax(0, total * total - weights * weights - gravity * gravity));
    add_part(b, PUSH_BUDGET_CALIBRATION_NAME, which, share * fit, degrees,
             stated ? BUDGET_TYPE_B : BUDGET_TYPE_A, stated);
    add_part(b, PUSH_BUDGET_WEIGHTS_NAME, which, share * weights, INFINITY, BUDGET_TYPE_B, true);
    add_part(b, PUSH_BUDGET_GRAVITY_NAME, which, share * gravity, INFINITY, BUDGET_TYPE_B, true);
    /* A push rises and so lies on the rising branch of the load cell, while the fit runs between the rising
     * and the falling one: up to half the loop away. */
    add_part(b, PUSH_BUDGET_REVERSIBILITY_NAME, which,
             share * budget_rectangular(calibration->reversibility_n), INFINITY, BUDGET_TYPE_B, false);
}

void push_budget_add_bench(struct budget *b, double force_n, const struct calibration *calibration,
                           const struct push_settings *settings)
{
    double creep = settings->estimates[PLAN_ESTIMATE_CELL_CREEP_PERCENT] / 100 * fabs(force_n);
    double angle = settings->estimates[PLAN_ESTIMATE_ALIGNMENT_DEG] * PI / 180;
    push_budget_add(b, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_CELL_CREEP_PERCENT], creep, INFINITY,
                    BUDGET_TYPE_B, true);
    /* An axis off by an angle shows the cosine of it: a rectangle from none of that to all. */
    push_budget_add(b, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_ALIGNMENT_DEG],
                    budget_rectangular(fabs(force_n) * (1 - cos(angle))), INFINITY, BUDGET_TYPE_B, true);
    push_budget_add_calibration(b, force_n, 1, "", calibration);
}

void push_budget_add_zero(struct budget *b, const struct push_motion *m)
{
    push_budget_add(b, "noise of the zero", m->zero_noise_n, (double)m->quiet_count - 1, BUDGET_TYPE_A,
                    false);
    push_budget_add(b, "drift of the zero", m->zero_drift_uncertainty_n, INFINITY, BUDGET_TYPE_B, false);
    /* What a gauge shows is coarse enough to count twice: a force is the difference of two readings, the zero
     * among them, and both were rounded. */
    if (m->separate)
        push_budget_add(b, PUSH_BUDGET_GAUGE_NAME, m->resolution_n * sqrt(2.0), INFINITY, BUDGET_TYPE_B,
                        false);
    else
        push_budget_add(b, "resolution of the converter", m->resolution_n, INFINITY, BUDGET_TYPE_B, false);
}

static const char *reading_name(int i)
{
    const char *const names[PUSH_BUDGET_READING] = {PUSH_BUDGET_GAUGE_NAME, PUSH_BUDGET_STAMPS_NAME,
                                                    PUSH_BUDGET_BETWEEN_NAME, PUSH_BUDGET_HIDDEN_NAME,
                                                    PUSH_BUDGET_UNSEEN_NAME};
    return names[i];
}

void push_budget_sum_reading(const struct budget *of_run, double squares[PUSH_BUDGET_READING])
{
    for (size_t i = 0; i < of_run->count; i++) {
        const struct budget_component *c = &of_run->components[i];
        for (int k = 0; k < PUSH_BUDGET_READING; k++) {
            if (strcmp(c->name, reading_name(k)) == 0)
                squares[k] += c->contribution * c->contribution;
        }
    }
}

void push_budget_add_reading(struct budget *b, const double squares[PUSH_BUDGET_READING], size_t runs)
{
    for (int k = 0; k < PUSH_BUDGET_READING; k++)
        push_budget_add(b, reading_name(k), sqrt(squares[k] / (double)runs), INFINITY, BUDGET_TYPE_B, false);
}

double push_budget_own_variance(const struct budget *b, double *degrees_of_freedom)
{
    double variance = 0;
    for (size_t i = 0; i < b->count; i++) {
        const struct budget_component *c = &b->components[i];
        if (c->type != BUDGET_TYPE_A || push_budget_of_covariance(c->name))
            continue;
        variance += c->contribution * c->contribution;
        *degrees_of_freedom += c->degrees_of_freedom;
    }
    return variance;
}
