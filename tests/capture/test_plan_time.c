/* How long a plan takes and how much filament it feeds, against sums made by hand. */
#include "capture/plan_time.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static struct plan plan;
static struct plan_run runs[8];

static void expect_near(double got, double wanted, const char *what)
{
    cr_expect(fabs(got - wanted) <= 1e-9 * fabs(wanted), "%s: %.12g, not %.12g", what, got, wanted);
}

static void begin(void)
{
    memset(&plan, 0, sizeof plan);
    memset(runs, 0, sizeof runs);
    plan.feeder_count = 2;
    plan.rest_before_s = 0.75;
    plan.rest_after_s = 1.35;
    plan.tests[0] = (struct plan_test){.kind = PLAN_BLOCKED_PUSH, .travel_mm = 12, .acceleration_mm_s2 = 200};
    plan.tests[1] =
        (struct plan_test){.kind = PLAN_REVERSAL, .travel_mm = 2.5, .acceleration_mm_s2 = 80, .cycles = 3};
    plan.tests[2] = (struct plan_test){.kind = PLAN_MELT_PUSH, .travel_mm = 40, .acceleration_mm_s2 = 200};
    plan.test_count = 3;
}

Test(plan_time, a_way_has_two_ramps_and_steady_speed_between)
{
    /* 0.02 s up over 0.04 mm, 2.98 s at 4 mm/s over 11.92 mm, 0.02 s down over 0.04 mm. */
    expect_near(plan_time_way_s(12, 4, 200), 0.02 + 2.98 + 0.02, "steady");
}

Test(plan_time, a_short_way_never_reaches_its_speed)
{
    /* Half of 1 mm at 50 mm/s2 takes 0.1 sqrt(2) s, with 100 mm/s never met. */
    expect_near(plan_time_way_s(1, 100, 50), 0.2 * sqrt(2), "ramps alone");
    /* Where the ramps just touch, both forms agree. */
    expect_near(plan_time_way_s(4.5, 15, 50), 0.6, "ramps that meet");
}

Test(plan_time, a_run_has_its_rests_and_a_reversal_all_its_ways)
{
    begin();
    runs[0] = (struct plan_run){.test = 0, .speed_mm_s = 4};
    runs[1] = (struct plan_run){.test = 1, .speed_mm_s = 5};
    expect_near(plan_time_run_s(&plan, &runs[0]), 0.75 + 3.02 + 1.35, "push");
    /* 2.5 mm at 5 mm/s and 80 mm/s2: 0.5 s and 0.0625 s, six times. */
    expect_near(plan_time_run_s(&plan, &runs[1]), 0.75 + 6 * 0.5625 + 1.35, "reversal");
    expect_near(plan_time_feed_mm(&plan, &runs[1]), 2.5, "the same stretch, over and over");
}

Test(plan_time, a_series_adds_up_runs_filament_and_pauses)
{
    struct plan_time t;
    begin();
    runs[0] = (struct plan_run){.block = 1, .feeder = 1, .test = 0, .speed_mm_s = 4};
    runs[1] = (struct plan_run){.block = 1, .feeder = 1, .test = 0, .speed_mm_s = 8};
    runs[2] =
        (struct plan_run){.block = 1, .feeder = 1, .test = 2, .speed_mm_s = 10}; /* the hot end instead */
    runs[3] = (struct plan_run){.block = 1, .feeder = 0, .test = 2, .speed_mm_s = 10};
    runs[4] = (struct plan_run){.block = 2, .feeder = 0, .test = 2, .speed_mm_s = 10}; /* mounted anew */
    plan_time_series(&plan, runs, 5, &t);
    cr_expect_eq(t.runs, 5);
    expect_near(t.rig_s, 5 * 2.1 + 3.02 + (1.5 + 0.04) + 3 * (4 + 0.05), "seconds");
    expect_near(t.feed_mm[1], 12 + 12 + 40, "filament of the second feeder");
    expect_near(t.feed_mm[0], 80, "filament of the first feeder");
    cr_expect_eq(t.mountings, 3, "%d mountings", t.mountings);
    cr_expect_eq(t.changes, 1, "%d other changes", t.changes);
    plan_time_series(&plan, runs + 1, 2, &t);
    cr_expect_eq(t.mountings, 1, "what is left of a plan begins with a feeder to be mounted");
    plan_time_series(&plan, runs, 0, &t);
    cr_expect(t.rig_s == 0 && t.mountings == 0 && t.changes == 0, "nothing is left");
}
