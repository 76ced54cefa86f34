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

Test(hands, what_cannot_be_done_is_refused_and_changes_nothing)
{
    char line[300];
    begin(1);
    bench_configure(b, 1000000, "gear-a");
    say("hang 3.5\n");
    cr_expect_str_eq(say("hang\n"), "refused: say 'hang NEWTONS' or 'measure'|");
    cr_expect_str_eq(say("hang 1 2\n"), "refused: say 'hang NEWTONS' or 'measure'|");
    cr_expect_str_eq(say("measure 1\n"), "refused: say 'hang NEWTONS' or 'measure'|");
    cr_expect_str_eq(say("hnag 1\n"), "refused: say 'hang NEWTONS' or 'measure'|");
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
