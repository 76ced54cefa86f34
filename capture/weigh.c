#include "capture/weigh.h"

#include "capture/measurement_note.h"
#include "capture/rig_client.h"
#include "capture/rig_open.h"
#include "capture/stable_reading.h"
#include "capture/table_file.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PUMP_US         20000   /* outside world: how long one wait lasts at most, so that a stop is seen */
#define SILENCE_US      1000000 /* outside world without a sample after which the rig counts as gone */
#define SILENCE_SAMPLES 20      /* sample periods, if that is longer */
#define MOVED_ERRORS    8       /* standard errors by which a reading must leave the one before */

/* One row of the table and what the table does not hold. */
struct reading {
    struct weigh_order_step step;
    double counts, sd_counts, standard_error_counts;
    int64_t n;
    double waited_s;
};

struct weigh {
    const struct weigh_request *request;
    const struct weigh_order *order;
    struct operator_view *view;
    struct link *link;
    struct rig_client *client;
    struct wire_identity rig;
    struct table_file *table;
    char date[MEASUREMENT_NOTE_DATE_BYTES];
    double rate_hz;
    double quiet_sd_counts; /* of the first reading; 0 before */
    struct reading *readings;
    size_t count;
    bool complete;

    bool taking;                  /* samples are wanted */
    struct stable_reading window; /* in hand */
    struct stable_reading judged; /* as of the latest verdict */
    int64_t heard_us;             /* outside-world time at which samples last came */
    struct err failure;
};

/* ---- the rig ---- */

static void fail_device(struct weigh *w, const char *text)
{
    if (w->failure.code == ERR_OK)
        err_set_at(&w->failure, ERR_DEVICE, rig_client_name(w->client), 0, 0, "%s", text);
}

static void take_report(void *context, const struct rig_report *report)
{
    struct weigh *w = context;
    switch (report->kind) {
    case RIG_REPORT_SAMPLES:
        w->heard_us = link_now_us();
        if (w->taking)
            stable_reading_feed(&w->window, report->samples, report->sample_count);
        break;
    case RIG_REPORT_EVENT:
        if (report->event.kind == WIRE_EVENT_WATCHDOG)
            fail_device(w, "the rig's watchdog: it did not hear this program in time");
        break;
    case RIG_REPORT_RESTART:
        fail_device(w, "the rig restarted");
        break;
    default:
        break;
    }
}

/* While the operator is asked something: take in what the rig sends, and notice when it is gone. */
static bool watch_rig(void *context)
{
    struct weigh *w = context;
    if (w->failure.code == ERR_OK)
        rig_client_pump(w->client, 0, &w->failure);
    return w->failure.code == ERR_OK;
}

static enum err_code open_rig(struct weigh *w, struct err *e)
{
    struct wire_configure configure = {0};
    enum err_code code;
    if ((code = rig_open(w->request->port, w->request->baud, w->request->way, &w->link, e)) != ERR_OK ||
        (code = rig_client_new(w->link, &w->client, e)) != ERR_OK ||
        (code = rig_client_identify(w->client, &w->rig, e)) != ERR_OK)
        return code;
    w->rate_hz = fmin(WEIGH_RATE_HZ, w->rig.sample_rate_max_millihertz / 1000.0);
    if (!(w->rate_hz >= 1))
        return err_set_at(e, ERR_DEVICE, w->request->port, 0, 0, "the rig samples only %g times a second",
                          w->rate_hz);
    configure.sample_rate_millihertz = (uint32_t)llround(w->rate_hz * 1000);
    snprintf(configure.feeder, sizeof configure.feeder, "%s", w->request->feeder);
    rig_client_set_handler(w->client, take_report, w);
    /* A host before us may have died with the rig armed. */
    if ((code = rig_client_cut(w->client, e)) != ERR_OK)
        return code;
    rig_client_keep_alive(w->client, true);
    w->heard_us = link_now_us();
    return rig_client_configure(w->client, &configure, e);
}

/* Leave the rig quiet; one that is gone has nothing to say to that. */
static void close_rig(struct weigh *w)
{
    if (w->client != NULL && w->failure.code == ERR_OK && w->rate_hz >= 1) {
        struct wire_configure quiet = {0};
        snprintf(quiet.feeder, sizeof quiet.feeder, "%s", w->request->feeder);
        rig_client_configure(w->client, &quiet, NULL);
    }
    rig_client_free(w->client);
    link_close(w->link);
}

/* ---- the file beside the table ---- */

static json_t *describe_gravity(const struct weigh_order *o)
{
    static const char *const ORIGINS[] = {"standard gravity", "latitude and height", "entered"};
    if (isnan(o->gravity_m_s2))
        return json_null(); /* the loads were given in newtons */
    return json_pack("{s:f, s:s, s:o, s:o, s:o}", "value_m_s2", o->gravity_m_s2, "origin",
                     ORIGINS[o->gravity_from], "standard_uncertainty_m_s2",
                     measurement_note_number(o->gravity_standard_uncertainty_m_s2), "latitude_deg",
                     measurement_note_number(o->latitude_deg), "height_m",
                     measurement_note_number(o->height_m));
}

/* Numbers that rest on the operator's word (or on nobody's, where a default stands for it) by their keys. */
static json_t *list_estimates(const struct weigh_order *o)
{
    json_t *list = json_array();
    json_array_append_new(list, json_string("loads"));
    if (!isnan(o->gravity_m_s2)) {
        json_array_append_new(list, json_string("gravity"));
        json_array_append_new(list, json_string("density_kg_m3"));
        json_array_append_new(list, json_string("air_density_kg_m3"));
    }
    if (!isnan(o->tolerance_mg))
        json_array_append_new(list, json_string("tolerance_mg"));
    if (!isnan(o->tolerance_relative))
        json_array_append_new(list, json_string("tolerance_relative"));
    return list;
}

static json_t *list_loads(const struct weigh_order *o)
{
    json_t *list = json_array();
    for (size_t i = 0; i < o->load_count; i++)
        json_array_append_new(list,
                              json_pack("{s:f, s:f}", "entered", o->entered[i], "load_n", o->force_n[i]));
    return list;
}

static json_t *list_readings(const struct weigh *w)
{
    json_t *list = json_array();
    for (size_t i = 0; i < w->count; i++) {
        const struct reading *r = &w->readings[i];
        json_array_append_new(list, json_pack("{s:f, s:f, s:s, s:i, s:f, s:f, s:I, s:f}", "load_n",
                                              w->order->force_n[r->step.load], "reading_counts", r->counts,
                                              "direction", r->step.up ? "up" : "down", "cycle", r->step.cycle,
                                              "sd_counts", r->sd_counts, "standard_error_counts",
                                              r->standard_error_counts, "n", (json_int_t)r->n, "waited_s",
                                              r->waited_s));
    }
    return list;
}

static enum err_code describe(struct weigh *w, struct err *e)
{
    const struct weigh_order *o = w->order;
    json_t *root = measurement_note_new("nipbench-readings-1", w->date, &w->rig, w->rate_hz);
    json_t *steady = json_pack("{s:f, s:f, s:f, s:f, s:f}", "window_s", stable_reading_window_s(w->rate_hz),
                               "halves_differ_by_less_than_standard_errors", STABLE_READING_STANDARD_ERRORS,
                               "scatter_at_most_times_quiet", STABLE_READING_SCATTER_RATIO, "quiet_sd_counts",
                               w->quiet_sd_counts, "timeout_s", o->timeout_s);
    json_t *rest = json_pack("{s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:i, s:o, s:s, s:o}", "steady", steady,
                             "unit", o->unit, "loads", list_loads(o), "gravity", describe_gravity(o),
                             "density_kg_m3", measurement_note_number(o->density_kg_m3), "air_density_kg_m3",
                             measurement_note_number(o->air_density_kg_m3), "tolerance_mg",
                             measurement_note_number(o->tolerance_mg), "tolerance_relative",
                             measurement_note_number(o->tolerance_relative), "cycles", o->cycles,
                             "operator_estimates", list_estimates(o), "ended",
                             w->complete ? "complete" : "interrupted", "readings", list_readings(w));
    if (root == NULL || rest == NULL || json_object_update(root, rest) != 0) {
        json_decref(root);
        root = NULL;
    }
    json_decref(rest);
    return table_file_describe(w->table, root, e);
}

/* ---- one reading ---- */

static bool stop_asked(const struct weigh *w)
{
    return *w->view->stop_requests > 0;
}

/* "1.5 kg hung (14.7077 N)" as the operator knows it. */
static void name_load(const struct weigh_order *o, size_t load, char *text, size_t size)
{
    if (!(o->force_n[load] > 0))
        snprintf(text, size, "no weight");
    else if (strcmp(o->unit, "N") == 0)
        snprintf(text, size, "%.9g N", o->entered[load]);
    else
        snprintf(text, size, "%.9g %s (%.4f N)", o->entered[load], o->unit, o->force_n[load]);
}

static enum err_code over_range(const struct weigh *w, size_t load, struct err *e)
{
    bool at_top = w->window.mean_counts * 2 > (double)w->rig.counts_min + (double)w->rig.counts_max;
    char name[80];
    name_load(w->order, load, name, sizeof name);
    return err_set_at(e, ERR_DEVICE, rig_client_name(w->client), 0, 0,
                      "with %s the reading is at the end of the converter's range (%" PRId32
                      " counts), so the load cannot be read: take the weight off, then lower the amplifier's "
                      "gain or leave out this load",
                      name, at_top ? w->rig.counts_max : w->rig.counts_min);
}

/* Whether the mean of the window judged last has left the reading before, where another load hung. */
static bool has_moved(const struct weigh *w, const struct weigh_order_step *step)
{
    const struct reading *last;
    double error;
    if (w->count == 0)
        return true;
    last = &w->readings[w->count - 1];
    error = hypot(last->standard_error_counts, w->judged.standard_error_counts);
    return last->step.load == step->load ||
           fabs(w->judged.mean_counts - last->counts) > fmax(MOVED_ERRORS * error, STABLE_READING_COUNT);
}

/* Why the time is up, in words. */
static void say_why(const struct weigh *w, const struct weigh_order_step *step, char *text, size_t size)
{
    const struct stable_reading *r = &w->judged;
    switch (r->verdict) {
    case STABLE_MOVING:
        snprintf(text, size, "it went on by %+.1f counts in half a window, %.1f would be steady",
                 r->difference_counts, r->difference_allowed_counts);
        break;
    case STABLE_SHAKING:
        snprintf(text, size, "its scatter is %.1f counts, %.1f would be steady", r->sd_counts,
                 r->sd_allowed_counts);
        break;
    case STABLE_STEADY:
        snprintf(text, size, "%s",
                 has_moved(w, step) ? "the load came too late"
                                    : "it is still what it was with the load before");
        break;
    default:
        snprintf(text, size, "there were too few samples");
        break;
    }
}

static void begin_window(struct weigh *w)
{
    stable_reading_begin(&w->window, w->rate_hz, w->rig.counts_min, w->rig.counts_max, w->quiet_sd_counts);
}

/* Wait until the window is steady (and, unattended, has left the last load), over range, or the time is up.
 * *steady: there is a reading to take. */
static enum err_code await_steady(struct weigh *w, const struct weigh_order_step *step, double *waited_s,
                                  bool *steady, struct err *e)
{
    int64_t silence_us = SILENCE_US;
    double before_s = 0; /* waited in windows that were given up */
    bool seen_moved =
        !w->view->unattended || w->count == 0 || w->readings[w->count - 1].step.load == step->load;
    if (silence_us < rig_client_outside_us(w->client, (int64_t)(SILENCE_SAMPLES * 1e6 / w->rate_hz)))
        silence_us = rig_client_outside_us(w->client, (int64_t)(SILENCE_SAMPLES * 1e6 / w->rate_hz));
    *steady = false;
    *waited_s = 0;
    begin_window(w);
    w->judged = w->window;
    w->taking = true;
    while (w->failure.code == ERR_OK && !stop_asked(w)) {
        *waited_s = before_s + stable_reading_waited_s(&w->window);
        if (w->window.verdict != STABLE_WAITING)
            w->judged = w->window;
        if (w->window.verdict == STABLE_OVER_RANGE)
            break;
        if (w->window.verdict == STABLE_STEADY) {
            bool moved = has_moved(w, step);
            *steady = moved && seen_moved;
            if (*steady || (!moved && !w->view->unattended) || *waited_s >= w->order->timeout_s)
                break;
            /* Unattended: the first steady window after the change may have begun within it. */
            seen_moved = seen_moved || moved;
            before_s = *waited_s;
            begin_window(w);
        }
        if (*waited_s >= w->order->timeout_s)
            break;
        if (link_now_us() - w->heard_us > silence_us)
            fail_device(w, "the rig has stopped sending samples");
        else
            rig_client_pump(w->client, PUMP_US, &w->failure);
        operator_progress(w->view, "waiting for a steady reading  %.0f s of %g s  %.0f counts", *waited_s,
                          w->order->timeout_s, w->judged.mean_counts);
    }
    w->taking = false;
    if (w->failure.code != ERR_OK && e != NULL)
        *e = w->failure;
    return w->failure.code;
}

static enum err_code stopped(const struct weigh *w, struct err *e)
{
    if (w->failure.code != ERR_OK) {
        *e = w->failure;
        return e->code;
    }
    if (w->count == 0)
        return err_set(e, ERR_NO_ANSWER, "stopped by the operator before the first reading");
    return err_set_at(e, ERR_NO_ANSWER, w->request->out, 0, 0,
                      "stopped by the operator after %zu of %zu readings; they are kept", w->count,
                      weigh_order_step_count(w->order));
}

/* Ask for the load and wait until it is steady, again and again if need be. */
static enum err_code measure(struct weigh *w, const struct weigh_order_step *step, struct reading *reading,
                             struct err *e)
{
    char name[80];
    char question[320];
    bool same_load = w->count > 0 && w->readings[w->count - 1].step.load == step->load;
    name_load(w->order, step->load, name, sizeof name);
    snprintf(question, sizeof question, "cycle %d of %d, %s: %s%s", step->cycle, w->order->cycles,
             step->up ? "up" : "down", step->load == 0 ? "take all weights off" : "hang ",
             step->load == 0 ? "" : name);
    for (;;) {
        char why[160];
        bool steady;
        enum err_code code;
        if (!same_load && !operator_confirm(w->view, question, watch_rig, w))
            return stopped(w, e);
        /* What was sampled before the operator was ready has come before this acknowledgement. */
        if ((code = rig_client_cut(w->client, e)) != ERR_OK ||
            (code = await_steady(w, step, &reading->waited_s, &steady, e)) != ERR_OK)
            return code;
        if (stop_asked(w))
            return stopped(w, e);
        if (w->window.verdict == STABLE_OVER_RANGE)
            return over_range(w, step->load, e);
        if (steady)
            break;
        say_why(w, step, why, sizeof why);
        if (w->view->unattended)
            return err_set(e, ERR_NO_ANSWER,
                           "the reading with %s was not steady within %g s: %s; %zu of %zu readings are kept",
                           name, w->order->timeout_s, why, w->count, weigh_order_step_count(w->order));
        same_load = false;
        snprintf(question, sizeof question, "The reading with %s was not steady: %s. Once more", name, why);
    }
    reading->step = *step;
    reading->counts = w->window.mean_counts;
    reading->sd_counts = w->window.sd_counts;
    reading->standard_error_counts = w->window.standard_error_counts;
    reading->n = w->window.n;
    if (w->count == 0)
        w->quiet_sd_counts = reading->sd_counts;
    return ERR_OK;
}

static enum err_code record(struct weigh *w, const struct reading *reading, struct err *e)
{
    char row[160];
    enum err_code code;
    snprintf(row, sizeof row, "%.6f,%.3f,%s,%d", w->order->force_n[reading->step.load], reading->counts,
             reading->step.up ? "up" : "down", reading->step.cycle);
    code = table_file_append(w->table, row, e);
    if (code != ERR_OK)
        return code;
    w->readings[w->count++] = *reading;
    w->complete = w->count == weigh_order_step_count(w->order);
    operator_say(w->view, "reading %zu of %zu: %.3f counts, scatter %.1f counts, n %" PRId64, w->count,
                 weigh_order_step_count(w->order), reading->counts, reading->sd_counts, reading->n);
    return describe(w, e);
}

static void say_gravity(struct weigh *w)
{
    const struct weigh_order *o = w->order;
    if (isnan(o->gravity_m_s2))
        return;
    if (o->gravity_from == WEIGH_ORDER_GRAVITY_STANDARD)
        operator_say(w->view,
                     "gravity %.5f m/s2: standard gravity, an estimate that is off by up to 0.3 %% at sea "
                     "level; state --latitude and --height, or --gravity",
                     o->gravity_m_s2);
    else if (o->gravity_from == WEIGH_ORDER_GRAVITY_PLACE)
        operator_say(w->view, "gravity %.5f m/s2: normal gravity at %g degrees and %g m, operator's estimate",
                     o->gravity_m_s2, o->latitude_deg, o->height_m);
    else
        operator_say(w->view, "gravity %.5f m/s2: as entered, operator's estimate", o->gravity_m_s2);
}

static enum err_code carry_out(struct weigh *w, struct err *e)
{
    enum err_code code = open_rig(w, e);
    if (code != ERR_OK)
        return code;
    say_gravity(w);
    operator_say(w->view,
                 "Nothing moves: the motor is cut. Hang the weights gently, and stand clear of where "
                 "they could fall.");
    for (size_t i = 0; i < weigh_order_step_count(w->order); i++) {
        struct weigh_order_step step = weigh_order_step(w->order, i);
        struct reading reading = {0};
        if (stop_asked(w))
            return stopped(w, e);
        if ((code = measure(w, &step, &reading, e)) != ERR_OK || (code = record(w, &reading, e)) != ERR_OK)
            return code;
    }
    return ERR_OK;
}

enum err_code weigh_carry_out(const struct weigh_request *request, struct operator_view *view,
                              struct weigh_outcome *outcome, struct err *e)
{
    struct weigh w = {.request = request, .order = request->order, .view = view};
    enum err_code code;
    *outcome = (struct weigh_outcome){.planned = weigh_order_step_count(request->order)};
    measurement_note_date(w.date, sizeof w.date);
    w.readings = calloc(outcome->planned, sizeof *w.readings);
    if (w.readings == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    code = table_file_create(request->out, WEIGH_HEADER, &w.table, e);
    if (code == ERR_OK)
        code = carry_out(&w, e);
    outcome->recorded = w.count;
    close_rig(&w);
    table_file_close(w.table);
    free(w.readings);
    return code;
}
