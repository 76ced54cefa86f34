/* Sources: NIST StRD, nonlinear regression, DanWood (www.itl.nist.gov/div898/strd): a power law; the rest is
 * made here. */
#include "analyze/numerics/load_line_fit.h"
#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>

TestSuite(load_line_fit, .init = quantity_init_numerics);

static void assert_near(double value, double expected, double tolerance)
{
    cr_assert(fabs(value - expected) <= tolerance, "%.15g, expected %.15g", value, expected);
}

Test(load_line_fit, nist_danwood_to_nine_digits)
{
    const double x[6] = {1.309, 1.471, 1.49, 1.565, 1.611, 1.68};
    const double y[6] = {2.138, 3.421, 3.597, 4.34, 4.882, 5.66};
    struct load_line_fit fit;
    cr_assert_eq(load_line_fit(LOAD_LINE_POWER_FROM_ZERO, x, y, NULL, 6, &fit, NULL), ERR_OK);
    assert_near(fit.parameters[0], 7.6886226176E-01, 1e-9);
    assert_near(fit.parameters[1], 3.8604055871E+00, 1e-9);
    assert_near(sqrt(fit.covariance[0][0]), 1.8281973860E-02, 1e-10);
    assert_near(sqrt(fit.covariance[1][1]), 5.1726610913E-02, 1e-10);
    assert_near(fit.residual_sum, 4.3173084083E-03, 1e-12);
    assert_near(fit.residual_sd, 3.2853114039E-02, 1e-11);
}

static const double RATES[7] = {1.9, 3.1, 4.7, 6.9, 9.3, 12.7, 16.3};
/* Residuals without pattern, about 0.1. */
static const double NOISE[14] = {0.083,  -0.121, 0.047,  0.134, -0.072, -0.038, 0.091,
                                 -0.117, 0.062,  -0.014, 0.105, -0.089, 0.031,  -0.055};

static size_t power_points(double *rate, double *force, double share)
{
    for (size_t i = 0; i < 14; i++) {
        rate[i] = RATES[i % 7];
        force[i] = 4.37 + 6.18 * pow(rate[i], 0.463);
        force[i] += share > 0 ? share * force[i] * NOISE[i] : NOISE[i];
    }
    return 14;
}

Test(load_line_fit, a_power_law_is_found_and_kept)
{
    double rate[14], force[14], power, varying, error;
    struct load_line_fit fit;
    size_t n = power_points(rate, force, 0);
    cr_assert_eq(load_line_choose(rate, force, n, &fit, &power, &varying, NULL), ERR_OK);
    cr_assert_eq(fit.model, LOAD_LINE_POWER);
    for (int k = 0; k < 3; k++) {
        const double truth[3] = {4.37, 6.18, 0.463};
        cr_expect(fabs(fit.parameters[k] - truth[k]) < 3 * sqrt(fit.covariance[k][k]), "%d: %g", k,
                  fit.parameters[k]);
    }
    double force_n = load_line_at(&fit, 7.7, &error);
    assert_near(force_n, 4.37 + 6.18 * pow(7.7, 0.463), 3 * error);
    cr_expect(error > 0.01 && error < 0.1);
    cr_expect_float_eq(fit.low_rate, 1.9, 1e-12);
    cr_expect_float_eq(fit.high_rate, 16.3, 1e-12);
    cr_expect(isfinite(power) && isfinite(varying));
}

Test(load_line_fit, slope_is_that_of_the_line)
{
    double rate[14], force[14];
    struct load_line_fit fit;
    size_t n = power_points(rate, force, 0);
    for (int model = 0; model < LOAD_LINE_MODELS; model++) {
        cr_assert_eq(load_line_fit((enum load_line_model)model, rate, force, NULL, n, &fit, NULL), ERR_OK);
        double h = 1e-5,
               by_difference =
                   (load_line_at(&fit, 5.3 + h, NULL) - load_line_at(&fit, 5.3 - h, NULL)) / (2 * h);
        assert_near(load_line_slope(&fit, 5.3), by_difference, 1e-7);
    }
}

Test(load_line_fit, an_exponent_that_varies_is_asked_for_by_the_data)
{
    double rate[14], force[14], power, varying;
    struct load_line_fit fit;
    for (size_t i = 0; i < 14; i++) {
        double l = log(rate[i] = RATES[i % 7]);
        /* Bent the way no F0 + k Q^n bends: the exponent falls from 0.95 to below 0.2. */
        force[i] = exp(1.13 + 0.95 * l - 0.14 * l * l) * (1 + 0.03 * NOISE[i]);
    }
    cr_assert_eq(load_line_choose(rate, force, 14, &fit, &power, &varying, NULL), ERR_OK);
    cr_assert_eq(fit.model, LOAD_LINE_VARYING, "AICc %g and %g", power, varying);
    cr_expect(varying < power - LOAD_LINE_AICC_MARGIN);
    assert_near(fit.parameters[2], -0.14, 4 * sqrt(fit.covariance[2][2]));
    assert_near(load_line_at(&fit, 9.3, NULL), exp(1.13 + 0.95 * log(9.3) - 0.14 * pow(log(9.3), 2)), 0.1);
}

/* Scatter in proportion to the force makes a band that widens with it. */
Test(load_line_fit, scatter_that_grows_with_the_force_is_seen)
{
    double rate[14], force[14], power, varying, low_error, high_error;
    struct load_line_fit fit;
    for (size_t i = 0; i < 14; i++) {
        rate[i] = RATES[i % 7];
        force[i] = 0.31 + 5.18 * pow(rate[i], 0.81);
        force[i] *= 1 + 0.1 * NOISE[i];
    }
    cr_assert_eq(load_line_choose(rate, force, 14, &fit, &power, &varying, NULL), ERR_OK);
    cr_expect(fit.scatter_exponent > 0.6 && fit.scatter_exponent <= 1, "%g", fit.scatter_exponent);
    /* A mean of those tried, not one of them. */
    cr_expect(fabs(remainder(fit.scatter_exponent, 0.5)) > 1e-3, "%g", fit.scatter_exponent);
    load_line_at(&fit, 1.9, &low_error);
    load_line_at(&fit, 16.3, &high_error);
    cr_expect(high_error > 2.5 * low_error, "%g and %g", low_error, high_error);
    size_t n = power_points(rate, force, 0);
    cr_assert_eq(load_line_choose(rate, force, n, &fit, &power, &varying, NULL), ERR_OK);
    cr_expect(fit.scatter_exponent < 0.9);
}

Test(load_line_fit, three_rates_are_too_few)
{
    const double rate[6] = {1.9, 4.7, 9.3, 1.9, 4.7, 9.3}, force[6] = {12.1, 17.3, 22.4, 12.3, 17.1, 22.7};
    struct load_line_fit fit;
    struct err e;
    double power, varying;
    cr_assert_eq(load_line_choose(rate, force, 6, &fit, &power, &varying, &e), ERR_NO_ANSWER);
    cr_expect_str_eq(e.text, "a load line takes 4 different rates or more, not 3");
    cr_expect_eq(load_line_rates(rate, 6), 3);
    cr_expect_eq(load_line_fit(LOAD_LINE_POWER_FROM_ZERO, rate, force, NULL, 6, &fit, &e), ERR_OK);
}

Test(load_line_fit, a_force_that_is_no_force_is_refused)
{
    const double rate[4] = {1.9, 4.7, 9.3, 12.7};
    struct load_line_fit fit;
    struct err e;
    const double bad[4] = {0, -3.1, NAN, INFINITY};
    for (int i = 0; i < 4; i++) {
        const double force[4] = {12.1, bad[i], 22.4, 25.5};
        cr_expect_eq(load_line_fit(LOAD_LINE_POWER, rate, force, NULL, 4, &fit, &e), ERR_NO_ANSWER);
    }
}
