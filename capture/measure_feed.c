#include "capture/measure_feed.h"

#include "capture/last_cut.h"

#include "capture/measurement_note.h"
#include "capture/rig_client.h"
#include "capture/rig_open.h"
#include "capture/runner.h"
#include "capture/table_file.h"
#include "datasets/format/kept.h"
#include "rig/base/number.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI                 3.14159265358979323846
#define RATE_HZ            1000
#define ACCELERATION_MM_S2 50.0
#define REST_S             0.3 /* before a move, for the zero of its force limit, and after it */
#define TRAVEL_MARGIN_MM   1.0
#define TIME_MARGIN_S      10.0
#define MICROSTEP_RATE_MAX 1e6
#define ODD_SHARE          0.2 /* off the nominal length by more: asked once more, it may be a slip of the pen */

/* ---- what is asked for ---- */

static enum err_code need(const char *text, const char *what, struct err *e)
{
    return text != NULL ? ERR_OK : err_set(e, ERR_USAGE, "%s is missing", what);
}

/* A number that must be there unless it already has a value in *value. */
static enum err_code read_number(const char *text, double low, double high, const char *what,
                                 const char *unit, double *value, struct err *e)
{
    if (text == NULL && *value > 0)
        return ERR_OK;
    return text == NULL ? need(text, what, e) : number_read_double(text, low, high, what, unit, value, e);
}

static enum err_code read_whole(const char *text, int64_t low, int64_t high, const char *what, int *value,
                                struct err *e)
{
    int64_t number;
    enum err_code code;
    if (text == NULL && *value > 0)
        return ERR_OK;
    if ((code = need(text, what, e)) != ERR_OK ||
        (code = number_read_int64(text, low, high, what, "", &number, e)) != ERR_OK)
        return code;
    *value = (int)number;
    return ERR_OK;
}

/* Numbers with commas between them, in mm. */
static enum err_code read_list(const char *text, double low, size_t most, const char *what, double *values,
                               size_t *count, struct err *e)
{
    *count = 0;
    for (const char *next = text; next != NULL;) {
        const char *comma = strchr(next, ',');
        int length = comma == NULL ? (int)strlen(next) : (int)(comma - next);
        char word[64];
        enum err_code code;
        if (*count == most)
            return err_set(e, ERR_USAGE, "%s: more than %zu lengths", what, most);
        if (length >= (int)sizeof word)
            return err_set(e, ERR_USAGE, "%s: '%.40s...' is not a number", what, next);
        snprintf(word, sizeof word, "%.*s", length, next);
        code = number_read_double(word, low, MEASURE_FEED_LENGTH_MAX_MM, what, "mm", &values[*count], e);
        if (code != ERR_OK)
            return code;
        ++*count;
        next = comma == NULL ? NULL : comma + 1;
    }
    return ERR_OK;
}

static enum err_code read_lengths(const char *text, struct measure_feed_order *o, struct err *e)
{
    enum err_code code = need(text, "--lengths", e);
    if (code == ERR_OK)
        code = read_list(text, 1, MEASURE_FEED_LENGTHS_MAX, "--lengths", o->length_mm, &o->length_count, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0; i < o->length_count; i++) {
        for (size_t j = 0; j < i; j++) {
            if (!(o->length_mm[i] < o->length_mm[j]) && !(o->length_mm[i] > o->length_mm[j]))
                return err_set(e, ERR_USAGE,
                               "--lengths: %g mm is there twice; --repeats says how often each is measured",
                               o->length_mm[i]);
        }
        o->length_microsteps[i] = llround(o->length_mm[i] / o->mm_per_microstep);
        if (o->length_microsteps[i] < 1 || o->length_microsteps[i] > INT32_MAX / 2)
            return err_set(e, ERR_USAGE,
                           "--lengths: %g mm would be %" PRId64 " microsteps, which no rig can do",
                           o->length_mm[i], o->length_microsteps[i]);
    }
    if (o->length_count < MEASURE_FEED_LENGTHS_LEAST)
        return err_set(e, ERR_USAGE,
                       "--lengths: one is too few; two or more tell feed from motion lost at a reversal");
    return ERR_OK;
}

static enum err_code read_measured(const char *text, struct measure_feed_order *o, struct err *e)
{
    size_t count;
    enum err_code code = read_list(text, 0, MEASURE_FEED_MOVES_MAX, "--measured", o->measured_mm, &count, e);
    if (code != ERR_OK)
        return code;
    o->have_measured = text != NULL;
    if (text != NULL && count != measure_feed_move_count(o))
        return err_set(e, ERR_USAGE,
                       "--measured: %zu lengths for %zu moves (%zu lengths, %d repeats, forward and back)",
                       count, measure_feed_move_count(o), o->length_count, o->repeats);
    return ERR_OK;
}

static enum err_code read_feeder(const char *text, struct measure_feed_order *o, struct err *e)
{
    enum err_code code = need(text, "--feeder", e);
    if (code != ERR_OK)
        return code;
    if (text[0] == 0 || strlen(text) >= sizeof o->feeder ||
        text[strspn(text, "abcdefghijklmnopqrstuvwxyz0123456789-")] != 0)
        return err_set(e, ERR_USAGE, "--feeder: '%.60s' must be 1 to 32 small letters, digits and hyphens",
                       text);
    snprintf(o->feeder, sizeof o->feeder, "%s", text);
    return ERR_OK;
}

enum err_code measure_feed_read_words(const struct measure_feed_words *words,
                                      struct measure_feed_order *order, struct err *e)
{
    struct measure_feed_order *o = order;
    double limit = 0;
    enum err_code code;
    memset(o, 0, sizeof *o);
    o->repeats = MEASURE_FEED_REPEATS;
    o->speed_mm_s = MEASURE_FEED_SPEED_MM_S;
    o->resolution_mm = NAN;
    if ((code = read_feeder(words->feeder, o, e)) != ERR_OK ||
        (code = read_whole(words->full_steps, 4, 10000, "--full-steps", &o->full_steps_per_rev, e)) !=
            ERR_OK ||
        (code = read_whole(words->microsteps, 1, 1024, "--microsteps", &o->microsteps, e)) != ERR_OK ||
        (code = read_number(words->reduction, 0.01, 1000, "--reduction", "", &o->reduction, e)) != ERR_OK ||
        (code = read_number(words->diameter, 1, 200, "--diameter", "mm", &o->diameter_mm, e)) != ERR_OK ||
        (code = read_whole(words->repeats, 1, MEASURE_FEED_REPEATS_MAX, "--repeats", &o->repeats, e)) !=
            ERR_OK ||
        (code = read_number(words->speed, 0.1, 200, "--speed", "mm/s", &o->speed_mm_s, e)) != ERR_OK)
        return code;
    if (words->resolution != NULL &&
        (code = number_read_double(words->resolution, 1e-4, 10, "--resolution-mm", "mm", &o->resolution_mm,
                                   e)) != ERR_OK)
        return code;
    if (words->force_limit != NULL &&
        (code = number_read_double(words->force_limit, 1, 1e9, "--force-limit-counts", "counts", &limit,
                                   e)) != ERR_OK)
        return code;
    o->force_limit_counts = llround(limit);
    o->mm_per_microstep = PI * o->diameter_mm / (o->full_steps_per_rev * o->microsteps * o->reduction);
    if (o->speed_mm_s / o->mm_per_microstep > MICROSTEP_RATE_MAX)
        return err_set(e, ERR_USAGE, "--speed: %g mm/s would be %.0f microsteps a second; at most %.0f",
                       o->speed_mm_s, o->speed_mm_s / o->mm_per_microstep, MICROSTEP_RATE_MAX);
    if ((code = read_lengths(words->lengths, o, e)) != ERR_OK)
        return code;
    return read_measured(words->measured, o, e);
}

size_t measure_feed_move_count(const struct measure_feed_order *order)
{
    return 2 * order->length_count * (size_t)order->repeats;
}

struct measure_feed_move measure_feed_move(const struct measure_feed_order *order, size_t i)
{
    return (struct measure_feed_move){.length = i / 2 % order->length_count,
                                      .forward = i % 2 == 0,
                                      .repeat = (int)(i / (2 * order->length_count)) + 1};
}

/* ---- carrying it out ---- */

struct feed {
    const struct measure_feed_request *request;
    const struct measure_feed_order *order;
    struct operator_view *view;
    struct link *link;
    struct rig_client *client;
    struct wire_identity rig;
    struct table_file *table;
    struct calibration counts; /* one count stands for one newton: the limit is in counts */
    char date[MEASUREMENT_NOTE_DATE_BYTES];
    double rate_hz;
    double force_limit_counts;
    size_t recorded;
};

static bool watch_rig(void *context)
{
    struct feed *f = context;
    return rig_client_pump(f->client, 0, NULL) == ERR_OK;
}

static void show_progress(void *context, const char *doing, double force_counts, double fraction)
{
    struct feed *f = context;
    operator_progress(f->view, "move %zu of %zu  %s  %+.0f counts  %.0f %%", f->recorded + 1,
                      measure_feed_move_count(f->order), doing, force_counts, fraction * 100);
}

static enum err_code open_rig(struct feed *f, struct err *e)
{
    const struct measure_feed_order *o = f->order;
    double range;
    enum err_code code;
    if ((code = rig_open(f->request->port, f->request->baud, f->request->way, &f->link, e)) != ERR_OK ||
        (code = rig_client_new(f->link, &f->client, e)) != ERR_OK ||
        (code = rig_client_identify(f->client, &f->rig, e)) != ERR_OK)
        return code;
    if (f->rig.microsteps != 0 && f->rig.microsteps != o->microsteps)
        return err_set(e, ERR_USAGE, "--microsteps: the rig's driver is set to %d, not %d", f->rig.microsteps,
                       o->microsteps);
    if (f->rig.full_steps_per_rev != 0 && f->rig.full_steps_per_rev != o->full_steps_per_rev)
        return err_set(e, ERR_USAGE, "--full-steps: the rig's motor has %d a turn, not %d",
                       f->rig.full_steps_per_rev, o->full_steps_per_rev);
    f->rate_hz = fmin(RATE_HZ, f->rig.sample_rate_max_millihertz / 1000.0);
    if (!(f->rate_hz >= 1))
        return err_set_at(e, ERR_DEVICE, f->request->port, 0, 0, "the rig samples only %g times a second",
                          f->rate_hz);
    range = (double)f->rig.counts_max - (double)f->rig.counts_min;
    f->force_limit_counts = o->force_limit_counts > 0 ? (double)o->force_limit_counts
                                                      : fmax(1, floor(MEASURE_FEED_FORCE_SHARE * range));
    if (f->force_limit_counts > range / 2)
        return err_set(e, ERR_USAGE,
                       "--force-limit-counts: %.0f is more than half of the converter's range (%" PRId32
                       " to %" PRId32 ")",
                       f->force_limit_counts, f->rig.counts_min, f->rig.counts_max);
    f->counts.degree = 1;
    f->counts.coefficients[1] = 1;
    last_cut_for(f->link);
    /* A host before us may have died with the rig armed. */
    return rig_client_cut(f->client, e);
}

static enum err_code stopped(const struct feed *f, struct err *e)
{
    if (*f->view->stop_requests == 0 && rig_client_pump(f->client, 0, e) != ERR_OK)
        return e->code;
    if (f->recorded == 0)
        return err_set(e, ERR_NO_ANSWER, "stopped by the operator before the first length was measured");
    return err_set_at(e, ERR_NO_ANSWER, f->request->out, 0, 0,
                      "stopped by the operator after %zu of %zu lengths; they are kept", f->recorded,
                      measure_feed_move_count(f->order));
}

/* What the move came to, once it was carried out. */
static enum err_code judge_move(struct feed *f, const struct measure_feed_move *move,
                                const struct run_record *record, struct err *e)
{
    const struct measure_feed_order *o = f->order;
    if (record->ended == RUN_INTERRUPTED)
        return stopped(f, e);
    if (record->ended == RUN_FAULT)
        return err_set_at(e, ERR_DEVICE, f->request->port, 0, 0, "the move of %g mm %s failed: %s",
                          o->length_mm[move->length], move->forward ? "forward" : "backward",
                          kept_text_or_empty(record->ended_why));
    if (record->ended == RUN_LIMIT)
        return err_set(e, ERR_NO_ANSWER,
                       "the move of %g mm %s ended before its end: %s; make the way free and begin anew "
                       "(%zu of %zu lengths are kept)",
                       o->length_mm[move->length], move->forward ? "forward" : "backward",
                       kept_text_or_empty(record->ended_why), f->recorded, measure_feed_move_count(o));
    return ERR_OK;
}

static enum err_code carry_out_move(struct feed *f, const struct measure_feed_move *move, struct err *e)
{
    const struct measure_feed_order *o = f->order;
    double length_mm = (double)o->length_microsteps[move->length] * o->mm_per_microstep;
    struct run_record record = {.speed_mm_s = move->forward ? o->speed_mm_s : -o->speed_mm_s,
                                .mm_per_microstep = o->mm_per_microstep,
                                .sample_rate_hz = f->rate_hz,
                                .counts_min = f->rig.counts_min,
                                .counts_max = f->rig.counts_max,
                                .force_limit_n = f->force_limit_counts,
                                .travel_limit_mm = length_mm + TRAVEL_MARGIN_MM,
                                .time_limit_s = 2 * length_mm / o->speed_mm_s + TIME_MARGIN_S};
    struct runner_setup setup = {.travel_mm = length_mm,
                                 .acceleration_mm_s2 = ACCELERATION_MM_S2,
                                 .rest_before_s = REST_S,
                                 .rest_after_s = REST_S,
                                 .calibration = &f->counts,
                                 .stop_requests = f->view->stop_requests,
                                 .progress = show_progress,
                                 .context = f};
    bool recorded;
    enum err_code code;
    snprintf(record.feeder, sizeof record.feeder, "%s", o->feeder);
    code = runner_run(f->client, &setup, NULL, &record, &recorded, e);
    if (code == ERR_OK)
        code = judge_move(f, move, &record, e);
    run_record_free(&record);
    return code;
}

/* Ask until there is a number; one far off the nominal length must be typed twice. */
static bool ask_length(struct feed *f, const char *name, double nominal_mm, double *measured_mm)
{
    char question[200];
    double odd_mm = -1;
    snprintf(question, sizeof question, "%s: measured length in mm", name);
    for (;;) {
        char answer[128];
        struct err e;
        if (!operator_ask(f->view, question, answer, sizeof answer, watch_rig, f))
            return false;
        if (number_read_double(answer, 0, MEASURE_FEED_LENGTH_MAX_MM, "length", "mm", measured_mm, &e) !=
            ERR_OK) {
            operator_say(f->view, "%s; type millimetres without a sign, such as 99.85", e.text);
            continue;
        }
        if (fabs(*measured_mm - nominal_mm) <= ODD_SHARE * nominal_mm || fabs(*measured_mm - odd_mm) < 1e-9)
            return true;
        odd_mm = *measured_mm;
        operator_say(f->view, "%g mm is far from the %g mm that were commanded; type it once more to keep it",
                     *measured_mm, nominal_mm);
    }
}

static enum err_code describe(struct feed *f, struct err *e)
{
    const struct measure_feed_order *o = f->order;
    json_t *root = measurement_note_new("nipbench-feed-1", f->date, &f->rig, f->rate_hz);
    json_t *lengths = json_array();
    json_t *estimates = json_pack("[s, s]", "measured_mm", "drive_diameter_mm");
    json_t *rest;
    if (!isnan(o->resolution_mm))
        json_array_append_new(estimates, json_string("resolution_mm"));
    for (size_t i = 0; i < o->length_count; i++)
        json_array_append_new(lengths, json_real(o->length_mm[i]));
    rest = json_pack(
        "{s:s, s:i, s:i, s:f, s:f, s:f, s:f, s:f, s:f, s:o, s:o, s:i, s:b, s:o, s:s}", "feeder", o->feeder,
        "full_steps_per_rev", o->full_steps_per_rev, "microsteps", o->microsteps, "reduction", o->reduction,
        "drive_diameter_mm", o->diameter_mm, "nominal_mm_per_microstep", o->mm_per_microstep, "speed_mm_s",
        o->speed_mm_s, "acceleration_mm_s2", ACCELERATION_MM_S2, "force_limit_counts", f->force_limit_counts,
        "resolution_mm", measurement_note_number(o->resolution_mm), "lengths_mm", lengths, "repeats",
        o->repeats, "measured_beforehand", o->have_measured, "operator_estimates", estimates, "ended",
        f->recorded == measure_feed_move_count(o) ? "complete" : "interrupted");
    if (root == NULL || rest == NULL || json_object_update(root, rest) != 0) {
        json_decref(root);
        root = NULL;
    }
    json_decref(rest);
    return table_file_describe(f->table, root, e);
}

static enum err_code measure(struct feed *f, size_t i, struct err *e)
{
    const struct measure_feed_order *o = f->order;
    struct measure_feed_move move = measure_feed_move(o, i);
    const char *direction = move.forward ? "forward" : "backward";
    char name[80];
    char question[200];
    char row[200];
    double measured_mm = 0;
    enum err_code code;
    snprintf(name, sizeof name, "move %zu of %zu, %g mm %s", i + 1, measure_feed_move_count(o),
             o->length_mm[move.length], direction);
    snprintf(question, sizeof question, "%s: mark the filament where you measure from", name);
    if (!operator_confirm(f->view, question, watch_rig, f))
        return stopped(f, e);
    code = carry_out_move(f, &move, e);
    if (code != ERR_OK)
        return code;
    if (o->have_measured)
        measured_mm = o->measured_mm[i];
    else if (!ask_length(f, name, o->length_mm[move.length], &measured_mm))
        return stopped(f, e);
    snprintf(row, sizeof row, "%s,%" PRId64 ",%.9g,%s,%d", o->feeder, o->length_microsteps[move.length],
             measured_mm, direction, move.repeat);
    code = table_file_append(f->table, row, e);
    if (code != ERR_OK)
        return code;
    f->recorded++;
    return describe(f, e);
}

static enum err_code carry_out(struct feed *f, struct err *e)
{
    double longest_mm = 0;
    enum err_code code = open_rig(f, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0; i < f->order->length_count; i++)
        longest_mm = fmax(longest_mm, f->order->length_mm[i]);
    operator_show_cautions(f->view);
    operator_say(f->view, "The filament must be free to move by %g mm each way, with nothing at its end.",
                 longest_mm);
    if (isnan(f->order->resolution_mm))
        operator_say(f->view, "The resolution of the rule or caliper is not stated; --resolution-mm does.");
    if (!f->view->unattended &&
        !operator_confirm(f->view, "I have read this and the rig is clear", watch_rig, f))
        return stopped(f, e);
    for (size_t i = 0; i < measure_feed_move_count(f->order); i++) {
        if (*f->view->stop_requests > 0)
            return stopped(f, e);
        if ((code = measure(f, i, e)) != ERR_OK)
            return code;
    }
    return ERR_OK;
}

enum err_code measure_feed_carry_out(const struct measure_feed_request *request, struct operator_view *view,
                                     struct measure_feed_outcome *outcome, struct err *e)
{
    struct feed f = {.request = request, .order = request->order, .view = view};
    enum err_code code;
    *outcome = (struct measure_feed_outcome){.planned = measure_feed_move_count(request->order)};
    measurement_note_date(f.date, sizeof f.date);
    code = table_file_create(request->out, MEASURE_FEED_HEADER, &f.table, e);
    if (code == ERR_OK)
        code = carry_out(&f, e);
    /* Whatever happened, leave the rig disarmed; a port that is gone has nothing to say to that. */
    if (f.client != NULL && f.rate_hz >= 1)
        rig_client_cut(f.client, NULL);
    outcome->recorded = f.recorded;
    rig_client_free(f.client);
    last_cut_for(NULL);
    link_close(f.link);
    table_file_close(f.table);
    return code;
}
