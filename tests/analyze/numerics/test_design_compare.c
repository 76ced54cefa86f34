#include "analyze/numerics/design_compare.h"
#include "analyze/numerics/difference.h"
#include "analyze/numerics/quantity.h"
#include "tests/analyze/numerics/near.h"
#include "tests/analyze/numerics/published_groups.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

#define VALUES_MAX 64

/* Invented: feeders of which the second scatters far more than the others. */
static const double UNEVEN[18] = {84.1, 85.9, 83.2, 86.4, 84.7, 85.3, 72.8, 94.9, 61.6,
                                  85.7, 77.1, 80.3, 81.9, 82.6, 79.8, 80.9, 81.4, 80.1};
static const size_t UNEVEN_GROUP[18] = {0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2, 2};

struct input {
    struct design_value values[VALUES_MAX];
    size_t n;
};

/* Taken one after the other. block NULL: each value in a block of its own. */
static void put(struct input *in, const double *values, const size_t *group, const size_t *block, size_t n)
{
    in->n = n;
    for (size_t i = 0; i < n; i++)
        in->values[i] = (struct design_value){.group = group[i],
                                              .block = block != NULL ? block[i] : i,
                                              .order = (double)i + 1,
                                              .value = values[i]};
}

static void compare(const struct input *in, size_t groups, bool blocks, enum design_method method,
                    struct design_result *r)
{
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(design_compare(in->values, in->n, groups, blocks, NULL, r, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(r->method, method, "%s", DESIGN_METHOD_NAMES[r->method]);
    cr_assert_eq(r->pair_count, groups * (groups - 1) / 2);
}

/* One pair as R has it: difference, standard error, degrees of freedom, adjusted p value (NAN: no such pair),
 * half width of the interval of the family. */
struct expected {
    size_t a, b;
    double difference, standard_error, degrees_of_freedom, p_family, family_half;
};

static void expect_pairs(const struct design_result *r, const struct expected *expected, double relative)
{
    for (size_t i = 0; i < r->pair_count; i++) {
        const struct design_pair *pair = &r->pairs[i];
        const struct expected *of = &expected[i];
        double half = (pair->family_high_95 - pair->family_low_95) / 2;
        cr_expect(pair->a == of->a && pair->b == of->b);
        cr_expect_eq(pair->present, !isnan(of->p_family), "%s", pair->why_not);
        if (!pair->present)
            continue;
        expect_near(pair->difference, of->difference, 1e-12);
        expect_near(pair->standard_error, of->standard_error, 1e-12);
        expect_near(pair->degrees_of_freedom, of->degrees_of_freedom, 1e-12);
        expect_near(pair->t, of->difference / of->standard_error, 1e-12);
        expect_near(pair->p_family, of->p_family, relative);
        expect_near(half, of->family_half, relative);
        expect_near((pair->family_high_95 + pair->family_low_95) / 2, of->difference, 1e-11);
        cr_expect_eq(pair->p_alone,
                     difference_p_value(pair->difference, pair->standard_error, pair->degrees_of_freedom));
        half = quantity_t_975(pair->degrees_of_freedom) * pair->standard_error;
        expect_near(pair->high_95 - pair->low_95, 2 * half, 1e-12);
    }
}

/* Source: R's t.test on `sleep`, paired and not; the residual scatter from lm(extra ~ ID + group). */
Test(design_compare, two_feeders_in_blocks_are_paired)
{
    struct input in;
    struct design_result r;
    put(&in, SLEEP, SLEEP_GROUP, SLEEP_BLOCK, 20);
    compare(&in, 2, true, DESIGN_PAIRED, &r);
    expect_near(r.pairs[0].t, -4.0621277, 2e-8);
    expect_near(r.pairs[0].p_alone, 0.00283289, 2e-6);
    cr_expect_eq(r.pairs[0].p_family, r.pairs[0].p_alone);
    cr_expect_eq(r.pairs[0].family_low_95, r.pairs[0].low_95);
    expect_near(r.pairs[0].low_95, -2.4598858, 3e-8);
    expect_near(r.pairs[0].high_95, -0.7001142, 1e-7);
    cr_expect_eq(r.pairs[0].n, 10);
    expect_near(r.feeders.f, 16.50088131609870, 1e-12);
    expect_near(r.block.f, 8.53084606345476, 1e-12);
    expect_near(r.residual_sd, 0.869738147056023, 1e-12);
    cr_expect_eq(r.degrees_of_freedom, 9);
    expect_near(r.mean[0], 0.75, 1e-14);
    expect_near(r.mean[1], 2.33, 1e-14);
    cr_expect(r.by_blocks && !r.incomplete && r.blocks == 10 && r.values == 20 && r.count[1] == 10);
    cr_expect_not(r.scatter.present);
    design_result_free(&r);
    cr_expect_null(r.pairs);
    compare(&in, 2, false, DESIGN_WELCH, &r);
    expect_near(r.pairs[0].t, -1.860813467487, 1e-11);
    expect_near(r.pairs[0].degrees_of_freedom, 17.77647351618, 1e-11);
    expect_near(r.pairs[0].p_alone, 0.0793941401874, 1e-11);
    expect_near(r.pairs[0].low_95, -3.36548323071171, 1e-12);
    expect_near(r.pairs[0].high_95, 0.20548323071171, 1e-11);
    expect_near(r.feeders.f, 3.4626267607804460, 1e-12);
    cr_expect(!r.by_blocks && r.blocks == 0 && !r.block.present);
    design_result_free(&r);
}

/* p values and quantiles of the studentised range are those of a Gauss-Legendre integration in another
 * program (NumPy, 300 by 400 points, the same to 13 digits with more), which also gives SciPy's mpmath
 * values; R's ptukey and qtukey differ from it by up to 1.5e-2 of the p value at 6 degrees of freedom and
 * 4e-8 of the quantile. */

/* Source: R's TukeyHSD of aov on `PlantGrowth`, and bartlett.test. */
Test(design_compare, tukey_agrees_with_r_on_plant_growth)
{
    const double error = sqrt(2 * 10.49209 / 27 / 10);
    const double half = 3.50642612335417 / M_SQRT2 * error;
    const struct expected expected[] = {
        {0, 1, 0.371, error, 27, 0.3908711442021247, half},
        {0, 2, -0.494, error, 27, 0.1979959912997082, half},
        {1, 2, -0.865, error, 27, 0.0120064239794527, half},
    };
    struct input in;
    struct design_result r;
    put(&in, PLANT_GROWTH, PLANT_GROUP, NULL, 30);
    compare(&in, 3, false, DESIGN_TUKEY, &r);
    expect_pairs(&r, expected, 1e-10);
    expect_near(r.feeders.f, 4.84609, 1e-6);
    expect_near(r.scatter.p_value, 0.237096773634558, 1e-12);
    cr_expect_eq(r.degrees_of_freedom, 27);
    expect_near(r.mean[2], 5.526, 1e-14);
    design_result_free(&r);
}

/* Source: the test data of SciPy's tukey_hsd, its figures confirmed by R's TukeyHSD. */
Test(design_compare, tukey_agrees_with_the_headache_example)
{
    const double error = sqrt(2 * 56.128 / 12 / 5);
    const double half = 3.77292896572703 / M_SQRT2 * error;
    const struct expected expected[] = {
        {0, 1, -4.6, error, 12, 0.0144483267365044, half},
        {0, 2, -0.26, error, 12, 0.9803107240941078, half},
        {1, 2, 4.34, error, 12, 0.0203311367399165, half},
    };
    struct input in;
    struct design_result r;
    put(&in, HEADACHE, HEADACHE_GROUP, NULL, 15);
    compare(&in, 3, false, DESIGN_TUKEY, &r);
    expect_pairs(&r, expected, 1e-10);
    expect_near(r.pairs[0].family_low_95, -8.2491590, 1e-8);
    expect_near(r.pairs[0].family_high_95, -0.9508410, 1e-7);
    design_result_free(&r);
}

/* Source: R, lm(y ~ block + feeder), the studentised range as above. */
Test(design_compare, missing_cells_agree_with_r)
{
    static const double factor = 4.33919547652034 / M_SQRT2;
    static const struct expected expected[] = {
        {0, 1, 11.27460317460318, 0.802684042002706, 6, 2.0116322971034e-05, factor * 0.802684042002706},
        {0, 2, 3.90317460317461, 0.802684042002706, 6, 6.7331138500548e-03, factor * 0.802684042002706},
        {1, 2, -7.37142857142857, 0.879296312708613, 6, 3.8475267868735e-04, factor * 0.879296312708613},
    };
    struct input in;
    struct design_result r;
    put(&in, INCOMPLETE, INCOMPLETE_GROUP, INCOMPLETE_BLOCK, 13);
    compare(&in, 3, true, DESIGN_BLOCKS_TUKEY, &r);
    expect_pairs(&r, expected, 1e-9);
    cr_expect(r.incomplete && r.by_blocks && r.blocks == 5 && r.count[0] == 5 && r.count[2] == 4);
    expect_near(r.feeders.f, 98.98688, 1e-7);
    expect_near(r.block.f, 2.68911, 2e-6);
    expect_near(r.residual_sd, 1.16319968608154, 1e-12);
    expect_near(r.mean[1], 73.5853968253969, 1e-12);
    expect_near(r.scatter.p_value, 0.280785585443754, 1e-11);
    design_result_free(&r);
}

/* Source: R's t.test, pair by pair, the studentised range as above; oneway.test; bartlett.test. */
Test(design_compare, uneven_scatter_is_not_pooled)
{
    static const struct expected expected[] = {
        {0, 1, 6.513333333333335, 5.681007344163925, 4.058075684139269, 0.53897911852452, 20.113315469254},
        {0, 2, 3.93333333333334, 6.18035803144328e-01, 1.00396788091126e+01, 2.1566941201968e-04,
         1.6931199723927},
        {1, 2, 2.579999999999998 * -1, 5.673704593078830, 4.037361146831211, 0.89508744198734,
         20.134516786981},
    };
    struct input in;
    struct design_result r;
    put(&in, UNEVEN, UNEVEN_GROUP, NULL, 18);
    compare(&in, 3, false, DESIGN_GAMES_HOWELL, &r);
    expect_pairs(&r, expected, 1e-8);
    expect_near(r.feeders.f, 18.87091794798365285, 1e-12);
    expect_near(r.feeders.n2, 7.64775226915954054, 1e-12);
    expect_near(r.feeders.p_value, 0.00110288041676732, 1e-11);
    expect_near(r.scatter.p_value, 1.44669180107435e-07, 1e-11);
    cr_expect(isnan(r.residual_sd));
    design_result_free(&r);
}

/* Invented: the third feeder far less steady than the others, one cell missing, and a fourth feeder that
 * shares blocks with the third only. Each pair by R's t.test, paired; p.adjust "holm" over the four that
 * there are; Bonferroni's interval; bartlett.test on the residuals of lm. */
Test(design_compare, uneven_scatter_within_blocks_is_paired_and_adjusted_by_holm)
{
    static const double values[45] = {87.2, 82.2, 83.5, 83.8, 82.9, 83.3, 84.4, 84.4, 84.3, 87.7, 84.8, 87.6,
                                      85.8, 80.3, 81.9, 82,   81,   80.9, 83.3, 82.8, 82.1, 85.7, 83.2, 76.8,
                                      74.9, 67.5, 75.3, 74.3, 88.4, 84.8, 79.6, 86.6, 80.2, 79.4, 86,   96.1,
                                      85.3, 85.6, 67.2, 80.2, 89.5, 86.1, 88.8, 86.8, 85};
    static const size_t group[45] = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1,
                                     2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 3, 3, 3, 3, 3};
    static const size_t block[45] = {0, 1, 2, 3,  4,  5,  6,  7,  8,  9,  10, 11, 0,  1,  2,
                                     3, 4, 5, 6,  7,  8,  9,  10, 0,  1,  2,  3,  4,  5,  6,
                                     7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 12, 13, 14, 15, 16};
    static const struct expected expected[] = {
        {0, 1, 1.772727272727274, 0.1104461276253624, 10, 7.284937539923867e-08, 0.3355622110380415},
        {0, 2, 5.191666666666667, 1.70269209005485, 11, 0.03319622663338347, 5.075507908113254},
        {0, 3, .p_family = NAN},
        {1, 2, 3.745454545454546, 1.87487520245839, 10, 0.1473374871706666, 5.696327086191664},
        {1, 3, .p_family = NAN},
        {2, 3, -4.359999999999999, 4.281308211283087, 4, 0.3660821766949092, 18.47237237096104},
    };
    struct input in;
    struct design_result r;
    put(&in, values, group, block, 45);
    compare(&in, 4, true, DESIGN_BLOCKS_OWN, &r);
    expect_pairs(&r, expected, 1e-11);
    cr_expect_eq(r.pairs[0].n, 11);
    cr_expect_eq(r.pairs[1].n, 12);
    cr_expect(strstr(r.pairs[2].why_not, "group a has 0 values") != NULL, "%s", r.pairs[2].why_not);
    cr_expect(isnan(r.residual_sd) && r.incomplete);
    expect_near(r.scatter.p_value, 0.02154414370763958, 1e-10);
    design_result_free(&r);
}

/* One of three that scatters wildly is in the residuals of all of them, where Bartlett's test sees no more
 * than p = 0.202; Mauchly's does. p by R 4.2.2, mauchly.test(lm(wide ~ 1), X = ~1). The pair that is quiet
 * then has an interval of its own. */
Test(design_compare, one_wild_feeder_of_three_leaves_the_others_their_own_scatter)
{
    static const double values[18] = {84.1, 85.9, 83.2, 86.4, 84.7, 85.0, 72.8, 74.9,  71.6,
                                      75.7, 74.3, 73.9, 79.3, 90.2, 61.9, 81.8, 108.4, 70.1};
    static const size_t group[18] = {0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2};
    static const size_t block[18] = {0, 1, 2, 3, 4, 5, 0, 1, 2, 3, 4, 5, 0, 1, 2, 3, 4, 5};
    struct input in;
    struct design_result r;
    put(&in, values, group, block, 18);
    compare(&in, 3, true, DESIGN_BLOCKS_OWN, &r);
    expect_near(r.scatter.p_value, 4.558304893463e-07, 1e-9);
    cr_expect(r.scatter.n1 == 2 && isinf(r.scatter.n2));
    cr_expect_lt(r.pairs[0].family_high_95 - r.pairs[0].family_low_95, 2);
    cr_expect_gt(r.pairs[1].family_high_95 - r.pairs[1].family_low_95, 30);
    design_result_free(&r);
}

/* A value that is known to be at least so much brings in the likelihood. Source: R's survreg and the
 * correction of the scatter by sqrt(11 / 9), as censored_normal has it; the error of the difference from its
 * covariance. */
Test(design_compare, a_censored_value_brings_in_the_likelihood)
{
    static const double values[12] = {84.1, 85.9, 83.2, 86.0, 84.7, 85.3, 82.8, 84.9, 81.6, 85.7, 83.1, 83.9};
    static const size_t group[12] = {0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1};
    static const size_t block[12] = {0, 1, 2, 3, 4, 5, 0, 1, 2, 3, 4, 5};
    struct input in;
    struct design_result r;
    put(&in, values, group, block, 12);
    in.values[3].at_least = true;
    compare(&in, 2, false, DESIGN_CENSORED, &r);
    expect_near(r.pairs[0].difference, 84.987171187 - 83.666666667, 1e-8);
    expect_near(r.pairs[0].standard_error, 0.82089334055906, 1e-7);
    cr_expect_eq(r.pairs[0].degrees_of_freedom, 9);
    cr_expect_eq(r.pairs[0].p_family, r.pairs[0].p_alone);
    expect_near(r.residual_sd, 1.2722956134 * sqrt(11.0 / 9), 1e-8);
    cr_expect(r.censored == 1 && !r.feeders.present && !r.order.present && isnan(r.feeders.p_value));
    design_result_free(&r);
    compare(&in, 2, true, DESIGN_CENSORED, &r);
    cr_expect(r.by_blocks && r.blocks == 6 && r.degrees_of_freedom == 4);
    expect_near(r.pairs[0].difference, 85.04666666666667 - 83.66666666666667, 1e-10);
    expect_near(r.residual_sd, 0.1061731005138666 * sqrt(11.0 / 4), 1e-10);
    design_result_free(&r);
    /* Four blocks: blocks would leave two degrees of freedom, so they are given up. */
    for (size_t i = 0; i < 4; i++)
        in.values[4 + i] = in.values[6 + i];
    in.n = 8;
    compare(&in, 2, true, DESIGN_CENSORED, &r);
    cr_expect(!r.by_blocks && r.degrees_of_freedom == 5);
    design_result_free(&r);
}

/* Three values in one block share its mounting: their mean is one value, at the mean of their places. */
Test(design_compare, several_values_in_a_block_become_their_mean)
{
    struct input once, thrice = {.n = 0};
    struct design_result a, b;
    put(&once, INCOMPLETE, INCOMPLETE_GROUP, INCOMPLETE_BLOCK, 13);
    for (size_t i = 0; i < 13; i++) {
        for (int k = -1; k <= 1; k++) {
            struct design_value v = once.values[i];
            v.value += 0.375 * k;
            v.order += 0.25 * k;
            thrice.values[thrice.n++] = v;
        }
    }
    compare(&once, 3, true, DESIGN_BLOCKS_TUKEY, &a);
    compare(&thrice, 3, true, DESIGN_BLOCKS_TUKEY, &b);
    cr_expect_eq(b.values, 13);
    for (size_t i = 0; i < 3; i++) {
        expect_near(b.pairs[i].difference, a.pairs[i].difference, 1e-12);
        expect_near(b.pairs[i].p_family, a.pairs[i].p_family, 1e-9);
    }
    expect_near(b.order.f, a.order.f, 1e-9);
    design_result_free(&b);
    /* Without blocks each counts by itself. */
    compare(&thrice, 3, false, DESIGN_TUKEY, &b);
    cr_expect_eq(b.values, 39);
    cr_expect_eq(b.degrees_of_freedom, 36);
    design_result_free(&a);
    design_result_free(&b);
}

/* Four invented feeders in the six blocks of `npk`, in invented orders. Source: R, lm(yield ~ block + feeder
 * + place), the place in the block, from 1; and lm(yield ~ feeder + order). */
Test(design_compare, the_place_in_the_block_is_tested_and_not_taken_out)
{
    struct input in;
    struct design_result r;
    static const size_t group[24] = {0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3};
    static const size_t order[24] = {3, 1, 4, 2, 1, 2, 3, 4, 4, 2, 1, 3, 2, 3, 4, 1, 4, 3, 1, 2, 1, 4, 2, 3};
    put(&in, PEAS, group, PEAS_BLOCK, 24);
    for (size_t i = 0; i < 24; i++)
        in.values[i].order = 7.5 * (double)order[i] + 0.25 * (double)PEAS_BLOCK[i];
    compare(&in, 4, true, DESIGN_BLOCKS_TUKEY, &r);
    expect_near(r.order_slope, -1.37666666666667, 1e-11);
    expect_near(r.order.f, 2.00788197387362, 1e-11);
    expect_near(r.order.p_value, 0.178351657062715, 1e-11);
    cr_expect_eq(r.order.n2, 14);
    expect_near(r.pairs[0].difference, 1.15, 1e-11);
    design_result_free(&r);
    /* Without blocks it is when the value was taken. */
    for (size_t i = 0; i < 24; i++)
        in.values[i].order = 100 * (double)PEAS_BLOCK[i] + 7.5 * (double)order[i];
    compare(&in, 4, false, DESIGN_TUKEY, &r);
    expect_near(r.order_slope, -0.00608497372405808, 1e-10);
    expect_near(r.order.p_value, 0.433389143228615, 1e-10);
    design_result_free(&r);
    for (size_t i = 0; i < 24; i++)
        in.values[i].order = NAN;
    compare(&in, 4, true, DESIGN_BLOCKS_TUKEY, &r);
    cr_expect_eq(r.values, 24, "a place that is not known takes no value away");
    cr_expect(!r.order.present);
    design_result_free(&r);
}

/* A block with a single feeder says nothing of differences. */
Test(design_compare, blocks_of_a_single_feeder_are_left_out)
{
    struct input in;
    struct design_result r;
    put(&in, SLEEP, SLEEP_GROUP, SLEEP_BLOCK, 20);
    in.values[20] = (struct design_value){.group = 1, .block = 77, .order = 21, .value = 40};
    in.values[21] = (struct design_value){.group = 0, .block = 78, .order = 22, .value = -40};
    in.n = 22;
    compare(&in, 2, true, DESIGN_PAIRED, &r);
    cr_expect_eq(r.values, 20);
    cr_expect_eq(r.blocks, 10);
    expect_near(r.pairs[0].t, -4.0621277, 2e-8);
    design_result_free(&r);
    /* No block is shared at all: as if there were none. */
    put(&in, SLEEP, SLEEP_GROUP, NULL, 20);
    compare(&in, 2, true, DESIGN_WELCH, &r);
    expect_near(r.pairs[0].degrees_of_freedom, 17.77647351618, 1e-11);
    cr_expect_not(r.by_blocks);
    design_result_free(&r);
    /* Blocks that do not connect the feeders. */
    put(&in, PEAS, PEAS_TREATMENT, PEAS_BLOCK, 24);
    compare(&in, 8, true, DESIGN_TUKEY, &r);
    cr_expect_not(r.by_blocks);
    design_result_free(&r);
}

static void expect_refused(const struct input *in, size_t groups, bool blocks, const char *words)
{
    struct design_result r;
    struct err e = {0};
    enum err_code code = design_compare(in->values, in->n, groups, blocks, NULL, &r, &e);
    cr_expect_eq(code, ERR_NO_ANSWER, "%d", code);
    cr_expect(strstr(e.text, words) != NULL, "%s", e.text);
    cr_expect(r.pairs == NULL && r.pair_count == 0);
}

Test(design_compare, what_cannot_be_answered_is_refused)
{
    static const double apart[] = {84.1, 85.9, 83.2, 72.8, 74.6, 71.9}, same[] = {4, 4, 4, 4, 4, 4};
    static const size_t two[] = {0, 0, 0, 1, 1, 1}, few[] = {0, 0, 0, 0, 0, 1}, block[] = {0, 1, 2, 0, 1, 2};
    struct input in;
    quantity_init_numerics();
    put(&in, apart, two, block, 6);
    expect_refused(&in, 1, false, "1 feeders cannot be compared");
    expect_refused(&in, ANOVA_GROUPS_MAX + 1, false, "129 feeders cannot be compared");
    /* The same difference in each block: nothing to say how sure it is, and no reason to forget the blocks.
     */
    expect_refused(&in, 2, true, "do not scatter");
    put(&in, same, two, block, 6);
    expect_refused(&in, 2, true, "do not scatter");
    expect_refused(&in, 2, false, "do not scatter");
    put(&in, apart, few, block, 6);
    expect_refused(&in, 2, false, "feeder 2 of the comparison has 1 value; 2 are needed");
    put(&in, apart, two, block, 0);
    expect_refused(&in, 2, true, "feeder 1 of the comparison has 0 values");
    put(&in, apart, two, block, 6);
    in.values[0].at_least = true;
    expect_refused(&in, 2, false, "of feeder 1 of the comparison 2 of 3 values are known");
}

/* Source: R's t.test, one-sided, of `sleep` against -4 and 4 and against -1 and 1: the greater of each two.
 */
Test(design_compare, equivalence_is_the_worse_of_two_one_sided_tests)
{
    struct input in;
    struct design_result r;
    put(&in, SLEEP, SLEEP_GROUP, NULL, 20);
    compare(&in, 2, false, DESIGN_WELCH, &r);
    for (int sign = -1; sign <= 1; sign += 2) {
        double d = sign * r.pairs[0].difference, se = r.pairs[0].standard_error,
               df = r.pairs[0].degrees_of_freedom;
        expect_near(design_equivalence_p(d, se, df, 4), 5.36162410315912e-03, 1e-11);
        expect_near(design_equivalence_p(d, se, df, 1), 0.74831981144098181, 1e-12);
    }
    /* 1.6448536269514722 is the normal value of 5 %. */
    expect_near(design_equivalence_p(0, 1.37, INFINITY, 1.6448536269514722 * 1.37), 0.05, 1e-13);
    cr_expect(isnan(design_equivalence_p(1, 0, 8, 2)));
    cr_expect(isnan(design_equivalence_p(1, 1, 8, 0)));
    cr_expect(isnan(design_equivalence_p(1, 1, NAN, 2)));
    design_result_free(&r);
}
