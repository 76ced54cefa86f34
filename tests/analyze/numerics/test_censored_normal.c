#include "analyze/numerics/anova.h"
#include "analyze/numerics/censored_normal.h"
#include "analyze/numerics/quantity.h"
#include "tests/analyze/numerics/near.h"
#include "tests/analyze/numerics/published_groups.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

/* Invented: two feeders of which one run met a limit. */
static const double PAIR[12] = {84.1, 85.9, 83.2, 86.0, 84.7, 85.3, 82.8, 84.9, 81.6, 85.7, 83.1, 83.9};
static const bool PAIR_AT_LEAST[12] = {[3] = true};
static const size_t PAIR_GROUP[12] = {0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1};

/* Source: R, survival::survreg(Surv(y, event) ~ feeder - 1, dist = "gaussian"): likelihood, scale,
 * coefficients, and their variances, here with the scatter corrected by 11 / 9. */
Test(censored_normal, agrees_with_r_without_blocks)
{
    struct censored_normal r;
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(censored_normal(PAIR, PAIR_AT_LEAST, PAIR_GROUP, NULL, 12, 2, 1, &r, &e), ERR_OK, "%s",
                 e.text);
    expect_near(r.log_likelihood, -19.26079558498121, 1e-13);
    expect_near(r.sigma, 1.272295613355664, 1e-10);
    expect_near(r.sigma_corrected, 1.272295613355664 * sqrt(11.0 / 9), 1e-10);
    cr_expect_eq(r.degrees_of_freedom, 9);
    expect_near(r.mean[0], 84.98717118706932, 1e-11);
    expect_near(r.mean[1], 83.66666666666667, 1e-14);
    expect_near(r.covariance[0][0], 2.815554534788e-01 * 11 / 9, 1e-9);
    expect_near(r.covariance[1][1], 2.697893546273e-01 * 11 / 9, 1e-9);
    cr_expect_float_eq(r.covariance[0][1], 0, 1e-12);
}

/* Invented: three feeders in five blocks, one cell empty, three values at least so much. Source as above,
 * with blocks as contr.sum: scatter corrected by 11 / 4. */
Test(censored_normal, agrees_with_r_in_incomplete_blocks)
{
    static const double values[14] = {84.1, 85.9, 83.2, 86.4, 84.7, 72.8, 74.9,
                                      71.6, 75.7, 80.3, 81.9, 82.6, 79.8, 81.2};
    static const bool at_least[14] = {[1] = true, [7] = true, [13] = true};
    static const size_t group[14] = {0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 2};
    static const size_t block[14] = {0, 1, 2, 3, 4, 0, 1, 2, 3, 0, 1, 2, 3, 4};
    static const double means[3] = {85.019123192589, 74.459109752403, 81.350670554345};
    static const double covariance[3][3] = {{0.216513681383, -0.00538438303335, 0.000567172278264},
                                            {-0.00538438303335, 0.395076228882, 0.013730367595},
                                            {0.000567172278264, 0.013730367595, 0.224284896978}};
    struct censored_normal r;
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(censored_normal(values, at_least, group, block, 14, 3, 5, &r, &e), ERR_OK, "%s", e.text);
    expect_near(r.log_likelihood, -16.785738584389, 1e-12);
    expect_near(r.sigma, 0.99349196915063, 1e-9);
    expect_near(r.sigma_corrected, 0.99349196915063 * sqrt(11.0 / 4), 1e-9);
    cr_expect_eq(r.degrees_of_freedom, 4);
    for (size_t i = 0; i < 3; i++) {
        expect_near(r.mean[i], means[i], 1e-10);
        for (size_t j = 0; j < 3; j++)
            cr_expect_float_eq(r.covariance[i][j] * 4 / 11, covariance[i][j], 1e-10, "%zu, %zu: %.12g", i, j,
                               r.covariance[i][j]);
    }
}

/* With all values known it is least squares: the same means, scatter and covariance. */
Test(censored_normal, without_censoring_it_is_least_squares)
{
    static const bool at_least[24] = {false};
    static struct anova_blocks a;
    struct censored_normal r;
    quantity_init_numerics();
    cr_assert_eq(censored_normal(PEAS, at_least, PEAS_NITROGEN, PEAS_BLOCK, 24, 2, 6, &r, NULL), ERR_OK);
    cr_assert_eq(anova_blocks(PEAS, PEAS_NITROGEN, PEAS_BLOCK, 24, 2, 6, &a, NULL, NULL), ERR_OK);
    expect_near(r.sigma_corrected, a.residual_sd, 1e-12);
    cr_expect_eq(r.degrees_of_freedom, a.degrees_of_freedom);
    for (size_t i = 0; i < 2; i++) {
        expect_near(r.mean[i], a.effect[i], 1e-12);
        for (size_t j = 0; j < 2; j++)
            cr_expect_float_eq(r.covariance[i][j], a.covariance[i][j] * a.residual_sd * a.residual_sd, 1e-10);
    }
}

/* Other units and another zero change nothing but units and zero. */
Test(censored_normal, units_do_not_matter)
{
    static const double factors[] = {1e-9, 1e9}, shifts[] = {0, -3e5};
    struct censored_normal r, s;
    quantity_init_numerics();
    cr_assert_eq(censored_normal(PAIR, PAIR_AT_LEAST, PAIR_GROUP, NULL, 12, 2, 1, &r, NULL), ERR_OK);
    for (size_t k = 0; k < 2; k++) {
        double scaled[12];
        for (size_t i = 0; i < 12; i++)
            scaled[i] = factors[k] * (PAIR[i] + shifts[k]);
        cr_assert_eq(censored_normal(scaled, PAIR_AT_LEAST, PAIR_GROUP, NULL, 12, 2, 1, &s, NULL), ERR_OK);
        expect_near(s.sigma, r.sigma * factors[k], 1e-9);
        expect_near(s.mean[0], (r.mean[0] + shifts[k]) * factors[k], 1e-10);
        expect_near(s.covariance[0][0], r.covariance[0][0] * factors[k] * factors[k], 1e-9);
        expect_near(s.log_likelihood, r.log_likelihood - 11 * log(factors[k]), 1e-10);
    }
}

/* A bound that lies far below everything says nothing: its value drops out. One far above moves the mean up.
 */
Test(censored_normal, a_bound_says_what_it_is_worth)
{
    struct censored_normal low, without, high;
    double values[12];
    quantity_init_numerics();
    memcpy(values, PAIR, sizeof values);
    values[3] = 60;
    cr_assert_eq(censored_normal(values, PAIR_AT_LEAST, PAIR_GROUP, NULL, 12, 2, 1, &low, NULL), ERR_OK);
    values[3] = 88;
    cr_assert_eq(censored_normal(values, PAIR_AT_LEAST, PAIR_GROUP, NULL, 12, 2, 1, &high, NULL), ERR_OK);
    for (size_t i = 3; i < 11; i++)
        values[i] = PAIR[i + 1];
    static const bool none[11] = {false};
    static const size_t group[11] = {0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1};
    cr_assert_eq(censored_normal(values, none, group, NULL, 11, 2, 1, &without, NULL), ERR_OK);
    expect_near(low.mean[0], without.mean[0], 1e-10);
    expect_near(low.sigma, without.sigma, 1e-9);
    expect_near(low.log_likelihood, without.log_likelihood, 1e-10);
    cr_expect_gt(high.mean[0], without.mean[0] + 0.5);
}

static void expect_refused(enum err_code code, const struct err *e, const char *words)
{
    cr_expect_eq(code, ERR_NO_ANSWER, "%d", code);
    cr_expect(strstr(e->text, words) != NULL, "%s", e->text);
}

Test(censored_normal, what_cannot_be_answered_is_refused)
{
    static const bool two_known[12] = {[6] = true, true, true, true},
                      few[12] = {[0] = true, true, true, true}, half[12] = {[6] = true, true, true};
    static const double same[12] = {4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4};
    static const size_t wide[12] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11},
                        apart[12] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11};
    static const size_t halves[12] = {0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3};
    struct censored_normal r;
    struct err e = {0};
    quantity_init_numerics();
    expect_refused(censored_normal(PAIR, two_known, PAIR_GROUP, NULL, 12, 2, 1, &r, &e), &e,
                   "of feeder 2 of the comparison 2 of 6 values are known");
    expect_refused(censored_normal(PAIR, few, PAIR_GROUP, NULL, 12, 2, 1, &r, &e), &e, "of feeder 1");
    cr_expect_eq(censored_normal(PAIR, half, PAIR_GROUP, NULL, 12, 2, 1, &r, &e), ERR_OK);
    expect_refused(
        censored_normal(PAIR, PAIR_AT_LEAST, wide, NULL, 12, CENSORED_NORMAL_GROUPS_MAX + 1, 1, &r, &e), &e,
        "17 feeders are too many");
    expect_refused(censored_normal(PAIR, PAIR_AT_LEAST, PAIR_GROUP, apart, 12, 2, 12, &r, &e), &e,
                   "11 values that are known cannot tell 13 effects");
    expect_refused(censored_normal(PAIR, PAIR_AT_LEAST, PAIR_GROUP, halves, 12, 2, 4, &r, &e), &e,
                   "do not tell all effects apart");
    expect_refused(censored_normal(same, PAIR_AT_LEAST, PAIR_GROUP, NULL, 12, 2, 1, &r, &e), &e,
                   "do not scatter");
}

/* In a block in which every value is only known to be at least so much, the likelihood rises for ever. */
Test(censored_normal, a_likelihood_without_a_maximum_is_no_answer)
{
    static const bool at_least[12] = {[2] = true, [8] = true};
    static const size_t block[12] = {0, 1, 2, 0, 1, 0, 0, 1, 2, 0, 1, 1};
    struct censored_normal r;
    struct err e = {0};
    quantity_init_numerics();
    expect_refused(censored_normal(PAIR, at_least, PAIR_GROUP, block, 12, 2, 3, &r, &e), &e,
                   "the likelihood has no maximum");
}
