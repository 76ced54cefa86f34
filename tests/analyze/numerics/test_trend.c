/* Source: Sen, J. Amer. Statist. Assoc. 63 (1968) 1379-1389, data from memory, interval recomputed; R's
 * distribution of Kendall's statistic (Kendall, Rank Correlation Methods, table of exact probabilities). */
#include "analyze/numerics/trend.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>

static const double SEN_X[7] = {1, 2, 3, 4, 10, 12, 18}, SEN_Y[7] = {9, 15, 19, 20, 45, 55, 78};

static void assert_near(double value, double expected, double tolerance)
{
    cr_assert(fabs(value - expected) <= tolerance, "%.15g, expected %.15g", value, expected);
}

Test(trend, sen_1968_slope_and_interval)
{
    struct trend t;
    cr_assert_eq(trend_theil_sen(SEN_X, SEN_Y, 7, 0.93, &t, NULL), ERR_OK);
    cr_assert_eq(t.pairs, 21);
    assert_near(t.slope, 4, 1e-15);
    assert_near(t.low, 26.0 / 7, 1e-15);
    assert_near(t.high, 35.0 / 8, 1e-15);
    assert_near(t.intercept, 6, 1e-14); /* median of 5 7 7 4 5 7 6 */
    /* Outside when at most 3 of 21 slopes are on one side: 76 of 5040 orders have at most 3 inversions. */
    cr_assert(t.exact);
    assert_near(t.coverage, 1 - 2 * 76.0 / 5040, 1e-14);
}

Test(trend, order_of_the_points_does_not_matter)
{
    struct trend t;
    const double x[7] = {10, 1, 18, 4, 2, 12, 3}, y[7] = {45, 9, 78, 20, 15, 55, 19};
    cr_assert_eq(trend_theil_sen(x, y, 7, 0.93, &t, NULL), ERR_OK);
    assert_near(t.slope, 4, 1e-15);
    assert_near(t.low, 26.0 / 7, 1e-15);
}

/* Two of nine points are nonsense; the others lie on 3.5 - 0.25 x. */
Test(trend, two_wild_points_of_nine_do_not_move_the_slope)
{
    struct trend t;
    double x[9], y[9];
    for (int i = 0; i < 9; i++) {
        x[i] = 1.5 + 2.25 * i;
        y[i] = 3.5 - 0.25 * x[i];
    }
    y[2] = 812;
    y[7] = -455;
    cr_assert_eq(trend_theil_sen(x, y, 9, 0.95, &t, NULL), ERR_OK);
    assert_near(t.slope, -0.25, 1e-14);
    assert_near(t.intercept, 3.5, 1e-13);
    cr_assert(t.low <= -0.25 + 1e-12 && t.high >= -0.25 - 1e-12);
}

/* Kendall's S for n = 10 (table): P(S >= 23) = 0.023, P(S >= 21) = 0.036; so 95 % takes the 12th slope from
 * each end, and for 96 % that one no longer does. */
Test(trend, interval_is_never_narrower_than_the_exact_distribution_allows)
{
    struct trend t;
    double x[10], y[10];
    for (int i = 0; i < 10; i++) {
        x[i] = i;
        y[i] = 0.01 * i * i;
    }
    cr_assert_eq(trend_theil_sen(x, y, 10, 0.95, &t, NULL), ERR_OK);
    assert_near(1 - t.coverage, 2 * 0.0233, 0.001);
    cr_assert_eq(trend_theil_sen(x, y, 10, 0.96, &t, NULL), ERR_OK);
    cr_assert_geq(t.coverage, 0.96);
    assert_near(1 - t.coverage, 2 * 0.0143, 0.001);
}

Test(trend, three_points_have_a_slope_without_limits)
{
    struct trend t;
    const double x[3] = {1, 2.5, 4}, y[3] = {1.1, 2.3, 4.4};
    cr_assert_eq(trend_theil_sen(x, y, 3, 0.95, &t, NULL), ERR_OK);
    assert_near(t.slope, 1.1, 1e-14);
    cr_assert(isinf(t.low) && t.low < 0 && isinf(t.high) && t.high > 0);
}

/* Whatever is asked for, the interval holds the slope at least that often where the distribution is exact. */
Test(trend, exact_coverage_is_never_below_what_was_asked_for)
{
    double x[12], y[12];
    for (int i = 0; i < 12; i++) {
        x[i] = i;
        y[i] = 0.3 * i + sin(12.9 * i * i);
    }
    for (size_t n = 4; n <= 12; n++) {
        for (int percent = 50; percent < 100; percent++) {
            struct trend t;
            cr_assert_eq(trend_theil_sen(x, y, n, percent / 100.0, &t, NULL), ERR_OK);
            cr_assert(t.exact && t.coverage >= percent / 100.0, "n %zu, %d %%: %g", n, percent, t.coverage);
        }
    }
}

static int ascending(const void *a, const void *b)
{
    const double *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

/* Sen's variance for tied x: three and two equal x among 8 points take 3*2*11 + 2*1*9 = 84 from 8*7*21; the
 * limits are the slopes of rank (24 - z sd) / 2, rounded, from both ends. */
Test(trend, equal_x_are_no_pair)
{
    const double x[8] = {1, 1, 1, 2, 3, 3, 5, 7}, y[8] = {2.1, 1.9, 2.0, 3.1, 4.2, 3.9, 6.1, 7.8};
    /* Confidence and its normal quantile: printed tables. */
    static const double CONFIDENCE[] = {0.5, 0.6, 0.7, 0.8, 0.9, 0.95};
    static const double Z[] = {0.67448975, 0.84162123, 1.03643339, 1.28155157, 1.64485363, 1.95996398};
    double slopes[28] = {0};
    size_t pairs = 0;
    for (int i = 0; i < 8; i++) {
        for (int j = 0; j < i; j++) {
            if (x[i] != x[j])
                slopes[pairs++] = (y[i] - y[j]) / (x[i] - x[j]);
        }
    }
    qsort(slopes, pairs, sizeof *slopes, ascending);
    for (int k = 0; k < 6; k++) {
        size_t rank = (size_t)((24 - Z[k] * sqrt((8.0 * 7 * 21 - 84) / 18)) / 2 + 0.5);
        struct trend t;
        cr_assert_eq(trend_theil_sen(x, y, 8, CONFIDENCE[k], &t, NULL), ERR_OK);
        cr_assert_eq(t.pairs, 24);
        cr_assert_not(t.exact);
        assert_near(t.low, slopes[rank - 1], 1e-15);
        assert_near(t.high, slopes[24 - rank], 1e-15);
    }
}

Test(trend, refuses_what_has_no_trend)
{
    struct trend t;
    const double same[4] = {2, 2, 2, 2}, bad[4] = {1, 2, NAN, 4};
    cr_assert_eq(trend_theil_sen(same, SEN_Y, 4, 0.95, &t, NULL), ERR_NO_ANSWER);
    cr_assert_eq(trend_theil_sen(bad, SEN_Y, 4, 0.95, &t, NULL), ERR_NO_ANSWER);
    cr_assert_eq(trend_theil_sen(SEN_X, SEN_Y, 2, 0.95, &t, NULL), ERR_NO_ANSWER);
    cr_assert_eq(trend_theil_sen(SEN_X, SEN_Y, TREND_POINTS_MAX + 1, 0.95, &t, NULL), ERR_NO_ANSWER);
    cr_assert_eq(trend_theil_sen(SEN_X, SEN_Y, 7, 1, &t, NULL), ERR_CALLER);
}
