/* Source of the filament conversion: 10 mm3/s in 1.75 mm filament is 4.1575168808 mm/s. */
#include "analyze/operating_chart.h"

#include "analyze/melt_push.h"
#include "analyze/numerics/formulas.h"
#include "analyze/speed_sweep.h"
#include "tests/datasets/record_state.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RUNS 80
static struct series series[2];
static struct series *list[2] = {&series[0], &series[1]};
static struct run_record records[RUNS];
static struct run_result results[RUNS];
static struct run_quantity quantities[RUNS][MELT_PUSH_QUANTITIES];
static struct feeder_result feeders[2];
static struct session session;

static void begin(void)
{
    quantity_init_numerics();
    memset(series, 0, sizeof series);
    memset(records, 0, sizeof records);
    memset(results, 0, sizeof results);
    memset(feeders, 0, sizeof feeders);
    for (size_t i = 0; i < 2; i++) {
        series[i].calibration = (struct calibration){.degree = 1,
                                                     .coefficients = {0, 4100},
                                                     .degrees_of_freedom = INFINITY,
                                                     .load_low_n = 0,
                                                     .load_high_n = 200,
                                                     .encoder_mm_per_count = 0.0113};
        feeders[i].series = i;
        snprintf(feeders[i].name, sizeof feeders[i].name, "gear-a (series %zu)", i + 1);
    }
    session = (struct session){
        .series = list, .series_count = 1, .runs = results, .feeders = feeders, .feeder_count = 1};
}

static void end(void)
{
    for (size_t k = 0; k < 2; k++) {
        for (size_t i = 0; i < feeders[k].outcome_count; i++)
            outcome_free(&feeders[k].outcomes[i]);
        free(feeders[k].outcomes);
    }
}

TestSuite(operating_chart, .init = begin, .fini = end);

static const double OFF[10] = {0.083, -0.121, 0.047, 0.134, -0.072, -0.038, 0.091, -0.117, 0.062, -0.014};

static struct run_result *add(size_t feeder, enum plan_test_kind test, double speed_mm_s)
{
    size_t i = session.run_count++;
    records[i] = (struct run_record){.number = (int)i + 1,
                                     .test = test,
                                     .speed_mm_s = speed_mm_s,
                                     .block = 1,
                                     .drive_diameter_mm = 8.3,
                                     .drive_diameter_standard_uncertainty_mm = 0.083,
                                     .reduction = 3,
                                     .full_steps_per_rev = 200,
                                     .microsteps = 16};
    snprintf(records[i].feeder, sizeof records[i].feeder, "gear-a");
    record_state(&records[i], CONDITION_FILAMENT_DIAMETER_MM, 1.75);
    results[i].record = &records[i];
    results[i].feeder = feeder;
    results[i].series = feeders[feeder].series;
    results[i].analysed = true;
    return &results[i];
}

static double load_n(double rate)
{
    return 4.37 + 8.18 * pow(rate, 0.563);
}

/* Two melt pushes at each rate up to high, all fed whole. */
static void melt(size_t feeder, double high)
{
    static const double RATES[9] = {1.9, 3.1, 4.7, 6.9, 8.1, 9.3, 11.1, 12.7, 16.3};
    for (size_t i = 0; i < 18; i++) {
        double rate = RATES[i % 9];
        if (rate > high)
            continue;
        struct run_result *run = add(feeder, PLAN_MELT_PUSH, formulas_feed_mm_s(rate, 1.75));
        struct run_record *record = &records[session.run_count - 1];
        record->rate_mm3_s = rate;
        record_state(record, CONDITION_HOT_END_TEMPERATURE_C, 215);
        run->quantity_count = MELT_PUSH_QUANTITIES;
        run->quantities = quantities[session.run_count - 1];
        run->quantities[MELT_PUSH_FORCE].q = quantity_from(load_n(rate) + OFF[i % 10], 0.09, 20, 1);
        run->quantities[MELT_PUSH_COMMANDED_RATE].q = quantity_from(rate, 0.001 * rate, INFINITY, 1);
        run->quantities[MELT_PUSH_LOST_SHARE].q = quantity_from(0, 0.001, INFINITY, 1);
        run->quantities[MELT_PUSH_RATE].q = quantity_from(rate, 0.001 * rate, INFINITY, 1);
    }
}

static void push(size_t feeder, double speed_mm_s, double force_n, enum limited_by by)
{
    struct run_result *run = add(feeder, PLAN_SPEED_SWEEP, speed_mm_s);
    run->push.stall_force_n =
        by == LIMITED_LIMIT ? quantity_at_least(force_n) : quantity_from(force_n, 0.2, 9, 8);
    run->push.limited_by = by;
}

static const double SPEEDS[5] = {0.7, 1.9, 3.1, 5.3, 7.1};

/* Three pushes at each speed, falling by drop per mm/s. */
static void sweep(size_t feeder, double force_n, double drop, enum limited_by by)
{
    for (size_t i = 0; i < 15; i++)
        push(feeder, SPEEDS[i % 5], force_n - drop * SPEEDS[i % 5] + 2 * OFF[i % 10], by);
}

static enum err_code chart(double margin)
{
    const struct run_result *mine[RUNS];
    struct push_settings settings = {.zero_drift_limit_n = 0.5};
    struct err e;
    for (size_t k = 0; k < session.feeder_count; k++) {
        size_t n = 0;
        for (size_t i = 0; i < session.run_count; i++) {
            if (results[i].feeder == k)
                mine[n++] = &results[i];
        }
        speed_sweep_points(mine, n, &series[k].calibration, &settings, &feeders[k]);
        speed_sweep_torque(mine, n, &series[k].calibration, &settings, &feeders[k]);
    }
    return operating_chart_all(&session, margin, &e);
}

static const struct outcome *outcome(size_t feeder)
{
    return feeders[feeder].outcome_count > 0 ? &feeders[feeder].outcomes[feeders[feeder].outcome_count - 1]
                                             : NULL;
}

static const struct quantity *find(const char *key)
{
    const struct outcome_quantity *found = outcome_find(outcome(0), key, "at 215 °C");
    cr_assert_not_null(found, "%s is missing", key);
    return &found->q;
}

static bool says(const char *words)
{
    const struct outcome *o = outcome(0);
    for (size_t i = 0; i < o->sentence_count; i++) {
        if (strstr(o->sentences[i], words) != NULL)
            return true;
    }
    for (size_t i = 0; i < o->warning_count; i++) {
        if (strstr(o->warnings[i], words) != NULL)
            return true;
    }
    return false;
}

/* Rate at which the load is so much. */
static double rate_of(double force_n)
{
    return pow((force_n - 4.37) / 8.18, 1 / 0.563);
}

Test(operating_chart, load_line_meets_the_motor)
{
    melt(0, 17);
    sweep(0, 33.9, 0, LIMITED_MOTOR);
    cr_assert_eq(chart(0.2), ERR_OK);
    cr_assert(outcome(0)->present, "%s", outcome(0)->why_not);
    cr_expect_str_eq(outcome(0)->test, "operating-chart");
    const struct quantity *limit = find("rate_limit_mm3_s"), *safe = find("safe_rate_mm3_s");
    cr_expect(limit->low_95 < rate_of(33.9) && limit->high_95 > rate_of(33.9), "%g to %g, true %g",
              limit->low_95, limit->high_95, rate_of(33.9));
    cr_expect(limit->high_95 - limit->low_95 < 0.6);
    cr_expect(says("the motor gives way first"));
    cr_expect(says("the grip was not reached"));
    /* 20 % more than the load there is below what the motor surely gives. */
    cr_expect(1.2 * load_n(safe->value) < 33.9 && 1.2 * load_n(safe->value) > 33.3, "%g", safe->value);
    cr_expect_float_eq(find("safe_speed_mm_s")->value, safe->value * 0.41575168808, 1e-9);
    const struct outcome_quantity *found = outcome_find(outcome(0), "rate_limit_mm3_s", NULL);
    cr_expect_float_eq(budget_standard_uncertainty(&found->budget), limit->standard_uncertainty, 1e-12);
    cr_expect(found->compared);
    cr_assert_eq(outcome(0)->chart_count, 1);
    cr_expect_eq(outcome(0)->charts[0].mark_count, 1);
    cr_expect_float_eq(outcome(0)->charts[0].marks[0].at_x, safe->value, 1e-12);
}

Test(operating_chart, a_greater_margin_makes_a_lower_safe_rate)
{
    double safe[2];
    melt(0, 17);
    sweep(0, 33.9, 0, LIMITED_MOTOR);
    for (int k = 0; k < 2; k++) {
        end();
        feeders[0].outcomes = NULL;
        feeders[0].outcome_count = 0;
        cr_assert_eq(chart(k == 0 ? 0.1 : 0.5), ERR_OK);
        safe[k] = find("safe_rate_mm3_s")->value;
        cr_expect((k == 0 ? 1.1 : 1.5) * load_n(safe[k]) < 33.9);
    }
    cr_expect(safe[1] < 0.75 * safe[0]);
}

Test(operating_chart, grip_gives_way_first_where_it_is_less)
{
    melt(0, 17);
    sweep(0, 31.3, 0, LIMITED_GRIP);
    cr_assert_eq(chart(0.2), ERR_OK);
    const struct quantity *limit = find("rate_limit_mm3_s");
    cr_expect(limit->low_95 < rate_of(31.3) && limit->high_95 > rate_of(31.3));
    cr_expect(says("the grip gives way first"));
    cr_expect(says("the motor was not reached"));
}

/* The motor falls with speed and crosses below the grip: at the meeting it is the lesser of the two that
 * counts. */
Test(operating_chart, a_limit_that_falls_with_speed)
{
    melt(0, 17);
    for (size_t i = 0; i < 15; i++) {
        double v = SPEEDS[i % 5], motor = 47.3 - 3.1 * v;
        push(0, v, fmin(motor, 39.7) + 2 * OFF[i % 10], motor < 39.7 ? LIMITED_MOTOR : LIMITED_GRIP);
    }
    cr_assert_eq(chart(0.2), ERR_OK);
    cr_assert(outcome(0)->present, "%s", outcome(0)->why_not);
    double low = 2, high = 16;
    for (int i = 0; i < 60; i++) {
        double middle = (low + high) / 2;
        *(47.3 - 3.1 * formulas_feed_mm_s(middle, 1.75) > load_n(middle) ? &low : &high) = middle;
    }
    const struct quantity *limit = find("rate_limit_mm3_s");
    cr_expect(limit->low_95 < low && limit->high_95 > low, "%g to %g, true %g", limit->low_95, limit->high_95,
              low);
    cr_expect(says("the motor gives way first"));
}

Test(operating_chart, lines_that_do_not_meet_give_a_bound_and_no_guess)
{
    melt(0, 13);
    sweep(0, 71.3, 0, LIMITED_MOTOR);
    cr_assert_eq(chart(0.2), ERR_OK);
    const struct quantity *limit = find("rate_limit_mm3_s"), *safe = find("safe_rate_mm3_s");
    cr_expect(limit->at_least && safe->at_least);
    cr_expect_float_eq(limit->value, 12.7, 1e-9);
    cr_expect_float_eq(find("safe_speed_mm_s")->value, 12.7 * 0.41575168808, 1e-9);
    cr_expect(says("that is the fastest melt-push with a settled force"));
}

Test(operating_chart, speeds_that_were_not_pushed_at_end_the_chart_too)
{
    melt(0, 17);
    for (size_t i = 0; i < 12; i++)
        push(0, i % 2 == 0 ? 1.1 : 2.7, 71.3 + 2 * OFF[i % 10], LIMITED_GRIP);
    cr_assert_eq(chart(0.2), ERR_OK);
    const struct quantity *limit = find("rate_limit_mm3_s");
    cr_assert(limit->at_least);
    cr_expect_float_eq(limit->value, 2.7 / 0.41575168808, 1e-6);
    cr_expect(says("that is the fastest speed at which pushes tell"));
}

/* Runs stall at 11.1 mm3/s; the line is carried on to there and no further. */
Test(operating_chart, a_stall_brackets_the_limit)
{
    melt(0, 10);
    sweep(0, 33.9, 0, LIMITED_MOTOR);
    for (int k = 0; k < 2; k++) {
        struct run_result *run = add(0, PLAN_MELT_PUSH, formulas_feed_mm_s(13.1, 1.75));
        *run = results[0];
        run->record = &records[session.run_count - 1];
        records[session.run_count - 1] = records[0];
        records[session.run_count - 1].rate_mm3_s = 13.1;
        run->quantities[MELT_PUSH_FORCE].q = quantity_at_least(33.1);
        run->quantities[MELT_PUSH_COMMANDED_RATE].q = quantity_from(13.1, 0.01, INFINITY, 1);
        run->push.event_count = 11;
    }
    cr_assert_eq(chart(0.2), ERR_OK);
    const struct quantity *limit = find("rate_limit_mm3_s");
    cr_assert(limit->present && !limit->at_least);
    cr_expect(limit->low_95 < rate_of(33.9) && limit->high_95 > rate_of(33.9));
    cr_expect(limit->value > 9.3 && limit->value < 13.1);
    cr_expect(says("the load line is carried on between them"));
}

Test(operating_chart, a_load_that_is_too_much_from_the_first_gives_no_rate)
{
    melt(0, 17);
    sweep(0, 13.1, 0, LIMITED_MOTOR);
    cr_assert_eq(chart(0.2), ERR_OK);
    cr_expect(!find("rate_limit_mm3_s")->present && !find("safe_rate_mm3_s")->present);
    cr_expect(says("the load is more than the feeder can push from the lowest rate on"));
    cr_expect(says("no rate that was tried is safe"));
}

Test(operating_chart, what_is_missing_is_named)
{
    melt(0, 17);
    cr_assert_eq(chart(0.2), ERR_OK);
    cr_assert_not_null(outcome(0));
    cr_expect(!outcome(0)->present);
    cr_expect_str_eq(outcome(0)->why_not,
                     "there are no blocked pushes of this feeder: what it can push is not known");
}

Test(operating_chart, one_speed_is_no_limit_over_rates)
{
    melt(0, 17);
    for (size_t i = 0; i < 6; i++)
        push(0, 3.1, 41.3 + OFF[i], LIMITED_GRIP);
    cr_assert_eq(chart(0.2), ERR_OK);
    cr_expect(!outcome(0)->present);
    cr_expect_str_eq(outcome(0)->why_not, "what the feeder can push is known at one speed only, 3.1 mm/s");
}

Test(operating_chart, without_melt_pushes_there_is_no_chart)
{
    sweep(0, 33.9, 0, LIMITED_MOTOR);
    cr_assert_eq(chart(0.2), ERR_OK);
    cr_expect_eq(feeders[0].outcome_count, 0);
}

/* Pushes in one series, melt pushes of the same feeder in another. */
static void two_series(void)
{
    session.series_count = session.feeder_count = 2;
    for (size_t i = 0; i < 2; i++) {
        feeders[i].conditions.stated[CONDITION_NIP_PRELOAD_N] = true;
        feeders[i].conditions.number[CONDITION_NIP_PRELOAD_N] = 41;
        series[i].plan.tolerance[CONDITION_NIP_PRELOAD_N] = i == 0 ? 5 : 2;
    }
    feeders[1].conditions.stated[CONDITION_HOT_END] = true;
    sweep(0, 33.9, 0, LIMITED_MOTOR);
    melt(1, 17);
}

Test(operating_chart, a_load_line_of_another_series_counts_where_conditions_agree)
{
    two_series();
    cr_assert_eq(chart(0.2), ERR_OK);
    cr_assert_not_null(outcome(0));
    cr_assert(outcome(0)->present, "%s", outcome(0)->why_not);
    cr_expect(says("the load line is that of series 2"));
    cr_expect(find("rate_limit_mm3_s")->low_95 < rate_of(33.9));
    cr_expect_eq(feeders[1].outcome_count, 0);
}

Test(operating_chart, and_not_where_they_do_not)
{
    two_series();
    feeders[1].conditions.number[CONDITION_NIP_PRELOAD_N] = 44;
    cr_assert_eq(chart(0.2), ERR_OK);
    cr_assert_not_null(outcome(0));
    cr_expect(!outcome(0)->present);
    cr_expect(strstr(outcome(0)->why_not,
                     "series 2 has a load line, but its conditions differ: nip preload") != NULL,
              "%s", outcome(0)->why_not);
}
