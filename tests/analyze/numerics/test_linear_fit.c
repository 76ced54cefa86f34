/* Source: NIST Statistical Reference Datasets (StRD), linear least squares, www.itl.nist.gov/div898/strd:
 * data and certified values are read from the files of Debian's gretl-data. */
#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define NIST_FOLDER "/usr/share/gretl/data/nist/"
#define POINTS_MAX  100

struct nist {
    size_t n, p, predictors, certified;
    bool intercept;
    double x[POINTS_MAX * LINEAR_FIT_COLUMNS_MAX]; /* row-major, n rows of predictors */
    double y[POINTS_MAX];
    double estimate[LINEAR_FIT_COLUMNS_MAX], sd[LINEAR_FIT_COLUMNS_MAX];
    double residual_sd, residual_sum;
};

/* Read one certified file: its header says which lines hold the data. Lines end in CR LF. */
static void nist_read(const char *name, struct nist *d)
{
    char path[128], line[256];
    int first = 0, last = 0, number = 0;
    bool residual = false;
    FILE *file;
    memset(d, 0, sizeof *d);
    d->residual_sd = d->residual_sum = NAN;
    snprintf(path, sizeof path, NIST_FOLDER "%s.dat", name);
    file = fopen(path, "r");
    cr_assert(file != NULL, "%s is missing: install the package gretl-data", path);
    while (fgets(line, sizeof line, file) != NULL) {
        int index, count, used;
        double a, b;
        const char *at = strstr(line, "Data ");
        number++;
        if (at != NULL && sscanf(at, "Data (lines %d to %d)", &first, &last) == 2)
            continue;
        if (strstr(line, " Predictor Variable") != NULL && sscanf(line, "%d", &count) == 1)
            d->predictors = (size_t)count;
        if (number < 60 && sscanf(line, " B%d %lf %lf", &index, &a, &b) == 3) {
            d->intercept = d->intercept || index == 0;
            d->estimate[d->p] = a;
            d->sd[d->p++] = b;
        }
        residual = residual || strstr(line, "Residual") != NULL;
        if (residual && isnan(d->residual_sd))
            sscanf(line, " Standard Deviation %lf", &d->residual_sd);
        if (sscanf(line, "Residual %d %lf", &count, &a) == 2)
            d->residual_sum = a;
        if (first == 0 || number < first || number > last)
            continue;
        cr_assert_eq(sscanf(line, "%lf%n", &d->y[d->n], &used), 1, "%s:%d", path, number);
        for (size_t j = 0; j < d->predictors; j++) {
            int more;
            cr_assert_eq(sscanf(line + used, "%lf%n", &d->x[d->n * d->predictors + j], &more), 1, "%s:%d",
                         path, number);
            used += more;
        }
        d->n++;
    }
    fclose(file);
    cr_assert_eq(d->n, (size_t)(last - first + 1), "%s holds %zu points", path, d->n);
    cr_assert(d->p > 0 && isfinite(d->residual_sd) && isfinite(d->residual_sum),
              "%s: certified values not found", path);
}

/* Agreeing digits: minus the logarithm of the relative error, at most 15. */
static double digits(double value, double certified)
{
    double error = certified != 0 ? fabs(value / certified - 1) : fabs(value);
    return error > 1e-15 ? fmin(15, -log10(error)) : 15;
}

struct agreement {
    double coefficients, errors, residual;
};

static struct agreement agree(const struct nist *d, const struct linear_fit *fit)
{
    struct agreement a = {15, 15, 15};
    cr_assert_eq(fit->p, d->p);
    cr_assert_eq(fit->n, d->n);
    for (size_t j = 0; j < d->p; j++) {
        a.coefficients = fmin(a.coefficients, digits(fit->coefficients[j], d->estimate[j]));
        a.errors = fmin(a.errors, digits(fit->standard_errors[j], d->sd[j]));
    }
    a.residual = fmin(digits(fit->residual_sd, d->residual_sd), digits(fit->residual_sum, d->residual_sum));
    return a;
}

static void columns_of(const struct nist *d, double *columns)
{
    for (size_t i = 0; i < d->n; i++) {
        double power = d->intercept ? 1 : d->x[i];
        for (size_t j = 0; j < d->p; j++) {
            if (d->predictors > 1) {
                columns[i * d->p + j] = j == 0 ? 1 : d->x[i * d->predictors + j - 1];
            } else {
                columns[i * d->p + j] = power;
                power *= d->x[i];
            }
        }
    }
}

struct expectation {
    const char *name;
    bool polynomial;
    double least_digits; /* of coefficients, standard errors and residual scatter alike */
};

static const struct expectation SETS[] = {
    {"Norris", true, 12},   {"Pontius", true, 12},  {"NoInt1", true, 12},   {"NoInt2", true, 12},
    {"Wampler1", true, 9},  {"Wampler2", true, 9},  {"Wampler3", true, 12}, {"Wampler4", true, 12},
    {"Wampler5", true, 11}, {"Filip", true, 11},    {"Norris", false, 12},  {"Pontius", false, 9},
    {"NoInt1", false, 12},  {"NoInt2", false, 12},  {"Wampler1", false, 9}, {"Wampler2", false, 9},
    {"Wampler3", false, 9}, {"Wampler4", false, 9}, {"Wampler5", false, 9}, {"Longley", false, 12},
};

Test(linear_fit, certified_digits_are_reached)
{
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof SETS / sizeof SETS[0]; i++) {
        static struct nist d;
        static double columns[POINTS_MAX * LINEAR_FIT_COLUMNS_MAX];
        struct linear_fit fit;
        struct agreement a;
        struct err e = {0};
        const char *way = SETS[i].polynomial ? "polynomial" : "columns";
        nist_read(SETS[i].name, &d);
        columns_of(&d, columns);
        if (SETS[i].polynomial)
            cr_assert_eq(linear_fit_polynomial(d.x, d.y, NULL, d.n, (int)d.p - (d.intercept ? 1 : 0),
                                               d.intercept, false, &fit, &e),
                         ERR_OK, "%s: %s", SETS[i].name, e.text);
        else
            cr_assert_eq(linear_fit(columns, d.y, NULL, d.n, d.p, false, &fit, &e), ERR_OK, "%s: %s",
                         SETS[i].name, e.text);
        a = agree(&d, &fit);
        fprintf(stderr, "%-9s %-10s digits: coefficients %.1f, standard errors %.1f, residuals %.1f\n",
                SETS[i].name, way, a.coefficients, a.errors, a.residual);
        cr_expect_geq(a.coefficients, SETS[i].least_digits, "%s by %s: coefficients", SETS[i].name, way);
        cr_expect_geq(a.errors, SETS[i].least_digits, "%s by %s: standard errors", SETS[i].name, way);
        cr_expect_geq(a.residual, SETS[i].least_digits, "%s by %s: residuals", SETS[i].name, way);
    }
}

/* Source: JCGM 100:2008 (GUM), Annex H.3, calibration of a thermometer: published y1 = -0.1712 (0.0029), y2 =
 * 0.00218 (0.00067), r = -0.930, s = 0.0035, b(30) = -0.1494 with u = 0.0041; more digits recomputed
 * independently from the same table. */
static const double GUM_T[] = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                               24.513, 25.002, 25.503, 26.010, 26.511};
static const double GUM_B[] = {-0.171, -0.169, -0.166, -0.159, -0.164, -0.165,
                               -0.156, -0.157, -0.159, -0.161, -0.160};

Test(linear_fit, covariance_agrees_with_the_gum_thermometer_wherever_its_origin_lies)
{
    static const double origins[] = {20, 24.0085};
    quantity_init_numerics();
    for (size_t k = 0; k < 2; k++) {
        struct linear_fit fit;
        struct err e = {0};
        double t[11], at = 30 - origins[k], prediction, variance;
        for (size_t i = 0; i < 11; i++)
            t[i] = GUM_T[i] - origins[k];
        cr_assert_eq(linear_fit_polynomial(t, GUM_B, NULL, 11, 1, true, false, &fit, &e), ERR_OK, "%s",
                     e.text);
        prediction = fit.coefficients[0] + fit.coefficients[1] * at;
        variance = fit.covariance[0][0] + 2 * at * fit.covariance[0][1] + at * at * fit.covariance[1][1];
        cr_expect_float_eq(prediction, -0.149376812732, 1e-11);
        cr_expect_float_eq(sqrt(variance), 0.00413859575285, 1e-12);
        cr_expect_float_eq(fit.residual_sd, 0.00349756396351, 1e-12);
        cr_expect_float_eq(fit.coefficients[1], 0.00218269773989, 1e-12);
        cr_expect_float_eq(fit.standard_errors[1], 0.000667938773228, 1e-13);
        cr_expect_eq(fit.degrees_of_freedom, 9);
        cr_expect_eq(fit.covariance[0][1], fit.covariance[1][0]);
        if (k > 0)
            continue;
        cr_expect_float_eq(fit.coefficients[0], -0.17120379013135, 1e-12);
        cr_expect_float_eq(fit.standard_errors[0], 0.002877597835160, 1e-13);
        cr_expect_float_eq(fit.covariance[0][1] / fit.standard_errors[0] / fit.standard_errors[1],
                           -0.930429603093, 1e-10);
    }
}

/* A whole-number weight says the same as so many equal points: coefficients and residual sum must agree
 * exactly. */
Test(linear_fit, weights_count_as_repeated_points)
{
    static const double x[] = {0.31, 1.77, 2.05, 4.4, 5.93}, y[] = {2.385, 1.9, 7.13, 6.02, 11.7},
                        w[] = {2, 1, 3, 1, 2};
    double repeated_x[9], repeated_y[9], columns[10];
    size_t n = 0;
    struct linear_fit weighted, repeated;
    struct err e = {0};
    quantity_init_numerics();
    for (size_t i = 0; i < 5; i++) {
        for (int k = 0; k < (int)w[i]; k++) {
            repeated_x[n] = x[i];
            repeated_y[n++] = y[i];
        }
        columns[2 * i] = x[i];
        columns[2 * i + 1] = 3.7; /* a constant column that is not 1 */
    }
    cr_assert_eq(linear_fit(columns, y, w, 5, 2, false, &weighted, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(linear_fit_polynomial(repeated_x, repeated_y, NULL, n, 1, true, false, &repeated, &e),
                 ERR_OK);
    cr_expect_float_eq(weighted.coefficients[0], repeated.coefficients[1], 1e-14);
    cr_expect_float_eq(weighted.coefficients[1] * 3.7, repeated.coefficients[0], 1e-14);
    cr_expect_float_eq(weighted.residual_sum, repeated.residual_sum, 1e-13);
    cr_expect_eq(weighted.degrees_of_freedom, 3);
    cr_expect_eq(repeated.degrees_of_freedom, 7);
}

/* The weighted mean of values of known sigma has variance 1 / sum(1 / sigma^2), whatever the scatter. */
Test(linear_fit, known_variances_are_not_scaled_by_the_scatter)
{
    static const double x[] = {7, 8, 9}, y[] = {10.2, 17.9, -3.1}, w[] = {4, 0.25, 1};
    struct linear_fit known, unknown;
    quantity_init_numerics();
    cr_assert_eq(linear_fit_polynomial(x, y, w, 3, 0, true, true, &known, NULL), ERR_OK);
    cr_assert_eq(linear_fit_polynomial(x, y, w, 3, 0, true, false, &unknown, NULL), ERR_OK);
    cr_expect_float_eq(known.covariance[0][0], 1 / 5.25, 1e-15);
    cr_expect_float_eq(unknown.covariance[0][0], known.residual_sd * known.residual_sd / 5.25, 1e-12);
    cr_expect_float_eq(known.coefficients[0], (40.8 + 4.475 - 3.1) / 5.25, 1e-14);
}

Test(linear_fit, without_degrees_of_freedom_nothing_is_said_about_errors)
{
    static const double x[] = {1.5, 4}, y[] = {2, 7};
    struct linear_fit fit;
    quantity_init_numerics();
    cr_assert_eq(linear_fit_polynomial(x, y, NULL, 2, 1, true, false, &fit, NULL), ERR_OK);
    cr_expect_float_eq(fit.coefficients[1], 2, 1e-15);
    cr_expect_eq(fit.residual_sd, 0);
    cr_expect(isnan(fit.standard_errors[1]));
}

/* A far origin must not cost digits: microsecond time stamps of one day, slope known exactly. */
Test(linear_fit, a_far_origin_costs_no_digits)
{
    double x[50], y[50];
    struct linear_fit fit;
    quantity_init_numerics();
    for (int i = 0; i < 50; i++) {
        x[i] = 1.7e15 + 1000 * i;
        y[i] = 0.75 * i;
    }
    cr_assert_eq(linear_fit_polynomial(x, y, NULL, 50, 1, true, false, &fit, NULL), ERR_OK);
    cr_expect_float_eq(fit.coefficients[1], 0.00075, 1e-17);
}

Test(linear_fit, what_cannot_be_answered_is_refused)
{
    static const double same[] = {2, 2, 2, 2}, x[] = {1, 2, 4, 7}, y[] = {3, 1, 4, 1},
                        weights[] = {1, 0, 1, 1};
    static const double dependent[] = {1, 0.1, 1.1, 2, 0.3, 2.3, 4, 0.7, 4.7, 7, 0.1, 7.1};
    double bad[] = {1, NAN, 2, 3};
    struct linear_fit fit;
    struct err e = {0};
    quantity_init_numerics();
    cr_expect_eq(linear_fit_polynomial(same, y, NULL, 4, 1, true, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect_eq(linear_fit(dependent, y, NULL, 4, 3, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "only 2 of them") != NULL, "%s", e.text);
    cr_expect_eq(linear_fit_polynomial(x, y, NULL, 2, 2, true, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect_eq(linear_fit_polynomial(bad, y, NULL, 4, 1, true, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "point 2") != NULL, "%s", e.text);
    cr_expect_eq(linear_fit_polynomial(x, bad, NULL, 4, 1, true, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect_eq(linear_fit_polynomial(x, y, weights, 4, 1, true, false, &fit, &e), ERR_NO_ANSWER);
    cr_expect_eq(linear_fit_polynomial(x, y, NULL, 4, LINEAR_FIT_COLUMNS_MAX, true, false, &fit, &e),
                 ERR_CALLER);
    cr_expect_eq(linear_fit_polynomial(x, y, NULL, 4, 0, false, false, &fit, &e), ERR_CALLER);
    cr_expect_eq(linear_fit(x, y, NULL, 4, 0, false, &fit, &e), ERR_CALLER);
}
