#include "capture/series_capture.h"

#include "capture/bench_setup.h"
#include "capture/last_cut.h"
#include "capture/plan_example.h"
#include "capture/rig_client.h"
#include "capture/rig_open.h"
#include "capture/run_notes.h"
#include "capture/run_writer.h"
#include "capture/runner.h"
#include "capture/series_guide.h"
#include "capture/series_resume.h"
#include "datasets/format/calibration.h"
#include "datasets/format/plan.h"
#include "datasets/format/series.h"
#include "datasets/format/series_path.h"
#include "datasets/format/series_recover.h"

#include <dirent.h>
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define SEPARATE_RATE_SHARE 0.1 /* by which a gauge may be off the rate that the plan states */

struct series_capture {
    char plan_path[512];
    char calibration_path[512];
    char folder[400];
    char runs_folder[420];
    struct plan plan;
    struct calibration calibration;
    struct plan_run order[PLAN_RUNS_MAX]; /* what is to be done */
    size_t run_count;
    size_t plan_count; /* runs of the whole plan */
    bool resumed;
    int next_number;
    int lock;     /* of the folder; -1 before it is there */
    bool goes_on; /* with a folder that was left half made */
    struct bench_setup bench;
    struct link *link;
    struct rig_client *client;
    struct wire_identity rig;
    struct operator_view *view;
    char progress_head[160]; /* which run the live line is about */
    struct series_guide guide;
    int repeats[PLAN_RUNS_MAX +
                1]; /* by place in the plan: the run that the next one there repeats; 0: none */
    char repeat_why[RUN_GLANCE_TEXT_MAX]; /* what looked wrong about the run before, which is repeated now */
};

static enum err_code too_long(const char *path, struct err *e)
{
    return err_set_at(e, ERR_USAGE, path, 0, 0, "this path is too long");
}

/* The calibration's path is relative to the plan that names it. A series that is resumed has a copy, always
 * under the same name. */
static enum err_code find_calibration(struct series_capture *c, struct err *e)
{
    const char *slash = strrchr(c->plan_path, '/');
    const char *named = c->resumed ? "calibration.json" : c->plan.calibration;
    int folder_length = slash != NULL && named[0] != '/' ? (int)(slash - c->plan_path) + 1 : 0;
    struct stat status;
    char why[160];
    enum err_code code;
    if (snprintf(c->calibration_path, sizeof c->calibration_path, "%.*s%s", folder_length, c->plan_path,
                 named) >= (int)sizeof c->calibration_path)
        return too_long(c->plan_path, e);
    if (stat(c->calibration_path, &status) != 0 && errno == ENOENT)
        return err_set_at(
            e, ERR_FILE, c->calibration_path, 0, 0,
            "no such file; %s names it as the rig's calibration: put it there, or correct 'calibration'",
            c->plan_path);
    code = calibration_read(c->calibration_path, &c->calibration, e);
    if (code == ERR_OK &&
        !plan_allows_calibration(&c->plan, c->calibration.date, (int64_t)time(NULL), why, sizeof why))
        code = err_set_at(e, ERR_FILE, c->calibration_path, 0, 0,
                          "this calibration %s: calibrate anew, or change calibration_max_age_days in %s",
                          why, c->plan_path);
    return code;
}

/* A gauge has its own rate, near to what the plan asks for (check_separate): that which was measured holds.
 */
static void fill_separate(const struct series_capture *c, struct run_record *record)
{
    const struct run_separate *separate = rig_separate(c->link);
    if (separate == NULL)
        return;
    record->separate = separate;
    record->sample_rate_hz = c->rig.sample_rate_max_millihertz / 1000.0;
}

/* What the plan, the rig and the calibration say about one run, before it begins. */
static void fill_record(const struct series_capture *c, size_t index, struct run_record *record,
                        struct runner_setup *setup)
{
    const struct plan_run *run = &c->order[index];
    const struct plan_feeder *feeder = &c->plan.feeders[run->feeder];
    const struct plan_test *test = &c->plan.tests[run->test];
    memset(record, 0, sizeof *record);
    memset(setup, 0, sizeof *setup);
    record->number = c->next_number;
    record->plan_run = run->number == c->next_number ? 0 : run->number;
    record->repeats = c->repeats[run->number];
    snprintf(record->feeder, sizeof record->feeder, "%s", feeder->name);
    record->test = test->kind;
    record->speed_mm_s = run->speed_mm_s;
    record->block = run->block;
    record->order = c->next_number;
    record->rate_mm3_s = run->rate_mm3_s;
    record->travel_mm = test->travel_mm;
    record->cycles = test->kind == PLAN_REVERSAL ? test->cycles : 0;
    record->repeat = run->repeat;
    record->cleaned = run->clean_before && record->repeats == 0;
    record->conditions = &run->conditions;
    record->drive_diameter_mm = feeder->drive_diameter_mm;
    record->drive_diameter_standard_uncertainty_mm = feeder->drive_diameter_standard_uncertainty_mm;
    record->reduction = feeder->reduction;
    record->teeth = feeder->teeth;
    record->full_steps_per_rev = feeder->full_steps_per_rev;
    record->microsteps = feeder->microsteps;
    record->mm_per_microstep = runner_mm_per_microstep(feeder, &c->calibration);
    record->simulated = c->plan.simulated;
    record->rig_serial = c->rig.serial;
    record->rig_firmware = c->rig.firmware;
    record->boot = c->rig.boot;
    record->sample_rate_hz = c->plan.sample_rate_hz;
    fill_separate(c, record);
    record->counts_min = c->rig.counts_min;
    record->counts_max = c->rig.counts_max;
    record->force_limit_n = c->plan.force_limit_n;
    record->travel_limit_mm = c->plan.travel_limit_mm;
    record->time_limit_s = c->plan.time_limit_s;
    setup->travel_mm = test->travel_mm;
    setup->cycles = record->cycles;
    setup->acceleration_mm_s2 = test->acceleration_mm_s2;
    setup->rest_before_s = c->plan.rest_before_s;
    setup->rest_after_s = c->plan.rest_after_s;
    setup->calibration = &c->calibration;
    setup->remark = c->resumed && index == 0 ? "the series was resumed with this run" : NULL;
}

static enum err_code check_separate(const struct series_capture *c, struct err *e)
{
    double rate_hz = c->rig.sample_rate_max_millihertz / 1000.0;
    if (rig_separate(c->link) == NULL)
        return ERR_OK;
    if (rig_is_simulated_bench(c->link) && !c->plan.simulated)
        return err_set_at(e, ERR_FILE, c->plan_path, 0, 0,
                          "the instruments of %s are simulated: the plan must say 'simulated: true'",
                          link_name(c->link));
    if (!(fabs(c->plan.sample_rate_hz / rate_hz - 1) <= SEPARATE_RATE_SHARE))
        return err_set_at(
            e, ERR_FILE, c->plan_path, 0, 0,
            "rate_hz: the gauge of %s gives %.4g readings a second; the plan must say so too, not %g",
            link_name(c->link), rate_hz, c->plan.sample_rate_hz);
    return ERR_OK;
}

static enum err_code check_rig(const struct series_capture *c, struct err *e)
{
    enum err_code separate = check_separate(c, e);
    if (separate != ERR_OK)
        return separate;
    if (c->calibration.rig_serial[0] != 0 && strcmp(c->calibration.rig_serial, c->rig.serial) != 0)
        return err_set_at(e, ERR_FILE, c->calibration_path, 0, 0,
                          "this calibration is of rig %s, but the rig at %s is %s", c->calibration.rig_serial,
                          link_name(c->link), c->rig.serial);
    /* Only a simulated rig has a clock of its own pace. Its data must never pass for measured ones. */
    if (c->rig.time_scale_milli != 1000 && !c->plan.simulated)
        return err_set_at(
            e, ERR_FILE, c->plan_path, 0, 0,
            "the rig at %s is simulated (%g rig seconds a second): the plan must say 'simulated: true'",
            link_name(c->link), c->rig.time_scale_milli / 1000.0);
    for (size_t i = 0; i < c->run_count; i++) {
        struct run_record record;
        struct runner_setup setup;
        enum err_code code;
        fill_record(c, i, &record, &setup);
        code = runner_check(&c->rig, &setup, &record, c->plan_path, e);
        if (code != ERR_OK)
            return code;
    }
    return ERR_OK;
}

static enum err_code read_plan(struct series_capture *c, struct err *e)
{
    enum err_code code = plan_read(c->plan_path, &c->plan, e);
    if (code == ERR_OK)
        code = plan_example_refuse(c->plan_path, e);
    if (code != ERR_OK)
        return code;
    c->plan_count = c->run_count = plan_order(&c->plan, c->order);
    c->next_number = 1;
    return find_calibration(c, e);
}

/* Put the series in order and find out what is left to do. */
static enum err_code take_up(struct series_capture *c, const struct series_request *request,
                             struct series_progress *progress, struct err *e)
{
    enum err_code code = series_resume_lock(c->folder, &c->lock, e);
    if (code == ERR_OK)
        code = series_resume_check_folder(c->folder, e);
    if (code == ERR_OK && request->plan_path != NULL)
        code = series_resume_check_plan(c->folder, request->plan_path, e);
    if (code == ERR_OK)
        code = plan_read(c->plan_path, &c->plan, e);
    if (code == ERR_OK)
        code = series_recover(c->folder, &c->plan, request->tell, request->context, progress, e);
    c->resumed = true;
    if (code == ERR_OK)
        code = read_plan(c, e);
    if (code != ERR_OK)
        return code;
    c->run_count = series_resume_rest(progress, c->order, c->run_count);
    memcpy(c->repeats, progress->repeats, sizeof c->repeats);
    c->next_number = progress->next_number;
    if (c->next_number + (int)c->run_count - 1 > SERIES_RUNS_MAX)
        return err_set_at(e, ERR_USAGE, c->folder, 0, 0,
                          "%zu more runs do not fit: a series holds at most %d, repeats among them",
                          c->run_count, SERIES_RUNS_MAX);
    return ERR_OK;
}

static enum err_code open_rig(struct series_capture *c, const struct series_request *request, struct err *e)
{
    enum err_code code = rig_open(request->port, request->baud, request->way, &c->link, e);
    if (code == ERR_OK)
        code = rig_client_new(c->link, &c->client, e);
    if (code == ERR_OK)
        code = rig_client_identify(c->client, &c->rig, e);
    return code == ERR_OK ? check_rig(c, e) : code;
}

/* One calibration, one rig: forces of a series must hang together. */
static enum err_code check_same_rig(const struct series_capture *c, const struct series_progress *progress,
                                    struct err *e)
{
    if (progress->rig_serial[0] == 0 || strcmp(progress->rig_serial, c->rig.serial) == 0)
        return ERR_OK;
    return err_set_at(e, ERR_USAGE, c->folder, 0, 0,
                      "this series was begun on rig %s, but the rig at %s is %s", progress->rig_serial,
                      link_name(c->link), c->rig.serial);
}

static enum err_code prepare(struct series_capture *c, const struct series_request *request, struct err *e)
{
    struct series_progress progress = {0};
    /* Broken off before it had a plan of its own, a series is begun again with the one that is given. */
    bool resume = request->resume && !(request->plan_path != NULL && series_resume_is_bare(request->folder));
    const char *plan_path = resume ? "plan.yaml" : request->plan_path;
    const char *before = resume ? request->folder : "";
    enum err_code code;
    if (snprintf(c->plan_path, sizeof c->plan_path, "%s%s%s", before, resume ? "/" : "", plan_path) >=
        (int)sizeof c->plan_path)
        return too_long(plan_path, e);
    if (snprintf(c->folder, sizeof c->folder, "%s", request->folder) >= (int)sizeof c->folder ||
        snprintf(c->runs_folder, sizeof c->runs_folder, "%s/runs", request->folder) >=
            (int)sizeof c->runs_folder)
        return too_long(request->folder, e);
    code = resume ? take_up(c, request, &progress, e) : read_plan(c, e);
    /* Whether the folder will do, before the rig is asked anything. */
    if (code == ERR_OK && !resume)
        code = series_may_create(c->folder, c->plan_path, c->calibration_path, &c->goes_on, e);
    if (code != ERR_OK || c->run_count == 0)
        return code;
    bench_setup_init(&c->bench, &c->plan, c->order, c->run_count);
    code = open_rig(c, request, e);
    return code == ERR_OK ? check_same_rig(c, &progress, e) : code;
}

enum err_code series_capture_prepare(const struct series_request *request, struct series_capture **capture,
                                     struct err *e)
{
    enum err_code code;
    struct series_capture *c = calloc(1, sizeof *c);
    *capture = NULL;
    if (c == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    c->lock = -1;
    code = prepare(c, request, e);
    if (code != ERR_OK) {
        series_capture_free(c);
        return code;
    }
    *capture = c;
    return ERR_OK;
}

void series_capture_free(struct series_capture *capture)
{
    if (capture == NULL)
        return;
    rig_client_free(capture->client);
    last_cut_for(NULL);
    link_close(capture->link);
    if (capture->lock >= 0)
        close(capture->lock);
    free(capture);
}

/* While the operator is asked something: take in what the rig sends, and notice when it is gone. */
static bool watch_rig(void *context)
{
    struct series_capture *c = context;
    return rig_client_pump(c->client, 0, NULL) == ERR_OK;
}

static void show_progress(void *context, const char *doing, double force_n, double fraction)
{
    struct series_capture *c = context;
    operator_progress(c->view, "%s  %s  %.1f N  %.0f %%", c->progress_head, doing, force_n, fraction * 100);
}

/* The feeder, and the test where the plan has more than one. */
static void name_run(const struct series_capture *c, const struct run_record *record, char *text, size_t size)
{
    snprintf(text, size, "%s%s%s", record->feeder, c->plan.test_count > 1 ? " " : "",
             c->plan.test_count > 1 ? PLAN_TEST_NAMES[record->test] : "");
}

/* Place of a run in the plan's order, from 1. */
static int plan_place(const struct run_record *record)
{
    return record->plan_run != 0 ? record->plan_run : record->number;
}

/* Give what a run has left on the disk its names and list it. code: how the writing of its rows ended; what
 * was kept of them is filed all the same. */
static enum err_code file_run(struct series_capture *c, struct run_record *record, enum err_code code,
                              struct err *e)
{
    char rows[512];
    struct err local = {0};
    struct err *now = code == ERR_OK ? e : &local; /* the first failure is the one to tell */
    enum err_code filed = ERR_OK;
    snprintf(rows, sizeof rows, "%s/%04d.csv.part", c->runs_folder, record->number);
    if (code != ERR_OK)
        filed = run_notes_cut_back(record, rows, now);
    if (filed == ERR_OK)
        filed = series_file_run(c->folder, record, now);
    if (filed == ERR_OK)
        filed = series_write_package(c->folder, &c->plan, now);
    return code != ERR_OK ? code : filed;
}

static void count_run(struct series_outcome *outcome, const struct run_record *record)
{
    bool sound = record->ended == RUN_COMPLETE || record->ended == RUN_LIMIT;
    outcome->mended += record->repeats > 0 && sound && outcome->last_faulted;
    outcome->last_faulted = record->ended == RUN_FAULT;
    outcome->recorded++;
    outcome->complete += record->ended == RUN_COMPLETE;
    outcome->limited += record->ended == RUN_LIMIT;
    outcome->faulted += record->ended == RUN_FAULT;
    outcome->interrupted += record->ended == RUN_INTERRUPTED;
}

static void look_at_sample(void *context, enum run_glance_part part, const struct raw_sample *sample)
{
    struct series_capture *c = context;
    series_guide_look(&c->guide, part, sample);
}

/* Whether the folder takes one more run beyond those that are still to be done after that at index. */
static bool has_room(const struct series_capture *c, size_t index)
{
    return c->next_number + (int)(c->run_count - index - 1) <= SERIES_RUNS_MAX;
}

/* One run with its files. What of it was recorded is filed even when an error ends the series. *repeat: the
 * operator wants it once more. */
static enum err_code carry_out_run(struct series_capture *c, size_t index, struct series_outcome *outcome,
                                   bool *repeat, struct err *e)
{
    int64_t begun_us = link_now_us();
    char remark[RUN_GLANCE_TEXT_MAX + 80];
    struct run_record record;
    struct runner_setup setup;
    struct run_writer *writer = NULL;
    struct run_written written;
    struct err later;
    char what[PLAN_NAME_MAX + 40];
    struct conditions conditions;
    bool recorded = false;
    enum err_code code;
    enum err_code filed;
    fill_record(c, index, &record, &setup);
    setup.stop_requests = c->view->stop_requests;
    setup.progress = show_progress;
    setup.look = look_at_sample;
    setup.context = c;
    *repeat = false;
    conditions = *record.conditions;
    series_guide_run(&c->guide, &c->order[index], &conditions);
    record.conditions = &conditions;
    if (record.repeats > 0 && setup.remark == NULL) {
        snprintf(remark, sizeof remark, "repeats run %d, which looked wrong%s%s", record.repeats,
                 c->repeat_why[0] != 0 ? ": " : "", c->repeat_why);
        setup.remark = remark;
    }
    runner_set_start_time(&record);
    name_run(c, &record, what, sizeof what);
    snprintf(c->progress_head, sizeof c->progress_head, "run %d/%zu  %s  %g mm/s", plan_place(&record),
             c->plan_count, what, record.speed_mm_s);
    code = run_writer_open(c->runs_folder, &record, (c->rig.channels & WIRE_CHANNEL_ENCODER) != 0,
                           run_writer_queue_rows(record.sample_rate_hz), &writer, e);
    if (code != ERR_OK)
        return code;
    c->next_number++;
    code = runner_run(c->client, &setup, writer, &record, &recorded, e);
    if (!recorded) {
        run_writer_abandon(writer);
        run_record_free(&record);
        return code != ERR_OK
                   ? code
                   : err_set(e, ERR_NO_ANSWER, "run %d was stopped before it began", plan_place(&record));
    }
    /* By now the motor is cut, so there is time for a disk that is slow or gone. */
    if (code == ERR_SYSTEM)
        operator_say(c->view, "motor cut; waiting for the disk to take what was recorded");
    filed = run_writer_close(writer, &written, &later);
    run_notes_written(&record, &written);
    if (written.rows > 0) {
        filed = file_run(c, &record, filed, &later);
        count_run(outcome, &record);
        *repeat = series_guide_judge(
            &c->guide, &record, &c->calibration, (double)(link_now_us() - begun_us) / 1e6,
            code == ERR_OK && filed == ERR_OK && *c->view->stop_requests == 0 && has_room(c, index),
            c->repeat_why);
        c->repeats[c->order[index].number] = *repeat ? record.number : 0;
    }
    run_record_free(&record);
    if (code == ERR_OK && filed != ERR_OK) {
        *e = later;
        code = filed;
    }
    return code;
}

/* Have the bench changed for the run at index, where anything is to be changed, and the feeder's conditions
 * stated when one was mounted. */
static bool ask_for_changes(struct series_capture *c, size_t index)
{
    char question[BENCH_SETUP_TEXT_MAX];
    const struct plan_run *run = &c->order[index];
    bool mounts = index == 0 || run->feeder != run[-1].feeder || run->block != run[-1].block;
    int64_t begun_us = link_now_us();
    if (!bench_setup_change(&c->bench, index, question, sizeof question))
        return true;
    series_guide_show(&c->guide, run->number);
    if (!operator_confirm(c->view, question, watch_rig, c))
        return false;
    if (mounts)
        series_guide_ask_feeder(&c->guide, run->feeder);
    if (*c->view->stop_requests > 0)
        return false;
    time_left_pause(&c->guide.time, mounts ? TIME_LEFT_MOUNTING : TIME_LEFT_CHANGE,
                    (double)(link_now_us() - begun_us) / 1e6);
    return true;
}

/* What the runs that are there already say: which are done, and under which conditions. */
static enum err_code take_past(struct series_capture *c, struct err *e)
{
    for (int number = 1; c->resumed && number < c->next_number; number++) {
        struct run_record record;
        char path[SERIES_PATH_MAX];
        enum err_code code;
        snprintf(path, sizeof path, "%s/%04d.json", c->runs_folder, number);
        if (access(path, F_OK) != 0)
            continue;
        code = run_record_read(path, &record, e);
        if (code != ERR_OK)
            return code;
        series_guide_take(&c->guide, &record);
        run_record_free(&record);
    }
    return ERR_OK;
}

static void show_warning(void *context, const char *text)
{
    struct series_capture *c = context;
    operator_say(c->view, "warning: %s", text);
}

static enum err_code stopped(const struct series_capture *c, const struct series_outcome *outcome,
                             struct err *e)
{
    struct err gone;
    enum err_code code;
    if (*c->view->stop_requests == 0 && (code = rig_client_pump(c->client, 0, &gone)) != ERR_OK) {
        *e = gone;
        return code;
    }
    if (outcome->recorded == 0)
        return err_set(e, ERR_NO_ANSWER, "stopped by the operator before %s run",
                       c->resumed ? "another" : "the first");
    return err_set_at(e, ERR_NO_ANSWER, c->folder, 0, 0,
                      "stopped by the operator after %d of %d %sruns; they are kept", outcome->recorded,
                      outcome->planned, c->resumed ? "remaining " : "");
}

static enum err_code carry_out(struct series_capture *c, struct series_outcome *outcome, struct err *e)
{
    enum err_code code;
    operator_show_cautions(c->view);
    bench_setup_warn(&c->bench, (c->rig.channels & WIRE_CHANNEL_ENCODER) != 0, show_warning, c);
    if ((code = take_past(c, e)) != ERR_OK)
        return code;
    if (!c->view->unattended &&
        !operator_confirm(c->view, "I have read this and the rig is clear", watch_rig, c))
        return stopped(c, outcome, e);
    series_guide_ask_first(&c->guide);
    if (*c->view->stop_requests > 0) /* so far nothing is made that would be in the way of another try */
        return stopped(c, outcome, e);
    if (!c->resumed) {
        if (c->goes_on)
            operator_say(c->view, "%s: was broken off while it was made; it is completed and begun",
                         c->folder);
        code = series_create(c->folder, c->plan_path, &c->plan, c->calibration_path, e);
        if (code == ERR_OK)
            code = series_resume_lock(c->folder, &c->lock, e);
        if (code != ERR_OK)
            return code;
    }
    outcome->begun = true;
    for (size_t i = 0; i < c->run_count;) {
        bool repeat;
        if (*c->view->stop_requests > 0 || (c->repeat_why[0] == 0 && !ask_for_changes(c, i)))
            return stopped(c, outcome, e);
        code = carry_out_run(c, i, outcome, &repeat, e);
        if (code != ERR_OK)
            return code;
        if (repeat) {
            outcome->planned++;
            outcome->repeated++;
            continue;
        }
        c->repeat_why[0] = 0;
        i++;
    }
    if (*c->view->stop_requests > 0)
        return stopped(c, outcome, e);
    if (outcome->faulted > outcome->mended)
        return err_set_at(e, ERR_NO_ANSWER, c->folder, 0, 0, "%d of %d runs ended as a fault",
                          outcome->faulted, outcome->planned);
    return ERR_OK;
}

enum err_code series_capture_carry_out(struct series_capture *capture, struct operator_view *view,
                                       struct series_outcome *outcome, struct err *e)
{
    enum err_code code;
    *outcome = (struct series_outcome){.planned = (int)capture->run_count};
    capture->view = view;
    if (capture->run_count == 0) {
        operator_say(view, "all %zu runs of the plan are recorded already", capture->plan_count);
        return ERR_OK;
    }
    series_guide_begin(&capture->guide, &capture->plan, capture->rig.time_scale_milli / 1000.0);
    capture->guide.view = view;
    capture->guide.idle = watch_rig;
    capture->guide.context = capture;
    last_cut_for(capture->link);
    /* A host before us may have died with the rig armed. */
    code = rig_client_cut(capture->client, e);
    if (code == ERR_OK)
        code = carry_out(capture, outcome, e);
    outcome->wrong = (int)series_guide_wrong(&capture->guide);
    /* Whatever happened, leave the rig disarmed; a port that is gone has nothing to say to that. */
    rig_client_cut(capture->client, NULL);
    return code;
}
