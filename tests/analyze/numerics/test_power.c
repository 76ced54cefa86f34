#include "analyze/numerics/power.h"
#include "analyze/numerics/quantity.h"
#include "tests/analyze/numerics/near.h"

#include <criterion/criterion.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <string.h>

static struct power_design design(int feeders, bool blocks, double sd)
{
    quantity_init_numerics();
    return (struct power_design){.feeders = feeders, .blocks = blocks, .sd = sd, .level = 0.05};
}

/* Source: R's pt and SciPy's nct.cdf, as far as the two agree (R's own error is some 1e-12). */
Test(power, noncentral_t_agrees_with_r_and_scipy)
{
    quantity_init_numerics();
    cr_expect_float_eq(power_noncentral_t(2.1, 9, 1.4), .717415395461, 1e-12);
    cr_expect_float_eq(power_noncentral_t(-1, 4.5, .5), .0841020474740, 1e-12);
    cr_expect_float_eq(power_noncentral_t(5, 30, 3), .950893731432, 1e-12);
}

/* Without a shift it is Student's, with sigma known a shifted normal; and seen from the other side it is the
 * same. */
Test(power, noncentral_t_has_the_right_limits)
{
    static const double t[] = {-31, -2.4, 0, 0.7, 5.2};
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof t / sizeof t[0]; i++) {
        expect_near(power_noncentral_t(t[i], 6.5, 0), gsl_cdf_tdist_P(t[i], 6.5), 1e-12);
        expect_near(power_noncentral_t(t[i], INFINITY, 1.3), gsl_cdf_ugaussian_P(t[i] - 1.3), 1e-14);
        expect_near(power_noncentral_t(t[i], 4, 1.3) + power_noncentral_t(-t[i], 4, -1.3), 1, 1e-13);
    }
    /* Where t is 0 the scatter drops out. */
    expect_near(power_noncentral_t(0, 3, 2.2), gsl_cdf_ugaussian_P(-2.2), 1e-13);
    /* Nothing is below: and that in no time. */
    cr_expect_eq(power_noncentral_t(-60, 1e12, 5), 0);
    cr_expect(isnan(power_noncentral_t(NAN, 8, 1)));
    cr_expect(isnan(power_noncentral_t(2, 0.5, 1)));
    cr_expect(isnan(power_noncentral_t(2, 8, INFINITY)));
}

/* Source: R's pf and SciPy's ncf.cdf, as far as the two agree (R's own error is below 1e-9). */
Test(power, noncentral_f_agrees_with_r_and_scipy)
{
    quantity_init_numerics();
    cr_expect_float_eq(power_noncentral_f(2.7, 3, 17, 4.2), .6115452952, 1e-9);
    /* SciPy alone. */
    expect_near(power_noncentral_f(2.7, 3, 17, 4.2), 0.611545295612765, 1e-12);
    expect_near(power_noncentral_f(1.3, 2, 5, 60), 1.77412920005312e-08, 1e-10);
    expect_near(power_noncentral_f(30, 4, 12, 110), 0.505187299443781, 1e-12);
    expect_near(power_noncentral_f(1.1, 2.5, 1e6, 3), 0.291965029700564, 1e-9);
}

Test(power, noncentral_f_has_the_right_limits)
{
    double t = 2.3, delta = 1.7;
    quantity_init_numerics();
    expect_near(power_noncentral_f(3.1, 4, 9, 0), gsl_cdf_fdist_P(3.1, 4, 9), 1e-13);
    /* The square of noncentral t. */
    expect_near(power_noncentral_f(t * t, 1, 11, delta * delta),
                power_noncentral_t(t, 11, delta) - power_noncentral_t(-t, 11, delta), 1e-12);
    /* Far out it is all weights of a great many terms, and still a probability. */
    expect_near(power_noncentral_f(1e8 / 3, 3, 1e4, 1e8), 0.5, 0.01);
    cr_expect_eq(power_noncentral_f(-1, 3, 17, 4.2), 0);
    cr_expect_eq(power_noncentral_f(INFINITY, 3, 17, 4.2), 1);
    cr_expect(isnan(power_noncentral_f(NAN, 3, 17, 4.2)));
    cr_expect(isnan(power_noncentral_f(2, 0, 17, 4.2)));
    cr_expect(isnan(power_noncentral_f(2, 3, 17, -1)));
    cr_expect(isnan(power_noncentral_f(2, 3, 17, INFINITY)));
    cr_expect(isnan(power_noncentral_f(2, 3, 17, 1e19)));
}

/* Source: R, power.t.test(strict = TRUE) of two samples and paired, power.anova.test. */
Test(power, agrees_with_r)
{
    struct power_design two = design(2, false, 1), paired = design(2, true, 1),
                        four = design(4, false, sqrt(1.3));
    cr_expect_float_eq(power_of_pair(&two, 8, 1), .461238849504, 1e-11);
    cr_expect_float_eq(power_of_pair(&two, 8, -1), .461238849504, 1e-11);
    cr_expect_float_eq(power_of_pair(&paired, 8, 1), .408033082738, 1e-11);
    /* R's pf is good to 1e-9. */
    cr_expect_float_eq(power_of_f_test(&four, 6, 0.7), .652628270893, 1e-9);
}

/* Source: SciPy's nct with the critical value of an independent integration (as in test_studentised_range.c):
 * 4 feeders in 8 blocks, 21 degrees of freedom, a difference of 2 standard errors. With R's qtukey, good to
 * 1e-7, R's pt gives .244223501371. */
Test(power, more_feeders_are_judged_by_the_studentised_range)
{
    struct power_design four = design(4, true, 1.3);
    cr_expect_float_eq(power_of_pair(&four, 8, 2 * 1.3 * sqrt(2.0 / 8)), 0.24422347656701, 1e-12);
    /* With nothing to find, what is found is a share of the level: less than it, more than a sixth of it. */
    double none = power_of_pair(&four, 8, 0);
    cr_expect(none < 0.05 && none > 0.05 / 6, "%g", none);
    four.feeders = 2;
    expect_near(power_of_pair(&four, 8, 0), 0.05, 1e-12);
    expect_near(power_of_f_test(&four, 8, 0), 0.05, 1e-12);
}

/* The F test of two feeders is the t test of their pair: means at +- half the difference have the variance
 * d^2 / 2.
 */
Test(power, f_of_two_feeders_is_the_t_test)
{
    for (int blocks = 0; blocks < 2; blocks++) {
        struct power_design two = design(2, blocks, 0.83);
        expect_near(power_of_f_test(&two, 7, 1.1 * 1.1 / 2), power_of_pair(&two, 7, 1.1), 1e-11);
    }
}

/* Source: R's power.t.test: n = 8.06029467844 for a difference of 1.5, sd 1, power 0.8. */
Test(power, repeats_are_the_least_that_do)
{
    static const double wanted[] = {0.06, 0.5, 0.8, 0.9, 0.99}, differences[] = {0.2, 1.1, 6};
    int repeats = 0;
    struct power_design two = design(2, false, 1);
    cr_assert_eq(power_repeats(&two, 1.5, 0.8, &repeats, NULL), ERR_OK);
    cr_expect_eq(repeats, 9);
    for (int feeders = 2; feeders <= 5; feeders += 3) {
        struct power_design d = design(feeders, feeders == 5, 1.4);
        for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++) {
            for (size_t j = 0; j < sizeof differences / sizeof differences[0]; j++) {
                cr_assert_eq(power_repeats(&d, differences[j], wanted[i], &repeats, NULL), ERR_OK);
                cr_expect_geq(power_of_pair(&d, repeats, differences[j]), wanted[i]);
                cr_expect(repeats == 2 || power_of_pair(&d, repeats - 1, differences[j]) < wanted[i],
                          "%d feeders, %g with %g: %d", feeders, differences[j], wanted[i], repeats);
            }
        }
    }
}

/* Source: R's power.t.test(n = 8, power = 0.8, strict = TRUE): delta. */
Test(power, the_difference_that_is_seen_has_the_power)
{
    double difference = 0;
    for (int feeders = 2; feeders <= 4; feeders++) {
        struct power_design d = design(feeders, feeders == 3, 2.2);
        cr_assert_eq(power_difference(&d, 6, 0.9, &difference, NULL), ERR_OK);
        expect_near(power_of_pair(&d, 6, difference), 0.9, 1e-11);
    }
    struct power_design two = design(2, false, 1);
    cr_assert_eq(power_difference(&two, 8, 0.8, &difference, NULL), ERR_OK);
    cr_expect_float_eq(difference, 1.5066342278763, 1e-9);
}

Test(power, degrees_of_freedom_are_those_of_the_design)
{
    struct power_design groups = design(4, false, 1), blocks = design(4, true, 1);
    cr_expect_eq(power_degrees_of_freedom(&groups, 6), 20);
    cr_expect_eq(power_degrees_of_freedom(&blocks, 6), 15);
    cr_expect(isnan(power_degrees_of_freedom(&blocks, 1)));
}

Test(power, nonsense_and_the_impossible_are_refused)
{
    struct power_design good = design(3, true, 1), bad[] = {good, good, good, good};
    struct err e = {0};
    int repeats = -7;
    double difference = -7;
    bad[0].feeders = 1;
    bad[1].sd = 0;
    bad[2].level = 1;
    bad[3].sd = INFINITY;
    for (size_t i = 0; i < 4; i++) {
        cr_expect(isnan(power_of_pair(&bad[i], 8, 1)));
        cr_expect(isnan(power_of_f_test(&bad[i], 8, 1)));
        cr_expect_eq(power_repeats(&bad[i], 1, 0.8, &repeats, &e), ERR_CALLER);
        cr_expect_eq(power_difference(&bad[i], 8, 0.8, &difference, &e), ERR_CALLER);
    }
    cr_expect(strstr(e.text, "a scatter of inf") != NULL, "%s", e.text);
    cr_expect(isnan(power_of_pair(&good, 1, 1)));
    cr_expect(isnan(power_of_pair(&good, 8, NAN)));
    cr_expect(isnan(power_of_f_test(&good, 8, -1)));
    cr_expect(isnan(power_of_f_test(&good, 8, 1e12)));
    cr_expect_eq(power_repeats(&good, 1, 0.05, &repeats, &e), ERR_CALLER);
    cr_expect_eq(power_repeats(&good, 1, 1, &repeats, &e), ERR_CALLER);
    cr_expect(strstr(e.text, "a power of 1 is not between the level, 0.05, and 1") != NULL, "%s", e.text);
    cr_expect_eq(power_repeats(&good, 0, 0.8, &repeats, &e), ERR_CALLER);
    cr_expect_eq(power_difference(&good, 1, 0.8, &difference, &e), ERR_CALLER);
    cr_expect_eq(repeats, -7);
    cr_expect_eq(difference, -7);
}

/* A difference of 0.0128 sd takes some 95 000 repeats of two feeders, one of 0.0120 some 109 000. */
Test(power, repeats_end_at_their_limit)
{
    struct power_design two = design(2, false, 1);
    struct err e = {0};
    int repeats = -7;
    cr_assert_eq(power_repeats(&two, 0.0128, 0.8, &repeats, &e), ERR_OK);
    cr_expect(repeats > 95000 && repeats < 97000, "%d", repeats);
    cr_expect_eq(power_repeats(&two, 0.0120, 0.8, &repeats, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "more than 100000 repeats would be needed") != NULL, "%s", e.text);
}
