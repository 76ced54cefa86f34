/* Runs of a speed sweep put together by hand; torque, speeds and scatter typed here. */
#include "analyze/bench_test.h"
#include "analyze/speed_sweep.h"
#include "analyze/sweep_outcome.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define RUNS 80
#define PI   3.14159265358979323846

static struct sweep {
    struct run_record records[RUNS];
    struct run_result results[RUNS];
    const struct run_result *pointers[RUNS];
    size_t count;
    struct calibration calibration;
    struct feeder_result feeder;
    struct outcome outcome;
    struct push_settings settings;
} w;

static void begin(void)
{
    quantity_init_numerics();
    memset(&w, 0, sizeof w);
    w.calibration = (struct calibration){
        .degree = 1, .coefficients = {0, 4000}, .degrees_of_freedom = INFINITY, .load_high_n = 400};
    w.feeder.conditions.stated[CONDITION_SUPPLY_VOLTAGE_V] = true;
    w.feeder.conditions.number[CONDITION_SUPPLY_VOLTAGE_V] = 23.7;
}

static void end(void)
{
    outcome_free(&w.outcome);
}

TestSuite(sweep_outcome, .init = begin, .fini = end);

static void add(double speed_mm_s, double stall_n, enum limited_by by)
{
    struct run_record *record = &w.records[w.count];
    struct run_result *run = &w.results[w.count];
    *record = (struct run_record){.test = PLAN_SPEED_SWEEP,
                                  .number = (int)w.count + 1,
                                  .speed_mm_s = speed_mm_s,
                                  .drive_diameter_mm = 8.3,
                                  .drive_diameter_standard_uncertainty_mm = 0.05,
                                  .reduction = 1,
                                  .full_steps_per_rev = 200,
                                  .microsteps = 16};
    run->record = record;
    run->analysed = true;
    run->push.stall_force_n = quantity_from(stall_n, 0.41, 9, 8);
    run->push.limited_by = by;
    run->push.sampling.peak_readings = 200;
    w.pointers[w.count++] = run;
}

/* p 50, V 4 / pi of 23.7 V; losses none: F = 2 T / D. */
static const double PSI = 0.011, R_OHM = 9.3, L_H = 0.0121, HOLDING = 1.52;

static double force_n(double speed_mm_s)
{
    double e = 2 * 50 * speed_mm_s / 8.3, z2 = R_OHM * R_OHM + e * e * L_H * L_H, v = 4 * 23.7 / PI;
    double torque = fmin(HOLDING, 50 * PSI * (v / sqrt(z2) - PSI * e * R_OHM / z2));
    return 2000 * torque / 8.3;
}

static void sweep(double relative)
{
    static const double speeds[] = {4, 13, 21, 34, 47, 59, 71, 88, 103, 121};
    static const double scatter[] = {-1.3, 0.2, 1.1, -0.5, 0.5}, other[] = {0.9, -0.8, -1.2, 0.3, 0.8};
    for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++) {
        for (size_t k = 0; k < 5; k++)
            add(speeds[i], force_n(speeds[i]) * (1 + relative * (i % 2 ? scatter : other)[k]), LIMITED_MOTOR);
    }
}

static enum err_code sum_up(struct err *e)
{
    struct bench_test_context context = {
        .calibration = &w.calibration, .settings = &w.settings, .feeder = &w.feeder};
    speed_sweep_points(w.pointers, w.count, &w.calibration, &w.settings, &w.feeder);
    speed_sweep_torque(w.pointers, w.count, &w.calibration, &w.settings, &w.feeder);
    return bench_test_sum_up(PLAN_SPEED_SWEEP, w.pointers, w.count, &context, &w.outcome, e);
}

static bool says(const char *part)
{
    for (size_t i = 0; i < w.outcome.sentence_count; i++) {
        if (strstr(w.outcome.sentences[i], part) != NULL)
            return true;
    }
    return false;
}

/* Each quantity's budget must come to its standard uncertainty. */
static void check_budgets(void)
{
    for (size_t i = 0; i < w.outcome.quantity_count; i++) {
        const struct outcome_quantity *q = &w.outcome.quantities[i];
        if (q->q.present)
            cr_expect_float_eq(budget_standard_uncertainty(&q->budget) / q->q.standard_uncertainty, 1, 1e-9,
                               "%s", q->key);
    }
}

static void holds(const char *key, double truth)
{
    const struct outcome_quantity *q = outcome_find(&w.outcome, key, "");
    cr_assert_not_null(q, "%s", key);
    cr_assert(q->q.present, "%s is absent", key);
    cr_expect(q->q.low_95 <= truth && truth <= q->q.high_95, "%s: %g, %g to %g, truth %g", key, q->q.value,
              q->q.low_95, q->q.high_95, truth);
}

Test(sweep_outcome, a_precise_sweep_tells_the_motor)
{
    struct err e = {0};
    sweep(0.0001);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    holds("flat_torque_nm", HOLDING);
    holds("flux_linkage_wb", PSI);
    holds("resistance_ohm", R_OHM);
    holds("inductance_h", L_H);
    holds("electrical_time_constant_s", L_H / R_OHM);
    holds("high_speed_torque_speed", 50 * PSI * 4 * 23.7 / PI / L_H);
    cr_expect(outcome_find(&w.outcome, "corner_speed_mm_s", "")->q.present);
    cr_expect(outcome_find(&w.outcome, "flat_torque_nm", "")->compared);
    cr_expect(outcome_find(&w.outcome, "corner_speed_mm_s", "")->compared);
    cr_expect(says("without losses"));
    cr_expect(says("losses of the reduction are counted as the motor's"));
    check_budgets();
}

/* The 95 % interval alone would tell it here; it is told only where far more than that lies within the
 * factor. */
Test(sweep_outcome, what_is_just_told_is_not_yet_sure)
{
    struct err e = {0};
    sweep(0.0003);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect(!outcome_find(&w.outcome, "flux_linkage_wb", "")->q.present);
    cr_expect(outcome_find(&w.outcome, "corner_speed_mm_s", "")->q.present);
}

Test(sweep_outcome, a_coarse_sweep_says_that_the_motor_cannot_be_told_apart)
{
    struct err e = {0};
    sweep(0.02);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect(!outcome_find(&w.outcome, "flux_linkage_wb", "")->q.present);
    cr_expect(!outcome_find(&w.outcome, "resistance_ohm", "")->q.present);
    cr_expect(says("cannot be told apart from these speeds (only "));
    cr_expect(says("the corner lies"));
    check_budgets();
}

Test(sweep_outcome, without_a_supply_voltage_the_motor_is_not_worked_out)
{
    struct err e = {0};
    w.feeder.conditions.stated[CONDITION_SUPPLY_VOLTAGE_V] = false;
    sweep(0.0012);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect(!outcome_find(&w.outcome, "flux_linkage_wb", "")->q.present);
    cr_expect(outcome_find(&w.outcome, "electrical_time_constant_s", "")->q.present);
    cr_expect(says("the supply voltage is not stated"));
}

Test(sweep_outcome, one_speed_is_no_sweep)
{
    struct err e = {0};
    for (int i = 0; i < 5; i++)
        add(13, 61.3 + 0.7 * i, LIMITED_MOTOR);
    cr_expect_eq(sum_up(&e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "pushed at one speed only") != NULL, "%s", e.text);
}

Test(sweep_outcome, bounds_alone_are_no_answer)
{
    struct err e = {0};
    for (int i = 0; i < 12; i++)
        add(5 + 7 * (i % 4), 61.3 + 0.7 * i, LIMITED_GRIP);
    cr_expect_eq(sum_up(&e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "all 12 are lower bounds") != NULL, "%s", e.text);
}

Test(sweep_outcome, a_motor_that_does_not_fall_has_no_corner)
{
    struct err e = {0};
    static const double scatter[] = {-1.3, 0.2, 1.1, -0.5, 0.5};
    for (int i = 0; i < 20; i++)
        add(5 + 11 * (i % 4), 61.3 + 0.4 * scatter[i % 5] * (i % 2 ? 1 : -1), LIMITED_MOTOR);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect(!outcome_find(&w.outcome, "corner_speed_mm_s", "")->q.present);
    holds("flat_torque_nm", 61.3 * 8.3 / 2000);
    cr_expect(says("no fall of the torque is shown"));
    check_budgets();
}
