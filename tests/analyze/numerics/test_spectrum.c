/* Sources: powers of the irregular series recomputed with astropy's LombScargle (standard normalisation,
 * floating mean); Zechmeister and Kuerster, Astron. Astrophys. 496 (2009) 577; Baluev, Mon. Not. R. Astron.
 * Soc. 385 (2008) 1279. */
#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/spectrum.h"

#include <criterion/criterion.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <string.h>

enum { POINTS = 40 };

static void assert_near(double value, double expected, double tolerance)
{
    cr_assert(fabs(value - expected) <= tolerance, "%.15g, expected %.15g", value, expected);
}

static void irregular(double *t, double *y)
{
    for (int k = 0; k < POINTS; k++) {
        t[k] = k + 0.3 * sin(1.7 * k * k);
        y[k] = 1 + 2 * cos(2 * M_PI * 0.11 * t[k] + 0.4) + 0.5 * sin(2 * M_PI * 0.27 * t[k]);
    }
}

Test(spectrum, power_of_the_irregular_series)
{
    static const double FREQUENCY[4] = {0.05, 0.11, 0.27, 0.40};
    static const double EXPECTED[4] = {0.009654359682, 0.941593355325, 0.033840938945, 0.045344386099};
    double t[POINTS], y[POINTS], power[4];
    irregular(t, y);
    cr_assert_eq(spectrum_power(t, y, POINTS, FREQUENCY, 4, power, NULL), ERR_OK);
    for (int i = 0; i < 4; i++)
        assert_near(power[i], EXPECTED[i], 6e-13);
}

/* The definition itself: share of the sum of squares about the mean that cosine, sine and constant take away.
 */
Test(spectrum, power_is_what_a_least_squares_fit_takes_away)
{
    double t[POINTS], y[POINTS], columns[3 * POINTS], f = 0.3173, power;
    struct linear_fit mean, wave;
    irregular(t, y);
    for (int i = 0; i < POINTS; i++) {
        columns[3 * i] = 1;
        columns[3 * i + 1] = cos(2 * M_PI * f * t[i]);
        columns[3 * i + 2] = sin(2 * M_PI * f * t[i]);
    }
    cr_assert_eq(linear_fit_polynomial(t, y, NULL, POINTS, 0, true, false, &mean, NULL), ERR_OK);
    cr_assert_eq(linear_fit(columns, y, NULL, POINTS, 3, false, &wave, NULL), ERR_OK);
    cr_assert_eq(spectrum_power(t, y, POINTS, &f, 1, &power, NULL), ERR_OK);
    assert_near(power, 1 - wave.residual_sum / mean.residual_sum, 1e-13);
}

Test(spectrum, a_shift_in_time_or_value_changes_nothing)
{
    double t[POINTS], y[POINTS], f = 0.11, power, shifted;
    irregular(t, y);
    cr_assert_eq(spectrum_power(t, y, POINTS, &f, 1, &power, NULL), ERR_OK);
    for (int i = 0; i < POINTS; i++) {
        t[i] += 8192;
        y[i] += 1024;
    }
    cr_assert_eq(spectrum_power(t, y, POINTS, &f, 1, &shifted, NULL), ERR_OK);
    assert_near(shifted, power, 1e-10);
}

/* At frequency 0 there is only a constant, at half the rate of even samples only a cosine: the power stays
 * finite and within 0 to 1. */
Test(spectrum, frequencies_that_the_times_cannot_tell_give_no_nonsense)
{
    double t[POINTS], y[POINTS], f[3] = {0, 0.5, 1}, power[3], even = 0, square = 0, mean = 0;
    irregular(t, y);
    for (int i = 0; i < POINTS; i++)
        t[i] = i;
    for (int i = 0; i < POINTS; i++)
        mean += y[i] / POINTS;
    for (int i = 0; i < POINTS; i++) {
        even += (y[i] - mean) * (i % 2 == 0 ? 1 : -1);
        square += (y[i] - mean) * (y[i] - mean);
    }
    cr_assert_eq(spectrum_power(t, y, POINTS, f, 3, power, NULL), ERR_OK);
    cr_assert_eq(power[0], 0);
    assert_near(power[1], even * even / POINTS / square, 1e-12);
    cr_assert_eq(power[2], 0);
}

/* Even times with one missing: at half the rate cosine and sine are both there, and are the same column. */
Test(spectrum, two_columns_that_are_one_count_once)
{
    double t[POINTS], y[POINTS], columns[2 * POINTS], f = 0.5, power;
    struct linear_fit mean, wave;
    irregular(t, y);
    for (int i = 0; i < POINTS; i++) {
        t[i] = i < 7 ? i : i + 1;
        columns[2 * i] = 1;
        columns[2 * i + 1] = fmod(t[i], 2) > 0 ? 1 : -1;
    }
    cr_assert_eq(linear_fit_polynomial(t, y, NULL, POINTS, 0, true, false, &mean, NULL), ERR_OK);
    cr_assert_eq(linear_fit(columns, y, NULL, POINTS, 2, false, &wave, NULL), ERR_OK);
    cr_assert_eq(spectrum_power(t, y, POINTS, &f, 1, &power, NULL), ERR_OK);
    assert_near(power, 1 - wave.residual_sum / mean.residual_sum, 1e-10);
}

/* One frequency alone: F(2, n - 3) gives (1 - power)^((n - 3) / 2); a vanishing range of frequencies must
 * come to that. */
Test(spectrum, false_alarm_of_a_single_frequency_is_that_of_the_f_test)
{
    double t[POINTS], y[POINTS];
    irregular(t, y);
    assert_near(spectrum_false_alarm(0.3, t, POINTS, 1e-12), pow(0.7, 37.0 / 2), 1e-9);
    cr_assert_eq(spectrum_false_alarm(0, t, POINTS, 0.5), 1);
    cr_assert_eq(spectrum_false_alarm(1, t, POINTS, 0.5), 0);
    cr_assert(isnan(spectrum_false_alarm(0.3, t, 3, 0.5)));
}

Test(spectrum, level_and_probability_undo_each_other)
{
    static const double PROBABILITY[] = {0.2, 0.01, 1e-6};
    double t[POINTS], y[POINTS];
    irregular(t, y);
    for (int i = 0; i < 3; i++) {
        double level = spectrum_false_alarm_level(PROBABILITY[i], t, POINTS, 0.5);
        assert_near(spectrum_false_alarm(level, t, POINTS, 0.5) / PROBABILITY[i], 1, 1e-9);
    }
    cr_assert(isnan(spectrum_false_alarm_level(0, t, POINTS, 0.5)));
}

/* Noise alone: 1500 series; the bound must not be passed more often than it says, beyond chance (3 standard
 * errors), and is said to be close: at least half as often. */
Test(spectrum, noise_passes_the_level_about_as_often_as_it_says)
{
    enum { SERIES = 1500, FREQUENCIES = 200 };
    double t[POINTS], y[POINTS], f[FREQUENCIES], power[FREQUENCIES], level, passed = 0;
    const double probability = 0.05;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 1905);
    irregular(t, y);
    for (int k = 0; k < FREQUENCIES; k++)
        f[k] = 0.5 * (k + 1) / FREQUENCIES;
    level = spectrum_false_alarm_level(probability, t, POINTS, 0.5);
    for (int s = 0; s < SERIES; s++) {
        double greatest = 0;
        for (int i = 0; i < POINTS; i++)
            y[i] = gsl_ran_gaussian(rng, 1);
        cr_assert_eq(spectrum_power(t, y, POINTS, f, FREQUENCIES, power, NULL), ERR_OK);
        for (int k = 0; k < FREQUENCIES; k++)
            greatest = fmax(greatest, power[k]);
        passed += greatest > level;
    }
    gsl_rng_free(rng);
    passed /= SERIES;
    cr_assert(passed < probability + 3 * sqrt(probability / SERIES) && passed > probability / 2, "%g",
              passed);
}

/* An unloaded stretch at 1 kHz with drift, 50 Hz pick-up of 0.37 N and another line at 60 Hz that is not
 * asked for. */
Test(spectrum, mains_pick_up_has_its_amplitude_and_phase)
{
    enum { N = 1000 };
    double t[N], y[N];
    struct spectrum_line line;
    for (int i = 0; i < N; i++) {
        t[i] = 12.345 + i / 1000.0;
        y[i] = 2.3 + 0.11 * t[i] + 0.37 * cos(2 * M_PI * 50 * t[i] + 0.8) + 0.05 * cos(2 * M_PI * 60 * t[i]);
    }
    cr_assert_eq(spectrum_line_fit(t, y, N, 50, &line, NULL), ERR_OK);
    assert_near(line.amplitude, 0.37, 1e-4);
    assert_near(line.phase_rad, 0.8, 1e-3);
    cr_assert_not(line.folded);
    cr_assert(line.p_value < 1e-100);
    assert_near(line.residual_sd, 0.05 / sqrt(2), 1e-4);
    assert_near(line.standard_uncertainty, 0.05 / sqrt(2) * sqrt(2.0 / N), 1e-5);
    cr_assert_eq(spectrum_line_fit(t, y, N, 55, &line, NULL), ERR_OK);
    cr_assert(line.amplitude < 0.01 && line.p_value > 0.01, "%g %g", line.amplitude, line.p_value);
}

/* 80 samples a second see 50 Hz at 30 Hz, and 25 a second cannot see it at all. */
Test(spectrum, a_line_above_half_the_rate_is_called_folded)
{
    double t[80], y[80];
    struct spectrum_line line;
    struct err e;
    for (int i = 0; i < 80; i++) {
        t[i] = i / 80.0;
        y[i] = 0.25 * cos(2 * M_PI * 50 * t[i] + 0.8) + 1e-3 * sin(1.9 * i * i);
    }
    cr_assert_eq(spectrum_line_fit(t, y, 80, 50, &line, NULL), ERR_OK);
    cr_assert(line.folded);
    assert_near(line.apparent_frequency_hz, 30, 1e-9);
    assert_near(line.amplitude, 0.25, 5e-4);
    for (int i = 0; i < 80; i++)
        t[i] = i / 25.0;
    cr_assert_eq(spectrum_line_fit(t, y, 80, 50, &line, &e), ERR_NO_ANSWER);
    cr_assert(strstr(e.text, "cannot show a line at 50 Hz") != NULL, "%s", e.text);
    /* At 100 a second its sine is nothing but rounding. */
    for (int i = 0; i < 80; i++)
        t[i] = 0.37 + i / 100.0;
    cr_assert_eq(spectrum_line_fit(t, y, 80, 50, &line, &e), ERR_NO_ANSWER);
}

Test(spectrum, refuses_what_has_no_spectrum)
{
    double t[6] = {1, 2, 3, 4, 5, 6}, y[6] = {1, 2, 1, 2, 2, 1}, flat[6] = {7, 7, 7, 7, 7, 7}, f = 0.2, power;
    struct spectrum_line line;
    cr_assert_eq(spectrum_power(t, flat, 6, &f, 1, &power, NULL), ERR_NO_ANSWER);
    cr_assert_eq(spectrum_power(t, y, 3, &f, 1, &power, NULL), ERR_NO_ANSWER);
    cr_assert_eq(spectrum_line_fit(t, y, 5, 0.2, &line, NULL), ERR_NO_ANSWER);
    cr_assert_eq(spectrum_line_fit(flat, y, 6, 0.2, &line, NULL), ERR_NO_ANSWER);
    cr_assert_eq(spectrum_line_fit(t, y, 6, -0.2, &line, NULL), ERR_CALLER);
    f = NAN;
    cr_assert_eq(spectrum_power(t, y, 6, &f, 1, &power, NULL), ERR_NO_ANSWER);
    y[3] = NAN;
    cr_assert_eq(spectrum_line_fit(t, y, 6, 0.2, &line, NULL), ERR_NO_ANSWER);
}
