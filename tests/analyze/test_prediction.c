/* Which motor file is whose, what is held against it, and what is refused, on a session made by hand. */
#include "analyze/motor_file.h"
#include "analyze/prediction.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI         3.14159265358979323846
#define FEEDERS    4
#define RUNS       4
#define MICROSTEPS 16

static const char MOTOR[] = "nipbench_motor: 1\n"
                            "name: a motor\n"
                            "full_steps_per_rev: 200\n"
                            "holding_torque_nm: 0.437\n"
                            "rated_current_a: 1.68\n"
                            "phase_resistance_ohm: 1.65\n"
                            "phase_inductance_h: 0.0032\n"
                            "set_current_a: 0.9\n"
                            "current_is: rms\n"
                            "supply_v: 23.7\n"
                            "efficiency: 0.91\n"
                            "end: true\n";

static struct session session;
static struct series series[2], *listed[2] = {&series[0], &series[1]};
static struct run_record records[RUNS];
static struct run_result runs[RUNS];
static struct feeder_result feeders[FEEDERS];
static struct session_options options;
static struct session_motor motors[3];
static struct err e;

static void add_run(size_t i, size_t feeder, size_t of, const char *name)
{
    records[i].full_steps_per_rev = 200;
    records[i].microsteps = MICROSTEPS;
    records[i].reduction = 3.3;
    records[i].drive_diameter_mm = 8.7;
    records[i].drive_diameter_standard_uncertainty_mm = 0.05;
    snprintf(records[i].feeder, sizeof records[i].feeder, "%s", name);
    runs[i].record = &records[i];
    runs[i].feeder = feeder;
    runs[i].series = of;
}

static struct speed_point *add_point(struct feeder_result *f, double speed_mm_s, double force_n,
                                     size_t by_motor, size_t by_grip)
{
    struct speed_point *p = &f->points[f->point_count++];
    p->speed_mm_s = speed_mm_s;
    p->stall_force_n = quantity_from(force_n, 0.4, 4, 5);
    p->limited_count[LIMITED_MOTOR] = by_motor;
    p->limited_count[LIMITED_GRIP] = by_grip;
    p->run_count = by_motor + by_grip;
    return p;
}

/* Feeders "small" and "large" in two series each; "large" of the second was never run. */
static void begin(void)
{
    static const char *const names[FEEDERS] = {"small (series 1)", "large (series 1)", "small (series 2)",
                                               "large (series 2)"};
    quantity_init_numerics();
    scratch_begin();
    for (size_t i = 0; i < FEEDERS; i++) {
        snprintf(feeders[i].name, sizeof feeders[i].name, "%s", names[i]);
        feeders[i].series = i / 2;
    }
    add_run(0, 0, 0, "small");
    add_run(1, 1, 0, "large");
    add_run(2, 2, 1, "small");
    series[0].folder = series[1].folder = (char *)"somewhere";
    session = (struct session){.series = listed,
                               .series_count = 2,
                               .runs = runs,
                               .run_count = 3,
                               .feeders = feeders,
                               .feeder_count = FEEDERS};
    options = (struct session_options){.motors = motors, .motor_count = 1};
    motors[0].file = "m.yaml";
    motors[0].text = MOTOR;
    for (size_t i = 1; i < 3; i++)
        motors[i] = motors[0];
    memset(&e, 0, sizeof e);
}

static void end(void)
{
    prediction_forget(&session);
    scratch_end();
}

TestSuite(prediction, .init = begin, .fini = end);

static void name_motor(size_t i, const char *feeder, const char *file)
{
    snprintf(motors[i].feeder, sizeof motors[i].feeder, "%s", feeder);
    motors[i].file = file;
}

static enum err_code all(void)
{
    enum err_code code = prediction_read_motors(&session, &options, &e);
    if (code == ERR_OK)
        code = prediction_check_motors(&session, &options, &e);
    return code == ERR_OK ? prediction_all(&session, &e) : code;
}

Test(prediction, nothing_is_predicted_without_a_motor)
{
    options.motor_count = 0;
    cr_assert_eq(all(), ERR_OK, "%s", e.text);
    cr_expect_eq(session.prediction_count, 0);
    cr_expect_eq(session.motor_count, 0);
}

Test(prediction, a_file_is_read_with_its_hash_and_its_name_without_the_folder)
{
    motors[0].file = scratch_write("of feeders.yaml", MOTOR);
    motors[0].text = NULL;
    cr_assert_eq(all(), ERR_OK, "%s", e.text);
    cr_expect_str_eq(session.motors[0].file, "of feeders.yaml");
    cr_expect_str_eq(session.motors[0].text, MOTOR);
    cr_expect_eq(session.motors[0].length, sizeof MOTOR - 1);
    /* sha256sum of the same bytes. */
    cr_expect_str_eq(session.motors[0].hash,
                     "sha256:a2caa2c6be5c97be8aa08afb4d5b689802811f3adba93ae7bbefba116f3515cf");
    cr_expect_float_eq(session.motors[0].motor.values[PREDICT_SUPPLY_V], 23.7, 1e-12);
}

Test(prediction, one_motor_is_of_every_feeder_that_was_run)
{
    cr_assert_eq(all(), ERR_OK, "%s", e.text);
    cr_assert_eq(session.prediction_count, 3, "the fourth was never run");
    for (size_t i = 0; i < 3; i++) {
        cr_expect_eq(session.predictions[i].feeder, i);
        cr_expect_str_eq(session.predictions[i].name, feeders[i].name);
        cr_expect_eq(session.predictions[i].measured_count, 0);
        cr_expect_eq(session.predictions[i].verdict.compared, 0);
    }
}

Test(prediction, the_motor_named_most_closely_is_taken)
{
    options.motor_count = 3;
    name_motor(0, "", "all.yaml");
    name_motor(1, "small", "small.yaml");
    name_motor(2, "small (series 2)", "small-2.yaml");
    cr_assert_eq(all(), ERR_OK, "%s", e.text);
    cr_assert_eq(session.prediction_count, 3);
    cr_expect_eq(session.predictions[0].motor, 1, "as the plan calls it");
    cr_expect_eq(session.predictions[1].motor, 0, "none of its own");
    cr_expect_eq(session.predictions[2].motor, 2, "as the session calls it");
}

Test(prediction, a_feeder_without_a_motor_is_left_out)
{
    name_motor(0, "large", "m.yaml");
    cr_assert_eq(all(), ERR_OK, "%s", e.text);
    cr_assert_eq(session.prediction_count, 1);
    cr_expect_eq(session.predictions[0].feeder, 1);
}

Test(prediction, motors_that_are_nobody_s_or_two_of_one_are_refused)
{
    static const struct {
        const char *first, *second, *says;
    } cases[] = {
        {"medium", NULL, "m.yaml is to be the motor of 'medium', but no feeder of that name was run"},
        {"large (series 2)", NULL, "no feeder of that name was run"},
        {"", "", "m.yaml and n.yaml are both to be the motor of every feeder"},
        {"small", "small", "m.yaml and n.yaml are both to be the motor of 'small'"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        name_motor(0, cases[i].first, "m.yaml");
        if (cases[i].second != NULL)
            name_motor(1, cases[i].second, "n.yaml");
        options.motor_count = cases[i].second != NULL ? 2 : 1;
        cr_expect_eq(all(), ERR_USAGE, "case %zu", i);
        cr_expect(strstr(e.text, cases[i].says) != NULL, "case %zu: %s", i, e.text);
        prediction_forget(&session);
    }
    options.motor_count = 3;
    name_motor(0, "", "m.yaml");
    name_motor(1, "small", "s.yaml");
    name_motor(2, "large", "l.yaml");
    cr_expect_eq(all(), ERR_USAGE);
    cr_expect(strstr(e.text, "m.yaml is no feeder's motor") != NULL, "%s", e.text);
}

Test(prediction, a_file_that_is_wrong_is_told_with_its_place_and_other_steps_with_the_feeder)
{
    char *wrong = scratch_replace(MOTOR, "supply_v: 23.7", "supply_v: high");
    motors[0].text = wrong;
    cr_expect_eq(all(), ERR_FILE);
    cr_expect_str_eq(e.file, "m.yaml");
    cr_expect_eq(e.line, 10);
    cr_expect_eq(e.column, 11);
    free(wrong);
    prediction_forget(&session);
    motors[0].text = MOTOR;
    records[1].full_steps_per_rev = 400;
    cr_expect_eq(all(), ERR_FILE);
    cr_expect(
        strstr(e.text, "full_steps_per_rev is 200, but large (series 1) in somewhere has a motor of 400") !=
            NULL,
        "%s", e.text);
    prediction_forget(&session);
    motors[0].text = NULL;
    motors[0].file = scratch_path("none.yaml");
    cr_expect_eq(all(), ERR_FILE);
}

Test(prediction, pushes_count_where_it_is_clear_what_gave_way)
{
    struct speed_point *p;
    add_point(&feeders[0], 5.1, 71.3, 5, 0);
    p = add_point(&feeders[0], 10.2, 64.5, 0, 0);
    p->run_count = p->limited_count[LIMITED_UNCLEAR] = 5;
    add_point(&feeders[0], 20.4, 60.7, 3, 2);
    add_point(&feeders[0], 40.8, 51.1, 4, 0)->stall_force_n = quantity_absent();
    add_point(&feeders[0], 60.2, 45.6, 4, 0)->stall_force_n = quantity_at_least(45.6);
    cr_assert_eq(all(), ERR_OK, "%s", e.text);
    cr_assert_eq(session.predictions[0].measured_count, 3);
    cr_expect_eq(session.predictions[0].measured[0].speed_mm_s, 5.1);
    cr_expect_not(session.predictions[0].measured[0].bound);
    cr_expect(session.predictions[0].measured[1].bound, "grip gave way in some runs");
    cr_expect(session.predictions[0].measured[2].bound, "a limit was met");
    cr_expect_eq(session.predictions[0].verdict.compared, 3);
    cr_expect_eq(session.predictions[0].verdict.bounds, 2);
}

/* The drive is that of the series: its diameter as the feed was measured, and its uncertainty. */
Test(prediction, the_drive_is_that_of_the_series)
{
    struct calibration_feed *feed = &series[0].calibration.feeds[0];
    const struct predict_drive *drive;
    snprintf(feed->feeder, sizeof feed->feeder, "small");
    feed->mm_per_microstep = 8.55 * PI / (200 * MICROSTEPS * 3.3);
    feed->standard_uncertainty_mm_per_microstep = 0.002 * feed->mm_per_microstep;
    feed->degrees_of_freedom = 9;
    series[0].calibration.feed_count = 1;
    records[1].mm_per_microstep = 0.0023;
    cr_assert_eq(all(), ERR_OK, "%s", e.text);
    drive = &session.predictions[0].drive;
    cr_expect_float_eq(drive->drive_diameter_mm, 8.55, 1e-9);
    cr_expect_float_eq(drive->diameter_relative, 0.002, 1e-12);
    cr_expect_eq(drive->diameter_degrees, 9);
    cr_expect_eq(drive->reduction, 3.3);
    drive = &session.predictions[1].drive;
    cr_expect_float_eq(drive->drive_diameter_mm, 8.7, 1e-9, "as the plan states it");
    cr_expect_float_eq(drive->diameter_relative, 0.05 / 8.7, 1e-12);
    cr_expect_eq(drive->diameter_degrees, 0, "nothing measured it");
    cr_expect_float_eq(drive->rad_s_per_mm_s, 2 * PI / (4 * 0.0023 * MICROSTEPS), 1e-9);
    series[0].calibration.feed_count = 0;
}

/* Torque over D / (2 i); its band lessened by what the diameter brought. */
Test(prediction, the_fitted_curve_is_a_force_without_the_diameter_s_uncertainty)
{
    struct torque_curve *c = &feeders[0].torque_curve;
    struct quantity q;
    double lever = 1.959964 * 0.05 / 8.7 * 0.121, fit = 0.0043;
    c->present = true;
    c->degrees_of_freedom = 8;
    c->fitted_count = 12;
    c->torque_nm[7] = 0.121;
    c->low_95_nm[7] = 0.121 - hypot(fit, lever);
    c->high_95_nm[7] = 0.121 + hypot(2 * fit, lever);
    c->torque_nm[8] = NAN;
    cr_assert_eq(all(), ERR_OK, "%s", e.text);
    cr_assert_eq(session.predictions[0].fitted, c);
    cr_expect_null(session.predictions[1].fitted);
    q = prediction_fitted_n(&session.predictions[0], 7);
    cr_assert(q.present);
    cr_expect_float_eq(q.value, 0.121 * 2 * 3.3 / 0.0087, 1e-9);
    cr_expect_float_eq(q.value - q.low_95, fit * 2 * 3.3 / 0.0087, 1e-5);
    cr_expect_float_eq(q.high_95 - q.value, 2 * fit * 2 * 3.3 / 0.0087, 1e-5);
    cr_expect_not(prediction_fitted_n(&session.predictions[0], 8).present);
}
