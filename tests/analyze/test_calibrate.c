#include "analyze/calibrate.h"

#include "tests/analyze/calibrate_said.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

TestSuite(calibrate, .init = quantity_init_numerics);

/* Too large for a stack that is watched. */
static struct readings r;
static struct readings_note note;
static struct calibrate_force force;
static struct err e;

static void clear(bool present)
{
    memset(&r, 0, sizeof r);
    bare_note(&note, READINGS_FORCE, present);
}

static void weigh(double load_n, double counts, int direction, int cycle)
{
    r.load_n[r.n] = load_n;
    r.reading_counts[r.n] = counts;
    r.direction[r.n] = direction;
    r.cycle[r.n++] = cycle;
}

static void calibrate(int degree)
{
    cr_assert_eq(calibrate_force(&r, &note, degree, "2031-07-08", &force, &e), ERR_OK, "%s", e.text);
}

/* Three cycles up and down, scattered by a fixed list; curve: counts per N^2. */
static void weigh_three_cycles(double curve)
{
    static const double LOADS[] = {0, 9.81, 19.57, 39.33, 58.71, 78.46};
    static const double SCATTER[] = {2.3, -1.1, 0.4, -3.7, 1.9, 0.8, -0.6, 3.1, -2.2, 0.3, 1.4};
    size_t k = 0;
    for (int cycle = 1; cycle <= 3; cycle++) {
        for (int i = 0; i < 11; i++) {
            double load_n = LOADS[i < 6 ? i : 10 - i];
            weigh(load_n,
                  8123.5 + 3987.25 * load_n + curve * load_n * load_n + SCATTER[(k * 7 + k / 11) % 11],
                  i < 6 ? 1 : -1, cycle);
            k++;
        }
    }
}

/* JCGM 100:2008, H.3: thermometer calibration. Digits beyond the published ones recomputed from the data. */
Test(calibrate, the_calibration_line_of_the_gum_comes_out)
{
    static const double T[] = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                               24.513, 25.002, 25.503, 26.010, 26.511};
    static const double B[] = {-0.171, -0.169, -0.166, -0.159, -0.164, -0.165,
                               -0.156, -0.157, -0.159, -0.161, -0.160};
    double u, correlation;
    clear(false);
    for (size_t i = 0; i < 11; i++)
        weigh(T[i] - 20, B[i], 1, 1);
    calibrate(1);
    correlation = force.covariance[0][1] / force.standard_errors[0] / force.standard_errors[1];
    cr_expect_float_eq(force.fit.coefficients[0], -0.17120379013135, 1e-13);
    cr_expect_float_eq(force.fit.coefficients[1], 0.00218269773989, 1e-14);
    cr_expect_float_eq(force.standard_errors[0], 0.002877597835160, 1e-14);
    cr_expect_float_eq(force.standard_errors[1], 0.000667938773228, 1e-14);
    cr_expect_float_eq(correlation, -0.930429603093, 1e-11);
    cr_expect_float_eq(force.fit.residual_sd, 0.00349756396351, 1e-14);
    cr_expect_float_eq(calibration_fit_reading(&force.fit, 10, &u), -0.149376812732, 1e-12);
    cr_expect_float_eq(u, 0.00413859575285, 1e-13);
    cr_expect_eq(force.calibration.degrees_of_freedom, 9);
    cr_expect_str_eq(force.degree_why, "as asked for");
}

Test(calibrate, without_a_note_all_is_that_of_the_fit_and_it_says_what_it_does_not_know)
{
    clear(false);
    weigh_three_cycles(0);
    calibrate(CALIBRATION_FIT_DEGREE_AUTO);
    cr_expect_eq(memcmp(force.covariance, force.fit.covariance, sizeof force.covariance), 0);
    cr_expect_eq(memcmp(force.standard_errors, force.fit.standard_errors, sizeof force.standard_errors), 0);
    cr_expect(!force.weights.known && !force.gravity.known && force.estimates.count == 0);
    cr_expect(says(&force.unknown, "no note beside") && says(&force.unknown, "tolerance of the weights") &&
              says(&force.unknown, "converter's range") && says(&force.unknown, "dated 2031-07-08") &&
              says(&force.unknown, "on which rig"));
    cr_expect_str_eq(force.calibration.date, "2031-07-08");
    cr_expect_str_eq(force.calibration.rig_serial, "");
    cr_expect(force.fit.degree == 1 && strstr(force.degree_why, "is not called for: F(1, 30)") != NULL, "%s",
              force.degree_why);
}

Test(calibrate, a_bent_load_cell_gets_a_quadratic_and_a_straight_line_is_warned_of)
{
    clear(false);
    weigh_three_cycles(0.0517);
    calibrate(CALIBRATION_FIT_DEGREE_AUTO);
    cr_expect(force.fit.degree == 2 && strstr(force.degree_why, "is called for: F(1, 30)") != NULL, "%s",
              force.degree_why);
    cr_expect(!says(&force.warnings, "bend") && force.calibration.degree == 2);
    calibrate(1);
    cr_expect(says(&force.warnings, "--degree 2 would fit better") &&
              says(&force.warnings, "misses some loads"));
}

/* A gain that is off by u makes every force off by u, on a curve as on a line. */
Test(calibrate, tolerance_and_gravity_add_their_share_to_every_force)
{
    for (int degree = 1; degree <= 2; degree++) {
        struct calibration alone;
        clear(true);
        weigh_three_cycles(degree == 2 ? 0.517 : 0);
        calibrate(degree);
        alone = force.calibration;
        note.tolerance_relative = 0.0015;
        note.gravity_m_s2 = 9.80853;
        note.gravity_standard_uncertainty_m_s2 = 0.0049;
        calibrate(degree);
        cr_expect(force.weights.known && fabs(force.weights.relative - 0.0015 / sqrt(3)) < 1e-15);
        cr_expect(force.gravity.known && fabs(force.gravity.relative - 0.0049 / 9.80853) < 1e-15);
        for (double force_n = 3.7; force_n < 90; force_n += 11.3) {
            double shared_n = force_n * hypot(0.0015 / sqrt(3), 0.0049 / 9.80853);
            double expected_n = hypot(calibration_uncertainty_n(&alone, force_n), shared_n);
            cr_expect_float_eq(calibration_uncertainty_n(&force.calibration, force_n), expected_n,
                               1e-10 * expected_n, "degree %d, %g N", degree, force_n);
        }
        cr_expect_eq(memcmp(force.fit.covariance, alone.covariance, sizeof alone.covariance), 0,
                     "the fit's own stays what it was");
        cr_expect_float_eq(force.standard_errors[1], sqrt(force.covariance[1][1]), 1e-12);
        cr_expect(alone.weights_relative == 0 && alone.gravity_relative == 0, "nobody stated them");
        cr_expect_float_eq(force.calibration.weights_relative, 0.0015 / sqrt(3), 1e-12);
        cr_expect_float_eq(force.calibration.gravity_relative, 0.0049 / 9.80853, 1e-12);
    }
}

/* Held against what it stands for: the loads moved by what the weights may be off by, and fitted anew. */
Test(calibrate, a_tolerance_in_milligrams_is_what_a_second_fit_says)
{
    double first[2], alone[2][2], parts;
    const double share = 1e-4; /* of the tolerance: small, so that the change is linear */
    clear(true);
    note.gravity_m_s2 = 9.80853;
    weigh_three_cycles(0);
    calibrate(1);
    for (int i = 0; i < 2; i++) {
        first[i] = force.fit.coefficients[i];
        for (int j = 0; j < 2; j++)
            alone[i][j] = force.covariance[i][j];
    }
    note.tolerance_mg = 2500;
    calibrate(1);
    parts = force.calibration.weights_relative;
    cr_expect(force.weights.known && !force.gravity.known && says(&force.unknown, "uncertainty of gravity"));
    for (size_t i = 0; i < r.n; i++)
        r.load_n[i] += r.load_n[i] > 0 ? share * 2500e-6 * 9.80853 / sqrt(3) : 0;
    {
        double added[2][2], change[2];
        for (int i = 0; i < 2; i++) {
            for (int j = 0; j < 2; j++)
                added[i][j] = force.covariance[i][j] - alone[i][j];
        }
        note.tolerance_mg = NAN;
        calibrate(1);
        for (int i = 0; i < 2; i++)
            change[i] = (force.fit.coefficients[i] - first[i]) / share;
        for (int i = 0; i < 2; i++) {
            for (int j = 0; j < 2; j++)
                cr_expect_float_eq(added[i][j], change[i] * change[j], 1e-3 * fabs(change[i] * change[j]),
                                   "%d %d: %g %g", i, j, added[i][j], change[i] * change[j]);
        }
        cr_expect_float_eq(parts, fabs(change[1] / first[1]), 1e-3 * parts, "what the covariance has of it");
    }
}

Test(calibrate, what_the_note_says_goes_into_calibration_and_lists)
{
    struct calibration back;
    clear(true);
    weigh_three_cycles(0);
    strcpy(note.date, "2031-04-05T16:07:08Z");
    strcpy(note.rig_serial, "R-17");
    strcpy(note.gravity_origin, "latitude and height");
    note.interrupted = true;
    note.gravity_m_s2 = 9.80853;
    note.density_kg_m3 = 7850;
    note.tolerance_relative = 0.0015;
    note.counts_min = -8388608;
    note.counts_max = 8388607;
    strcpy(note.estimates[0], "gravity");
    strcpy(note.estimates[1], "tolerance_relative");
    strcpy(note.estimates[2], "the hook's mass");
    note.estimate_count = 3;
    calibrate(1);
    cr_expect_str_eq(force.calibration.date, "2031-04-05T16:07:08Z");
    cr_expect_str_eq(force.calibration.rig_serial, "R-17");
    cr_expect_str_eq(force.calibration.origin, "fitted");
    cr_expect(force.estimates.count == 3 &&
              says(&force.estimates, "gravity: 9.80853 m/s2 (latitude and height)") &&
              says(&force.estimates, "0.15 %") && says(&force.estimates, "the hook's mass"));
    cr_expect(!says(&force.estimates, "density"), "it is not among the estimates");
    cr_expect(force.unknown.count == 1 && says(&force.unknown, "uncertainty of gravity"));
    cr_expect(says(&force.warnings, "broken off"));
    scratch_begin();
    cr_assert_eq(calibration_write(scratch_path("c.json"), &force.calibration, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(calibration_read(scratch_path("c.json"), &back, &e), ERR_OK, "%s", e.text);
    scratch_end();
    cr_expect(back.load_high_n == 78.46 && back.degrees_of_freedom == 31 &&
              back.covariance[1][1] == force.covariance[1][1] &&
              back.residual_sd_counts == force.fit.residual_sd);
    cr_assert_eq(back.estimate_count, 3);
    for (size_t i = 0; i < 3; i++)
        cr_expect_str_eq(back.estimates[i], force.estimates.text[i]);
}

Test(calibrate, two_weights_hung_in_each_others_place_are_refused_even_among_few)
{
    clear(false);
    weigh(0, 8123, 1, 1);
    weigh(9.8, 26030, 1, 1);
    weigh(19.6, 17090, 1, 1);
    weigh(39.2, 43950, 1, 1);
    weigh(50, 53950, 1, 1);
    cr_expect_eq(calibrate_force(&r, &note, 0, "2031-07-08", &force, &e), ERR_FILE);
    cr_expect(strstr(e.text, "readings 2 and 3: from 9.8 to 19.6 N") != NULL &&
                  strstr(e.text, "exchanged?") != NULL,
              "%s", e.text);
}

/* A loop that opens by 0.49 % of full scale: many cycles make the fit's own uncertainty small, but not the
 * error of a force that rises. */
Test(calibrate, hysteresis_that_the_uncertainty_does_not_cover_is_named_with_its_size)
{
    static const double LOADS[] = {0, 19.6, 39.2, 58.8, 78.4, 98};
    static const double SCATTER[] = {2.3, -1.1, 0.4, -3.7, 1.9, 0.8, -0.6, 3.1, -2.2, 0.3, 1.4};
    for (int loop = 0; loop < 2; loop++) {
        clear(true);
        for (int k = 0; k < 110; k++) {
            int i = k % 11;
            double load_n = LOADS[i < 6 ? i : 10 - i];
            double open_n = i < 6 ? 0 : loop * 0.02 * load_n * (1 - load_n / 98);
            weigh(load_n, 8123.5 + 3987.25 * (load_n + open_n) + SCATTER[(k * 7 + k / 11) % 11],
                  i < 6 ? 1 : -1, k / 11 + 1);
        }
        calibrate(0);
        cr_expect_eq(says(&force.warnings, "a rising force may be off by 0.2"), loop == 1);
        /* The loop is widest at 39.2 or 58.8 N: 0.02 * 39.2 * (1 - 0.4) = 0.4704 N, within the scatter. */
        cr_expect_float_eq(force.calibration.reversibility_n, loop * 0.2352, 0.001, "%g",
                           force.calibration.reversibility_n);
    }
}

Test(calibrate, readings_at_the_end_of_the_stated_range_are_refused)
{
    clear(true);
    weigh_three_cycles(0);
    note.counts_min = -500000;
    note.counts_max = r.reading_counts[16];
    cr_expect_eq(calibrate_force(&r, &note, 1, "2031-07-08", &force, &e), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "saturated"), "%s", e.text);
}
