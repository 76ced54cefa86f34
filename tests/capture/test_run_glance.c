/* The first look at a run, on pushes made of plain numbers with a known answer. */
#include "capture/run_glance.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define PER_N   4000.0
#define ZERO    12345.0
#define DRIFT_N 0.5

static struct run_glance glance;
static struct run_record record;
static struct run_glance_result result;

static struct calibration calibration(void)
{
    struct calibration c = {.degree = 1, .coefficients = {ZERO - 900, PER_N}};
    return c;
}

static void begin(enum plan_test_kind test)
{
    memset(&glance, 0, sizeof glance);
    memset(&record, 0, sizeof record);
    record.number = 12;
    record.test = test;
    record.speed_mm_s = 5;
    record.mm_per_microstep = 0.0079;
    record.ended = RUN_COMPLETE;
    record.ended_why = "travel complete";
}

/* A sample of that force, with a little noise of its own that any run repeats: +0.06 N, -0.06 N, 0 in turn.
 */
static void add(enum run_glance_part part, double force_n, int64_t steps)
{
    static int turn;
    struct raw_sample s = {.commanded_steps = (int32_t)steps};
    turn = (turn + 1) % 3;
    s.force_counts = (int32_t)lround(ZERO + PER_N * (force_n + 0.06 * (turn - 1)));
    run_glance_add(&glance, part, &s);
}

/* A push of 3000 samples over 1519 microsteps (12.0 mm), whose force is shape(share of the feed); the zero
 * afterwards is after_n. */
static void push(double (*shape)(double x), double after_n)
{
    struct calibration c = calibration();
    for (int i = 0; i < 900; i++)
        add(RUN_GLANCE_BEFORE, 0, 77);
    for (int i = 0; i < 3000; i++)
        add(RUN_GLANCE_PUSH, shape(i / 3000.0), i * 1519 / 2999);
    /* The filament lets go within a third of the rest. */
    for (int i = 0; i < 900; i++)
        add(RUN_GLANCE_AFTER, after_n + (i < 300 ? 30 * (1 - i / 300.0) : 0), 1519);
    run_glance_judge(&glance, &record, &c, DRIFT_N, &result);
}

/* Rises over a third of the feed, then stalls in a saw of 4 N. */
static double stall(double x)
{
    return x < 0.35 ? 90 * x / 0.35 : 90 - fmod((x - 0.35) * 80, 4);
}

/* Rises and then levels off at 60 N. */
static double grip(double x)
{
    return 60 * (1 - exp(-x / 0.12));
}

/* A motor that loses step twice just before the travel is through: two falls by 12 N, each made good within
 * 0.04 of the feed. */
static double late_stall(double x)
{
    return x < 0.667 ? 0 : x < 0.935 ? 90 * (x - 0.667) / 0.268 : 78 + 12 * fmod(x - 0.935, 0.04) / 0.04;
}

/* Grip that gives way by and by: the second half rises by a third of what the first did. */
static double bend(double x)
{
    return x < 0.5 ? 60 * x : 30 + 20 * (x - 0.5);
}

static double steady_rise(double x)
{
    return x < 0.2 ? 0 : 70 * (x - 0.2);
}

static double nothing(double x)
{
    (void)x;
    return 0;
}

static double falling(double x)
{
    return -steady_rise(x);
}

/* Exactly these flags, as a word of letters: one for each flag, in the order of the enum, '.' where it is
 * not. */
static void expect_flags(const char *wanted, const char *legend)
{
    static const char LETTERS[] = "SDNWRGF";
    char got[RUN_GLANCE_FLAGS + 1] = "";
    for (int i = 0; i < RUN_GLANCE_FLAGS; i++)
        got[i] = (char)(result.flag[i] ? LETTERS[i] : '.');
    cr_expect_str_eq(got, wanted, "%s: %s", legend, got);
    cr_expect_eq(result.looks_wrong, strcmp(wanted, ".......") != 0, "%s", legend);
}

Test(run_glance, a_good_push_shows_its_peak_its_zero_and_its_feed)
{
    begin(PLAN_BLOCKED_PUSH);
    push(stall, 0.03);
    cr_expect(fabs(result.peak_n - 90) < 0.5, "%g N", result.peak_n);
    cr_expect(fabs(result.zero_moved_n - 0.03) < 0.002, "%g N", result.zero_moved_n);
    cr_expect(fabs(result.noise_n - 0.049) < 0.001, "%g N", result.noise_n);
    cr_expect(fabs(result.fed_mm - 12.0) < 0.01, "%g mm", result.fed_mm);
    expect_flags(".......", "a stall");
    begin(PLAN_SPEED_SWEEP);
    push(grip, 0);
    cr_expect(fabs(result.peak_n - 60) < 0.3, "%g N", result.peak_n);
    expect_flags(".......", "a push that levels off");
    for (int speed = 0; speed < 3; speed++) { /* however the parts fall upon the saw */
        begin(PLAN_BLOCKED_PUSH);
        for (int i = 0; i < 100 * speed; i++)
            add(RUN_GLANCE_PUSH, 0, 0);
        push(late_stall, 0);
        expect_flags(".......", "a motor that loses step at the end of the travel");
    }
    begin(PLAN_BLOCKED_PUSH);
    push(bend, 0);
    expect_flags("....R..", "a push that bends and goes on rising");
}

Test(run_glance, each_thing_that_looks_wrong_is_told_alone)
{
    struct raw_sample over = {.flags = RUN_FLAG_OVER_RANGE, .force_counts = 8388607};
    struct calibration c = calibration();
    begin(PLAN_BLOCKED_PUSH);
    run_glance_add(&glance, RUN_GLANCE_PUSH, &over);
    push(stall, 0);
    expect_flags("S......", "one sample over range");
    cr_expect(result.peak_n < 91, "it has no force: %g N", result.peak_n);
    begin(PLAN_BLOCKED_PUSH);
    push(stall, 0.57);
    expect_flags(".D.....", "a zero that rose");
    begin(PLAN_BLOCKED_PUSH);
    push(stall, -0.57);
    expect_flags(".D.....", "a zero that fell");
    begin(PLAN_BLOCKED_PUSH);
    push(nothing, 0);
    expect_flags("..N....", "nothing in the nip");
    begin(PLAN_MELT_PUSH);
    push(falling, 0);
    expect_flags("...W...", "a cell the wrong way round");
    begin(PLAN_ENDURANCE);
    push(steady_rise, 0);
    expect_flags("....R..", "a travel that was too short");
    begin(PLAN_PRELOAD_SWEEP);
    record.gaps = 1;
    push(stall, 0);
    expect_flags(".....G.", "samples that are missing");
    begin(PLAN_BLOCKED_PUSH);
    push(stall, 0);
    record.ended = RUN_FAULT;
    run_glance_judge(&glance, &record, &c, DRIFT_N, &result);
    expect_flags("......F", "a fault");
}

Test(run_glance, a_test_is_judged_by_what_it_meets)
{
    begin(PLAN_FREE_RUN);
    push(nothing, 0);
    expect_flags(".......", "free-run meets nothing");
    begin(PLAN_REVERSAL);
    push(nothing, 0);
    expect_flags(".......", "reversal stays small");
    begin(PLAN_REVERSAL);
    push(falling, 0);
    expect_flags(".......", "reversal goes back");
    begin(PLAN_LOADED_FEED);
    push(nothing, 0);
    expect_flags("..N....", "a brake that does not hold");
    begin(PLAN_LOADED_FEED);
    push(steady_rise, 0);
    expect_flags(".......", "a brake does not stall a feeder");
    begin(PLAN_MELT_PUSH);
    push(steady_rise, 0);
    expect_flags(".......", "nor does a hot end");
    begin(PLAN_BLOCKED_PUSH);
    record.ended = RUN_LIMIT;
    push(steady_rise, 0);
    expect_flags(".......", "a limit that was met is told as the end, not as a travel too short");
    begin(PLAN_BLOCKED_PUSH);
    record.ended = RUN_INTERRUPTED;
    push(nothing, 3);
    expect_flags(".......", "the operator knows that it was stopped");
}

/* In time it seems to level off: it slows down over its last part, and stands while the rig says that it is
 * done. */
Test(run_glance, the_end_of_a_push_is_judged_by_its_feed)
{
    struct calibration c = calibration();
    begin(PLAN_BLOCKED_PUSH);
    for (int i = 0; i < 300; i++)
        add(RUN_GLANCE_BEFORE, 0, 0);
    for (int i = 0; i < 160; i++) {
        double x = i < 80 ? i / 100.0 : i < 120 ? 0.8 + 0.2 * (1 - (119 - i) * (119 - i) / 1521.0) : 1;
        add(RUN_GLANCE_PUSH, steady_rise(x), (int64_t)(x * 253));
    }
    run_glance_judge(&glance, &record, &c, DRIFT_N, &result);
    expect_flags("....R..", "a short push with ramps");
}

/* Of a run that was cut off early there may be nothing at all. */
Test(run_glance, a_run_without_a_push_has_no_force)
{
    struct calibration c = calibration();
    char line[200];
    begin(PLAN_BLOCKED_PUSH);
    record.ended = RUN_LIMIT;
    record.ended_why = "limit switch on the rig";
    run_glance_judge(&glance, &record, &c, DRIFT_N, &result);
    cr_expect(isnan(result.peak_n) && isnan(result.zero_moved_n) && result.fed_mm == 0 &&
              result.noise_n == 0);
    expect_flags(".......", "nothing");
    run_glance_line(&result, &record, "gear-8mm", 0, line, sizeof line);
    cr_expect_str_eq(line, "run 0012  gear-8mm  5 mm/s  0.0 mm  ended: limit switch on the rig");
}

Test(run_glance, however_long_a_push_is_its_end_is_the_end)
{
    struct calibration c = calibration();
    begin(PLAN_BLOCKED_PUSH);
    add(RUN_GLANCE_BEFORE, 0, 0);
    add(RUN_GLANCE_BEFORE, 0, 0);
    for (int i = 0; i < 1000003; i++)
        add(RUN_GLANCE_PUSH, 40 + 20.0 * i / 1000003, i);
    run_glance_judge(&glance, &record, &c, DRIFT_N, &result);
    cr_expect(glance.push.n >= RUN_GLANCE_MEANS / 2 && glance.push.n < RUN_GLANCE_MEANS);
    cr_expect(fabs(result.peak_n - 60) < 0.1, "%g N", result.peak_n);
    cr_expect(fabs(result.least_n - 40) < 0.1, "%g N", result.least_n);
}

Test(run_glance, the_line_leaves_out_what_matters_least)
{
    char line[200];
    char text[RUN_GLANCE_TEXT_MAX];
    begin(PLAN_BLOCKED_PUSH);
    result = (struct run_glance_result){.peak_n = 91.23, .zero_moved_n = -0.004, .fed_mm = 12.0};
    run_glance_line(&result, &record, "gear-8mm", 0, line, sizeof line);
    cr_expect_str_eq(line,
                     "run 0012  gear-8mm  5 mm/s  peak 91.2 N  zero moved 0.00 N  12.0 mm  ended: travel");
    run_glance_line(&result, &record, "gear-8mm", 79, line, sizeof line);
    cr_expect_str_eq(line, "run 0012  gear-8mm  5 mm/s  peak 91.2 N  zero moved 0.00 N  ended: travel");
    run_glance_line(&result, &record, "gear-8mm", 59, line, sizeof line);
    cr_expect_str_eq(line, "run 0012  gear-8mm  5 mm/s  peak 91.2 N  ended: travel");
    run_glance_line(&result, &record, "gear-8mm", 50, line, sizeof line);
    cr_expect_str_eq(line, "run 0012  gear-8mm  peak 91.2 N  ended: travel");
    run_glance_line(&result, &record, "gear-8mm", 30, line, sizeof line);
    cr_expect_str_eq(line, "run 0012  gear-8mm  peak 91.2 N  ended: travel", "the rest stays");
    result.zero_moved_n = -1.234;
    run_glance_flag_text(&result, RUN_GLANCE_DRIFTED, &record, 0.5, text, sizeof text);
    cr_expect_not_null(strstr(text, "drifted: the reading at rest moved by -1.23 N, more than 0.5 N"), "%s",
                       text);
    result.floor_n = 1.826;
    run_glance_flag_text(&result, RUN_GLANCE_NO_LOAD, &record, 0.5, text, sizeof text);
    cr_expect_not_null(strstr(text, "no load: the force never rose above 1.8 N; "), "%s", text);
    for (int flag = 0; flag < RUN_GLANCE_FLAGS; flag++) {
        run_glance_flag_text(&result, (enum run_glance_flag)flag, &record, 0.5, text, sizeof text);
        cr_expect(strchr(text, ':') != NULL && strlen(text) < sizeof text - 20, "flag %d: %s", flag, text);
    }
}
