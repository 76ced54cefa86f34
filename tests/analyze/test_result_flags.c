#include "analyze/result_flags.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RUNS 6

/* A feeder of two speeds, three runs each, on a calibration of 2026-03-02 that reaches from 10 to 95 N. */
struct bench {
    struct session session;
    struct series series;
    struct series *series_pointer;
    struct feeder_result feeders[2];
    struct run_result runs[RUNS];
    struct run_record records[RUNS];
    const struct run_result *pointers[RUNS];
    struct comparison comparisons[2];
};
static struct bench *b;

static void begin(void)
{
    quantity_init_numerics();
    b = calloc(1, sizeof *b);
    cr_assert_not_null(b);
    b->series.calibration = (struct calibration){.degree = 1, .load_low_n = 10, .load_high_n = 95};
    snprintf(b->series.calibration.date, sizeof b->series.calibration.date, "2026-03-02");
    b->series.plan.calibration_max_age_days = 30;
    for (size_t i = 0; i < RUNS; i++) {
        b->records[i].speed_mm_s = i < 3 ? 4.7 : 21.3;
        snprintf(b->records[i].start_time, sizeof b->records[i].start_time, "2026-03-%02zuT10:00:00Z",
                 i + 11);
        b->runs[i] = (struct run_result){.record = &b->records[i], .analysed = true};
        b->runs[i].push.stall_force_n = quantity_from(83.6, 0.4, 9, 8);
        b->pointers[i] = &b->runs[i];
    }
    b->feeders[0].point_count = 2;
    b->feeders[0].points[0].speed_mm_s = 4.7;
    b->feeders[0].points[1].speed_mm_s = 21.3;
    b->feeders[0].torque_curve.present = true;
    snprintf(b->feeders[0].name, sizeof b->feeders[0].name, "gear-a");
    b->feeders[1] = b->feeders[0];
    snprintf(b->feeders[1].name, sizeof b->feeders[1].name, "gear-b");
}

static void end(void)
{
    free(b);
}

TestSuite(result_flags, .init = begin, .fini = end);

static struct push_result flagged;

/* Flags of the run, as its analysis leaves it. */
static void flag_run(size_t i)
{
    memset(&flagged, 0, sizeof flagged);
    flagged.stall_force_n = b->runs[i].push.stall_force_n;
    result_flags_run(&flagged, &b->records[i], &b->series);
}

static void feeder(void)
{
    result_flags_feeder(&b->feeders[0], b->pointers, RUNS, &b->series);
}

Test(result_flags, sound_runs_have_none)
{
    feeder();
    flag_run(0);
    cr_expect_eq(flagged.flag_count, 0);
    cr_expect_eq(b->feeders[0].points[0].stall_flags.count, 0);
    cr_expect_eq(b->feeders[0].torque_curve.flags.count, 0);
}

Test(result_flags, few_readings_are_told_of_what_rests_on_them)
{
    b->runs[0].push.sampling = (struct push_sampling){.force_n = 2.6, .coarse = true};
    b->runs[2].push.sampling = (struct push_sampling){.force_n = 1.9, .coarse = true};
    b->runs[1].push.sampling = (struct push_sampling){.force_n = 0.1};
    b->runs[2].push.slip_onset_n = quantity_from(51.2, 0.8, 40, 1);
    feeder();
    cr_assert_eq(b->feeders[0].points[0].stall_flags.count, 1);
    cr_expect_str_eq(b->feeders[0].points[0].stall_flags.text[0],
                     "coarse readings in 2 of 3 runs: the force rises by up to 2.6 N from one reading to the "
                     "next, so it is resolved to about ± 1.3 N by them");
    cr_assert_eq(b->feeders[0].points[0].onset_flags.count, 1);
    cr_expect_not_null(strstr(b->feeders[0].points[0].onset_flags.text[0], "in 1 of 1 runs"));
    cr_expect_eq(b->feeders[0].points[1].stall_flags.count, 0, "the other speed was read finely");
    b->records[4].separate = &(struct run_separate){.force_resolution_n = 0.02};
    b->runs[4].push.sampling = (struct push_sampling){.force_n = 0.31};
    feeder();
    cr_assert_eq(b->feeders[0].points[1].stall_flags.count, 1);
    cr_expect_not_null(strstr(b->feeders[0].points[1].stall_flags.text[0],
                              "separate instruments in 1 of 3 runs: the force rises by up to 0.31 N"));
}

Test(result_flags, a_calibration_past_its_age_is_told_of_the_run_and_of_what_rests_on_it)
{
    /* 45.4 days after the calibration. */
    snprintf(b->records[4].start_time, sizeof b->records[4].start_time, "2026-04-16T10:00:00Z");
    b->runs[4].push.slip_onset_n = quantity_from(51.2, 0.8, 40, 1);
    flag_run(4);
    cr_assert_eq(flagged.flag_count, 1);
    cr_expect_str_eq(flagged.flags[0], "the calibration is 45.4 days old, but the plan allows only 30");
    feeder();
    cr_expect_eq(b->feeders[0].points[0].stall_flags.count, 0, "the other speed is sound");
    cr_assert_eq(b->feeders[0].points[1].stall_flags.count, 1);
    cr_expect_str_eq(b->feeders[0].points[1].stall_flags.text[0],
                     "calibration not within the 30 days that the plan allows in 1 of 3 runs");
    cr_assert_eq(b->feeders[0].points[1].onset_flags.count, 1);
    cr_expect_not_null(strstr(b->feeders[0].points[1].onset_flags.text[0], "in 1 of 1 runs"));
    cr_assert_eq(b->feeders[0].torque_curve.flags.count, 1);
    cr_expect_not_null(strstr(b->feeders[0].torque_curve.flags.text[0], "in 1 of 6 runs"));
    b->series.plan.calibration_max_age_days = 0;
    flag_run(4);
    feeder();
    cr_expect_eq(flagged.flag_count, 0, "a plan without a limit allows any");
    cr_expect_eq(b->feeders[0].points[1].stall_flags.count, 0);
}

Test(result_flags, a_start_that_cannot_be_read_is_no_excuse)
{
    snprintf(b->records[0].start_time, sizeof b->records[0].start_time, "noon");
    flag_run(0);
    cr_assert_eq(flagged.flag_count, 1);
    cr_expect_not_null(strstr(flagged.flags[0], "has an age that cannot be told"));
}

Test(result_flags, forces_beyond_the_calibrated_range_are_told_of_every_mean)
{
    b->runs[0].push.stall_force_n = quantity_from(95.01, 0.4, 9, 8);
    b->runs[1].push.stall_force_n = quantity_at_least(131.4);
    b->runs[5].push.slip_onset_n = quantity_from(9.99, 0.8, 40, 1);
    b->runs[3].push.stall_force_n = quantity_from(212.0, 0.4, 9, 8);
    b->runs[3].analysed = false;
    feeder();
    cr_assert_eq(b->feeders[0].points[0].stall_flags.count, 1);
    cr_expect_str_eq(b->feeders[0].points[0].stall_flags.text[0],
                     "extrapolated: 2 of 3 runs outside the calibrated range of 10 to 95 N");
    cr_expect_eq(b->feeders[0].points[0].onset_flags.count, 0);
    cr_expect_eq(b->feeders[0].points[1].stall_flags.count, 0, "a run without an answer has no force");
    cr_assert_eq(b->feeders[0].points[1].onset_flags.count, 1);
    cr_expect_not_null(strstr(b->feeders[0].points[1].onset_flags.text[0], "1 of 1 runs outside"));
    /* The push itself tells of values, not of bounds. */
    flag_run(0);
    cr_expect_eq(flagged.flag_count, 0);
    flag_run(1);
    cr_assert_eq(flagged.flag_count, 1);
    cr_expect_str_eq(flagged.flags[0], "131.4 N is outside the calibrated range of 10 to 95 N");
}

Test(result_flags, comparisons_say_which_of_the_two_is_meant)
{
    struct result_flags *of_a = &b->feeders[0].points[1].stall_flags,
                        *of_b = &b->feeders[1].points[1].stall_flags;
    of_a->count = of_b->count = 2;
    snprintf(of_a->text[0], sizeof of_a->text[0], "extrapolated");
    snprintf(of_a->text[1], sizeof of_a->text[1], "too old");
    snprintf(of_b->text[0], sizeof of_b->text[0], "too old");
    snprintf(of_b->text[1], sizeof of_b->text[1], "odd");
    b->session = (struct session){
        .feeders = b->feeders, .feeder_count = 2, .comparisons = b->comparisons, .comparison_count = 2};
    for (size_t i = 0; i < 2; i++) {
        b->comparisons[i] = (struct comparison){.a = 0, .b = 1, .speed_mm_s = 21.3};
        snprintf(b->comparisons[i].quantity, sizeof b->comparisons[i].quantity, "%s",
                 i == 0 ? "stall_force_n" : "slip_onset_n");
    }
    cr_assert_eq(result_flags_comparisons(&b->session, NULL), ERR_OK);
    cr_assert_eq(b->comparisons[0].flags.count, 3);
    cr_expect_str_eq(text_list_at(&b->comparisons[0].flags, 0), "gear-a: extrapolated");
    cr_expect_str_eq(text_list_at(&b->comparisons[0].flags, 1), "both: too old");
    cr_expect_str_eq(text_list_at(&b->comparisons[0].flags, 2), "gear-b: odd");
    cr_expect_eq(b->comparisons[1].flags.count, 0, "the onsets are sound");
    b->comparisons[0].verdict = VERDICT_NOT_COMPARABLE;
    cr_assert_eq(result_flags_comparisons(&b->session, NULL), ERR_OK);
    cr_expect_eq(b->comparisons[0].flags.count, 0, "there is no difference to flag");
}
