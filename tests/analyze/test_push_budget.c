#include "analyze/force_check.h"
#include "analyze/push_budget.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

TestSuite(push_budget, .init = quantity_init_numerics);

#define SLOPE 3987.25

/* A straight line whose slope is known to 0.29 %: 0.23 % of it from weights and gravity. */
static struct calibration fitted(void)
{
    struct calibration c = {.origin = "fitted",
                            .degree = 1,
                            .coefficients = {8123.5, SLOPE},
                            .degrees_of_freedom = 23,
                            .load_high_n = 98,
                            .weights_relative = 0.0017,
                            .gravity_relative = 0.0015,
                            .reversibility_n = 0.237};
    c.covariance[1][1] = pow(0.0029 * SLOPE, 2);
    return c;
}

static const struct budget_component *part(const struct budget *b, const char *name)
{
    for (size_t i = 0; i < b->count; i++) {
        if (strcmp(b->components[i].name, name) == 0)
            return &b->components[i];
    }
    return NULL;
}

static void expect_part(const struct budget *b, const char *name, double contribution, double degrees,
                        enum budget_type type, bool estimate)
{
    const struct budget_component *c = part(b, name);
    cr_assert_not_null(c, "%s", name);
    cr_expect_float_eq(c->contribution, contribution, 1e-9, "%s: %.12g", name, c->contribution);
    cr_expect_eq(c->degrees_of_freedom, degrees, "%s", name);
    cr_expect_eq(c->type, type, "%s", name);
    cr_expect_eq(c->operator_estimate, estimate, "%s", name);
}

Test(push_budget, a_calibration_is_told_apart_into_its_parts)
{
    struct calibration c = fitted();
    struct push_settings settings = push_budget_settings(NULL);
    struct budget b;
    double sum = 0;
    budget_init(&b);
    push_budget_add_bench(&b, 63.7, &c, &settings);
    cr_expect_eq(b.count, 6, "creep, alignment and four parts");
    expect_part(&b, "calibration of the load cell",
                63.7 * sqrt(0.0029 * 0.0029 - 0.0017 * 0.0017 - 0.0015 * 0.0015), 23, BUDGET_TYPE_A, false);
    expect_part(&b, "weights of the calibration", 63.7 * 0.0017, INFINITY, BUDGET_TYPE_B, true);
    expect_part(&b, "gravity at the calibration", 63.7 * 0.0015, INFINITY, BUDGET_TYPE_B, true);
    expect_part(&b, "reversibility of the load cell", 0.237 / sqrt(3), INFINITY, BUDGET_TYPE_B, false);
    for (size_t i = 0; i < b.count; i++) {
        if (push_budget_of_covariance(b.components[i].name))
            sum += pow(b.components[i].contribution, 2);
    }
    cr_expect_float_eq(sqrt(sum), calibration_uncertainty_n(&c, 63.7), 1e-12, "the covariance, once");
}

Test(push_budget, a_calibration_of_one_piece_has_one_component)
{
    struct calibration c = fitted();
    struct budget b;
    c.weights_relative = c.gravity_relative = c.reversibility_n = 0;
    budget_init(&b);
    push_budget_add_calibration(&b, 63.7, 1, "", &c);
    cr_expect_eq(b.count, 1);
    expect_part(&b, PUSH_BUDGET_CALIBRATION_NAME, 63.7 * 0.0029, 23, BUDGET_TYPE_A, false);
    snprintf(c.origin, sizeof c.origin, "stated");
    c.degrees_of_freedom = INFINITY;
    budget_init(&b);
    push_budget_add_calibration(&b, -63.7, 0.37, " of b", &c);
    cr_expect_eq(b.count, 1);
    expect_part(&b, "calibration of the load cell of b", 0.37 * 63.7 * 0.0029, INFINITY, BUDGET_TYPE_B, true);
}

Test(push_budget, parts_are_never_more_than_the_covariance)
{
    struct calibration c = fitted();
    struct budget b;
    c.weights_relative = 0.0025;
    c.gravity_relative = 0.0031;
    c.reversibility_n = 0;
    budget_init(&b);
    push_budget_add_calibration(&b, 63.7, 1, "", &c);
    cr_expect_float_eq(budget_standard_uncertainty(&b), 63.7 * 0.0029, 1e-9);
    expect_part(&b, PUSH_BUDGET_WEIGHTS_NAME, 63.7 * 0.0025, INFINITY, BUDGET_TYPE_B, true);
}

Test(push_budget, the_longest_names_fit)
{
    struct calibration c = fitted();
    struct budget b;
    budget_init(&b);
    push_budget_add_calibration(&b, 63.7, 0.11, ", common to both", &c);
    cr_expect_eq(b.count, 4);
    cr_expect_not_null(part(&b, "reversibility of the load cell, common to both"));
}

/* The draws take the whole covariance: what is told apart must not count a second time. */
Test(push_budget, monte_carlo_draws_count_weights_and_gravity_once)
{
    struct quantity q[2];
    for (int told = 0; told < 2; told++) {
        struct calibration c = fitted();
        struct budget b;
        c.covariance[1][1] = pow(0.14 * SLOPE, 2);
        c.degrees_of_freedom = INFINITY;
        c.weights_relative = told * 0.11;
        c.gravity_relative = told * 0.05;
        c.reversibility_n = 0;
        budget_init(&b);
        push_budget_add(&b, "scatter", 0.61, INFINITY, BUDGET_TYPE_A, false);
        push_budget_add_calibration(&b, 83.7, 1, "", &c);
        q[told] = budget_combine(&b, 83.7, 7);
        cr_assert_eq(force_check(&c, 23, &b, &q[told]), FORCE_CHECK_REPLACED);
    }
    cr_expect_float_eq(q[1].standard_uncertainty, q[0].standard_uncertainty, 1e-9, "%g, in one piece %g",
                       q[1].standard_uncertainty, q[0].standard_uncertainty);
}

Test(push_budget, what_few_readings_leave_unknown_does_not_average_out)
{
    double squares[PUSH_BUDGET_READING] = {0};
    struct budget run, mean;
    for (int i = 0; i < 9; i++) {
        budget_init(&run);
        push_budget_add(&run, "scatter of the stall events", 0.7, 12, BUDGET_TYPE_A, false);
        push_budget_add(&run, PUSH_BUDGET_BETWEEN_NAME, i < 3 ? 0.9 : 0.6, INFINITY, BUDGET_TYPE_B, false);
        push_budget_add(&run, PUSH_BUDGET_GAUGE_NAME, 0.0408, INFINITY, BUDGET_TYPE_B, false);
        push_budget_sum_reading(&run, squares);
    }
    budget_init(&mean);
    push_budget_add_reading(&mean, squares, 9);
    cr_assert_eq(mean.count, 2);
    expect_part(&mean, PUSH_BUDGET_BETWEEN_NAME, sqrt((3 * 0.81 + 6 * 0.36) / 9), INFINITY, BUDGET_TYPE_B,
                false);
    expect_part(&mean, PUSH_BUDGET_GAUGE_NAME, 0.0408, INFINITY, BUDGET_TYPE_B, false);
}
