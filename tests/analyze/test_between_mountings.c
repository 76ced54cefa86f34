#include "analyze/between_mountings.h"

#include <criterion/criterion.h>
#include <math.h>

static struct between_mountings m;
static struct budget b;

static void begin(void)
{
    quantity_init_numerics();
    between_mountings_init(&m);
    budget_init(&b);
}

TestSuite(between_mountings, .init = begin);

Test(between_mountings, blocks_count_alike_however_many_runs_they_have)
{
    between_mountings_count(&m, 7, 0.93);
    between_mountings_count(&m, 7, 0.99);
    between_mountings_count(&m, 2, 1.05);
    between_mountings_count(&m, 7, 0.96);
    between_mountings_count(&m, 5, 1.11);
    /* Block means 0.96, 1.05, 1.11: mean 1.04, sd of the three 0.0754983. */
    cr_expect_eq(m.count, 3);
    cr_expect_float_eq(between_mountings_relative(&m), 0.0754983 / sqrt(3) / 1.04, 1e-6);
}

Test(between_mountings, budget_comes_up_to_what_the_blocks_say_and_no_further)
{
    struct budget_component fit = {
        .name = "fit", .unit = "N", .standard_uncertainty = 1.3, .sensitivity = 1, .degrees_of_freedom = 17};
    between_mountings_count(&m, 1, 0.96);
    between_mountings_count(&m, 2, 1.05);
    between_mountings_count(&m, 3, 1.11);
    budget_add(&b, &fit, NULL);
    between_mountings_widen(&b, &m, 52.3);
    cr_assert_eq(b.count, 1);
    cr_expect_eq(b.components[0].degrees_of_freedom, 2);
    cr_expect_str_eq(b.components[0].name, BETWEEN_MOUNTINGS_NAME);
    cr_expect_float_eq(budget_standard_uncertainty(&b), 52.3 * 0.0754983 / sqrt(3) / 1.04, 1e-4);
    budget_init(&b);
    fit.standard_uncertainty = 2.2; /* above 2.192: the fit says more already */
    budget_add(&b, &fit, NULL);
    between_mountings_widen(&b, &m, 52.3);
    cr_expect_float_eq(b.components[0].contribution, 2.2, 1e-12);
    cr_expect_eq(b.components[0].degrees_of_freedom, 17);
}

Test(between_mountings, one_block_and_numbers_that_are_none_say_nothing)
{
    struct budget_component fit = {
        .name = "fit", .unit = "N", .standard_uncertainty = 0.1, .sensitivity = 1, .degrees_of_freedom = 17};
    between_mountings_count(&m, 4, 0.97);
    between_mountings_count(&m, 4, 1.08);
    between_mountings_count(&m, 5, NAN);
    between_mountings_count(&m, 6, -0.2);
    cr_expect(isnan(between_mountings_relative(&m)));
    budget_add(&b, &fit, NULL);
    between_mountings_widen(&b, &m, 52.3);
    cr_expect_float_eq(b.components[0].contribution, 0.1, 1e-12);
}

Test(between_mountings, blocks_past_the_maximum_are_left_out)
{
    for (int i = 0; i < BETWEEN_MOUNTINGS_MAX + 3; i++)
        between_mountings_count(&m, i + 1, i % 2 == 0 ? 0.98 : 1.02);
    cr_expect_eq(m.count, BETWEEN_MOUNTINGS_MAX);
}
