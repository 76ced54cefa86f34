#include "analyze/motor_parameters.h"

#include "analyze/push_budget.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double PI = 3.14159265358979323846;

static void add(struct budget *b, const char *name, const char *unit, double standard_uncertainty,
                double degrees_of_freedom, bool measured)
{
    struct budget_component c = {.standard_uncertainty = standard_uncertainty,
                                 .sensitivity = 1,
                                 .degrees_of_freedom = degrees_of_freedom,
                                 .type = measured ? BUDGET_TYPE_A : BUDGET_TYPE_B};
    if (!(standard_uncertainty > 0) || !isfinite(standard_uncertainty))
        return;
    snprintf(c.name, sizeof c.name, "%s", name);
    snprintf(c.unit, sizeof c.unit, "%s", unit);
    budget_add(b, &c, NULL);
}

/* Intervals about a value: that of the fit, and that with the lean, which holds it. */
struct interval {
    double low, high;
};

static struct quantity quantity_of(double value, struct interval fit, struct interval hull,
                                   double degrees_of_freedom, double lever_relative, double bench_relative,
                                   size_t n, const char *unit, struct budget *budget)
{
    double t = quantity_t_975(degrees_of_freedom), fit_half = (fit.high - fit.low) / 2,
           hull_half = (hull.high - hull.low) / 2;
    double common = quantity_t_975(INFINITY) * fabs(value) * hypot(lever_relative, bench_relative);
    struct quantity q;
    budget_init(budget);
    add(budget, "fit of the torque curve", unit, fit_half / t, degrees_of_freedom, true);
    add(budget, MOTOR_PARAMETERS_LEAN_NAME, unit,
        sqrt(fmax(0, hull_half * hull_half - fit_half * fit_half)) / t, INFINITY, false);
    add(budget, PUSH_BUDGET_DIAMETER_NAME, unit, fabs(value) * lever_relative, INFINITY, false);
    add(budget, "load cell, alignment and calibration", unit, fabs(value) * bench_relative, INFINITY, false);
    q = budget_combine(budget, value, n);
    if (!q.present)
        return q;
    /* Neither interval need be symmetric. What all torques share widens each side by itself. */
    q.low_95 = value - hypot(value - hull.low, common);
    q.high_95 = value + hypot(hull.high - value, common);
    return q;
}

struct quantity motor_parameters_quantity(double value, double low, double high, double degrees_of_freedom,
                                          double lever_relative, double bench_relative, size_t n,
                                          const char *unit, struct budget *budget)
{
    struct interval fit = {low, high};
    return quantity_of(value, fit, fit, degrees_of_freedom, lever_relative, bench_relative, n, unit, budget);
}

double motor_parameters_leant_nm(double torque_nm, double share, double lean)
{
    return torque_nm * (1 + lean * (2 * share - 1));
}

struct job {
    enum motor_parameter which;
    double rotor_teeth;
};

static double parameter_of(const struct torque_region_curve *c, const void *context)
{
    const struct job *job = context;
    double drive = 4 / PI; /* fundamental of the square wave, per volt of supply */
    switch (job->which) {
    case MOTOR_FLAT_TORQUE_NM:
        return c->flat_nm;
    case MOTOR_TIME_CONSTANT_S:
        return c->tau_s;
    case MOTOR_HIGH_SPEED_TORQUE:
        return c->a_nm / c->tau_s;
    case MOTOR_FLUX_PER_VOLT:
        return drive * c->b_nm_s / c->a_nm;
    case MOTOR_RESISTANCE_PER_VOLT2:
        return job->rotor_teeth * drive * drive * c->b_nm_s / (c->a_nm * c->a_nm);
    case MOTOR_INDUCTANCE_PER_VOLT2:
        return job->rotor_teeth * drive * drive * c->tau_s * c->b_nm_s / (c->a_nm * c->a_nm);
    default:
        return NAN;
    }
}

/* Bounded on both sides, by the limits that the shape itself has. */
static bool bounded(const struct torque_region *region, enum motor_parameter which)
{
    struct torque_region_open open = torque_region_open(region);
    switch (which) {
    case MOTOR_FLAT_TORQUE_NM:
        return !torque_region_corner(region).open_below;
    case MOTOR_TIME_CONSTANT_S:
        return !open.no_inductance && !open.no_resistance;
    case MOTOR_HIGH_SPEED_TORQUE:
        return !open.no_inductance;
    case MOTOR_FLUX_PER_VOLT:
        return !open.no_back_emf;
    case MOTOR_RESISTANCE_PER_VOLT2:
        return !open.no_back_emf && !open.no_resistance;
    case MOTOR_INDUCTANCE_PER_VOLT2:
        return !open.no_back_emf && !open.no_inductance;
    default:
        return false;
    }
}

static struct interval interval_of(const struct torque_region *region, const struct job *job, double value)
{
    struct interval i;
    torque_region_interval(region, parameter_of, job, &i.low, &i.high);
    return (struct interval){fmin(i.low, value), fmax(i.high, value)};
}

void motor_parameters_find(const struct motor_parameters_regions *regions,
                           const struct motor_parameters_common *common, struct motor_parameters *m,
                           struct quantity *corner_mm_s)
{
    static const char *const units[MOTOR_PARAMETERS] = {"N m", "s", "N m rad/s", "Wb/V", "ohm/V2", "H/V2"};
    static const bool of_torque[MOTOR_PARAMETERS] = {true, false, true, false, true, true};
    const struct torque_region *as_read = regions->as_read;
    struct torque_region_curve best = torque_region_best(as_read);
    struct torque_region_corner corner = torque_region_corner(as_read);
    double degrees = torque_region_degrees_of_freedom(as_read);
    memset(m, 0, sizeof *m);
    m->present = true;
    for (int i = 0; i < MOTOR_PARAMETERS; i++) {
        struct motor_parameter_value *v = &m->values[i];
        struct job job = {(enum motor_parameter)i, common->rotor_teeth};
        double value = parameter_of(&best, &job);
        struct interval fit = interval_of(as_read, &job, value), hull = fit;
        const struct torque_region *judge = i == MOTOR_FLAT_TORQUE_NM ? as_read : regions->sure;
        v->determined = judge != NULL && bounded(judge, job.which);
        if (v->determined && judge != as_read) {
            struct interval sure = interval_of(regions->sure, &job, value);
            v->determined = sure.low > 0 && sure.high <= MOTOR_PARAMETERS_FACTOR * value &&
                            value <= MOTOR_PARAMETERS_FACTOR * sure.low;
        }
        for (int k = 0; k < 2 && i != MOTOR_FLAT_TORQUE_NM; k++) {
            struct interval leant;
            if (regions->leant[k] == NULL) {
                v->determined = false;
                continue;
            }
            leant = interval_of(regions->leant[k], &job, value);
            hull = (struct interval){fmin(hull.low, leant.low), fmax(hull.high, leant.high)};
            v->determined = v->determined && bounded(regions->leant[k], job.which);
        }
        v->q = quantity_of(value, fit, hull, degrees, of_torque[i] ? common->lever_relative : 0,
                           of_torque[i] ? common->bench_relative : 0, common->n, units[i], &v->budget);
        v->determined = v->determined && v->q.present && v->q.low_95 > 0 &&
                        v->q.high_95 <= MOTOR_PARAMETERS_FACTOR * v->q.value &&
                        v->q.value <= MOTOR_PARAMETERS_FACTOR * v->q.low_95;
    }
    struct interval fit = {corner.low_rad_s / common->rad_s_per_mm_s,
                           corner.high_rad_s / common->rad_s_per_mm_s};
    struct interval hull = fit;
    m->corner_open_below = corner.open_below;
    m->corner_open_above = corner.open_above;
    for (int k = 0; k < 2; k++) {
        if (regions->leant[k] == NULL)
            continue;
        struct torque_region_corner leant = torque_region_corner(regions->leant[k]);
        hull.low = fmin(hull.low, leant.low_rad_s / common->rad_s_per_mm_s);
        hull.high = fmax(hull.high, leant.high_rad_s / common->rad_s_per_mm_s);
        m->corner_open_below = m->corner_open_below || leant.open_below;
        m->corner_open_above = m->corner_open_above || leant.open_above;
    }
    m->corner_low_mm_s = hull.low;
    m->corner_high_mm_s = hull.high;
    *corner_mm_s = quantity_absent();
    if (!m->corner_open_below && !m->corner_open_above)
        *corner_mm_s = quantity_of(best.corner_rad_s / common->rad_s_per_mm_s, fit, hull, degrees, 0, 0,
                                   common->n, "mm/s", &m->corner_budget);
}
