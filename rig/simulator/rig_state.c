#include "rig/simulator/rig_state.h"

#include "rig/simulator/bench_hands.h"
#include "rig/simulator/ramp.h"
#include "rig/wire/frame.h"
#include "rig/wire/message.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RATE_MIN_MILLIHERTZ 1000u
#define PRELOAD_MAX_MN      1000000u
#define SPEED_MAX_MILLISTEPS_S                                                                               \
    1000000000 /* one million microsteps a second: as fast as step generators go                             \
                */
#define POSITION_MAX_STEPS                                                                                   \
    2000000000.0 /* keeps positions inside 32 bits with room for one sample at full speed */
#define STATUS_US        1000000
#define BATCH_GAP_MAX_US 65535

struct rig_state {
    struct rig_setup setup;
    struct model_parameters *feeders; /* with what hands had set up when each was last armed */
    struct model_state *models;       /* one for each feeder: it keeps its wear while it is off the rig */
    uint64_t *mounts;                 /* how often each was mounted */
    char serial[WIRE_TEXT_MAX + 1];
    rig_state_write write;
    void *context;

    int64_t clock_us;
    bool booted;
    uint16_t sequence;
    uint32_t samples_dropped;
    int64_t status_due_us;
    int64_t heard_us;
    uint64_t frames_heard;
    struct wire_decoder decoder;
    uint8_t decoder_buffer[WIRE_ENCODED_MAX];

    bool mounted;
    size_t feeder;
    char feeder_name[WIRE_TEXT_MAX + 1];
    uint32_t preload_mn;
    double hung_n;
    struct bench_hands hands;
    double travel_mm; /* of the filament in the runs before the present one, since it was last measured */

    uint32_t rate_millihertz; /* 0: not sampling */
    int64_t sample_due_us;
    uint64_t sample_rest; /* what the sample grid still owes, in units of 1 us / rate */
    int64_t model_us;     /* time up to which the model has been stepped */
    struct wire_sample batch[WIRE_BATCH_MAX];
    size_t batch_count;
    int64_t flush_due_us;

    bool armed;
    bool moving;
    struct wire_arm limits;
    int64_t armed_us;
    struct ramp ramp;
    int64_t ramp_us;       /* when the ramp began */
    int64_t motion_due_us; /* when it ends; INT64_MAX: it goes on */

    struct rig_run *runs;
    size_t run_count;
    size_t run_capacity;
    bool run_counted; /* the armed run has moved and stands last in runs */
    uint64_t runs_changed;
};

/* Independent seeds for the mountings on one rig (the finaliser of SplitMix64). The model numbers the runs of
 * a mounting itself. So what a run draws depends on the seed and on how many were before it, not on how long
 * the rig stood idle in between. */
static uint64_t seed_of_mount(uint64_t seed, uint64_t feeder, uint64_t mount)
{
    uint64_t x = seed;
    const uint64_t parts[2] = {feeder, mount};
    for (size_t i = 0; i < 2; i++) {
        x += 0x9E3779B97F4A7C15u * (parts[i] + 1);
        x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9u;
        x = (x ^ (x >> 27)) * 0x94D049BB133111EBu;
        x ^= x >> 31;
    }
    return x;
}

struct rig_state *rig_state_new(const struct rig_setup *setup, rig_state_write write, void *context)
{
    struct rig_state *rig = calloc(1, sizeof *rig);
    if (rig == NULL)
        return NULL;
    rig->setup = *setup;
    rig->feeders = calloc(setup->feeder_count, sizeof *rig->feeders);
    rig->models = calloc(setup->feeder_count, sizeof *rig->models);
    rig->mounts = calloc(setup->feeder_count, sizeof *rig->mounts);
    if (rig->feeders == NULL || rig->models == NULL || rig->mounts == NULL) {
        rig_state_free(rig);
        return NULL;
    }
    memcpy(rig->feeders, setup->feeders, setup->feeder_count * sizeof *rig->feeders);
    rig->setup.feeders = rig->feeders;
    snprintf(rig->serial, sizeof rig->serial, "%s", setup->serial);
    rig->setup.serial = rig->serial;
    rig->write = write;
    rig->context = context;
    rig->status_due_us = STATUS_US;
    rig->motion_due_us = INT64_MAX;
    rig->ramp = ramp_still(0);
    wire_decoder_init(&rig->decoder, rig->decoder_buffer, sizeof rig->decoder_buffer);
    return rig;
}

void rig_state_free(struct rig_state *rig)
{
    if (rig == NULL)
        return;
    free(rig->runs);
    free(rig->mounts);
    free(rig->models);
    free(rig->feeders);
    free(rig);
}

/* ---- frames out ---- */

static bool send_frame(struct rig_state *rig, uint8_t type, const uint8_t *body, size_t length,
                       size_t samples)
{
    uint8_t frame[WIRE_ENCODED_MAX];
    const size_t encoded = wire_frame_encode(type, rig->sequence++, body, length, frame);
    return rig->write(rig->context, frame, encoded, samples);
}

static uint8_t channels_of(const struct rig_state *rig)
{
    const uint8_t always = WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS;
    return rig->feeders[rig->feeder].sensor.encoder ? always | WIRE_CHANNEL_ENCODER : always;
}

static void flush_batch(struct rig_state *rig)
{
    uint8_t body[WIRE_BODY_MAX];
    if (rig->batch_count == 0)
        return;
    const size_t length = wire_pack_batch(rig->batch, rig->batch_count, channels_of(rig), body);
    if (length == 0 || !send_frame(rig, WIRE_SAMPLES, body, length, rig->batch_count))
        rig->samples_dropped += (uint32_t)rig->batch_count;
    rig->batch_count = 0;
}

/* Everything but samples. The samples taken before go out first, so that frames stand in the order of time.
 */
static void send_message(struct rig_state *rig, uint8_t type, const uint8_t *body, size_t length)
{
    flush_batch(rig);
    send_frame(rig, type, body, length, 0);
}

static void send_event(struct rig_state *rig, enum wire_event_kind kind, int32_t value)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_event event = {(uint32_t)rig->clock_us, (uint8_t)kind, value};
    send_message(rig, WIRE_EVENT, body, wire_pack_event(&event, body));
}

static void send_status(struct rig_state *rig)
{
    uint8_t body[WIRE_BODY_MAX];
    const enum wire_state state = rig->moving  ? WIRE_STATE_MOVING
                                  : rig->armed ? WIRE_STATE_ARMED
                                               : WIRE_STATE_IDLE;
    const struct wire_status status = {rig->setup.boot, (uint32_t)rig->clock_us, (uint8_t)state,
                                       rig->samples_dropped};
    send_message(rig, WIRE_STATUS, body, wire_pack_status(&status, body));
}

static void send_identity(struct rig_state *rig)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct model_parameters *p = &rig->feeders[rig->feeder];
    struct wire_identity m = {.protocol_major = rig->setup.protocol_major,
                              .protocol_minor = WIRE_PROTOCOL_MINOR,
                              .channels = channels_of(rig),
                              .boot = rig->setup.boot,
                              .time_scale_milli = rig->setup.time_scale_milli,
                              .sample_rate_max_millihertz = rig->setup.rate_max_millihertz,
                              .counts_min = p->sensor.counts_min,
                              .counts_max = p->sensor.counts_max,
                              .full_steps_per_rev = (uint16_t)p->motor.full_steps_per_rev,
                              .microsteps = (uint16_t)p->motor.microsteps};
    if (p->sensor.encoder)
        m.encoder_nm_per_count = (uint32_t)lround(p->sensor.encoder_mm_per_count * 1e6);
    /* A motor belongs to its feeder: the rig knows its steps only when all that it serves agree. */
    for (size_t i = 0; i < rig->setup.feeder_count; i++)
        if (rig->feeders[i].motor.full_steps_per_rev != p->motor.full_steps_per_rev)
            m.full_steps_per_rev = 0;
    snprintf(m.firmware, sizeof m.firmware, "simulated %s", NIPBENCH_VERSION);
    snprintf(m.serial, sizeof m.serial, "%s", rig->serial);
    send_message(rig, WIRE_IDENTITY, body, wire_pack_identity(&m, body));
}

/* ---- motion ---- */

static double seconds_since(const struct rig_state *rig, int64_t then_us)
{
    return (double)(rig->clock_us - then_us) * 1e-6;
}

static double position_now_steps(const struct rig_state *rig)
{
    return ramp_position_steps(&rig->ramp, seconds_since(rig, rig->ramp_us));
}

static void begin_ramp(struct rig_state *rig, const struct ramp *ramp)
{
    const double duration_s = ramp_duration_s(ramp);
    rig->ramp = *ramp;
    rig->ramp_us = rig->clock_us;
    rig->moving = true;
    rig->motion_due_us = duration_s < 9e12 ? rig->clock_us + (int64_t)ceil(duration_s * 1e6) : INT64_MAX;
}

static void stand_still(struct rig_state *rig, double position_steps)
{
    rig->ramp = ramp_still(position_steps);
    rig->moving = false;
    rig->motion_due_us = INT64_MAX;
}

static void finish_motion(struct rig_state *rig)
{
    stand_still(rig, rig->ramp.end_steps);
    send_event(rig, WIRE_EVENT_MOTION_DONE, (int32_t)rig->ramp.end_steps);
}

static void cut(struct rig_state *rig)
{
    stand_still(rig, nearbyint(position_now_steps(rig)));
    rig->armed = false;
    if (rig->mounted)
        rig->models[rig->feeder].coils_on = false;
}

/* ---- sampling ---- */

/* The next point of the grid, without rounding error that adds up: the rate is in thousandths of hertz, so
 * that one interval is 1e9 / rate microseconds. */
static void next_sample_time(struct rig_state *rig)
{
    const uint64_t rate = rig->rate_millihertz;
    rig->sample_due_us += (int64_t)(1000000000u / rate);
    rig->sample_rest += 1000000000u % rate;
    if (rig->sample_rest >= rate) {
        rig->sample_rest -= rate;
        rig->sample_due_us++;
    }
}

static void check_limits(struct rig_state *rig, const struct wire_sample *s)
{
    const int64_t armed_ms = (rig->clock_us - rig->armed_us) / 1000;
    const double travel = fmin(rig->limits.travel_limit_microsteps, POSITION_MAX_STEPS);
    enum wire_event_kind kind;
    int32_t value;
    /* A reading at the end of the converter's range may hide any force, so it counts as beyond the limit. */
    if ((s->flags & WIRE_FLAG_OVER_RANGE) || s->force_counts <= rig->limits.force_limit_low_counts ||
        s->force_counts >= rig->limits.force_limit_high_counts) {
        kind = WIRE_EVENT_FORCE_LIMIT;
        value = s->force_counts;
    } else if (fabs((double)s->commanded_steps) > travel) {
        kind = WIRE_EVENT_TRAVEL_LIMIT;
        value = s->commanded_steps;
    } else if (armed_ms >= rig->limits.time_limit_ms) {
        kind = WIRE_EVENT_TIME_LIMIT;
        value = armed_ms > INT32_MAX ? INT32_MAX : (int32_t)armed_ms;
    } else {
        return;
    }
    cut(rig);
    send_event(rig, kind, value);
}

static void take_sample(struct rig_state *rig)
{
    const struct model_parameters *p = &rig->feeders[rig->feeder];
    struct model_state *model = &rig->models[rig->feeder];
    const double position_steps = position_now_steps(rig);
    bool over_range = false;

    /* The model follows the ramp itself and not its whole microsteps: at a few steps per sample their beat
     * with the sample grid would look like a jitter of speed, which the motor does not see. */
    model_step(p, model, position_steps, seconds_since(rig, rig->model_us));
    rig->model_us = rig->clock_us;

    struct wire_sample s = {.time_us = (uint32_t)rig->clock_us,
                            .commanded_steps = (int32_t)nearbyint(position_steps)};
    s.force_counts = model_read_force(p, model, &over_range);
    if (p->sensor.encoder)
        s.encoder_counts = model_read_encoder(p, model);
    if (over_range)
        s.flags |= WIRE_FLAG_OVER_RANGE;

    if (rig->batch_count > 0 && s.time_us - rig->batch[rig->batch_count - 1].time_us > BATCH_GAP_MAX_US)
        flush_batch(rig);
    if (rig->batch_count == 0)
        rig->flush_due_us = rig->clock_us + (int64_t)RIG_STATE_FLUSH_US * rig->setup.time_scale_milli / 1000;
    rig->batch[rig->batch_count++] = s;
    if (rig->batch_count == WIRE_BATCH_MAX)
        flush_batch(rig);
    next_sample_time(rig);
    if (rig->armed)
        check_limits(rig, &s);
}

/* ---- commands ---- */

static bool find_feeder(const struct rig_state *rig, const char *name, size_t *index)
{
    *index = 0;
    if (rig->setup.feeder_count == 1)
        return true; /* a single feeder goes by any name */
    for (size_t i = 0; i < rig->setup.feeder_count; i++)
        if (strcmp(rig->feeders[i].name, name) == 0) {
            *index = i;
            return true;
        }
    return false;
}

/* The model counts filament from the start of a run; what went before is added up here. */
static void close_travel(struct rig_state *rig)
{
    if (rig->mounted)
        rig->travel_mm += rig->models[rig->feeder].filament_mm;
}

static void mount(struct rig_state *rig, size_t feeder, const char *name)
{
    if (rig->mounted && strcmp(rig->feeder_name, name) == 0)
        return;
    struct model_state *model = &rig->models[feeder];
    close_travel(rig);
    model->hung_n = rig->hung_n;
    /* There is one load cell, whatever feeder is on: its history goes with it. */
    if (rig->mounted)
        model->cell_follows_n = rig->models[rig->feeder].cell_follows_n;
    model_mount(&rig->feeders[feeder], model, seed_of_mount(rig->setup.seed, feeder, rig->mounts[feeder]++));
    model->coils_on = false;
    rig->mounted = true;
    rig->feeder = feeder;
    snprintf(rig->feeder_name, sizeof rig->feeder_name, "%s", name);
}

static enum wire_reason configure(struct rig_state *rig, const uint8_t *body, size_t length)
{
    struct wire_configure m;
    size_t feeder;
    if (rig->armed)
        return WIRE_REFUSED_ARMED;
    if (wire_unpack_configure(body, length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    if (m.nip_preload_mn > PRELOAD_MAX_MN || m.sample_rate_millihertz > rig->setup.rate_max_millihertz ||
        (m.sample_rate_millihertz > 0 && m.sample_rate_millihertz < RATE_MIN_MILLIHERTZ))
        return WIRE_REFUSED_OUT_OF_RANGE;
    if (!find_feeder(rig, m.feeder, &feeder))
        return WIRE_REFUSED_NO_SUCH_FEEDER;
    flush_batch(rig); /* samples of the old configuration go out as what they are */
    mount(rig, feeder, m.feeder);
    rig->preload_mn = m.nip_preload_mn;
    rig->rate_millihertz = m.sample_rate_millihertz;
    if (rig->rate_millihertz > 0) {
        rig->model_us = rig->clock_us;
        rig->sample_due_us = rig->clock_us;
        rig->sample_rest = 0;
        next_sample_time(rig);
    }
    return WIRE_ACCEPTED;
}

static enum wire_reason arm(struct rig_state *rig, const uint8_t *body, size_t length)
{
    struct wire_arm m;
    if (rig->armed)
        return WIRE_REFUSED_ARMED;
    if (rig->rate_millihertz == 0)
        return WIRE_REFUSED_NOT_CONFIGURED;
    if (wire_unpack_arm(body, length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    if (m.force_limit_low_counts >= m.force_limit_high_counts || m.travel_limit_microsteps == 0 ||
        m.time_limit_ms == 0)
        return WIRE_REFUSED_OUT_OF_RANGE;
    struct model_state *model = &rig->models[rig->feeder];
    close_travel(rig);
    rig->feeders[rig->feeder] = bench_hands_on(&rig->hands, &rig->feeders[rig->feeder]);
    if (rig->hands.clean)
        model_clean(model);
    rig->hands.clean = false;
    model_begin_run(&rig->feeders[rig->feeder], model, rig->preload_mn * 1e-3);
    model->coils_on = true;
    rig->model_us = rig->clock_us;
    rig->limits = m;
    rig->armed = true;
    rig->armed_us = rig->clock_us;
    rig->run_counted = false;
    stand_still(rig, 0);
    return WIRE_ACCEPTED;
}

/* Keep the truth about the armed run. Out of memory leaves the run out of the list: the rig itself goes on.
 */
static void record_run(struct rig_state *rig, double steps_s)
{
    const struct model_parameters *p = &rig->feeders[rig->feeder];
    if (rig->run_counted && steps_s < 0)
        return;
    if (!rig->run_counted) {
        if (rig->run_count == rig->run_capacity) {
            const size_t capacity = rig->run_capacity == 0 ? 64 : 2 * rig->run_capacity;
            struct rig_run *runs = realloc(rig->runs, capacity * sizeof *runs);
            if (runs == NULL)
                return;
            rig->runs = runs;
            rig->run_capacity = capacity;
        }
        rig->run_count++;
        rig->run_counted = true;
    }
    const struct model_state *model = &rig->models[rig->feeder];
    const double speed_mm_s = steps_s * model_feed_per_microstep_mm(p, model->preload_n);
    rig->runs[rig->run_count - 1] = rig_run_of(p, model, rig->feeder, speed_mm_s);
    rig->runs_changed++;
}

static enum wire_reason move(struct rig_state *rig, const uint8_t *body, size_t length)
{
    struct wire_move m;
    struct ramp ramp;
    if (!rig->armed)
        return WIRE_REFUSED_NOT_ARMED;
    if (wire_unpack_move(body, length, &m) != WIRE_OK)
        return WIRE_REFUSED_MALFORMED;
    if (m.speed_millisteps_s == 0 || m.speed_millisteps_s > SPEED_MAX_MILLISTEPS_S ||
        m.speed_millisteps_s < -SPEED_MAX_MILLISTEPS_S || m.acceleration_steps_s2 == 0 ||
        m.travel_microsteps > POSITION_MAX_STEPS)
        return WIRE_REFUSED_OUT_OF_RANGE;
    const double steps_s = m.speed_millisteps_s * 1e-3;
    const double now_steps_s = ramp_speed_steps_s(&rig->ramp, seconds_since(rig, rig->ramp_us));
    if (!ramp_move(position_now_steps(rig), now_steps_s, steps_s, m.acceleration_steps_s2,
                   m.travel_microsteps, &ramp))
        return WIRE_REFUSED_OUT_OF_RANGE;
    begin_ramp(rig, &ramp);
    record_run(rig, steps_s);
    return WIRE_ACCEPTED;
}

static enum wire_reason stop(struct rig_state *rig)
{
    if (!rig->armed)
        return WIRE_REFUSED_NOT_ARMED;
    const double now_steps_s = ramp_speed_steps_s(&rig->ramp, seconds_since(rig, rig->ramp_us));
    const struct ramp ramp = ramp_stop(position_now_steps(rig), now_steps_s, rig->ramp.acceleration_steps_s2);
    begin_ramp(rig, &ramp);
    return WIRE_ACCEPTED;
}

static void obey(struct rig_state *rig, const struct wire_frame *frame)
{
    enum wire_reason reason = WIRE_ACCEPTED;
    switch (frame->type) {
    case WIRE_KEEP_ALIVE:
        return;
    case WIRE_IDENTIFY:
        break;
    case WIRE_CONFIGURE:
        reason = configure(rig, frame->body, frame->length);
        break;
    case WIRE_ARM:
        reason = arm(rig, frame->body, frame->length);
        break;
    case WIRE_MOVE:
        reason = move(rig, frame->body, frame->length);
        break;
    case WIRE_STOP:
        reason = stop(rig);
        break;
    case WIRE_CUT:
        cut(rig);
        break;
    default:
        reason = WIRE_REFUSED_UNKNOWN_COMMAND;
    }
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_ack ack = {frame->type, frame->sequence, (uint8_t)reason};
    send_message(rig, WIRE_ACK, body, wire_pack_ack(&ack, body));
    if (frame->type == WIRE_IDENTIFY)
        send_identity(rig);
}

/* ---- hands ---- */

void rig_state_hang(struct rig_state *rig, double force_n)
{
    flush_batch(rig); /* samples before go out before anybody is told that it hangs */
    rig->hung_n = force_n;
    if (rig->mounted)
        rig->models[rig->feeder].hung_n = force_n;
}

double rig_state_measure_mm(struct rig_state *rig)
{
    const double now_mm = rig->mounted ? rig->models[rig->feeder].filament_mm : 0;
    const double travelled_mm = rig->travel_mm + now_mm;
    rig->travel_mm = -now_mm;
    return travelled_mm;
}

static bool set_hands(struct rig_state *rig, const struct bench_hands *hands, char *why, size_t size)
{
    if (!bench_hands_check(hands, rig->feeders, rig->setup.feeder_count, why, size))
        return false;
    rig->hands = *hands;
    return true;
}

bool rig_state_set_end(struct rig_state *rig, enum model_end end, double value, char *why, size_t size)
{
    struct bench_hands hands = rig->hands;
    hands.end_set = true;
    hands.end = end;
    hands.brake_n = value;
    hands.temperature_c = value;
    return set_hands(rig, &hands, why, size);
}

bool rig_state_set_tube(struct rig_state *rig, double bend_rad, char *why, size_t size)
{
    struct bench_hands hands = rig->hands;
    hands.tube_set = true;
    hands.bend_rad = bend_rad;
    return set_hands(rig, &hands, why, size);
}

void rig_state_clean(struct rig_state *rig)
{
    rig->hands.clean = true;
}

/* ---- time ---- */

int64_t rig_state_watchdog_due_us(const struct rig_state *rig)
{
    if (!rig->armed && rig->rate_millihertz == 0)
        return INT64_MAX;
    return rig->heard_us + RIG_STATE_WATCHDOG_US;
}

static void trip_watchdog(struct rig_state *rig)
{
    cut(rig);
    rig->rate_millihertz = 0;
    send_event(rig, WIRE_EVENT_WATCHDOG, (int32_t)((rig->clock_us - rig->heard_us) / 1000));
}

void rig_state_advance(struct rig_state *rig, int64_t time_us)
{
    if (!rig->booted) {
        rig->booted = true;
        send_event(rig, WIRE_EVENT_BOOT, (int32_t)(rig->setup.boot & 0x7FFFFFFFu));
    }
    for (;;) {
        /* What is due first; in the order of this list where several are due at once. */
        const struct {
            int64_t due_us;
            void (*act)(struct rig_state *);
        } list[] = {{rig->rate_millihertz > 0 ? rig->sample_due_us : INT64_MAX, take_sample},
                    {rig->motion_due_us, finish_motion},
                    {rig_state_watchdog_due_us(rig), trip_watchdog},
                    {rig->status_due_us, send_status},
                    {rig->batch_count > 0 ? rig->flush_due_us : INT64_MAX, flush_batch}};
        size_t first = 0;
        for (size_t i = 1; i < sizeof list / sizeof list[0]; i++)
            if (list[i].due_us < list[first].due_us)
                first = i;
        if (list[first].due_us > time_us)
            break;
        rig->clock_us = list[first].due_us;
        if (list[first].act == send_status)
            rig->status_due_us += STATUS_US;
        list[first].act(rig);
    }
    if (time_us > rig->clock_us)
        rig->clock_us = time_us;
}

void rig_state_receive(struct rig_state *rig, int64_t time_us, const uint8_t *bytes, size_t length)
{
    rig_state_advance(rig, time_us);
    while (length > 0) {
        struct wire_frame frame;
        enum wire_error result;
        const size_t taken = wire_decoder_feed(&rig->decoder, bytes, length, &result, &frame);
        bytes += taken;
        length -= taken;
        /* Our own frames coming back over a looped line are no sign of a living host. */
        if (result != WIRE_OK || frame.type >= 0x80)
            continue;
        rig->heard_us = rig->clock_us;
        rig->frames_heard++;
        obey(rig, &frame);
        /* What this command made due now happens before the next command, however the bytes are cut. */
        rig_state_advance(rig, rig->clock_us);
    }
}

uint64_t rig_state_frames_heard(const struct rig_state *rig)
{
    return rig->frames_heard;
}

size_t rig_state_run_count(const struct rig_state *rig)
{
    return rig->run_count;
}

const struct rig_run *rig_state_run(const struct rig_state *rig, size_t i)
{
    return i < rig->run_count ? &rig->runs[i] : NULL;
}

uint64_t rig_state_runs_changed(const struct rig_state *rig)
{
    return rig->runs_changed;
}
