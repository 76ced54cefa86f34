#include "analyze/push_budget.h"

#include <math.h>
#include <stdio.h>

#define PI 3.14159265358979323846

const char *const PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_COUNT] = {
    [PLAN_ESTIMATE_ALIGNMENT_DEG] = "alignment of the load axis",
    [PLAN_ESTIMATE_CELL_CREEP_PERCENT] = "creep of the load cell",
    [PLAN_ESTIMATE_RUNOUT_MM] = "runout of the drive gear",
};
const char *const PUSH_BUDGET_CALIBRATION_NAME = "calibration of the load cell";
const char *const PUSH_BUDGET_DIAMETER_NAME = "drive diameter";

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

void push_budget_add_bench(struct budget *b, double force_n, const struct calibration *calibration,
                           const struct push_settings *settings)
{
    double creep = settings->estimates[PLAN_ESTIMATE_CELL_CREEP_PERCENT] / 100 * fabs(force_n);
    double angle = settings->estimates[PLAN_ESTIMATE_ALIGNMENT_DEG] * PI / 180;
    double degrees = calibration->degrees_of_freedom;
    push_budget_add(b, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_CELL_CREEP_PERCENT], creep, INFINITY,
                    BUDGET_TYPE_B, true);
    /* An axis off by an angle shows the cosine of it: a rectangle from none of that to all. */
    push_budget_add(b, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_ALIGNMENT_DEG],
                    budget_rectangular(fabs(force_n) * (1 - cos(angle))), INFINITY, BUDGET_TYPE_B, true);
    push_budget_add(b, PUSH_BUDGET_CALIBRATION_NAME, calibration_uncertainty_n(calibration, force_n), degrees,
                    isinf(degrees) ? BUDGET_TYPE_B : BUDGET_TYPE_A, isinf(degrees));
}

void push_budget_add_zero(struct budget *b, const struct push_motion *m)
{
    push_budget_add(b, "noise of the zero", m->zero_noise_n, (double)m->quiet_count - 1, BUDGET_TYPE_A,
                    false);
    push_budget_add(b, "drift of the zero", m->zero_drift_uncertainty_n, INFINITY, BUDGET_TYPE_B, false);
    push_budget_add(b, "resolution of the converter", m->resolution_n, INFINITY, BUDGET_TYPE_B, false);
}
