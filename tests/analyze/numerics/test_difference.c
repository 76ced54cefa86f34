#include "analyze/numerics/difference.h"
#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

/* Source: data set `sleep` of R (Student, Biometrika 6 (1908) 1-25), extra hours of sleep of the same ten
 * patients with two drugs; results of R's t.test. */
static const double DRUG_1[] = {0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0};
static const double DRUG_2[] = {1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4};

/* Source: data set `PlantGrowth` of R (Dobson 1983), dried weight of plants. */
static const double CONTROL[] = {4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14};
static const double TREATMENT_1[] = {4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69};
static const double TREATMENT_2[] = {6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26};

Test(difference, welch_agrees_with_the_published_sleep_study)
{
    struct difference d;
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(difference_welch(DRUG_1, 10, DRUG_2, 10, &d, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(d.t, -1.8608135, 5e-8);
    cr_expect_float_eq(d.degrees_of_freedom, 17.776474, 5e-7);
    cr_expect_float_eq(d.p_value, 0.07939414, 5e-9);
    cr_expect_float_eq(d.mean, -1.58, 1e-14);
    cr_expect_float_eq(d.low_95, -3.3654832, 5e-8);
    cr_expect_float_eq(d.high_95, 0.2054832, 5e-8);
}

Test(difference, pairing_agrees_with_the_published_sleep_study)
{
    struct difference d;
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(difference_paired(DRUG_1, DRUG_2, 10, &d, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(d.t, -4.0621277, 5e-8);
    cr_expect_eq(d.degrees_of_freedom, 9);
    cr_expect_float_eq(d.p_value, 0.00283289, 5e-9);
    cr_expect_float_eq(d.low_95, -2.4598858, 5e-8);
    cr_expect_float_eq(d.high_95, -0.7001142, 5e-8);
}

Test(difference, holm_agrees_with_r_on_plant_growth)
{
    static const double *const groups[] = {CONTROL, TREATMENT_1, TREATMENT_2};
    static const size_t pairs[3][2] = {{0, 1}, {0, 2}, {1, 2}};
    static const double expected[] = {0.250383, 0.095799, 0.027895};
    double p[3], adjusted[3];
    quantity_init_numerics();
    for (size_t i = 0; i < 3; i++) {
        struct difference d;
        cr_assert_eq(difference_welch(groups[pairs[i][0]], 10, groups[pairs[i][1]], 10, &d, NULL), ERR_OK);
        p[i] = d.p_value;
    }
    difference_holm(p, 3, adjusted);
    for (size_t i = 0; i < 3; i++)
        cr_expect_float_eq(adjusted[i], expected[i], 5e-7, "pair %zu: %.7f", i, adjusted[i]);
}

/* Source: R's p.adjust(method = "holm") on the same numbers; it leaves missing values out of the count. */
Test(difference, holm_steps_down_keeps_ties_and_leaves_missing_values_out)
{
    static const double p[] = {.01, .02, .03, .04, .05, .005}, expected[] = {.05, .08, .09, .09, .09, .03};
    static const double odd[] = {.7, NAN, .02, .02, .9}, odd_expected[] = {1, NAN, .08, .08, 1};
    double adjusted[6];
    difference_holm(p, 6, adjusted);
    for (size_t i = 0; i < 6; i++)
        cr_expect_float_eq(adjusted[i], expected[i], 1e-15, "%zu: %g", i, adjusted[i]);
    difference_holm(odd, 5, adjusted);
    for (size_t i = 0; i < 5; i++)
        cr_expect(i == 1 ? isnan(adjusted[i]) : fabs(adjusted[i] - odd_expected[i]) < 1e-15, "%zu: %g", i,
                  adjusted[i]);
    difference_holm(NULL, 0, NULL);
}

/* Built like NIST StRD's univariate set NumAcc4: 10000000.2, then 10000000.1 and 10000000.3 in turn, 1001
 * values; certified mean 10000000.2 and standard deviation 0.1. The input itself is rounded to 2e-9, which
 * leaves the eighth digit. */
Test(difference, a_large_common_part_costs_no_digits)
{
    static double values[1001];
    double mean, sd;
    values[0] = 10000000.2;
    for (size_t i = 1; i < 1001; i++)
        values[i] = i % 2 == 1 ? 10000000.1 : 10000000.3;
    difference_mean_sd(values, 1001, &mean, &sd);
    cr_expect_float_eq(mean, 10000000.2, 2e-9);
    cr_expect_float_eq(sd, 0.1, 1e-8);
    difference_mean_sd(values, 1, &mean, &sd);
    cr_expect_eq(mean, 10000000.2);
    cr_expect_eq(sd, 0);
    difference_mean_sd(values, 0, &mean, &sd);
    cr_expect(isnan(mean));
}

Test(difference, one_quiet_group_is_enough_scatter_and_tiny_units_do_not_underflow)
{
    static const double quiet[] = {4, 4, 4}, loud[] = {1, 3, 2.5};
    double tiny[10], tiny_2[10];
    struct difference d;
    quantity_init_numerics();
    cr_assert_eq(difference_welch(loud, 3, quiet, 3, &d, NULL), ERR_OK);
    cr_expect_float_eq(d.degrees_of_freedom, 2, 1e-14);
    for (size_t i = 0; i < 10; i++) {
        tiny[i] = DRUG_1[i] * 1e-120;
        tiny_2[i] = DRUG_2[i] * 1e-120;
    }
    cr_assert_eq(difference_welch(tiny, 10, tiny_2, 10, &d, NULL), ERR_OK);
    cr_expect_float_eq(d.degrees_of_freedom, 17.776474, 5e-7);
}

Test(difference, what_cannot_be_answered_is_refused)
{
    static const double same[] = {4, 4, 4}, bad[] = {1, INFINITY, 2}, shifted[] = {5, 5, 5};
    struct difference d;
    struct err e = {0};
    quantity_init_numerics();
    cr_expect_eq(difference_welch(DRUG_1, 1, DRUG_2, 10, &d, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "group a has 1 value:") != NULL, "%s", e.text);
    cr_expect_eq(difference_welch(DRUG_1, 10, bad, 3, &d, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "value 2 of group b") != NULL, "%s", e.text);
    cr_expect_eq(difference_welch(same, 3, shifted, 3, &d, &e), ERR_NO_ANSWER);
    cr_expect_eq(difference_paired(same, shifted, 3, &d, &e), ERR_NO_ANSWER);
    cr_expect_eq(difference_paired(same, shifted, 1, &d, &e), ERR_NO_ANSWER);
}

Test(difference, p_value_of_a_mean_and_its_error)
{
    /* Student's t: 2.2281388520 is its 0.975 point at 10 degrees of freedom, 1.9599639845 that of the normal.
     */
    cr_expect_float_eq(difference_p_value(-2.2281388520 * 0.37, 0.37, 10), 0.05, 1e-10);
    cr_expect_float_eq(difference_p_value(1.9599639845 * 12.5, 12.5, INFINITY), 0.05, 1e-10);
    cr_expect_eq(difference_p_value(0, 0.37, 10), 1);
    cr_expect(isnan(difference_p_value(1.4, 0, 10)));
}
