#include "tests/datasets/scratch.h"
#include "tests/datasets/record_state.h"

#include <criterion/criterion.h>
#include <ftw.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char folder[256];

void scratch_begin(void)
{
    const char *base = getenv("TMPDIR");
    snprintf(folder, sizeof folder, "%s/nipbench-test-XXXXXX", base == NULL ? "/tmp" : base);
    cr_assert_not_null(mkdtemp(folder));
}

static int remove_entry(const char *path, const struct stat *status, int kind, struct FTW *place)
{
    (void)status;
    (void)kind;
    (void)place;
    return remove(path);
}

void scratch_end(void)
{
    nftw(folder, remove_entry, 8, FTW_DEPTH | FTW_PHYS);
}

const char *scratch_path(const char *name)
{
    static char paths[8][1024];
    static unsigned next;
    char *path = paths[next++ % 8];
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    return path;
}

const char *scratch_write_bytes(const char *name, const void *bytes, size_t length)
{
    const char *path = scratch_path(name);
    FILE *f = fopen(path, "wb");
    cr_assert_not_null(f, "%s", path);
    cr_assert_eq(fwrite(bytes, 1, length, f), length);
    cr_assert_eq(fclose(f), 0);
    return path;
}

const char *scratch_write(const char *name, const char *text)
{
    return scratch_write_bytes(name, text, strlen(text));
}

char *scratch_read(const char *name)
{
    FILE *f = fopen(scratch_path(name), "rb");
    char *text;
    long size;
    size_t length;
    if (f == NULL)
        return NULL;
    fseek(f, 0, SEEK_END);
    size = ftell(f);
    rewind(f);
    text = calloc(1, size > 0 ? (size_t)size + 1 : 1);
    length = fread(text, 1, size > 0 ? (size_t)size : 0, f);
    text[length] = 0;
    fclose(f);
    return text;
}

const char SCRATCH_PLAN[] = "nipbench_plan: 1\n"
                            "title: Two drive gears for the sensor housings\n"
                            "description: Which gear pushes harder?\n"
                            "licence: CC-BY-4.0\n"
                            "contributors:\n"
                            "  - {title: River monitoring group, role: author}\n"
                            "simulated: true\n"
                            "seed: 20917\n"
                            "blocks: 2\n"
                            "calibration: ../rig/calibration.json\n"
                            "rest_before_s: 0.75\n"
                            "sampling: {rate_hz: 1000}\n"
                            "limits: {force_n: 180.5, travel_mm: 40, time_s: 30}\n"
                            "conditions:\n"
                            "  filament_lot: L-3391\n"
                            "  filament_diameter_mm: 1.74\n"
                            "  nip_preload_n: 41.5\n"
                            "tolerances: {nip_preload_n: 1.25}\n"
                            "feeders:\n"
                            "  - name: gear-8\n"
                            "    description: Eight millimetre class\n"
                            "    drive_diameter_mm: 7.85\n"
                            "    teeth: 34\n"
                            "  - name: gear-12\n"
                            "    drive_diameter_mm: 11.9\n"
                            "    drive_diameter_standard_uncertainty_mm: 0.07\n"
                            "    reduction: 3.5\n"
                            "    full_steps_per_rev: 400\n"
                            "    microsteps: 32\n"
                            "    conditions: {nip_preload_n: 39.25}\n"
                            "tests:\n"
                            "  - {test: blocked-push, speeds_mm_s: [4.75], travel_mm: 25.5}\n"
                            "  - test: speed-sweep\n"
                            "    speeds_mm_s: [2.25, 11.5]\n"
                            "    travel_mm: 18\n"
                            "    acceleration_mm_s2: 350\n"
                            "end: true\n";

struct calibration scratch_calibration(void)
{
    struct calibration c = {
        .date = "2031-04-05T16:07:08+02:00",
        .origin = "fitted",
        .rig_serial = "rig-0417",
        .degree = 2,
        .coefficients = {8131.25, 1042.7, -0.0137},
        .covariance = {{151.3, -2.17, 0.0081}, {-2.17, 0.0673, -0.000281}, {0.0081, -0.000281, 1.43e-6}},
        .residual_sd_counts = 23.9,
        .degrees_of_freedom = 17,
        .load_low_n = 0,
        .load_high_n = 210.4,
        .encoder_mm_per_count = 0.00614,
        .encoder_standard_uncertainty_mm_per_count = 0.0000213,
        .feeds = {{"gear-8", 0.007711, 0.0000142, INFINITY}, {"gear-12", 0.000831, 0.0000037, 6}},
        .feed_count = 2,
    };
    return c;
}

struct run_record scratch_record(void)
{
    struct run_record r = {
        .number = 3,
        .feeder = "gear-12",
        .test = PLAN_SPEED_SWEEP,
        .speed_mm_s = 11.5,
        .block = 2,
        .order = 7,
        .drive_diameter_mm = 11.9,
        .drive_diameter_standard_uncertainty_mm = 0.07,
        .reduction = 3.5,
        .teeth = 41,
        .full_steps_per_rev = 400,
        .microsteps = 32,
        .mm_per_microstep = 0.1 / 3,
        .simulated = true,
        .start_time = "2031-04-05T16:31:42.125Z",
        .rig_serial = "rig-0417",
        .rig_firmware = "0.3.1",
        .boot = 3735928559u,
        .sample_rate_hz = 997.5,
        .counts_min = -8388608,
        .counts_max = 8388607,
        .force_limit_n = 180.5,
        .travel_limit_mm = 40,
        .time_limit_s = 30,
        .push_start_us = 751003,
        .push_end_us = 2931877,
        .rows = 3,
        .frames_missing = 5,
        .frames_corrupt = 1,
        .gaps = 2,
        .ended = RUN_LIMIT,
        .ended_why = "force limit on the rig",
    };
    struct conditions conditions = {0};
    cr_assert(run_record_add_event(&r, 751003, "armed"));
    cr_assert(run_record_add_event(&r, 2931877, "motor cut"));
    cr_assert(conditions_set_word(&conditions, CONDITION_FILAMENT_LOT, "L-3391"));
    r.conditions = conditions_keep(&conditions);
    record_state(&r, CONDITION_NIP_PRELOAD_N, 39.25);
    return r;
}

char *scratch_replace(const char *text, const char *from, const char *to)
{
    const char *at = strstr(text, from);
    char *out = malloc(strlen(text) + strlen(to) + 1);
    cr_assert_not_null(at, "the text to be replaced does not occur: %s", from);
    sprintf(out, "%.*s%s%s", (int)(at - text), text, to, at + strlen(from));
    return out;
}
