#include "analyze/numerics/additive_fit.h"
#include "analyze/numerics/quantity.h"
#include "tests/analyze/numerics/near.h"
#include "tests/analyze/numerics/published_groups.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static struct additive_data peas(const double *covariate)
{
    quantity_init_numerics();
    return (struct additive_data){PEAS, covariate, PEAS_NITROGEN, PEAS_BLOCK, 24, 2, 6};
}

static struct additive_data incomplete(void)
{
    quantity_init_numerics();
    return (struct additive_data){INCOMPLETE, NULL, INCOMPLETE_GROUP, INCOMPLETE_BLOCK, 13, 3, 5};
}

Test(additive_fit, columns_are_those_of_the_model)
{
    static const double place[24] = {1};
    struct additive_data d = peas(place), without = peas(NULL), single = peas(NULL);
    cr_expect_eq(additive_columns(&d, true, true, true), 2 + 5 + 1);
    cr_expect_eq(additive_columns(&d, false, true, true), 1 + 5 + 1);
    cr_expect_eq(additive_columns(&d, true, false, true), 2 + 1);
    cr_expect_eq(additive_columns(&d, true, true, false), 2 + 5);
    cr_expect_eq(additive_columns(&without, true, true, true), 2 + 5);
    single.blocks = 1;
    cr_expect_eq(additive_columns(&single, true, true, false), 2);
    single.block = NULL;
    single.blocks = 6;
    cr_expect_eq(additive_columns(&single, true, true, false), 2);
}

Test(additive_fit, rows_hold_group_block_and_centred_covariate)
{
    static const double place[13] = {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13};
    static const double third[] = {1, 0, 0, 0, 0, 1, 0, -4}, last[] = {0, 0, 1, -1, -1, -1, -1, 6};
    static const double constant[] = {1, -1, -1, -1, -1};
    double row[8];
    struct additive_data d = incomplete();
    d.covariate = place;
    additive_row(&d, 2, true, true, true, row);
    for (size_t j = 0; j < 8; j++)
        cr_expect_float_eq(row[j], third[j], 1e-15, "column %zu: %g", j, row[j]);
    additive_row(&d, 12, true, true, true, row);
    for (size_t j = 0; j < 8; j++)
        cr_expect_float_eq(row[j], last[j], 1e-15, "column %zu: %g", j, row[j]);
    row[5] = 77;
    additive_row(&d, 12, false, true, false, row);
    for (size_t j = 0; j < 5; j++)
        cr_expect_eq(row[j], constant[j]);
    cr_expect_eq(row[5], 77, "no more than its columns");
}

/* Source: R, lm(y ~ block + feeder): residual sum of squares, and adjusted means by predict over all cells.
 */
Test(additive_fit, agrees_with_r_where_cells_are_empty)
{
    static const double means[] = {84.86, 73.5853968253969, 80.9568253968254};
    struct additive_data d = incomplete();
    struct additive_fit f;
    double residuals[13], by_group[3] = {0}, by_block[5] = {0};
    struct err e = {0};
    cr_assert_eq(additive_fit(&d, true, true, false, &f, residuals, &e), ERR_OK, "%s", e.text);
    cr_expect(f.columns == 7 && f.rank == 7);
    expect_near(f.residual_square, 8.1182010582011, 1e-12);
    for (size_t g = 0; g < 3; g++)
        expect_near(f.coefficients[g], means[g], 1e-13);
    /* Residuals add up to nothing in every group and block. */
    for (size_t i = 0; i < 13; i++) {
        by_group[INCOMPLETE_GROUP[i]] += residuals[i];
        by_block[INCOMPLETE_BLOCK[i]] += residuals[i];
    }
    for (size_t g = 0; g < 3; g++)
        cr_expect_float_eq(by_group[g], 0, 1e-12);
    for (size_t b = 0; b < 5; b++)
        cr_expect_float_eq(by_block[b], 0, 1e-12);
    additive_fit_free(&f);
    cr_expect(f.coefficients == NULL && f.covariance == NULL);
    /* Leaving out the feeders, or the blocks: R's drop1 has the rise of the sum of squares. */
    cr_assert_eq(additive_fit(&d, false, true, false, &f, NULL, &e), ERR_OK);
    expect_near(f.residual_square, 275.9833333333336, 1e-12);
    additive_fit_free(&f);
    cr_assert_eq(additive_fit(&d, true, false, false, &f, NULL, &e), ERR_OK);
    expect_near(f.residual_square, 22.672, 1e-12);
    expect_near(f.coefficients[1], 73.75, 1e-14);
    expect_near(gsl_matrix_get(f.covariance, 1, 1), 0.25, 1e-13);
    cr_expect_float_eq(gsl_matrix_get(f.covariance, 0, 1), 0, 1e-14);
    additive_fit_free(&f);
}

/* Source: R, lm(yield ~ block + N + place): slope and standard error. */
Test(additive_fit, covariate_agrees_with_r)
{
    double place[24];
    struct additive_data d = peas(place);
    struct additive_fit f;
    for (size_t i = 0; i < 24; i++)
        place[i] = (double)i + 1;
    cr_assert_eq(additive_fit(&d, true, true, true, &f, NULL, NULL), ERR_OK);
    expect_near(f.coefficients[7], -0.575, 1e-12);
    expect_near(sqrt(f.residual_square / 16 * gsl_matrix_get(f.covariance, 7, 7)), 0.935210166516358, 1e-12);
    additive_fit_free(&f);
}

/* The covariance is that of the design alone: the same for values that do not scatter, and where nothing is
 * left for the scatter. */
Test(additive_fit, covariance_does_not_depend_on_the_values)
{
    static const double flat[13] = {4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4};
    static const size_t two[] = {0, 0, 0, 1}, three[] = {0, 1, 2, 0};
    static const double four[] = {84.1, 85.9, 83.2, 72.8};
    struct additive_data d = incomplete(), full = {four, NULL, two, three, 4, 2, 3};
    struct additive_fit a, b;
    cr_assert_eq(additive_fit(&d, true, true, false, &a, NULL, NULL), ERR_OK);
    d.value = flat;
    cr_assert_eq(additive_fit(&d, true, true, false, &b, NULL, NULL), ERR_OK);
    cr_expect_float_eq(b.residual_square, 0, 1e-25);
    for (size_t i = 0; i < 7; i++) {
        for (size_t j = 0; j < 7; j++)
            cr_expect_float_eq(gsl_matrix_get(a.covariance, i, j), gsl_matrix_get(b.covariance, i, j), 1e-13);
    }
    additive_fit_free(&a);
    additive_fit_free(&b);
    /* Four values, four effects. The first feeder has one value in each block: its mean, of variance 1 / 3.
     * The other's differs from it by the difference in the first block, of variance 2. */
    cr_assert_eq(additive_fit(&full, true, true, false, &a, NULL, NULL), ERR_OK);
    expect_near(a.coefficients[0], (84.1 + 85.9 + 83.2) / 3, 1e-13);
    expect_near(a.coefficients[0] - a.coefficients[1], 84.1 - 72.8, 1e-12);
    expect_near(gsl_matrix_get(a.covariance, 0, 0), 1.0 / 3, 1e-12);
    expect_near(gsl_matrix_get(a.covariance, 0, 0) + gsl_matrix_get(a.covariance, 1, 1) -
                    2 * gsl_matrix_get(a.covariance, 0, 1),
                2, 1e-12);
    additive_fit_free(&a);
}

/* Ten leading digits in common cost those ten, and no square of them. */
Test(additive_fit, a_large_common_part_costs_no_more_than_its_digits)
{
    double values[13];
    struct additive_data d = incomplete();
    struct additive_fit f;
    for (size_t i = 0; i < 13; i++)
        values[i] = INCOMPLETE[i] + 1e10;
    d.value = values;
    cr_assert_eq(additive_fit(&d, true, true, false, &f, NULL, NULL), ERR_OK);
    expect_near(f.residual_square, 8.1182010582011, 1e-5);
    expect_near(f.coefficients[0] - 1e10, 84.86, 1e-7);
    additive_fit_free(&f);
}

static void expect_refused(const struct additive_data *d, bool covariate, const char *words)
{
    struct additive_fit f;
    struct err e = {0};
    cr_expect_eq(additive_fit(d, true, true, covariate, &f, NULL, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, words) != NULL, "%s", e.text);
    cr_expect(f.coefficients == NULL && f.covariance == NULL);
}

Test(additive_fit, effects_that_cannot_be_told_apart_are_refused)
{
    double nitrogen[24];
    struct additive_data d = peas(nitrogen), split = peas(NULL), few = peas(NULL);
    for (size_t i = 0; i < 24; i++)
        nitrogen[i] = 3.25 * (double)PEAS_NITROGEN[i];
    expect_refused(&d, true, "the values do not tell all effects apart");
    split.group = PEAS_TREATMENT;
    split.groups = 8;
    expect_refused(&split, false, "the values do not tell all effects apart");
    few.n = 6;
    expect_refused(&few, false, "6 values cannot tell 7 effects");
    few.n = 0;
    expect_refused(&few, false, "0 values cannot tell 7 effects");
}
