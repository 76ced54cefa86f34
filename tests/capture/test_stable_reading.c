/* When a reading counts as steady, against made samples whose scatter and course are known. */
#include "capture/stable_reading.h"
#include "rig/model/model.h"
#include "rig/wire/message.h"

#include <criterion/criterion.h>
#include <math.h>

#define LOW  (-8388607)
#define HIGH 8388607

static struct stable_reading r;
static struct model_random draws;
static int64_t fed;

/* Feed samples at 1 kHz about mean + slope * n with white noise; stops at a verdict that ends it. */
static enum stable_verdict feed(int64_t n, double mean, double slope, double sd)
{
    enum stable_verdict verdict = r.verdict;
    for (int64_t i = 0; i < n && verdict != STABLE_STEADY && verdict != STABLE_OVER_RANGE; i++, fed++) {
        double counts = mean + slope * (double)i + sd * model_random_normal(&draws);
        struct raw_sample s = {.time_us = 731 + 1000 * fed,
                               .force_counts = (int32_t)lround(fmax(LOW, fmin(HIGH, counts)))};
        verdict = stable_reading_feed(&r, &s, 1);
    }
    return verdict;
}

static void begin(double quiet_sd_counts)
{
    draws.state = 20310302;
    fed = 0;
    stable_reading_begin(&r, 1000, LOW, HIGH, quiet_sd_counts);
}

Test(stable_reading, a_quiet_load_is_steady_after_one_window)
{
    begin(1180);
    cr_expect_eq(feed(1007, 48213.7, 0, 1200), STABLE_WAITING);
    cr_expect_eq(feed(1, 48213.7, 0, 1200), STABLE_STEADY);
    cr_expect_eq(r.n, 1008);
    cr_expect_float_eq(r.mean_counts, 48213.7, 4 * 1200 / sqrt(1008), "%g", r.mean_counts);
    cr_expect_float_eq(r.sd_counts, 1200, 100, "%g", r.sd_counts);
    cr_expect(r.standard_error_counts > 15 && r.standard_error_counts < 70, "%g", r.standard_error_counts);
    cr_expect_float_eq(stable_reading_waited_s(&r), 1.007, 1e-9);
}

Test(stable_reading, white_noise_is_rarely_made_to_wait)
{
    int steady = 0;
    begin(0);
    for (int i = 0; i < 3000; i++) {
        stable_reading_begin(&r, 64, LOW, HIGH, 1200);
        fed = 0;
        steady += feed(64, -77123, 0, 1200) == STABLE_STEADY;
    }
    /* Of t with 14 degrees of freedom 93.5 % lie within 2; blocks of four make it a little less even. */
    cr_expect(steady > 2700 && steady < 2900, "%d of 3000", steady);
}

Test(stable_reading, the_first_reading_may_have_any_scatter)
{
    begin(0);
    cr_expect_eq(feed(3024, 500, 0, 90000), STABLE_STEADY);
    cr_expect_eq(r.sd_allowed_counts, 0);
}

Test(stable_reading, a_load_that_creeps_is_not_steady)
{
    begin(1200);
    /* 0.5 counts a sample: 252 counts from half to half, against 2 standard errors of about 150. */
    cr_expect_eq(feed(20000, 48213.7, 0.7, 1200), STABLE_MOVING);
    cr_expect(r.difference_counts > r.difference_allowed_counts);
    cr_expect_float_eq(r.difference_counts, 0.7 * 504, 250);
    /* and is as soon as it stops. */
    cr_expect_eq(feed(3024, 62213.7, 0, 1200), STABLE_STEADY);
    cr_expect_float_eq(r.mean_counts, 62213.7, 200);
}

Test(stable_reading, a_swinging_weight_is_not_steady)
{
    begin(1200);
    for (int i = 0; i < 8000; i++, fed++) {
        double swing = 3600 * sin(2 * 3.14159265358979 * 2.3 * (double)i / 1000);
        struct raw_sample s = {.time_us = 1000 * fed,
                               .force_counts =
                                   (int32_t)lround(9000 + swing + 1200 * model_random_normal(&draws))};
        cr_assert_neq(stable_reading_feed(&r, &s, 1), STABLE_STEADY, "at sample %d", i);
    }
    cr_expect(r.sd_counts > r.sd_allowed_counts);
    cr_expect_float_eq(r.sd_allowed_counts, 1800, 1e-9);
}

Test(stable_reading, a_change_within_the_window_is_not_averaged_over)
{
    begin(1200);
    cr_expect_eq(feed(700, 12345, 0, 1200), STABLE_WAITING);
    cr_expect_eq(feed(3024, 32345, 0, 1200), STABLE_STEADY);
    cr_expect_float_eq(r.mean_counts, 32345, 200);
    cr_expect_geq(fed, 700 + 308 + 1008, "the half with the change in it belongs to no steady window");
}

Test(stable_reading, a_converter_that_repeats_one_count_is_steady)
{
    begin(0);
    cr_expect_eq(feed(1008, -417, 0, 0), STABLE_STEADY);
    cr_expect_eq(r.mean_counts, -417);
    cr_expect_eq(r.sd_counts, 0);
    /* So is one that flickers between two. */
    begin(0.02);
    cr_expect_eq(feed(3024, -417.4, 0, 0.2), STABLE_STEADY);
    cr_expect_float_eq(r.sd_allowed_counts, 1.5, 1e-12);
}

Test(stable_reading, the_end_of_the_range_is_noticed_by_value_and_by_flag)
{
    struct raw_sample flagged[2016];
    begin(1200);
    cr_expect_eq(feed(5000, HIGH + 5000, 0, 1200), STABLE_OVER_RANGE);
    cr_expect_eq(fed, 1008);
    begin(1200);
    cr_expect_eq(feed(5000, LOW, 0, 1200), STABLE_OVER_RANGE);
    begin(1200);
    for (int i = 0; i < 2016; i++)
        flagged[i] = (struct raw_sample){
            .time_us = 1000 * i, .force_counts = 3211, .flags = i % 200 == 0 ? WIRE_FLAG_OVER_RANGE : 0};
    cr_expect_eq(stable_reading_feed(&r, flagged, 2016), STABLE_OVER_RANGE);
}

Test(stable_reading, a_knock_is_waited_out)
{
    begin(1200);
    cr_expect_eq(feed(300, 48000, 0, 1200), STABLE_WAITING);
    cr_expect_eq(feed(20, HIGH + 9000, 0, 10), STABLE_WAITING);
    cr_expect_eq(feed(5000, 48000, 0, 1200), STABLE_STEADY);
    cr_expect_float_eq(r.mean_counts, 48000, 200);
}

Test(stable_reading, a_slow_gauge_gets_a_longer_window)
{
    cr_expect_float_eq(stable_reading_window_s(1000), 1.008, 1e-12);
    cr_expect_float_eq(stable_reading_window_s(10), 3.2, 1e-12);
    cr_expect_float_eq(stable_reading_window_s(80), 1.0, 1e-12);
    cr_expect_float_eq(stable_reading_window_s(97), 112 / 97.0, 1e-12);
}
