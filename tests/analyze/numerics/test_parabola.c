#include "analyze/numerics/parabola.h"

#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/quantity.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST 3000

TestSuite(parabola, .init = quantity_init_numerics);

static double xs[MOST], ys[MOST];

/* Value, slope, standard error of the value and residual_sd against the plain fit by QR, at the points' ends,
 * their middle and past them. share: of the range of y, or of the slope that it makes over the range of x. */
static void agrees(const char *legend, size_t n, int degree, double share)
{
    static double u[MOST];
    struct parabola p;
    struct linear_fit plain;
    struct err e = {0};
    double low = INFINITY, high = -INFINITY, y_low = INFINITY, y_high = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        low = fmin(low, xs[i]);
        high = fmax(high, xs[i]);
        y_low = fmin(y_low, ys[i]);
        y_high = fmax(y_high, ys[i]);
    }
    /* The plain fit gives powers of x, which lose digits far from the origin: it gets them near it. */
    double origin = low + (high - low) / 2, range = fmax(y_high - y_low, 1e-300);
    for (size_t i = 0; i < n; i++)
        u[i] = (xs[i] - origin) / (high - low);
    cr_assert_eq(linear_fit_polynomial(u, ys, NULL, n, degree, true, false, &plain, &e), ERR_OK, "%s: %s",
                 legend, e.text);
    cr_assert_eq(parabola_fit(xs, ys, n, degree, &p, &e), ERR_OK, "%s: %s", legend, e.text);
    cr_expect(fabs(p.residual_sd - plain.residual_sd) <= share * range, "%s: residual_sd %.12g against %.12g",
              legend, p.residual_sd, plain.residual_sd);
    for (int k = -3; k <= 3; k++) {
        double t = 0.25 * k, x = origin + t * (high - low), powers[3] = {1, t, t * t}, value = 0, slope = 0,
               variance = 0;
        for (int i = 0; i <= degree; i++) {
            value += plain.coefficients[i] * powers[i];
            slope += i > 0 ? i * plain.coefficients[i] * powers[i - 1] : 0;
            for (int j = 0; j <= degree; j++)
                variance += powers[i] * powers[j] * plain.covariance[i][j];
        }
        cr_expect(fabs(parabola_value(&p, x) - value) <= share * range, "%s: at %d %.15g against %.15g",
                  legend, k, parabola_value(&p, x), value);
        cr_expect(fabs(parabola_slope(&p, x) * (high - low) - slope) <= 10 * share * range,
                  "%s: slope at %d %.15g against %.15g", legend, k, parabola_slope(&p, x) * (high - low),
                  slope);
        if (n > (size_t)degree + 1 && plain.residual_sd > 1e-6 * range)
            cr_expect(fabs(parabola_relative_sd(&p, x) * plain.residual_sd / sqrt(variance) - 1) <
                          1e3 * share,
                      "%s: standard error at %d %.12g against %.12g", legend, k,
                      parabola_relative_sd(&p, x) * plain.residual_sd, sqrt(variance));
    }
}

Test(parabola, random_points_agree_with_the_plain_fit)
{
    uint64_t seed = getenv("NIPBENCH_TEST_SEED") ? strtoull(getenv("NIPBENCH_TEST_SEED"), NULL, 10) : 40127;
    struct model_random draws = {seed};
    fprintf(stderr, "seed %llu\n", (unsigned long long)seed);
    for (int round = 0; round < 400; round++) {
        int degree = 1 + round % 2;
        size_t n = (size_t)degree + 2 + (size_t)(pow(10, 3.3 * model_random_uniform(&draws)));
        double at = pow(10, 4 * model_random_uniform(&draws) - 2) * model_random_normal(&draws),
               width = pow(10, 4 * model_random_uniform(&draws) - 2), noise = model_random_uniform(&draws),
               slope = 3 * model_random_normal(&draws), bend = 3 * model_random_normal(&draws);
        char legend[60];
        snprintf(legend, sizeof legend, "round %d, %zu points, degree %d", round, n, degree);
        for (size_t i = 0; i < n; i++) {
            double u = i < 3 ? (double)i - 1 : 2 * model_random_uniform(&draws) - 1;
            xs[i] = at + width * u;
            ys[i] = 7.3 + slope * u + bend * u * u + noise * model_random_normal(&draws);
        }
        /* A place far from the origin is known to so many digits of the width only. */
        agrees(legend, n, degree, 1e-11 + 1e-14 * fabs(at) / width);
    }
}

Test(parabola, hostile_points_agree_with_the_plain_fit)
{
    /* Three places, of which one has a single point. */
    for (size_t i = 0; i < 500; i++) {
        xs[i] = i == 211 ? 0.5 : (double)(i % 2);
        ys[i] = sin((double)(7 * i));
    }
    agrees("three places", 500, 2, 1e-10);
    /* All but two points close together. */
    for (size_t i = 0; i < 500; i++)
        xs[i] = i < 2 ? -40 + 80 * (double)i : 1e-3 * cos((double)(3 * i));
    agrees("two points far off", 500, 2, 1e-9);
    agrees("two points far off, straight", 500, 1, 1e-10);
    /* A small curve on a large level. */
    for (size_t i = 0; i < 500; i++) {
        xs[i] = 1e6 + (double)i;
        ys[i] = 1e9 + 1e-3 * (double)(i * i) + cos((double)(3 * i));
    }
    agrees("a large level", 500, 2, 1e-8);
    /* Exact, in falling order. */
    for (size_t i = 0; i < 500; i++) {
        xs[i] = 3 - 0.01 * (double)i;
        ys[i] = 2 - xs[i] + 0.5 * xs[i] * xs[i];
    }
    agrees("exact", 500, 2, 1e-13);
    agrees("as few as there can be", 3, 2, 1e-12);
    agrees("two points", 2, 1, 1e-12);
}

Test(parabola, no_x_are_the_numbers_from_0)
{
    struct parabola with, without;
    struct err e;
    for (size_t i = 0; i < 97; i++) {
        xs[i] = (double)i;
        ys[i] = cos((double)(5 * i)) + 0.01 * (double)(i * i);
    }
    cr_assert_eq(parabola_fit(xs, ys, 97, 2, &with, &e), ERR_OK);
    cr_assert_eq(parabola_fit(NULL, ys, 97, 2, &without, &e), ERR_OK);
    cr_expect_eq(memcmp(&with, &without, sizeof with), 0);
    cr_expect_eq(parabola_fit(NULL, ys, 2, 2, &without, &e), ERR_NO_ANSWER);
}

Test(parabola, residual_sd_is_by_the_degrees_of_freedom)
{
    static const double x[] = {-1, 1, -1, 1, 0, 0}, y[] = {1, 2, 3, 6, 5, 6};
    struct parabola p;
    struct err e;
    /* Pairs about their means 2, 4 and 5.5: 1 + 1 + 4 + 4 + 0.25 + 0.25 left over 3. */
    cr_assert_eq(parabola_fit(x, y, 6, 2, &p, &e), ERR_OK);
    cr_expect_float_eq(p.residual_sd, sqrt(10.5 / 3), 1e-14);
    cr_expect_float_eq(parabola_value(&p, 0), 5.5, 1e-14);
    cr_expect_float_eq(parabola_relative_sd(&p, 0), sqrt(0.5), 1e-14, "the mean of two");
    cr_assert_eq(parabola_fit(x, y, 4, 1, &p, &e), ERR_OK);
    cr_expect_float_eq(p.residual_sd, sqrt(10.0 / 2), 1e-14);
    cr_assert_eq(parabola_fit(x + 3, y + 3, 2, 1, &p, &e), ERR_OK);
    cr_expect_eq(p.residual_sd, 0);
}

static void refused(const char *legend, const double *x, const double *y, size_t n, int degree,
                    const char *wanted)
{
    struct parabola p;
    struct err e = {0};
    cr_expect_eq(parabola_fit(x, y, n, degree, &p, &e), ERR_NO_ANSWER, "%s", legend);
    cr_expect(strstr(e.text, wanted) != NULL, "%s: %s", legend, e.text);
}

Test(parabola, what_cannot_be_fitted_is_refused)
{
    static const double good[] = {0, 1, 2, 3, 4, 5}, one[] = {4.7, 4.7, 4.7, 4.7, 4.7, 4.7},
                        two[] = {0.1, 0.7, 0.1, 0.7, 0.1, 0.7},
                        nearly[] = {0.1, 0.7, 0.1, 0.7, 0.1, 0.7 + 3e-7}, nan_x[] = {0, 1, NAN, 3, 4, 5},
                        far_x[] = {0, 1, INFINITY, 3, 4, 5}, wide[] = {-1.7e308, 0, 1, 2, 3, 1.7e308},
                        nan_first[] = {NAN, 1, 2, 3, 4, 5}, nan_last[] = {0, 1, 2, 3, 4, NAN},
                        far_y[] = {0, 1, 2, -INFINITY, 4, 5};
    refused("none", good, good, 0, 2, "too few");
    refused("two points", good, good, 2, 2, "too few for a parabola: 3 are needed");
    refused("one point", good, good, 1, 1, "too few for a straight line: 2 are needed");
    refused("one place", one, good, 6, 2, "one place");
    refused("one place, straight", one, good, 6, 1, "one place");
    refused("two places", two, good, 6, 2, "fewer than 3 places");
    refused("two places but for 3e-7", nearly, good, 6, 2, "fewer than 3 places");
    refused("x is not a number", nan_x, good, 6, 2, "");
    refused("x is infinite", far_x, good, 6, 2, "not finite");
    refused("a range past all numbers", wide, good, 6, 2, "not finite");
    refused("first y is not a number", good, nan_first, 6, 2, "not finite");
    refused("last y is not a number", good, nan_last, 6, 1, "not finite");
    refused("y is infinite", good, far_y, 6, 2, "not finite");
}
