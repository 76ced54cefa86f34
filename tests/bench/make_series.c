/* make_series FOLDER --runs N --rows N [--feeders N] [--speeds N] [--seconds S] [--seed N]: a simulated
 * series of blocked pushes of the size asked for, through the model and the writers of the project, without a
 * serial link. Every run is marked as simulated. */
#include "datasets/format/series.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"

#include <argp.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define TRAVEL_MM 12.0
#define REST_S    0.5

struct wanted {
    const char *folder;
    long runs, rows, feeders, speeds, seed;
    double seconds; /* of a run, mean over the speeds */
};

static error_t take(int key, char *argument, struct argp_state *state)
{
    struct wanted *w = state->input;
    long *number = key == 'r'   ? &w->runs
                   : key == 'n' ? &w->rows
                   : key == 'f' ? &w->feeders
                   : key == 's' ? &w->speeds
                                : &w->seed;
    char *end = argument;
    if (key == ARGP_KEY_ARG) {
        w->folder = argument;
        return 0;
    }
    if (key == ARGP_KEY_END && (w->folder == NULL || w->runs < 1 || w->rows < 1))
        argp_error(state, "a folder, --runs and --rows are needed");
    if (argument == NULL || strchr("rnfsSt", key) == NULL)
        return ARGP_ERR_UNKNOWN;
    if (key == 't')
        w->seconds = strtod(argument, &end);
    else
        *number = strtol(argument, &end, 10);
    if (end == argument || *end != 0)
        argp_error(state, "'%s' is not a number", argument);
    return 0;
}

static int give_up(const struct err *e)
{
    char text[2000];
    fprintf(stderr, "make_series: %s\n", err_format(e, text, sizeof text));
    return err_exit_status(e->code);
}

/* Feeders that differ in all that matters, limited by motor, by grip that settles and by grip that tears, in
 * turn. */
static struct model_parameters feeder(const struct wanted *w, long i)
{
    struct model_random random = {(uint64_t)(w->seed * 1000 + i)};
    struct model_parameters p;
    p = draw_feeder(&random, (enum draw_kind)(i % 3), true);
    p.sensor = model_default().sensor;
    p.sensor.encoder = true;
    p.sensor.full_scale_n = 160;
    p.sensor.gain_counts_per_n = 50000;
    return p;
}

/* Speeds from one to three times the least, with equal steps, such that a run takes w->seconds on average. */
static double speed_mm_s(const struct wanted *w, long i)
{
    double mean_share = 0;
    for (long k = 0; k < w->speeds; k++)
        mean_share += 1 / (1 + 2.0 * (double)k / (double)w->speeds) / (double)w->speeds;
    return TRAVEL_MM * mean_share / (w->seconds - 2 * REST_S) * (1 + 2.0 * (double)i / (double)w->speeds);
}

static enum err_code write_plan(const struct wanted *w, const char *path, struct err *e)
{
    FILE *f = fopen(path, "w");
    if (f == NULL)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be written");
    fprintf(f,
            "nipbench_plan: 1\ntitle: Series for the speed benchmark (simulated)\nlicence: "
            "CC0-1.0\ncontributors:\n"
            "  - {title: River-monitoring group (invented), role: author}\nsimulated: true\nseed: "
            "%ld\nblocks: %ld\n"
            "calibration: calibration.json\nsampling: {rate_hz: %.9g}\n"
            "limits: {force_n: 200, travel_mm: 40, time_s: %.9g}\nconditions:\n  nip_preload_n: 80\n"
            "  filament_lot: river-07\nfeeders:\n",
            w->seed, w->runs / (w->feeders * w->speeds), (double)w->rows / w->seconds, 2.5 * w->seconds);
    for (long i = 0; i < w->feeders; i++) {
        struct model_parameters p = feeder(w, i);
        fprintf(f, "  - {name: gear-%ld, drive_diameter_mm: %.4f, teeth: %d, reduction: %.0f}\n", i + 1,
                p.gear.drive_diameter_mm, p.gear.teeth, p.gear.reduction);
    }
    fputs("tests:\n  - {test: blocked-push, speeds_mm_s: [", f);
    for (long i = 0; i < w->speeds; i++)
        fprintf(f, "%s%.6f", i > 0 ? ", " : "", speed_mm_s(w, i));
    fprintf(f, "], travel_mm: %g}\nend: true\n", TRAVEL_MM);
    return fclose(f) == 0 ? ERR_OK : err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be written");
}

static enum err_code write_run(const struct wanted *w, const struct plan *plan, const struct plan_run *run,
                               struct run_record *record, const struct run_columns *columns, struct err *e)
{
    const struct plan_feeder *f = &plan->feeders[run->feeder];
    char path[4096], row[RUN_CSV_ROW_BYTES_MAX];
    FILE *out;
    record->number = record->order = run->number;
    record->plan_run = run->number;
    record->block = run->block;
    record->test = plan->tests[run->test].kind;
    record->conditions = &f->conditions;
    record->drive_diameter_mm = f->drive_diameter_mm;
    record->teeth = f->teeth;
    snprintf(record->feeder, sizeof record->feeder, "%s", f->name);
    snprintf(record->start_time, sizeof record->start_time, "2026-11-02T%02d:%02d:%02dZ", run->number / 3600,
             run->number / 60 % 60, run->number % 60);
    record->rig_serial = "simulated";
    record->force_limit_n = 200;
    record->travel_limit_mm = 40;
    record->time_limit_s = 2.5 * w->seconds;
    snprintf(path, sizeof path, "%s/runs/%04d.json", w->folder, run->number);
    if (run_record_write(path, record, e) != ERR_OK)
        return e->code;
    snprintf(path, sizeof path, "%s/runs/%04d.csv", w->folder, run->number);
    out = fopen(path, "w");
    if (out == NULL)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be written");
    fputs(RUN_CSV_HEADER "\n", out);
    for (size_t i = 0; i < columns->n; i++) {
        struct raw_sample s = {columns->time_us[i], columns->force_counts[i], columns->commanded_steps[i],
                               columns->encoder_counts[i], columns->flags[i]};
        size_t length = run_csv_format_row(&s, true, row);
        fwrite(row, 1, length, out);
    }
    return fclose(out) == 0 ? ERR_OK : err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be written");
}

static enum err_code make_run(const struct wanted *w, const struct plan *plan, const struct plan_run *run,
                              struct err *e)
{
    struct model_parameters p = feeder(w, (long)run->feeder);
    struct model_state state = {0};
    struct simulated_push push = {.speed_mm_s = run->speed_mm_s,
                                  .travel_mm = TRAVEL_MM,
                                  .acceleration_mm_s2 = 200,
                                  .sample_rate_hz = plan->sample_rate_hz,
                                  .rest_s = REST_S};
    struct run_columns columns;
    struct run_record record;
    enum err_code code;
    model_mount(&p, &state, (uint64_t)(w->seed * 100000 + run->number));
    if (!simulate_push(&p, &state, &push, &columns, &record, NULL))
        return err_set(e, ERR_MEMORY, "run %d cannot be simulated", run->number);
    code = write_run(w, plan, run, &record, &columns, e);
    run_columns_free(&columns);
    run_record_free(&record);
    return code;
}

int main(int argc, char **argv)
{
    static const struct argp_option options[] = {
        {"runs", 'r', "N", 0, "runs; a multiple of feeders times speeds", 0},
        {"rows", 'n', "N", 0, "rows of a run, mean over the speeds", 0},
        {"feeders", 'f', "N", 0, "feeders (default: 5)", 0},
        {"speeds", 's', "N", 0, "speeds (default: 5)", 0},
        {"seconds", 't', "S", 0, "length of a run, mean over the speeds (default: 5 s)", 0},
        {"seed", 'S', "N", 0, "seed (default: 20261129)", 0},
        {0}};
    static struct plan plan;
    static struct plan_run runs[PLAN_RUNS_MAX];
    struct wanted w = {.feeders = 5, .speeds = 5, .seconds = 5, .seed = 20261129};
    struct argp argp = {options, take, "FOLDER", "Write a simulated series of blocked pushes.",
                        NULL,    NULL, NULL};
    char plan_path[4096], calibration_path[4096];
    struct model_parameters p;
    struct calibration calibration;
    struct err e = {0};
    enum err_code code;
    argp_parse(&argp, argc, argv, 0, NULL, &w);
    snprintf(plan_path, sizeof plan_path, "%s.yaml", w.folder);
    snprintf(calibration_path, sizeof calibration_path, "%.*s/calibration.json",
             (int)(strrchr(w.folder, '/') != NULL ? strrchr(w.folder, '/') - w.folder : 1),
             strrchr(w.folder, '/') != NULL ? w.folder : ".");
    p = feeder(&w, 0);
    calibration = simulate_exact_calibration(&p);
    calibration.covariance[1][1] = pow(0.002 * calibration.coefficients[1], 2);
    code = calibration_write(calibration_path, &calibration, &e);
    if (code == ERR_OK)
        code = write_plan(&w, plan_path, &e);
    if (code == ERR_OK)
        code = plan_read(plan_path, &plan, &e);
    if (code == ERR_OK)
        code = series_create(w.folder, plan_path, &plan, calibration_path, &e);
    if (code != ERR_OK)
        return give_up(&e);
    size_t count = plan_order(&plan, runs);
    if (count != (size_t)w.runs) {
        err_set(&e, ERR_USAGE, "%ld runs are no multiple of %ld feeders at %ld speeds", w.runs, w.feeders,
                w.speeds);
        return give_up(&e);
    }
    for (size_t i = 0; i < count; i++) {
        code = make_run(&w, &plan, &runs[i], &e);
        if (code != ERR_OK)
            return give_up(&e);
    }
    code = series_write_package(w.folder, &plan, &e);
    return code == ERR_OK ? 0 : give_up(&e);
}
