/* What the operator is told to change between runs, and what is warned about before the first. */
#include "capture/bench_setup.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <string.h>

static struct plan plan;
static struct plan_run runs[16];
static size_t run_count;
static struct bench_setup bench;
static char text[BENCH_SETUP_TEXT_MAX];

static void begin(void)
{
    memset(&plan, 0, sizeof plan);
    run_count = 0;
    plan.force_limit_n = 137;
    plan.feeder_count = 2;
    snprintf(plan.feeders[0].name, sizeof plan.feeders[0].name, "gear-8mm");
    snprintf(plan.feeders[0].description, sizeof plan.feeders[0].description, "26 teeth");
    snprintf(plan.feeders[1].name, sizeof plan.feeders[1].name, "gear-c");
}

static size_t add_test(enum plan_test_kind kind)
{
    plan.tests[plan.test_count].kind = kind;
    return plan.test_count++;
}

/* One more run; its number must be set by `state`. */
static struct plan_run *add_run(int block, size_t feeder, size_t test)
{
    struct plan_run *run = &runs[run_count++];
    *run = (struct plan_run){.number = (int)run_count, .block = block, .feeder = feeder, .test = test};
    return run;
}

static struct plan_run *state(struct plan_run *run, enum condition_id id, double number)
{
    run->conditions.stated[id] = true;
    run->conditions.number[id] = number;
    return run;
}

/* What is said before each run, in turn; NULL: nothing. */
static void expect_changes(const char *const *wanted)
{
    bench_setup_init(&bench, &plan, runs, run_count);
    for (size_t i = 0; i < run_count; i++) {
        bool any = bench_setup_change(&bench, i, text, sizeof text);
        cr_expect_eq(any, wanted[i] != NULL, "run %zu: %s", i + 1, text);
        cr_expect_str_eq(text, wanted[i] != NULL ? wanted[i] : "", "run %zu", i + 1);
    }
}

Test(bench_setup, plain_pushes_ask_for_feeders_and_nothing_else)
{
    begin();
    add_test(PLAN_SPEED_SWEEP);
    add_test(PLAN_BLOCKED_PUSH);
    state(add_run(1, 0, 0), CONDITION_NIP_PRELOAD_N, 63.5);
    state(add_run(1, 0, 1), CONDITION_NIP_PRELOAD_N, 63.5);
    state(add_run(1, 1, 0), CONDITION_NIP_PRELOAD_N, 63.5);
    state(add_run(2, 1, 0), CONDITION_NIP_PRELOAD_N, 63.5);
    expect_changes((const char *const[]){"Block 1: mount feeder gear-8mm (26 teeth)", NULL,
                                         "Block 1: mount feeder gear-c", "Block 2: mount feeder gear-c"});
}

Test(bench_setup, feeders_with_preloads_of_their_own_have_them_told)
{
    begin();
    add_test(PLAN_BLOCKED_PUSH);
    state(add_run(1, 0, 0), CONDITION_NIP_PRELOAD_N, 63.5);
    state(add_run(1, 1, 0), CONDITION_NIP_PRELOAD_N, 41.25);
    state(add_run(2, 0, 0), CONDITION_NIP_PRELOAD_N, 63.5);
    expect_changes((const char *const[]){
        "Block 1: mount feeder gear-8mm (26 teeth); fit the blocked end; set the nip preload to 63.5 N",
        "Block 1: mount feeder gear-c; set the nip preload to 41.25 N",
        "Block 2: mount feeder gear-8mm (26 teeth); set the nip preload to 63.5 N"});
}

Test(bench_setup, a_ladder_of_preloads_is_set_run_by_run_and_anew_when_mounted)
{
    begin();
    add_test(PLAN_PRELOAD_SWEEP);
    state(add_run(1, 0, 0), CONDITION_NIP_PRELOAD_N, 40);
    state(add_run(1, 0, 0), CONDITION_NIP_PRELOAD_N, 90.5);
    state(add_run(1, 0, 0), CONDITION_NIP_PRELOAD_N, 90.5);
    state(add_run(1, 1, 0), CONDITION_NIP_PRELOAD_N, 90.5);
    expect_changes((const char *const[]){
        "Block 1: mount feeder gear-8mm (26 teeth); fit the blocked end; set the nip preload to 40 N",
        "Block 1: set the nip preload to 90.5 N", NULL,
        "Block 1: mount feeder gear-c; set the nip preload to 90.5 N"});
}

Test(bench_setup, what_the_filament_meets_is_told_when_it_changes)
{
    begin();
    add_test(PLAN_FREE_RUN);
    add_test(PLAN_LOADED_FEED);
    add_test(PLAN_MELT_PUSH);
    add_test(PLAN_BLOCKED_PUSH);
    add_run(1, 1, 0);
    state(add_run(1, 1, 1), CONDITION_BRAKE_LOAD_N, 20);
    state(add_run(1, 1, 1), CONDITION_BRAKE_LOAD_N, 20);
    state(add_run(1, 1, 1), CONDITION_BRAKE_LOAD_N, 34.5);
    state(add_run(1, 1, 2), CONDITION_HOT_END_TEMPERATURE_C, 215);
    state(add_run(1, 1, 2), CONDITION_HOT_END_TEMPERATURE_C, 230);
    add_run(1, 1, 3);
    state(add_run(1, 1, 1), CONDITION_BRAKE_LOAD_N, 34.5);
    expect_changes((const char *const[]){
        "Block 1: mount feeder gear-c; leave the end of the filament free",
        "Block 1: fit the brake and set it to 20 N", NULL, "Block 1: set the brake to 34.5 N",
        "Block 1: fit the hot end and set it to 215 °C, wait until it is at temperature (it burns, and melts "
        "fume: "
        "ventilate)",
        "Block 1: set the hot end to 230 °C, wait until it is at temperature (it burns, and melts fume: "
        "ventilate)",
        "Block 1: take the hot end away, which may still burn; fit the blocked end",
        "Block 1: fit the brake and set it to 34.5 N"});
}

Test(bench_setup, a_hot_end_of_unknown_temperature_is_waited_for_all_the_same)
{
    begin();
    add_test(PLAN_MELT_PUSH);
    add_run(1, 1, 0);
    expect_changes((const char *const[]){"Block 1: mount feeder gear-c; fit the hot end, wait until it is at "
                                         "temperature (it burns, and melts fume: ventilate)"});
}

Test(bench_setup, the_guide_tube_is_fitted_bent_and_taken_away)
{
    begin();
    add_test(PLAN_REVERSAL);
    state(add_run(1, 1, 0), CONDITION_GUIDE_TUBE_BEND_DEG, 90);
    state(add_run(1, 1, 0), CONDITION_GUIDE_TUBE_BEND_DEG, 0);
    state(add_run(1, 0, 0), CONDITION_GUIDE_TUBE_BEND_DEG, 0);
    state(add_run(1, 0, 0), CONDITION_GUIDE_TUBE_BEND_DEG, 45);
    state(add_run(1, 0, 0), CONDITION_GUIDE_TUBE_BEND_DEG, 180);
    expect_changes((const char *const[]){
        "Block 1: mount feeder gear-c; fit the blocked end; fit the guide tube, bent by 90 degrees in all",
        "Block 1: take the guide tube away", "Block 1: mount feeder gear-8mm (26 teeth)",
        "Block 1: fit the guide tube, bent by 45 degrees in all",
        "Block 1: bend the guide tube to 180 degrees in all"});
    runs[0].conditions.number[CONDITION_GUIDE_TUBE_BEND_DEG] = 0;
    bench_setup_init(&bench, &plan, runs, 1);
    cr_expect(bench_setup_change(&bench, 0, text, sizeof text));
    cr_expect_str_eq(text, "Block 1: mount feeder gear-c; fit the blocked end; fit no guide tube");
}

Test(bench_setup, the_gear_is_cleaned_when_the_plan_says_so)
{
    begin();
    add_test(PLAN_ENDURANCE);
    add_run(1, 1, 0);
    add_run(1, 1, 0)->clean_before = true;
    expect_changes((const char *const[]){"Block 1: mount feeder gear-c; fit the blocked end",
                                         "Block 1: clean the drive gear"});
}

Test(bench_setup, a_text_that_does_not_fit_is_cut)
{
    char small[24];
    begin();
    add_test(PLAN_ENDURANCE);
    add_run(1, 0, 0);
    bench_setup_init(&bench, &plan, runs, run_count);
    cr_expect(bench_setup_change(&bench, 0, small, sizeof small));
    cr_expect_str_eq(small, "Block 1: mount feeder g");
}

static char warnings[8][BENCH_SETUP_TEXT_MAX];
static size_t warning_count;

static void take_warning(void *context, const char *warning)
{
    cr_assert_eq(context, &bench);
    cr_assert_lt(warning_count, 8);
    snprintf(warnings[warning_count++], sizeof warnings[0], "%s", warning);
}

static void warn(bool encoder)
{
    bench_setup_init(&bench, &plan, runs, run_count);
    warning_count = 0;
    bench_setup_warn(&bench, encoder, take_warning, &bench);
}

static void state_column(size_t feeder, double length_mm)
{
    struct conditions *c = &plan.feeders[feeder].conditions;
    c->stated[CONDITION_FREE_LENGTH_MM] = true;
    c->number[CONDITION_FREE_LENGTH_MM] = length_mm;
    c->stated[CONDITION_FILAMENT_DIAMETER_MM] = true;
    c->number[CONDITION_FILAMENT_DIAMETER_MM] = 1.75;
    c->stated[CONDITION_FILAMENT_MODULUS_MPA] = true;
    c->number[CONDITION_FILAMENT_MODULUS_MPA] = 2500;
}

Test(bench_setup, a_free_length_that_may_buckle_is_warned_about_with_the_formula)
{
    begin();
    add_test(PLAN_BLOCKED_PUSH);
    state_column(0, 10);
    state_column(1, 50);
    warn(true);
    cr_assert_eq(warning_count, 1, "454 N and 18.2 N against a limit of 137 N");
    cr_expect(strncmp(warnings[0], "feeder gear-c: ", 15) == 0, "%s", warnings[0]);
    cr_expect_not_null(strstr(warnings[0], "18.2 N"), "%s", warnings[0]);
    cr_expect_not_null(strstr(warnings[0], "Euler"), "%s", warnings[0]);
    cr_expect_null(strchr(warnings[0], '\n'));
    plan.tests[0].kind = PLAN_FREE_RUN;
    warn(true);
    cr_expect_eq(warning_count, 0, "nothing pushes against anything");
    add_test(PLAN_LOADED_FEED);
    plan.force_limit_n = 18;
    warn(true);
    cr_expect_eq(warning_count, 0, "18.2 N are never reached");
}

Test(bench_setup, a_melt_push_without_temperature_is_warned_about)
{
    begin();
    size_t test = add_test(PLAN_MELT_PUSH);
    warn(false);
    cr_assert_eq(warning_count, 1);
    cr_expect_str_eq(warnings[0],
                     "melt-push: no hot end temperature is stated (gear-8mm, gear-c), neither in the "
                     "test nor as a condition: no load line can be given");
    plan.feeders[0].conditions.stated[CONDITION_HOT_END_TEMPERATURE_C] = true;
    warn(false);
    cr_assert_eq(warning_count, 1);
    cr_expect_not_null(strstr(warnings[0], "stated (gear-c),"), "%s", warnings[0]);
    plan.tests[test].hot_end_temperature_count = 2;
    warn(false);
    cr_expect_eq(warning_count, 0);
}

Test(bench_setup, tests_of_the_feed_want_an_encoder)
{
    begin();
    add_test(PLAN_LOADED_FEED);
    add_test(PLAN_FREE_RUN);
    add_test(PLAN_REVERSAL);
    warn(true);
    cr_expect_eq(warning_count, 0);
    warn(false);
    cr_assert_eq(warning_count, 2);
    cr_expect_str_eq(warnings[0], "loaded-feed: this rig has no encoder, so lost feed cannot be told");
    cr_expect_str_eq(warnings[1],
                     "free-run: this rig has no encoder, so feed ripple and feed per step cannot be told");
}
