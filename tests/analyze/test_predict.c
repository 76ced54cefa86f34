/* Source of the pull-out values: two-phase hybrid stepper, Acarnley, Stepping Motors, 4th ed. (chapter from
 * memory; values checked by integrating both phase circuits): p 50, psi 0.008 Wb, R 1.5 ohm, L 2.8 mH, 24 V.
 */
#include "analyze/motor_file.h"
#include "analyze/predict.h"
#include "analyze/predict_cause.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846

static struct predict_motor motor;
static struct predict_drive drive;

static void begin(void)
{
    quantity_init_numerics();
    memset(&motor, 0, sizeof motor);
    motor.full_steps_per_rev = 200;
    motor.values[PREDICT_HOLDING_TORQUE_NM] = sqrt(2.0) * 50 * 0.008 * 1.7; /* psi 0.008 Wb */
    motor.values[PREDICT_RATED_CURRENT_A] = 1.7;
    motor.values[PREDICT_SET_CURRENT_A] = 50; /* never the limit */
    motor.values[PREDICT_RESISTANCE_OHM] = 1.5;
    motor.values[PREDICT_INDUCTANCE_H] = 2.8e-3;
    motor.values[PREDICT_SUPPLY_V] = 24;
    motor.values[PREDICT_EFFICIENCY] = 0.87;
    for (int i = 0; i < PREDICT_INPUTS; i++)
        motor.tolerance_percent[i] = PREDICT_INPUT_KINDS[i].tolerance_percent;
    drive = (struct predict_drive){.reduction = 3.3, .drive_diameter_mm = 8.7};
}

TestSuite(predict, .init = begin);

Test(predict, pull_out_torque_and_push_force_are_those_of_the_published_formula)
{
    static const double turns_s[] = {0.5, 1, 2, 5, 10, 20};
    static const double torque_nm[] = {7.5109471810, 6.5305069909, 4.7226835585,
                                       2.2811758118, 1.1803982331, 0.5955236171};
    cr_expect_float_eq(predict_flux_linkage_wb(&motor), 0.008, 1e-12);
    for (size_t i = 0; i < sizeof turns_s / sizeof turns_s[0]; i++) {
        double torque, speed_mm_s = turns_s[i] / 3.3 * PI * 8.7;
        bool current;
        double force = predict_force_n(&motor, &drive, NULL, speed_mm_s, &torque, &current);
        cr_expect_float_eq(torque, torque_nm[i], 1e-9, "%g turns/s: %.10f", turns_s[i], torque);
        cr_expect_float_eq(force, 2 * 3.3 * 0.87 * torque_nm[i] / 0.0087, 1e-5);
        cr_expect_not(current);
    }
}

Test(predict, a_set_current_limits_at_low_speed_and_rms_means_root_2_times_as_much)
{
    double torque;
    bool current;
    motor.values[PREDICT_SET_CURRENT_A] = 2.3;
    predict_force_n(&motor, &drive, NULL, 1.7, &torque, &current);
    cr_expect(current);
    cr_expect_float_eq(torque, 50 * 0.008 * 2.3, 1e-12, "p psi I: %g", torque);
    motor.current_is_rms = true;
    predict_force_n(&motor, &drive, NULL, 1.7, &torque, &current);
    cr_expect_float_eq(torque, 50 * 0.008 * 2.3 * sqrt(2.0), 1e-12);
}

/* The torque at rest of a motor with both phases at the rated current, turned a little into microsteps. */
Test(predict, at_the_rated_current_as_a_peak_the_torque_is_the_data_sheet_s_over_root_2)
{
    double torque;
    motor.values[PREDICT_SET_CURRENT_A] = 1.7;
    predict_force_n(&motor, &drive, NULL, 0.4, &torque, NULL);
    cr_expect_float_eq(torque, motor.values[PREDICT_HOLDING_TORQUE_NM] / sqrt(2.0), 1e-12);
}

Test(predict, twelve_millimetres_push_two_thirds_of_eight_at_low_speed)
{
    struct predict_drive eight = {.reduction = 1, .drive_diameter_mm = 8},
                         twelve = {.reduction = 1, .drive_diameter_mm = 12};
    motor.values[PREDICT_SET_CURRENT_A] = 1.1;
    cr_expect_float_eq(predict_force_n(&motor, &twelve, NULL, 2.3, NULL, NULL) /
                           predict_force_n(&motor, &eight, NULL, 2.3, NULL, NULL),
                       2.0 / 3, 1e-12);
}

/* Where force is a product, the interval can be worked out: holding torque, set current, efficiency and
 * diameter, each evenly within its half width. */
Test(predict, the_interval_is_what_the_tolerances_leave)
{
    struct predict_force force, again;
    struct err e = {0};
    double relative = sqrt((0.1 * 0.1 + 0.05 * 0.05 + 0.03 * 0.03 + 0.02 * 0.02) / 3);
    motor.values[PREDICT_SET_CURRENT_A] = 1.1;
    cr_assert_eq(predict_at(&motor, &drive, 2.3, &force, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(force.force_n.standard_uncertainty / force.force_n.value, relative, 0.02 * relative);
    cr_expect(force.force_n.high_95 - force.force_n.value < 1.96 * 1.02 * relative * force.force_n.value);
    cr_expect(force.force_n.high_95 - force.force_n.value > 1.6 * relative * force.force_n.value);
    cr_assert_eq(predict_at(&motor, &drive, 2.3, &again, &e), ERR_OK);
    cr_expect_eq(force.force_n.low_95, again.force_n.low_95, "the same numbers every time");
    memset(motor.tolerance_percent, 0, sizeof motor.tolerance_percent);
    cr_assert_eq(predict_at(&motor, &drive, 2.3, &force, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(force.force_n.high_95, force.force_n.value, 1e-9);
}

static const struct budget_component *part(const struct budget *b, enum predict_input input)
{
    for (size_t i = 0; i < b->count; i++) {
        if (strcmp(b->components[i].name, PREDICT_INPUT_KINDS[input].label) == 0)
            return &b->components[i];
    }
    cr_assert(false, "no %s", PREDICT_INPUT_KINDS[input].label);
    return NULL;
}

/* Where the current limits, force is a product: a part of each is its relative standard uncertainty times the
 * force, and what cannot limit brings nothing. */
Test(predict, a_budget_where_the_current_limits_is_that_of_a_product)
{
    static const struct {
        enum predict_input input;
        double half;
    } parts[] = {{PREDICT_HOLDING_TORQUE_NM, 0.1},
                 {PREDICT_SET_CURRENT_A, 0.05},
                 {PREDICT_EFFICIENCY, 0.03},
                 {PREDICT_SUPPLY_V, 0}};
    struct budget b;
    struct predict_force force;
    struct err e = {0};
    double squares = 0;
    motor.values[PREDICT_SET_CURRENT_A] = 1.1;
    drive.diameter_relative = 0.004;
    cr_assert_eq(predict_at(&motor, &drive, 2.3, &force, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(predict_budget(&motor, &drive, 2.3, &b, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(b.count, 7, "all but the rated current, which is exact: %zu", b.count);
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        const struct budget_component *c = part(&b, parts[i].input);
        double u = parts[i].half / sqrt(3) * force.force_n.value;
        cr_expect_float_eq(c->contribution, u, 1e-4 * u + 1e-9, "%s: %g, not %g", c->name, c->contribution,
                           u);
        cr_expect(c->type == BUDGET_TYPE_B && c->operator_estimate && isinf(c->degrees_of_freedom));
    }
    cr_expect_float_eq(part(&b, PREDICT_HOLDING_TORQUE_NM)->standard_uncertainty,
                       0.1 / sqrt(3) * motor.values[PREDICT_HOLDING_TORQUE_NM], 1e-12);
    cr_expect_str_eq(part(&b, PREDICT_HOLDING_TORQUE_NM)->unit, "N m");
    cr_expect_float_eq(part(&b, PREDICT_DRIVE_DIAMETER_MM)->contribution, 0.004 * force.force_n.value,
                       1e-4 * force.force_n.value, "of the drive, not of the file");
    cr_expect_lt(part(&b, PREDICT_DRIVE_DIAMETER_MM)->sensitivity, 0, "a larger gear pushes less");
    cr_expect_gt(part(&b, PREDICT_EFFICIENCY)->sensitivity, 0);
    for (size_t i = 0; i < b.count; i++)
        squares += b.components[i].contribution * b.components[i].contribution;
    cr_expect_float_eq(budget_standard_uncertainty(&b), sqrt(squares), 1e-9);
    cr_expect_float_eq(sqrt(squares), force.force_n.standard_uncertainty,
                       0.01 * force.force_n.standard_uncertainty, "as the trials have it");
}

/* At speed: slopes of the published formula, by hand. */
Test(predict, a_budget_where_the_supply_limits_has_the_slopes_of_the_pull_out_torque)
{
    const double p = 50, psi = 0.008, r = 1.5, l = 2.8e-3, v = 4 / PI * 24, turns_s = 5;
    double w = 2 * PI * p * turns_s, z = hypot(r, w * l), newtons = 2 * 3.3 * 0.87 / 0.0087;
    double by_v = p * psi / z, by_l = p * psi * (-v / pow(z, 3) + 2 * w * psi * r / pow(z, 4)) * w * w * l;
    struct predict_force force;
    struct budget b;
    struct err e = {0};
    /* A rig commands steps: the motor turns at a speed that the diameter does not change. */
    drive.rad_s_per_mm_s = 2 * p * 3.3 / 8.7;
    cr_assert_eq(predict_at(&motor, &drive, turns_s / 3.3 * PI * 8.7, &force, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(predict_budget(&motor, &drive, force.speed_mm_s, &b, &e), ERR_OK, "%s", e.text);
    cr_expect_not(force.current_limited);
    cr_expect_float_eq(part(&b, PREDICT_SUPPLY_V)->contribution, newtons * by_v * v * 0.02 / sqrt(3), 1e-3);
    cr_expect_float_eq(part(&b, PREDICT_SUPPLY_V)->sensitivity, newtons * by_v * 4 / PI, 1e-3);
    cr_expect_float_eq(part(&b, PREDICT_INDUCTANCE_H)->contribution, newtons * fabs(by_l) * l * 0.2 / sqrt(3),
                       0.02 * newtons * fabs(by_l) * l * 0.2, "the formula bends a little over 20 %%");
    cr_expect_lt(part(&b, PREDICT_INDUCTANCE_H)->sensitivity, 0);
    cr_expect_eq(part(&b, PREDICT_SET_CURRENT_A)->contribution, 0);
}

Test(predict, a_measured_drive_diameter_has_its_own_degrees_of_freedom)
{
    struct budget b;
    struct err e = {0};
    drive.diameter_relative = 0.003;
    drive.diameter_degrees = 7;
    cr_assert_eq(predict_budget(&motor, &drive, 4.1, &b, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(part(&b, PREDICT_DRIVE_DIAMETER_MM)->degrees_of_freedom, 7);
    cr_expect_eq(part(&b, PREDICT_DRIVE_DIAMETER_MM)->type, BUDGET_TYPE_A);
    cr_expect_not(part(&b, PREDICT_DRIVE_DIAMETER_MM)->operator_estimate);
    cr_expect_float_eq(part(&b, PREDICT_DRIVE_DIAMETER_MM)->standard_uncertainty, 0.003 * 8.7, 1e-12);
}

/* Where set current and supply limit alike a slope would have it that one of them is all, the other nothing.
 */
Test(predict, a_budget_at_the_corner_has_part_of_both)
{
    double torque;
    struct budget b;
    struct err e = {0};
    predict_force_n(&motor, &drive, NULL, 20, &torque, NULL);
    motor.values[PREDICT_SET_CURRENT_A] = torque / (50 * 0.008);
    cr_assert_eq(predict_budget(&motor, &drive, 20, &b, &e), ERR_OK, "%s", e.text);
    cr_expect_gt(part(&b, PREDICT_SET_CURRENT_A)->contribution, 0);
    cr_expect_gt(part(&b, PREDICT_SUPPLY_V)->contribution, 0);
}

#define SPEEDS 6
static const double SPEED_MM_S[SPEEDS] = {3, 7, 15, 31, 62, 97};

/* What a bench would measure of a motor whose true inputs are the stated ones times these factors. */
static void measure(struct predict_measured *m, enum predict_input input, double factor)
{
    double factors[PREDICT_INPUTS];
    for (int i = 0; i < PREDICT_INPUTS; i++)
        factors[i] = 1;
    factors[input] = factor;
    for (int i = 0; i < SPEEDS; i++) {
        double force = predict_force_n(&motor, &drive, factors, SPEED_MM_S[i], NULL, NULL);
        memset(&m[i], 0, sizeof m[i]);
        m[i].speed_mm_s = SPEED_MM_S[i];
        m[i].force_n = quantity_from(force * (1 + 0.002 * (i % 3 - 1)), 0.004 * force, 9, 5);
    }
}

static void direct_drive(void)
{
    begin();
    drive = (struct predict_drive){.reduction = 1, .drive_diameter_mm = 8.7};
    motor.values[PREDICT_SET_CURRENT_A] = 1.3;
    motor.values[PREDICT_INDUCTANCE_H] = 0.045;
}

Test(predict, an_rms_setting_taken_for_peak_is_found_by_its_pattern)
{
    struct predict_measured m[SPEEDS];
    struct predict_verdict v;
    struct err e = {0};
    direct_drive();
    motor.current_is_rms = true; /* the file says rms; in truth the setting is a peak */
    measure(m, PREDICT_SET_CURRENT_A, 1 / sqrt(2.0));
    cr_assert_eq(predict_judge(&motor, &drive, m, SPEEDS, &v, &e), ERR_OK, "%s", e.text);
    cr_assert_gt(v.differing, 0);
    cr_expect(strstr(v.pattern, "below predicted at low speeds only") != NULL, "%s", v.pattern);
    cr_assert_gt(v.cause_count, 0);
    cr_expect(strstr(v.causes[0].what, "peak value that was taken for rms") != NULL, "%s", v.causes[0].what);
    cr_expect_float_eq(v.causes[0].factor, 1 / sqrt(2.0), 0.01);
    cr_expect(strstr(v.causes[0].measure, "phase current") != NULL);
}

Test(predict, a_sagging_supply_is_found_by_its_pattern)
{
    struct predict_measured m[SPEEDS];
    struct predict_verdict v;
    struct err e = {0};
    direct_drive();
    measure(m, PREDICT_SUPPLY_V, 0.6);
    cr_assert_eq(predict_judge(&motor, &drive, m, SPEEDS, &v, &e), ERR_OK, "%s", e.text);
    cr_assert_gt(v.differing, 0);
    cr_expect(strstr(v.pattern, "below predicted") != NULL && strstr(v.pattern, "alike") == NULL, "%s",
              v.pattern);
    cr_assert_gt(v.cause_count, 0);
    cr_expect(strstr(v.causes[0].what, "supply sags") != NULL, "%s", v.causes[0].what);
    cr_expect_float_eq(v.causes[0].factor, 0.6, 0.02);
    /* A higher inductance does nearly the same; losses do not. */
    for (size_t i = 1; i < v.cause_count; i++) {
        cr_expect_leq(v.causes[i].explained, v.causes[0].explained + 0.01, "%s", v.causes[i].what);
        if (strstr(v.causes[i].what, "losses") != NULL)
            cr_expect_lt(v.causes[i].explained, 0.9, "%g", v.causes[i].explained);
    }
}

Test(predict, losses_are_alike_at_all_speeds)
{
    struct predict_measured m[SPEEDS];
    struct predict_verdict v;
    struct err e = {0};
    direct_drive();
    measure(m, PREDICT_EFFICIENCY, 0.62);
    cr_assert_eq(predict_judge(&motor, &drive, m, SPEEDS, &v, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(v.differing, SPEEDS);
    cr_expect(strstr(v.pattern, "below predicted at all speeds alike, by 38 %") != NULL, "%s", v.pattern);
    cr_assert_gt(v.cause_count, 0);
    cr_expect(strstr(v.causes[0].what, "losses") != NULL, "%s", v.causes[0].what);
}

Test(predict, what_agrees_needs_no_cause_and_a_bound_contradicts_from_below_only)
{
    struct predict_measured m[SPEEDS];
    struct predict_verdict v;
    struct err e = {0};
    direct_drive();
    measure(m, PREDICT_EFFICIENCY, 1.03);
    cr_assert_eq(predict_judge(&motor, &drive, m, SPEEDS, &v, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(v.differing, 0);
    cr_expect_eq(v.cause_count, 0);
    cr_expect_eq(v.pattern[0], 0);
    measure(m, PREDICT_EFFICIENCY, 0.4);
    for (int i = 0; i < SPEEDS; i++)
        m[i].bound = true;
    cr_assert_eq(predict_judge(&motor, &drive, m, SPEEDS, &v, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(v.differing, 0, "grip may give way below the motor");
    cr_expect_eq(v.bounds, SPEEDS);
    m[2].force_n.value *= 4;
    cr_assert_eq(predict_judge(&motor, &drive, m, SPEEDS, &v, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(v.differing, 1, "more than the motor should do");
    cr_expect(m[2].differs);
}

Test(predict, the_difference_has_the_joint_interval_by_which_it_is_judged)
{
    struct predict_measured m[SPEEDS];
    struct predict_verdict v;
    struct err e = {0};
    direct_drive();
    measure(m, PREDICT_EFFICIENCY, 0.85);
    m[4].bound = true;
    cr_assert_eq(predict_judge(&motor, &drive, m, SPEEDS, &v, &e), ERR_OK, "%s", e.text);
    for (int i = 0; i < SPEEDS; i++) {
        const struct quantity *p = &m[i].predicted.force_n, *q = &m[i].force_n, *d = &m[i].difference_n;
        cr_expect_float_eq(d->value, q->value - p->value, 1e-12);
        if (i == 4) {
            cr_expect(d->at_least, "a bound");
            cr_expect_float_eq(d->value - d->low_95, p->high_95 - p->value, 1e-12);
            continue;
        }
        cr_expect_float_eq(d->high_95 - d->value, hypot(q->high_95 - q->value, p->value - p->low_95), 1e-12);
        cr_expect_float_eq(d->value - d->low_95, hypot(q->value - q->low_95, p->high_95 - p->value), 1e-12);
        cr_expect_float_eq(d->standard_uncertainty, hypot(q->standard_uncertainty, p->standard_uncertainty),
                           1e-12);
        cr_expect_eq(m[i].differs, d->low_95 > 0 || d->high_95 < 0, "speed %d", i);
    }
}

/* ---- the motor file ---- */

static const char FILE_TEXT[] = "nipbench_motor: 1\n"
                                "name: a motor\n"
                                "full_steps_per_rev: 400\n"
                                "holding_torque_nm: 0.437\n"
                                "holding_torque_tolerance_percent: 7.5\n"
                                "rated_current_a: 1.68\n"
                                "phase_resistance_ohm: 1.65\n"
                                "phase_inductance_h: 0.0032\n"
                                "set_current_a: 0.9\n"
                                "current_is: rms\n"
                                "supply_v: 23.7\n"
                                "reduction: 2.5\n"
                                "drive_diameter_mm: 8.3\n"
                                "efficiency: 0.91\n"
                                "end: true\n";

static void begin_files(void)
{
    begin();
    scratch_begin();
}

TestSuite(motor_file, .init = begin_files, .fini = scratch_end);

Test(motor_file, every_key_is_read_and_tolerances_have_defaults)
{
    struct err e = {0};
    cr_assert_eq(motor_file_read(scratch_write("m.yaml", FILE_TEXT), &motor, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(motor.name, "a motor");
    cr_expect_eq(motor.full_steps_per_rev, 400);
    cr_expect(motor.current_is_rms);
    cr_expect_float_eq(motor.values[PREDICT_HOLDING_TORQUE_NM], 0.437, 1e-12);
    cr_expect_float_eq(motor.tolerance_percent[PREDICT_HOLDING_TORQUE_NM], 7.5, 1e-12);
    cr_expect_float_eq(motor.tolerance_percent[PREDICT_INDUCTANCE_H], 20, 1e-12);
    cr_expect_float_eq(motor.values[PREDICT_DRIVE_DIAMETER_MM], 8.3, 1e-12);
    cr_expect_float_eq(motor.reduction, 2.5, 1e-12);
}

Test(motor_file, what_is_wrong_is_told_with_its_place)
{
    static const struct {
        const char *legend, *from, *to, *says;
        int line;
    } cases[] = {
        {"unknown key", "name: a motor", "nmae: a motor", "nmae", 2},
        {"no number", "0.437", "much", "much", 4},
        {"out of range", "efficiency: 0.91", "efficiency: 1.2", "efficiency", 14},
        {"current of neither kind", "current_is: rms", "current_is: mean", "neither peak nor rms", 10},
        {"steps", "full_steps_per_rev: 400", "full_steps_per_rev: 201", "multiple of 4", 3},
        {"missing key", "rated_current_a: 1.68\n", "", "rated_current_a", 0},
        {"version", "nipbench_motor: 1", "nipbench_motor: 2", "nipbench_motor", 1},
        {"cut off", "end: true\n", "", "end", 0},
        {"end first", "name: a motor\n", "end: true\n", "end", 0},
        {"tolerance", "percent: 7.5", "percent: 75", "tolerance", 5},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct err e = {0};
        char *text = scratch_replace(FILE_TEXT, cases[i].from, cases[i].to);
        enum err_code code = motor_file_read(scratch_write("m.yaml", text), &motor, &e);
        cr_expect_eq(code, ERR_FILE, "%s", cases[i].legend);
        cr_expect(strstr(e.text, cases[i].says) != NULL, "%s: %s", cases[i].legend, e.text);
        if (cases[i].line > 0)
            cr_expect_eq(e.line, cases[i].line, "%s: line %d", cases[i].legend, (int)e.line);
        free(text);
    }
    struct err e = {0};
    cr_expect_eq(motor_file_read(scratch_path("none.yaml"), &motor, &e), ERR_FILE);
}
