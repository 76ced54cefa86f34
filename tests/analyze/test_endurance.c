#include "analyze/endurance.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define RUNS 64
static struct run_record records[RUNS];
static struct run_result results[RUNS];
static const struct run_result *pointers[RUNS];
static size_t count;
static struct calibration calibration;
static struct push_settings settings;
static struct outcome o;

static void begin(void)
{
    quantity_init_numerics();
    memset(records, 0, sizeof records);
    memset(results, 0, sizeof results);
    count = 0;
    calibration = (struct calibration){.degree = 1,
                                       .coefficients = {0, 4100},
                                       .degrees_of_freedom = INFINITY,
                                       .load_low_n = 0,
                                       .load_high_n = 200};
    settings = (struct push_settings){.zero_drift_limit_n = 0.5};
}

static void end(void)
{
    outcome_free(&o);
}

TestSuite(endurance, .init = begin, .fini = end);

/* Scatter without pattern, mean near 0. */
static const double OFF[16] = {0.31,  -0.52, 0.17,  0.63, -0.28, -0.71, 0.44, -0.13,
                               -0.36, 0.58,  -0.07, 0.22, -0.49, 0.39,  0.11, -0.25};

/* One push of 19 mm; it stalls at the end of its feed. */
static struct run_result *add(double force_n, enum limited_by by, int block, bool cleaned)
{
    struct run_record *record = &records[count];
    struct run_result *run = &results[count];
    *record = (struct run_record){.number = (int)count + 1,
                                  .test = PLAN_ENDURANCE,
                                  .block = block,
                                  .repeat = (int)count + 1,
                                  .cleaned = cleaned,
                                  .speed_mm_s = 3.1,
                                  .drive_diameter_mm = 8.3,
                                  .drive_diameter_standard_uncertainty_mm = 0.0083,
                                  .reduction = 1,
                                  .full_steps_per_rev = 200,
                                  .microsteps = 16};
    snprintf(record->feeder, sizeof record->feeder, "gear-a");
    run->record = record;
    run->analysed = true;
    run->fed_mm = 19;
    run->push.stall_force_n = quantity_from(force_n, 0.2, 9, 8);
    run->push.limited_by = by;
    run->push.event_count = 1;
    run->push.event_feed_mm = 19;
    pointers[count++] = run;
    return run;
}

static enum err_code sum_up(struct err *e)
{
    const struct bench_test_context context = {.calibration = &calibration, .settings = &settings};
    outcome_init(&o, "endurance");
    return endurance_sum_up(pointers, count, &context, &o, e);
}

static bool holds(const char *key, double truth)
{
    const struct outcome_quantity *found = outcome_find(&o, key, "");
    return found != NULL && found->q.present && found->q.low_95 < truth && found->q.high_95 > truth;
}

static bool says(const char *words)
{
    for (size_t i = 0; i < o.sentence_count; i++) {
        if (strstr(o.sentences[i], words) != NULL)
            return true;
    }
    return false;
}

static bool warns(const char *words)
{
    for (size_t i = 0; i < o.warning_count; i++) {
        if (strstr(o.warnings[i], words) != NULL)
            return true;
    }
    return false;
}

/* 83.7 N less 17.3 N for each metre, where the push stalls. */
static double faded_n(size_t pushes_since_clean)
{
    return 83.7 - 17.3 * 0.019 * ((double)pushes_since_clean + 1);
}

Test(endurance, fade_of_one_stretch)
{
    struct err e;
    for (size_t i = 0; i < 16; i++)
        add(faded_n(i) + OFF[i], LIMITED_GRIP, 1, false);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect(holds("grip_fade_n_per_m", 17.3));
    cr_expect(holds("grip_fade_percent_per_m", 100 * 17.3 / 83.7));
    cr_expect(holds("stall_at_start_n", 83.7));
    cr_expect_null(outcome_find(&o, "cleaning_gain_n", NULL));
    cr_expect(says("the grip falls with the metres fed"));
    const struct outcome_quantity *fade = outcome_find(&o, "grip_fade_n_per_m", "");
    cr_expect(fade->compared);
    cr_expect_float_eq(budget_standard_uncertainty(&fade->budget), fade->q.standard_uncertainty, 1e-12);
    cr_expect_eq(o.used_count, 16);
    cr_assert_eq(o.chart_count, 1);
    cr_expect_eq(o.charts[0].groups[0].point_count, 16);
    cr_expect_float_eq(o.charts[0].groups[0].x[2], 0.057, 1e-12);
    cr_expect_eq(o.warning_count, 0);
}

/* With no fade at all the pushes' order is chance. */
Test(endurance, no_fade_is_no_trend)
{
    struct err e;
    for (size_t i = 0; i < 16; i++)
        add(83.7 + OFF[(7 * i + 3) % 16], LIMITED_GRIP, 1, false);
    cr_assert_eq(sum_up(&e), ERR_OK);
    cr_expect(says("no trend of the grip is shown"));
    cr_expect(holds("grip_fade_n_per_m", 0));
}

Test(endurance, cleanings_split_into_stretches_with_a_common_slope)
{
    struct err e;
    for (size_t i = 0; i < 24; i++)
        add(faded_n(i % 8) + OFF[(5 * i + 2) % 16] / 3, LIMITED_GRIP, 1, i > 0 && i % 8 == 0);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect(holds("grip_fade_n_per_m", 17.3));
    /* Each gives back what 8 pushes took. */
    cr_expect(holds("cleaning_gain_n", 17.3 * 0.019 * 8));
    cr_expect(holds("stall_at_start_n", 83.7));
    cr_expect(says("mean over 2 cleanings"));
    cr_expect(says("stretch 2, from a cleaning on (8 pushes, 0.152 to 0.304 m)"));
    cr_assert_eq(o.charts[0].mark_count, 2);
    cr_expect_float_eq(o.charts[0].marks[0].at_x, 0.152, 1e-12);
    cr_expect_eq(o.charts[0].group_count, 3);
}

Test(endurance, a_remounting_is_a_stretch_and_no_cleaning)
{
    struct err e;
    /* The second mounting grips 6 N better; as one stretch the grip would rise. */
    for (size_t i = 0; i < 20; i++)
        add(faded_n(i % 10) + (i >= 10 ? 6 : 0) + OFF[i % 16] / 3, LIMITED_GRIP, i < 10 ? 1 : 2, false);
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect(holds("grip_fade_n_per_m", 17.3));
    cr_expect_null(outcome_find(&o, "cleaning_gain_n", NULL));
    cr_expect_eq(o.charts[0].mark_count, 0);
}

/* What springs back when the motor is cut under load went through the nip too: 81 N over 20 N/mm. */
Test(endurance, spring_back_counts_as_way)
{
    struct err e;
    for (size_t i = 0; i < 16; i++) {
        static struct push_picture picture;
        struct push_picture *p = &picture;
        p->n = 190;
        for (size_t k = 0; k < p->n; k++) {
            p->feed_mm[k] = 0.1 * (double)k;
            p->force_low_n[k] = fmin(81, 20 * fmax(0, p->feed_mm[k] - 1.3)) - 0.4;
            p->force_high_n[k] = p->force_low_n[k] + 0.8;
        }
        add(83.7 + OFF[i], LIMITED_GRIP, 1, false)->push.pressed_mm = endurance_pressed_mm(p);
    }
    cr_assert_eq(sum_up(&e), ERR_OK);
    double way = o.charts[0].groups[0].x[1] - o.charts[0].groups[0].x[0];
    cr_expect_float_eq(way, 0.019 + 81.0 / 20 / 1000, 1e-9);
}

Test(endurance, pushes_limited_by_the_motor_say_that_grip_was_not_reached)
{
    struct err e;
    for (size_t i = 0; i < 12; i++)
        add(61.3 + OFF[i], i < 8 ? LIMITED_MOTOR : LIMITED_GRIP, 1, false);
    cr_assert_eq(sum_up(&e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "8 of 12 pushes were limited by the motor: the grip was not reached") != NULL,
              "%s", e.text);
    cr_expect(strstr(e.text, "60.6 N") != NULL, "%s", e.text);
}

Test(endurance, what_is_no_value_of_the_grip_is_left_out_with_a_sentence)
{
    struct err e;
    for (size_t i = 0; i < 16; i++)
        add(faded_n(i) + OFF[i], LIMITED_GRIP, 1, false);
    add(91, LIMITED_MOTOR, 1, false);
    results[16].push.stall_force_n = quantity_from(91, 0.2, 9, 8);
    add(1, LIMITED_LIMIT, 1, false)->push.stall_force_n = quantity_at_least(50);
    add(52, LIMITED_UNCLEAR, 1, false);
    add(52, LIMITED_GRIP, 1, false)->analysed = false;
    cr_assert_eq(sum_up(&e), ERR_OK, "%s", e.text);
    cr_expect_eq(o.used_count, 16);
    cr_expect(warns("1 of 19 pushes were limited by the motor"));
    cr_expect(warns("1 of 19 pushes met a limit"));
    cr_expect(warns("1 of 19 pushes are left out: it is not clear"));
    cr_expect(warns("1 runs could not be analysed"));
    const struct outcome_group *bounds = &o.charts[0].groups[1];
    cr_assert_eq(bounds->point_count, 3);
    cr_expect(bounds->at_least[0]);
}

Test(endurance, slip_onset_fades_likewise)
{
    struct err e;
    for (size_t i = 0; i < 16; i++)
        add(faded_n(i) + OFF[i], LIMITED_GRIP, 1, false)->push.slip_onset_n =
            quantity_from(0.7 * faded_n(i) + OFF[(3 * i + 1) % 16], 0.5, 9, 8);
    cr_assert_eq(sum_up(&e), ERR_OK);
    cr_expect(holds("onset_fade_n_per_m", 0.7 * 17.3));
}

/* A gain that is not known scales the fade in newtons, and leaves that in per cent. */
Test(endurance, gain_is_in_newtons_and_not_in_percent)
{
    struct err e;
    double n[2], percent[2];
    for (size_t i = 0; i < 16; i++)
        add(faded_n(i) + OFF[i] / 5, LIMITED_GRIP, 1, false);
    for (int k = 0; k < 2; k++) {
        calibration.covariance[1][1] = k == 0 ? 0 : pow(0.05 * 4100, 2);
        outcome_free(&o);
        cr_assert_eq(sum_up(&e), ERR_OK);
        n[k] = outcome_find(&o, "grip_fade_n_per_m", "")->q.standard_uncertainty;
        percent[k] = outcome_find(&o, "grip_fade_percent_per_m", "")->q.standard_uncertainty;
    }
    double fade = outcome_find(&o, "grip_fade_n_per_m", "")->q.value;
    cr_expect_float_eq(sqrt(n[1] * n[1] - n[0] * n[0]), 0.05 * fade, 0.01);
    cr_expect_float_eq(percent[1], percent[0], 1e-12);
}

Test(endurance, three_pushes_are_too_few)
{
    struct err e;
    for (size_t i = 0; i < 3; i++)
        add(faded_n(i), LIMITED_GRIP, 1, false);
    cr_assert_eq(sum_up(&e), ERR_NO_ANSWER);
    add(faded_n(3), LIMITED_GRIP, 1, false);
    outcome_free(&o);
    cr_assert_eq(sum_up(&e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "too few for a slope") != NULL, "%s", e.text);
}
