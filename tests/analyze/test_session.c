#include "analyze/analysis.h"

#include "analyze/data_quality.h"
#include "analyze/run_result.h"
#include "tests/datasets/scratch.h"
#include "tests/sim/simulate.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* Two gears, two blocks, two speeds: eight simulated pushes written as a captured series. */
static const char PLAN[] = "nipbench_plan: 1\n"
                           "title: Two drive gears for the sensor housings\n"
                           "licence: CC-BY-4.0\n"
                           "contributors:\n"
                           "  - {title: River monitoring group, role: author}\n"
                           "simulated: true\n"
                           "seed: 20917\n"
                           "blocks: 2\n"
                           "calibration: c.json\n"
                           "sampling: {rate_hz: 500}\n"
                           "limits: {force_n: 180.5, travel_mm: 40, time_s: 30}\n"
                           "conditions:\n"
                           "  filament_lot: L-3391\n"
                           "  nip_preload_n: 100\n"
                           "tolerances: {nip_preload_n: 1.25}\n"
                           "feeders:\n"
                           "  - name: gear-8\n"
                           "    description: Eight millimetre class\n"
                           "    drive_diameter_mm: 8\n"
                           "    teeth: 26\n"
                           "  - name: gear-12\n"
                           "    drive_diameter_mm: 12\n"
                           "    teeth: 39\n"
                           "tests:\n"
                           "  - {test: speed-sweep, speeds_mm_s: [4.3, 8.9], travel_mm: 11}\n"
                           "end: true\n";

static struct plan plan;
static char folder[1024];

static struct model_parameters gear(size_t feeder)
{
    struct model_parameters p = model_default();
    p.sensor.encoder = false;
    p.sensor.full_scale_n = 300;
    p.motor.supply_v = 24;
    if (feeder == 1)
        p.gear.drive_diameter_mm = 12;
    return p;
}

static const char *in_series(const char *into, const char *name)
{
    static char path[256];
    snprintf(path, sizeof path, "%s/%s", into, name);
    return scratch_path(path);
}

static void write_run(const char *into, const struct plan_run *run, struct run_record *record,
                      const struct run_columns *columns)
{
    const struct plan_feeder *feeder = &plan.feeders[run->feeder];
    char name[64], row[RUN_CSV_ROW_BYTES_MAX];
    struct err e;
    record->number = record->order = run->number;
    record->block = run->block;
    record->test = plan.tests[run->test].kind;
    snprintf(record->feeder, sizeof record->feeder, "%s", feeder->name);
    record->conditions = &feeder->conditions;
    snprintf(record->start_time, sizeof record->start_time, "2031-04-05T16:%02d:08Z", run->number);
    record->counts_min = -8388607;
    record->counts_max = 8388607;
    snprintf(name, sizeof name, "runs/%04d.json", run->number);
    cr_assert_eq(run_record_write(in_series(into, name), record, &e), ERR_OK, "%s", e.text);
    snprintf(name, sizeof name, "runs/%04d.csv", run->number);
    FILE *f = fopen(in_series(into, name), "w");
    cr_assert_not_null(f);
    fputs(RUN_CSV_HEADER "\n", f);
    for (size_t i = 0; i < columns->n; i++) {
        struct raw_sample s = {columns->time_us[i], columns->force_counts[i], columns->commanded_steps[i], 0,
                               columns->flags[i]};
        size_t length = run_csv_format_row(&s, false, row);
        fwrite(row, 1, length, f);
    }
    cr_assert_eq(fclose(f), 0);
}

/* A whole series in that folder of the scratch folder. */
static void write_series(const char *into, uint64_t seed)
{
    struct plan_run runs[PLAN_RUNS_MAX];
    struct model_state states[2];
    struct model_parameters p = gear(0);
    struct calibration calibration = simulate_exact_calibration(&p);
    struct err e;
    calibration.covariance[1][1] = pow(0.004 * calibration.coefficients[1], 2);
    cr_assert_eq(calibration_write(scratch_path("c.json"), &calibration, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(plan_read(scratch_write("p.yaml", PLAN), &plan, &e), ERR_OK, "%s", e.text);
    snprintf(folder, sizeof folder, "%s", scratch_path(into));
    cr_assert_eq(series_create(folder, scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e), ERR_OK,
                 "%s", e.text);
    memset(states, 0, sizeof states);
    size_t count = plan_order(&plan, runs);
    cr_assert_eq(count, 8);
    for (size_t i = 0; i < count; i++) {
        struct simulated_push push = {.speed_mm_s = runs[i].speed_mm_s,
                                      .travel_mm = 11,
                                      .acceleration_mm_s2 = 200,
                                      .sample_rate_hz = 500,
                                      .rest_s = 0.6};
        struct run_columns columns;
        struct run_record record;
        struct model_truth truth;
        p = gear(runs[i].feeder);
        model_mount(&p, &states[runs[i].feeder], seed + i);
        cr_assert(simulate_push(&p, &states[runs[i].feeder], &push, &columns, &record, &truth));
        write_run(into, &runs[i], &record, &columns);
        run_columns_free(&columns);
        run_record_free(&record);
    }
    cr_assert_eq(series_write_package(folder, &plan, &e), ERR_OK, "%s", e.text);
}

static void begin(void)
{
    scratch_begin();
    write_series("s", 611);
}

TestSuite(session, .init = begin, .fini = scratch_end);

static struct session *analyse(int threads)
{
    const char *const folders[] = {folder};
    struct session *session;
    struct err e = {0};
    cr_assert_eq(session_analyse(folders, 1, threads, &session, &e), ERR_OK, "%s: %s", e.file, e.text);
    return session;
}

/* Comparisons of pushes at one speed; those of what else the tests come to follow them. */
static size_t plain_comparisons(const struct session *s)
{
    size_t n = 0;
    while (n < s->comparison_count && s->comparisons[n].test[0] == 0)
        n++;
    return n;
}

Test(session, a_captured_series_is_summed_up)
{
    struct session *s = analyse(0);
    cr_assert_eq(s->run_count, 8);
    cr_assert_eq(s->feeder_count, 2);
    cr_expect(s->simulated);
    cr_expect_float_eq(s->reference_speed_mm_s, 4.3, 1e-12);
    for (size_t i = 0; i < s->run_count; i++) {
        cr_expect(s->runs[i].analysed, "run %zu: %s", i, s->runs[i].why_not);
        cr_expect_eq(s->runs[i].push.limited_by, LIMITED_MOTOR);
        cr_expect_str_eq(s->feeders[s->runs[i].feeder].name, s->runs[i].record->feeder);
    }
    cr_expect_str_eq(s->feeders[0].name, "gear-8");
    cr_expect_str_eq(s->feeders[0].description, "Eight millimetre class");
    cr_expect_str_eq(s->feeders[1].name, "gear-12");
    for (size_t i = 0; i < 2; i++) {
        const struct feeder_result *f = &s->feeders[i];
        cr_expect(!f->conditions_vary);
        cr_expect_float_eq(f->conditions.number[CONDITION_NIP_PRELOAD_N], 100, 1e-12);
        cr_assert_eq(f->point_count, 2);
        cr_expect_eq(f->reference, 0);
        cr_expect_eq(f->points[0].run_count, 2);
        /* One motor on both: torque at the shaft, 0.3505 N m and 97 % of it. */
        cr_expect_float_eq(f->points[0].torque_nm.value, 0.34, 0.006, "%s: %.4f N m", f->name,
                           f->points[0].torque_nm.value);
    }
    /* One motor, diameters as 8 to 12: the stall force is as 12 to 8. */
    cr_expect_float_eq(
        s->feeders[0].points[0].stall_force_n.value / s->feeders[1].points[0].stall_force_n.value, 1.5, 0.04);
    cr_expect_eq(plain_comparisons(s), 2);
    for (size_t i = 0; i < plain_comparisons(s); i++) {
        const struct comparison *c = &s->comparisons[i];
        cr_expect_str_eq(c->quantity, "stall_force_n");
        cr_expect(c->by_blocks);
        cr_expect_float_eq(c->difference.value, 85.0 / 3, 1.5);
        cr_expect(c->p_value >= c->p_value_unadjusted);
    }
    session_free(s);
}

static bool same_quantity(const struct quantity *a, const struct quantity *b)
{
    return a->present == b->present &&
           (!a->present || (a->at_least == b->at_least && a->n == b->n &&
                            memcmp(&a->value, &b->value, sizeof a->value) == 0 &&
                            (a->at_least || (memcmp(&a->low_95, &b->low_95, sizeof a->low_95) == 0 &&
                                             memcmp(&a->high_95, &b->high_95, sizeof a->high_95) == 0))));
}

static bool same_picture(const struct run_picture *a, const struct run_picture *b)
{
    if (a == NULL || b == NULL)
        return a == b;
    return a->n == b->n && a->event_count == b->event_count &&
           memcmp(a->feed_mm, b->feed_mm, a->n * sizeof *a->feed_mm) == 0 &&
           memcmp(a->force_low_n, b->force_low_n, a->n * sizeof *a->force_low_n) == 0 &&
           memcmp(a->force_high_n, b->force_high_n, a->n * sizeof *a->force_high_n) == 0 &&
           memcmp(a->events, b->events, a->event_count * sizeof *a->events) == 0;
}

/* Verdicts hold all numbers of the rows' quality. */
static void expect_same_quality(const struct session *a, const struct session *b, size_t i)
{
    struct data_quality first[DATA_QUALITY_ASPECTS], second[DATA_QUALITY_ASPECTS];
    data_quality_of_run(&a->runs[i], a->series[0], first);
    data_quality_of_run(&b->runs[i], b->series[0], second);
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        cr_expect_str_eq(first[k].text, second[k].text);
    cr_expect_eq(a->runs[i].quality.present, a->runs[i].analysed, "run %zu", i);
    cr_expect_eq(a->runs[i].quality.zero_seen_after, a->runs[i].analysed, "run %zu", i);
}

Test(session, the_number_of_threads_changes_nothing)
{
    struct session *one = analyse(1);
    static const int threads[] = {4, 100, 0};
    for (size_t t = 0; t < 3; t++) {
        struct session *other = analyse(threads[t]);
        cr_assert(one->run_count == other->run_count && one->comparison_count == other->comparison_count);
        for (size_t i = 0; i < one->run_count; i++) {
            const struct run_push *a = &one->runs[i].push, *b = &other->runs[i].push;
            cr_expect_eq(one->runs[i].record->number, other->runs[i].record->number);
            cr_expect(same_quantity(&a->stall_force_n, &b->stall_force_n), "run %zu", i);
            cr_expect(same_quantity(&a->creep_per_n, &b->creep_per_n), "run %zu", i);
            cr_expect(same_quantity(&a->stiffness_n_per_mm, &b->stiffness_n_per_mm), "run %zu", i);
            cr_expect(same_quantity(&a->slip_onset_n, &b->slip_onset_n), "run %zu", i);
            cr_expect_eq(a->event_count, b->event_count);
            expect_same_quality(one, other, i);
            cr_expect(same_picture(a->picture, b->picture), "run %zu", i);
            cr_assert_eq(a->evidence.count, b->evidence.count);
            for (size_t k = 0; k < a->evidence.count; k++)
                cr_expect_str_eq(run_text(&a->evidence, k), run_text(&b->evidence, k));
        }
        for (size_t i = 0; i < one->comparison_count; i++) {
            cr_expect(same_quantity(&one->comparisons[i].difference, &other->comparisons[i].difference));
            cr_expect_eq(one->comparisons[i].p_value, other->comparisons[i].p_value);
            cr_expect_eq(one->comparisons[i].verdict, other->comparisons[i].verdict);
        }
        for (size_t i = 0; i < one->feeder_count; i++)
            cr_expect(
                same_quantity(&one->feeders[i].points[1].torque_nm, &other->feeders[i].points[1].torque_nm));
        session_free(other);
    }
    session_free(one);
}

Test(session, the_same_name_in_two_series_is_two_feeders)
{
    char first[1024];
    snprintf(first, sizeof first, "%s", folder);
    write_series("s2", 911);
    const char *const folders[] = {first, folder};
    struct session *s;
    struct err e = {0};
    cr_assert_eq(session_analyse(folders, 2, 2, &s, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(s->feeder_count, 4);
    cr_assert_eq(s->run_count, 16);
    cr_expect_str_eq(s->feeders[0].name, "gear-8 (series 1)");
    cr_expect_str_eq(s->feeders[2].name, "gear-8 (series 2)");
    cr_expect_eq(s->feeders[2].series, 1);
    for (size_t i = 0; i < s->run_count; i++)
        cr_expect_eq(s->feeders[s->runs[i].feeder].series, s->runs[i].series);
    for (size_t i = 0; i < 4; i++)
        cr_expect_eq(s->feeders[i].points[0].run_count, 2);
    cr_expect_eq(plain_comparisons(s), 12);
    session_free(s);
}

/* Put other words into a run's sidecar and bring the package up to date. */
static void edit_record(int number, const char *from, const char *to)
{
    char name[64];
    struct err e;
    snprintf(name, sizeof name, "s/runs/%04d.json", number);
    char *text = scratch_read(name), *changed;
    cr_assert_not_null(text);
    changed = scratch_replace(text, from, to);
    scratch_write(name, changed);
    free(text);
    free(changed);
    cr_assert_eq(series_write_package(folder, &plan, &e), ERR_OK, "%s", e.text);
}

static size_t not_analysed(const struct session *s)
{
    size_t n = 0;
    for (size_t i = 0; i < s->run_count; i++)
        n += !s->runs[i].analysed;
    return n;
}

Test(session, interrupted_and_faulty_runs_are_left_out_and_say_why)
{
    edit_record(2, "\"ended\": \"complete\"", "\"ended\": \"interrupted\"");
    edit_record(5, "\"ended\": \"complete\"", "\"ended\": \"fault\"");
    struct session *s = analyse(2);
    cr_expect_eq(not_analysed(s), 2);
    for (size_t i = 0; i < s->run_count; i++) {
        if (!s->runs[i].analysed)
            cr_expect(strncmp(s->runs[i].why_not, "interrupted", 11) == 0 ||
                          strncmp(s->runs[i].why_not, "fault", 5) == 0,
                      "%s", s->runs[i].why_not);
    }
    session_free(s);
}

Test(session, a_run_that_the_operator_had_repeated_does_not_count_twice)
{
    struct session *whole = analyse(2);
    struct session *s;
    /* Run 5 says that it was made in the place of the run of its feeder and speed in the block before it. */
    int earlier = 0;
    char place[80];
    for (size_t i = 0; i < whole->run_count; i++) {
        const struct run_record *r = whole->runs[i].record;
        if (r->number < 5 && strcmp(r->feeder, whole->runs[4].record->feeder) == 0 &&
            r->speed_mm_s == whole->runs[4].record->speed_mm_s)
            earlier = r->number;
    }
    cr_assert(earlier > 0);
    snprintf(place, sizeof place, "\"number\": 5, \"plan_run\": %d, \"repeats\": %d", earlier, earlier);
    edit_record(5, "\"number\": 5", place);
    snprintf(place, sizeof place, "\"block\": %d", whole->runs[earlier - 1].record->block);
    edit_record(5, "\"block\": 2", place);
    session_free(whole);
    s = analyse(2);
    cr_expect_eq(not_analysed(s), 1);
    cr_expect_not(s->runs[earlier - 1].analysed);
    cr_expect_str_eq(s->runs[earlier - 1].why_not,
                     "repeated by the operator as run 5, which counts in its place");
    cr_expect_gt(s->runs[earlier - 1].fed_mm, 5, "what it fed has gone over the gear");
    cr_expect(s->runs[4].analysed);
    session_free(s);
}

Test(session, a_run_of_a_feeder_that_the_plan_does_not_name_is_refused)
{
    const char *const folders[] = {folder};
    struct session *s;
    struct err e = {0};
    edit_record(3, "\"feeder\": \"gear-", "\"feeder\": \"gone-");
    cr_expect_eq(session_analyse(folders, 1, 2, &s, &e), ERR_FILE);
    cr_expect_null(s);
    cr_expect_not_null(strstr(e.text, "run 3: the plan has no feeder 'gone-"), "%s", e.text);
}

Test(session, conditions_that_change_between_runs_are_noticed)
{
    edit_record(4, "\"nip_preload_n\": 100", "\"nip_preload_n\": 117");
    struct session *s = analyse(1);
    cr_expect(s->feeders[0].conditions_vary != s->feeders[1].conditions_vary);
    for (size_t i = 0; i < s->comparison_count; i++)
        cr_expect_eq(s->comparisons[i].verdict, VERDICT_NOT_COMPARABLE);
    session_free(s);
}

Test(session, of_several_bad_files_the_lowest_run_is_named_whatever_the_threads)
{
    struct err e = {0};
    struct session *s;
    const char *const folders[] = {folder};
    scratch_write("s/runs/0006.csv", RUN_CSV_HEADER "\n1,2,3,,0\nnonsense\n");
    scratch_write("s/runs/0003.csv", RUN_CSV_HEADER "\n1,2,3,,0\n2,2,oops,,0\n");
    for (int threads = 1; threads < 5; threads++) {
        cr_expect_eq(session_analyse(folders, 1, threads, &s, &e), ERR_FILE);
        cr_expect_not_null(strstr(e.file, "0003.csv"), "%s", e.file);
        cr_expect_eq(e.line, 3);
        cr_expect_null(s);
    }
}

/* Put other words into a file of the series and bring the package up to date. */
static void edit_file(const char *name, const char *from, const char *to)
{
    struct err e;
    char *text = scratch_read(name), *changed;
    cr_assert_not_null(text);
    changed = scratch_replace(text, from, to);
    scratch_write(name, changed);
    free(text);
    free(changed);
    cr_assert_eq(series_write_package(folder, &plan, &e), ERR_OK, "%s", e.text);
}

static size_t runs_with(const struct session *s, const char *flag)
{
    size_t n = 0;
    for (size_t i = 0; i < s->run_count; i++) {
        for (size_t j = 0; j < s->runs[i].push.flags.count; j++)
            n += strstr(run_text(&s->runs[i].push.flags, j), flag) != NULL;
    }
    return n;
}

Test(session, a_calibration_too_old_or_too_narrow_is_flagged_in_every_result)
{
    /* The runs are of April 2031, the calibration of January 2026, 1920 days before. gear-8 stalls near 85 N,
     * gear-12 near 57 N. */
    edit_file("s/plan.yaml", "blocks: 2\n", "blocks: 2\ncalibration_max_age_days: 400\n");
    edit_file("s/calibration.json", "\"load_high_n\": 1000.0", "\"load_high_n\": 67.5");
    struct session *s = analyse(2);
    cr_expect_eq(runs_with(s, "days old, but the plan allows only 400"), 8);
    cr_expect_eq(runs_with(s, "is outside the calibrated range of -10 to 67.5 N"), 4);
    for (size_t j = 0; j < 2; j++) {
        cr_expect_eq(s->feeders[0].points[j].stall_flags.count, 2);
        cr_expect_eq(s->feeders[1].points[j].stall_flags.count, 1);
    }
    cr_expect_eq(s->feeders[0].torque_curve.flags.count, 2);
    cr_assert_eq(plain_comparisons(s), 2);
    for (size_t i = 0; i < 2; i++) {
        cr_assert_eq(s->comparisons[i].flags.count, 2);
        cr_expect_str_eq(text_list_at(&s->comparisons[i].flags, 0),
                         "gear-8: extrapolated: 2 of 2 runs outside the calibrated range of -10 to 67.5 N");
        cr_expect_not_null(
            strstr(text_list_at(&s->comparisons[i].flags, 1), "both: calibration not within the 400 days"));
    }
    session_free(s);
}

Test(session, a_folder_that_is_no_series_is_refused)
{
    struct err e = {0};
    struct session *s;
    const char *const folders[] = {folder, "/nonexistent-series"};
    cr_expect_eq(session_analyse(folders, 2, 1, &s, &e), ERR_FILE);
    cr_expect_null(s);
    session_free(NULL);
}
