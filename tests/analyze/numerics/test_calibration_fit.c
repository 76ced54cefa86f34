/* Sources: NIST StRD Pontius and Norris (www.itl.nist.gov/div898/strd; read from the files of Debian's
 * gretl-data); NIST/SEMATECH e-Handbook of Statistical Methods 4.6.1 for Pontius' lack of fit and inverse
 * prediction (figures recomputed; its own digits from memory); JCGM 100:2008 annex H.3. Tests without a named
 * source use data made here from a stated line, so that the answer is known. */
#include "analyze/numerics/calibration_fit.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NIST_FOLDER "/usr/share/gretl/data/nist/"
enum { MOST = 64 };

struct data {
    size_t n;
    double load[MOST], reading[MOST], uncertainty[MOST];
    int direction[MOST], cycle[MOST];
};

static struct calibration_readings readings_of(const struct data *d)
{
    struct calibration_readings r = {.n = d->n,
                                     .load_n = d->load,
                                     .reading_counts = d->reading,
                                     .direction = d->direction,
                                     .cycle = d->cycle};
    return r;
}

static void put(struct data *d, double load, double reading, int direction, int cycle)
{
    d->load[d->n] = load;
    d->reading[d->n] = reading;
    d->direction[d->n] = direction;
    d->cycle[d->n] = cycle;
    d->n++;
}

static void fit(const struct data *d, int degree, struct calibration_fit *f)
{
    struct calibration_readings r = readings_of(d);
    struct err e;
    enum err_code code = calibration_fit(&r, degree, f, &e);
    cr_assert_eq(code, ERR_OK, "%s", e.text);
}

static void assert_near(double value, double expected, double tolerance)
{
    cr_assert(fabs(value - expected) <= tolerance, "%.15g, expected %.15g", value, expected);
}

static double digits(double value, double certified)
{
    double error = fabs(value / certified - 1);
    return error > 1e-15 ? -log10(error) : 15;
}

/* Pontius: two runs of 20 loads up. */
static void read_pontius(struct data *d)
{
    FILE *file = fopen(NIST_FOLDER "Pontius.dat", "r");
    char line[256];
    cr_assert(file != NULL, "Pontius.dat is missing: install the package gretl-data");
    memset(d, 0, sizeof *d);
    for (int number = 1; fgets(line, sizeof line, file) != NULL; number++) {
        double y, x;
        if (number >= 61 && number <= 100 && sscanf(line, "%lf %lf", &y, &x) == 2)
            put(d, x, y, 1, d->n < 20 ? 1 : 2);
    }
    fclose(file);
    cr_assert_eq(d->n, 40);
}

Test(calibration_fit, pontius_comes_out_as_certified)
{
    static const double B[3] = {0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14};
    static const double SD[3] = {0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16};
    struct data d;
    struct calibration_fit f;
    read_pontius(&d);
    fit(&d, 2, &f);
    for (int i = 0; i < 3; i++) {
        cr_assert(digits(f.coefficients[i], B[i]) > 12, "B%d %.16g", i, f.coefficients[i]);
        cr_assert(digits(f.standard_errors[i], SD[i]) > 12, "sd of B%d %.16g", i, f.standard_errors[i]);
        cr_assert(digits(sqrt(f.covariance[i][i]), SD[i]) > 12);
    }
    cr_assert(digits(f.residual_sd, 0.205177424076185e-03) > 12, "%.16g", f.residual_sd);
    cr_assert_eq(f.degrees_of_freedom, 37);
    cr_assert_eq(f.loads, 20);
}

/* e-Handbook 4.6.1: line residual sd 2.171272596E-03, replication sd 2.147265703E-04 (20), lack of fit
 * F(18,20) = 214.747 and, of the quadratic, F(17,20) = 0.8107. */
Test(calibration_fit, pontius_line_does_not_fit_and_the_quadratic_does)
{
    struct data d;
    struct calibration_fit line, curve;
    read_pontius(&d);
    fit(&d, 1, &line);
    fit(&d, 2, &curve);
    cr_assert(digits(line.residual_sd, 2.171272596e-3) > 9, "%.12g", line.residual_sd);
    cr_assert_eq(line.degrees_of_freedom, 38);
    cr_assert(line.replicated && line.lack_of_fit.present);
    cr_assert(digits(line.replication_sd, 2.147265703e-4) > 9, "%.12g", line.replication_sd);
    cr_assert_eq(line.replication_degrees_of_freedom, 20);
    assert_near(line.lack_of_fit.f, 214.747, 5e-4);
    cr_assert_eq(line.lack_of_fit.numerator_degrees_of_freedom, 18);
    cr_assert_eq(line.lack_of_fit.denominator_degrees_of_freedom, 20);
    cr_assert(line.lack_of_fit.p_value < 1e-15);
    assert_near(curve.lack_of_fit.f, 0.8107, 5e-5);
    cr_assert_eq(curve.lack_of_fit.numerator_degrees_of_freedom, 17);
    cr_assert(curve.lack_of_fit.p_value > 0.5);
}

Test(calibration_fit, pontius_left_to_itself_becomes_a_quadratic)
{
    struct data d;
    struct calibration_fit f;
    read_pontius(&d);
    fit(&d, CALIBRATION_FIT_DEGREE_AUTO, &f);
    cr_assert_eq(f.degree, 2);
    cr_assert(f.curvature.present);
    assert_near(f.curvature.f / pow(0.316081871345029e-14 / 0.486652849992036e-16, 2), 1, 1e-10);
    cr_assert_eq(f.curvature.denominator_degrees_of_freedom, 37);
}

/* Both runs under one cycle number: the second starts again from the first load and is a run of its own. */
Test(calibration_fit, a_run_that_starts_again_is_a_new_run)
{
    struct data d;
    struct calibration_fit f;
    read_pontius(&d);
    for (size_t i = 0; i < d.n; i++)
        d.cycle[i] = 1;
    fit(&d, 2, &f);
    cr_assert(digits(f.coefficients[0], 0.673565789473684e-03) > 12);
    cr_assert(f.repeatability.present);
}

/* e-Handbook 4.6.1: y = 1.239722 gives x = 1705105.569, 95 % interval 1704513.37 to 1705697.76, by inverting
 * the prediction band. The linearised interval differs in the last printed digit of neither end, but by
 * 0.0006: the recomputed third digits tell the two apart. */
Test(calibration_fit, pontius_inverse_prediction_by_inverting_the_band)
{
    struct data d;
    struct calibration_fit f;
    struct quantity x;
    bool beyond = true;
    read_pontius(&d);
    fit(&d, 2, &f);
    cr_assert_eq(calibration_fit_load(&f, 1.239722, 1, &x, &beyond, NULL), ERR_OK);
    assert_near(x.value, 1705105.569, 5e-4);
    assert_near(x.low_95, 1704513.37, 5e-3);
    assert_near(x.high_95, 1705697.76, 5e-3);
    assert_near(x.low_95, 1704513.37294, 5e-5);
    assert_near(x.high_95, 1705697.76362, 5e-5);
    assert_near(x.standard_uncertainty, (1705697.7642 - 1704513.3735) / 2 / 2.0261925, 1e-3);
    cr_assert_eq(x.degrees_of_freedom, 37);
    cr_assert_not(beyond);
}

Test(calibration_fit, readings_beyond_the_calibrated_range_are_marked)
{
    struct data d;
    struct calibration_fit f;
    struct quantity x;
    bool beyond = false;
    struct err e;
    read_pontius(&d);
    fit(&d, 2, &f);
    cr_assert_eq(calibration_fit_load(&f, 2.3, 1, &x, &beyond, NULL), ERR_OK);
    cr_assert(beyond && x.value > 3e6);
    cr_assert_eq(calibration_fit_load(&f, 0.05, 1, &x, &beyond, NULL), ERR_OK);
    cr_assert(beyond && x.value < 150000);
    /* The parabola's summit is at 1.158e8, reading 42.4. */
    cr_assert_eq(calibration_fit_load(&f, 43, 1, &x, &beyond, &e), ERR_NO_ANSWER);
    cr_assert_not(x.present);
    cr_assert(strstr(e.text, "no load has a reading of 43") != NULL, "%s", e.text);
}

/* Averaging readings takes the readings' own scatter down and leaves the line's. */
Test(calibration_fit, a_mean_of_many_readings_has_only_the_lines_uncertainty)
{
    struct data d;
    struct calibration_fit f;
    struct quantity one, four, all;
    double u, slope;
    read_pontius(&d);
    fit(&d, 2, &f);
    calibration_fit_load(&f, 1.239722, 1, &one, NULL, NULL);
    calibration_fit_load(&f, 1.239722, 4, &four, NULL, NULL);
    calibration_fit_load(&f, 1.239722, INFINITY, &all, NULL, NULL);
    calibration_fit_reading(&f, all.value, &u);
    slope = f.coefficients[1] + 2 * f.coefficients[2] * all.value;
    assert_near(all.standard_uncertainty, u / slope, 1e-9);
    assert_near(pow(one.standard_uncertainty, 2) - pow(all.standard_uncertainty, 2),
                pow(f.residual_sd / slope, 2), 1);
    assert_near(pow(four.standard_uncertainty, 2) - pow(all.standard_uncertainty, 2),
                pow(f.residual_sd / slope, 2) / 4, 1);
}

/* H.3: thermometer readings t, corrections b; published y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930,
 * s 0.0035, b(30) -0.1494, u 0.0041, 9 degrees of freedom; recomputed to the digits below. */
static void h3(struct data *d, double origin)
{
    static const double T[] = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                               24.513, 25.002, 25.503, 26.010, 26.511};
    static const double B[] = {-0.171, -0.169, -0.166, -0.159, -0.164, -0.165,
                               -0.156, -0.157, -0.159, -0.161, -0.160};
    memset(d, 0, sizeof *d);
    for (int i = 0; i < 11; i++)
        put(d, T[i] - origin, B[i], 1, 1);
}

Test(calibration_fit, gum_h3_thermometer_comes_out_as_published)
{
    struct data d;
    struct calibration_fit f;
    double u;
    h3(&d, 20);
    fit(&d, CALIBRATION_FIT_DEGREE_AUTO, &f);
    cr_assert_eq(f.degree, 1);
    assert_near(f.coefficients[0], -0.17120379013135, 1e-13);
    assert_near(f.standard_errors[0], 0.002877597835160, 1e-13);
    assert_near(f.coefficients[1], 0.00218269773989, 1e-13);
    assert_near(f.standard_errors[1], 0.000667938773228, 1e-13);
    assert_near(f.covariance[0][1] / f.standard_errors[0] / f.standard_errors[1], -0.930429603093, 1e-11);
    assert_near(f.residual_sd, 0.00349756396351, 1e-13);
    cr_assert_eq(f.degrees_of_freedom, 9);
    assert_near(calibration_fit_reading(&f, 10, &u), -0.149376812732, 1e-12);
    assert_near(u, 0.00413859575285, 1e-13);
    cr_assert_not(f.replicated);
    cr_assert_not(f.lack_of_fit.present);
}

Test(calibration_fit, gum_h3_prediction_does_not_depend_on_the_origin)
{
    struct data d;
    struct calibration_fit f;
    double u;
    h3(&d, 24.0085);
    fit(&d, 1, &f);
    assert_near(f.covariance[0][1] / f.standard_errors[0] / f.standard_errors[1], 0, 1e-4);
    assert_near(calibration_fit_reading(&f, 30 - 24.0085, &u), -0.149376812732, 1e-12);
    assert_near(u, 0.00413859575285, 1e-13);
}

/* NIST StRD Norris is certified as a straight line; sorted into one run. */
static int by_load(const void *a, const void *b)
{
    const double *x = a, *y = b;
    return (x[0] > y[0]) - (x[0] < y[0]);
}

Test(calibration_fit, norris_stays_a_straight_line)
{
    double rows[MOST][2];
    struct data d;
    struct calibration_fit f;
    char line[256];
    size_t n = 0;
    FILE *file = fopen(NIST_FOLDER "Norris.dat", "r");
    cr_assert(file != NULL, "Norris.dat is missing: install the package gretl-data");
    for (int number = 1; fgets(line, sizeof line, file) != NULL; number++) {
        if (number >= 61 && number <= 96 && sscanf(line, "%lf %lf", &rows[n][1], &rows[n][0]) == 2)
            n++;
    }
    fclose(file);
    cr_assert_eq(n, 36);
    qsort(rows, n, sizeof *rows, by_load);
    memset(&d, 0, sizeof d);
    for (size_t i = 0; i < n; i++)
        put(&d, rows[i][0], rows[i][1], 1, (int)i); /* as if each were weighed alone */
    fit(&d, CALIBRATION_FIT_DEGREE_AUTO, &f);
    cr_assert_eq(f.degree, 1);
    cr_assert(digits(f.coefficients[0], -0.262323073774029) > 9);
    cr_assert(digits(f.coefficients[1], 1.00211681802045) > 12);
    cr_assert(digits(f.standard_errors[0], 0.232818234301152) > 9);
    cr_assert(digits(f.residual_sd, 0.884796396144373) > 12);
}

/* Two cycles up and down, 0 to 98.0665 N, counts = 8192 + 83.4 load, with made-up departures in counts: what
 * is expected is worked out by hand beside each. Full scale about 8179 counts. */
static void made_up(struct data *d)
{
    static const double LOAD[] = {0, 9.80665, 24.516625, 49.03325, 98.0665};
    static const double UP[2][5] = {{0, 1, -2, 3, 0}, {5, 4, 2, 9, 4}};
    static const double DOWN[2][5] = {{3, 6, 8, 9, 0}, {6, 12, 13, 17, 4}};
    memset(d, 0, sizeof *d);
    for (int c = 0; c < 2; c++) {
        for (int i = 0; i < 5; i++)
            put(d, LOAD[i], 8192 + 83.4 * LOAD[i] + UP[c][i], 1, c + 1);
        for (int i = 3; i >= 0; i--)
            put(d, LOAD[i], 8192 + 83.4 * LOAD[i] + DOWN[c][i], -1, c + 1);
    }
}

Test(calibration_fit, characteristics_are_those_of_the_readings)
{
    struct data d;
    struct calibration_fit f;
    double full, worst = 0;
    made_up(&d);
    fit(&d, 1, &f);
    full = f.coefficients[1] * 98.0665;
    assert_near(f.full_scale_counts, full, 1e-9);
    /* Deflections up, cycle 1: 1 -2 3 0, cycle 2: -1 -3 4 -1: the spread is 2 at 9.8 N. */
    assert_near(f.repeatability.percent, 100 * 2 / full, 1e-9);
    assert_near(f.repeatability.load_n, 9.80665, 1e-12);
    /* Down minus up: (5 + 8) / 2, (10 + 11) / 2, (6 + 8) / 2. */
    assert_near(f.hysteresis.percent, 100 * 10.5 / full, 1e-9);
    assert_near(f.hysteresis.load_n, 24.516625, 1e-12);
    assert_near(f.zero_return.percent, 100 * 3 / full, 1e-9);
    for (size_t i = 0; i < d.n; i++) {
        double sum = 0, count = 0;
        for (size_t j = 0; j < d.n; j++) {
            if (d.load[j] == d.load[i]) {
                sum += calibration_fit_residual(&f, d.load[j], d.reading[j]);
                count++;
            }
        }
        worst = fmax(worst, fabs(sum / count));
    }
    assert_near(fabs(f.non_linearity.percent), 100 * worst / full, 1e-9);
    assert_near(f.interpolation.percent, f.non_linearity.percent, 1e-12); /* degree 1: the same line */
}

Test(calibration_fit, a_single_run_up_has_no_repeatability_hysteresis_or_zero_return)
{
    struct data d;
    struct calibration_fit f;
    made_up(&d);
    d.n = 5;
    fit(&d, 1, &f);
    cr_assert_not(f.repeatability.present);
    cr_assert_not(f.hysteresis.present);
    cr_assert_not(f.zero_return.present);
    cr_assert(f.non_linearity.present);
}

/* A departure of 0.5 % of full scale in the middle: non-linearity sees it, the quadratic takes it away. */
Test(calibration_fit, curvature_is_found_and_taken_away)
{
    struct data d;
    struct calibration_fit f;
    made_up(&d);
    for (size_t i = 0; i < d.n; i++)
        d.reading[i] += 160 * d.load[i] / 98.0665 * (1 - d.load[i] / 98.0665);
    fit(&d, CALIBRATION_FIT_DEGREE_AUTO, &f);
    cr_assert_eq(f.degree, 2);
    cr_assert(fabs(f.non_linearity.percent) > 0.2, "%g", f.non_linearity.percent);
    cr_assert(fabs(f.interpolation.percent) < 0.1, "%g", f.interpolation.percent);
}

/* Readings without any scatter of their own about the wrong loads: the scatter is the weights'. Three loads
 * twice: weights from the stated uncertainties alone, w = 1 / (slope u)^2, worked out here in closed form. */
Test(calibration_fit, weights_uncertainty_counts_once_however_often_they_are_hung)
{
    struct data d;
    struct calibration_fit f;
    struct calibration_readings r;
    static const double LOAD[4] = {10, 30, 60, 100}, OFF[4] = {0.010, -0.015, 0.030, -0.020};
    double sw = 0, swx = 0, swxx = 0;
    struct err e;
    memset(&d, 0, sizeof d);
    for (int c = 0; c < 6; c++) {
        for (int i = 0; i < 4; i++) {
            d.uncertainty[d.n] = 0.05;
            /* +-0.3 counts of scatter, the same at each load's six readings */
            put(&d, LOAD[i], 83.4 * (LOAD[i] + OFF[i]) + (c % 2 == 0 ? 0.3 : -0.3), 1, c + 1);
        }
    }
    r = readings_of(&d);
    r.load_standard_uncertainty_n = d.uncertainty;
    cr_assert_eq(calibration_fit(&r, 1, &f, &e), ERR_OK, "%s", e.text);
    cr_assert(f.weighted);
    cr_assert_eq(f.degrees_of_freedom, 22);
    cr_assert(f.residual_sd > 0.28 && f.residual_sd < 0.35, "%g", f.residual_sd);
    for (int i = 0; i < 4; i++) {
        double w = 1 / (f.residual_sd * f.residual_sd / 6 + pow(83.4 * 0.05, 2));
        sw += w;
        swx += w * LOAD[i];
        swxx += w * LOAD[i] * LOAD[i];
    }
    assert_near(f.standard_errors[1] / sqrt(sw / (sw * swxx - swx * swx)), 1, 1e-3);
    /* Taken for 24 independent loads it would be half of that or less. */
    r.load_standard_uncertainty_n = NULL;
    cr_assert_eq(calibration_fit(&r, 1, &f, NULL), ERR_OK);
    cr_assert_not(f.weighted);
    cr_assert(f.standard_errors[1] < 0.5 / sqrt((sw * swxx - swx * swx) / sw));
}

/* An uncertain load pulls less. */
Test(calibration_fit, a_doubtful_weight_pulls_less)
{
    struct data d;
    struct calibration_fit plain, weighted;
    struct calibration_readings r;
    made_up(&d);
    for (size_t i = 0; i < d.n; i++) {
        d.uncertainty[i] = d.load[i] > 90 ? 1 : d.load[i] * 1e-5;
        d.reading[i] += d.load[i] > 90 ? 80 : 0;
    }
    fit(&d, 1, &plain);
    r = readings_of(&d);
    r.load_standard_uncertainty_n = d.uncertainty;
    cr_assert_eq(calibration_fit(&r, 1, &weighted, NULL), ERR_OK);
    cr_assert(fabs(weighted.coefficients[1] - 83.4) < fabs(plain.coefficients[1] - 83.4) / 3, "%g %g",
              weighted.coefficients[1], plain.coefficients[1]);
}

Test(calibration_fit, no_load_uncertainty_is_the_same_as_none_given)
{
    struct data d;
    struct calibration_fit plain, zero;
    struct calibration_readings r;
    made_up(&d);
    fit(&d, 2, &plain);
    r = readings_of(&d);
    r.load_standard_uncertainty_n = d.uncertainty;
    cr_assert_eq(calibration_fit(&r, 2, &zero, NULL), ERR_OK);
    cr_assert_not(zero.weighted);
    cr_assert_eq(memcmp(plain.coefficients, zero.coefficients, sizeof plain.coefficients), 0);
    cr_assert_eq(memcmp(plain.covariance, zero.covariance, sizeof plain.covariance), 0);
    cr_assert_eq(plain.residual_sd, zero.residual_sd);
}

Test(calibration_fit, exact_lines_and_exact_curves_get_their_degree)
{
    struct data d;
    struct calibration_fit f;
    memset(&d, 0, sizeof d);
    for (int i = 0; i < 7; i++)
        put(&d, 7.25 * i, 512 + 20 * 7.25 * i, 1, 1);
    fit(&d, CALIBRATION_FIT_DEGREE_AUTO, &f);
    cr_assert_eq(f.degree, 1);
    assert_near(f.coefficients[1], 20, 1e-12);
    for (int i = 0; i < 7; i++)
        d.reading[i] += 0.03125 * d.load[i] * d.load[i];
    fit(&d, CALIBRATION_FIT_DEGREE_AUTO, &f);
    cr_assert_eq(f.degree, 2);
    assert_near(f.coefficients[2], 0.03125, 1e-12);
}

Test(calibration_fit, a_load_cell_in_compression_may_have_falling_readings)
{
    struct data d;
    struct calibration_fit f;
    struct quantity x;
    made_up(&d);
    for (size_t i = 0; i < d.n; i++)
        d.reading[i] = -d.reading[i];
    fit(&d, 2, &f);
    cr_assert_eq(calibration_fit_load(&f, -(8192 + 83.4 * 60), 1, &x, NULL, NULL), ERR_OK);
    cr_assert(x.low_95 < 60 && x.high_95 > 60 && fabs(x.value - 60) < 0.2, "%g", x.value);
    for (size_t i = 0; i < d.n; i++)
        d.load[i] = -d.load[i];
    fit(&d, 2, &f);
    cr_assert_eq(calibration_fit_load(&f, -(8192 + 83.4 * 60), 1, &x, NULL, NULL), ERR_OK);
    cr_assert(x.low_95 < -60 && x.high_95 > -60);
}

static void assert_refused(const struct data *d, int degree, enum err_code expected, const char *text)
{
    struct calibration_readings r = readings_of(d);
    struct calibration_fit f;
    struct err e;
    enum err_code code = calibration_fit(&r, degree, &f, &e);
    cr_assert_eq(code, expected, "code %d: %s", (int)code, code != ERR_OK ? e.text : "accepted");
    cr_assert(strstr(e.text, text) != NULL, "\"%s\" lacks \"%s\"", e.text, text);
}

Test(calibration_fit, refuses_what_has_no_answer)
{
    struct data d;
    struct calibration_fit f;
    struct calibration_readings r;
    memset(&d, 0, sizeof d);
    put(&d, 1, 10, 1, 1);
    put(&d, 2, 20.1, 1, 1);
    put(&d, 3, 29.9, 1, 1);
    assert_refused(&d, 2, ERR_NO_ANSWER, "weigh more loads");
    made_up(&d);
    r = readings_of(&d);
    cr_assert_eq(calibration_fit(&r, 3, &f, NULL), ERR_CALLER);
    for (size_t i = 0; i < d.n; i++)
        d.reading[i] = 8192 + 3 * sin(12.9 * (double)(i * i));
    assert_refused(&d, CALIBRATION_FIT_DEGREE_AUTO, ERR_NO_ANSWER, "do not follow the load");
    for (size_t i = 0; i < d.n; i++)
        d.reading[i] = 8192 + d.load[i] * (90 - d.load[i]) + sin(12.9 * (double)(i * i));
    assert_refused(&d, 2, ERR_NO_ANSWER, "turns round");
}
