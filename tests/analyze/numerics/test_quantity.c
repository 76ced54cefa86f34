#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>

/* Source: published tables of Student's t, 0.975 quantile; figures recomputed to eight digits. */
Test(quantity, t_quantiles_agree_with_the_tables)
{
    static const struct {
        double degrees_of_freedom, t;
    } cases[] = {{1, 12.7062047}, {2, 4.3026527},  {5, 2.5705818},        {9, 2.2621572},   {10, 2.2281389},
                 {20, 2.0859634}, {30, 2.0422725}, {INFINITY, 1.9599640}, {1e12, 1.9599640}};
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct quantity q = quantity_from(2.385, 0.5, cases[i].degrees_of_freedom, 11);
        cr_expect(q.present && !q.at_least);
        cr_expect_float_eq(quantity_t_975(cases[i].degrees_of_freedom), cases[i].t, 6e-8,
                           "%g degrees of freedom", cases[i].degrees_of_freedom);
        cr_expect_float_eq(q.high_95, 2.385 + 0.5 * cases[i].t, 4e-8);
        cr_expect_float_eq(q.low_95, 2.385 - 0.5 * cases[i].t, 4e-8);
        cr_expect_eq(q.n, 11u);
    }
}

/* Source: JCGM 100:2008, G.4.1: a fractional number of degrees of freedom is truncated to the next lower
 * whole number. */
Test(quantity, degrees_of_freedom_are_truncated_before_the_look_up)
{
    quantity_init_numerics();
    cr_expect_float_eq(quantity_from(0, 1, 9.97, 3).high_95, 2.2621572, 6e-8);
    cr_expect_float_eq(quantity_from(0, 1, 10 - 1e-13, 3).high_95, 2.2281389, 6e-8,
                       "a rounding is no lost degree");
    cr_expect_float_eq(quantity_from(0, 1, 0.4, 3).high_95, 12.7062047, 6e-8);
    cr_expect_float_eq(quantity_from(0, 1, NAN, 3).high_95, 12.7062047, 6e-8);
    cr_expect_eq(quantity_from(0, 1, 9.97, 3).degrees_of_freedom, 9.97, "kept as given");
    cr_expect_float_eq(quantity_t_975(17.776474), 2.102817237, 1e-9,
                       "fractional when asked for as such (R: qt)");
}

Test(quantity, absent_and_censored_values_have_no_interval)
{
    struct quantity q = quantity_at_least(61.3);
    quantity_init_numerics();
    cr_expect(q.present && q.at_least);
    cr_expect_eq(q.value, 61.3);
    cr_expect(isnan(q.low_95) && isnan(q.high_95) && isnan(q.standard_uncertainty));
    cr_expect_not(quantity_absent().present);
    cr_expect_not(quantity_at_least(NAN).present);
    cr_expect_not(quantity_from(NAN, 1, 5, 3).present);
    cr_expect_not(quantity_from(1, INFINITY, 5, 3).present);
    cr_expect_not(quantity_from(1, -0.1, 5, 3).present);
    cr_expect(quantity_from(1, 0, 5, 3).present);
}
