#include "analyze/numerics/quantity.h"
#include "analyze/numerics/studentised_range.h"
#include "analyze/numerics/studentised_table.h"

#include <criterion/criterion.h>
#include <math.h>

/* Means, and what the integral itself promises of so many, twice: for it and for the table. */
static const struct {
    int means;
    double most;
} CASES[] = {{3, 2e-12}, {10, 2e-12}, {20, 2e-12}, {40, 2e-10}, {128, 2e-7}};
static const double DEGREES[] = {1, 1.37, 2.61, 4, 5.55, 7.9, 14, 63.7, 4711, INFINITY};

TestSuite(studentised_table, .init = quantity_init_numerics);

Test(studentised_table, tails_and_quantiles_are_those_of_the_integral)
{
    for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
        struct studentised_table *t = studentised_table_new(CASES[i].means, 0.05);
        cr_assert_not_null(t);
        for (size_t j = 0; j < sizeof DEGREES / sizeof *DEGREES; j++) {
            double n = DEGREES[j], q = studentised_table_quantile(t, n),
                   wanted = studentised_range_quantile(0.05, CASES[i].means, n);
            cr_expect(fabs(q / wanted - 1) < CASES[i].most, "%d means, %g degrees: %.15g, %.15g",
                      CASES[i].means, n, q, wanted);
            for (double at = 0.37; at < 200; at *= 2.3) {
                double p = studentised_table_upper(t, at, n),
                       p_wanted = studentised_range_upper(at, CASES[i].means, n);
                cr_expect(p == p_wanted || fabs(p / p_wanted - 1) < CASES[i].most,
                          "%d means, %g degrees, above %g: %.15g, %.15g", CASES[i].means, n, at, p, p_wanted);
            }
        }
        studentised_table_free(t);
    }
}

Test(studentised_table, ends_and_nonsense)
{
    struct studentised_table *t = studentised_table_new(12, 0.05);
    cr_expect_eq(studentised_table_upper(t, 0, 7), 1);
    cr_expect_eq(studentised_table_upper(t, INFINITY, 7), 0);
    cr_expect(isnan(studentised_table_upper(t, 3.1, 0.5)) && isnan(studentised_table_upper(t, NAN, 7)));
    cr_expect(isnan(studentised_table_quantile(t, 0.5)));
    studentised_table_free(t);
    studentised_table_free(NULL);
}
