#include "analyze/numerics/quantity.h"
#include "analyze/numerics/sd_average.h"
#include "tests/analyze/numerics/near.h"

#include <criterion/criterion.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <time.h>

static const double DEGREES[] = {1, 1.5, 2, 3, 8.7, 60, 4000, 2.5e7};
#define MANY (sizeof DEGREES / sizeof DEGREES[0])

static double power_of_s(double s, void *context)
{
    return pow(s, *(const double *)context);
}

/* Moments of chi over the root of its degrees of freedom n: E s^m = (2 / n)^(m/2) Gamma((n + m) / 2) /
 * Gamma(n / 2); with m = 1 that is c4 of statistics, with m = 2 it is 1. Negative ones rise towards s = 0. */
Test(sd_average, moments_are_those_of_chi)
{
    static const double moments[] = {-0.75, -0.5, 0, 0.3, 1, 2, 4};
    quantity_init_numerics();
    for (size_t i = 0; i < MANY; i++) {
        for (size_t j = 0; j < sizeof moments / sizeof moments[0]; j++) {
            double n = DEGREES[i], m = moments[j];
            double expected = exp(lgamma((n + m) / 2) - lgamma(n / 2) + m / 2 * log(2 / n));
            /* At many degrees of freedom lgamma itself loses digits. */
            expect_near(sd_average(power_of_s, &m, n), expected, n > 1e3 ? 1e-7 : 2e-13);
        }
    }
    double two = 2;
    expect_near(sd_average(power_of_s, &two, 2.5e7), 1, 1e-13);
}

static double normal_above(double s, void *context)
{
    return gsl_cdf_ugaussian_Q(*(const double *)context * s);
}

/* Student's tail is I(n / (n + t^2); n / 2, 1 / 2) / 2. GSL's own is a series above 30 degrees of freedom,
 * which is off by 2e-8 far out at 60; at very many it is the one that keeps its digits. */
static double student_above(double t, double n)
{
    return n < 1000 ? gsl_cdf_beta_P(n / (n + t * t), n / 2, 0.5) / 2 : gsl_cdf_tdist_Q(t, n);
}

/* The average of the normal tail over its scatter is Student's, down to the smallest. */
Test(sd_average, a_normal_tail_becomes_students)
{
    static const double t[] = {0, 0.3, 2.2, 17, 900, 1e7};
    quantity_init_numerics();
    for (size_t i = 0; i < MANY; i++) {
        for (size_t j = 0; j < sizeof t / sizeof t[0]; j++) {
            double at = t[j], n = DEGREES[i], expected = student_above(at, n);
            if (expected > 1e-290)
                expect_near(sd_average(normal_above, &at, DEGREES[i]), expected, 1e-11);
        }
    }
}

Test(sd_average, a_known_sd_is_no_average)
{
    double at = 1.6448536269514722;
    quantity_init_numerics();
    cr_expect_eq(sd_average(normal_above, &at, INFINITY), gsl_cdf_ugaussian_Q(at));
    expect_near(sd_average(normal_above, &at, 1e12), gsl_cdf_ugaussian_Q(at), 1e-11);
}

static double nothing(double s, void *context)
{
    (void)s;
    ++*(long *)context;
    return 0;
}

/* What is nothing everywhere ends as soon as the weights do: some hundred places, whatever the degrees of
 * freedom. At 1e12 of them, going on to the end of the axis would be 4e8 places, many seconds. */
Test(sd_average, nothing_stays_nothing_and_costs_little)
{
    clock_t began = clock();
    long calls = 0;
    quantity_init_numerics();
    for (size_t i = 0; i < MANY; i++)
        cr_expect_eq(sd_average(nothing, &calls, DEGREES[i]), 0);
    cr_expect_eq(sd_average(nothing, &calls, 1e12), 0);
    cr_expect(calls > 100 && calls < 20000, "%ld calls", calls);
    cr_expect_lt((double)(clock() - began) / CLOCKS_PER_SEC, 1.5);
}
