#include "analyze/loaded_feed.h"

#include "tests/analyze/kept_run.h"
#include "tests/sim/simulate.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define RUNS 48

static struct model_parameters p;
static struct calibration calibration;
static struct push_settings settings;
static struct run_record records[RUNS];
static struct run_result results[RUNS];
static const struct run_result *runs[RUNS];
static size_t count;
static struct outcome outcome;
static struct err e;

static void begin(void)
{
    quantity_init_numerics();
    p = model_default();
    p.fixture.end = MODEL_END_BRAKE;
    p.fixture.brake_repeat = 0.005;
    p.spread.refit = 0;
    p.nip.grip_coefficient = 0.8; /* 80 N less 3 % of grip at the default preload: below the motor's 85 N */
    p.nip.wear_per_m = 0;
    p.sensor.encoder = true;
    calibration = simulate_exact_calibration(&p);
    settings = push_budget_settings(NULL);
    count = 0;
    memset(&outcome, 0, sizeof outcome);
    memset(&e, 0, sizeof e);
}

static void forget_runs(void)
{
    for (size_t i = 0; i < count; i++) {
        run_result_free(&results[i]);
        run_record_free(&records[i]);
    }
    count = 0;
}

static void end(void)
{
    forget_runs();
    outcome_free(&outcome);
}

TestSuite(loaded_feed, .init = begin, .fini = end);

static enum err_code feed(double preload_n, double load_n, double travel_mm)
{
    struct model_state state = {0};
    struct run_columns columns;
    struct simulated_push push = {.speed_mm_s = 8.7,
                                  .travel_mm = travel_mm,
                                  .acceleration_mm_s2 = 200,
                                  .sample_rate_hz = 500,
                                  .rest_s = 0.5,
                                  .preload_n = preload_n,
                                  .test = PLAN_LOADED_FEED};
    struct run_result *run = &results[count];
    static struct run_finding found;
    enum err_code code;
    p.fixture.brake_n = load_n;
    model_mount(&p, &state, 911 + count);
    cr_assert(simulate_push(&p, &state, &push, &columns, &records[count], NULL));
    records[count].number = (int)count + 1;
    memset(&found, 0, sizeof found);
    code = loaded_feed_analyse(&columns, &records[count], &calibration, &settings, &found, &e);
    kept_run(run, &records[count], &found, code, e.text);
    run_columns_free(&columns);
    runs[count++] = run;
    return code;
}

static enum err_code sum_up(void)
{
    const struct bench_test_context context = {.calibration = &calibration, .settings = &settings};
    outcome_init(&outcome, "loaded-feed");
    return loaded_feed_sum_up(runs, count, &context, &outcome, &e);
}

static const struct quantity *get(const struct run_result *run, const char *key)
{
    for (size_t i = 0; i < run->quantity_count; i++) {
        if (strcmp(run->quantities[i].key, key) == 0)
            return &run->quantities[i].q;
    }
    static const struct quantity none;
    cr_expect(false, "no %s", key);
    return &none;
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

Test(loaded_feed, steady_run_gives_force_and_lost_share)
{
    cr_assert_eq(feed(0, 37.3, 41.9), ERR_OK, "%s", e.text);
    struct model_truth truth = model_truth_nominal(&p, 0, 8.7);
    const struct quantity *force = get(runs[0], "feed_force_n"), *share = get(runs[0], "lost_share");
    cr_expect_float_eq(force->value, 37.3, 3 * 0.005 * 37.3);
    cr_expect(force->standard_uncertainty > 0 && force->standard_uncertainty < 0.5);
    cr_expect_float_eq(share->value, truth.creep_per_n * force->value, 1e-4);
    cr_expect_float_eq(get(runs[0], "brake_load_n")->value, 37.3, 1e-9);
    cr_expect(!get(runs[0], "stall_force_n")->present);
}

Test(loaded_feed, brake_beyond_the_grip_stops_the_feed)
{
    cr_assert_eq(feed(0, 97.1, 41.9), ERR_OK, "%s", e.text);
    struct model_truth truth = model_truth_nominal(&p, 0, 8.7);
    const struct quantity *stall = get(runs[0], "stall_force_n");
    cr_expect(!get(runs[0], "feed_force_n")->present);
    cr_expect_float_eq(stall->value, truth.grip_limit_n, 0.035 * truth.grip_limit_n);
    cr_expect_eq(runs[0]->push.limited_by, LIMITED_GRIP);
    cr_expect(get(runs[0], "lost_share")->value > 0.98);
}

Test(loaded_feed, motor_that_loses_step_stops_the_feed_too)
{
    p.motor.holding_torque_nm *= 0.5;
    cr_assert_eq(feed(0, 97.1, 41.9), ERR_OK, "%s", e.text);
    struct model_truth truth = model_truth_nominal(&p, 0, 8.7);
    cr_expect_float_eq(get(runs[0], "stall_force_n")->value, truth.motor_limit_n, 0.03 * truth.motor_limit_n);
    cr_expect_eq(runs[0]->push.limited_by, LIMITED_MOTOR);
}

Test(loaded_feed, ladder_of_loads_gives_creep_onset_and_greatest_force)
{
    static const double loads[] = {9.3, 21.7, 33.1, 44.9, 58.7, 64.1, 70.3, 93.7};
    struct model_truth truth = model_truth_nominal(&p, 0, 8.7);
    for (int i = 0; i < 24; i++)
        cr_assert_eq(feed(0, loads[i % 8], 41.9), ERR_OK, "%s", e.text);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    holds("creep_per_n", "", truth.creep_per_n);
    holds("slip_onset_n", "", truth.slip_onset_n);
    holds("greatest_feed_force_n", "", truth.grip_limit_n);
    holds("effective_feed_ratio", "", 1);
    cr_expect_eq(outcome.used_count, 24);
    cr_expect(strstr(outcome.sentences[0], "% of the feed is lost per 10 N (creep 0.000") != NULL &&
                  strstr(outcome.sentences[0], "; gross slip begins at ") != NULL &&
                  strstr(outcome.sentences[0], "; feed stops at ") != NULL,
              "%s", outcome.sentences[0]);
    cr_expect(said("3 runs stopped feeding: 0 by the motor, 3 by the grip"));
    cr_assert_eq(outcome.chart_count, 1);
    cr_expect_eq(outcome.charts[0].group_count, 1);
    cr_expect_eq(outcome.charts[0].groups[0].point_count, 24);
    cr_expect_eq(outcome.charts[0].mark_count, 1);
    cr_expect(outcome.charts[0].groups[0].curve_low[40] < outcome.charts[0].groups[0].curve_y[40]);
}

Test(loaded_feed, scatter_between_mountings_is_in_onset_and_greatest_force)
{
    static const double loads[] = {9.3, 21.7, 33.1, 44.9, 58.7, 64.1, 70.3, 93.7};
    static const double mounting[] = {0.957, 1.013, 1.031};
    struct model_truth truth = model_truth_nominal(&p, 0, 8.7);
    for (int i = 0; i < 24; i++) {
        p.nip.grip_coefficient = 0.8 * mounting[i / 8];
        cr_assert_eq(feed(0, loads[i % 8], 41.9), ERR_OK, "%s", e.text);
        records[i].block = i / 8 + 1;
    }
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    cr_expect(!said("made on one mounting"));
    holds("slip_onset_n", "", truth.slip_onset_n);
    holds("greatest_feed_force_n", "", truth.grip_limit_n);
    const struct outcome_quantity *greatest = outcome_find(&outcome, "greatest_feed_force_n", "");
    cr_assert(greatest->budget.count > 1);
    cr_expect_str_eq(greatest->budget.components[0].name, "scatter between mountings");
    /* The factors have a standard deviation of 0.0387; the runs of a block add theirs. */
    cr_expect(greatest->q.standard_uncertainty > 0.8 * truth.grip_limit_n * 0.0387 / sqrt(3));
    cr_expect(greatest->q.standard_uncertainty < 1.4 * truth.grip_limit_n * 0.0387 / sqrt(3));
}

Test(loaded_feed, loads_below_the_onset_bound_the_greatest_force)
{
    static const double loads[] = {9.3, 21.7, 33.1, 44.9};
    for (int i = 0; i < 8; i++)
        cr_assert_eq(feed(0, loads[i % 4], 41.9), ERR_OK, "%s", e.text);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    const struct outcome_quantity *greatest = outcome_find(&outcome, "greatest_feed_force_n", "");
    cr_expect(greatest->q.at_least && greatest->q.value > 43 && greatest->q.value < 46);
    cr_expect(!outcome_find(&outcome, "slip_onset_n", "")->q.present);
    cr_expect(said("no onset of gross slip"));
    cr_expect(said("no load stopped the feed"));
}

/* Nominal diameter 1 % too large: no creep, but feed that is missing from the first newton on. */
Test(loaded_feed, wrong_diameter_shows_as_feed_ratio_and_not_as_creep)
{
    static const double loads[] = {9.3, 21.7, 33.1, 44.9};
    struct model_truth truth = model_truth_nominal(&p, 0, 8.7);
    snprintf(calibration.feeds[0].feeder, sizeof calibration.feeds[0].feeder, "%s", p.name);
    calibration.feeds[0].mm_per_microstep = 1.01 * model_feed_per_microstep_mm(&p, p.nip.preload_n);
    calibration.feed_count = 1;
    for (int i = 0; i < 8; i++)
        cr_assert_eq(feed(0, loads[i % 4], 41.9), ERR_OK, "%s", e.text);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    holds("creep_per_n", "", truth.creep_per_n);
    holds("effective_feed_ratio", "", 1 / 1.01);
}

Test(loaded_feed, creep_falls_to_a_floor_with_preload_and_dents_are_warned_of)
{
    p.nip.grip_coefficient = 1.4;
    p.nip.dent_preload_n = 120;
    p.nip.dent_mm_per_n = 0.002;
    p.nip.creep_preload_n = 31;
    for (int i = 0; i < 6; i++) {
        static const double loads[] = {6.7, 13.9, 19.3, 26.1};
        for (int k = 0; k < 8; k++)
            cr_assert_eq(feed(37.3 + 22.9 * i, loads[k % 4], 41.9), ERR_OK, "%s", e.text);
    }
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    holds("creep_floor_per_n", "", p.nip.creep_floor_per_n);
    holds("creep_floor_preload_n", "", 31 * log(0.0015 / (0.1 * 0.0004)));
    holds("creep_per_n", "at 83.1 N of preload", 0.0004 + 0.0015 * exp(-83.1 / 31));
    cr_expect(said("past about 106 N of preload the filament is dented"));
    cr_expect_eq(outcome.chart_count, 2);
    cr_expect_eq(outcome.charts[1].groups[0].point_count, 6);
}

Test(loaded_feed, two_preloads_are_told_apart_or_not)
{
    static const double loads[] = {6.7, 13.9, 19.3, 26.1};
    for (int i = 0; i < 16; i++)
        cr_assert_eq(feed(i < 8 ? 47.3 : 93.9, loads[i % 4], 41.9), ERR_OK, "%s", e.text);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    cr_expect(said("creep is lower at 93.9 N of preload than at 47.3 N"));
    cr_expect_null(outcome_find(&outcome, "creep_floor_per_n", NULL));
}

Test(loaded_feed, without_an_encoder_there_is_no_answer)
{
    p.sensor.encoder = false;
    cr_expect_eq(feed(0, 37.3, 41.9), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "needs an encoder") != NULL, "%s", e.text);
    cr_expect_eq(sum_up(), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "needs an encoder") != NULL, "%s", e.text);
}

Test(loaded_feed, travel_too_short_for_the_load_is_told)
{
    cr_expect_eq(feed(0, 79.1, 2.9), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "travel is too short") != NULL || strstr(e.text, "no steady part") != NULL, "%s",
              e.text);
}

Test(loaded_feed, one_load_only_and_all_stopped_are_told)
{
    for (int i = 0; i < 3; i++)
        cr_assert_eq(feed(0, 37.3, 41.9), ERR_OK, "%s", e.text);
    cr_expect_eq(sum_up(), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "one load only") != NULL, "%s", e.text);
    outcome_free(&outcome);
    forget_runs();
    for (int i = 0; i < 3; i++)
        cr_assert_eq(feed(0, 91.7 + 7.3 * i, 41.9), ERR_OK, "%s", e.text);
    cr_assert_eq(sum_up(), ERR_OK, "%s", e.text);
    holds("greatest_feed_force_n", "", model_truth_nominal(&p, 0, 8.7).grip_limit_n);
    cr_expect(!outcome_find(&outcome, "creep_per_n", "")->q.present);
    cr_expect(said("all loads are too high"));
}
