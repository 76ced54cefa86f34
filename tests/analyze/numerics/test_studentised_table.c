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
            double n = DEGREES[j], wanted = studentised_range_quantile(0.05, CASES[i].means, n);
            /* The first ones are found by themselves, then there is a series. */
            for (int times = 0; times < 6; times++) {
                double q = studentised_table_quantile(t, n);
                cr_expect(fabs(q / wanted - 1) < CASES[i].most, "%d means, %g degrees, time %d: %.15g, %.15g",
                          CASES[i].means, n, times + 1, q, wanted);
            }
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

/* With the p of the tables, with another, for more means than tables are kept of, and without any tables. */
Test(studentised_table, tables_of_a_session_answer_for_any_number_of_means)
{
    static const int means[] = {3, 2, 5, 3, 129, 20};
    struct studentised_tables *tables = studentised_tables_new(0.05);
    cr_assert_not_null(tables);
    for (size_t i = 0; i < sizeof means / sizeof *means; i++) {
        for (size_t j = 0; j < sizeof DEGREES / sizeof *DEGREES; j++) {
            int k = means[i];
            double n = DEGREES[j], most = k > 20 ? 2e-7 : 2e-12;
            double p = studentised_tables_upper(tables, 3.37, k, n);
            cr_expect(fabs(p / studentised_range_upper(3.37, k, n) - 1) < most, "%d means, %g degrees", k, n);
            cr_expect_eq(studentised_tables_upper(NULL, 3.37, k, n), studentised_range_upper(3.37, k, n));
            for (double level = 0.05; level > 0.001; level /= 6.1) {
                double wanted = studentised_range_quantile(level, k, n),
                       q = studentised_tables_quantile(tables, level, k, n);
                cr_expect(fabs(q / wanted - 1) < most, "%d means, %g degrees, %g: %.15g, %.15g", k, n, level,
                          q, wanted);
                cr_expect_eq(studentised_tables_quantile(NULL, level, k, n), wanted);
            }
        }
    }
    cr_expect(isnan(studentised_tables_upper(tables, 3.37, 1, 7)));
    cr_expect(isnan(studentised_tables_quantile(tables, 0, 3, 7)));
    cr_expect(isnan(studentised_tables_quantile(tables, 0.05, 3, 0.5)));
    studentised_tables_free(tables);
    studentised_tables_free(NULL);
}

/* Far out, where the pairs of a session lie that nobody doubts, no digit that is written is lost. */
Test(studentised_table, small_tails_keep_their_digits)
{
    struct studentised_table *t = studentised_table_new(5, 0.05);
    cr_assert_not_null(t);
    for (double q = 5.3; q < 30; q *= 1.13) {
        double p = studentised_table_upper(t, q, 76), wanted = studentised_range_upper(q, 5, 76);
        cr_expect(fabs(p / wanted - 1) < 3e-15 * fmax(1, -log10(wanted) / 10), "above %g: %.16g, %.16g", q, p,
                  wanted);
    }
    studentised_table_free(t);
}
