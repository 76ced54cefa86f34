/* Sources: JCGM 100:2008 (GUM) 4.3, annex G.3, G.4.1 and H.1, from memory, with the arithmetic done again. */
#include "analyze/numerics/budget.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static struct budget_component part(const char *name, double u, double sensitivity, double degrees)
{
    struct budget_component c = {.standard_uncertainty = u,
                                 .sensitivity = sensitivity,
                                 .degrees_of_freedom = degrees,
                                 .type = BUDGET_TYPE_B};
    strcpy(c.name, name);
    strcpy(c.unit, "nm");
    return c;
}

static void add(struct budget *b, const char *name, double u, double sensitivity, double degrees)
{
    struct budget_component c = part(name, u, sensitivity, degrees);
    cr_assert_eq(budget_add(b, &c, NULL), ERR_OK);
}

static void assert_near(double value, double expected, double tolerance)
{
    cr_assert(fabs(value - expected) <= tolerance, "%.15g, expected %.15g", value, expected);
}

/* JCGM 100 H.1.6, end gauge: u_c^2 = 1002 nm^2 and 16.7 effective degrees of freedom, truncated to 16
 * (t(0.95) 2.12; the example itself quotes t(0.99) = 2.92). */
Test(budget, end_gauge_of_gum_h1_has_16_degrees_of_freedom)
{
    struct budget b;
    struct quantity q;
    budget_init(&b);
    add(&b, "calibration of the standard", 25, 1, 18);
    add(&b, "difference of the gauges", 9.7, 1, 25.6);
    add(&b, "expansion coefficient", 2.9, -1, 50);
    add(&b, "temperature", 16.6, 1, 2);
    q = budget_combine(&b, 50.000838e6, 5);
    assert_near(q.standard_uncertainty * q.standard_uncertainty, 1003.06, 1e-9);
    assert_near(q.degrees_of_freedom, 16.76, 0.01);
    assert_near((q.high_95 - q.value) / q.standard_uncertainty, 2.1199, 1e-4); /* t(0.975, 16) */
}

/* JCGM 100 H.1.6: the difference's own three parts. The annex prints 25.6 degrees of freedom: it puts the
 * rounded 9.7 in the numerator; without rounding it is 25.447. */
Test(budget, gauge_difference_of_gum_h1_has_25_6_degrees_of_freedom)
{
    struct budget b;
    budget_init(&b);
    add(&b, "repeated observations", 5.8, 1, 24);
    add(&b, "random effects of the comparator", 3.9, 1, 5);
    add(&b, "systematic effects of the comparator", 6.7, 1, 8);
    assert_near(budget_standard_uncertainty(&b), 9.7, 0.05);
    assert_near(budget_degrees_of_freedom(&b), 25.447, 0.001);
}

/* JCGM 100 G.4.1, example: relative uncertainties 0.25, 0.57 and 0.82 % of 10, 5 and 15 observations; u_c =
 * 1.03 %, 19.0 degrees of freedom, t(0.95) = 2.09. */
Test(budget, product_of_gum_g4_has_19_degrees_of_freedom)
{
    struct budget b;
    struct quantity q;
    budget_init(&b);
    add(&b, "x1", 0.25, 1, 9);
    add(&b, "x2", 0.57, 1, 4);
    add(&b, "x3", 0.82, 1, 14);
    assert_near(budget_standard_uncertainty(&b), 1.03, 0.005);
    assert_near(budget_degrees_of_freedom(&b), 19.0, 0.05);
    q = budget_combine(&b, 100, 5);
    assert_near((q.high_95 - q.value) / q.standard_uncertainty, 2.101, 1e-3); /* 18.98 is truncated to 18 */
}

Test(budget, parts_without_limit_leave_the_others_their_degrees_of_freedom)
{
    struct budget b;
    budget_init(&b);
    add(&b, "scatter", 3, 1, 7);
    add(&b, "certificate", 4, 1, INFINITY);
    assert_near(budget_standard_uncertainty(&b), 5, 1e-14);
    assert_near(budget_degrees_of_freedom(&b), 625.0 * 7 / 81, 1e-10);
}

Test(budget, nothing_that_contributes_gives_no_uncertainty_and_no_limit_to_degrees)
{
    struct budget b;
    budget_init(&b);
    cr_assert_eq(budget_standard_uncertainty(&b), 0);
    cr_assert(isinf(budget_degrees_of_freedom(&b)));
    add(&b, "alignment", 0.017, 0, 3);
    cr_assert_eq(budget_standard_uncertainty(&b), 0);
    cr_assert(isinf(budget_degrees_of_freedom(&b)));
    cr_assert_eq(budget_share(&b, 0), 0);
}

/* JCGM 100 equation (16): fully correlated contributions add, opposite ones take away. */
Test(budget, correlated_parts_add_with_their_signs)
{
    struct budget b;
    budget_init(&b);
    add(&b, "weight 1", 2, 1.5, 4);
    add(&b, "weight 2", 0.5, -4, 9);
    cr_assert_eq(budget_correlate(&b, 1, 0, 1, NULL), ERR_OK);
    assert_near(budget_standard_uncertainty(&b), 1, 1e-14);
    cr_assert_eq(budget_correlate(&b, 0, 1, -1, NULL), ERR_OK);
    assert_near(budget_standard_uncertainty(&b), 5, 1e-14);
    assert_near(budget_degrees_of_freedom(&b), 4, 1e-14); /* one group, the least of the two */
    assert_near(budget_share(&b, 0), 9.0 / 25, 1e-14);
}

Test(budget, scale_does_not_matter_down_to_the_smallest_numbers)
{
    struct budget b;
    budget_init(&b);
    add(&b, "scatter", 3e-200, 1, 7);
    add(&b, "resolution", 4e-200, 1, INFINITY);
    assert_near(budget_standard_uncertainty(&b) / 5e-200, 1, 1e-14);
    assert_near(budget_degrees_of_freedom(&b), 625.0 * 7 / 81, 1e-10);
}

Test(budget, contradicting_correlations_give_no_result)
{
    struct budget b;
    budget_init(&b);
    add(&b, "a", 1, 1, 5);
    add(&b, "b", 1, 1, 5);
    add(&b, "c", 1, 1, 5);
    budget_correlate(&b, 0, 1, -0.9, NULL);
    budget_correlate(&b, 0, 2, -0.9, NULL);
    budget_correlate(&b, 1, 2, -0.9, NULL);
    cr_assert(isnan(budget_standard_uncertainty(&b)));
    cr_assert_not(budget_combine(&b, 12.7, 5).present);
}

/* JCGM 100 4.3.7, 4.3.9, JCGM 101 6.4.6; G.3: a relative uncertainty of 25 % is 8 degrees of freedom. */
Test(budget, half_widths_become_standard_uncertainties)
{
    assert_near(budget_rectangular(0.37), 0.37 / 1.7320508075688772, 1e-16);
    assert_near(budget_triangular(0.37), 0.37 / 2.449489742783178, 1e-16);
    assert_near(budget_arcsine(0.37), 0.37 / 1.4142135623730951, 1e-16);
    assert_near(budget_type_b_degrees_of_freedom(0.25), 8, 1e-12);
    cr_assert(isinf(budget_type_b_degrees_of_freedom(0)));
}

Test(budget, refuses_what_makes_no_sense)
{
    struct budget b;
    struct err e;
    struct budget_component c = part("alignment", -0.1, 1, 5);
    budget_init(&b);
    cr_assert_eq(budget_add(&b, &c, &e), ERR_CALLER);
    cr_assert(strstr(e.text, "alignment") != NULL, "%s", e.text);
    c = part("alignment", 0.1, NAN, 5);
    cr_assert_eq(budget_add(&b, &c, NULL), ERR_CALLER);
    c = part("alignment", 0.1, 1, 0);
    cr_assert_eq(budget_add(&b, &c, NULL), ERR_CALLER);
    c = part("alignment", 0.1, 1, 5);
    memset(c.name, 'x', sizeof c.name);
    cr_assert_eq(budget_add(&b, &c, NULL), ERR_CALLER);
    cr_assert_eq(b.count, 0);
    for (int i = 0; i < BUDGET_COMPONENTS_MAX; i++)
        add(&b, "part", 0.2, 1, 5);
    c = part("one more", 0.1, 1, 5);
    cr_assert_eq(budget_add(&b, &c, NULL), ERR_CALLER);
    cr_assert_eq(budget_correlate(&b, 0, 0, 0.5, NULL), ERR_CALLER);
    cr_assert_eq(budget_correlate(&b, 0, BUDGET_COMPONENTS_MAX, 0.5, NULL), ERR_CALLER);
    cr_assert_eq(budget_correlate(&b, 0, 1, 1.01, NULL), ERR_CALLER);
}
