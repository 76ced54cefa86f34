#include "capture/pair_rig.h"

#include "capture/gcode_feed.h"
#include "capture/text_line.h"
#include "rig/wire/frame.h"
#include "rig/wire/message.h"

#include <math.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STATUS_US 1000000
/* The rig's clock at its start: times of samples lie before they arrive. */
#define CLOCK_START_US 10000000
/* How long an answer of the controller may take. A dwell is answered when the motion before it has ended. */
#define ANSWER_US 2000000
/* A controller that has come to the end of what it was given stands still where motion was meant to go on.
 * By so little it does no harm; half a piece is seen in the force. */
#define DRY_US 20000
/* A motion that has not ended so long after it should have. */
#define OVERDUE_US           500000
#define OVERDUE_SHARE        0.05
#define RATE_TOLERANCE_SHARE 0.1 /* of a sample rate that is asked for */
#define POSITION_MAX_MM      20000.0
#define FAILURE_BYTES        400

struct pair_rig {
    struct pair_setup setup;
    const struct bench_file *bench;
    struct force_text *text;
    int64_t epoch_us; /* of the outside clock at zero of the rig's own */
    int64_t now_us;
    char failure[FAILURE_BYTES]; /* "": none */

    /* towards the host */
    uint16_t sequence;
    int64_t status_due_us;
    int64_t heard_us;
    struct wire_decoder decoder;
    uint8_t decoder_buffer[WIRE_ENCODED_MAX];

    /* the gauge */
    bool sampling;
    struct text_line force_line;
    int64_t sample_us;   /* rig clock of the newest sample */
    int64_t reading_us;  /* outside clock: when one last came, or sampling began */
    int64_t listened_us; /* and when its port was last looked at */
    int64_t poll_due_us;
    int64_t unread_lines, unread_bytes; /* since the last reading */
    enum force_line_kind unread_kind;

    /* limits */
    bool armed;
    struct wire_arm limits;
    int64_t armed_us;

    /* the controller */
    struct text_line feed_line;
    int in_flight;
    int64_t asked_us; /* when the oldest line without an answer was written, or the answer before it came */
    char asked[GCODE_LINE_MAX]; /* the newest line */
    bool moving;
    bool stopping;
    bool closed_off; /* the probe behind the last piece has been sent */
    struct gcode_feed feed;
    int64_t begun_us; /* when its first line was written */
    int64_t stand;    /* units, from the position at arming, where it stands or stood before */
};

/* ---- towards the host ---- */

static int64_t rig_clock(const struct pair_rig *r, int64_t outside_us)
{
    return outside_us - r->epoch_us;
}

static void send_frame(struct pair_rig *r, uint8_t type, const uint8_t *body, size_t length)
{
    uint8_t frame[WIRE_ENCODED_MAX];
    size_t bytes = wire_frame_encode(type, r->sequence++, body, length, frame);
    r->setup.ends.to_host(r->setup.ends.context, frame, bytes);
}

static void send_event(struct pair_rig *r, enum wire_event_kind kind, int64_t value)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_event m = {(uint32_t)rig_clock(r, r->now_us), (uint8_t)kind, (int32_t)value};
    send_frame(r, WIRE_EVENT, body, wire_pack_event(&m, body));
}

static void send_identity(struct pair_rig *r)
{
    uint8_t body[WIRE_BODY_MAX];
    int32_t most = force_text_counts_max(r->text);
    struct wire_identity m = {.protocol_major = WIRE_PROTOCOL_MAJOR,
                              .protocol_minor = WIRE_PROTOCOL_MINOR,
                              .channels = WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS,
                              .boot = r->setup.boot,
                              .time_scale_milli = 1000,
                              .sample_rate_max_millihertz = r->setup.rate_millihertz,
                              .counts_min = -most,
                              .counts_max = most};
    snprintf(m.firmware, sizeof m.firmware, "separate instruments");
    snprintf(m.serial, sizeof m.serial, "%s", r->bench->name);
    send_frame(r, WIRE_IDENTITY, body, wire_pack_identity(&m, body));
}

static void send_status(struct pair_rig *r)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_status m = {.boot = r->setup.boot, .time_us = (uint32_t)rig_clock(r, r->now_us)};
    m.state = r->moving ? WIRE_STATE_MOVING : r->armed ? WIRE_STATE_ARMED : WIRE_STATE_IDLE;
    send_frame(r, WIRE_STATUS, body, wire_pack_status(&m, body));
}

/* ---- the controller ---- */

static void to_feed(struct pair_rig *r, const char *line)
{
    if (r->in_flight++ == 0)
        r->asked_us = r->now_us;
    snprintf(r->asked, sizeof r->asked, "%s", line);
    r->setup.ends.to_feed(r->setup.ends.context, line);
}

/* Seconds of the motion that have passed at an outside time. */
static double elapsed_s(const struct pair_rig *r, int64_t outside_us)
{
    return (double)(outside_us - r->begun_us) * 1e-6 - r->setup.separate.feed_latency_s;
}

static int64_t microsteps(const struct pair_rig *r, double units)
{
    return llround(units * GCODE_UNIT_MM * r->bench->feed.microsteps_per_mm);
}

static int64_t units_of(const struct pair_rig *r, int64_t steps)
{
    return llround((double)steps / r->bench->feed.microsteps_per_mm / GCODE_UNIT_MM);
}

static double position_at(const struct pair_rig *r, int64_t outside_us)
{
    return r->moving ? gcode_feed_position(&r->feed, elapsed_s(r, outside_us)) : (double)r->stand;
}

/* Nothing more is handed out. The stop word goes first, where there is motion to stop; the release where the
 * motor may be holding. */
static void cut(struct pair_rig *r)
{
    const struct bench_feed *f = &r->bench->feed;
    if (r->moving) {
        /* Without a stop word the controller finishes what it has in its hands. */
        r->stand = f->stop[0] != 0 ? llround(position_at(r, r->now_us)) : gcode_feed_end(&r->feed);
        r->moving = false;
        if (f->stop[0] != 0)
            to_feed(r, f->stop);
    }
    if (f->release[0] != 0)
        to_feed(r, f->release);
    r->armed = false;
}

void pair_rig_fail(struct pair_rig *r, int64_t now_us, const char *format, ...)
{
    va_list arguments;
    if (r->failure[0] != 0)
        return;
    r->now_us = now_us;
    va_start(arguments, format);
    vsnprintf(r->failure, sizeof r->failure, format, arguments);
    va_end(arguments);
    if (r->armed || r->moving)
        cut(r);
    r->sampling = false;
}

static void fail_feed(struct pair_rig *r, const char *what)
{
    pair_rig_fail(r, r->now_us, "the motion controller at %s %s; the feed was stopped", r->bench->feed.port,
                  what);
}

/* A controller that has come to the end of its pieces while there are more has stood still in mid-motion. */
static bool has_run_dry(struct pair_rig *r, double now_s, double heard_s)
{
    struct gcode_piece next;
    double dry_s = now_s - gcode_feed_end_s(&r->feed);
    char what[120];
    /* What a silent host holds back is for the watchdog, unless the host speaks again before. */
    if (r->feed.count == 0 || !gcode_feed_next(&r->feed, &next) || dry_s <= DRY_US * 1e-6 ||
        next.end_s > heard_s)
        return false;
    snprintf(what, sizeof what, "had nothing to do for %.0f ms in mid-motion: %s", dry_s * 1e3,
             r->in_flight >= r->bench->feed.lines_in_flight ? "its answers come too slowly"
                                                            : "this program was held up");
    fail_feed(r, what);
    return true;
}

/* Hand out the pieces that are due: up to feed.ahead_s ahead, and no motion past the watchdog. */
static void hand_out(struct pair_rig *r)
{
    struct gcode_piece piece;
    double now_s = elapsed_s(r, r->now_us);
    double heard_s = elapsed_s(r, r->heard_us + PAIR_WATCHDOG_US);
    if (has_run_dry(r, now_s, heard_s))
        return;
    while (gcode_feed_next(&r->feed, &piece) && piece.end_s <= now_s + r->feed.ahead_s &&
           piece.end_s <= heard_s && r->in_flight < r->bench->feed.lines_in_flight) {
        char line[GCODE_LINE_MAX];
        if (r->feed.count == 0)
            r->begun_us = r->now_us;
        gcode_feed_take(&r->feed, &piece);
        if (piece.to == piece.from)
            continue;
        gcode_feed_line(&piece, r->bench->feed.motion, r->bench->feed.axis, line, sizeof line);
        to_feed(r, line);
    }
    if (!r->closed_off && !gcode_feed_next(&r->feed, &piece) &&
        r->in_flight < r->bench->feed.lines_in_flight) {
        r->closed_off = true;
        to_feed(r, r->bench->feed.probe);
    }
}

static void see_motion_end(struct pair_rig *r)
{
    double over_s = elapsed_s(r, r->now_us) - gcode_feed_end_s(&r->feed);
    if (!r->closed_off || over_s < 0)
        return;
    if (r->in_flight > 0) {
        if (over_s * 1e6 > OVERDUE_US + OVERDUE_SHARE * 1e6 * gcode_feed_end_s(&r->feed))
            fail_feed(r, "is still at a motion that should have ended: are its millimetres, its feed rate "
                         "(mm/min) and its greatest speed as the bench file says?");
        return;
    }
    r->moving = false;
    r->stand = gcode_feed_end(&r->feed);
    send_event(r, WIRE_EVENT_MOTION_DONE, microsteps(r, (double)r->stand));
}

static void take_answer(struct pair_rig *r, const char *line)
{
    char what[TEXT_LINE_MAX + GCODE_LINE_MAX + 40];
    switch (gcode_feed_answer(&r->bench->feed, line)) {
    case GCODE_ACCEPTED:
        if (r->in_flight > 0)
            r->in_flight--;
        r->asked_us = r->now_us;
        break;
    case GCODE_REFUSED:
        snprintf(what, sizeof what, "answered '%.60s' (the latest line was '%.60s')", line, r->asked);
        fail_feed(r, what);
        break;
    case GCODE_OTHER:
        break;
    }
}

void pair_rig_from_feed(struct pair_rig *r, int64_t now_us, const char *bytes, size_t length)
{
    r->now_us = now_us;
    while (length > 0) {
        enum text_line_result result;
        size_t taken = text_line_feed(&r->feed_line, bytes, length, &result);
        bytes += taken;
        length -= taken;
        if (result == TEXT_LINE_WHOLE)
            take_answer(r, r->feed_line.text);
    }
}

/* ---- the gauge ---- */

static void check_limits(struct pair_rig *r, const struct wire_sample *s)
{
    int64_t armed_ms = (r->now_us - r->armed_us) / 1000;
    enum wire_event_kind kind;
    int64_t value;
    if ((s->flags & WIRE_FLAG_OVER_RANGE) != 0 || s->force_counts <= r->limits.force_limit_low_counts ||
        s->force_counts >= r->limits.force_limit_high_counts) {
        kind = WIRE_EVENT_FORCE_LIMIT;
        value = s->force_counts;
    } else if (llabs(s->commanded_steps) > r->limits.travel_limit_microsteps) {
        kind = WIRE_EVENT_TRAVEL_LIMIT;
        value = s->commanded_steps;
    } else if (armed_ms >= r->limits.time_limit_ms) {
        kind = WIRE_EVENT_TIME_LIMIT;
        value = armed_ms;
    } else {
        return;
    }
    cut(r);
    send_event(r, kind, value);
}

/* A reading that was there at outside_us. Lines that came in one go lie apart by the time that their bytes
 * take; should two times still meet, the later one gives way by a microsecond. */
static void take_reading(struct pair_rig *r, const struct force_line *reading, int64_t outside_us)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_sample s = {.force_counts = reading->counts};
    int64_t time_us = rig_clock(r, outside_us);
    size_t length;
    if (time_us <= r->sample_us)
        time_us = r->sample_us + 1;
    r->sample_us = time_us;
    r->reading_us = r->now_us;
    r->unread_lines = r->unread_bytes = 0;
    s.time_us = (uint32_t)time_us;
    s.commanded_steps = (int32_t)microsteps(r, position_at(r, outside_us));
    if (reading->kind == FORCE_LINE_OVER_RANGE)
        s.flags = WIRE_FLAG_OVER_RANGE;
    length = wire_pack_batch(&s, 1, WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS, body);
    send_frame(r, WIRE_SAMPLES, body, length);
    if (r->armed)
        check_limits(r, &s);
}

static void fail_gauge(struct pair_rig *r, const char *what)
{
    pair_rig_fail(r, r->now_us, "the force gauge at %s %s", r->bench->force.port, what);
}

static void take_force_line(struct pair_rig *r, const char *line, int64_t arrived_us)
{
    struct force_line reading = force_text_read(r->text, line);
    int64_t latency_us = llround(r->bench->force.latency_s * 1e6);
    char what[120];
    switch (reading.kind) {
    case FORCE_LINE_READING:
    case FORCE_LINE_OVER_RANGE:
        take_reading(r, &reading, arrived_us - latency_us);
        break;
    case FORCE_LINE_OTHER_UNIT:
        /* Any number from now on would be wrong by a factor, so this is not to be waited out. */
        snprintf(what, sizeof what, "writes '%s' where '%s' is expected: set it back to %s", reading.unit,
                 BENCH_UNIT_NAMES[r->bench->force.unit], BENCH_UNIT_NAMES[r->bench->force.unit]);
        fail_gauge(r, what);
        break;
    default:
        r->unread_lines++;
        r->unread_kind = reading.kind;
        break;
    }
}

void pair_rig_from_force(struct pair_rig *r, int64_t now_us, const char *bytes, size_t length)
{
    double byte_us = 1e7 / r->bench->force.baud; /* 8N1: ten bits a byte */
    r->now_us = r->listened_us = now_us;
    while (length > 0 && r->failure[0] == 0) {
        enum text_line_result result;
        size_t taken = text_line_feed(&r->force_line, bytes, length, &result);
        bytes += taken;
        length -= taken;
        r->unread_bytes += (int64_t)taken;
        if (!r->sampling || result == TEXT_LINE_MORE)
            continue;
        if (result == TEXT_LINE_WHOLE) {
            take_force_line(r, r->force_line.text, now_us - llround((double)length * byte_us));
        } else {
            r->unread_lines++;
            r->unread_kind = FORCE_LINE_UNREADABLE;
        }
    }
}

static void see_silence(struct pair_rig *r)
{
    char what[200];
    if (!r->sampling || r->listened_us - r->reading_us <= llround(r->bench->force.silence_s * 1e6))
        return;
    if (r->unread_lines > 0)
        snprintf(what, sizeof what, "gave no reading for %.2g s: what it writes %s",
                 r->bench->force.silence_s, force_text_kind(r->unread_kind));
    else if (r->unread_bytes > TEXT_LINE_MAX / 2)
        snprintf(what, sizeof what,
                 "gave no reading for %.2g s: %lld bytes without a line among them; is the baud rate right?",
                 r->bench->force.silence_s, (long long)r->unread_bytes);
    else
        snprintf(what, sizeof what, "has been silent for %.2g s", r->bench->force.silence_s);
    fail_gauge(r, what);
}

static int64_t poll_interval_us(const struct pair_rig *r)
{
    return llround(1e6 / r->bench->force.rate_hz);
}

static void poll_gauge(struct pair_rig *r)
{
    if (!r->sampling || !r->bench->force.polled || r->now_us < r->poll_due_us)
        return;
    r->poll_due_us += poll_interval_us(r);
    if (r->poll_due_us <= r->now_us) /* held up: no burst of questions */
        r->poll_due_us = r->now_us + poll_interval_us(r);
    r->setup.ends.to_force(r->setup.ends.context, r->bench->force.poll);
}

/* ---- commands ---- */

static enum wire_reason configure(struct pair_rig *r, const struct wire_frame *frame)
{
    struct wire_configure m;
    if (r->armed)
        return WIRE_REFUSED_ARMED;
    if (wire_unpack_configure(frame->body, frame->length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    /* The gauge has its own rate; nothing here makes another one out of it. */
    if (m.sample_rate_millihertz != 0 &&
        fabs((double)m.sample_rate_millihertz / r->setup.rate_millihertz - 1) > RATE_TOLERANCE_SHARE)
        return WIRE_REFUSED_OUT_OF_RANGE;
    if (m.sample_rate_millihertz != 0 && !r->sampling) {
        r->reading_us = r->now_us;
        r->poll_due_us = r->now_us;
        r->unread_lines = r->unread_bytes = 0;
    }
    r->sampling = m.sample_rate_millihertz != 0;
    return WIRE_ACCEPTED;
}

static enum wire_reason arm(struct pair_rig *r, const struct wire_frame *frame)
{
    struct wire_arm m;
    if (r->armed)
        return WIRE_REFUSED_ARMED;
    if (!r->sampling)
        return WIRE_REFUSED_NOT_CONFIGURED;
    if (wire_unpack_arm(frame->body, frame->length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    if (m.force_limit_low_counts >= m.force_limit_high_counts || m.travel_limit_microsteps == 0 ||
        m.time_limit_ms == 0)
        return WIRE_REFUSED_OUT_OF_RANGE;
    r->limits = m;
    r->armed = true;
    r->armed_us = r->now_us;
    r->stand = 0;
    return WIRE_ACCEPTED;
}

static enum wire_reason move(struct pair_rig *r, const struct wire_frame *frame)
{
    struct wire_move m;
    double per_mm = r->bench->feed.microsteps_per_mm;
    int64_t goal;
    if (!r->armed)
        return WIRE_REFUSED_NOT_ARMED;
    if (wire_unpack_move(frame->body, frame->length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    if (r->moving || m.speed_millisteps_s == 0 || m.acceleration_steps_s2 == 0 ||
        m.travel_microsteps / per_mm > POSITION_MAX_MM)
        return WIRE_REFUSED_OUT_OF_RANGE;
    goal = microsteps(r, (double)r->stand) +
           (m.speed_millisteps_s < 0 ? -(int64_t)m.travel_microsteps : (int64_t)m.travel_microsteps);
    if (!gcode_feed_begin(&r->feed, r->stand, units_of(r, goal), m.travel_microsteps > 0,
                          m.speed_millisteps_s * 1e-3 / per_mm, m.acceleration_steps_s2 / per_mm))
        return WIRE_REFUSED_OUT_OF_RANGE;
    gcode_feed_fit(&r->feed, &r->bench->feed);
    r->moving = true;
    r->stopping = false;
    r->closed_off = false;
    r->in_flight = 0; /* what a stop word left without an answer */
    r->begun_us = r->now_us;
    return WIRE_ACCEPTED;
}

static enum wire_reason stop(struct pair_rig *r)
{
    if (!r->armed)
        return WIRE_REFUSED_NOT_ARMED;
    if (!r->moving) {
        /* The word of it goes behind the acknowledgement. */
        r->stopping = true;
        return WIRE_ACCEPTED;
    }
    gcode_feed_stop(&r->feed);
    return WIRE_ACCEPTED;
}

static void obey(struct pair_rig *r, const struct wire_frame *frame)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_ack ack = {frame->type, frame->sequence, WIRE_ACCEPTED};
    switch (frame->type) {
    case WIRE_KEEP_ALIVE:
        return;
    case WIRE_IDENTIFY:
        break;
    case WIRE_CONFIGURE:
        ack.reason = (uint8_t)configure(r, frame);
        break;
    case WIRE_ARM:
        ack.reason = (uint8_t)arm(r, frame);
        break;
    case WIRE_MOVE:
        ack.reason = (uint8_t)move(r, frame);
        break;
    case WIRE_STOP:
        ack.reason = (uint8_t)stop(r);
        break;
    case WIRE_CUT:
        cut(r);
        break;
    default:
        ack.reason = WIRE_REFUSED_UNKNOWN_COMMAND;
    }
    send_frame(r, WIRE_ACK, body, wire_pack_ack(&ack, body));
    if (frame->type == WIRE_IDENTIFY)
        send_identity(r);
    if (r->stopping) {
        r->stopping = false;
        send_event(r, WIRE_EVENT_MOTION_DONE, microsteps(r, (double)r->stand));
    }
}

void pair_rig_from_host(struct pair_rig *r, int64_t now_us, const uint8_t *bytes, size_t length)
{
    r->now_us = now_us;
    while (length > 0) {
        struct wire_frame frame;
        enum wire_error result;
        size_t taken = wire_decoder_feed(&r->decoder, bytes, length, &result, &frame);
        bytes += taken;
        length -= taken;
        if (result != WIRE_OK || frame.type >= 0x80)
            continue;
        r->heard_us = now_us;
        obey(r, &frame);
    }
}

void pair_rig_host_gone(struct pair_rig *r, int64_t now_us)
{
    r->now_us = now_us;
    if (r->armed || r->moving)
        cut(r);
    r->sampling = false;
}

/* ---- time ---- */

static void see_watchdog(struct pair_rig *r)
{
    int64_t silent_us = r->now_us - r->heard_us;
    if ((!r->armed && !r->sampling) || silent_us < PAIR_WATCHDOG_US)
        return;
    cut(r);
    r->sampling = false;
    send_event(r, WIRE_EVENT_WATCHDOG, silent_us / 1000);
}

void pair_rig_advance(struct pair_rig *r, int64_t now_us)
{
    r->now_us = now_us;
    if (r->failure[0] != 0)
        return;
    see_watchdog(r);
    if (r->armed && r->now_us - r->armed_us >= (int64_t)r->limits.time_limit_ms * 1000) {
        cut(r);
        send_event(r, WIRE_EVENT_TIME_LIMIT, (r->now_us - r->armed_us) / 1000);
    }
    if (r->moving) {
        hand_out(r);
        if (r->failure[0] == 0)
            see_motion_end(r);
    }
    if (r->in_flight > 0 && r->now_us - r->asked_us > ANSWER_US) {
        if (r->moving)
            fail_feed(r, "does not answer any more");
        else
            r->in_flight = 0; /* a stop word may have no answer, nor the lines that it threw away */
    }
    poll_gauge(r);
    see_silence(r);
    if (r->failure[0] == 0 && r->now_us >= r->status_due_us) {
        r->status_due_us += STATUS_US;
        send_status(r);
    }
}

int64_t pair_rig_due_us(const struct pair_rig *r)
{
    int64_t due_us = r->status_due_us;
    struct gcode_piece piece;
    if (r->sampling) {
        int64_t silent_us = r->reading_us + llround(r->bench->force.silence_s * 1e6) + 1;
        due_us = silent_us < due_us ? silent_us : due_us;
        if (r->bench->force.polled && r->poll_due_us < due_us)
            due_us = r->poll_due_us;
    }
    if (r->sampling || r->armed) {
        int64_t watchdog_us = r->heard_us + PAIR_WATCHDOG_US;
        due_us = watchdog_us < due_us ? watchdog_us : due_us;
    }
    if (r->moving) {
        double next_s =
            gcode_feed_next(&r->feed, &piece) ? piece.end_s - r->feed.ahead_s : gcode_feed_end_s(&r->feed);
        int64_t next_us = r->begun_us + (int64_t)ceil((next_s + r->setup.separate.feed_latency_s) * 1e6);
        /* What is held back for another reason is looked at again soon. */
        if (next_us <= r->now_us)
            next_us = r->now_us + 2000;
        due_us = next_us < due_us ? next_us : due_us;
    }
    return due_us;
}

const char *pair_rig_failure(const struct pair_rig *r)
{
    return r->failure[0] != 0 ? r->failure : NULL;
}

enum err_code pair_rig_new(const struct pair_setup *setup, int64_t now_us, struct pair_rig **rig,
                           struct err *e)
{
    struct pair_rig *r = calloc(1, sizeof *r);
    enum err_code code;
    *rig = NULL;
    if (r == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    r->setup = *setup;
    r->bench = setup->bench;
    r->epoch_us = now_us - CLOCK_START_US;
    r->now_us = r->heard_us = now_us;
    r->status_due_us = now_us + STATUS_US;
    wire_decoder_init(&r->decoder, r->decoder_buffer, sizeof r->decoder_buffer);
    code = force_text_new(&setup->bench->force, &r->text, e);
    if (code != ERR_OK) {
        pair_rig_free(r);
        return code;
    }
    *rig = r;
    return ERR_OK;
}

void pair_rig_free(struct pair_rig *rig)
{
    if (rig == NULL)
        return;
    force_text_free(rig->text);
    free(rig);
}
