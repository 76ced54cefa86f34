#include "capture/runner.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define PI         3.14159265358979323846
#define PUMP_US    20000  /* outside world: how long one wait lasts at most, so that a stop request is seen */
#define SILENCE_US 500000 /* rig time without a sample after which the rig counts as gone */
#define SILENCE_LEAST_US                                                                                     \
    1000000                /* outside world: a busy host may be slow, however fast the rig's clock runs */
#define SILENCE_SAMPLES 20 /* sample periods without a sample after which the rig counts as gone */
#define SETTLE_US                                                                                            \
    100000 /* rig time at the end of the travel after which a lost "motion done" is not awaited */
#define STOP_US 2000000 /* rig time a controlled stop may take before the motor is cut */

enum phase {
    PHASE_ASKED,   /* configure is sent; what comes before its acknowledgement is not of this run */
    PHASE_RESTING, /* recording, unloaded */
    PHASE_ARMED,   /* limits are in force */
    PHASE_PUSHING, /* move is sent */
    PHASE_RELEASED /* cut is sent */
};

struct runner {
    struct rig_client *client;
    const struct runner_setup *setup;
    struct run_writer *writer;
    struct run_record *record;
    enum phase phase;

    bool have_origin;
    int64_t origin_us; /* rig time of the first sample: zero of the run's own time */
    int64_t time_us;   /* of the newest sample, from the origin */
    int64_t heard_us;  /* outside-world time at which samples last came */
    int32_t steps;     /* of the newest sample */
    int32_t counts;    /* of the newest sample */
    double zero_sum;
    int64_t zero_n;
    double zero_counts;

    struct wire_arm limits;
    struct wire_move move; /* of the way in hand */
    int ways;              /* how many make up the push: 1, or 2 for each cycle */
    int way;               /* the one in hand, from 0; odd ones go back */
    int64_t armed_us;
    bool moved;
    int64_t arrived_us; /* when the way was first seen complete, -1 before */
    bool way_done;      /* and another one is due */
    bool motion_done;

    bool have_dropped;
    uint32_t dropped; /* samples the rig has told to have dropped */

    bool over;    /* the run has ended; record tells how */
    bool by_host; /* it was the host that found the limit */
    bool watchdog;
    struct err failure; /* what ends the series too */
};

double runner_mm_per_microstep(const struct plan_feeder *feeder, const struct calibration *c)
{
    for (size_t i = 0; i < c->feed_count; i++) {
        if (strcmp(c->feeds[i].feeder, feeder->name) == 0)
            return c->feeds[i].mm_per_microstep;
    }
    return PI * feeder->drive_diameter_mm /
           (feeder->full_steps_per_rev * feeder->microsteps * feeder->reduction);
}

enum err_code runner_check(const struct wire_identity *rig, const struct runner_setup *setup,
                           const struct run_record *record, const char *plan_path, struct err *e)
{
    const struct calibration *c = setup->calibration;
    double rate_max_hz = rig->sample_rate_max_millihertz / 1000.0;
    double microsteps_s = record->speed_mm_s / record->mm_per_microstep;
    double reading_low, reading_high;
    if (record->sample_rate_hz > rate_max_hz)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "rate_hz: this rig samples at most %g times a second, not %g", rate_max_hz,
                          record->sample_rate_hz);
    if (rig->microsteps != 0 && rig->microsteps != record->microsteps)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: the rig's driver is set to %d microsteps, the plan says %d",
                          record->feeder, rig->microsteps, record->microsteps);
    if (rig->full_steps_per_rev != 0 && rig->full_steps_per_rev != record->full_steps_per_rev)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: the rig's motor has %d full steps a turn, the plan says %d",
                          record->feeder, rig->full_steps_per_rev, record->full_steps_per_rev);
    if (!(microsteps_s * 1000 >= 1 && microsteps_s * 1000 < INT32_MAX))
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: %g mm/s is %g microsteps a second, which no rig can do", record->feeder,
                          record->speed_mm_s, microsteps_s);
    if (!(setup->acceleration_mm_s2 / record->mm_per_microstep < UINT32_MAX))
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: an acceleration of %g mm/s2 is more than a rig can do", record->feeder,
                          setup->acceleration_mm_s2);
    if (!(setup->travel_mm / record->mm_per_microstep >= 1 &&
          record->travel_limit_mm / record->mm_per_microstep < INT32_MAX))
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: a travel of %g mm is not possible in microsteps of %g mm",
                          record->feeder, setup->travel_mm, record->mm_per_microstep);
    reading_low = calibration_counts(c, 0, c->coefficients[0]);
    reading_high = calibration_counts(c, record->force_limit_n, c->coefficients[0]);
    if (!isfinite(reading_high) || reading_high == reading_low)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0, "force_n: the calibration gives no reading for %g N",
                          record->force_limit_n);
    if (reading_high < rig->counts_min || reading_high > rig->counts_max)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "force_n: %g N would read %.0f counts, outside this rig's converter (%d to %d)",
                          record->force_limit_n, reading_high, rig->counts_min, rig->counts_max);
    return ERR_OK;
}

static void note(struct runner *r, int64_t time_us, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Add an event to the record; the first ones are kept when there are too many. */
static void note(struct runner *r, int64_t time_us, const char *format, ...)
{
    struct run_event *event;
    va_list arguments;
    if (r->record->event_count >= SERIES_EVENTS_MAX)
        return;
    event = &r->record->events[r->record->event_count++];
    event->time_us = time_us < 0 ? 0 : time_us;
    va_start(arguments, format);
    vsnprintf(event->text, sizeof event->text, format, arguments);
    va_end(arguments);
}

/* The run is over: the first reason counts, except that the rig's own word replaces the host's. */
static void end_run(struct runner *r, enum run_end how, bool by_host, int64_t time_us, const char *why)
{
    if (r->over && !(r->by_host && !by_host))
        return;
    if (!r->over)
        r->record->push_end_us = time_us;
    r->over = true;
    r->by_host = by_host;
    r->record->ended = how;
    snprintf(r->record->ended_why, sizeof r->record->ended_why, "%.*s", SERIES_EVENT_TEXT_MAX, why);
}

/* A fault that ends the series too; the first one is kept. */
static void fail(struct runner *r, const struct err *e)
{
    if (r->failure.code == ERR_OK)
        r->failure = *e;
    end_run(r, RUN_FAULT, false, r->time_us, e->text);
}

static void fail_device(struct runner *r, const char *text)
{
    struct err e;
    err_set_at(&e, ERR_DEVICE, rig_client_name(r->client), 0, 0, "%s", text);
    fail(r, &e);
}

static void write_start_time(struct run_record *record)
{
    time_t now = time(NULL);
    struct tm utc;
    gmtime_r(&now, &utc);
    strftime(record->start_time, sizeof record->start_time, "%Y-%m-%dT%H:%M:%SZ", &utc);
}

static void check_flags(struct runner *r, const struct raw_sample *s)
{
    if ((s->flags & WIRE_FLAG_EMERGENCY_STOP) != 0)
        fail_device(r, "the rig's emergency stop is pressed");
    else if ((s->flags & WIRE_FLAG_DRIVER_FAULT) != 0)
        fail_device(r, "the rig's motor driver reports a fault");
    else if ((s->flags & WIRE_FLAG_LIMIT_SWITCH) != 0)
        end_run(r, RUN_LIMIT, true, s->time_us, "limit switch, seen by the host");
    else if ((s->flags & WIRE_FLAG_OVER_RANGE) != 0)
        end_run(r, RUN_LIMIT, true, s->time_us, "force beyond the converter's range");
}

/* Where the way in hand ends, and where it began, in microsteps from the position at arming. */
static int64_t way_end(const struct runner *r, int way)
{
    int64_t travel = r->move.travel_microsteps;
    return way < 0 || way % 2 != 0 ? 0 : r->record->speed_mm_s < 0 ? -travel : travel;
}

/* How far the way in hand has come, in microsteps. */
static int64_t way_gone(const struct runner *r, int64_t steps)
{
    int64_t gone = steps - way_end(r, r->way - 1);
    return r->move.speed_millisteps_s < 0 ? -gone : gone;
}

/* The way in hand is complete. */
static void end_way(struct runner *r, int64_t time_us)
{
    if (r->way + 1 >= r->ways)
        end_run(r, RUN_COMPLETE, true, time_us, "travel complete");
    else
        r->way_done = true;
}

/* The limits a second time, and what the push is doing. */
static void check_push(struct runner *r, const struct raw_sample *s)
{
    int64_t distance = llabs((int64_t)s->commanded_steps); /* arming has made the position 0 */
    if (s->force_counts <= r->limits.force_limit_low_counts ||
        s->force_counts >= r->limits.force_limit_high_counts)
        end_run(r, RUN_LIMIT, true, s->time_us, "force limit, found by the host");
    if (distance > r->limits.travel_limit_microsteps)
        end_run(r, RUN_LIMIT, true, s->time_us, "travel limit, found by the host");
    if (s->time_us - r->armed_us > (int64_t)r->limits.time_limit_ms * 1000)
        end_run(r, RUN_LIMIT, true, s->time_us, "time limit, found by the host");
    if (r->phase != PHASE_PUSHING)
        return; /* armed and standing: only force and time can go wrong */
    if (!r->moved && distance > 0) {
        r->moved = true;
        r->record->push_start_us = r->time_us; /* of the sample before: the last one at rest */
    }
    if (r->way_done || way_gone(r, s->commanded_steps) < r->move.travel_microsteps)
        return;
    if (r->arrived_us < 0)
        r->arrived_us = s->time_us;
    else if (!r->over && s->time_us - r->arrived_us > SETTLE_US) {
        note(r, s->time_us, "the rig's word that the motion is done did not arrive");
        end_way(r, r->arrived_us);
    }
}

/* The rig says that it has stopped at steps. */
static void take_motion_done(struct runner *r, int64_t time_us, int32_t steps)
{
    char why[SERIES_EVENT_TEXT_MAX];
    r->motion_done = true;
    if (r->ways == 1) {
        end_way(r, time_us);
    } else if (steps == way_end(r, r->way)) {
        end_way(r, time_us);
    } else if (steps != way_end(r, r->way - 1)) { /* which is a late word about the way before */
        snprintf(why, sizeof why, "the rig stopped at %" PRId32 " microsteps, not at %" PRId64, steps,
                 way_end(r, r->way));
        end_run(r, RUN_FAULT, true, time_us, why);
    }
}

static void take_sample(struct runner *r, const struct raw_sample *s)
{
    switch (r->phase) {
    case PHASE_RESTING:
        check_flags(r, s);
        if ((s->flags & WIRE_FLAG_OVER_RANGE) == 0) {
            r->zero_sum += s->force_counts;
            r->zero_n++;
        }
        break;
    case PHASE_ARMED:
    case PHASE_PUSHING:
        check_flags(r, s);
        check_push(r, s);
        break;
    case PHASE_ASKED:
    case PHASE_RELEASED:
        break;
    }
    r->time_us = s->time_us;
    r->steps = s->commanded_steps;
    r->counts = s->force_counts;
}

static void take_samples(struct runner *r, const struct raw_sample *samples, size_t count)
{
    struct raw_sample own[WIRE_BATCH_MAX];
    size_t lost;
    if (r->phase == PHASE_ASKED || count == 0)
        return;
    r->heard_us = link_now_us();
    if (!r->have_origin) {
        r->have_origin = true;
        r->origin_us = samples[0].time_us;
        write_start_time(r->record);
    }
    for (size_t i = 0; i < count; i++) {
        own[i] = samples[i];
        own[i].time_us -= r->origin_us;
        take_sample(r, &own[i]);
    }
    lost = r->writer != NULL ? run_writer_push(r->writer, own, count) : 0;
    if (lost > 0) {
        struct err e;
        note(r, r->time_us, "%zu samples lost: the disk is too slow", lost);
        err_set(&e, ERR_SYSTEM, "the disk does not keep up with the rig; %zu samples of run %d are lost",
                lost, r->record->number);
        fail(r, &e);
    }
}

static void take_event(struct runner *r, const struct wire_event *event, int64_t rig_us)
{
    int64_t time_us = r->have_origin ? rig_us - r->origin_us : 0;
    if (r->phase == PHASE_ASKED)
        return;
    /* The ways of a long reversal must not take the room of what may happen later. */
    if (event->kind != WIRE_EVENT_MOTION_DONE || r->record->event_count < SERIES_EVENTS_MAX / 2)
        note(r, time_us, "%s (%" PRId32 ")", wire_event_text(event->kind), event->value);
    switch (event->kind) {
    case WIRE_EVENT_MOTION_DONE:
        if (r->phase == PHASE_PUSHING)
            take_motion_done(r, time_us, event->value);
        break;
    case WIRE_EVENT_FORCE_LIMIT:
        end_run(r, RUN_LIMIT, false, time_us, "force limit on the rig");
        break;
    case WIRE_EVENT_TRAVEL_LIMIT:
        end_run(r, RUN_LIMIT, false, time_us, "travel limit on the rig");
        break;
    case WIRE_EVENT_TIME_LIMIT:
        end_run(r, RUN_LIMIT, false, time_us, "time limit on the rig");
        break;
    case WIRE_EVENT_LIMIT_SWITCH:
        end_run(r, RUN_LIMIT, false, time_us, "limit switch on the rig");
        break;
    case WIRE_EVENT_WATCHDOG:
        r->watchdog = true;
        end_run(r, RUN_FAULT, false, time_us, "the rig's watchdog: it did not hear this program in time");
        break;
    case WIRE_EVENT_EMERGENCY_STOP:
        fail_device(r, "the rig's emergency stop is pressed");
        break;
    case WIRE_EVENT_DRIVER_FAULT:
        fail_device(r, "the rig's motor driver reports a fault");
        break;
    default:
        break;
    }
}

static void take_status(struct runner *r, const struct wire_status *status)
{
    if (r->phase != PHASE_ASKED && r->have_dropped && status->samples_dropped != r->dropped)
        note(r, r->time_us, "%" PRIu32 " samples dropped on the rig", status->samples_dropped - r->dropped);
    r->have_dropped = true;
    r->dropped = status->samples_dropped;
}

static void take_report(void *context, const struct rig_report *report)
{
    struct runner *r = context;
    switch (report->kind) {
    case RIG_REPORT_ACK:
        if (report->ack.command == WIRE_CONFIGURE && report->ack.reason == WIRE_ACCEPTED &&
            r->phase == PHASE_ASKED) {
            r->phase = PHASE_RESTING;
            r->heard_us = link_now_us();
            rig_client_reset_counts(r->client);
        } else if (report->ack.command == WIRE_ARM && report->ack.reason == WIRE_ACCEPTED &&
                   r->phase == PHASE_RESTING) {
            /* What was sampled before arming has come before this acknowledgement. */
            r->phase = PHASE_ARMED;
            r->armed_us = r->time_us;
            note(r, r->time_us, "armed");
        }
        break;
    case RIG_REPORT_SAMPLES:
        take_samples(r, report->samples, report->sample_count);
        break;
    case RIG_REPORT_EVENT:
        take_event(r, &report->event, report->time_us);
        break;
    case RIG_REPORT_STATUS:
        take_status(r, &report->status);
        break;
    case RIG_REPORT_GAP:
        if (r->phase != PHASE_ASKED)
            note(r, r->time_us, "gap: %" PRIu32 " frames missing", report->frames_missing);
        break;
    case RIG_REPORT_RESTART:
        note(r, r->time_us, "the rig restarted (boot %" PRIu32 ")", report->boot);
        fail_device(r, "the rig restarted");
        break;
    case RIG_REPORT_IDENTITY:
        break;
    }
}

static double newtons(const struct runner *r)
{
    double zero = r->zero_n > 0 ? r->zero_sum / (double)r->zero_n : r->counts;
    return calibration_force_n(r->setup->calibration, r->counts, zero);
}

static int stops_asked(const struct runner *r)
{
    return r->setup->stop_requests != NULL ? *r->setup->stop_requests : 0;
}

/* One wait for what comes next, and everything that may have gone wrong meanwhile. */
static void step(struct runner *r, const char *doing, double fraction)
{
    struct err e;
    int64_t silence_us = rig_client_outside_us(r->client, SILENCE_US);
    int64_t samples_us =
        rig_client_outside_us(r->client, (int64_t)(SILENCE_SAMPLES * 1e6 / r->record->sample_rate_hz));
    if (rig_client_pump(r->client, PUMP_US, &e) != ERR_OK) {
        fail(r, &e);
        return;
    }
    if (silence_us < SILENCE_LEAST_US)
        silence_us = SILENCE_LEAST_US;
    if (silence_us < samples_us)
        silence_us = samples_us;
    if (link_now_us() - r->heard_us > silence_us && !r->watchdog)
        fail_device(r, "the rig has stopped sending samples");
    if (r->writer != NULL && run_writer_state(r->writer, &e) != ERR_OK)
        fail(r, &e);
    if (r->setup->progress != NULL)
        r->setup->progress(r->setup->context, doing, newtons(r), fraction);
}

/* What the rig is told to keep to, in its own units around this run's own zero. */
static void work_out_limits(struct runner *r)
{
    const struct run_record *record = r->record;
    const struct calibration *c = r->setup->calibration;
    double mm = record->mm_per_microstep;
    double push = calibration_counts(c, record->force_limit_n, r->zero_counts);
    double pull = calibration_counts(c, -record->force_limit_n, r->zero_counts);
    /* A load cell wired the other way round counts down under push. */
    double low = fmax(floor(fmin(push, pull)), (double)record->counts_min);
    double high = fmin(ceil(fmax(push, pull)), (double)record->counts_max);
    r->move.speed_millisteps_s = (int32_t)llround(record->speed_mm_s / mm * 1000);
    r->move.acceleration_steps_s2 = (uint32_t)fmax(1, round(r->setup->acceleration_mm_s2 / mm));
    r->move.travel_microsteps = (uint32_t)llround(r->setup->travel_mm / mm);
    r->limits.force_limit_low_counts = (int32_t)low;
    r->limits.force_limit_high_counts = (int32_t)high;
    r->limits.travel_limit_microsteps = (uint32_t)floor(record->travel_limit_mm / mm);
    /* A travel that uses its limit to the full must not meet it by rounding. */
    if (r->limits.travel_limit_microsteps <= r->move.travel_microsteps)
        r->limits.travel_limit_microsteps = r->move.travel_microsteps + 1;
    r->limits.time_limit_ms = (uint32_t)llround(record->time_limit_s * 1000);
}

static void rest_before(struct runner *r)
{
    int64_t until_us = (int64_t)(r->setup->rest_before_s * 1e6);
    while (!r->over && (!r->have_origin || r->time_us < until_us)) {
        step(r, "at rest", 0);
        if (stops_asked(r) > 0)
            end_run(r, RUN_INTERRUPTED, false, r->time_us, "stopped by the operator");
    }
    if (!r->over && r->zero_n == 0)
        fail_device(r, "no usable force reading at rest");
    if (r->zero_n > 0)
        r->zero_counts = r->zero_sum / (double)r->zero_n;
}

/* How much of the push is done, 0 to 1. */
static double fraction_done(const struct runner *r)
{
    double of_way = (double)way_gone(r, r->steps) / r->move.travel_microsteps;
    return (r->way + fmin(fmax(of_way, 0), 1)) / r->ways;
}

/* The first way, and the others as each one before is done. */
static void carry_out_ways(struct runner *r)
{
    struct err e;
    while (!r->over && stops_asked(r) == 0) {
        /* A rig that has met a limit meanwhile refuses to move; what it met is known then, and counts. */
        if (rig_client_move(r->client, &r->move, &e) != ERR_OK && !r->over) {
            fail(r, &e);
            return;
        }
        while (!r->over && !r->way_done && stops_asked(r) == 0)
            step(r, "pushing", fraction_done(r));
        if (!r->way_done)
            return;
        r->way++;
        r->way_done = false;
        r->arrived_us = -1;
        r->move.speed_millisteps_s = -r->move.speed_millisteps_s;
    }
}

static void push(struct runner *r)
{
    struct err e;
    if (r->over)
        return;
    work_out_limits(r);
    if (rig_client_arm(r->client, &r->limits, &e) != ERR_OK) {
        fail(r, &e);
        return;
    }
    if (r->over)
        return;
    r->record->push_start_us = r->time_us;
    r->phase = PHASE_PUSHING;
    carry_out_ways(r);
}

/* The operator has asked to stop: ramp down, but cut when that takes too long or is asked for again. */
static void stop_for_operator(struct runner *r)
{
    struct err e;
    int64_t asked_us = r->time_us;
    int64_t stop_end_us;
    note(r, asked_us, "stop asked for by the operator");
    r->motion_done = false;
    if (stops_asked(r) == 1 && rig_client_stop(r->client, &e) == ERR_OK) {
        while (!r->motion_done && r->failure.code == ERR_OK && !r->watchdog && stops_asked(r) == 1 &&
               r->time_us - asked_us < STOP_US)
            step(r, "stopping", 1);
    }
    stop_end_us = r->over ? r->record->push_end_us : r->time_us;
    if (r->failure.code == ERR_OK && !r->watchdog) {
        r->over = false;
        end_run(r, RUN_INTERRUPTED, false, stop_end_us, "stopped by the operator");
    }
}

/* Cut whatever the state: a second cut does no harm, a missing one may. Then record the rest and end
 * sampling. */
static void release(struct runner *r)
{
    struct err e;
    struct wire_configure quiet = {0};
    int64_t until_us;
    bool pushed = r->phase == PHASE_PUSHING;
    enum err_code code = rig_client_cut(r->client, &e);
    r->phase = PHASE_RELEASED;
    if (code != ERR_OK && r->failure.code == ERR_OK && !r->watchdog)
        fail(r, &e);
    if (code == ERR_OK)
        note(r, r->time_us, "motor cut");
    until_us = r->time_us + (int64_t)(r->setup->rest_after_s * 1e6);
    while (pushed && r->failure.code == ERR_OK && !r->watchdog && r->record->ended != RUN_INTERRUPTED &&
           stops_asked(r) == 0 && r->time_us < until_us)
        step(r, "at rest", 1);
    if (r->failure.code != ERR_DEVICE) {
        memcpy(quiet.feeder, r->record->feeder, sizeof quiet.feeder);
        code = rig_client_configure(r->client, &quiet, &e);
        if (code != ERR_OK)
            fail(r, &e);
    }
}

enum err_code runner_run(struct rig_client *client, const struct runner_setup *setup,
                         struct run_writer *writer, struct run_record *record, bool *recorded, struct err *e)
{
    struct runner r = {.client = client,
                       .setup = setup,
                       .writer = writer,
                       .record = record,
                       .ways = setup->cycles > 0 ? 2 * setup->cycles : 1,
                       .arrived_us = -1};
    struct wire_configure configure = {0};
    struct rig_counts counts;
    struct err problem;
    double preload_n = record->conditions.stated[CONDITION_NIP_PRELOAD_N]
                           ? record->conditions.number[CONDITION_NIP_PRELOAD_N]
                           : 0;
    record->event_count = 0;
    record->push_start_us = record->push_end_us = 0;
    if (record->cleaned)
        note(&r, 0, "drive gear cleaned");
    configure.sample_rate_millihertz = (uint32_t)llround(record->sample_rate_hz * 1000);
    configure.nip_preload_mn = (uint32_t)llround(preload_n * 1000);
    snprintf(configure.feeder, sizeof configure.feeder, "%s", record->feeder);
    rig_client_set_handler(client, take_report, &r);
    rig_client_keep_alive(client, true);
    if (rig_client_configure(client, &configure, &problem) != ERR_OK) {
        fail(&r, &problem);
    } else {
        rest_before(&r);
        push(&r);
        if (r.phase == PHASE_PUSHING && !r.over)
            stop_for_operator(&r);
    }
    release(&r);
    rig_client_keep_alive(client, false);
    rig_client_set_handler(client, NULL, NULL);
    counts = rig_client_counts(client);
    record->frames_missing = counts.frames_missing;
    record->frames_corrupt = counts.frames_corrupt;
    record->gaps = counts.gaps;
    *recorded = r.have_origin;
    if (r.failure.code != ERR_OK && e != NULL)
        *e = r.failure;
    return r.failure.code;
}
