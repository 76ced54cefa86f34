/* A saw tooth of known period and fall in noise larger than itself, and levels that have none. */
#include "analyze/numerics/tick.h"

#include <criterion/criterion.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

enum { SAMPLES = 1600 };
#define CYCLE_MM  0.1037
#define SAMPLE_MM 0.0113

struct level {
    double feed_mm[SAMPLES], force_n[SAMPLES];
};

/* Level of 63.7 N that bends by bend_n, with a saw tooth of fall_n every period_mm. */
static void make(struct level *l, double fall_n, double period_mm, double noise_n, double bend_n,
                 unsigned long seed)
{
    gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(r, seed);
    for (int i = 0; i < SAMPLES; i++) {
        double x = SAMPLE_MM * i, phase = x / period_mm, u = (double)i / SAMPLES;
        l->feed_mm[i] = 12.4 + x;
        l->force_n[i] = 63.7 + fall_n * (phase - floor(phase) - 0.5) + bend_n * u * (1 - u) +
                        gsl_ran_gaussian(r, noise_n);
    }
    gsl_rng_free(r);
}

static struct tick find(const struct level *l, double fall_n, double noise_n)
{
    struct tick tick;
    struct err e = {0};
    cr_assert_eq(
        tick_find(l->feed_mm, l->force_n, SAMPLES, CYCLE_MM, 3.1 * CYCLE_MM, fall_n, noise_n, &tick, &e),
        ERR_OK, "%s", e.text);
    return tick;
}

Test(tick, saw_tooth_below_the_noise_is_seen)
{
    struct level l;
    make(&l, 1.9, 1.31 * CYCLE_MM, 1.07, 0, 41);
    struct tick tick = find(&l, 1.9, 1.07);
    cr_expect(tick.seen && tick.would_be_seen);
    cr_expect_float_eq(tick.period_mm, 1.31 * CYCLE_MM, 0.003 * CYCLE_MM, "%g", tick.period_mm);
    /* Fundamental of a saw tooth: fall / pi. */
    cr_expect_float_eq(tick.amplitude_n, 1.9 / M_PI, 0.12, "%g", tick.amplitude_n);
}

Test(tick, level_that_bends_has_none)
{
    int seen = 0;
    struct level l;
    for (unsigned long seed = 0; seed < 40; seed++) {
        make(&l, 0, CYCLE_MM, 1.07, 2.3, 100 + seed);
        struct tick tick = find(&l, 1.9, 1.07);
        seen += tick.seen;
        cr_expect(tick.would_be_seen);
    }
    cr_expect_eq(seen, 0, "%d of 40", seen);
}

Test(tick, saw_tooth_far_below_the_noise_is_neither_seen_nor_ruled_out)
{
    struct level l;
    make(&l, 0.11, CYCLE_MM, 1.07, 0, 43);
    struct tick tick = find(&l, 0.11, 1.07);
    cr_expect(!tick.seen && !tick.would_be_seen);
}

Test(tick, beat_outside_the_range_is_not_taken_for_one)
{
    struct level l;
    make(&l, 1.9, 4.43 * CYCLE_MM, 0.21, 0, 44);
    /* Its harmonics lie at 2.215 and 1.477 cycles: those of a saw tooth are in the range, so a sine is used.
     */
    for (int i = 0; i < SAMPLES; i++)
        l.force_n[i] = 63.7 + 0.9 * sin(2 * M_PI * SAMPLE_MM * i / (4.43 * CYCLE_MM)) +
                       0.05 * cos(2.13 * i * i); /* chirp: spread over all frequencies */
    struct tick tick = find(&l, 1.9, 0.21);
    cr_expect(tick.amplitude_n < 0.2, "%g", tick.amplitude_n);
}

Test(tick, too_few_samples_in_a_period_are_refused)
{
    struct level l;
    struct tick tick;
    struct err e = {0};
    make(&l, 1.9, CYCLE_MM, 0.3, 0, 45);
    cr_expect_eq(tick_find(l.feed_mm, l.force_n, SAMPLES, 2.7 * SAMPLE_MM, 1, 1.9, 0.3, &tick, &e),
                 ERR_NO_ANSWER);
    cr_expect_str_eq(e.text, "2.7 samples in a period and 592 periods are too few");
    cr_expect_eq(tick_find(l.feed_mm, l.force_n, 20, CYCLE_MM, 1, 1.9, 0.3, &tick, &e), ERR_NO_ANSWER);
    cr_expect_eq(tick_find(l.feed_mm, l.force_n, 1, CYCLE_MM, 1, 1.9, 0.3, &tick, &e), ERR_NO_ANSWER);
}
