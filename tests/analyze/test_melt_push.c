#include "analyze/melt_line.h"
#include "analyze/melt_push.h"
#include "tests/datasets/record_state.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* One run as raw columns: 1.2 s of rest, feed at 2.9 mm/s into a hot end, 1.2 s of rest. */
#define RATE_HZ 200
#define REST    240
#define MOVING  1500
#define ROWS    (2 * REST + MOVING)
static const double PER_MICROSTEP_MM = 0.0079, PER_COUNT_MM = 0.0113, SPEED_MM_S = 2.9;

static struct raw {
    int64_t time_us[ROWS];
    int32_t force[ROWS], steps[ROWS], encoder[ROWS];
    uint8_t flags[ROWS];
    struct run_columns columns;
    struct run_record record;
    struct calibration calibration;
    struct push_settings settings;
    struct run_finding run;
} w;

static double noise(void)
{
    static uint64_t state = 88172645463325252u;
    double sum = 0;
    for (int i = 0; i < 12; i++) {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        sum += (double)(state >> 11) / 9007199254740992.0;
    }
    return sum - 6;
}

static void begin(void)
{
    quantity_init_numerics();
    memset(&w, 0, sizeof w);
    w.calibration = (struct calibration){.degree = 1,
                                         .coefficients = {0, 4100},
                                         .degrees_of_freedom = INFINITY,
                                         .load_low_n = 0,
                                         .load_high_n = 150,
                                         .encoder_mm_per_count = PER_COUNT_MM};
    w.settings.zero_drift_limit_n = 0.5;
    w.record = (struct run_record){.test = PLAN_MELT_PUSH,
                                   .number = 7,
                                   .speed_mm_s = SPEED_MM_S,
                                   .drive_diameter_mm = PER_MICROSTEP_MM * 3200 / 3.14159265358979323846,
                                   .drive_diameter_standard_uncertainty_mm = 0.08,
                                   .reduction = 1,
                                   .full_steps_per_rev = 200,
                                   .microsteps = 16,
                                   .push_start_us = REST * 1000000LL / RATE_HZ,
                                   .push_end_us = (REST + MOVING - 1) * 1000000LL / RATE_HZ};
    record_state(&w.record, CONDITION_FILAMENT_DIAMETER_MM, 1.75);
    record_state(&w.record, CONDITION_HOT_END_TEMPERATURE_C, 215);
    snprintf(w.record.feeder, sizeof w.record.feeder, "gear-a");
}

static void end(void)
{
    free(w.run.trace.x);
    free(w.run.trace.y);
}

TestSuite(melt_push, .init = begin, .fini = end);

/* The force creeps up to level_n with that constant; saw_mm above 0: a drop of a third of it every so many
 * mm. */
static enum err_code analyse(double level_n, double constant_mm, double lost_share, double saw_mm,
                             bool encoder, size_t moving, struct err *e)
{
    size_t n = 2 * REST + moving;
    for (size_t i = 0; i < n; i++) {
        double t = i < REST            ? 0
                   : i < REST + moving ? (double)(i - REST) / RATE_HZ
                                       : (double)(moving - 1) / RATE_HZ;
        double feed = SPEED_MM_S * t, force = 0;
        if (i >= REST && i < REST + moving)
            force = level_n * (1 - exp(-feed / constant_mm));
        if (saw_mm > 0 && force > 0.5 * level_n)
            force -= level_n / 3 * (1 - fmod(feed, saw_mm) / saw_mm);
        w.time_us[i] = (int64_t)i * 1000000 / RATE_HZ;
        w.force[i] = (int32_t)lround(4100 * (force + 0.17 * noise())) + 812;
        w.steps[i] = (int32_t)lround(feed / PER_MICROSTEP_MM);
        w.encoder[i] = (int32_t)lround(feed * (1 - lost_share) / PER_COUNT_MM);
    }
    w.columns = (struct run_columns){.n = n,
                                     .time_us = w.time_us,
                                     .force_counts = w.force,
                                     .commanded_steps = w.steps,
                                     .encoder_counts = encoder ? w.encoder : NULL,
                                     .flags = w.flags};
    w.record.push_end_us = (int64_t)(REST + moving - 1) * 1000000 / RATE_HZ;
    return melt_push_analyse(&w.columns, &w.record, &w.calibration, &w.settings, &w.run, e);
}

static const struct quantity *q(enum melt_push_quantity k)
{
    return &w.run.quantities[k].q;
}

Test(melt_push, steady_force_and_measured_rate_of_one_run)
{
    struct err e;
    cr_assert_eq(analyse(31.7, 0.83, 0.021, 0, true, MOVING, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(w.run.quantity_count, MELT_PUSH_QUANTITIES);
    cr_assert(q(MELT_PUSH_FORCE)->present && !q(MELT_PUSH_FORCE)->at_least);
    cr_expect(q(MELT_PUSH_FORCE)->low_95 < 31.7 && q(MELT_PUSH_FORCE)->high_95 > 31.6, "%g to %g",
              q(MELT_PUSH_FORCE)->low_95, q(MELT_PUSH_FORCE)->high_95);
    cr_expect(q(MELT_PUSH_FORCE)->standard_uncertainty < 0.05, "%g",
              q(MELT_PUSH_FORCE)->standard_uncertainty);
    double area = 2.405281875;
    cr_expect(fabs(q(MELT_PUSH_COMMANDED_RATE)->value - area * SPEED_MM_S) < 0.01);
    cr_expect(fabs(q(MELT_PUSH_LOST_SHARE)->value - 0.021) < 0.0015, "%g", q(MELT_PUSH_LOST_SHARE)->value);
    cr_expect(fabs(q(MELT_PUSH_RATE)->value - area * SPEED_MM_S * 0.979) < 0.015);
    cr_expect(fabs(q(MELT_PUSH_SETTLING)->value - 0.83) < 0.1);
    cr_expect_eq(w.run.push.flag_count, 0, "%s", w.run.push.flags[0]);
    cr_expect(w.run.trace.n > 100 && w.run.push.picture.n > 100);
}

Test(melt_push, without_an_encoder_the_rate_that_came_through_is_absent)
{
    struct err e;
    cr_assert_eq(analyse(31.7, 0.83, 0.021, 0, false, MOVING, &e), ERR_OK);
    cr_expect(q(MELT_PUSH_COMMANDED_RATE)->present);
    cr_expect(!q(MELT_PUSH_RATE)->present && !q(MELT_PUSH_LOST_SHARE)->present);
}

Test(melt_push, a_run_too_short_to_settle_is_a_bound_and_says_so)
{
    struct err e;
    /* 3.6 mm of feed against a constant of 2.4 mm. */
    cr_assert_eq(analyse(31.7, 2.4, 0.021, 0, true, 250, &e), ERR_OK, "%s", e.text);
    cr_assert(q(MELT_PUSH_FORCE)->present && q(MELT_PUSH_FORCE)->at_least);
    cr_expect(q(MELT_PUSH_FORCE)->value < 31.7 * (1 - exp(-3.6 / 2.4)) && q(MELT_PUSH_FORCE)->value > 20);
    cr_assert_eq(w.run.push.flag_count, 1);
    cr_expect(strstr(w.run.push.flags[0], "too short") != NULL, "%s", w.run.push.flags[0]);
}

Test(melt_push, a_stall_makes_the_load_a_bound)
{
    struct err e;
    cr_assert_eq(analyse(31.7, 0.83, 0.41, 1.26, true, MOVING, &e), ERR_OK, "%s", e.text);
    cr_assert(q(MELT_PUSH_FORCE)->at_least);
    cr_expect(q(MELT_PUSH_FORCE)->value > 28 && q(MELT_PUSH_FORCE)->value < 31.8, "%g",
              q(MELT_PUSH_FORCE)->value);
    cr_expect(w.run.push.event_count > 5);
    cr_expect(strstr(w.run.push.flags[0], "stalled") != NULL, "%s", w.run.push.flags[0]);
}

Test(melt_push, feed_that_is_nearly_all_lost_is_a_stall_without_drops)
{
    struct err e;
    cr_assert_eq(analyse(31.7, 0.83, 0.97, 0, true, MOVING, &e), ERR_OK, "%s", e.text);
    cr_expect(q(MELT_PUSH_FORCE)->at_least);
    cr_expect(strstr(w.run.push.flags[0], "97 % of the feed is lost") != NULL, "%s", w.run.push.flags[0]);
}

Test(melt_push, a_diameter_that_is_not_stated_is_named)
{
    struct err e;
    record_unstate(&w.record, CONDITION_FILAMENT_DIAMETER_MM);
    cr_assert_eq(analyse(31.7, 0.83, 0.021, 0, true, MOVING, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "diameter") != NULL, "%s", e.text);
}

/* Runs put together by hand. */
#define RUNS 40
static struct run_record records[RUNS];
static struct run_result results[RUNS];
static struct run_quantity quantities[RUNS][MELT_PUSH_QUANTITIES];
static const struct run_result *pointers[RUNS];
static size_t count;
static struct outcome o;

static const double OFF[10] = {0.083, -0.121, 0.047, 0.134, -0.072, -0.038, 0.091, -0.117, 0.062, -0.014};

static struct run_result *add(double temperature_c, double rate, double force, bool encoder)
{
    struct run_record *record = &records[count];
    struct run_result *run = &results[count];
    *record = w.record;
    record->number = (int)count + 1;
    record->rate_mm3_s = rate;
    record_put(record, CONDITION_HOT_END_TEMPERATURE_C, temperature_c > 0, temperature_c);
    memset(run, 0, sizeof *run);
    memset(quantities[count], 0, sizeof quantities[count]);
    run->record = record;
    run->analysed = true;
    run->quantities = quantities[count];
    run->quantity_count = MELT_PUSH_QUANTITIES;
    run->quantities[MELT_PUSH_FORCE].q = quantity_from(force, 0.09, 20, 1);
    run->quantities[MELT_PUSH_COMMANDED_RATE].q = quantity_from(rate, 0.01 * rate, INFINITY, 1);
    if (encoder) {
        double lost = 0.0007 * force;
        run->quantities[MELT_PUSH_LOST_SHARE].q = quantity_from(lost, 0.001, INFINITY, 1);
        run->quantities[MELT_PUSH_RATE].q = quantity_from(rate * (1 - lost), 0.001 * rate, INFINITY, 1);
    }
    pointers[count++] = run;
    return run;
}

static const double RATES[7] = {1.9, 3.1, 4.7, 6.9, 9.3, 12.7, 16.3};

static double line_n(double rate, double temperature_c)
{
    return 4.37 + 6.18 * exp(-0.011 * (temperature_c - 215)) * pow(rate, 0.463);
}

/* Two runs at each rate, on the line at what came through. */
static void ladder(double temperature_c, bool encoder)
{
    for (size_t i = 0; i < 14; i++) {
        double rate = RATES[i % 7], through = rate;
        for (int k = 0; k < 20; k++)
            through = rate * (1 - 0.0007 * line_n(through, temperature_c));
        add(temperature_c, rate, line_n(through, temperature_c) + OFF[i % 10], encoder);
    }
}

static enum err_code sum_up(struct err *e)
{
    const struct bench_test_context context = {.calibration = &w.calibration, .settings = &w.settings};
    outcome_init(&o, "melt-push");
    return melt_push_sum_up(pointers, count, &context, &o, e);
}

static bool holds(const char *key, const char *setting, double truth)
{
    const struct outcome_quantity *found = outcome_find(&o, key, setting);
    return found != NULL && found->q.present && found->q.low_95 < truth && found->q.high_95 > truth;
}

Test(melt_push, one_line_for_each_temperature)
{
    struct err e;
    ladder(235, true);
    ladder(215, true);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect_eq(o.used_count, 28);
    cr_expect(holds("f0_n", "at 215 °C", 4.37));
    cr_expect(holds("coefficient", "at 215 °C", 6.18));
    cr_expect(holds("exponent", "at 215 °C", 0.463));
    cr_expect(holds("coefficient", "at 235 °C", 6.18 * exp(-0.22)));
    cr_expect(holds("force_at_rate_n", "at 215 °C, 6.9 mm³/s", line_n(6.9, 215)));
    cr_expect(holds("force_at_rate_n", "at 235 °C, 6.9 mm³/s", line_n(6.9, 235)));
    const struct outcome_quantity *force = outcome_find(&o, "force_at_rate_n", NULL);
    cr_expect(force->compared);
    cr_expect_float_eq(budget_standard_uncertainty(&force->budget), force->q.standard_uncertainty, 1e-12);
    const struct outcome_quantity *k = outcome_find(&o, "coefficient", NULL);
    cr_expect_float_eq(budget_standard_uncertainty(&k->budget), k->q.standard_uncertainty, 1e-12);
    cr_expect_str_eq(k->unit, "N (mm3/s)^-n");
    cr_assert_eq(o.chart_count, 1);
    cr_expect_eq(o.charts[0].group_count, 2);
    cr_expect_str_eq(o.charts[0].groups[0].name, "215 °C");
    cr_expect_eq(o.charts[0].groups[0].point_count, 14);
    outcome_free(&o);
}

/* An error of the load cell's gain moves all forces together, however many runs there are. */
Test(melt_push, a_gain_that_is_not_known_is_in_forces_and_not_in_the_exponent)
{
    struct err e;
    double before[3] = {0}, after[3] = {0};
    const char *const keys[3] = {"force_at_rate_n", "coefficient", "exponent"};
    ladder(215, true);
    for (int k = 0; k < 2; k++) {
        w.calibration.covariance[1][1] = k == 0 ? 0 : pow(0.02 * 4100, 2);
        cr_assert_eq(sum_up(&e), ERR_OK);
        for (int i = 0; i < 3; i++)
            (k == 0 ? before : after)[i] = outcome_find(&o, keys[i], NULL)->q.standard_uncertainty;
        outcome_free(&o);
    }
    cr_expect_float_eq(sqrt(after[0] * after[0] - before[0] * before[0]), 0.02 * line_n(6.9, 215), 0.01);
    cr_expect_float_eq(sqrt(after[1] * after[1] - before[1] * before[1]), 0.02 * 6.18, 0.01);
    cr_expect_float_eq(after[2], before[2], 1e-12);
}

Test(melt_push, without_an_encoder_creep_is_assumed_and_said)
{
    struct err e;
    ladder(215, false);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect(holds("force_at_rate_n", NULL, line_n(6.9, 215)));
    cr_assert_eq(o.warning_count, 1);
    cr_expect(strstr(o.warnings[0], "assumption") != NULL, "%s", o.warnings[0]);
    const struct outcome_quantity *force = outcome_find(&o, "force_at_rate_n", NULL);
    bool there = false;
    for (size_t i = 0; i < force->budget.count; i++)
        there = there || strcmp(force->budget.components[i].name, "creep of the feed, assumed") == 0;
    cr_expect(there);
    outcome_free(&o);
}

Test(melt_push, creep_of_a_loaded_feed_test_is_taken_where_there_is_one)
{
    struct err e;
    static struct feeder_result feeder;
    static struct outcome loaded;
    const struct bench_test_context context = {
        .calibration = &w.calibration, .settings = &w.settings, .feeder = &feeder};
    const struct quantity creep = quantity_from(0.0007, 0.00002, 9, 5);
    struct melt_line lines[MELT_LINES_MAX];
    size_t without, beyond;
    ladder(215, false);
    outcome_init(&loaded, "loaded-feed");
    loaded.present = true;
    cr_assert_eq(outcome_add(&loaded, "creep_per_n", "", "creep", "1/N", &creep, NULL, true, &e), ERR_OK);
    feeder.outcomes = &loaded;
    feeder.outcome_count = 1;
    cr_assert_eq(melt_line_find(pointers, count, &context, lines, &without, &beyond), 1);
    cr_expect(lines[0].present && !lines[0].creep_assumed);
    cr_expect_float_eq(lines[0].creep_per_n, 0.0007, 1e-12);
    cr_expect_float_eq(lines[0].creep_uncertainty_per_n, 0.00002, 1e-12);
    double scatter, more;
    cr_expect_float_eq(melt_line_force_n(&lines[0], 6.9, &scatter, &more), line_n(6.9, 215), 3 * 0.05);
    outcome_free(&loaded);
}

Test(melt_push, a_temperature_that_is_never_stated_gives_no_line_in_one_sentence)
{
    struct err e;
    ladder(0, true);
    cr_assert_eq(sum_up(&e), ERR_NO_ANSWER);
    cr_expect_str_eq(e.text,
                     "the hot end's temperature is not stated in any of the 14 runs: no load line is given");
    outcome_free(&o);
}

Test(melt_push, one_run_without_temperature_is_left_out_with_a_warning)
{
    struct err e;
    ladder(215, true);
    add(0, 4.7, 97.3, true);
    cr_assert_eq(sum_up(&e), ERR_OK);
    cr_expect_eq(o.used_count, 14);
    cr_assert_eq(o.warning_count, 1);
    cr_expect(strstr(o.warnings[0], "1 run is left out") != NULL, "%s", o.warnings[0]);
    outcome_free(&o);
}

Test(melt_push, bounds_are_drawn_and_not_fitted)
{
    struct err e;
    ladder(215, true);
    struct run_result *run = add(215, 21.7, 1, true);
    run->quantities[MELT_PUSH_FORCE].q = quantity_at_least(27.3);
    run->push.event_count = 9;
    cr_assert_eq(sum_up(&e), ERR_OK);
    cr_expect_eq(o.used_count, 14);
    const struct outcome_group *g = &o.charts[0].groups[0];
    cr_assert_eq(g->point_count, 15);
    cr_expect(g->at_least[14] && !g->at_least[13]);
    cr_expect_float_eq(g->x[14], 21.7, 1e-12);
    cr_expect(o.warning_count == 1 && strstr(o.warnings[0], "stalled") != NULL, "%s", o.warnings[0]);
    outcome_free(&o);
}

static void stall(struct run_result *run)
{
    run->quantities[MELT_PUSH_FORCE].q = quantity_at_least(run->quantities[MELT_PUSH_FORCE].q.value);
    run->push.event_count = 1;
}

static bool warns(const char *words)
{
    for (size_t i = 0; i < o.warning_count; i++) {
        if (strstr(o.warnings[i], words) != NULL)
            return true;
    }
    return false;
}

/* The load rises with the rate: what stalls at the slowest rate and nowhere else is not the load's doing. */
Test(melt_push, one_stall_below_rates_that_went_leaves_out_that_run_alone)
{
    struct err e;
    ladder(215, true);
    stall(&results[0]);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect_eq(o.used_count, 13, "%zu", o.used_count);
    cr_expect(warns("a run stalled at 1.9 mm"));
    cr_expect(warns("and repeat it"));
    outcome_free(&o);
}

/* With one faster rate only that went it may be the load yet: the survivors at both are left out. */
Test(melt_push, a_stall_next_to_the_fastest_rate_is_the_load_s)
{
    struct err e;
    ladder(215, true);
    stall(&results[5]);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect_eq(o.used_count, 10, "%zu", o.used_count);
    cr_expect(warns("3 settled runs are left out"));
    cr_expect_not(warns("went: not the load"));
    outcome_free(&o);
}

Test(melt_push, three_rates_give_no_line_but_a_reason)
{
    struct err e;
    for (size_t i = 0; i < 9; i++)
        add(215, RATES[i % 3], line_n(RATES[i % 3], 215) + OFF[i], true);
    cr_assert_eq(sum_up(&e), ERR_NO_ANSWER);
    cr_expect_str_eq(e.text,
                     "no load line: at 215 °C settled forces at 3 different rates only: a load line takes 4");
    outcome_free(&o);
}
