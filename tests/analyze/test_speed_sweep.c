#include "analyze/speed_sweep.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define RUNS 64

/* Runs of one feeder, put together by hand. */
struct sweep {
    struct run_record records[RUNS];
    struct run_result results[RUNS];
    const struct run_result *pointers[RUNS];
    size_t count;
    struct calibration calibration;
    struct feeder_result feeder;
};
static struct sweep w;

static void begin(void)
{
    quantity_init_numerics();
    memset(&w, 0, sizeof w);
    w.calibration = (struct calibration){.degree = 1,
                                         .coefficients = {0, 4000},
                                         .degrees_of_freedom = INFINITY,
                                         .load_low_n = 0,
                                         .load_high_n = 200};
}

TestSuite(speed_sweep, .init = begin);

/* A run at that speed with that stall force: at_least for a push that met a limit. */
static struct run_push *add(double speed_mm_s, double stall_n, bool at_least, enum limited_by by)
{
    struct run_record *record = &w.records[w.count];
    struct run_result *run = &w.results[w.count];
    *record = (struct run_record){.speed_mm_s = speed_mm_s,
                                  .drive_diameter_mm = 8.3,
                                  .drive_diameter_standard_uncertainty_mm = 0.083,
                                  .reduction = 3,
                                  .full_steps_per_rev = 200,
                                  .microsteps = 16};
    snprintf(record->feeder, sizeof record->feeder, "gear-a");
    run->record = record;
    run->analysed = true;
    run->push.stall_force_n = at_least ? quantity_at_least(stall_n) : quantity_from(stall_n, 0.41, 9, 8);
    run->push.limited_by = by;
    w.pointers[w.count++] = run;
    return &run->push;
}

static void points(void)
{
    /* A bench without estimates: what is left is the scatter of the runs and the calibration. */
    struct push_settings settings = {.estimates = {0}};
    speed_sweep_points(w.pointers, w.count, &w.calibration, &settings, &w.feeder);
}

static void torque(void)
{
    struct push_settings settings = {.estimates = {0}};
    points();
    speed_sweep_torque(w.pointers, w.count, &w.calibration, &settings, &w.feeder);
}

Test(speed_sweep, runs_are_gathered_by_speed_in_rising_order)
{
    add(23.7, 51.2, false, LIMITED_MOTOR);
    add(4.9, 61.3, false, LIMITED_MOTOR);
    add(23.7, 52.8, false, LIMITED_GRIP);
    add(4.9 * (1 + 1e-9), 63.1, false, LIMITED_MOTOR);
    add(4.9, 60.4, false, LIMITED_UNCLEAR);
    points();
    cr_assert_eq(w.feeder.point_count, 2);
    const struct speed_point *p = w.feeder.points;
    cr_expect_float_eq(p[0].speed_mm_s, 4.9, 1e-12);
    cr_expect_float_eq(p[1].speed_mm_s, 23.7, 1e-12);
    cr_expect_eq(p[0].run_count, 3);
    cr_expect_eq(p[1].run_count, 2);
    cr_expect_eq(p[0].limited_count[LIMITED_MOTOR], 2);
    cr_expect_eq(p[0].limited_count[LIMITED_UNCLEAR], 1);
    cr_expect_eq(p[1].limited_count[LIMITED_GRIP], 1);
    cr_expect_float_eq(p[0].stall_force_n.value, (61.3 + 63.1 + 60.4) / 3, 1e-9);
    /* sd 1.37477 over root 3; Student's t with 2 degrees of freedom. */
    cr_expect_float_eq(p[0].stall_force_n.standard_uncertainty, 0.7937254, 1e-6);
    cr_expect_float_eq(p[0].stall_force_n.high_95 - p[0].stall_force_n.value, 4.3026527 * 0.7937254, 1e-5);
    cr_expect_eq(p[0].stall_force_n.n, 3);
    cr_expect_eq(p[0].no_onset_count, 3);
    cr_expect(!p[0].slip_onset_n.present);
}

Test(speed_sweep, what_few_readings_leave_unknown_stays_in_the_mean)
{
    for (int i = 0; i < 3; i++) {
        static const struct run_budget_kind kind = {
            1, {{"peaks between two readings", BUDGET_TYPE_B, false, true}}};
        static const double between_n = 1.27;
        cr_assert_str_eq(kind.part[0].name, PUSH_BUDGET_BETWEEN_NAME);
        add(4.9, 60.4 + 1.35 * i, false, LIMITED_MOTOR)->stall_budget =
            (struct run_budget){&kind, &between_n};
    }
    points();
    cr_expect_float_eq(w.feeder.points[0].stall_force_n.standard_uncertainty, hypot(1.35 / sqrt(3), 1.27),
                       1e-9);
}

Test(speed_sweep, a_bound_is_never_averaged_as_if_it_were_a_value)
{
    add(4.9, 61.3, false, LIMITED_MOTOR);
    add(4.9, 48.7, true, LIMITED_LIMIT);
    add(4.9, 63.1, false, LIMITED_MOTOR);
    points();
    const struct speed_point *p = w.feeder.points;
    cr_expect_eq(p->censored_count, 1);
    cr_expect(p->stall_force_n.present && p->stall_force_n.at_least);
    cr_expect(isnan(p->stall_force_n.low_95) && isnan(p->stall_force_n.standard_uncertainty));
    /* The true mean is at or above the mean with the bound in it. */
    cr_expect(p->stall_force_n.value <= (61.3 + 48.7 + 63.1) / 3 + 1e-9);
    cr_expect(p->torque_nm.at_least);
    cr_expect_float_eq(p->torque_nm.value, p->stall_force_n.value * 8.3 / 2 / 3 / 1000, 1e-9);
}

Test(speed_sweep, one_run_is_told_with_its_own_uncertainty)
{
    add(4.9, 61.3, false, LIMITED_MOTOR)->slip_onset_n = quantity_from(47.9, 1.3, 21, 1);
    points();
    const struct speed_point *p = w.feeder.points;
    cr_expect_float_eq(p->stall_force_n.value, 61.3, 1e-12);
    cr_expect_float_eq(p->stall_force_n.standard_uncertainty, 0.41, 1e-12);
    cr_expect_float_eq(p->slip_onset_n.standard_uncertainty, 1.3, 1e-12);
    cr_expect_eq(p->no_onset_count, 0);
    cr_expect_float_eq(p->torque_nm.value, 61.3 * 8.3 / 2 / 3 / 1000, 1e-9);
    /* The lever is not known better than the diameter: 1 % of the torque beside the force's own. */
    cr_expect_float_eq(p->torque_nm.standard_uncertainty / p->torque_nm.value, hypot(0.41 / 61.3, 0.01),
                       1e-6);
}

Test(speed_sweep, runs_that_could_not_be_analysed_count_for_nothing)
{
    add(4.9, 61.3, false, LIMITED_MOTOR);
    add(4.9, 999, false, LIMITED_MOTOR);
    w.results[1].analysed = false;
    add(23.7, 999, false, LIMITED_MOTOR);
    w.results[2].analysed = false;
    torque();
    cr_assert_eq(w.feeder.point_count, 2);
    cr_expect_eq(w.feeder.points[0].run_count, 1);
    cr_expect_float_eq(w.feeder.points[0].stall_force_n.value, 61.3, 1e-12);
    cr_expect_eq(w.feeder.points[1].run_count, 0);
    cr_expect(!w.feeder.points[1].stall_force_n.present && !w.feeder.points[1].torque_nm.present);
}

Test(speed_sweep, no_runs_make_no_points)
{
    torque();
    cr_expect_eq(w.feeder.point_count, 0);
    cr_expect(!w.feeder.torque_curve.present);
    cr_expect_neq(w.feeder.torque_curve.why_not[0], 0);
}

Test(speed_sweep, the_calibration_is_common_to_all_runs_and_is_added_once)
{
    w.calibration.covariance[1][1] = pow(0.02 * 4000, 2);
    for (int i = 0; i < 25; i++)
        add(4.9, 61.3 + 0.1 * (i % 5), false, LIMITED_MOTOR);
    points();
    const struct quantity *q = &w.feeder.points[0].stall_force_n;
    cr_expect_float_eq(q->standard_uncertainty, 0.02 * 61.5, 0.002, "%g", q->standard_uncertainty);
}

Test(speed_sweep, the_budget_of_torque_is_that_of_the_force_and_the_lever)
{
    static const double stalls[] = {61.3, 63.1, 60.4, 62.7};
    w.calibration.covariance[1][1] = pow(0.02 * 4000, 2);
    for (int i = 0; i < 4; i++)
        add(4.9, stalls[i], false, LIMITED_MOTOR);
    points();
    const struct speed_point *p = w.feeder.points;
    const struct budget *t = &p->torque_budget;
    const struct budget_component *lever = &t->components[t->count - 1];
    double factor = 8.3 / 2 / 3 / 1000;
    cr_assert_eq(t->count, p->stall_budget.count + 1);
    for (size_t i = 0; i + 1 < t->count; i++) {
        cr_expect_str_eq(t->components[i].name, p->stall_budget.components[i].name);
        cr_expect_float_eq(t->components[i].contribution, factor * p->stall_budget.components[i].contribution,
                           1e-12);
    }
    cr_expect_str_eq(lever->name, "drive diameter");
    cr_expect_float_eq(lever->standard_uncertainty, 0.083, 1e-12);
    cr_expect_float_eq(lever->contribution, 0.01 * factor * p->stall_force_n.value, 1e-12);
    cr_expect(lever->operator_estimate && lever->type == BUDGET_TYPE_B && isinf(lever->degrees_of_freedom));
    cr_expect_float_eq(p->torque_nm.standard_uncertainty, budget_standard_uncertainty(t), 1e-15);
    cr_expect_float_eq(p->torque_nm.standard_uncertainty,
                       factor * hypot(p->stall_force_n.standard_uncertainty, 0.01 * p->stall_force_n.value),
                       1e-12);
    /* A measured feed is no estimate of the operator's, and its degrees of freedom count. */
    w.calibration.feed_count = 1;
    w.calibration.feeds[0] = (struct calibration_feed){"gear-a", 0.00272, 0.00004, 7};
    points();
    cr_expect(!lever->operator_estimate && lever->type == BUDGET_TYPE_A && lever->degrees_of_freedom == 7);
    cr_expect_float_eq(lever->contribution / p->torque_nm.value, 0.00004 / 0.00272, 1e-9);
    cr_expect_float_eq(p->torque_nm.degrees_of_freedom, budget_degrees_of_freedom(t), 1e-9);
}

Test(speed_sweep, a_torque_curve_is_refused_with_one_speed)
{
    for (int i = 0; i < 6; i++)
        add(4.9, 61.3 + 0.37 * i, false, LIMITED_MOTOR);
    torque();
    cr_expect(!w.feeder.torque_curve.present);
    cr_expect_str_eq(w.feeder.torque_curve.why_not,
                     "pushed at one speed only: a torque curve takes pushes at several");
}

Test(speed_sweep, a_torque_curve_is_refused_when_the_motor_limited_nothing)
{
    static const double speeds[] = {4.9, 23.7, 61.3};
    for (size_t i = 0; i < 9; i++)
        add(speeds[i % 3], 61.3 + 0.37 * (double)i, i % 2 == 0, i % 2 == 0 ? LIMITED_LIMIT : LIMITED_GRIP);
    torque();
    cr_expect(!w.feeder.torque_curve.present);
    cr_expect_not_null(strstr(w.feeder.torque_curve.why_not, "no push was limited by the motor"));
    cr_expect_eq(w.feeder.torque_curve.censored_count, 9);
}

/* Torque that falls in a straight line: the curve finds it, and grip-limited pushes are lower bounds that do
 * not pull it down. */
Test(speed_sweep, a_falling_torque_is_found_and_grip_is_a_lower_bound)
{
    static const double speeds[] = {3.1, 9.7, 21.3, 33.9, 47.7, 61.3};
    static const double scatter[] = {0.31, -0.22, 0.13, -0.37, 0.19, -0.05, 0.27};
    double factor = 8.3 / 2 / 3 / 1000;
    for (size_t i = 0; i < 24; i++) {
        double v = speeds[i % 6];
        add(v, 97.1 - 0.53 * v + scatter[i % 7], false, LIMITED_MOTOR);
    }
    for (size_t i = 0; i < 4; i++)
        add(3.1, 58.3 + 0.2 * (double)i, false, LIMITED_GRIP);
    torque();
    const struct torque_curve *c = &w.feeder.torque_curve;
    cr_assert(c->present, "%s", c->why_not);
    cr_expect_eq(c->model, TORQUE_DROOP, "%s", TORQUE_MODEL_NAMES[c->model]);
    cr_expect_eq(c->censored_count, 4);
    cr_expect_float_eq(c->speed_mm_s[CURVE_POINTS - 1], 61.3, 1e-9);
    for (size_t i = 10; i < CURVE_POINTS; i += 10) {
        double truth = factor * (97.1 - 0.53 * c->speed_mm_s[i]);
        cr_expect_float_eq(c->torque_nm[i], truth, 0.004 * truth, "%g mm/s: %g, truth %g", c->speed_mm_s[i],
                           c->torque_nm[i], truth);
        cr_expect(c->low_95_nm[i] < truth && truth < c->high_95_nm[i]);
        /* The diameter's 1 % is in the band. */
        cr_expect(c->high_95_nm[i] - c->torque_nm[i] > 1.9 * 0.01 * truth);
    }
    for (int m = 0; m < TORQUE_MODELS; m++)
        cr_expect(isnan(c->aicc[m]) || c->aicc[c->model] <= c->aicc[m]);
}

Test(speed_sweep, pushes_of_unclear_cause_stay_out_of_the_torque_curve)
{
    static const double speeds[] = {3.1, 9.7, 21.3, 33.9, 47.7};
    for (size_t i = 0; i < 15; i++)
        add(speeds[i % 5], 61.3 + 0.41 * (double)((i * 5) % 7), false, LIMITED_MOTOR);
    for (size_t i = 0; i < 5; i++)
        add(speeds[i], 12.3, false, LIMITED_UNCLEAR);
    torque();
    cr_assert(w.feeder.torque_curve.present, "%s", w.feeder.torque_curve.why_not);
    cr_expect_eq(w.feeder.torque_curve.model, TORQUE_CONSTANT);
    cr_expect_float_eq(w.feeder.torque_curve.torque_nm[60], 62.5 * 8.3 / 6000, 0.5 * 8.3 / 6000);
}

Test(speed_sweep, more_speeds_than_there_is_room_for_do_no_harm)
{
    for (size_t i = 0; i < SPEED_POINTS_MAX + 9; i++)
        add(3.1 + (double)i, 61.3, false, LIMITED_MOTOR);
    torque();
    cr_expect_eq(w.feeder.point_count, SPEED_POINTS_MAX);
}

/* Two runs that agree by chance: their mean is not known better than what each of them scatters by itself. */
Test(speed_sweep, runs_that_agree_by_chance_do_not_make_a_mean_too_sure)
{
    struct run_push *first = add(4.7, 58.31, false, LIMITED_MOTOR),
                    *second = add(4.7, 58.33, false, LIMITED_MOTOR);
    const struct run_budget_kind kind = {1, {{"scatter of the stall events", BUDGET_TYPE_A, false, false}}};
    const double numbers[2][2] = {{0.24, 11}, {0.18, 13}};
    first->stall_budget = (struct run_budget){&kind, numbers[0]};
    second->stall_budget = (struct run_budget){&kind, numbers[1]};
    points();
    const struct quantity *mean = &w.feeder.points[0].stall_force_n;
    cr_expect_float_eq(mean->value, 58.32, 1e-9);
    cr_expect_float_eq(mean->standard_uncertainty, sqrt(0.24 * 0.24 + 0.18 * 0.18) / 2, 1e-9);
    cr_expect_float_eq(mean->degrees_of_freedom, 24, 1e-9);
    /* Apart by more than that, the scatter between them decides. */
    first->stall_force_n.value = 57.1;
    w.feeder.point_count = 0;
    points();
    cr_expect_float_eq(w.feeder.points[0].stall_force_n.standard_uncertainty, (58.33 - 57.1) / 2, 1e-9);
}

/* Ten speeds of four pushes each about a pull-out curve that begins at 20 mm/s; the pushes of a speed scatter
 * by 0.1 %. */
static void sweep_of(double peak_readings)
{
    static const double AROUND[] = {0.8, -1.3, 0.2, 1.1, -0.6, -0.9, 1.4, -0.3, 0.5, -1.2, 0.7};
    for (int i = 0; i < 40; i++) {
        double v = 3 + 6.3 * (i % 10), r = fmax(v, 20) / 27, z = sqrt(1 + r * r);
        double force_n = 150 / z - 75 * r / (z * z);
        add(v, force_n * (1 + 0.001 * AROUND[i % 11]), false, LIMITED_MOTOR)->sampling.peak_readings =
            peak_readings;
    }
    torque();
}

Test(speed_sweep, what_pushes_of_one_speed_share_does_not_average_out)
{
    struct motor_parameter_value many[MOTOR_PARAMETERS], few[MOTOR_PARAMETERS];
    sweep_of(200);
    cr_assert(w.feeder.torque_curve.motor.present, "%s", w.feeder.torque_curve.why_not);
    memcpy(many, w.feeder.torque_curve.motor.values, sizeof many);
    begin();
    sweep_of(20);
    memcpy(few, w.feeder.torque_curve.motor.values, sizeof few);
    for (int i = 0; i < MOTOR_PARAMETERS; i++) {
        double ratio = (few[i].q.high_95 - few[i].q.low_95) / (many[i].q.high_95 - many[i].q.low_95);
        cr_expect(many[i].determined, "%d", i);
        cr_expect_float_eq(few[i].q.value, many[i].q.value, 1e-9 * many[i].q.value);
        /* The flat part does not rest on the shape of the falling one. */
        if (i == MOTOR_FLAT_TORQUE_NM)
            cr_expect_float_eq(ratio, 1, 1e-9);
        else
            cr_expect(ratio > 1.15 && ratio < 3, "%d: %.3f", i, ratio);
    }
}
