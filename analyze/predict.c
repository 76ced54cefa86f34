#include "analyze/predict.h"

#include "analyze/numerics/formulas.h"
#include "analyze/numerics/monte_carlo.h"

#include <math.h>
#include <stdio.h>

#define PI 3.14159265358979323846
/* Seed and number of trials: an end of the interval is then good to about 1 % of its width. */
#define SEED   20261125
#define TRIALS 20000
/* Places within a tolerance at which the budget works out the force: half of them either side of the value.
 * The standard deviation of a straight line over so many is off by 1 part in 2 SPREAD^2. */
#define SPREAD 200

const struct predict_input_kind PREDICT_INPUT_KINDS[PREDICT_INPUTS] = {
    [PREDICT_HOLDING_TORQUE_NM] = {"holding_torque_nm", "holding_torque_tolerance_percent", "holding torque",
                                   "N m", 1e-4, 1000, 10},
    [PREDICT_RATED_CURRENT_A] = {"rated_current_a", "rated_current_tolerance_percent", "rated current", "A",
                                 1e-3, 1000, 0},
    [PREDICT_SET_CURRENT_A] = {"set_current_a", "set_current_tolerance_percent", "set current", "A", 1e-3,
                               1000, 5},
    [PREDICT_RESISTANCE_OHM] = {"phase_resistance_ohm", "phase_resistance_tolerance_percent",
                                "phase resistance", "ohm", 1e-3, 1e4, 10},
    [PREDICT_INDUCTANCE_H] = {"phase_inductance_h", "phase_inductance_tolerance_percent", "phase inductance",
                              "H", 1e-6, 100, 20},
    [PREDICT_SUPPLY_V] = {"supply_v", "supply_tolerance_percent", "supply voltage", "V", 0.5, 1000, 2},
    [PREDICT_EFFICIENCY] = {"efficiency", "efficiency_tolerance_percent", "efficiency", "", 0.05, 1, 3},
    [PREDICT_DRIVE_DIAMETER_MM] = {"drive_diameter_mm", "drive_diameter_tolerance_percent", "drive diameter",
                                   "mm", 0.5, 1000, 2},
};

double predict_flux_linkage_wb(const struct predict_motor *motor)
{
    return motor->values[PREDICT_HOLDING_TORQUE_NM] /
           (M_SQRT2 * motor->full_steps_per_rev / 4 * motor->values[PREDICT_RATED_CURRENT_A]);
}

double predict_force_n(const struct predict_motor *motor, const struct predict_drive *drive,
                       const double *factors, double speed_mm_s, double *torque_nm, bool *current_limited)
{
    struct predict_motor m = *motor;
    double diameter_mm = drive->drive_diameter_mm, per_mm = drive->rad_s_per_mm_s, peak_a, holding_nm,
           pull_out_nm, torque;
    for (int i = 0; factors != NULL && i < PREDICT_INPUTS; i++)
        m.values[i] *= factors[i];
    if (factors != NULL)
        diameter_mm *= factors[PREDICT_DRIVE_DIAMETER_MM];
    /* A tolerance may ask for more than there is. */
    m.values[PREDICT_EFFICIENCY] = fmin(1, m.values[PREDICT_EFFICIENCY]);
    const struct formulas_stepper stepper = {.rotor_teeth = m.full_steps_per_rev / 4.0,
                                             .flux_linkage_wb = predict_flux_linkage_wb(&m),
                                             .resistance_ohm = m.values[PREDICT_RESISTANCE_OHM],
                                             .inductance_h = m.values[PREDICT_INDUCTANCE_H],
                                             .supply_v = m.values[PREDICT_SUPPLY_V]};
    if (!(per_mm > 0))
        per_mm = 2 * stepper.rotor_teeth * drive->reduction / diameter_mm;
    peak_a = m.values[PREDICT_SET_CURRENT_A] * (m.current_is_rms ? M_SQRT2 : 1);
    holding_nm = stepper.rotor_teeth * stepper.flux_linkage_wb * peak_a;
    pull_out_nm = formulas_pull_out_torque_nm(&stepper, speed_mm_s * per_mm / (2 * PI * stepper.rotor_teeth));
    torque = fmax(0, fmin(holding_nm, pull_out_nm));
    if (torque_nm != NULL)
        *torque_nm = torque;
    if (current_limited != NULL)
        *current_limited = holding_nm <= pull_out_nm;
    return 2 * drive->reduction * m.values[PREDICT_EFFICIENCY] * torque / (diameter_mm / 1000);
}

struct trial {
    const struct predict_motor *motor;
    const struct predict_drive *drive;
    double speed_mm_s;
};

static bool force_of(const double *inputs, double *outputs, void *context)
{
    const struct trial *t = context;
    outputs[0] = predict_force_n(t->motor, t->drive, inputs, t->speed_mm_s, NULL, NULL);
    return isfinite(outputs[0]);
}

enum err_code predict_at(const struct predict_motor *motor, const struct predict_drive *drive,
                         double speed_mm_s, struct predict_force *force, struct err *e)
{
    struct monte_carlo_input inputs[PREDICT_INPUTS];
    const struct monte_carlo_settings settings = {.seed = SEED, .trials_most = TRIALS};
    struct trial trial = {motor, drive, speed_mm_s};
    struct monte_carlo result;
    enum err_code code;
    for (int i = 0; i < PREDICT_INPUTS; i++)
        inputs[i] = (struct monte_carlo_input){
            .distribution = MONTE_CARLO_RECTANGULAR, .centre = 1, .scale = motor->tolerance_percent[i] / 100};
    if (drive->diameter_relative > 0)
        inputs[PREDICT_DRIVE_DIAMETER_MM] = (struct monte_carlo_input){
            .distribution = MONTE_CARLO_NORMAL, .centre = 1, .scale = drive->diameter_relative};
    force->speed_mm_s = speed_mm_s;
    force->force_n = quantity_absent();
    double value =
        predict_force_n(motor, drive, NULL, speed_mm_s, &force->torque_nm, &force->current_limited);
    code = monte_carlo_run(force_of, &trial, 1, 0, inputs, PREDICT_INPUTS, NULL, &settings, &result, e);
    if (code != ERR_OK)
        return code;
    force->force_n = quantity_from(value, result.sd, INFINITY, 1);
    force->force_n.low_95 = fmin(value, result.low_95);
    force->force_n.high_95 = fmax(value, result.high_95);
    return ERR_OK;
}

/* The force with one input times a factor. */
static double force_with(const struct trial *t, enum predict_input input, double factor)
{
    double factors[PREDICT_INPUTS];
    for (int i = 0; i < PREDICT_INPUTS; i++)
        factors[i] = 1;
    factors[input] = factor;
    return predict_force_n(t->motor, t->drive, factors, t->speed_mm_s, NULL, NULL);
}

/* Half width of the even spread that has this standard deviation: of a measured diameter, too, the spread is
 * so narrow that its shape does not count. */
static double contribution_n(const struct trial *t, enum predict_input input, double relative)
{
    double half = sqrt(3) * relative, mean = 0, squares = 0;
    for (int i = 0; i < SPREAD; i++) {
        double force = force_with(t, input, 1 + half * ((2 * i + 1.0) / SPREAD - 1)), step = force - mean;
        mean += step / (i + 1);
        squares += step * (force - mean);
    }
    return sqrt(squares / SPREAD);
}

enum err_code predict_budget(const struct predict_motor *motor, const struct predict_drive *drive,
                             double speed_mm_s, struct budget *budget, struct err *e)
{
    const struct trial trial = {motor, drive, speed_mm_s};
    enum err_code code = ERR_OK;
    budget_init(budget);
    for (int i = 0; i < PREDICT_INPUTS && code == ERR_OK; i++) {
        bool own = i == PREDICT_DRIVE_DIAMETER_MM && drive->diameter_relative > 0;
        bool measured = own && drive->diameter_degrees > 0;
        double value = i == PREDICT_DRIVE_DIAMETER_MM ? drive->drive_diameter_mm : motor->values[i];
        double relative =
            own ? drive->diameter_relative : budget_rectangular(motor->tolerance_percent[i] / 100);
        struct budget_component c = {.standard_uncertainty = value * relative,
                                     .degrees_of_freedom = measured ? drive->diameter_degrees : INFINITY,
                                     .type = measured ? BUDGET_TYPE_A : BUDGET_TYPE_B,
                                     .operator_estimate = !measured};
        double sign;
        if (!(relative > 0))
            continue;
        sign = force_with(&trial, (enum predict_input)i, 1 + relative) <
                       force_with(&trial, (enum predict_input)i, 1 - relative)
                   ? -1
                   : 1;
        c.sensitivity =
            sign * contribution_n(&trial, (enum predict_input)i, relative) / c.standard_uncertainty;
        snprintf(c.name, sizeof c.name, "%s", PREDICT_INPUT_KINDS[i].label);
        snprintf(c.unit, sizeof c.unit, "%s", PREDICT_INPUT_KINDS[i].unit);
        code = budget_add(budget, &c, e);
    }
    return code;
}
