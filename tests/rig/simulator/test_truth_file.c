#include "rig/simulator/truth_file.h"

#include "tests/rig/simulator/rig_bench.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static double number(json_t *o, const char *key)
{
    json_t *value = json_object_get(o, key);
    cr_assert(json_is_number(value), "%s", key);
    return json_number_value(value);
}

static void expect_truth(json_t *o, const struct model_truth *t)
{
    cr_expect_float_eq(number(o, "motor_limit_n"), t->motor_limit_n, 1e-9);
    cr_expect_float_eq(number(o, "grip_limit_n"), t->grip_limit_n, 1e-9);
    cr_expect_float_eq(number(o, "shear_n"), t->shear_n, 1e-9);
    cr_expect_float_eq(number(o, "slip_onset_n"), t->slip_onset_n, 1e-9);
    cr_expect_float_eq(number(o, "creep_per_n"), t->creep_per_n, 1e-12);
    cr_expect_float_eq(number(o, "gross_slip_per_n"), t->gross_slip_per_n, 1e-12);
    cr_expect_float_eq(number(o, "stall_force_n"), t->stall_force_n, 1e-9);
    cr_expect_float_eq(number(o, "drop_period_mm"), t->drop_period_mm, 1e-9);
    cr_expect_float_eq(number(o, "stiffness_n_per_mm"), t->stiffness_n_per_mm, 1e-9);
    cr_expect_eq(json_is_true(json_object_get(o, "onset_reached")), t->onset_reached);
    cr_expect_eq(json_is_true(json_object_get(o, "settles")), t->settles);
    cr_expect_str_eq(json_string_value(json_object_get(o, "limited_by")),
                     t->limited_by == MODEL_LIMIT_MOTOR ? "motor" : "grip");
}

Test(truth_file, holds_parameters_and_truth_of_each_run)
{
    char folder[] = "/tmp/nipbench-truth-XXXXXX";
    char path[64];
    struct err e;
    cr_assert(mkdtemp(folder) != NULL);
    snprintf(path, sizeof path, "%s/truth.json", folder);
    struct bench *b = bench_new(8675309, 3);
    b->feeders[1].nip.grip_coefficient = 0.4;
    b->feeders[1].sensor.encoder_mm_per_count = 0.005;
    b->feeders[0].fixture.end = MODEL_END_BRAKE;
    b->feeders[0].fixture.brake_n = 40;
    b->feeders[0].fixture.brake_repeat = 0.05;
    b->feeders[1].tube = (struct model_tube){1.5707963267948966, 0.3, 0.11};
    bench_start(b);
    cr_assert_eq(truth_file_write(path, &b->setup, b->rig, &e), ERR_OK, "%s", e.text);
    static const char *const names[] = {"gear-b", "gear-a"};
    for (size_t i = 0; i < 2; i++) {
        cr_assert_eq(bench_configure(b, 1000000, names[i]), WIRE_ACCEPTED);
        cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
        cr_assert_eq(bench_move(b, 1273.25, 50000, 100), WIRE_ACCEPTED);
        cr_assert_eq(bench_command(b, WIRE_CUT, NULL, 0), WIRE_ACCEPTED);
    }
    cr_assert_eq(truth_file_write(path, &b->setup, b->rig, &e), ERR_OK, "%s", e.text);

    json_error_t fault;
    json_t *root = json_load_file(path, JSON_REJECT_DUPLICATES, &fault);
    cr_assert(root != NULL, "%s", fault.text);
    cr_expect_str_eq(json_string_value(json_object_get(root, "schema")), "nipbench-truth-1");
    cr_expect(json_is_true(json_object_get(root, "simulated")));
    cr_expect_eq(json_integer_value(json_object_get(root, "seed")), 8675309);
    json_t *feeders = json_object_get(root, "feeders");
    cr_assert_eq(json_array_size(feeders), 3);
    json_t *second = json_array_get(feeders, 1);
    cr_expect_str_eq(json_string_value(json_object_get(second, "name")), "gear-b");
    cr_expect_float_eq(number(json_object_get(second, "nip"), "grip_coefficient"), 0.4, 1e-12);
    cr_expect_eq(number(json_object_get(second, "motor"), "microsteps"), 16);
    cr_expect(json_is_true(json_object_get(json_object_get(second, "sensor"), "encoder")));
    cr_expect_float_eq(number(json_object_get(second, "spread"), "motor_repeat"), 0.005, 1e-12);
    json_t *runs = json_object_get(root, "runs");
    cr_assert_eq(json_array_size(runs), 2);
    for (size_t i = 0; i < 2; i++) {
        json_t *run = json_array_get(runs, i);
        const struct rig_run *expected = rig_state_run(b->rig, i);
        cr_expect_eq(number(run, "run"), (double)(i + 1));
        cr_expect_str_eq(json_string_value(json_object_get(run, "feeder")), names[i]);
        cr_expect_float_eq(number(run, "speed_mm_s"), expected->speed_mm_s, 1e-12);
        cr_expect_float_eq(number(run, "nip_preload_n"), 100, 1e-12);
        cr_expect_str_eq(json_string_value(json_object_get(run, "end")), i == 0 ? "blocked" : "brake");
        cr_expect(json_is_null(json_object_get(run, "hot_end_temperature_c")));
        cr_expect(json_is_null(json_object_get(run, "load_line_n")));
        cr_expect_float_eq(number(run, "guide_tube_bend_deg"), i == 0 ? 90 : 0, 1e-12);
        cr_expect_float_eq(number(run, "lost_motion_mm"), i == 0 ? 0.11 : 0, 1e-12);
        cr_expect_float_eq(number(run, "force_ratio"), i == 0 ? exp(0.3 * 3.14159265358979) : 1, 1e-9);
        cr_expect_eq(number(run, "fed_since_cleaning_m"), 0);
        if (i == 0)
            cr_expect(json_is_null(json_object_get(run, "brake_load_n")));
        else
            cr_expect(number(run, "brake_load_n") != 40 && fabs(number(run, "brake_load_n") - 40) < 6.01);
        expect_truth(json_object_get(run, "nominal"), &expected->nominal);
        expect_truth(json_object_get(run, "realised"), &expected->realised);
    }
    json_decref(root);
    unlink(path);
    cr_expect_eq(rmdir(folder), 0, "nothing else may be left in the folder");
    bench_free(b);
}

Test(truth_file, a_failed_write_leaves_the_old_file)
{
    char folder[] = "/tmp/nipbench-truth-XXXXXX";
    char path[64];
    char temporary[80];
    struct err e;
    struct stat info;
    cr_assert(mkdtemp(folder) != NULL);
    snprintf(path, sizeof path, "%s/truth.json", folder);
    snprintf(temporary, sizeof temporary, "%s.tmp", path);
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(truth_file_write(path, &b->setup, b->rig, &e), ERR_OK);
    cr_assert_eq(stat(path, &info), 0);
    const off_t size = info.st_size;
    cr_assert_eq(symlink("/dev/full", temporary), 0);
    cr_expect_eq(truth_file_write(path, &b->setup, b->rig, &e), ERR_SYSTEM);
    cr_expect(strstr(e.text, "No space left") != NULL, "%s", e.text);
    cr_expect_neq(lstat(temporary, &info), 0, "what was begun is taken away");
    cr_assert_eq(stat(path, &info), 0);
    cr_expect_eq(info.st_size, size);
    cr_expect_eq(truth_file_write("/nonexistent/truth.json", &b->setup, b->rig, &e), ERR_SYSTEM);
    unlink(path);
    unlink(temporary);
    rmdir(folder);
    bench_free(b);
}
