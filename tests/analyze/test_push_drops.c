#include "analyze/push_drops.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

#define STEP      0.1257
#define STIFFNESS 46.3

static struct drop drops[6];
static struct limit_cause_drop out[6];
static struct limit_cause_evidence evidence;
static const struct push_motion MOTION = {.step_mm = STEP, .relative_feed = 0.0047};

/* Six drops from about 27.4 N to trough_n. */
static void drop_to(double trough_n, size_t count)
{
    static const double FEED_MM[6] = {1.3, 1.812, 2.309, 2.822, 3.331, 3.835};
    for (size_t i = 0; i < count; i++)
        drops[i] = (struct drop){.feed_mm = FEED_MM[i],
                                 .peak_n = 27.4 + 0.1 * ((double)(i % 3) - 1),
                                 .peak_standard_error_n = 0.27,
                                 .trough_n = trough_n};
    memset(&evidence, 0, sizeof evidence);
    evidence.relative_sd = 0.031;
    push_drops_evidence(&MOTION, 0.13, drops, drops, count, STIFFNESS, out, &evidence);
}

Test(push_drops, a_motor_gives_back_its_lag_and_a_grip_a_quarter_step)
{
    drop_to(9.6, 6);
    /* asin(9.6 / 27.4) is 0.35796074 of a radian. */
    cr_expect_float_eq(out[1].fallback_mm, (27.4 - 9.6) / STIFFNESS + STEP * (1 - 0.35796074 / 1.5707963),
                       1e-6);
    cr_expect_float_eq(out[1].fallback_most_mm, 27.4 / STIFFNESS + STEP, 1e-12);
    cr_expect_float_eq(out[1].slip_back_mm, (27.4 - 9.6) / STIFFNESS + STEP / 4, 1e-12);
    cr_expect_float_eq(out[1].slip_back_most_mm, 27.4 / STIFFNESS, 1e-12);
    cr_expect_float_eq(evidence.fallback_sd_mm, 1.5 * 0.27 / STIFFNESS, 1e-12);
    cr_expect_float_eq(evidence.slip_back_sd_mm, hypot(1.5 * 0.27 / STIFFNESS, STEP / 4), 1e-12);
    cr_expect_eq(evidence.recurs_mm, 0, "much of the force is left");
}

Test(push_drops, a_release_of_nearly_all_has_a_place_where_the_next_one_comes)
{
    drop_to(1.9, 6);
    cr_expect_float_eq(evidence.recurs_mm, 0.509, 1e-9); /* of 0.512 0.497 0.513 0.509 0.504 */
    cr_expect_float_eq(evidence.reload_mm, (27.4 - 1.9) / STIFFNESS + STEP / 2, 1e-9);
    cr_expect_float_eq(evidence.reload_sd_mm, hypot(0.031 * evidence.reload_mm, STEP / 4), 1e-12);
    cr_expect_float_eq(evidence.feed_relative_sd, 0.0047, 0);
    /* A trough below zero, of a filament that hangs on, is no longer way to go. */
    drop_to(-0.7, 6);
    cr_expect_float_eq(evidence.reload_mm, 27.4 / STIFFNESS + STEP / 2, 1e-9);
    drop_to(1.9, 3);
    cr_expect_eq(evidence.recurs_mm, 0, "three drops are too few");
}
