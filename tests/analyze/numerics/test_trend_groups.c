/* Source: Sen, J. Amer. Statist. Assoc. 63 (1968) 1379-1389, data from memory; Kendall's exact distribution
 * counted out by hand for small groups. */
#include "analyze/numerics/trend_groups.h"

#include "analyze/numerics/trend.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>

static void assert_near(double value, double expected, double tolerance)
{
    cr_assert(fabs(value - expected) <= tolerance, "%.15g, expected %.15g", value, expected);
}

Test(trend_groups, one_stretch_is_the_theil_sen_slope)
{
    const double x[7] = {1, 2, 3, 4, 10, 12, 18}, y[7] = {9, 15, 19, 20, 45, 55, 78};
    const size_t group[7] = {0};
    struct trend_groups t;
    struct trend plain;
    cr_assert_eq(trend_groups(x, y, group, 7, 0.93, &t, NULL), ERR_OK);
    cr_assert_eq(trend_theil_sen(x, y, 7, 0.93, &plain, NULL), ERR_OK);
    assert_near(t.slope, 4, 1e-15);
    assert_near(t.low, 26.0 / 7, 1e-15);
    assert_near(t.high, 35.0 / 8, 1e-15);
    assert_near(t.coverage, plain.coverage, 1e-14);
    cr_expect_eq(t.pairs, 21);
    cr_expect_eq(t.groups, 1);
    /* All pairs rise: S = 21, and one order of 5040 does so, another falls so. */
    assert_near(t.s, 21, 0);
    assert_near(t.p_value, 2.0 / 5040, 1e-15);
}

Test(trend_groups, levels_of_the_stretches_do_not_matter)
{
    /* Two stretches on lines of slope -2.5, the second 40 higher. */
    double x[10], y[10];
    size_t group[10];
    const double off[10] = {0.03, -0.11, 0.07, -0.02, 0.05, -0.06, 0.09, -0.04, 0.01, 0.02};
    struct trend_groups t;
    for (size_t i = 0; i < 10; i++) {
        x[i] = 0.37 * (double)i;
        group[i] = i < 5 ? 7 : 3;
        y[i] = (i < 5 ? 61.2 : 101.2) - 2.5 * x[i] + off[i];
    }
    cr_assert_eq(trend_groups(x, y, group, 10, 0.95, &t, NULL), ERR_OK);
    cr_expect(fabs(t.slope + 2.5) < 0.15, "%g", t.slope);
    cr_expect(t.low < -2.5 && t.high > -2.5 && t.high < -2 && t.low > -3, "%g %g", t.low, t.high);
    cr_expect_eq(t.groups, 2);
    cr_expect_eq(t.pairs, 20);
    assert_near(t.s, -20, 0);
    /* All of 120 * 120 orders but one fall less. */
    assert_near(t.p_value, 2.0 / 14400, 1e-15);
    cr_expect(t.exact);
    /* Taken as one, the step hides the slope. */
    for (size_t i = 0; i < 10; i++)
        group[i] = 0;
    cr_assert_eq(trend_groups(x, y, group, 10, 0.95, &t, NULL), ERR_OK);
    cr_expect(t.slope > 5, "%g", t.slope);
}

/* Three numbers have 0, 1, 2, 3 inversions in 1, 2, 2, 1 of 6 orders; two such stretches add up to at most 1
 * in 1 + 2 + 2 = 5 of 36. */
Test(trend_groups, exact_distribution_of_two_small_stretches)
{
    const double x[6] = {1, 2, 3, 4, 5, 6}, y[6] = {9, 7, 8, 6, 5, 4};
    const size_t group[6] = {0, 0, 0, 1, 1, 1};
    struct trend_groups t;
    cr_assert_eq(trend_groups(x, y, group, 6, 0.95, &t, NULL), ERR_OK);
    assert_near(t.s, -4, 0); /* one pair of six rises */
    assert_near(t.p_value, 2 * 5.0 / 36, 1e-15);
    /* Even the widest interval holds the slope in 34 of 36 only. */
    cr_expect(isinf(t.low) && isinf(t.high));
    cr_assert_eq(trend_groups(x, y, group, 6, 0.94, &t, NULL), ERR_OK);
    assert_near(t.coverage, 34.0 / 36, 1e-15);
    cr_expect(isfinite(t.low) && isfinite(t.high));
}

/* R: Kendall::MannKendall on the same numbers gives the same S; the variance with ties in y is
 * (n (n-1) (2n+5) - sum t (t-1) (2t+5)) / 18 = (8*7*21 - 2*1*9) / 18 = 64.333. */
Test(trend_groups, ties_take_the_normal_approximation)
{
    const double x[8] = {1, 2, 3, 4, 5, 6, 7, 8}, y[8] = {3.1, 2.9, 4.2, 4.2, 5.7, 5.1, 6.6, 7.3};
    const size_t group[8] = {0};
    struct trend_groups t;
    cr_assert_eq(trend_groups(x, y, group, 8, 0.95, &t, NULL), ERR_OK);
    cr_expect(!t.exact);
    assert_near(t.s, 23, 0); /* 28 pairs: one tie, two fall, 25 rise */
    assert_near(t.p_value, erfc(22 / sqrt(64.0 + 1.0 / 3) / sqrt(2.0)), 1e-12);
}

Test(trend_groups, what_allows_no_trend_is_refused)
{
    const double x[4] = {1, 2, 3, 4}, y[4] = {1, 5, 2, 4}, nan_y[4] = {1, NAN, 2, 4};
    const size_t alone[4] = {0, 1, 2, 3}, one[4] = {0};
    struct trend_groups t;
    struct err e;
    cr_expect_eq(trend_groups(x, y, alone, 4, 0.95, &t, &e), ERR_NO_ANSWER);
    cr_expect_eq(trend_groups(x, y, one, 2, 0.95, &t, &e), ERR_NO_ANSWER);
    cr_expect_eq(trend_groups(x, nan_y, one, 4, 0.95, &t, &e), ERR_NO_ANSWER);
    cr_expect_str_eq(e.text, "point 2 of the trend is not a finite number");
    cr_expect_eq(trend_groups(x, y, one, 4, 1, &t, &e), ERR_CALLER);
}

/* Three stretches of five points with normal scatter: the ranks of so few pairs hold the slope more often
 * than asked for, and the interpolated interval as often. */
Test(trend_groups, the_interpolated_interval_holds_the_slope_as_often_as_asked_for)
{
    enum { SERIES = 6000, POINTS = 15 };
    struct model_random r = {41017};
    double x[POINTS], y[POINTS], coverage = 0;
    size_t group[POINTS];
    int held = 0, near_held = 0;
    for (int k = 0; k < SERIES; k++) {
        struct trend_groups t;
        for (size_t i = 0; i < POINTS; i++) {
            group[i] = i / 5;
            x[i] = 0.83 * (double)i;
            y[i] = 51.7 + 9.1 * (double)group[i] - 0.42 * x[i] + 0.6 * model_random_normal(&r);
        }
        cr_assert_eq(trend_groups(x, y, group, POINTS, 0.95, &t, NULL), ERR_OK);
        cr_assert(t.low <= t.near_low && t.near_low < t.slope && t.slope < t.near_high &&
                  t.near_high <= t.high);
        held += t.low <= -0.42 && -0.42 <= t.high;
        near_held += t.near_low <= -0.42 && -0.42 <= t.near_high;
        coverage = t.coverage;
    }
    double sd = sqrt(0.95 * 0.05 / SERIES);
    cr_expect(fabs((double)held / SERIES - coverage) < 3.3 * sd, "%.4f for %.4f", (double)held / SERIES,
              coverage);
    cr_expect(coverage > 0.955, "nothing to interpolate: %.4f", coverage);
    cr_expect(fabs((double)near_held / SERIES - 0.95) < 3.3 * sd, "%.4f", (double)near_held / SERIES);
}
