/* Hands at the rig: weights on its load cell and a caliper on its filament, by lines of text. */
#include "rig/simulator/hands.h"
#include "tests/rig/simulator/rig_bench.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct bench *b;
static struct hands hands;

static void begin(size_t feeders)
{
    b = bench_new(4093, feeders);
    for (size_t i = 0; i < 3; i++) {
        struct model_parameters *p = &b->feeders[i];
        p->sensor.noise_n = p->sensor.mains_n = p->sensor.drift_walk_n = p->sensor.drift_n_per_min = 0;
        p->fixture.gap_mm = 400;
        p->gear.eccentricity_mm = p->gear.tooth_ripple_mm = 0;
    }
    bench_start(b);
}

/* Say text at once; returns the answers, each ended by '|'. */
static const char *say(const char *text)
{
    static char answers[4096];
    answers[0] = 0;
    for (size_t at = 0; at < strlen(text);) {
        char answer[HANDS_ANSWER_MAX];
        bool answered;
        at += hands_take(&hands, b->rig, text + at, strlen(text) - at, answer, &answered);
        if (answered)
            snprintf(answers + strlen(answers), sizeof answers - strlen(answers), "%s|", answer);
    }
    return answers;
}

static double last_force_n(void)
{
    return bench_force_n(b, b->sample_count - 1);
}

/* Feed steps at 5 mm/s and wait until it is over; disarmed again. */
static void feed(double sign, uint32_t steps)
{
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(b, sign * 640, 6400, steps), WIRE_ACCEPTED);
    bench_run_us(b, 400000 + (int64_t)steps * 1000000 / 640);
    bench_command(b, WIRE_CUT, NULL, 0);
}

Test(hands, a_hung_weight_is_on_the_cell_until_another_hangs)
{
    begin(1);
    bench_configure(b, 1000000, "gear-a");
    bench_run_us(b, 50000);
    cr_expect_float_eq(last_force_n(), 0, 1e-3);
    cr_expect_str_eq(say("hang 19.62\n"), "hung 19.62|");
    bench_run_us(b, 50000);
    cr_expect_float_eq(last_force_n(), 19.62, 1e-3);
    /* Not shaken off by a run, nor by another configuration. */
    feed(1, 320);
    bench_configure(b, 500000, "gear-a");
    bench_run_us(b, 50000);
    cr_expect_float_eq(last_force_n(), 19.62, 1e-3);
    cr_expect_str_eq(say("hang 0\n"), "hung 0|");
    bench_run_us(b, 50000);
    cr_expect_float_eq(last_force_n(), 0, 1e-3);
    bench_free(b);
}

Test(hands, a_weight_hung_before_the_first_mounting_hangs)
{
    begin(2);
    say("hang 7.25\n");
    bench_configure(b, 1000000, "gear-b");
    bench_run_us(b, 50000);
    cr_expect_float_eq(last_force_n(), 7.25, 1e-3);
    bench_configure(b, 1000000, "gear-a");
    bench_run_us(b, 50000);
    cr_expect_float_eq(last_force_n(), 7.25, 1e-3);
    bench_free(b);
}

Test(hands, the_samples_before_a_weight_are_without_it)
{
    size_t before;
    begin(1);
    bench_configure(b, 1000000, "gear-a");
    bench_run_us(b, 4500);
    say("hang 50\n");
    before = b->sample_count;
    cr_expect_eq(before, 4, "what was sampled before has gone out");
    cr_expect_float_eq(last_force_n(), 0, 1e-3);
    bench_run_us(b, 50000);
    cr_expect_float_eq(bench_force_n(b, before), 50, 1e-3);
    bench_free(b);
}

Test(hands, a_caliper_reads_the_travel_since_it_last_did)
{
    const double mm_per_step = 3.14159265358979 * 8 / 3200;
    begin(2);
    cr_expect_str_eq(say("measure\n"), "0.000000|");
    bench_configure(b, 1000000, "gear-a");
    feed(1, 2546);
    double read_mm = atof(say("measure\n"));
    cr_expect_float_eq(read_mm, 2546 * mm_per_step, 0.01, "%g", read_mm);
    cr_expect_str_eq(say("measure\n"), "0.000000|");
    feed(-1, 1000);
    read_mm = atof(say("measure\n"));
    cr_expect_float_eq(read_mm, -1000 * mm_per_step, 0.01, "%g", read_mm);
    /* Over runs and mountings, until it is asked for. */
    feed(1, 1280);
    feed(1, 640);
    bench_configure(b, 1000000, "gear-b");
    feed(1, 320);
    read_mm = atof(say("measure\n"));
    cr_expect_float_eq(read_mm, 2240 * mm_per_step, 0.03, "%g", read_mm);
    cr_expect_str_eq(say("measure\n"), "0.000000|");
    bench_free(b);
}

#define SAY                                                                                                  \
    "refused: say 'hang NEWTONS', 'measure', 'end blocked', 'end free', 'end brake NEWTONS', 'end hot "      \
    "CELSIUS', 'tube DEGREES' or 'clean'|"
#define SAY_END "refused: say 'end blocked', 'end free', 'end brake NEWTONS' or 'end hot CELSIUS'|"

Test(hands, what_cannot_be_done_is_refused_and_changes_nothing)
{
    char line[300];
    begin(1);
    bench_configure(b, 1000000, "gear-a");
    say("hang 3.5\n");
    cr_expect_str_eq(say("hang\n"), SAY);
    cr_expect_str_eq(say("hang 1 2\n"), SAY);
    cr_expect_str_eq(say("measure 1\n"), SAY);
    cr_expect_str_eq(say("hnag 1\n"), SAY);
    cr_expect_str_eq(say("clean it\n"), SAY);
    cr_expect_str_eq(say("tube\n"), SAY);
    cr_expect_str_eq(say("end\n"), SAY);
    cr_expect_str_eq(say("end brake 4 N\n"), SAY);
    cr_expect_str_eq(say("end wall\n"), SAY_END);
    cr_expect_str_eq(say("end brake\n"), SAY_END);
    cr_expect_str_eq(say("end free 4\n"), SAY_END);
    cr_expect_str_eq(say("end brake -4\n"), "refused: end brake: -4 N is outside 0 to 10000 N|");
    cr_expect_str_eq(say("end brake 0\n"), "refused: feeder gear-a: a brake needs a brake load above 0|");
    cr_expect_str_eq(say("end hot 215\n"),
                     "refused: feeder gear-a: its file has no hot_end.exponent, so no hot end|");
    cr_expect_str_eq(say("tube 1e4\n"), "refused: tube: 1e4 degrees is outside 0 to 3600 degrees|");
    cr_expect_str_eq(say("hang 1x\n"), "refused: hang: '1x' is not a number|");
    cr_expect_str_eq(say("hang 1\x1b\n"), "refused: hang: '1?' is not a number|");
    cr_expect_str_eq(say("hang nan\n"), "refused: hang: 'nan' is not a number|");
    cr_expect_str_eq(say("hang 1e6\n"), "refused: hang: 1e6 N is outside -100000 to 100000 N|");
    memset(line, 'm', sizeof line);
    strcpy(line + 200, "\n");
    cr_expect_str_eq(say(line), "refused: a line of more than 128 bytes|");
    bench_run_us(b, 50000);
    cr_expect_float_eq(last_force_n(), 3.5, 1e-3);
    bench_free(b);
}

Test(hands, lines_may_come_in_any_pieces)
{
    begin(1);
    bench_configure(b, 1000000, "gear-a");
    cr_expect_str_eq(say("ha"), "");
    cr_expect_str_eq(say("ng 4"), "");
    cr_expect_str_eq(say(".5 \r\n\n# a note\n  measure # now\nhang 6"), "hung 4.5|0.000000|");
    cr_expect_str_eq(say("\n"), "hung 6|");
    bench_free(b);
}

/* Feed forward and tell the force just before the feed slows down; then cut. */
static double force_at_the_end_n(uint32_t steps)
{
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(b, 640, 6400, steps), WIRE_ACCEPTED);
    bench_run_us(b, (int64_t)steps * 1000000 / 640 - 20000);
    double force_n = last_force_n();
    bench_command(b, WIRE_CUT, NULL, 0);
    return force_n;
}

static const struct rig_run *last_run(void)
{
    return rig_state_run(b->rig, rig_state_run_count(b->rig) - 1);
}

Test(hands, what_the_filament_meets_changes_at_the_next_arming_for_every_feeder)
{
    b = bench_new(4093, 2);
    for (size_t i = 0; i < 3; i++) {
        struct model_parameters *p = &b->feeders[i];
        p->sensor.noise_n = p->sensor.mains_n = p->sensor.drift_walk_n = p->sensor.drift_n_per_min = 0;
        p->hot_end.force_n = 4.5;
        p->hot_end.coefficient = i == 0 ? 7 : 9;
        p->hot_end.exponent = 0.5;
        p->hot_end.reference_c = 205;
        p->hot_end.per_kelvin = 0.012;
    }
    bench_start(b);
    bench_configure(b, 1000000, "gear-a");
    double blocked_n = force_at_the_end_n(1000);
    cr_expect_gt(blocked_n, 40, "a blocked end, as the file has it");
    cr_expect_eq(last_run()->end, MODEL_END_BLOCKED);
    cr_expect(isnan(last_run()->brake_load_n) && isnan(last_run()->load_line_n));
    cr_expect_str_eq(say("end brake 17.25\n"), "set end brake 17.25|");
    double brake_n = force_at_the_end_n(1000);
    cr_expect_float_eq(brake_n, 17.25, 1e-3);
    cr_expect_eq(last_run()->end, MODEL_END_BRAKE);
    cr_expect_float_eq(last_run()->brake_load_n, 17.25, 1e-9);
    bench_configure(b, 1000000, "gear-b");
    brake_n = force_at_the_end_n(1000);
    cr_expect_float_eq(brake_n, 17.25, 1e-3);
    cr_expect_str_eq(say("end hot 225\n"), "set end hot 225|");
    double rate_mm3_s = 640 * 3.14159265358979 * 8 / 3200 * 2.405281875;
    double line_n = 4.5 + 9 * exp(-0.012 * 20) * sqrt(rate_mm3_s);
    double melt_n = force_at_the_end_n(6400);
    cr_expect_float_eq(melt_n, line_n, 0.01 * line_n, "%g N, line %g N", melt_n, line_n);
    cr_expect_float_eq(last_run()->load_line_n, line_n, 1e-6);
    cr_expect_eq(last_run()->hot_end_temperature_c, 225);
    /* Armed, the run goes on as it began. */
    cr_expect_str_eq(say("end blocked\n"), "set end blocked|");
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_expect_str_eq(say("end free\n"), "set end free|");
    cr_assert_eq(bench_move(b, 640, 6400, 1000), WIRE_ACCEPTED);
    bench_run_us(b, 1600000);
    cr_expect_gt(last_force_n(), 40);
    bench_command(b, WIRE_CUT, NULL, 0);
    double free_n = force_at_the_end_n(1000);
    cr_expect_float_eq(free_n, 0, 1e-3);
    bench_free(b);
}

Test(hands, a_guide_tube_is_fitted_and_taken_away)
{
    b = bench_new(4093, 1);
    struct model_parameters *p = &b->feeders[0];
    p->sensor.noise_n = p->sensor.mains_n = p->sensor.drift_walk_n = p->sensor.drift_n_per_min = 0;
    p->tube.friction = 0.25;
    p->tube.clearance_mm = 0.15;
    p->gear.backlash_mm = 0.07;
    bench_start(b);
    bench_configure(b, 1000000, "gear-a");
    double plain_n = force_at_the_end_n(1000);
    cr_expect_eq(last_run()->guide_tube_bend_deg, 0);
    cr_expect_eq(last_run()->force_ratio, 1);
    cr_expect_float_eq(last_run()->lost_motion_mm, 0.07, 1e-12);
    cr_expect_str_eq(say("tube 135\n"), "set tube 135|");
    double tube_n = force_at_the_end_n(1000);
    cr_expect_lt(tube_n, 0.95 * plain_n);
    cr_expect_float_eq(last_run()->guide_tube_bend_deg, 135, 1e-9);
    cr_expect_float_eq(last_run()->force_ratio, exp(2 * 0.25 * 0.75 * 3.141592653589793), 1e-9);
    cr_expect_float_eq(last_run()->lost_motion_mm, 0.22, 1e-12);
    cr_expect_str_eq(say("tube 0\n"), "set tube 0|");
    force_at_the_end_n(1000);
    cr_expect_eq(last_run()->force_ratio, 1);
    bench_free(b);
}

Test(hands, a_cleaned_gear_grips_as_before)
{
    b = bench_new(4093, 1);
    struct model_parameters *p = &b->feeders[0];
    p->nip.fade_per_m = 0.5;
    p->nip.wear_per_m = 0;
    p->fixture.end = MODEL_END_FREE;
    bench_start(b);
    bench_configure(b, 1000000, "gear-a");
    for (int i = 0; i < 3; i++)
        force_at_the_end_n(12800);
    double fed_m = last_run()->fed_since_cleaning_m;
    /* Cut 20 ms and half a ramp of 100 ms before the end, at 5 mm/s. */
    cr_expect_float_eq(fed_m, 2 * (12800 * 3.14159265358979 * 8 / 3200 - 0.07 * 5.0265) / 1000, 1e-5, "%g",
                       fed_m);
    double faded = last_run()->realised.grip_limit_n / last_run()->nominal.grip_limit_n;
    cr_expect_lt(faded, 0.95);
    cr_expect_str_eq(say("clean\n"), "set clean|");
    force_at_the_end_n(6400);
    cr_expect_eq(last_run()->fed_since_cleaning_m, 0);
    cr_expect_gt(last_run()->realised.grip_limit_n / last_run()->nominal.grip_limit_n, 0.95);
    force_at_the_end_n(6400);
    cr_expect_gt(last_run()->fed_since_cleaning_m, 0.04, "once only");
    bench_free(b);
}

Test(hands, forward_and_back_again_and_again_is_one_run)
{
    b = bench_new(4093, 1);
    struct model_parameters *p = &b->feeders[0];
    p->sensor.noise_n = p->sensor.mains_n = p->sensor.drift_walk_n = p->sensor.drift_n_per_min = 0;
    p->gear.backlash_mm = 0.07;
    bench_start(b);
    bench_configure(b, 1000000, "gear-a");
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    double greatest_n[3] = {0};
    for (int i = 0; i < 6; i++) {
        size_t from = b->sample_count;
        cr_assert_eq(bench_move(b, i % 2 == 0 ? 640 : -640, 6400, 280), WIRE_ACCEPTED);
        bench_run_us(b, 600000);
        for (size_t k = from; i % 2 == 0 && k < b->sample_count; k++)
            greatest_n[i / 2] = fmax(greatest_n[i / 2], bench_force_n(b, k));
        if (i % 2 == 1)
            cr_expect_float_eq(last_force_n(), 0, 1e-3, "way %d", i);
    }
    bench_command(b, WIRE_CUT, NULL, 0);
    cr_expect_eq(rig_state_run_count(b->rig), 1);
    cr_expect_float_eq(last_run()->speed_mm_s, 640 * 3.14159265358979 * 8 / 3200, 1e-9);
    cr_expect_gt(greatest_n[0], 30);
    for (int i = 1; i < 3; i++)
        cr_expect(greatest_n[i] > 0.9 * greatest_n[0] && greatest_n[i] <= greatest_n[0],
                  "%g N and then %g N: creep has let some filament back", greatest_n[0], greatest_n[i]);
    bench_free(b);
}
