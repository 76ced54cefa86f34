#include "analyze/preload_sweep.h"

#include "rig/model/model.h"
#include "tests/datasets/record_state.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define RUNS 64

static const double LADDER[] = {27.3, 41.9, 56.1, 71.7, 86.2, 99.8, 113.4};
#define LOADS 7

static struct run_record records[RUNS];
static struct run_result results[RUNS];
static const struct run_result *runs[RUNS];
static size_t count;
static struct calibration calibration;
static struct push_settings settings;
static struct outcome outcome;
static struct err e;
static struct model_random random_numbers;

static void begin(void)
{
    quantity_init_numerics();
    memset(records, 0, sizeof records);
    memset(results, 0, sizeof results);
    memset(&outcome, 0, sizeof outcome);
    memset(&e, 0, sizeof e);
    count = 0;
    calibration = (struct calibration){.degree = 1,
                                       .coefficients = {0, 4000},
                                       .degrees_of_freedom = INFINITY,
                                       .load_low_n = 0,
                                       .load_high_n = 200};
    calibration.covariance[1][1] = pow(0.002 * 4000, 2);
    settings = push_budget_settings(NULL);
    random_numbers.state = 4711;
}

static void end(void)
{
    outcome_free(&outcome);
}

TestSuite(preload_sweep, .init = begin, .fini = end);

static struct run_push *add(double preload_n, double speed_mm_s, double stall_n, enum limited_by by)
{
    struct run_record *record = &records[count];
    struct run_result *run = &results[count];
    *record = (struct run_record){.number = (int)count + 1,
                                  .test = PLAN_PRELOAD_SWEEP,
                                  .speed_mm_s = speed_mm_s,
                                  .drive_diameter_mm = 8.3};
    record_state(record, CONDITION_NIP_PRELOAD_N, preload_n);
    run->record = record;
    run->analysed = true;
    run->push.limited_by = by;
    run->push.stall_force_n = by == LIMITED_LIMIT ? quantity_at_least(stall_n)
                                                  : quantity_from(stall_n, 0.3 + 0.001 * stall_n, 7, 5);
    runs[count++] = run;
    return &run->push;
}

static void ladder(int blocks, double speed_mm_s, double mu, double saturated_n, double motor_n)
{
    for (int i = 0; i < blocks * LOADS; i++) {
        double grip = fmin(mu * LADDER[i % LOADS], saturated_n);
        double motor = motor_n * (1 + 0.006 * model_random_normal(&random_numbers));
        grip *= 1 + 0.011 * model_random_normal(&random_numbers);
        add(LADDER[i % LOADS], speed_mm_s, fmin(grip, motor), grip < motor ? LIMITED_GRIP : LIMITED_MOTOR);
    }
}

static enum err_code sum_up(void)
{
    const struct bench_test_context context = {.calibration = &calibration, .settings = &settings};
    outcome_init(&outcome, "preload-sweep");
    return preload_sweep_sum_up(runs, count, &context, &outcome, &e);
}

static void holds(const char *key, const char *setting, double truth)
{
    const struct outcome_quantity *q = outcome_find(&outcome, key, setting);
    cr_assert_not_null(q, "%s", key);
    cr_expect(q->q.present && !q->q.at_least, "%s", key);
    cr_expect(fabs(q->q.value - truth) < 3 * q->q.standard_uncertainty, "%s: %g +- %g, truth %g", key,
              q->q.value, q->q.standard_uncertainty, truth);
    cr_expect_float_eq(budget_standard_uncertainty(&q->budget), q->q.standard_uncertainty,
                       1e-9 * q->q.standard_uncertainty, "%s: the budget is not that of the value", key);
}

static bool said(const char *words)
{
    for (size_t i = 0; i < outcome.sentence_count; i++) {
        if (strstr(outcome.sentences[i], words) != NULL)
            return true;
    }
    for (size_t i = 0; i < outcome.warning_count; i++) {
        if (strstr(outcome.warnings[i], words) != NULL)
            return true;
    }
    return false;
}

Test(preload_sweep, motor_limits_past_the_best_preload)
{
    ladder(3, 5.3, 1.137, INFINITY, 84.3);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    holds("grip_coefficient", "", 1.137);
    holds("top_force_n", "", 84.3);
    holds("best_preload_n", "", 84.3 / 1.137);
    cr_expect(said("the motor limits, at 84"));
    /* The finding comes first, with its interval. */
    cr_expect(strstr(outcome.sentences[0], "the grip holds 1.1") == outcome.sentences[0] &&
                  strstr(outcome.sentences[0], " to 1.1") != NULL &&
                  strstr(outcome.sentences[0], ") the motor limits, at 84") != NULL,
              "%s", outcome.sentences[0]);
    cr_expect_null(outcome_find(&outcome, "grip_intercept_n", NULL));
    /* The cell's error scales both: only the fit is in the budget of their ratio. */
    cr_expect_eq(outcome_find(&outcome, "best_preload_n", "")->budget.count, 1);
    cr_assert_eq(outcome.chart_count, 1);
    cr_expect_eq(outcome.charts[0].groups[0].point_count, 21);
    cr_expect_eq(outcome.charts[0].mark_count, 1);
    cr_expect_eq(outcome.used_count, 21);
}

Test(preload_sweep, scatter_between_mountings_widens_what_the_fit_holds_for_known)
{
    static const double mounting[] = {0.957, 1.013, 1.031};
    ladder(3, 5.3, 1.137, INFINITY, 190);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    const struct outcome_quantity *q = outcome_find(&outcome, "grip_coefficient", "");
    double known = q->q.standard_uncertainty;
    cr_expect(said("made on one mounting"));
    outcome_free(&outcome);
    for (size_t i = 0; i < count; i++) {
        records[i].block = (int)(i / LOADS) + 1;
        results[i].push.stall_force_n =
            quantity_from(results[i].push.stall_force_n.value * mounting[i / LOADS], 0.4, 7, 5);
    }
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    cr_expect(!said("made on one mounting"));
    q = outcome_find(&outcome, "grip_coefficient", "");
    holds("grip_coefficient", "", 1.137);
    cr_assert(q->budget.count > 1);
    cr_expect_str_eq(q->budget.components[0].name, "scatter between mountings");
    cr_expect_eq(q->budget.components[0].degrees_of_freedom, 2);
    /* The three factors have a standard deviation of 0.0387 and the pushes add 0.011 over the root of 7;
     * the mean of three is known to that over the root of 3. */
    cr_expect_float_eq(q->budget.components[0].contribution, 1.137 * 0.0387 / sqrt(3),
                       0.2 * 1.137 * 0.0387 / sqrt(3));
    cr_expect(q->q.standard_uncertainty > 2 * known);
    /* It cannot be told from the scatter of the pushes, so nothing is added. */
    outcome_free(&outcome);
    for (size_t i = 0; i < count; i++)
        records[i].block = (int)(i % LOADS) % 3 + 1;
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    cr_expect_str_neq(outcome_find(&outcome, "grip_coefficient", "")->budget.components[0].name,
                      "scatter between mountings");
}

Test(preload_sweep, grip_that_no_longer_rises_is_told_from_a_motor)
{
    ladder(3, 5.3, 0.953, 74.9, 190);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    holds("top_force_n", "", 74.9);
    holds("best_preload_n", "", 74.9 / 0.953);
    cr_expect(said("the grip no longer rises"));
}

Test(preload_sweep, grip_without_a_top_bounds_the_best_preload)
{
    ladder(3, 5.3, 0.953, INFINITY, 190);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    const struct outcome_quantity *best = outcome_find(&outcome, "best_preload_n", "");
    cr_expect(best->q.present && best->q.at_least);
    cr_expect_float_eq(best->q.value, 113.4, 1e-9);
    cr_expect(outcome_find(&outcome, "top_force_n", "")->q.at_least);
    cr_expect(said("still rises at the greatest preload of 113.4 N"));
}

Test(preload_sweep, motor_alone_gives_no_coefficient_and_says_so)
{
    ladder(3, 5.3, 4.9, INFINITY, 84.3);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    cr_expect(!outcome_find(&outcome, "grip_coefficient", "")->q.present);
    cr_expect(!outcome_find(&outcome, "best_preload_n", "")->q.present);
    holds("top_force_n", "", 84.3);
    cr_expect(said("no grip coefficient: 21 pushes were limited by the motor and 0 by the grip"));
}

Test(preload_sweep, unclear_pushes_far_from_the_knee_count_and_others_do_not)
{
    ladder(3, 5.3, 1.137, INFINITY, 84.3);
    results[0].push.limited_by = LIMITED_UNCLEAR; /* 27.3 N: grip for certain */
    results[3].push.limited_by = LIMITED_UNCLEAR; /* 71.7 N: at the knee */
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    cr_expect(said("1 pushes are left out: what limited them is not clear"));
    holds("grip_coefficient", "", 1.137);
}

Test(preload_sweep, pushes_that_are_all_unclear_still_show_where_the_force_stops_rising)
{
    ladder(3, 5.3, 1.137, INFINITY, 84.3);
    for (size_t i = 0; i < count; i++)
        results[i].push.limited_by = LIMITED_UNCLEAR;
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    cr_expect(said("not clear in any of them"));
    cr_expect(said("the stall force no longer rises"));
    holds("best_preload_n", "", 84.3 / 1.137);
}

Test(preload_sweep, speeds_are_answered_apart)
{
    ladder(3, 5.3, 1.137, INFINITY, 84.3);
    ladder(3, 2.1, 1.241, INFINITY, 97.7);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    holds("grip_coefficient", "at 5.3 mm/s", 1.137);
    holds("grip_coefficient", "at 2.1 mm/s", 1.241);
    cr_expect_eq(outcome.charts[0].group_count, 2);
}

Test(preload_sweep, feed_before_contact_shows_a_dent)
{
    ladder(3, 5.3, 1.137, INFINITY, 84.3);
    for (size_t i = 0; i < count; i++) {
        double ratio = 1.0021 - (i % LOADS >= 5 ? 0.0113 : 0) + 0.0007 * model_random_normal(&random_numbers);
        results[i].push.approach_feed_ratio = quantity_from(ratio, 0.001, 50, 100);
    }
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    cr_expect(said("past about 86.2 N of preload the filament is dented"));
    cr_expect(said("is 0.09") || said("is 0.1 mm") || said("is 0.08"), "%s", outcome.warnings[0]);
}

Test(preload_sweep, bad_series_are_told_in_one_line)
{
    for (int i = 0; i < 5; i++)
        add(41.9, 5.3, 47.1 + 0.3 * i, LIMITED_GRIP);
    cr_expect_eq(sum_up(), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "one preload only") != NULL, "%s", e.text);
    outcome_free(&outcome);
    count = 0;
    for (int i = 0; i < 6; i++)
        add(LADDER[i], 5.3, 33.1, LIMITED_LIMIT);
    cr_expect_eq(sum_up(), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "6 ended before they stalled") != NULL, "%s", e.text);
    outcome_free(&outcome);
    for (size_t i = 0; i < count; i++) {
        results[i].analysed = false;
        results[i].why_not = "no contact";
    }
    cr_expect_eq(sum_up(), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "no contact") != NULL, "%s", e.text);
}

/* At one speed a motor gives way at one force: a push that tore at 31 N and was taken for the motor's would
 * pull the level down and the best preload with it. */
Test(preload_sweep, push_far_below_the_others_is_not_the_motors)
{
    ladder(3, 5, 0.83, 1000, 61.3);
    add(41.9, 5, 31.2, LIMITED_MOTOR);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    cr_expect_float_eq(outcome_find(&outcome, "top_force_n", "")->q.value, 61.3, 0.6);
    cr_expect_float_eq(outcome_find(&outcome, "best_preload_n", "")->q.value, 61.3 / 0.83, 1.2);
}
