#include "rig/simulator/rig_inside.h"

#include <math.h>

double rig_motion_seconds_since(const struct rig_state *rig, int64_t then_us)
{
    return (double)(rig->clock_us - then_us) * 1e-6;
}

double rig_motion_position_steps(const struct rig_state *rig)
{
    return ramp_position_steps(&rig->ramp, rig_motion_seconds_since(rig, rig->ramp_us));
}

double rig_motion_speed_steps_s(const struct rig_state *rig)
{
    return ramp_speed_steps_s(&rig->ramp, rig_motion_seconds_since(rig, rig->ramp_us));
}

/* A motion that began before now has turned the motor until now. */
static void note_turning(struct rig_state *rig)
{
    if (rig->moving && rig->clock_us > rig->ramp_us)
        rig->turned_us = rig->clock_us;
}

void rig_motion_begin(struct rig_state *rig, const struct ramp *ramp)
{
    const double duration_s = ramp_duration_s(ramp);
    note_turning(rig);
    rig->ramp = *ramp;
    rig->ramp_us = rig->clock_us;
    rig->moving = true;
    rig->motion_due_us = duration_s < 9e12 ? rig->clock_us + (int64_t)ceil(duration_s * 1e6) : INT64_MAX;
}

void rig_motion_stand(struct rig_state *rig, double position_steps)
{
    note_turning(rig);
    rig->ramp = ramp_still(position_steps);
    rig->moving = false;
    rig->motion_due_us = INT64_MAX;
}

static int64_t turned_rig_us(const struct rig_state *rig)
{
    return rig->turned_us == RIG_NEVER_US ? RIG_NEVER_US : rig->turned_us + rig->offset_us;
}

void rig_motion_finish(struct rig_state *rig)
{
    const int32_t end_steps = (int32_t)rig->ramp.end_steps;
    rig_motion_stand(rig, rig->ramp.end_steps);
    struct rig_happening h = {.kind = RIG_STANDING,
                              .word = rig->stopping ? "stop" : "travel",
                              .commanded_steps = end_steps,
                              .turned_us = turned_rig_us(rig)};
    rig_state_tell(rig, &h);
    rig_frames_event(rig, WIRE_EVENT_MOTION_DONE, end_steps);
}

void rig_motion_cut(struct rig_state *rig, const char *word)
{
    struct rig_happening h = {
        .kind = RIG_CUT, .word = word, .was_armed = rig->armed, .was_moving = rig->moving};
    rig_motion_stand(rig, nearbyint(rig_motion_position_steps(rig)));
    rig->armed = false;
    if (rig->mounted)
        rig->models[rig->feeder].coils_on = false;
    h.commanded_steps = (int32_t)rig->ramp.start_steps;
    h.turned_us = turned_rig_us(rig);
    rig_state_tell(rig, &h);
}
