/* What holds for the runs of every kind. */
#include "analyze/bench_test.h"

#include <criterion/criterion.h>
#include <math.h>

/* Until it is armed a rig tells the position at which the run before ended; both ways of a motion went
 * through the nip. */
Test(bench_test, metres_fed_are_those_of_this_runs_motion_both_ways)
{
    enum { N = 8 };
    int64_t time_us[N] = {0, 1000, 2000, 3000, 4000, 5000, 6000, 7000};
    int32_t force[N] = {0}, steps[N] = {9000, 9000, 0, 0, 130, 270, 110, 40};
    uint8_t flags[N] = {0};
    struct run_columns columns = {
        .n = N, .time_us = time_us, .force_counts = force, .commanded_steps = steps, .flags = flags};
    struct run_record record = {.test = PLAN_FREE_RUN,
                                .drive_diameter_mm = 8.3,
                                .reduction = 1,
                                .full_steps_per_rev = 200,
                                .microsteps = 16,
                                .push_start_us = 3000,
                                .push_end_us = 7000};
    struct calibration calibration = {.degree = 1, .coefficients = {0, 4000}};
    struct push_settings settings = push_budget_settings(NULL);
    static struct run_finding run;
    struct err e = {0};
    quantity_init_numerics();
    cr_expect_eq(bench_test_run(&columns, &record, &calibration, &settings, &run, &e), ERR_NO_ANSWER);
    /* 270 forward, 230 back, in microsteps of pi 8.3 / 3200 mm. */
    cr_expect_float_eq(run.fed_mm, 500 * M_PI * 8.3 / 3200, 1e-9, "%g mm", run.fed_mm);
}

Test(bench_test, pushes_have_a_stall_force_and_the_others_none)
{
    cr_expect(bench_test_is_push(PLAN_ENDURANCE) && bench_test_is_push(PLAN_PRELOAD_SWEEP));
    cr_expect(!bench_test_is_push(PLAN_REVERSAL) && !bench_test_is_push(PLAN_MELT_PUSH));
    cr_expect(!bench_test_is_plain_push(PLAN_ENDURANCE) && bench_test_is_plain_push(PLAN_SPEED_SWEEP));
}
