#include "capture/runner.h"

#include "capture/clock_rate.h"
#include "capture/run_notes.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define PUMP_US 20000 /* outside world: how long one wait lasts at most, so that a stop request is seen */
#define SILENCE_US                                                                                           \
    400000 /* without a sample the rig counts as gone: less than its own watchdog allows us                  \
            */
#define SILENCE_SCALED_US                                                                                    \
    1000000               /* outside world, for a simulated rig that is faster: it shares our machine */
#define SILENCE_SAMPLES 3 /* but so many sample periods at least, for a rig that samples slowly */
#define SETTLE_US                                                                                            \
    100000 /* rig time at the end of the travel after which a lost "motion done" is not awaited */
#define STOP_US 2000000 /* rig time a controlled stop may take before the motor is cut */
/* Outside world: a disk that does not come back for so long from one write or sync is taken for broken, and
 * the motor is stopped: with the longest wait in between and the word to the rig that is within 500 ms, as
 * with every other fault. A disk that is merely slow comes back: with 300 ms for each sync runs go on. A
 * memory card that pauses for longer does end a run, which keeps its rows. */
#define DISK_SILENCE_US 400000
/* Rows that wait for so long, though the disk does come back, end a run too. While nothing is armed, and
 * beside a simulated rig that is faster than a real one, which shares our machine and its disk, nobody is
 * harmed by a pause: there this is the only limit. */
#define DISK_PATIENCE_US 2000000
#define PAUSE_US         250000 /* outside world: between two looks; more than the longest wait in between */
#define CLOCK_ODD_PPM    100    /* a crystal is within half of that (common practice, no source) */

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
    struct run_notes notes;
    struct clock_rate clock;
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
    int32_t way_steps; /* where the way in hand began, as far as is known */
    bool moved;
    int64_t arrived_us; /* when the way was first seen complete, -1 before */
    bool way_done;      /* and another one is due */
    bool motion_done;

    bool have_dropped;
    uint32_t dropped; /* samples the rig has told to have dropped */

    bool restarted;       /* the rig's clock has begun anew: what it says is no longer of this run */
    int64_t stepped_us;   /* outside-world time of the last look at everything */
    int64_t awake_us;     /* since when we have looked without a pause */
    int64_t dropped_rows; /* came after the writer's queue was full: nothing behind a hole is written */

    bool over;    /* the run has ended; record tells how */
    bool by_host; /* it was the host that found the limit */
    bool watchdog;
    struct err failure; /* what ends the series too */
};

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
    run_record_set_why(r->record, why);
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

void runner_set_start_time(struct run_record *record)
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
        run_notes_push_start(&r->notes, r->time_us); /* of the sample before: the last one at rest */
    }
    if (r->way_done || way_gone(r, s->commanded_steps) < r->move.travel_microsteps)
        return;
    if (r->arrived_us < 0)
        r->arrived_us = s->time_us;
    else if (!r->over && s->time_us - r->arrived_us > SETTLE_US) {
        run_notes_event(&r->notes, s->time_us, "the rig's word that the motion is done did not arrive");
        end_way(r, r->arrived_us);
    }
}

/* The rig says that it has stopped at steps. */
static void take_motion_done(struct runner *r, int64_t time_us, int32_t steps)
{
    char why[SERIES_EVENT_TEXT_MAX];
    r->motion_done = true;
    if (r->ways == 1 || steps == way_end(r, r->way)) {
        end_way(r, time_us);
    } else if (steps != way_end(r, r->way - 1)) { /* which is a late word about the way before */
        snprintf(why, sizeof why, "the rig stopped at %" PRId32 " microsteps, not at %" PRId64, steps,
                 way_end(r, r->way));
        end_run(r, RUN_FAULT, true, time_us, why);
    }
}

static void look_at(const struct runner *r, enum run_glance_part part, const struct raw_sample *s)
{
    if (r->setup->look != NULL)
        r->setup->look(r->setup->context, part, s);
}

static void take_sample(struct runner *r, const struct raw_sample *s)
{
    switch (r->phase) {
    case PHASE_RESTING:
        check_flags(r, s);
        look_at(r, RUN_GLANCE_BEFORE, s);
        if ((s->flags & WIRE_FLAG_OVER_RANGE) == 0) {
            r->zero_sum += s->force_counts;
            r->zero_n++;
        }
        break;
    case PHASE_ARMED:
    case PHASE_PUSHING:
        if (r->phase == PHASE_PUSHING && !r->over)
            look_at(r, RUN_GLANCE_PUSH, s);
        check_flags(r, s);
        check_push(r, s);
        break;
    case PHASE_RELEASED:
        look_at(r, RUN_GLANCE_AFTER, s);
        break;
    case PHASE_ASKED:
        break;
    }
    r->time_us = s->time_us;
    r->steps = s->commanded_steps;
    r->counts = s->force_counts;
}

/* Rows for the writer, and where samples are missing among them. */
static void keep_rows(struct runner *r, const struct raw_sample *rows, size_t count)
{
    size_t lost = 0;
    if (r->dropped_rows > 0)
        lost = count;
    else if (r->writer != NULL)
        lost = run_writer_push(r->writer, rows, count);
    for (size_t i = 0; i + lost < count; i++)
        run_notes_row(&r->notes, rows[i].time_us);
    if (lost > 0 && r->dropped_rows == 0) {
        struct err e;
        err_set(&e, ERR_SYSTEM, "the disk does not keep up with the rig; run %d ends where it fell behind",
                r->record->number);
        fail(r, &e);
    }
    r->dropped_rows += (int64_t)lost;
}

static void take_samples(struct runner *r, const struct raw_sample *samples, size_t count)
{
    struct raw_sample own[WIRE_BATCH_MAX];
    if (r->phase == PHASE_ASKED || r->restarted || count == 0)
        return;
    r->heard_us = link_now_us();
    if (!r->have_origin) {
        r->have_origin = true;
        r->origin_us = samples[0].time_us;
        runner_set_start_time(r->record);
    }
    for (size_t i = 0; i < count; i++) {
        own[i] = samples[i];
        own[i].time_us -= r->origin_us;
        take_sample(r, &own[i]);
    }
    clock_rate_add(&r->clock, own[count - 1].time_us, r->heard_us);
    keep_rows(r, own, count);
}

static void take_event(struct runner *r, const struct wire_event *event, int64_t rig_us)
{
    int64_t time_us = r->have_origin ? rig_us - r->origin_us : 0;
    if (r->phase == PHASE_ASKED)
        return;
    /* The ways of a long reversal must not take the room of what may happen later. */
    if (event->kind != WIRE_EVENT_MOTION_DONE || r->record->event_count < SERIES_EVENTS_MAX / 2)
        run_notes_event(&r->notes, time_us, "%s (%" PRId32 ")", wire_event_text(event->kind), event->value);
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
        run_notes_event(&r->notes, r->time_us, "%" PRIu32 " samples dropped on the rig",
                        status->samples_dropped - r->dropped);
    r->have_dropped = true;
    r->dropped = status->samples_dropped;
}

static void note_armed(struct runner *r)
{
    r->phase = PHASE_ARMED;
    r->armed_us = r->time_us;
    r->steps = 0; /* by arming, and until a sample says otherwise */
    run_notes_event(&r->notes, r->time_us, "armed");
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
            note_armed(r);
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
            run_notes_gap(&r->notes, report->frames_missing);
        break;
    case RIG_REPORT_RESTART:
        r->restarted = true;
        run_notes_event(&r->notes, r->time_us, "the rig restarted (boot %" PRIu32 ")", report->boot);
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

/* A pause of our own, such as a stopped program's, is no fault of the disk. */
static void note_awake(struct runner *r)
{
    int64_t now_us = link_now_us();
    if (now_us - r->stepped_us > PAUSE_US)
        r->awake_us = now_us;
    r->stepped_us = now_us;
}

static void watch_disk(struct runner *r)
{
    bool may_turn = r->phase == PHASE_ARMED || r->phase == PHASE_PUSHING;
    int64_t silence_us =
        may_turn && !(rig_client_time_scale(r->client) > 1) ? DISK_SILENCE_US : DISK_PATIENCE_US;
    int64_t awake_us = link_now_us() - r->awake_us;
    int64_t over_us = 0;
    struct err e;
    if (run_writer_state(r->writer, &e) != ERR_OK) {
        fail(r, &e);
        return;
    }
    if (run_writer_silent_us(r->writer) > silence_us && awake_us > silence_us)
        over_us = silence_us;
    else if (run_writer_waiting_us(r->writer) > DISK_PATIENCE_US && awake_us > DISK_PATIENCE_US)
        over_us = DISK_PATIENCE_US;
    if (over_us == 0)
        return;
    err_set(&e, ERR_SYSTEM,
            "the disk has taken no row of run %d for %d ms: free it or use another one, then --resume",
            r->record->number, (int)(over_us / 1000));
    fail(r, &e);
}

/* How long the rig may be silent, in the outside world, before it counts as gone. */
static int64_t patience_us(const struct runner *r)
{
    double samples_us = SILENCE_SAMPLES * 1e6 / r->record->sample_rate_hz / rig_client_time_scale(r->client);
    double least_us = rig_client_time_scale(r->client) > 1 ? SILENCE_SCALED_US : SILENCE_US;
    return (int64_t)fmax(samples_us, least_us);
}

/* One wait for what comes next, and everything that may have gone wrong meanwhile. */
static void step(struct runner *r, const char *doing, double fraction)
{
    struct err e;
    if (rig_client_pump(r->client, PUMP_US, &e) != ERR_OK) {
        fail(r, &e);
        return;
    }
    note_awake(r);
    if (link_now_us() - r->heard_us > patience_us(r) && !r->watchdog)
        fail_device(r, "the rig has stopped sending samples");
    if (r->writer != NULL)
        watch_disk(r);
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

/* Whether the rig has begun with the way in hand, so that its word for it need not be waited for. */
static bool has_moved(void *context)
{
    const struct runner *r = context;
    return r->steps != r->way_steps || r->motion_done || r->over;
}

/* The first way, and the others as each one before is done. */
static void carry_out_ways(struct runner *r)
{
    struct err e;
    while (!r->over && stops_asked(r) == 0) {
        /* A rig that has met a limit meanwhile refuses to move; what it met is known then, and counts. */
        r->way_steps = r->steps;
        r->motion_done = false;
        if (rig_client_move(r->client, &r->move, has_moved, r, &e) != ERR_OK && !r->over) {
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
    /* A rig whose watchdog has acted meanwhile refuses; that is known by then, and counts. */
    if (rig_client_arm(r->client, &r->limits, &e) != ERR_OK && !r->over) {
        fail(r, &e);
        return;
    }
    if (r->phase == PHASE_RESTING)
        note_armed(r); /* the rig's word for it was lost on the way */
    if (r->over)
        return;
    run_notes_push_start(&r->notes, r->time_us);
    r->phase = PHASE_PUSHING;
    carry_out_ways(r);
}

/* The operator has asked to stop: ramp down, but cut when that takes too long or is asked for again. */
static void stop_for_operator(struct runner *r)
{
    struct err e;
    int64_t asked_us = r->time_us;
    int64_t stop_end_us;
    run_notes_event(&r->notes, asked_us, "stop asked for by the operator");
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

/* Compare the clocks: only a real rig's runs at the pace of this machine's. */
static void note_clock(struct runner *r, double time_scale)
{
    struct run_link *link = &r->record->link;
    link->clock_ppm = link->clock_standard_uncertainty_ppm = NAN;
    if (time_scale == 1 &&
        clock_rate_result(&r->clock, &link->clock_ppm, &link->clock_standard_uncertainty_ppm) &&
        fabs(link->clock_ppm) > CLOCK_ODD_PPM + 3 * link->clock_standard_uncertainty_ppm)
        run_notes_event(&r->notes, r->time_us, "the rig's clock runs %.0f ppm %s", fabs(link->clock_ppm),
                        link->clock_ppm > 0 ? "fast" : "slow");
}

/* Cut whatever the state: a second cut does no harm, a missing one may. Then record the rest and end
 * sampling. */
static void release(struct runner *r)
{
    struct err e;
    struct wire_configure quiet = {0};
    int64_t until_us;
    bool pushed = r->phase == PHASE_PUSHING;
    enum err_code code;
    /* No sign of life until it is sure, so that the watchdog acts where the word does not get through. */
    rig_client_keep_alive(r->client, false);
    code = rig_client_cut(r->client, &e);
    rig_client_keep_alive(r->client, code == ERR_OK);
    r->phase = PHASE_RELEASED;
    if (code != ERR_OK && r->failure.code == ERR_OK && !r->watchdog)
        fail(r, &e);
    if (code == ERR_OK)
        run_notes_event(&r->notes, r->time_us, "motor cut");
    else
        run_notes_event(&r->notes, r->time_us,
                        "the rig could not be told to cut the motor: its watchdog does it");
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
    const struct conditions *conditions = run_record_conditions(record);
    double preload_n =
        conditions->stated[CONDITION_NIP_PRELOAD_N] ? conditions->number[CONDITION_NIP_PRELOAD_N] : 0;
    run_notes_begin(&r.notes, record, writer);
    clock_rate_begin(&r.clock);
    if (setup->remark != NULL)
        run_notes_event(&r.notes, 0, "%s", setup->remark);
    if (record->cleaned)
        run_notes_event(&r.notes, 0, "drive gear cleaned");
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
    note_clock(&r, rig_client_time_scale(client));
    if (r.dropped_rows > 0)
        run_notes_event(&r.notes, r.time_us, "%" PRId64 " samples at the end are not recorded",
                        r.dropped_rows);
    run_notes_end(&r.notes, &counts);
    *recorded = r.have_origin;
    if (r.failure.code != ERR_OK && e != NULL)
        *e = r.failure;
    return r.failure.code;
}
