/* Source: NIST Statistical Reference Datasets (StRD), nonlinear regression, www.itl.nist.gov/div898/strd:
 * data, both starts and certified values typed in tests/reference/nist_nonlinear.h. */
#include "analyze/numerics/nonlinear_fit.h"
#include "analyze/numerics/quantity.h"
#include "tests/reference/nist_nonlinear.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static bool rise(const double *b, double x, double *value, double *slopes)
{
    double decay = exp(-b[1] * x);
    *value = b[0] * (1 - decay);
    slopes[0] = 1 - decay;
    slopes[1] = b[0] * x * decay;
    return true;
}

static bool power(const double *b, double x, double *value, double *slopes)
{
    slopes[0] = pow(x, b[1]);
    *value = b[0] * slopes[0];
    slopes[1] = *value * log(x);
    return true;
}

static bool mgh09(const double *b, double x, double *value, double *slopes)
{
    double top = x * x + b[1] * x, bottom = x * x + b[2] * x + b[3];
    *value = b[0] * top / bottom;
    slopes[0] = top / bottom;
    slopes[1] = b[0] * x / bottom;
    slopes[2] = -*value * x / bottom;
    slopes[3] = -*value / bottom;
    return true;
}

static bool rat43(const double *b, double x, double *value, double *slopes)
{
    double growth = exp(b[1] - b[2] * x), base = 1 + growth, curve = pow(base, -1 / b[3]);
    *value = b[0] * curve;
    slopes[0] = curve;
    slopes[1] = -*value / b[3] * growth / base;
    slopes[2] = *value / b[3] * growth / base * x;
    slopes[3] = *value * log(base) / (b[3] * b[3]);
    return true;
}

static bool thurber(const double *b, double x, double *value, double *slopes)
{
    double top = b[0] + x * (b[1] + x * (b[2] + x * b[3])), bottom = 1 + x * (b[4] + x * (b[5] + x * b[6]));
    *value = top / bottom;
    for (int j = 0; j < 7; j++)
        slopes[j] = j < 4 ? pow(x, j) / bottom : -*value * pow(x, j - 3) / bottom;
    return true;
}

typedef bool curve(const double *b, double x, double *value, double *slopes);
static curve *const CURVES[] = {rise,  rise,  power,
                                mgh09, rat43, thurber}; /* in the order of NIST_NONLINEAR */
#define SETS (sizeof NIST_NONLINEAR / sizeof NIST_NONLINEAR[0])

static bool model(const double *parameters, size_t i, double *value, double *slopes, void *context)
{
    size_t set = *(const size_t *)context;
    return CURVES[set](parameters, NIST_NONLINEAR[set].points[i][0], value, slopes);
}

static double digits(double value, double certified)
{
    double error = fabs(value / certified - 1);
    return error > 1e-12 ? -log10(error) : 12;
}

static enum err_code fit_set(size_t set, const double *start, struct nonlinear_fit *fit, struct err *e)
{
    const struct nist_nonlinear *d = &NIST_NONLINEAR[set];
    double y[NIST_NONLINEAR_POINTS_MAX];
    for (size_t i = 0; i < d->n; i++)
        y[i] = d->points[i][1];
    return nonlinear_fit(model, &set, y, NULL, d->n, d->p, start, false, fit, e);
}

Test(nonlinear_fit, certified_digits_are_reached_from_both_starts)
{
    quantity_init_numerics();
    for (size_t set = 0; set < SETS; set++) {
        const struct nist_nonlinear *d = &NIST_NONLINEAR[set];
        for (int s = 0; s < 2; s++) {
            struct nonlinear_fit fit;
            struct err e = {0};
            double parameters = 12, errors = 12, residuals;
            enum err_code code = fit_set(set, d->start[s], &fit, &e);
            cr_expect_eq(code, ERR_OK, "%s from start %d: %s", d->name, s + 1, e.text);
            if (code != ERR_OK)
                continue;
            for (size_t j = 0; j < d->p; j++) {
                parameters = fmin(parameters, digits(fit.parameters[j], d->certified[j]));
                errors = fmin(errors, digits(fit.standard_errors[j], d->sd[j]));
            }
            residuals =
                fmin(digits(fit.residual_sum, d->residual_sum), digits(fit.residual_sd, d->residual_sd));
            fprintf(stderr,
                    "%-8s start %d digits: parameters %.1f, standard errors %.1f, residuals %.1f; %zu steps, "
                    "status %d, info %d\n",
                    d->name, s + 1, parameters, errors, residuals, fit.iterations, fit.status, fit.info);
            cr_expect_geq(parameters, 9, "%s from start %d: parameters", d->name, s + 1);
            cr_expect_geq(errors, 9, "%s from start %d: standard errors", d->name, s + 1);
            cr_expect_geq(residuals, 9.5, "%s from start %d: residuals", d->name, s + 1);
            cr_expect_eq(fit.degrees_of_freedom, (double)(d->n - d->p));
        }
    }
}

/* BoxBOD from far off: where exp(-b2 x) is next to nothing the residual sum is flat, and no step is downhill
 * to speak of. The answer is then the certified one or none, never a place on the plain. */
Test(nonlinear_fit, a_flat_plain_is_never_taken_for_the_answer)
{
    static const double starts[] = {3, 5, 8, 12, 20, 30, 34, 100, 800};
    int none = 0;
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof starts / sizeof starts[0]; i++) {
        double start[] = {100, starts[i]};
        struct nonlinear_fit fit;
        struct err e = {0};
        enum err_code code = fit_set(1, start, &fit, &e);
        none += code != ERR_OK;
        cr_expect(code == ERR_NO_ANSWER ||
                      (code == ERR_OK && digits(fit.residual_sum, NIST_NONLINEAR[1].residual_sum) > 9),
                  "start b2 = %g: code %d, residual sum %g", starts[i], (int)code, fit.residual_sum);
    }
    cr_expect(none > 0, "the plain was never met");
    fprintf(stderr, "no answer from %d of 9 starts\n", none);
}

/* The slopes above are the test's own; they must be right for the digits to mean anything. */
Test(nonlinear_fit, slopes_of_the_models_agree_with_differences)
{
    for (size_t set = 0; set < SETS; set++) {
        const struct nist_nonlinear *d = &NIST_NONLINEAR[set];
        for (size_t i = 0; i < d->n; i++) {
            double value, slopes[7], unused[7], low, high, b[7];
            memcpy(b, d->certified, sizeof b);
            model(b, i, &value, slopes, &set);
            for (size_t j = 0; j < d->p; j++) {
                double step = 1e-5 * d->certified[j];
                b[j] = d->certified[j] + step;
                model(b, i, &high, unused, &set);
                b[j] = d->certified[j] - step;
                model(b, i, &low, unused, &set);
                b[j] = d->certified[j];
                cr_expect_float_eq((high - low) / (2 * step), slopes[j],
                                   1e-6 * fabs(slopes[j]) + 1e-9 * fabs(value / b[j]),
                                   "%s, point %zu, parameter %zu", d->name, i + 1, j + 1);
            }
        }
    }
}

/* With weights 1 / sigma^2 of one sigma: known variances give the certified sds times sigma / residual sd. */
Test(nonlinear_fit, known_variances_are_not_scaled_by_the_scatter)
{
    size_t set = 2;
    const struct nist_nonlinear *d = &NIST_NONLINEAR[set];
    double y[6], weights[6], sigma = 0.07;
    struct nonlinear_fit fit;
    struct err e = {0};
    quantity_init_numerics();
    for (size_t i = 0; i < d->n; i++) {
        y[i] = d->points[i][1];
        weights[i] = 1 / (sigma * sigma);
    }
    cr_assert_eq(nonlinear_fit(model, &set, y, weights, d->n, d->p, d->start[0], true, &fit, &e), ERR_OK,
                 "%s", e.text);
    for (size_t j = 0; j < d->p; j++) {
        cr_expect_float_eq(fit.standard_errors[j], d->sd[j] * sigma / d->residual_sd, 1e-8);
        cr_expect_float_eq(fit.parameters[j], d->certified[j], 1e-9);
    }
    cr_expect_float_eq(fit.residual_sum, d->residual_sum / sigma / sigma, 1e-9);
    cr_assert_eq(nonlinear_fit(model, &set, y, weights, d->n, d->p, d->start[0], false, &fit, &e), ERR_OK,
                 "%s", e.text);
    cr_expect_float_eq(fit.standard_errors[1], d->sd[1], 1e-9);
}

Test(nonlinear_fit, points_exactly_on_the_model_are_fitted_exactly)
{
    size_t set = 2;
    double y[6], value, slopes[7], truth[] = {1.37, 2.385};
    struct nonlinear_fit fit;
    struct err e = {0};
    quantity_init_numerics();
    for (size_t i = 0; i < 6; i++) {
        model(truth, i, &value, slopes, &set);
        y[i] = value;
    }
    cr_assert_eq(nonlinear_fit(model, &set, y, NULL, 6, 2, NIST_NONLINEAR[set].start[0], false, &fit, &e),
                 ERR_OK, "%s", e.text);
    cr_expect_float_eq(fit.parameters[0], 1.37, 1e-12);
    cr_expect_float_eq(fit.parameters[1], 2.385, 1e-12);
}

/* y = log(b0 x) with a true b0 near the edge of where it can be computed: steps beyond the edge must be
 * survived. */
static bool logarithm(const double *b, size_t i, double *value, double *slopes, void *context)
{
    const double *x = context;
    if (!(b[0] > 0))
        return false;
    *value = log(b[0] * x[i]);
    slopes[0] = 1 / b[0];
    return true;
}

static bool twice_the_same(const double *b, size_t i, double *value, double *slopes, void *context)
{
    const double *x = context;
    *value = (b[0] + b[1]) * x[i];
    slopes[0] = slopes[1] = x[i];
    return true;
}

Test(nonlinear_fit, parameters_where_the_model_has_no_value_are_avoided)
{
    static double x[] = {1, 2, 4, 7.5};
    double y[4], start = 50;
    struct nonlinear_fit fit;
    struct err e = {0};
    quantity_init_numerics();
    for (int i = 0; i < 4; i++)
        y[i] = log(0.013 * x[i]) + 0.01 * (i % 2);
    cr_assert_eq(nonlinear_fit(logarithm, x, y, NULL, 4, 1, &start, false, &fit, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(fit.parameters[0], 0.013 * exp(0.005), 1e-12);
}

Test(nonlinear_fit, what_cannot_be_answered_is_refused)
{
    static double x[] = {1, 2, 4, 7.5};
    static const double y[] = {3, 1, 4, 1.5}, bad[] = {1, 2, NAN, 4}, weights[] = {1, 1, -1, 1};
    double start[] = {1, 1}, outside[] = {-1};
    struct nonlinear_fit fit;
    struct err e = {0};
    quantity_init_numerics();
    cr_expect_eq(nonlinear_fit(twice_the_same, x, y, NULL, 4, 2, start, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "do not determine") != NULL, "%s", e.text);
    cr_expect_eq(nonlinear_fit(logarithm, x, y, NULL, 4, 1, outside, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "at the start") != NULL, "%s", e.text);
    cr_expect_eq(nonlinear_fit(logarithm, x, bad, NULL, 4, 1, start, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect_eq(nonlinear_fit(logarithm, x, y, weights, 4, 1, start, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect_eq(nonlinear_fit(twice_the_same, x, y, NULL, 1, 2, start, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect_eq(nonlinear_fit(logarithm, x, y, NULL, 4, 0, start, false, &fit, &e), ERR_CALLER);
}
