#include "rig/simulator/feeder_file.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static enum err_code read_text(const char *text, struct model_parameters *p, struct err *e)
{
    char path[] = "/tmp/nipbench-feeder-XXXXXX";
    const int fd = mkstemp(path);
    cr_assert(fd >= 0);
    cr_assert_eq(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    close(fd);
    const enum err_code code = feeder_file_read(path, p, e);
    unlink(path);
    return code;
}

Test(feeder_file, what_is_not_named_keeps_its_default)
{
    struct model_parameters p;
    struct err e;
    const struct model_parameters expected = model_default();
    cr_assert_eq(read_text("name: plain\nend: true\n", &p, &e), ERR_OK);
    cr_expect_str_eq(p.name, "plain");
    cr_expect_eq(p.gear.teeth, expected.gear.teeth);
    cr_expect_eq(p.sensor.counts_min, expected.sensor.counts_min);
    cr_expect_float_eq(p.nip.preload_n, expected.nip.preload_n, 1e-12);
}

Test(feeder_file, every_kind_of_value_arrives)
{
    struct model_parameters p;
    struct err e;
    cr_assert_eq(read_text("name: g\n"
                           "motor:\n  microsteps: 32\n  inductance_h: 0.0385\n"
                           "gear: {teeth: 37, reduction: 3.25}\n"
                           "sensor:\n  counts_min: -7000001\n  encoder: false\n"
                           "tube:\n  bend_rad: 1.625\n"
                           "fixture: {end: brake, brake_n: 31.5}\n"
                           "end: true\n",
                           &p, &e),
                 ERR_OK, "%s", e.text);
    cr_expect_eq(p.motor.microsteps, 32);
    cr_expect_float_eq(p.motor.inductance_h, 0.0385, 1e-15);
    cr_expect_eq(p.gear.teeth, 37);
    cr_expect_float_eq(p.gear.reduction, 3.25, 1e-15);
    cr_expect_eq(p.sensor.counts_min, -7000001);
    cr_expect_not(p.sensor.encoder);
    cr_expect_float_eq(p.tube.bend_rad, 1.625, 1e-15);
    cr_expect_eq(p.fixture.end, MODEL_END_BRAKE);
    cr_expect_float_eq(p.fixture.brake_n, 31.5, 1e-15);
}

Test(feeder_file, the_newer_parameters_have_their_places)
{
    struct model_parameters p;
    struct err e;
    cr_assert_eq(
        read_text("name: g\n"
                  "gear: {motor_turn_ripple_mm: 0.011, full_step_ripple_mm: 0.0007, backlash_mm: 0.093}\n"
                  "nip:\n  fade_per_m: 0.021\n  hardness_mpa: 61\n  shear_strength_mpa: 39\n"
                  "  tooth_depth_mm: 0.47\n  toothed_sides: 2\n  debris_mm_per_m: 0.0033\n"
                  "fixture: {end: hot, brake_n: 12.5, brake_repeat: 0.013}\n"
                  "hot_end:\n  exponent: 0.45\n  temperature_c: 217\n  reference_c: 205\n"
                  "  per_kelvin: 0.0125\n  consistency_pa_s_n: 7900\n  nozzle_radius_mm: 0.21\n"
                  "  nozzle_length_mm: 1.9\n"
                  "sensor: {at_feeder: true}\n"
                  "end: true\n",
                  &p, &e),
        ERR_OK, "%s", e.text);
    struct model_parameters expected = model_default();
    snprintf(expected.name, sizeof expected.name, "g");
    expected.gear.motor_turn_ripple_mm = 0.011;
    expected.gear.full_step_ripple_mm = 0.0007;
    expected.gear.backlash_mm = 0.093;
    expected.nip.fade_per_m = 0.021;
    expected.nip.hardness_mpa = 61;
    expected.nip.shear_strength_mpa = 39;
    expected.nip.tooth_depth_mm = 0.47;
    expected.nip.toothed_sides = 2;
    expected.nip.debris_mm_per_m = 0.0033;
    expected.fixture.end = MODEL_END_HOT;
    expected.fixture.brake_n = 12.5;
    expected.fixture.brake_repeat = 0.013;
    expected.hot_end = (struct model_hot_end){.exponent = 0.45,
                                              .temperature_c = 217,
                                              .reference_c = 205,
                                              .per_kelvin = 0.0125,
                                              .consistency_pa_s_n = 7900,
                                              .nozzle_radius_mm = 0.21,
                                              .nozzle_length_mm = 1.9};
    expected.sensor.at_feeder = true;
    cr_expect_eq(memcmp(&p, &expected, sizeof p), 0);
}

Test(feeder_file, bad_files_are_refused_with_their_place)
{
    static const struct {
        const char *legend;
        const char *text;
        int64_t line;
        const char *says;
    } cases[] = {
        {"no name", "end: true\n", 1, "name"},
        {"no end", "name: g\n", 1, "end: true"},
        {"end is false", "name: g\nend: false\n", 1, "end: true"},
        {"end is not last", "name: g\nend: true\ngear:\n  teeth: 3\n", 1, "end: true"},
        {"unknown section", "name: g\nmotr:\n  microsteps: 16\nend: true\n", 2, "motr"},
        {"unknown key", "name: g\ngear:\n  tooth: 20\nend: true\n", 3, "tooth"},
        {"not a number", "name: g\ngear:\n  reduction: 3x\nend: true\n", 3, "3x"},
        {"not a whole number", "name: g\ngear:\n  teeth: 20.5\nend: true\n", 3, "teeth"},
        {"no such end", "name: g\nfixture:\n  end: wall\nend: true\n", 3, "'wall' is none of blocked, free"},
        {"outside its range", "name: g\nmotor:\n  microsteps: 2000\nend: true\n", 3, "microsteps"},
        {"not a mapping", "name: g\ngear: 8\nend: true\n", 2, NULL},
        {"name too long", "name: abcdefghijklmnopqrstuvwxyz0123456\nend: true\n", 1, "name"},
        {"cannot be simulated", "name: g\nmotor:\n  supply_v: 0\nend: true\n", 1, "cannot be simulated"}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        struct model_parameters p = {.name = "untouched"};
        struct err e = {0};
        cr_expect_eq(read_text(cases[c].text, &p, &e), ERR_FILE, "%s", cases[c].legend);
        cr_expect_eq(e.line, cases[c].line, "%s: line %d: %s", cases[c].legend, (int)e.line, e.text);
        cr_expect(cases[c].says == NULL || strstr(e.text, cases[c].says) != NULL, "%s: %s", cases[c].legend,
                  e.text);
        cr_expect_str_eq(p.name, "untouched", "%s", cases[c].legend);
    }
    struct model_parameters p;
    struct err e;
    cr_expect_eq(feeder_file_read("/nonexistent/feeder.yaml", &p, &e), ERR_FILE);
}

Test(feeder_file, feeders_of_one_rig_share_its_sensor)
{
    struct err e;
    struct model_parameters two[2] = {model_default(), model_default()};
    cr_expect_eq(feeder_file_check_together(two, 2, &e), ERR_FILE, "the same name twice");
    snprintf(two[1].name, sizeof two[1].name, "other");
    two[1].gear.drive_diameter_mm = 11.5;
    cr_expect_eq(feeder_file_check_together(two, 2, &e), ERR_OK);
    two[1].sensor.gain_counts_per_n = 3999;
    cr_expect_eq(feeder_file_check_together(two, 2, &e), ERR_FILE);
    cr_expect(strstr(e.text, "sensor.gain_counts_per_n") != NULL, "%s", e.text);
    two[1] = two[0];
    snprintf(two[1].name, sizeof two[1].name, "other");
    two[1].sensor.encoder = !two[0].sensor.encoder;
    cr_expect_eq(feeder_file_check_together(two, 2, &e), ERR_FILE);
    two[1].sensor.encoder = two[0].sensor.encoder;
    two[1].motor.microsteps = 8;
    cr_expect_eq(feeder_file_check_together(two, 2, &e), ERR_FILE);
    cr_expect(strstr(e.text, "motor.microsteps") != NULL, "%s", e.text);
}

/* What the texts of the demo's gears promise, over its speeds and from 60 N of preload on. */
Test(feeder_file, the_gears_of_the_demo_are_clear_cut)
{
    static const struct {
        const char *path;
        enum model_limit limited_by;
        double slow_n, fast_n;
    } cases[] = {{RIG_FEEDERS "/gear-8mm.yaml", MODEL_LIMIT_MOTOR, 91, 60},
                 {RIG_FEEDERS "/gear-12mm.yaml", MODEL_LIMIT_MOTOR, 60.6, 48.4},
                 {RIG_FEEDERS "/gear-fine.yaml", MODEL_LIMIT_GRIP, 44.4, 41.2}};
    static const double speeds[] = {2, 10, 25, 50, 80};
    struct model_parameters all[3];
    struct err e;
    for (size_t c = 0; c < 3; c++) {
        cr_assert_eq(feeder_file_read(cases[c].path, &all[c], &e), ERR_OK, "%s", e.text);
        for (double preload_n = 60; preload_n <= 100; preload_n += 20)
            for (size_t v = 0; v < 5; v++) {
                const struct model_truth t = model_truth_nominal(&all[c], preload_n, speeds[v]);
                const double other = t.limited_by == MODEL_LIMIT_MOTOR ? t.grip_limit_n : t.motor_limit_n;
                cr_expect_eq(t.limited_by, cases[c].limited_by, "%s at %g mm/s", all[c].name, speeds[v]);
                cr_expect(other > 1.4 * t.stall_force_n, "%s at %g mm/s: %g and %g N", all[c].name, speeds[v],
                          t.stall_force_n, other);
                cr_expect_eq(t.onset_reached, cases[c].limited_by == MODEL_LIMIT_GRIP);
            }
        cr_expect_float_eq(model_truth_nominal(&all[c], 80, 2).stall_force_n, cases[c].slow_n, 0.5);
        cr_expect_float_eq(model_truth_nominal(&all[c], 80, 80).stall_force_n, cases[c].fast_n, 0.5);
        const double k = model_stiffness_n_per_mm(&all[c].fixture);
        cr_expect(k > 20 && k < 40);
    }
    cr_expect_eq(feeder_file_check_together(all, 3, &e), ERR_OK, "%s", e.text);
}
