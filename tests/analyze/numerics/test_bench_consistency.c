/* Sources: ISO 5725-2, formulas and tables from memory; glucose in serum, the data file of table 1 of ASTM
 * E691 with its results recomputed from the formulas; critical values as printed in the standard's tables,
 * from memory. Other expected numbers are worked out by hand, beside them. tests/reference/bench.R holds more
 * of them to R. */
#include "analyze/numerics/bench_consistency.h"
#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

enum { LABORATORIES = 8, RESULTS = 24 };

static const double GLUCOSE[4][RESULTS] = {
    {41.03, 41.45, 41.37, 41.17, 42.00, 41.15, 41.01, 40.68, 42.66, 39.37, 42.37, 42.63,
     41.88, 41.19, 41.32, 43.28, 40.50, 42.28, 41.08, 41.27, 39.02, 43.36, 42.65, 41.72},
    {78.28, 78.18, 78.49, 77.78, 80.38, 79.54, 79.18, 79.72, 80.81, 84.08, 78.60, 81.92,
     78.16, 79.58, 78.33, 78.66, 79.27, 81.75, 79.76, 81.45, 77.35, 80.44, 80.80, 79.80},
    {132.66, 133.83, 133.10, 132.92, 136.90, 136.40, 132.61, 135.80, 135.36, 138.50, 148.30, 135.69,
     131.90, 134.14, 133.76, 137.21, 135.14, 137.50, 130.97, 131.59, 134.92, 135.46, 135.14, 133.63},
    /* The same with 148.30 read as 138.30. */
    {132.66, 133.83, 133.10, 132.92, 136.90, 136.40, 132.61, 135.80, 135.36, 138.50, 138.30, 135.69,
     131.90, 134.14, 133.76, 137.21, 135.14, 137.50, 130.97, 131.59, 134.92, 135.46, 135.14, 133.63},
};

static void assert_near(double value, double expected, double tolerance, const char *what)
{
    cr_assert(fabs(value - expected) <= tolerance, "%s: %.15g, expected %.15g", what, value, expected);
}

static struct bench_consistency of_three_each(const double *values, size_t n)
{
    struct bench_consistency r;
    struct err e = {0};
    size_t bench[RESULTS];
    quantity_init_numerics();
    for (size_t i = 0; i < n; i++)
        bench[i] = i / 3;
    cr_assert_eq(bench_consistency(values, bench, n, n / 3, &r, &e), ERR_OK, "%s", e.text);
    return r;
}

Test(bench_consistency, glucose_comes_out_to_every_printed_digit)
{
    static const struct {
        double mean, of_means, repeatability, reproducibility;
        bool clamped;
    } PRINTED[] = {
        {41.5183, 0.6061, 1.0632, 1.0632, true},
        {79.6796, 1.0028, 1.4949, 1.5796, false},
        {135.1429, 2.6559, 2.7483, 3.4770, false},
        {134.7263, 1.7397, 1.5434, 2.1482, false},
    };
    for (size_t m = 0; m < 4; m++) {
        struct bench_consistency r = of_three_each(GLUCOSE[m], RESULTS);
        /* The last is 134.72625, which may be rounded either way. */
        assert_near(r.mean, PRINTED[m].mean, 0.5e-4 + 1e-12, "mean");
        assert_near(r.sd_of_means, PRINTED[m].of_means, 0.5e-4, "s_x");
        assert_near(r.repeatability_sd, PRINTED[m].repeatability, 0.5e-4, "s_r");
        assert_near(r.reproducibility_sd, PRINTED[m].reproducibility, 0.5e-4, "s_R");
        assert_near(r.repeatability_limit, 2.8 * r.repeatability_sd, 1e-12, "r");
        assert_near(r.reproducibility_limit, 2.8 * r.reproducibility_sd, 1e-12, "R");
        assert_near(hypot(r.between_sd, r.repeatability_sd), r.reproducibility_sd, 1e-12, "s_L");
        cr_expect_eq(r.between_clamped, PRINTED[m].clamped);
        cr_expect_eq(r.between_sd == 0, PRINTED[m].clamped);
        assert_near(r.effective_n, 3, 1e-12, "n");
        cr_expect_eq(r.values, RESULTS);
        cr_expect_eq(r.common_n, 3);
    }
}

Test(bench_consistency, the_misread_cell_is_an_outlier_by_its_scatter)
{
    struct bench_consistency r = of_three_each(GLUCOSE[2], RESULTS);
    cr_expect(r.cochran.present);
    assert_near(r.cochran.statistic, 0.7253, 0.5e-4, "C");
    assert_near(r.cochran.critical_5, 0.516, 0.5e-3, "C at 5 %");
    assert_near(r.cochran.critical_1, 0.615, 0.5e-3, "C at 1 %");
    cr_expect_eq(r.cochran.bench, 3);
    cr_expect_eq(r.cochran.mark, BENCH_OUTLIER);
    /* k = sqrt(p C). */
    assert_near(r.cells[3].k, sqrt(8 * r.cochran.statistic), 1e-12, "k");
    cr_expect_eq(r.cells[3].k_mark, BENCH_OUTLIER);
    cr_expect_eq(r.cells[3].h_mark, BENCH_OUTLIER);
    for (size_t g = 0; g < LABORATORIES; g++)
        cr_expect(g == 3 || (r.cells[g].k_mark == BENCH_SOUND && r.cells[g].h_mark == BENCH_SOUND));
    cr_expect_eq(r.grubbs_high.bench, 3);
    assert_near(r.grubbs_high.statistic, r.cells[3].h, 1e-12, "G");
    cr_expect_eq(r.grubbs_high.mark, BENCH_STRAGGLER, "%g", r.grubbs_high.statistic);
    cr_expect_eq(r.grubbs_low.mark, BENCH_SOUND);
    /* Read rightly, nothing is left of it. */
    r = of_three_each(GLUCOSE[3], RESULTS);
    cr_expect_eq(r.cochran.mark, BENCH_SOUND);
    cr_expect_eq(r.grubbs_high.mark, BENCH_SOUND);
}

Test(bench_consistency, h_and_k_by_hand)
{
    /* Means 2, 5, 11, variances 1, 4, 1: the means' mean 6, s_x^2 = (16 + 1 + 25) / 2 = 21, s_r^2 = 2. */
    const double values[9] = {1, 2, 3, 3, 5, 7, 10, 11, 12};
    struct bench_consistency r = of_three_each(values, 9);
    assert_near(r.mean, 6, 1e-15, "m");
    assert_near(r.sd_of_means, sqrt(21), 1e-14, "s_x");
    assert_near(r.repeatability_sd, sqrt(2), 1e-15, "s_r");
    assert_near(r.between_sd * r.between_sd, 21 - 2.0 / 3, 1e-13, "s_L^2");
    assert_near(r.cells[0].h, -4 / sqrt(21), 1e-15, "h");
    assert_near(r.cells[2].h, 5 / sqrt(21), 1e-15, "h");
    assert_near(r.cells[1].sd, 2, 1e-15, "sd");
    assert_near(r.cells[1].k, 2 / sqrt(2), 1e-15, "k");
    assert_near(r.cochran.statistic, 4.0 / 6, 1e-15, "C");
    cr_expect_eq(r.cochran.bench, 1);
    assert_near(r.grubbs_low.statistic, 4 / sqrt(21), 1e-15, "G low");
    assert_near(r.grubbs_high.statistic, 5 / sqrt(21), 1e-15, "G high");
    cr_expect_eq(r.grubbs_low.bench, 0);
    cr_expect_eq(r.grubbs_high.bench, 2);
    cr_expect_not(r.grubbs_two_low.present || r.grubbs_two_high.present);
}

Test(bench_consistency, cells_of_unequal_size_by_hand)
{
    /* n 3, 2, 1; means 2, 6, 12; m = (6 + 12 + 12) / 6 = 5; s_r^2 = (2 + 2) / 3; s_d^2 = (3 * 9 + 2 * 1 +
     * 49) / 2 = 39; n double bar = (6 - 14 / 6) / 2 = 11 / 6; s_L^2 = (39 - 4 / 3) / (11 / 6). */
    const double values[6] = {1, 12, 2, 7, 3, 5};
    const size_t bench[6] = {0, 2, 0, 1, 0, 1};
    struct bench_consistency r;
    cr_assert_eq(bench_consistency(values, bench, 6, 3, &r, NULL), ERR_OK);
    assert_near(r.mean, 5, 1e-15, "m");
    assert_near(r.repeatability_sd, sqrt(4.0 / 3), 1e-15, "s_r");
    assert_near(r.effective_n, 11.0 / 6, 1e-15, "n double bar");
    assert_near(r.between_sd * r.between_sd, (39 - 4.0 / 3) / (11.0 / 6), 1e-13, "s_L^2");
    assert_near(r.sd_of_means, sqrt((14.0 * 14 + 2 * 2 + 16 * 16) / 9 / 2), 1e-14, "s_x");
    cr_expect(isnan(r.cells[2].sd) && isnan(r.cells[2].k) && r.cells[2].k_mark == BENCH_SOUND);
    /* Two sds, of 3 and 2 values: the smaller n of two equally common. */
    cr_expect_eq(r.common_n, 2);
    assert_near(r.cochran.statistic, 2.0 / 3, 1e-15, "C");
    assert_near(r.cochran.critical_5, bench_cochran_critical(2, 2, 0.05), 0, "C at 5 %");
    assert_near(r.k_critical_1, bench_mandel_k_critical(2, 2, 0.01), 0, "k at 1 %");
    assert_near(r.cells[1].k, sqrt(2 / 1.5), 1e-15, "k");
}

Test(bench_consistency, two_far_off_are_found_together)
{
    /* Eight benches, of which two are high; each hides the other from the single test. Of the other six,
     * 10 -3 -2 -1 1 2 3: squares about their mean 28. Of all, mean of 10 +- and 30, 32: (60 + 62) / 8 =
     * 15.25. */
    const double means[8] = {7, 8, 9, 30, 11, 12, 32, 13};
    struct bench_consistency r = {0};
    double values[16], all = 0;
    size_t bench[16];
    quantity_init_numerics();
    for (int sign = 1; sign >= -1; sign -= 2) {
        const struct bench_check *two = sign > 0 ? &r.grubbs_two_high : &r.grubbs_two_low;
        const struct bench_check *one = sign > 0 ? &r.grubbs_high : &r.grubbs_low;
        const struct bench_check *other_end = sign > 0 ? &r.grubbs_two_low : &r.grubbs_two_high;
        for (size_t i = 0; i < 16; i++) {
            bench[i] = i / 2;
            values[i] = sign * means[i / 2] + (i % 2 == 0 ? -0.5 : 0.5);
        }
        all = 0;
        for (size_t g = 0; g < 8; g++)
            all += (means[g] - 15.25) * (means[g] - 15.25);
        cr_assert_eq(bench_consistency(values, bench, 16, 8, &r, NULL), ERR_OK);
        assert_near(two->statistic, 28 / all, 1e-14, "ratio");
        cr_expect_eq(two->bench, 6);
        cr_expect_eq(two->other, 3);
        cr_expect_eq(two->mark, BENCH_OUTLIER);
        cr_expect_eq(one->mark, BENCH_SOUND);
        cr_expect_eq(one->bench, 6);
        cr_expect_eq(other_end->mark, BENCH_SOUND);
        cr_expect_eq(other_end->bench, 0);
        cr_expect_eq(other_end->other, 1);
    }
}

Test(bench_consistency, cochran_and_mandel_as_printed)
{
    assert_near(bench_cochran_critical(8, 3, 0.05), 0.516, 0.5e-3, "8, 3, 5 %");
    assert_near(bench_cochran_critical(8, 3, 0.01), 0.615, 0.5e-3, "8, 3, 1 %");
    assert_near(bench_cochran_critical(5, 2, 0.05), 0.841, 0.5e-3, "5, 2, 5 %");
    assert_near(bench_cochran_critical(5, 2, 0.01), 0.928, 0.5e-3, "5, 2, 1 %");
    assert_near(bench_cochran_critical(10, 2, 0.05), 0.602, 0.5e-3, "10, 2, 5 %");
    assert_near(bench_cochran_critical(10, 2, 0.01), 0.717, 1e-3, "10, 2, 1 %");
    assert_near(bench_mandel_h_critical(8, 0.05), 1.75, 0.5e-2, "h 5 %");
    assert_near(bench_mandel_h_critical(8, 0.01), 2.06, 0.5e-2, "h 1 %");
    assert_near(bench_mandel_k_critical(8, 3, 0.05), 1.67, 0.5e-2, "k 5 %");
    assert_near(bench_mandel_k_critical(8, 3, 0.01), 1.96, 0.5e-2, "k 1 %");
    /* Greatest h there can be: (p - 1) / sqrt(p). */
    cr_expect(bench_mandel_h_critical(3, 1e-6) < 2 / sqrt(3));
    assert_near(bench_mandel_h_critical(3, 1e-6), 2 / sqrt(3), 1e-9, "h at its most");
}

/* The printed 1.155 (3 means) and 2.126 (8) at 5 % are a unit of the last digit off the exact values, 1.1543
 * and 2.1266; all others are these, rounded. */
Test(bench_consistency, grubbs_of_one_as_printed_half_of_the_level_at_either_end)
{
    assert_near(bench_grubbs_critical(3, 0.05), 1.155, 1e-3, "3, 5 %");
    assert_near(bench_grubbs_critical(3, 0.01), 1.155, 0.5e-3, "3, 1 %");
    assert_near(bench_grubbs_critical(5, 0.05), 1.715, 0.5e-3, "5, 5 %");
    assert_near(bench_grubbs_critical(8, 0.05), 2.126, 1e-3, "8, 5 %");
    assert_near(bench_grubbs_critical(10, 0.05), 2.290, 0.5e-3, "10, 5 %");
    assert_near(bench_grubbs_critical(5, 0.01), 1.764, 0.5e-3, "5, 1 %");
    assert_near(bench_grubbs_critical(8, 0.01), 2.274, 0.5e-3, "8, 1 %");
    assert_near(bench_grubbs_critical(10, 0.01), 2.482, 0.5e-3, "10, 1 %");
    /* Of three, m = 2 / sqrt(3) sin(f), f even over a half turn above 30 degrees and each end one of three
     * values' to reach: above f lies 3 (90 - f) / 180 of all. */
    assert_near(bench_grubbs_critical(3, 0.05), 2 / sqrt(3) * cos(M_PI * 0.025 / 3), 1e-13, "3, exactly");
}

/* Grubbs and Beck, Technometrics 14 (1972) 847-854, 0.5 % and 2.5 % below, which are the 1 % and 5 % of ISO
 * 5725-2; from memory. The printed 0.1864 is a unit of the last digit off. */
Test(bench_consistency, grubbs_of_two_as_printed)
{
    static const double PRINTED[][3] = {
        {4, 0.0002, 0.0000}, {5, 0.0090, 0.0018}, {6, 0.0349, 0.0116},  {7, 0.0708, 0.0308},
        {8, 0.1101, 0.0563}, {9, 0.1492, 0.0851}, {10, 0.1864, 0.1150},
    };
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof PRINTED / sizeof *PRINTED; i++) {
        size_t p = (size_t)PRINTED[i][0];
        assert_near(bench_grubbs_double_critical(p, 0.05), PRINTED[i][1], p == 10 ? 1e-4 : 0.5e-4, "5 %");
        assert_near(bench_grubbs_double_critical(p, 0.01), PRINTED[i][2], 0.5e-4, "1 %");
    }
}

Test(bench_consistency, grubbs_of_two_rises_with_benches_and_level)
{
    double before = 0;
    quantity_init_numerics();
    for (size_t p = 4; p <= BENCH_CONSISTENCY_MAX; p += 8) {
        double five = bench_grubbs_double_critical(p, 0.05), one = bench_grubbs_double_critical(p, 0.01);
        cr_expect(one < five && five < 1 && five > before, "%zu: %g %g", p, one, five);
        before = five;
    }
    /* Far in the tail the two others of four are close together, and the two are above them or both below or
     * on either side: a ratio below c has the chance sqrt(c) for any pair, there are 6, and of the directions
     * in which a pair may lie, 2 theta of 2 pi are above, tan(theta) = sqrt(2). */
    {
        double level = 1e-7, theta = atan(sqrt(2)), c = bench_grubbs_double_critical(4, level);
        assert_near(6 * sqrt(c) * theta / M_PI / (level / 2), 1, 1e-6, "tail of 4");
    }
}

Test(bench_consistency, what_all_have_in_common_takes_no_digits)
{
    /* In hundredths the results are whole numbers, which 1e9 more leaves exact. */
    double plain[RESULTS], moved[RESULTS];
    struct bench_consistency a, b;
    for (size_t m = 0; m < 4; m++) {
        for (size_t i = 0; i < RESULTS; i++) {
            plain[i] = nearbyint(100 * GLUCOSE[m][i]);
            moved[i] = plain[i] + 1e9;
        }
        a = of_three_each(plain, RESULTS);
        b = of_three_each(moved, RESULTS);
        assert_near(b.mean - 1e9, a.mean, 2e-7, "mean"); /* last digit of a double */
        assert_near(b.sd_of_means / a.sd_of_means, 1, 1e-14, "s_x");
        assert_near(b.repeatability_sd / a.repeatability_sd, 1, 1e-14, "s_r");
        assert_near(b.reproducibility_sd / a.reproducibility_sd, 1, 1e-14, "s_R");
        assert_near(b.cochran.statistic / a.cochran.statistic, 1, 1e-14, "C");
        assert_near(b.grubbs_two_high.statistic / a.grubbs_two_high.statistic, 1, 1e-13, "two");
        for (size_t g = 0; g < LABORATORIES; g++)
            assert_near(b.cells[g].h, a.cells[g].h, 1e-13, "h");
    }
    assert_near(a.repeatability_sd / 100, 1.5434, 0.5e-4, "s_r");
}

Test(bench_consistency, sizes_far_from_one_keep_their_digits)
{
    static const double scales[] = {1e-200, 1e200};
    struct bench_consistency a = of_three_each(GLUCOSE[1], RESULTS), b;
    double values[RESULTS];
    for (size_t s = 0; s < 2; s++) {
        for (size_t i = 0; i < RESULTS; i++)
            values[i] = GLUCOSE[1][i] * scales[s];
        b = of_three_each(values, RESULTS);
        assert_near(b.reproducibility_sd / scales[s] / a.reproducibility_sd, 1, 1e-13, "s_R");
        assert_near(b.cochran.statistic, a.cochran.statistic, 1e-13, "C");
        assert_near(b.grubbs_two_low.statistic, a.grubbs_two_low.statistic, 1e-13, "two");
        assert_near(b.cells[5].k, a.cells[5].k, 1e-13, "k");
    }
}

Test(bench_consistency, the_same_values_in_another_order_have_the_same_mean)
{
    /* Five values, with which each of five benches starts at another place: about each first value, the sums
     * differ in their last digit. */
    double values[25];
    size_t bench[25];
    struct bench_consistency r;
    for (size_t i = 0; i < 25; i++) {
        bench[i] = i / 5;
        values[i] = 41.3 * sin((double)((i + i / 5) % 5) + 0.3);
    }
    cr_assert_eq(bench_consistency(values, bench, 25, 5, &r, NULL), ERR_OK);
    cr_expect_eq(r.sd_of_means, 0);
    cr_expect(r.between_clamped && r.between_sd == 0);
    cr_expect(isnan(r.cells[1].h) && r.cells[1].h_mark == BENCH_SOUND);
    cr_expect_not(r.grubbs_low.present || r.grubbs_high.present);
    cr_expect_eq(r.grubbs_high.mark, BENCH_SOUND);
    assert_near(r.reproducibility_sd, r.repeatability_sd, 0, "s_R");
}

Test(bench_consistency, benches_that_repeat_themselves_exactly)
{
    const double values[9] = {0.1, 0.1, 0.1, 0.3, 0.3, 0.3, 0.8, 0.8, 0.8};
    struct bench_consistency r = of_three_each(values, 9);
    cr_expect_eq(r.repeatability_sd, 0);
    assert_near(r.between_sd, r.sd_of_means, 1e-16, "s_L");
    cr_expect_not(r.cochran.present);
    cr_expect_eq(r.cochran.mark, BENCH_SOUND);
    cr_expect(isnan(r.cells[0].k) && isfinite(r.cells[0].h));
}

Test(bench_consistency, two_benches_have_no_test_of_means)
{
    const double values[6] = {1, 2, 3, 7, 9, 8};
    struct bench_consistency r = of_three_each(values, 6);
    cr_expect_not(r.grubbs_low.present || r.grubbs_high.present || r.grubbs_two_low.present ||
                  r.grubbs_two_high.present);
    cr_expect(isnan(r.h_critical_5) && isfinite(r.k_critical_5));
    assert_near(r.cells[1].h, sqrt(0.5), 1e-15, "h");
    cr_expect_eq(r.cells[1].h_mark, BENCH_SOUND);
    cr_expect(r.cochran.present);
}

Test(bench_consistency, a_hundred_benches)
{
    double values[200];
    size_t bench[200];
    struct bench_consistency r;
    quantity_init_numerics();
    for (size_t i = 0; i < 200; i++) {
        bench[i] = i / 2;
        values[i] = sin((double)(i / 2) * 7.3) + 0.1 * sin((double)i * 3.1);
    }
    cr_assert_eq(bench_consistency(values, bench, 200, BENCH_CONSISTENCY_MAX, &r, NULL), ERR_OK);
    cr_expect(r.grubbs_two_low.present && r.grubbs_two_high.present);
    cr_expect_eq(r.grubbs_two_low.mark, BENCH_SOUND);
}

Test(bench_consistency, what_cannot_be_answered_says_so)
{
    const double values[4] = {3.5, 3.5, 3.5, 3.5}, infinite[4] = {1, 2, INFINITY, 4};
    const double huge[4] = {-1.7e308, 1.7e308, 1.7e308, -1.7e308};
    const size_t pairs[4] = {0, 0, 1, 1}, alone[4] = {0, 1, 2, 3}, gap[4] = {0, 0, 2, 2};
    struct bench_consistency r;
    struct err e;
    cr_expect_eq(bench_consistency(values, pairs, 4, 2, &r, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "no scatter") != NULL, "%s", e.text);
    cr_expect_eq(bench_consistency(values, alone, 4, 4, &r, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "no bench has two values") != NULL, "%s", e.text);
    cr_expect_eq(bench_consistency(values, gap, 4, 3, &r, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "bench 2 has no value") != NULL, "%s", e.text);
    cr_expect_eq(bench_consistency(infinite, pairs, 4, 2, &r, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "value 3 of 4") != NULL, "%s", e.text);
    cr_expect_eq(bench_consistency(huge, pairs, 4, 2, &r, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "too great") != NULL, "%s", e.text);
    cr_expect_eq(bench_consistency(values, gap, 4, 2, &r, &e), ERR_CALLER);
    cr_expect_eq(bench_consistency(values, pairs, 2, 1, &r, &e), ERR_CALLER);
    cr_expect_eq(bench_consistency(values, pairs, 4, BENCH_CONSISTENCY_MAX + 1, &r, &e), ERR_CALLER);
    cr_expect_eq(bench_consistency(values, pairs, 0, 2, &r, &e), ERR_NO_ANSWER);
}

Test(bench_consistency, critical_values_outside_their_domain_are_none)
{
    quantity_init_numerics();
    cr_expect(isnan(bench_cochran_critical(1, 3, 0.05)));
    cr_expect(isnan(bench_cochran_critical(5, 1, 0.05)));
    cr_expect(isnan(bench_cochran_critical(5, NAN, 0.05)));
    cr_expect(isnan(bench_cochran_critical(5, 3, 0)));
    cr_expect(isnan(bench_mandel_k_critical(1, 3, 0.05)));
    cr_expect(isnan(bench_mandel_k_critical(5, 3, 1)));
    cr_expect(isnan(bench_mandel_h_critical(2, 0.05)));
    cr_expect(isnan(bench_mandel_h_critical(5, 1.5)));
    cr_expect(isnan(bench_grubbs_critical(2, 0.05)));
    cr_expect(isnan(bench_grubbs_critical(5, -0.05)));
    cr_expect(isnan(bench_grubbs_double_critical(3, 0.05)));
    cr_expect(isnan(bench_grubbs_double_critical(BENCH_CONSISTENCY_MAX + 1, 0.05)));
    cr_expect(isnan(bench_grubbs_double_critical(5, NAN)));
}
