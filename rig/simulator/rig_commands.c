#include "rig/simulator/rig_inside.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RATE_MIN_MILLIHERTZ 1000u
#define PRELOAD_MAX_MN      1000000u
/* One million microsteps a second: as fast as step generators go. */
#define SPEED_MAX_MILLISTEPS_S 1000000000

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
    model_mount(&rig->feeders[feeder], model, seed_of(rig->setup.seed, feeder, rig->mounts[feeder]++));
    model->coils_on = false;
    rig->mounted = true;
    rig->feeder = feeder;
    snprintf(rig->feeder_name, sizeof rig->feeder_name, "%s", name);
}

static enum wire_reason configure(struct rig_state *rig, const uint8_t *body, size_t length,
                                  struct rig_happening *h)
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
    rig_frames_flush(rig); /* samples of the old configuration go out as what they are */
    mount(rig, feeder, m.feeder);
    rig->preload_mn = m.nip_preload_mn;
    if (m.sample_rate_millihertz == 0)
        rig_state_end_sampling(rig, "host");
    rig->rate_millihertz = m.sample_rate_millihertz;
    if (rig->rate_millihertz > 0) {
        rig_sampling_begin(rig);
        if (rig->sampling_since_us == INT64_MAX)
            rig->sampling_since_us = rig->clock_us;
    }
    h->kind = RIG_CONFIGURED;
    h->sample_rate_millihertz = m.sample_rate_millihertz;
    h->feeder = rig->feeder_name;
    return WIRE_ACCEPTED;
}

/* What keeps a rig from being armed until it is released. */
static enum wire_reason held_by_flags(const struct rig_state *rig)
{
    return rig->flags & WIRE_FLAG_EMERGENCY_STOP ? WIRE_REFUSED_EMERGENCY_STOP
           : rig->flags & WIRE_FLAG_DRIVER_FAULT ? WIRE_REFUSED_DRIVER_FAULT
           : rig->flags & WIRE_FLAG_LIMIT_SWITCH ? WIRE_REFUSED_LIMIT_SWITCH
                                                 : WIRE_ACCEPTED;
}

static enum wire_reason arm(struct rig_state *rig, const uint8_t *body, size_t length,
                            struct rig_happening *h)
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
    const enum wire_reason held = held_by_flags(rig);
    if (held != WIRE_ACCEPTED)
        return held;
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
    rig_motion_stand(rig, 0);
    h->kind = RIG_ARMED;
    h->limits = m;
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

static enum wire_reason move(struct rig_state *rig, const uint8_t *body, size_t length,
                             struct rig_happening *h)
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
    const double now_steps_s = rig_motion_speed_steps_s(rig);
    if (!ramp_move(rig_motion_position_steps(rig), now_steps_s, steps_s, m.acceleration_steps_s2,
                   m.travel_microsteps, &ramp))
        return WIRE_REFUSED_OUT_OF_RANGE;
    rig_motion_begin(rig, &ramp);
    rig->stopping = false;
    record_run(rig, steps_s);
    h->kind = RIG_MOVE;
    h->move = m;
    h->commanded_steps = (int32_t)nearbyint(rig_motion_position_steps(rig));
    return WIRE_ACCEPTED;
}

static enum wire_reason stop(struct rig_state *rig, struct rig_happening *h)
{
    if (!rig->armed)
        return WIRE_REFUSED_NOT_ARMED;
    const double now_steps_s = rig_motion_speed_steps_s(rig);
    const struct ramp ramp =
        ramp_stop(rig_motion_position_steps(rig), now_steps_s, rig->ramp.acceleration_steps_s2);
    h->kind = RIG_STOP;
    h->commanded_steps = (int32_t)nearbyint(rig_motion_position_steps(rig));
    rig_motion_begin(rig, &ramp);
    rig->stopping = true;
    return WIRE_ACCEPTED;
}

void rig_commands_obey(struct rig_state *rig, const struct wire_frame *frame)
{
    enum wire_reason reason = WIRE_ACCEPTED;
    struct rig_happening h = {.kind = RIG_POWER_ON}; /* stands for: nothing to tell */
    switch (frame->type) {
    case WIRE_KEEP_ALIVE:
        return;
    case WIRE_IDENTIFY:
        break;
    case WIRE_CONFIGURE:
        reason = configure(rig, frame->body, frame->length, &h);
        break;
    case WIRE_ARM:
        reason = arm(rig, frame->body, frame->length, &h);
        break;
    case WIRE_MOVE:
        reason = move(rig, frame->body, frame->length, &h);
        break;
    case WIRE_STOP:
        reason = stop(rig, &h);
        break;
    case WIRE_CUT:
        rig_motion_cut(rig, "host");
        break;
    default:
        reason = WIRE_REFUSED_UNKNOWN_COMMAND;
    }
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_ack ack = {frame->type, frame->sequence, (uint8_t)reason};
    rig_frames_send(rig, WIRE_ACK, body, wire_pack_ack(&ack, body));
    if (h.kind != RIG_POWER_ON) {
        h.has_sequence = true;
        h.sequence = (uint16_t)(rig->sequence - 1);
        rig_state_tell(rig, &h);
    }
    if (frame->type == WIRE_IDENTIFY)
        rig_frames_identity(rig);
}
