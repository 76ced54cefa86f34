#include "tests/cli/made_series.h"

#include "datasets/format/plan.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/series.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/wait.h>

#define RATE_HZ    1000
#define SPRING     38.0 /* N/mm */
#define REST_S     0.75
#define TRAVEL_MM  6.4
#define SPEED_MM_S 4.75

const char MADE_SERIES_PLAN[] = "nipbench_plan: 1\n"
                                "title: Two drive gears for the sensor housings\n"
                                "licence: CC-BY-4.0\n"
                                "contributors:\n"
                                "  - {title: River monitoring group, role: author}\n"
                                "simulated: true\n"
                                "seed: 20917\n"
                                "blocks: 4\n"
                                "calibration: c.json\n"
                                "rest_before_s: 0.75\n"
                                "sampling: {rate_hz: 1000}\n"
                                "limits: {force_n: 180.5, travel_mm: 40, time_s: 30}\n"
                                "conditions:\n"
                                "  filament_diameter_mm: 1.74\n"
                                "  nip_preload_n: 41.5\n"
                                "tolerances: {nip_preload_n: 1.25}\n"
                                "feeders:\n"
                                "  - name: gear-8\n"
                                "    drive_diameter_mm: 8.0\n"
                                "    teeth: 34\n"
                                "  - name: gear-12\n"
                                "    drive_diameter_mm: 12.0\n"
                                "    teeth: 52\n"
                                "tests:\n"
                                "  - {test: blocked-push, speeds_mm_s: [4.75], travel_mm: 6.4}\n"
                                "end: true\n";

/* Sum of twelve uniform numbers less six: sd 1. */
static double scatter(unsigned *state)
{
    double sum = 0;
    for (int i = 0; i < 12; i++) {
        *state = *state * 1664525u + 1013904223u;
        sum += (double)(*state >> 8) / 16777216.0;
    }
    return sum - 6;
}

/* Write the rows of a push with that peak force; returns how many. */
static int64_t write_rows(const char *name, double peak_n, double microstep_mm, unsigned *state)
{
    FILE *out = fopen(scratch_path(name), "w");
    double lost_mm = 0, push_s = TRAVEL_MM / SPEED_MM_S;
    int rows = (int)((2 * REST_S + push_s) * RATE_HZ);
    cr_assert_not_null(out);
    fputs(RUN_CSV_HEADER "\n", out);
    for (int i = 0; i < rows; i++) {
        double t = (double)i / RATE_HZ - REST_S,
               feed = t < 0        ? 0
                      : t > push_s ? TRAVEL_MM
                                   : SPEED_MM_S * t,
               force;
        struct raw_sample sample = {.time_us = (int64_t)i * 1000000 / RATE_HZ};
        char row[RUN_CSV_ROW_BYTES_MAX];
        size_t length;
        if (SPRING * (feed - lost_mm) >= peak_n)
            /* A cycle of 4 full steps, less the load angle that the motor gives back: it lags less under less
             * force. */
            lost_mm += 3.5 * 16 * microstep_mm;
        force = t > push_s ? 0 : SPRING * (feed - lost_mm);
        sample.commanded_steps = (int32_t)(feed / microstep_mm);
        sample.force_counts = (int32_t)(8131 + MADE_SERIES_GAIN * (force + 0.17 * scatter(state)));
        length = run_csv_format_row(&sample, false, row);
        fwrite(row, 1, length, out);
    }
    cr_assert_eq(fclose(out), 0);
    return rows;
}

static void add_run(const char *folder, const struct plan *plan, const struct plan_run *p, int order)
{
    const struct plan_feeder *f = &plan->feeders[p->feeder];
    struct run_record r = scratch_record();
    unsigned state = 7919u * (unsigned)p->number;
    struct err e;
    char name[128];
    double peak_n = p->feeder == 0 ? 87.4 : 58.9;
    r.number = p->number;
    r.block = p->block;
    r.order = order;
    r.test = plan->tests[p->test].kind;
    r.speed_mm_s = p->speed_mm_s;
    snprintf(r.feeder, sizeof r.feeder, "%s", f->name);
    r.conditions = &f->conditions;
    r.drive_diameter_mm = f->drive_diameter_mm;
    r.drive_diameter_standard_uncertainty_mm = 0.05;
    r.reduction = 1;
    r.teeth = f->teeth;
    r.full_steps_per_rev = 200;
    r.microsteps = 16;
    r.mm_per_microstep = 3.14159265358979 * f->drive_diameter_mm / 3200;
    r.sample_rate_hz = RATE_HZ;
    r.push_start_us = (int64_t)(REST_S * 1e6);
    r.push_end_us = (int64_t)((REST_S + TRAVEL_MM / SPEED_MM_S) * 1e6);
    r.frames_missing = r.frames_corrupt = r.gaps = 0;
    r.ended = RUN_COMPLETE;
    r.ended_why = "travel complete";
    run_record_cut_events(&r, 0);
    snprintf(name, sizeof name, "%s/runs/%04d.csv", folder, p->number);
    r.rows = write_rows(name, peak_n + 0.8 * scatter(&state), r.mm_per_microstep, &state);
    snprintf(name, sizeof name, "%s/runs/%04d.json", folder, p->number);
    cr_assert_eq(run_record_write(scratch_path(name), &r, &e), ERR_OK, "%s", e.text);
    run_record_free(&r);
}

struct calibration made_series_calibration(void)
{
    struct calibration c = {.date = "2031-04-05T16:07:08Z",
                            .origin = "stated",
                            .degree = 1,
                            .coefficients = {8131, MADE_SERIES_GAIN},
                            .covariance = {{0, 0}, {0, 1.7}},
                            .degrees_of_freedom = HUGE_VAL,
                            .load_high_n = 200};
    return c;
}

void made_series(const char *folder, const char *text)
{
    static struct plan plan;
    static struct plan_run runs[PLAN_RUNS_MAX];
    struct calibration c = made_series_calibration();
    struct err e;
    size_t count;
    cr_assert_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(plan_read(scratch_write("p.yaml", text), &plan, &e), ERR_OK, "%s: %s", e.file, e.text);
    cr_assert_eq(
        series_create(scratch_path(folder), scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e),
        ERR_OK, "%s: %s", e.file, e.text);
    count = plan_order(&plan, runs);
    for (size_t i = 0; i < count; i++)
        add_run(folder, &plan, &runs[i], (int)i + 1);
    cr_assert_eq(series_write_package(scratch_path(folder), &plan, &e), ERR_OK, "%s", e.text);
}

char *said, *complained;

int run(const char *format, ...)
{
    char words[600], command[2400];
    va_list arguments;
    int status;
    va_start(arguments, format);
    vsnprintf(words, sizeof words, format, arguments);
    va_end(arguments);
    snprintf(command, sizeof command, "cd '%s' && COLUMNS=1000 '%s' %s >out.txt 2>err.txt", scratch_path("."),
             ANALYZE_PROGRAM, words);
    status = system(command);
    free(said);
    free(complained);
    said = scratch_read("out.txt");
    complained = scratch_read("err.txt");
    cr_assert(WIFEXITED(status), "%s", words);
    return WEXITSTATUS(status);
}

void run_end(void)
{
    free(said);
    free(complained);
    said = complained = NULL;
}
