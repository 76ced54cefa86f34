#include "datasets/format/calibration.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(calibration, .init = scratch_begin, .fini = scratch_end);

Test(calibration, a_file_comes_back_as_it_was)
{
    struct calibration c = scratch_calibration();
    struct calibration back;
    struct err e;
    char *first;
    char *second;
    cr_assert_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(calibration_read(scratch_path("c.json"), &back, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(back.date, c.date);
    cr_expect_str_eq(back.origin, c.origin);
    cr_expect_str_eq(back.rig_serial, c.rig_serial);
    cr_expect_eq(back.degree, 2);
    cr_expect_eq(memcmp(back.coefficients, c.coefficients, sizeof c.coefficients), 0);
    cr_expect_eq(memcmp(back.covariance, c.covariance, sizeof c.covariance), 0);
    cr_expect(back.residual_sd_counts == c.residual_sd_counts && back.degrees_of_freedom == 17);
    cr_expect(back.load_low_n == c.load_low_n && back.load_high_n == c.load_high_n);
    cr_expect(back.encoder_mm_per_count == c.encoder_mm_per_count &&
              back.encoder_standard_uncertainty_mm_per_count == c.encoder_standard_uncertainty_mm_per_count);
    cr_assert_eq(back.feed_count, 2);
    cr_expect_str_eq(back.feeds[1].feeder, "gear-12");
    cr_expect(back.feeds[1].mm_per_microstep == 0.000831 && back.feeds[1].degrees_of_freedom == 6);
    cr_expect(isinf(back.feeds[0].degrees_of_freedom), "null stands for infinitely many");
    first = scratch_read("c.json");
    cr_assert_eq(calibration_write(scratch_path("d.json"), &back, &e), ERR_OK);
    second = scratch_read("d.json");
    cr_expect_str_eq(first, second);
    free(first);
    free(second);
}

/* As scratch_calibration, with what its covariance does not tell apart. */
static struct calibration with_parts(void)
{
    struct calibration c = scratch_calibration();
    c.weights_relative = 0.00087;
    c.gravity_relative = 0.00052;
    c.reversibility_n = 0.0731;
    snprintf(c.estimates[0], sizeof c.estimates[0], "gravity: 9.8085 m/s2 (\"latitude\")");
    memset(c.estimates[1], 'w', sizeof c.estimates[1] - 1);
    c.estimate_count = 2;
    return c;
}

Test(calibration, parts_come_back_and_change_no_uncertainty)
{
    struct calibration c = with_parts(), back, plain = scratch_calibration();
    struct err e;
    cr_assert_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(calibration_read(scratch_path("c.json"), &back, &e), ERR_OK, "%s", e.text);
    cr_expect(back.weights_relative == 0.00087 && back.gravity_relative == 0.00052 &&
              back.reversibility_n == 0.0731);
    cr_assert_eq(back.estimate_count, 2);
    cr_expect_str_eq(back.estimates[0], "gravity: 9.8085 m/s2 (\"latitude\")");
    cr_expect_eq(strlen(back.estimates[1]), 160);
    cr_expect_eq(calibration_uncertainty_n(&back, 83.7), calibration_uncertainty_n(&plain, 83.7));
}

Test(calibration, a_file_of_before_has_no_parts)
{
    struct calibration c = with_parts(), back;
    struct err e;
    char *text, *old;
    cr_assert_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_OK, "%s", e.text);
    text = scratch_read("c.json");
    old = scratch_replace(text, "\"parts\"", "\"x_parts\"");
    cr_assert_eq(calibration_read(scratch_write("c.json", old), &back, &e), ERR_OK, "%s", e.text);
    cr_expect(back.weights_relative == 0 && back.gravity_relative == 0 && back.reversibility_n == 0 &&
              back.estimate_count == 0);
    free(text);
    free(old);
}

Test(calibration, parts_that_cannot_be_are_refused)
{
    static const struct {
        const char *legend, *from, *to, *message;
    } rows[] = {
        {"parts that are a number", "\"parts\": {", "\"parts\": 3, \"x_p\": {", "parts: must be an object"},
        {"negative weights", "0.00087", "-0.00087", "parts.weights_relative"},
        {"weights of a half", "0.00087", "0.5", "weights_relative and gravity_relative must be below 0.5"},
        {"gravity past a half", "0.00052", "0.51", "parts.gravity_relative"},
        {"gravity left out", "\"gravity_relative\"", "\"x_g\"", "parts.gravity_relative: is missing"},
        {"a negative loop", "0.0731", "-0.0731", "parts.reversibility_n"},
        {"a loop in words", "0.0731", "\"wide\"", "parts.reversibility_n"},
        {"a loop without end", "0.0731", "1e999", "1e999"},
        {"a key too many", "\"gravity_relative\"", "\"colour\": 1, \"gravity_relative\"", "parts.colour"},
        {"estimates that are no list", "\"estimates\": [", "\"estimates\": 7, \"x_e\": [",
         "parts.estimates: must be an array"},
        {"an estimate that is a number", "\"estimates\": [", "\"estimates\": [4, ",
         "parts.estimates.sentence"},
        {"a control character", "gravity: 9", "gravity:\\u001b9", "parts.estimates.sentence"},
        {"an estimate too long", "www", "wwww", "parts.estimates.sentence"},
        {"nine estimates", "\"estimates\": [", "\"estimates\": [\"\",\"\",\"\",\"\",\"\",\"\",\"\",",
         "parts.estimates: 9 are too many; at most 8"},
    };
    struct calibration c = with_parts(), back;
    struct err e;
    char *text;
    cr_assert_eq(calibration_write(scratch_path("good.json"), &c, &e), ERR_OK, "%s", e.text);
    text = scratch_read("good.json");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *bad = scratch_replace(text, rows[i].from, rows[i].to);
        memset(&e, 0, sizeof e);
        cr_expect_eq(calibration_read(scratch_write("c.json", bad), &back, &e), ERR_FILE, "%s",
                     rows[i].legend);
        cr_expect_not_null(strstr(e.text, rows[i].message), "%s: %s", rows[i].legend, e.text);
        free(bad);
    }
    free(text);
    c.estimate_count = CALIBRATION_ESTIMATES_MAX + 1;
    cr_expect_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_CALLER);
    c = with_parts();
    c.weights_relative = NAN;
    cr_expect_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_CALLER);
}

Test(calibration, a_stated_straight_line_without_encoder_comes_back)
{
    struct calibration c = {.date = "2031-04-05",
                            .origin = "stated",
                            .degree = 1,
                            .coefficients = {0, -977.3},
                            .covariance = {{0, 0}, {0, 23.88}},
                            .degrees_of_freedom = INFINITY,
                            .load_high_n = 150};
    struct calibration back;
    struct err e;
    cr_assert_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(calibration_read(scratch_path("c.json"), &back, &e), ERR_OK, "%s", e.text);
    cr_expect(isinf(back.degrees_of_freedom) && back.encoder_mm_per_count == 0 && back.feed_count == 0);
    cr_expect(back.degree == 1 && back.coefficients[1] == -977.3 && back.covariance[1][1] == 23.88);
}

Test(calibration, what_cannot_be_is_refused)
{
    static const struct {
        const char *legend, *from, *to, *message;
    } rows[] = {
        {"another schema", "calibration-1", "calibration-2", "'nipbench-calibration-2' is not known"},
        {"no date", "\"2031-04-05T16:07:08+02:00\"", "\"today\"", "date: 'today'"},
        {"another origin", "\"fitted\"", "\"guessed\"", "origin: 'guessed' is neither stated nor fitted"},
        {"degree 3", "\"degree\": 2", "\"degree\": 3", "force.degree: 3 is outside 1 to 2"},
        {"degree 0", "\"degree\": 2", "\"degree\": 0", "force.degree"},
        {"a coefficient too few", "\"degree\": 2", "\"degree\": 1",
         "coefficients: must hold 2 numbers, not 3"},
        {"a slope of zero", "1042.7", "0.0", "slope must not be zero"},
        {"a slope that turns within the range", "-0.0137", "-2.6", "change its sign"},
        {"a huge coefficient", "1042.7", "1e200", "is outside"},
        {"a covariance that is not symmetric", "-2.17", "-2.16", "not symmetric"},
        {"a negative variance", "151.3", "-151.3", "negative variance"},
        {"a covariance beside a zero variance", "151.3", "0.0", "beside a zero variance"},
        {"a correlation past one", "0.0673", "0.0273", "positive semidefinite"},
        {"a row of the covariance too short", "-2.17,\n        0.0081\n      ],\n      [\n        -2.17",
         "0.0081\n      ],\n      [\n        -2.17", "covariance.row: must hold 3 numbers, not 2"},
        {"a covariance of words", "151.3", "\"x\"", "must be a number"},
        {"a negative scatter", "23.9", "-23.9", "residual_sd_counts"},
        {"no degrees of freedom", "\"degrees_of_freedom\": 17.0", "\"degrees_of_freedom\": 0", "outside"},
        {"a range upside down", "\"load_low_n\": 0.0", "\"load_low_n\": 210.5", "load_low_n must be below"},
        {"an encoder of zero", "\"mm_per_count\": 0.00614", "\"mm_per_count\": 0",
         "encoder.mm_per_count: must not be 0"},
        {"a negative encoder uncertainty", "2.13e-5", "-2.13e-5", "encoder.standard_uncertainty"},
        {"a feed of zero", "0.007711", "0", "feeds[].mm_per_microstep"},
        {"a feeder twice", "\"gear-12\"", "\"gear-8\"", "'gear-8' occurs twice"},
        {"an unknown key", "\"origin\"", "\"orgin\"", "origin: is missing"},
        {"a key too many", "\"date\"", "\"colour\": 1, \"date\"", "colour: is no known key"},
        {"a key too many in force", "\"degree\"", "\"colour\": 1, \"degree\"", "force.colour"},
        {"a key too many in a feed", "\"feeder\"", "\"colour\": 1, \"feeder\"", "feeds[].colour"},
        {"a key too many in encoder", "\"mm_per_count\"", "\"colour\": 1, \"mm_per_count\"",
         "encoder.colour"},
        {"feeds that are no list", "\"rig_serial\"", "\"feeds\": {}, \"rig_serial\"", "duplicate"},
        {"force that is a number", "\"force\": {", "\"x_\": {}, \"force\": 3, \"x_f\": {",
         "force: must be an object"},
        {"an encoder that is a number", "\"encoder\": {", "\"encoder\": 3, \"x_e\": {",
         "encoder: must be an object"},
        {"an encoder left out", "\"encoder\": {", "\"x_e\": {", "encoder: is missing"},
    };
    struct calibration c = scratch_calibration();
    struct calibration back;
    struct err e;
    char *text;
    cr_assert_eq(calibration_write(scratch_path("good.json"), &c, &e), ERR_OK);
    text = scratch_read("good.json");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *bad = scratch_replace(text, rows[i].from, rows[i].to);
        memset(&e, 0, sizeof e);
        cr_expect_eq(calibration_read(scratch_write("c.json", bad), &back, &e), ERR_FILE, "%s",
                     rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && strstr(e.file, "c.json") != NULL, "%s: %s",
                  rows[i].legend, e.text);
        free(bad);
    }
    free(text);
    cr_expect_eq(calibration_read(scratch_path("none.json"), &back, &e), ERR_FILE);
}

Test(calibration, a_determinant_below_zero_is_refused_where_each_pair_is_fine)
{
    /* Correlations 0.9, 0.9 and -0.9: each possible, together not. */
    struct calibration c = scratch_calibration();
    struct err e;
    const double r[3][3] = {{1, 0.9, 0.9}, {0.9, 1, -0.9}, {0.9, -0.9, 1}};
    memcpy(c.covariance, r, sizeof r);
    cr_expect_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "positive semidefinite"));
    c.covariance[1][2] = c.covariance[2][1] = 0.9;
    cr_expect_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_OK, "%s", e.text);
}

Test(calibration, what_cannot_be_is_not_written)
{
    struct calibration c = scratch_calibration();
    struct err e;
    c.degree = 3;
    cr_expect_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_CALLER);
    c = scratch_calibration();
    c.feed_count = CALIBRATION_FEEDS_MAX + 1;
    cr_expect_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_CALLER);
    c = scratch_calibration();
    c.residual_sd_counts = NAN;
    cr_expect_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_CALLER);
    c = scratch_calibration();
    c.date[0] = 0;
    cr_expect_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_FILE);
    cr_expect_null(scratch_read("c.json"));
    c = scratch_calibration();
    cr_expect_eq(calibration_write(scratch_path("none/c.json"), &c, &e), ERR_SYSTEM);
}

Test(calibration, force_is_the_inverse_of_counts)
{
    static const struct {
        const char *legend;
        double b, a;
    } rows[] = {{"straight", 1042.7, 0},
                {"straight, wired the other way round", -1042.7, 0},
                {"bending up", 1042.7, 0.0931},
                {"bending down", 1042.7, -0.0137},
                {"negative and bending down", -1042.7, -0.0931},
                {"negative and bending up", -1042.7, 0.0137},
                {"bent by almost nothing", 1042.7, 1e-13}};
    static const double loads_n[] = {-3.41, 0, 0.0027, 17.93, 96.4, 210.4};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct calibration c = scratch_calibration();
        c.coefficients[1] = rows[i].b;
        c.coefficients[2] = rows[i].a;
        for (size_t j = 0; j < sizeof loads_n / sizeof loads_n[0]; j++) {
            double counts = calibration_counts(&c, loads_n[j], 8199.375);
            cr_expect_float_eq(calibration_force_n(&c, counts, 8199.375), loads_n[j], 1e-10,
                               "%s at %g N: %.17g", rows[i].legend, loads_n[j],
                               calibration_force_n(&c, counts, 8199.375));
        }
    }
}

Test(calibration, counts_follow_the_polynomial_of_the_degree)
{
    struct calibration c = scratch_calibration();
    cr_expect_float_eq(calibration_counts(&c, 100, 8131.25), 8131.25 + 104270 - 137, 1e-9);
    c.degree = 1; /* the third coefficient is then not there */
    cr_expect_float_eq(calibration_counts(&c, 100, 50), 50 + 104270, 1e-9);
    cr_expect_float_eq(calibration_force_n(&c, 50 + 104270, 50), 100, 1e-12);
}

Test(calibration, past_the_turning_point_stands_its_load)
{
    struct calibration c = scratch_calibration();
    double turning_n = 1042.7 / (2 * 0.0137);
    cr_expect_float_eq(calibration_force_n(&c, 1e12, 0), turning_n, 1e-6);
    cr_expect_float_eq(calibration_force_n(&c, calibration_counts(&c, turning_n - 0.5, 0), 0),
                       turning_n - 0.5, 1e-5);
}

Test(calibration, uncertainty_is_as_worked_by_hand)
{
    /* At L = 100: slope 1042.7 - 2 * 0.0137 * 100 = 1039.96; dL/db = -100/1039.96 = -0.09615755,
     * dL/da = -10000/1039.96 = -9.615755. u^2 = 0.009246275 * 0.0673 + 92.46275 * 1.43e-6
     * + 2 * 0.9246275 * (-0.000281) = 6.222743e-4 + 1.322217e-4 - 5.196406e-4 = 2.348554e-4; u = 0.01532499.
     */
    struct calibration c = scratch_calibration();
    cr_expect_float_eq(calibration_uncertainty_n(&c, 100), 0.01532499, 1e-8);
    cr_expect_eq(calibration_uncertainty_n(&c, 0), 0, "the zero cancels");
    /* A straight line: u = L u(b) / |b| = 80 * sqrt(23.88) / 977.3 = 80 * 4.886717 / 977.3 = 0.4000178. */
    c.degree = 1;
    c.coefficients[1] = -977.3;
    c.covariance[1][1] = 23.88;
    cr_expect_float_eq(calibration_uncertainty_n(&c, 80), 0.4000178, 1e-6);
}
