#include "analyze/numerics/staircase.h"

#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

TestSuite(staircase, .init = quantity_init_numerics);

static const double PI = 3.14159265358979323846;

#define N 6000
static double rows[3 * N], positions[N], residuals[N];

/* A constant, a sine and a cosine of 11 cycles; steps: counts from one sample to the next. */
static struct staircase_input even(double steps)
{
    struct staircase_input in = {.n = N, .p = 3, .samples_per_row = 1, .rows = rows, .positions = positions};
    for (int i = 0; i < N; i++) {
        rows[3 * i] = 1;
        rows[3 * i + 1] = sin(2 * PI * 11 * i / N);
        rows[3 * i + 2] = cos(2 * PI * 11 * i / N);
        positions[i] = steps * i;
    }
    in.inverse[0][0] = 1.0 / N;
    in.inverse[1][1] = in.inverse[2][2] = 2.0 / N;
    return in;
}

static struct staircase rounded(const struct staircase_input *in)
{
    struct staircase s;
    struct err e;
    cr_assert_eq(staircase_rounding(in, &s, &e), ERR_OK, "%s", e.text);
    return s;
}

Test(staircase, counts_that_meet_the_samples_make_a_slow_sine)
{
    /* 3 counts and 11 cycles of a count over the whole: the first harmonic of the sawtooth, 1 / pi, is a sine
     * of 11 cycles, whose phase is anywhere. */
    struct staircase_input in = even(3 + 11.0 / N);
    struct staircase s = rounded(&in);
    double expected = 1 / (PI * PI) / 2;
    cr_expect_float_eq(s.covariance[1][1], expected, 0.02 * expected, "%g", s.covariance[1][1]);
    cr_expect_float_eq(s.covariance[2][2], expected, 0.02 * expected, "%g", s.covariance[2][2]);
    cr_expect_float_eq(s.variance, 1.0 / 12 - expected, 0.002, "%g", s.variance);
}

Test(staircase, counts_that_miss_a_sine_leave_it_alone)
{
    struct staircase_input in = even(3.3819660113);
    struct staircase s = rounded(&in);
    double white = 2.0 / N / 12;
    cr_expect(s.covariance[1][1] < white / 3, "%g of %g", s.covariance[1][1], white);
    cr_expect_float_eq(s.variance, 1.0 / 12, 0.001, "%g", s.variance);
}

Test(staircase, noise_before_the_rounding_makes_it_noise_too)
{
    struct staircase_input in = even(3 + 11.0 / N);
    in.dither = 1.3;
    struct staircase s = rounded(&in);
    double white = 2.0 / N / 12;
    cr_expect(s.covariance[1][1] > white / 3 && s.covariance[1][1] < 3 * white, "%g of %g",
              s.covariance[1][1], white);
    struct staircase again = rounded(&in);
    cr_expect_eq(memcmp(&s, &again, sizeof s), 0);
}

Test(staircase, sums_of_blocks_tell_what_hangs_together)
{
    unsigned state = 41;
    for (int i = 0; i < N; i++) {
        state = state * 1664525u + 1013904223u;
        residuals[i] = (state >> 8) / 16777216.0 - 0.5;
    }
    double alone = staircase_between(residuals, N);
    cr_expect(alone > 0.04 && alone < 0.14, "%g", alone);
    for (int i = 0; i < N; i++)
        residuals[i] = 0.41 * sin(2 * PI * 3 * i / N + 0.3);
    /* Sums of 150 samples of a slow sine: 150 times its variance, but for what its curvature takes. */
    cr_expect_float_eq(staircase_between(residuals, N), 150 * 0.41 * 0.41 / 2, 0.3);
    cr_expect_eq(staircase_between(residuals, 100), 0);
}

Test(staircase, too_many_columns_are_refused)
{
    struct staircase_input in = {.n = 40, .p = LINEAR_FIT_COLUMNS_MAX + 1, .samples_per_row = 1};
    struct staircase s;
    struct err e;
    cr_expect_eq(staircase_rounding(&in, &s, &e), ERR_CALLER);
}
