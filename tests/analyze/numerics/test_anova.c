#include "analyze/numerics/anova.h"
#include "analyze/numerics/quantity.h"
#include "tests/analyze/numerics/near.h"
#include "tests/analyze/numerics/published_groups.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

/* Source: NIST StRD, one-way analysis of variance, SiRstv: resistance of silicon wafers by five instruments.
 */
static const double SILICON[25] = {
    196.3052, 196.1240, 196.1890, 196.2569, 196.3403, 196.3042, 196.3825, 196.1669, 196.3257,
    196.0422, 196.1303, 196.2005, 196.2889, 196.0343, 196.1811, 196.2795, 196.1748, 196.1494,
    196.1485, 195.9885, 196.2119, 196.1051, 196.1850, 196.0052, 196.2090,
};

/* Source: NIST StRD, AtmWtAg (Powell, Murphy and Gramlich 1982): atomic weight of silver by two instruments.
 */
static const double SILVER[48] = {
    107.8681568, 107.8681465, 107.8681572, 107.8681785, 107.8681446, 107.8681903, 107.8681526, 107.8681494,
    107.8681616, 107.8681587, 107.8681519, 107.8681486, 107.8681419, 107.8681569, 107.8681508, 107.8681672,
    107.8681385, 107.8681518, 107.8681662, 107.8681424, 107.8681360, 107.8681333, 107.8681610, 107.8681477,
    107.8681079, 107.8681344, 107.8681513, 107.8681197, 107.8681604, 107.8681385, 107.8681642, 107.8681365,
    107.8681151, 107.8681082, 107.8681517, 107.8681448, 107.8681198, 107.8681482, 107.8681334, 107.8681609,
    107.8681101, 107.8681512, 107.8681469, 107.8681360, 107.8681254, 107.8681261, 107.8681450, 107.8681368,
};

Test(anova, silicon_resistance_agrees_with_the_certified_values)
{
    struct anova_one_way r;
    struct err e = {0};
    size_t group[25];
    quantity_init_numerics();
    for (size_t i = 0; i < 25; i++)
        group[i] = i / 5;
    cr_assert_eq(anova_one_way(SILICON, group, 25, 5, &r, &e), ERR_OK, "%s", e.text);
    expect_near(r.test.f, 1.18046237440255, 5e-13);
    cr_expect_eq(r.test.n1, 4);
    cr_expect_eq(r.test.n2, 20);
    expect_near(r.between_square, 5.11462616000000E-02, 5e-13);
    expect_near(r.within_square, 2.16636560000000E-01, 5e-13);
    expect_near(r.residual_sd, 1.04076068334656E-01, 5e-13);
}

/* Seven leading digits are the same: that much is lost in the decimals themselves. */
Test(anova, atomic_weight_of_silver_agrees_with_the_certified_values)
{
    struct anova_one_way r;
    size_t group[48];
    quantity_init_numerics();
    for (size_t i = 0; i < 48; i++)
        group[i] = i / 24;
    cr_assert_eq(anova_one_way(SILVER, group, 48, 2, &r, NULL), ERR_OK);
    expect_near(r.test.f, 15.9467335677930, 1e-9);
    expect_near(r.between_square, 3.63834187500000E-09, 1e-9);
    expect_near(r.within_square, 1.04951729166667E-08, 1e-9);
    expect_near(r.residual_sd, 1.51048314446410E-05, 1e-9);
}

/* Source: NIST StRD, SmLs01 to SmLs09 (Simon and Lesage, Comput. Stat. Data Anal. 8 (1989) 325-332), built by
 * their rule: nine treatments, one value in the middle and the others a tenth below and above in turn. F is
 * the number of values of a treatment, exactly. */
#define SMLS_TREATMENTS 9
#define SMLS_MOST       2001

static double smls_value(double common, size_t treatment, size_t i)
{
    static const double middle[SMLS_TREATMENTS] = {.4, .3, .5, .3, .5, .3, .5, .3, .5};
    /* In tenths, so that the sum is the double next to the decimal. */
    double tenths = round(10 * middle[treatment]) + (i == 0 ? 0 : i % 2 == 1 ? -1 : 1);
    return (common * 10 + tenths) / 10;
}

Test(anova, many_leading_digits_in_common_cost_no_more_than_the_input_lost)
{
    static const struct {
        double common, tolerance;
    } sets[] = {{1, 1e-13}, {1000000, 1e-8}, {1000000000000, 1e-2}};
    static const size_t repeats[] = {21, 201, SMLS_MOST};
    static double values[SMLS_TREATMENTS * SMLS_MOST];
    static size_t group[SMLS_TREATMENTS * SMLS_MOST];
    quantity_init_numerics();
    for (size_t s = 0; s < sizeof sets / sizeof sets[0]; s++) {
        for (size_t k = 0; k < sizeof repeats / sizeof repeats[0]; k++) {
            struct anova_one_way r;
            size_t n = SMLS_TREATMENTS * repeats[k];
            for (size_t i = 0; i < n; i++) {
                group[i] = i / repeats[k];
                values[i] = smls_value(sets[s].common, group[i], i % repeats[k]);
            }
            cr_assert_eq(anova_one_way(values, group, n, SMLS_TREATMENTS, &r, NULL), ERR_OK);
            expect_near(r.test.f, (double)repeats[k], sets[s].tolerance);
            expect_near(r.residual_sd, 0.1, sets[s].tolerance);
            cr_expect_eq(r.test.n2, (double)(n - SMLS_TREATMENTS));
        }
    }
}

/* Source: R's aov, oneway.test and bartlett.test. */
Test(anova, one_way_welch_and_bartlett_agree_with_r_on_plant_growth)
{
    struct anova_one_way r;
    struct anova_test scatter;
    quantity_init_numerics();
    cr_assert_eq(anova_one_way(PLANT_GROWTH, PLANT_GROUP, 30, 3, &r, NULL), ERR_OK);
    expect_near(r.between_square, 3.76634, 1e-13);
    expect_near(r.within_square, 10.49209, 1e-13);
    expect_near(r.test.f, 4.84609, 1e-6);
    expect_near(r.test.p_value, 0.0159099583256229, 1e-12);
    cr_assert(r.test.present && r.welch.present);
    expect_near(r.welch.f, 5.18097240811319, 1e-13);
    cr_expect_eq(r.welch.n1, 2);
    expect_near(r.welch.n2, 17.12841861664413, 1e-13);
    expect_near(r.welch.p_value, 0.01739282149017, 1e-12);
    scatter = anova_equal_scatter(PLANT_GROWTH, PLANT_GROUP, 30, 3);
    cr_assert(scatter.present);
    expect_near(scatter.f * scatter.n1, 2.87857378723609, 1e-13);
    cr_expect_eq(scatter.n1, 2);
    cr_expect_eq(scatter.n2, INFINITY);
    expect_near(scatter.p_value, 0.237096773634558, 1e-13);
}

/* With two groups Welch's F is the square of his t. Source of its figures: R's oneway.test on `sleep`. */
Test(anova, welch_of_two_groups_is_his_t_test)
{
    struct anova_one_way r;
    quantity_init_numerics();
    cr_assert_eq(anova_one_way(SLEEP, SLEEP_GROUP, 20, 2, &r, NULL), ERR_OK);
    expect_near(r.welch.f, 3.4626267607804460, 1e-13);
    expect_near(r.welch.n2, 17.7764735161784913, 1e-13);
    expect_near(r.welch.p_value, 0.0793941401873581, 1e-12);
}

/* Source: R's drop1 and summary of lm(yield ~ block + N), and with the place in the block as well. */
Test(anova, blocks_of_peas_agree_with_r)
{
    static struct anova_blocks r;
    struct anova_covariate c;
    double residuals[24], place[24], sum = 0, square = 0;
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(anova_blocks(PEAS, PEAS_NITROGEN, PEAS_BLOCK, 24, 2, 6, &r, residuals, &e), ERR_OK, "%s",
                 e.text);
    expect_near(r.block_square, 343.295, 1e-12);
    expect_near(r.group_square, 189.281666666666, 1e-12);
    expect_near(r.residual_square, 343.788333333333, 1e-12);
    expect_near(r.groups_test.f, 9.35979502891798, 1e-12);
    expect_near(r.groups_test.p_value, 0.00709549880590735, 1e-11);
    expect_near(r.blocks_test.f, 3.39512102892768, 1e-12);
    expect_near(r.blocks_test.p_value, 0.02617329303018444, 1e-11);
    cr_expect_eq(r.blocks_test.n1, 5);
    cr_expect_eq(r.degrees_of_freedom, 17);
    expect_near(r.residual_sd, 4.49698155847, 1e-11);
    expect_near(r.effect[1] - r.effect[0], 5.61666666667, 1e-11);
    expect_near(r.residual_sd * sqrt(r.covariance[0][0] + r.covariance[1][1] - 2 * r.covariance[0][1]),
                1.83588503349, 1e-11);
    for (size_t i = 0; i < 24; i++) {
        sum += residuals[i];
        square += residuals[i] * residuals[i];
        place[i] = (double)(i % 4 + 1);
    }
    cr_expect_float_eq(sum, 0, 1e-11);
    expect_near(square, r.residual_square, 1e-13);
    /* The model without the place, found again or as it was just told. */
    for (int told = 0; told < 2; told++) {
        cr_assert_eq(anova_covariate(PEAS, PEAS_NITROGEN, PEAS_BLOCK, place, 24, 2, 6,
                                     told ? r.residual_square : NAN, &c, NULL),
                     ERR_OK);
        expect_near(c.slope, -0.575, 1e-11);
        expect_near(c.standard_error, 0.935210166516359, 1e-12);
        expect_near(c.test.f, 0.378022152526902, 1e-11);
        expect_near(c.test.p_value, 0.547308857965684, 1e-11);
        cr_expect_eq(c.test.n1, 1);
        cr_expect_eq(c.test.n2, 16);
    }
}

/* Source: R's drop1, summary and predict of lm(y ~ block + feeder). */
Test(anova, empty_cells_agree_with_r)
{
    static const double means[] = {84.86, 73.5853968253969, 80.9568253968254};
    static const double errors[3][3] = {{0, 0.802684042002706, 0.802684042002706},
                                        {0.802684042002706, 0, 0.879296312708613},
                                        {0.802684042002706, 0.879296312708613, 0}};
    static struct anova_blocks r;
    quantity_init_numerics();
    cr_assert_eq(anova_blocks(INCOMPLETE, INCOMPLETE_GROUP, INCOMPLETE_BLOCK, 13, 3, 5, &r, NULL, NULL),
                 ERR_OK);
    expect_near(r.residual_square, 8.1182010582011, 1e-11);
    expect_near(r.group_square, 267.865132275132, 1e-11);
    expect_near(r.block_square, 14.553798941799, 1e-11);
    expect_near(r.groups_test.f, 98.98688, 1e-7);
    expect_near(r.groups_test.p_value, 2.5453e-05, 2e-5);
    expect_near(r.blocks_test.f, 2.68911, 2e-6);
    expect_near(r.blocks_test.p_value, 0.13432, 4e-5);
    expect_near(r.residual_sd, 1.16319968608154, 1e-12);
    cr_expect_eq(r.degrees_of_freedom, 6);
    for (size_t i = 0; i < 3; i++) {
        expect_near(r.effect[i], means[i], 1e-12);
        for (size_t j = 0; j < 3; j++)
            cr_expect_float_eq(r.residual_sd *
                                   sqrt(r.covariance[i][i] + r.covariance[j][j] - 2 * r.covariance[i][j]),
                               errors[i][j], 1e-12);
    }
}

/* Without blocks, or with a single one, the same numbers as one-way. */
Test(anova, one_block_is_no_block)
{
    static struct anova_blocks r;
    static const size_t one[30] = {0};
    struct anova_one_way way;
    quantity_init_numerics();
    cr_assert_eq(anova_one_way(PLANT_GROWTH, PLANT_GROUP, 30, 3, &way, NULL), ERR_OK);
    for (int given = 0; given < 2; given++) {
        cr_assert_eq(anova_blocks(PLANT_GROWTH, PLANT_GROUP, given ? one : NULL, 30, 3, 1, &r, NULL, NULL),
                     ERR_OK);
        expect_near(r.groups_test.f, way.test.f, 1e-13);
        expect_near(r.residual_square, way.within_square, 1e-13);
        expect_near(r.effect[2], 5.526, 1e-14);
        expect_near(r.covariance[2][2], 0.1, 1e-13);
        cr_expect_not(r.blocks_test.present);
        cr_expect(isnan(r.blocks_test.p_value));
    }
}

static void expect_refused(enum err_code code, const struct err *e, const char *words)
{
    cr_expect_eq(code, ERR_NO_ANSWER, "%d", code);
    cr_expect(strstr(e->text, words) != NULL, "%s", e->text);
}

Test(anova, what_cannot_be_answered_is_refused)
{
    static const double same[] = {4.25, 4.25, 4.25, 4.25, 4.25, 4.25},
                        apart[] = {84.1, 85.9, 83.2, 72.8, 74.6, 71.9};
    static const size_t three[] = {0, 0, 1, 1, 2, 2}, gap[] = {0, 0, 2, 2, 2, 0}, own[] = {0, 1, 2, 3, 4, 5};
    static const size_t two[] = {0, 0, 0, 1, 1, 1}, blocks[] = {0, 1, 2, 0, 1, 2};
    static struct anova_blocks b;
    struct anova_one_way r;
    struct anova_covariate c;
    struct err e = {0};
    quantity_init_numerics();
    expect_refused(anova_one_way(apart, gap, 6, 3, &r, &e), &e, "group 2 has no value");
    expect_refused(anova_one_way(apart, own, 6, 6, &r, &e), &e, "6 values in 6 groups");
    expect_refused(anova_one_way(same, three, 6, 3, &r, &e), &e, "do not scatter");
    expect_refused(anova_one_way(apart, three, 0, 3, &r, &e), &e, "group 1 has no value");
    /* All blocks hold the same fertilisers of two kinds that never meet. */
    expect_refused(anova_blocks(PEAS, PEAS_TREATMENT, PEAS_BLOCK, 24, 8, 6, &b, NULL, &e), &e,
                   "do not tell all effects apart");
    expect_refused(anova_blocks(apart, own, blocks, 6, 6, 1, &b, NULL, &e), &e,
                   "6 values leave nothing for their scatter beside 6 effects");
    expect_refused(anova_blocks(apart, own, blocks, 6, 6, 3, &b, NULL, &e), &e,
                   "6 values cannot tell 8 effects");
    expect_refused(anova_blocks(apart, own, NULL, 6, ANOVA_GROUPS_MAX + 1, 1, &b, NULL, &e), &e,
                   "129 groups");
    /* The same difference in every block, but for the rounding of decimals. */
    expect_refused(anova_blocks(apart, two, blocks, 6, 2, 3, &b, NULL, &e), &e, "do not scatter");
    cr_expect_eq(b.degrees_of_freedom, 2);
    /* A covariate that is the same everywhere says nothing. */
    expect_refused(anova_covariate(SLEEP, SLEEP_GROUP, SLEEP_BLOCK, same, 6, 1, 1, NAN, &c, &e), &e,
                   "do not tell all effects apart");
}

Test(anova, a_test_without_grounds_is_absent)
{
    static const double values[] = {84.1, 85.9, 83.2, 72.8, 72.8, 72.8, 79.3, 80.4};
    static const size_t quiet[] = {0, 0, 0, 1, 1, 1, 1, 0}, few[] = {0, 0, 0, 0, 1, 1, 0, 0};
    static const size_t single[] = {0, 0, 0, 0, 0, 0, 0, 1};
    struct anova_one_way r;
    struct anova_test t;
    quantity_init_numerics();
    t = anova_equal_scatter(values, few, 8, 2);
    cr_expect(!t.present && isnan(t.p_value));
    t = anova_equal_scatter(values, quiet, 6, 2);
    cr_expect(!t.present && isnan(t.p_value), "a group that does not scatter");
    t = anova_equal_scatter(values, quiet, 0, 0);
    cr_expect(!t.present);
    cr_assert_eq(anova_one_way(values, single, 8, 2, &r, NULL), ERR_OK);
    cr_expect(r.test.present && !r.welch.present);
    cr_expect(isnan(r.welch.p_value));
    /* Of three values a block, two blocks are too few; a third that lacks one does not count. */
    static const size_t three[] = {0, 1, 2, 0, 1, 2, 0, 1}, blocks[] = {0, 0, 0, 1, 1, 1, 2, 2};
    cr_expect_not(anova_equal_differences(values, three, blocks, 8, 3).present);
    static const double alike[9] = {1, 2, 3, 2, 3, 4, 7, 8, 9};
    static const size_t feeder[9] = {0, 1, 2, 0, 1, 2, 0, 1, 2}, in[9] = {0, 0, 0, 1, 1, 1, 2, 2, 2};
    cr_expect_not(anova_equal_differences(alike, feeder, in, 9, 3).present,
                  "differences that do not scatter");
}
