/* How long is left, with times that the test makes up. */
#include "capture/time_left.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static char text[200];

Test(time_left, the_plan_is_believed_until_a_run_was_seen)
{
    struct time_left t = {.time_scale = 1};
    int pauses[TIME_LEFT_PAUSES] = {3, 1};
    struct time_left_rest rest = time_left_rest(&t, 40, 400, pauses);
    cr_expect(rest.runs_s == 400 && !rest.whole && isnan(rest.pause_s[TIME_LEFT_MOUNTING]));
    time_left_text(&rest, pauses, text, sizeof text);
    cr_expect_str_eq(text, "about 7 min of runs left, and 3 mountings, and 1 other change");
}

Test(time_left, what_a_run_takes_more_is_added_to_each_to_come)
{
    struct time_left t = {.time_scale = 1};
    int none[TIME_LEFT_PAUSES] = {0, 0};
    struct time_left_rest rest;
    time_left_run(&t, 10, 10.5);
    time_left_run(&t, 6, 6.75);
    rest = time_left_rest(&t, 8, 64, none);
    cr_expect_float_eq(rest.runs_s, 64 + 8 * 0.625, 1e-9);
    cr_expect(rest.whole && rest.whole_s == rest.runs_s);
    time_left_text(&rest, none, text, sizeof text);
    cr_expect_str_eq(text, "about 70 s left");
}

Test(time_left, a_rig_that_runs_faster_takes_less)
{
    struct time_left t = {.time_scale = 50};
    int none[TIME_LEFT_PAUSES] = {0, 0};
    cr_expect_float_eq(time_left_rest(&t, 2, 100, none).runs_s, 2, 1e-12);
    time_left_run(&t, 50, 1.75);
    cr_expect_float_eq(time_left_rest(&t, 2, 100, none).runs_s, 3.5, 1e-12);
}

Test(time_left, pauses_are_kept_apart_and_one_lunch_does_not_count)
{
    struct time_left t = {.time_scale = 1};
    int pauses[TIME_LEFT_PAUSES] = {4, 0};
    struct time_left_rest rest;
    time_left_pause(&t, TIME_LEFT_MOUNTING, 100);
    time_left_pause(&t, TIME_LEFT_MOUNTING, 3600);
    time_left_pause(&t, TIME_LEFT_MOUNTING, 140);
    time_left_pause(&t, TIME_LEFT_CHANGE, 7);
    rest = time_left_rest(&t, 40, 1200, pauses);
    cr_expect(rest.pause_s[TIME_LEFT_MOUNTING] == 140 && rest.pause_s[TIME_LEFT_CHANGE] == 7);
    cr_expect(rest.whole && rest.whole_s == 1200 + 4 * 140.0);
    time_left_text(&rest, pauses, text, sizeof text);
    cr_expect_str_eq(text, "about 29 min left: 20 min of runs, and 4 mountings of about 2 min");
    time_left_pause(&t, TIME_LEFT_MOUNTING, 160);
    cr_expect_eq(time_left_rest(&t, 40, 1200, pauses).pause_s[TIME_LEFT_MOUNTING], 150,
                 "between the middle two");
    for (int i = 0; i < 3 * TIME_LEFT_KEPT; i++)
        time_left_pause(&t, TIME_LEFT_MOUNTING, 20 + i % 2);
    cr_expect_leq(time_left_rest(&t, 40, 1200, pauses).pause_s[TIME_LEFT_MOUNTING], 21, "the newest count");
}

Test(time_left, never_less_than_nothing)
{
    struct time_left t = {.time_scale = 1};
    int none[TIME_LEFT_PAUSES] = {0, 0};
    time_left_run(&t, 60, 2);
    cr_expect_eq(time_left_rest(&t, 5, 10, none).runs_s, 0);
}

Test(time_left, durations_are_rounded_to_what_is_known)
{
    static const struct {
        double s;
        const char *wanted;
    } rows[] = {{0, "1 s"},           {3.2, "4 s"},        {12, "10 s"},     {88, "90 s"},
                {91, "2 min"},        {1234, "21 min"},    {5399, "90 min"}, {5400, "1 h 30 min"},
                {9000, "2 h 30 min"}, {7079, "2 h 00 min"}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        time_left_duration(rows[i].s, text, sizeof text);
        cr_expect_str_eq(text, rows[i].wanted, "%g s: %s", rows[i].s, text);
    }
}
