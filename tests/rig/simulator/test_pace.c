#include "rig/simulator/pace.h"

#include <criterion/criterion.h>

#define NEVER INT64_MAX

Test(pace, real_time_is_real_time)
{
    struct pace p = pace_start(987654321, 1000, 0);
    cr_expect_eq(pace_rig_us(&p, 987654321, NEVER), 0);
    cr_expect_eq(pace_rig_us(&p, 987654321 + 4999, NEVER), 4999);
    cr_expect_eq(pace_rig_us(&p, 987654321 + 123457, NEVER), 123457);
}

Test(pace, no_time_is_lost_to_rounding)
{
    struct pace p = pace_start(0, 1337, 0);
    for (int64_t t = 1; t <= 70001; t += 7)
        pace_rig_us(&p, t, NEVER);
    cr_expect_eq(pace_rig_us(&p, 70001, NEVER), 70001 * 1337 / 1000);
}

Test(pace, the_clock_waits_for_a_late_host_before_the_watchdog)
{
    struct pace p = pace_start(0, 20000, 0);
    /* at 20 times real time the watchdog of 500 ms is due after 25 ms outside */
    cr_expect_eq(pace_rig_us(&p, 24000, 500000), 480000);
    cr_expect_eq(pace_rig_us(&p, 60000, 500000), 499999);
    cr_expect_eq(pace_rig_us(&p, 499999, 500000), 499999);
    cr_expect_eq(pace_rig_us(&p, 500000, 500000), 500019, "500 ms of silence outside are enough");
}

Test(pace, time_waited_is_not_made_up_for)
{
    struct pace p = pace_start(0, 20000, 0);
    pace_rig_us(&p, 100000, 500000);
    pace_heard(&p, 100000);
    cr_expect_eq(pace_rig_us(&p, 100100, 999999), 499999 + 2000);
}

Test(pace, a_suspended_program_goes_on_where_it_was)
{
    struct pace p = pace_start(0, 1000, 0);
    pace_rig_us(&p, 5000, NEVER);
    cr_expect_eq(pace_rig_us(&p, 3600000000, NEVER), 5000 + PACE_CATCH_UP_US);
}

Test(pace, a_watchdog_already_due_does_not_turn_the_clock_back)
{
    struct pace p = pace_start(0, 1000, 0);
    pace_rig_us(&p, 400000, NEVER);
    cr_expect_eq(pace_rig_us(&p, 400100, 300000), 400000);
}

Test(pace, a_clock_that_is_off_runs_off_by_just_that)
{
    struct pace fast = pace_start(0, 1000, 200);
    struct pace slow = pace_start(0, 100000, -37.25);
    for (int64_t t = 1; t <= 80000001; t += 1000) {
        pace_rig_us(&fast, t, NEVER);
        pace_rig_us(&slow, t, NEVER);
    }
    cr_expect_eq(pace_rig_us(&fast, 80000001, NEVER), 80000001 + 16000);
    cr_expect_eq(pace_rig_us(&slow, 80000001, NEVER), 8000000100 - 298001);
}
