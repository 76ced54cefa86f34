#include "analyze/numerics/bootstrap.h"

#include <criterion/criterion.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { DRAWS = BOOTSTRAP_DRAWS };

static double room[DRAWS];

static bool close_to(double a, double b, double share)
{
    return fabs(a - b) <= share * fmax(fabs(a), fabs(b));
}

Test(bootstrap, seed_alone_makes_the_draws)
{
    static uint32_t one[300 * 7], two[300 * 7], other[300 * 7];
    cr_assert_eq(bootstrap_draw(7, 300, 4711, one, NULL), ERR_OK);
    cr_assert_eq(bootstrap_draw(7, 300, 4711, two, NULL), ERR_OK);
    cr_assert_eq(bootstrap_draw(7, 300, 4712, other, NULL), ERR_OK);
    cr_expect_arr_eq(one, two, sizeof one);
    cr_expect_arr_neq(one, other, sizeof one);
}

/* The first numbers of MT19937 after init_genrand(5489), from the authors' own table of it: 3499211612,
 * 581869302, 3890346734, 3586334585. Of few units each half of a number draws one, the lower half first; of
 * many a whole number does. The unit is the upper part of the product with n, where nothing has to be drawn
 * again. */
Test(bootstrap, stream_is_that_of_the_mersenne_twister)
{
    const unsigned long numbers[4] = {3499211612UL, 581869302UL, 3890346734UL, 3586334585UL};
    static uint32_t index[5000];
    cr_assert_eq(bootstrap_draw(6, 1, 5489, index, NULL), ERR_OK);
    for (int i = 0; i < 6; i++)
        cr_expect_eq(index[i], (numbers[i / 2] >> 16 * (i % 2) & 0xffff) * 6 >> 16, "%d: %u", i, index[i]);
    cr_assert_eq(bootstrap_draw(5000, 1, 5489, index, NULL), ERR_OK);
    for (int i = 0; i < 4; i++)
        cr_expect_eq(index[i], numbers[i] * 5000 >> 32, "%d: %u", i, index[i]);
}

Test(bootstrap, every_unit_is_drawn_as_often_as_any)
{
    static uint32_t index[DRAWS * 5];
    size_t times[5] = {0};
    cr_assert_eq(bootstrap_draw(5, DRAWS, BOOTSTRAP_SEED, index, NULL), ERR_OK);
    for (size_t i = 0; i < (size_t)DRAWS * 5; i++) {
        cr_assert_lt(index[i], 5);
        times[index[i]]++;
    }
    /* Of 10,000 each is drawn 2,000 times, sd 40. */
    for (size_t i = 0; i < 5; i++)
        cr_expect(times[i] > 1840 && times[i] < 2160, "%zu: %zu", i, times[i]);
}

Test(bootstrap, nothing_to_draw_from_is_refused)
{
    uint32_t index[1];
    cr_expect_eq(bootstrap_draw(0, 1, 1, index, NULL), ERR_CALLER);
}

Test(bootstrap, means_are_those_of_the_drawn_values)
{
    const double values[3] = {2.385, 7.11, -1.94};
    const uint32_t index[6] = {2, 2, 0, 1, 0, 1};
    double means[2];
    bootstrap_means(values, 3, index, 2, means);
    cr_expect(close_to(means[0], (-1.94 - 1.94 + 2.385) / 3, 1e-14), "%.17g", means[0]);
    cr_expect(close_to(means[1], (7.11 + 2.385 + 7.11) / 3, 1e-14), "%.17g", means[1]);
}

Test(bootstrap, values_that_are_none_leave_the_others)
{
    const double values[3] = {NAN, 7.11, -1.94};
    const uint32_t index[9] = {0, 2, 1, 0, 0, 1, 0, 0, 0};
    double means[3];
    bootstrap_means(values, 3, index, 3, means);
    cr_expect(close_to(means[0], (7.11 - 1.94) / 2, 1e-14), "%.17g", means[0]);
    cr_expect(close_to(means[1], 7.11, 1e-14), "%.17g", means[1]);
    cr_expect(isnan(means[2]));
}

Test(bootstrap, what_values_have_in_common_costs_no_digits)
{
    static uint32_t index[DRAWS * 6];
    static double means[DRAWS], shifted[DRAWS];
    const double values[6] = {1.25, -3.5, 0.75, 2.5, -1.125, 4.0};
    double far[6];
    for (int i = 0; i < 6; i++)
        far[i] = 1099511627776.0 + values[i];
    cr_assert_eq(bootstrap_draw(6, DRAWS, 3, index, NULL), ERR_OK);
    bootstrap_means(values, 6, index, DRAWS, means);
    bootstrap_means(far, 6, index, DRAWS, shifted);
    for (int d = 0; d < DRAWS; d++)
        cr_assert(fabs(shifted[d] - 1099511627776.0 - means[d]) < 3e-4, "%d", d);
}

/* Davison and Hinkley (5.8) written out plainly over sorted draws. */
static int rising(const void *a, const void *b)
{
    const double *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

static double plain_quantile(const double *sorted, size_t n, double p)
{
    double place = p * (double)(n + 1);
    size_t k = (size_t)place;
    double z = gsl_cdf_ugaussian_Pinv(p), low = gsl_cdf_ugaussian_Pinv((double)k / (double)(n + 1)),
           high = gsl_cdf_ugaussian_Pinv((double)(k + 1) / (double)(n + 1));
    return sorted[k - 1] + (z - low) / (high - low) * (sorted[k] - sorted[k - 1]);
}

Test(bootstrap, percentiles_are_between_order_statistics_on_the_normal_scale)
{
    static double a[DRAWS], b[DRAWS], sorted[DRAWS];
    struct bootstrap_interval i;
    for (int d = 0; d < DRAWS; d++) {
        a[d] = 83.7 + 3.1 * sin(1.7 * d * d);
        b[d] = 80.2 + 2.3 * cos(0.37 * d * d);
        sorted[d] = a[d] - b[d];
    }
    qsort(sorted, DRAWS, sizeof *sorted, rising);
    i = bootstrap_percentile(a, b, DRAWS, room);
    cr_assert(i.present);
    cr_expect_eq(i.draws, DRAWS);
    cr_expect(close_to(i.low_95, plain_quantile(sorted, DRAWS, 0.025), 1e-13), "%.17g", i.low_95);
    cr_expect(close_to(i.high_95, plain_quantile(sorted, DRAWS, 0.975), 1e-13), "%.17g", i.high_95);
}

/* 1999 draws: places 50 and 1950, nothing between. */
Test(bootstrap, whole_places_are_draws_themselves)
{
    static double a[1999];
    struct bootstrap_interval i;
    for (int d = 0; d < 1999; d++)
        a[d] = (d * 731) % 1999 + 0.5;
    i = bootstrap_percentile(a, NULL, 1999, room);
    cr_expect_eq(i.low_95, 49.5);
    cr_expect_eq(i.high_95, 1949.5);
}

Test(bootstrap, draws_that_came_to_nothing_are_left_out_or_too_many)
{
    static double a[DRAWS];
    struct bootstrap_interval i;
    for (int d = 0; d < DRAWS; d++)
        a[d] = d % 20 == 3 ? (double)NAN : d;
    i = bootstrap_percentile(a, NULL, DRAWS, room);
    cr_expect(i.present && i.draws == 1900);
    for (int d = 0; d < DRAWS; d++)
        a[d] = d % 8 == 3 ? (double)NAN : d;
    cr_expect_not(bootstrap_percentile(a, NULL, DRAWS, room).present);
    cr_expect_not(bootstrap_percentile(a, NULL, 30, room).present);
}

/* The ideal bootstrap's standard error of a mean is known: Efron and Tibshirani's mouse data, 23.36352344. */
Test(bootstrap, scatter_of_means_is_that_of_the_ideal_bootstrap)
{
    enum { MANY = 200000 };
    const double mice[7] = {94, 197, 16, 38, 99, 141, 23};
    uint32_t *index = malloc(7 * MANY * sizeof *index);
    double *means = malloc(MANY * sizeof *means), sum = 0, square = 0;
    cr_assert(index != NULL && means != NULL);
    cr_assert_eq(bootstrap_draw(7, MANY, 20261129, index, NULL), ERR_OK);
    bootstrap_means(mice, 7, index, MANY, means);
    for (int d = 0; d < MANY; d++)
        sum += means[d] / MANY;
    for (int d = 0; d < MANY; d++)
        square += (means[d] - sum) * (means[d] - sum) / MANY;
    /* The standard error of a standard deviation of so many is 23.4 / sqrt(2 n) = 0.037. */
    cr_expect(fabs(sqrt(square) - 23.36352344) < 0.15, "%.6g", sqrt(square));
    free(index);
    free(means);
}

/* Without a gap the additive model's differences are those of plain means of the drawn blocks. */
Test(bootstrap, additive_model_without_gaps_is_plain_means)
{
    enum { GROUPS = 4, BLOCKS = 5 };
    static uint32_t index[DRAWS * BLOCKS];
    static double effects[GROUPS * DRAWS], means[GROUPS][DRAWS];
    double values[GROUPS * BLOCKS];
    for (int i = 0; i < GROUPS * BLOCKS; i++)
        values[i] = 71.3 + 3.7 * sin(2.1 * i * i) + 2.9 * (i % BLOCKS);
    cr_assert_eq(bootstrap_draw(BLOCKS, DRAWS, 11, index, NULL), ERR_OK);
    cr_assert_eq(bootstrap_additive(values, GROUPS, BLOCKS, index, DRAWS, effects, NULL), ERR_OK);
    for (int g = 0; g < GROUPS; g++)
        bootstrap_means(&values[g * BLOCKS], BLOCKS, index, DRAWS, means[g]);
    for (int d = 0; d < DRAWS; d++) {
        for (int g = 1; g < GROUPS; g++)
            cr_assert(fabs(effects[g * DRAWS + d] - means[g][d] + means[0][d]) < 1e-12, "%d %d", d, g);
    }
}

/* Exactly additive values: whatever blocks are drawn, a feeder is as much above another as it is. */
Test(bootstrap, additive_model_sees_through_missing_blocks)
{
    enum { GROUPS = 3, BLOCKS = 6 };
    static uint32_t index[DRAWS * BLOCKS];
    static double effects[GROUPS * DRAWS];
    double values[GROUPS * BLOCKS];
    size_t connected = 0;
    for (int g = 0; g < GROUPS; g++) {
        for (int b = 0; b < BLOCKS; b++)
            values[g * BLOCKS + b] = 60 + 4.25 * g + 3.1 * b * b;
    }
    values[0 * BLOCKS + 5] = values[1 * BLOCKS + 2] = NAN;
    cr_assert_eq(bootstrap_draw(BLOCKS, DRAWS, 11, index, NULL), ERR_OK);
    cr_assert_eq(bootstrap_additive(values, GROUPS, BLOCKS, index, DRAWS, effects, NULL), ERR_OK);
    for (int d = 0; d < DRAWS; d++) {
        if (isnan(effects[d]))
            continue;
        connected++;
        cr_assert(fabs(effects[DRAWS + d] - 4.25) < 1e-9 && fabs(effects[2 * DRAWS + d] - 8.5) < 1e-9, "%d",
                  d);
    }
    /* Only draws of a single one of the two blocks that lack a feeder leave one unconnected. */
    cr_expect(connected >= DRAWS - 5, "%zu", connected);
}

Test(bootstrap, feeders_without_a_common_block_are_not_connected)
{
    static uint32_t index[DRAWS * 2];
    static double effects[2 * DRAWS];
    const double values[4] = {1.5, NAN, NAN, 2.5};
    cr_assert_eq(bootstrap_draw(2, DRAWS, 1, index, NULL), ERR_OK);
    cr_assert_eq(bootstrap_additive(values, 2, 2, index, DRAWS, effects, NULL), ERR_OK);
    for (int d = 0; d < DRAWS; d++)
        cr_assert(isnan(effects[DRAWS + d]));
}
