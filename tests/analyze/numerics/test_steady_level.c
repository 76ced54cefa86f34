#include "analyze/numerics/quantity.h"
#include "analyze/numerics/steady_level.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdint.h>

TestSuite(steady_level, .init = quantity_init_numerics);

#define N 4000
static double x[N], y[N];

/* A fixed sequence, about normal with sd 1. */
static double noise(void)
{
    static uint64_t state = 88172645463325252u;
    double sum = 0;
    for (int i = 0; i < 12; i++) {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        sum += (double)(state >> 11) / 9007199254740992.0;
    }
    return sum - 6;
}

/* A gap, then an approach to 23.7 with this constant, noise and a ripple once per 25 mm. */
static void make(double travel_mm, double constant_mm, double noise_n, double ripple_n)
{
    for (int i = 0; i < N; i++) {
        x[i] = travel_mm * i / (N - 1);
        double in = x[i] - 0.7;
        y[i] = (in > 0 ? 23.7 * (1 - exp(-in / constant_mm)) : 0) + noise_n * noise() +
               ripple_n * sin(2 * 3.141592653589793 * x[i] / 25);
    }
}

Test(steady_level, an_approach_is_left_out_of_the_mean)
{
    struct steady_level l;
    make(23.1, 1.37, 0.21, 0);
    cr_assert_eq(steady_level_find(x, y, N, 0, &l, NULL), ERR_OK);
    cr_assert(l.settled);
    cr_expect(fabs(l.approach - 1.37) < 0.05, "%g", l.approach);
    cr_expect(fabs(l.leads_to - 23.7) < 0.03, "%g", l.leads_to);
    /* 0.2 % is left after 6.2 constants. */
    cr_expect(x[l.first] > 0.7 + 6 * 1.37 && x[l.first] < 0.7 + 6.6 * 1.37, "%g", x[l.first]);
    cr_expect(fabs(l.level - 23.7) < 4 * l.standard_error + 0.002 * 23.7 / 6, "%g +- %g", l.level,
              l.standard_error);
    cr_expect(l.standard_error > 0.5 * 0.21 / sqrt((double)l.count) &&
                  l.standard_error < 2.5 * 0.21 / sqrt((double)l.count),
              "%g", l.standard_error);
    cr_expect_eq(l.first + l.count, N);
}

Test(steady_level, a_run_that_ends_while_it_rises_has_not_settled)
{
    struct steady_level l;
    /* 5 mm of feed with a constant of 2.9 mm: a fifth is missing. */
    make(5.2, 2.9, 0.21, 0);
    cr_assert_eq(steady_level_find(x, y, N, 0, &l, NULL), ERR_OK);
    cr_expect(!l.settled);
    cr_expect(l.still_missing > 0.1, "%g", l.still_missing);
    /* So early that no bend is seen. */
    make(2.1, 37, 0.05, 0);
    cr_assert_eq(steady_level_find(x, y, N, 0, &l, NULL), ERR_OK);
    cr_expect(!l.settled);
}

Test(steady_level, settled_for_too_short_a_part_does_not_count)
{
    struct steady_level l;
    make(9.3, 1.37, 0.21, 0);
    cr_assert_eq(steady_level_find(x, y, N, 0, &l, NULL), ERR_OK);
    cr_expect(!l.settled);
    make(12.5, 1.37, 0.21, 0);
    cr_assert_eq(steady_level_find(x, y, N, 0, &l, NULL), ERR_OK);
    cr_expect(l.settled);
}

Test(steady_level, whole_turns_take_a_runout_away)
{
    struct steady_level l;
    make(41.3, 0.6, 0.01, 0.5);
    cr_assert_eq(steady_level_find(x, y, N, 25, &l, NULL), ERR_OK);
    cr_assert(l.settled);
    cr_expect(fabs(l.level - 23.7) < 0.01, "%g", l.level);
    cr_expect(fabs(x[N - 1] - x[l.first] - 25) < 0.05);
    cr_assert_eq(steady_level_find(x, y, N, 0, &l, NULL), ERR_OK);
    cr_expect(fabs(l.level - 23.7) > 0.05, "%g", l.level);
    /* And its slow ripple is in the standard error of a mean that is not over whole turns. */
    cr_expect(l.standard_error > 0.05, "%g", l.standard_error);
}

Test(steady_level, correlated_noise_is_no_better_known_for_being_sampled_often)
{
    struct steady_level l;
    double slow = 0;
    make(30, 0.4, 0, 0);
    for (int i = 0; i < N; i++) {
        slow = 0.995 * slow + 0.1 * noise(); /* sd 1, correlated over 200 samples */
        y[i] += slow;
    }
    cr_assert_eq(steady_level_find(x, y, N, 0, &l, NULL), ERR_OK);
    /* 1 * sqrt(2 * 200 / 3600) = 0.33, against 0.017 for independent samples. */
    cr_expect(l.standard_error > 0.12 && l.standard_error < 0.8, "%g", l.standard_error);
}

Test(steady_level, too_few_readings_and_no_numbers_are_refused)
{
    struct steady_level l;
    struct err e;
    make(30, 0.4, 0.1, 0);
    cr_expect_eq(steady_level_find(x, y, STEADY_LEVEL_LEAST - 1, 0, &l, &e), ERR_NO_ANSWER);
    y[317] = NAN;
    cr_expect_eq(steady_level_find(x, y, N, 0, &l, &e), ERR_NO_ANSWER);
    cr_expect_str_eq(e.text, "reading 318 is not a finite number");
}
