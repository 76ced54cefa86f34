#include "rig/firmware/rig.h"

#include "rig/firmware/board.h"
#include "rig/firmware/frames.h"
#include "rig/firmware/sampling.h"
#include "rig/firmware/stepper.h"

#define WATCHDOG_US         500000u
#define STATUS_US           1000000u
#define RATE_MIN_MILLIHERTZ 1000u
#define PRELOAD_MAX_MN      1000000u
/* The longest command of version 1.0, CONFIGURE with a full text, and as much again for what newer minor
 * versions may add. */
#define COMMAND_MAX (2u * (9u + WIRE_TEXT_MAX) + WIRE_OVERHEAD + 1u)

static uint32_t boot;
static uint8_t command_buffer[COMMAND_MAX];
static struct wire_decoder decoder;
static uint32_t heard_us;
static uint32_t status_us;

static uint8_t every; /* how many conversions there are to a sample; 0: not sampling */
static uint8_t conversions;

static bool armed;
static struct wire_arm limits;
static uint32_t armed_ms; /* since arming, up to armed_until_us */
static uint32_t armed_until_us;

/* Written by the tick. */
static volatile uint8_t inputs;  /* that two looks in a row have found active */
static volatile uint8_t tripped; /* that have come on and are not yet told */
static volatile uint32_t tripped_us;

/* ---- what cuts ---- */

void rig_on_tick(uint16_t now)
{
    static uint8_t before;
    const uint8_t looked = board_inputs();
    const uint8_t active = (looked & before) | (inputs & (looked | before));
    const uint8_t risen = active & (uint8_t)~inputs;
    before = looked;
    inputs = active;
    if (risen != 0) {
        stepper_cut();
        if (tripped == 0)
            tripped_us = board_clock_us();
        tripped |= risen;
    }
    stepper_on_tick(now);
}

static void cut(void)
{
    stepper_cut();
    armed = false;
}

/* What cut from an interrupt is told here. */
static void tell_cuts(void)
{
    static const struct {
        uint8_t input;
        uint8_t kind;
    } kinds[] = {{BOARD_INPUT_EMERGENCY_STOP, WIRE_EVENT_EMERGENCY_STOP},
                 {BOARD_INPUT_DRIVER_FAULT, WIRE_EVENT_DRIVER_FAULT},
                 {BOARD_INPUT_LIMIT_SWITCH, WIRE_EVENT_LIMIT_SWITCH}};
    const uint8_t before = board_lock();
    const uint8_t told = tripped;
    const uint32_t when_us = tripped_us;
    tripped = 0;
    board_unlock(before);
    if (stepper_take_beyond()) {
        armed = false;
        frames_event(board_clock_us(), WIRE_EVENT_TRAVEL_LIMIT, stepper_position());
    }
    if (told == 0)
        return;
    cut();
    for (uint8_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
        if (told & kinds[i].input)
            frames_event(when_us, (enum wire_event_kind)kinds[i].kind, 0);
}

/* Whether a sample is at or beyond a limit, and what is then told. Travel is held against its limit at every
 * step. */
static bool beyond_limits(const struct wire_sample *s, enum wire_event_kind *kind, int32_t *value)
{
    const uint32_t passed_ms = (s->time_us - armed_until_us) / 1000u;
    armed_ms += passed_ms;
    armed_until_us += passed_ms * 1000u;
    if ((s->flags & WIRE_FLAG_OVER_RANGE) || s->force_counts <= limits.force_limit_low_counts ||
        s->force_counts >= limits.force_limit_high_counts) {
        *kind = WIRE_EVENT_FORCE_LIMIT;
        *value = s->force_counts;
        return true;
    }
    if (armed_ms >= limits.time_limit_ms) {
        *kind = WIRE_EVENT_TIME_LIMIT;
        *value = armed_ms > INT32_MAX ? INT32_MAX : (int32_t)armed_ms;
        return true;
    }
    return false;
}

static uint8_t flags_of_inputs(void)
{
    const uint8_t now = inputs;
    return (now & BOARD_INPUT_EMERGENCY_STOP ? WIRE_FLAG_EMERGENCY_STOP : 0) |
           (now & BOARD_INPUT_LIMIT_SWITCH ? WIRE_FLAG_LIMIT_SWITCH : 0) |
           (now & BOARD_INPUT_DRIVER_FAULT ? WIRE_FLAG_DRIVER_FAULT : 0);
}

static void poll_samples(void)
{
    struct wire_sample s;
    enum wire_event_kind kind = WIRE_EVENT_FORCE_LIMIT;
    int32_t value = 0;
    if (!sampling_take(&s) || every == 0)
        return;
    s.flags |= flags_of_inputs();
    /* Every conversion is held against the limits, but one that was ready before the arming. One that cuts is
     * sent even if it is none of the samples that were asked for. */
    const bool beyond =
        armed && (int32_t)(s.time_us - armed_until_us) >= 0 && beyond_limits(&s, &kind, &value);
    if (beyond)
        cut();
    if (++conversions >= every || beyond) {
        conversions = 0;
        frames_sample(&s);
    }
    if (beyond)
        frames_event(board_clock_us(), kind, value);
}

static void poll_watchdog(void)
{
    const uint32_t silent_us = board_clock_us() - heard_us;
    if ((!armed && every == 0) || silent_us < WATCHDOG_US)
        return;
    cut();
    every = 0;
    frames_event(board_clock_us(), WIRE_EVENT_WATCHDOG, (int32_t)(silent_us / 1000u));
}

static void poll_status(void)
{
    if (board_clock_us() - status_us < STATUS_US)
        return;
    status_us += STATUS_US;
    frames_status(boot, stepper_moving() ? WIRE_STATE_MOVING : armed ? WIRE_STATE_ARMED : WIRE_STATE_IDLE);
}

/* ---- commands ---- */

static enum wire_reason configure(const struct wire_frame *frame)
{
    struct wire_configure m;
    if (armed)
        return WIRE_REFUSED_ARMED;
    if (wire_unpack_configure(frame->body, frame->length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    if (m.nip_preload_mn > PRELOAD_MAX_MN || m.sample_rate_millihertz > BOARD_CONVERTER_MILLIHERTZ ||
        (m.sample_rate_millihertz > 0 && m.sample_rate_millihertz < RATE_MIN_MILLIHERTZ))
        return WIRE_REFUSED_OUT_OF_RANGE;
    /* The whole number of conversions that comes nearest to what is wanted. */
    every = m.sample_rate_millihertz == 0
                ? 0
                : (uint8_t)((BOARD_CONVERTER_MILLIHERTZ + m.sample_rate_millihertz / 2) /
                            m.sample_rate_millihertz);
    conversions = 0;
    return WIRE_ACCEPTED;
}

/* What keeps the rig from being armed, or moved, until it is released. */
static enum wire_reason held_by_inputs(void)
{
    const uint8_t now = inputs;
    return now & BOARD_INPUT_EMERGENCY_STOP ? WIRE_REFUSED_EMERGENCY_STOP
           : now & BOARD_INPUT_DRIVER_FAULT ? WIRE_REFUSED_DRIVER_FAULT
           : now & BOARD_INPUT_LIMIT_SWITCH ? WIRE_REFUSED_LIMIT_SWITCH
                                            : WIRE_ACCEPTED;
}

static enum wire_reason arm(const struct wire_frame *frame)
{
    struct wire_arm m;
    if (armed)
        return WIRE_REFUSED_ARMED;
    if (every == 0)
        return WIRE_REFUSED_NOT_CONFIGURED;
    if (wire_unpack_arm(frame->body, frame->length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    if (m.force_limit_low_counts >= m.force_limit_high_counts || m.travel_limit_microsteps == 0 ||
        m.time_limit_ms == 0)
        return WIRE_REFUSED_OUT_OF_RANGE;
    /* Held off together: an input that comes on after this look cuts what is armed here. */
    const uint8_t before = board_lock();
    const enum wire_reason held = held_by_inputs();
    if (held == WIRE_ACCEPTED) {
        limits = m;
        armed_ms = 0;
        armed_until_us = board_clock_us();
        stepper_arm(m.travel_limit_microsteps);
        armed = true;
    }
    board_unlock(before);
    return held;
}

static enum wire_reason move(const struct wire_frame *frame)
{
    struct wire_move m;
    if (!armed)
        return WIRE_REFUSED_NOT_ARMED;
    if (wire_unpack_move(frame->body, frame->length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    const int32_t most = (int32_t)(BOARD_STEPS_S_MAX * 1000u);
    if (m.speed_millisteps_s < -most || m.speed_millisteps_s > most ||
        (m.speed_millisteps_s > -STEPPER_SPEED_MIN_MILLISTEPS_S &&
         m.speed_millisteps_s < STEPPER_SPEED_MIN_MILLISTEPS_S) ||
        m.acceleration_steps_s2 == 0 || m.acceleration_steps_s2 > STEPPER_ACCELERATION_MAX ||
        m.travel_microsteps > STEPPER_POSITION_MAX ||
        !stepper_move(m.speed_millisteps_s, m.acceleration_steps_s2, m.travel_microsteps))
        return WIRE_REFUSED_OUT_OF_RANGE;
    return WIRE_ACCEPTED;
}

static enum wire_reason stop(void)
{
    if (!armed)
        return WIRE_REFUSED_NOT_ARMED;
    stepper_stop();
    return WIRE_ACCEPTED;
}

static void obey(const struct wire_frame *frame)
{
    enum wire_reason reason = WIRE_ACCEPTED;
    /* What has happened before this command goes out before its acknowledgement. */
    poll_samples();
    tell_cuts();
    switch (frame->type) {
    case WIRE_KEEP_ALIVE:
        return;
    case WIRE_IDENTIFY:
        break;
    case WIRE_CONFIGURE:
        reason = configure(frame);
        break;
    case WIRE_ARM:
        reason = arm(frame);
        break;
    case WIRE_MOVE:
        reason = move(frame);
        break;
    case WIRE_STOP:
        reason = stop();
        break;
    case WIRE_CUT:
        cut();
        break;
    default:
        reason = WIRE_REFUSED_UNKNOWN_COMMAND;
    }
    frames_ack(frame->type, frame->sequence, reason);
    if (frame->type == WIRE_IDENTIFY)
        frames_identity(boot);
}

/* What the line has brought, up to the end of one frame. */
static void poll_commands(void)
{
    uint8_t byte;
    while (board_receive(&byte)) {
        struct wire_frame frame;
        enum wire_error result;
        wire_decoder_feed(&decoder, &byte, 1, &result, &frame);
        if (result == WIRE_OK && frame.type < 0x80) {
            heard_us = board_clock_us();
            obey(&frame);
        }
        if (result != WIRE_MORE)
            return;
    }
}

/* ---- the loop ---- */

void rig_start(void)
{
    boot = board_next_boot();
    /* What is active at the start is no event, but keeps the rig from being armed. */
    const uint8_t before = board_lock();
    inputs = board_inputs();
    tripped = 0;
    board_unlock(before);
    wire_decoder_init(&decoder, command_buffer, sizeof command_buffer);
    sampling_start();
    status_us = board_clock_us();
    frames_event(status_us, WIRE_EVENT_BOOT, (int32_t)(boot & 0x7FFFFFFFu));
}

void rig_poll(void)
{
    poll_samples();
    tell_cuts();
    if (stepper_take_done())
        frames_event(board_clock_us(), WIRE_EVENT_MOTION_DONE, stepper_position());
    poll_commands();
    poll_watchdog();
    poll_status();
}
