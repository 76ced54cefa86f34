#include "rig/simulator/rig_inside.h"

#include <math.h>

#define BATCH_GAP_MAX_US 65535

/* The next point of the grid, without rounding error that adds up: the rate is in thousandths of hertz, so
 * that one interval is 1e9 / rate microseconds. */
static void next_time(struct rig_state *rig)
{
    const uint64_t rate = rig->rate_millihertz;
    rig->sample_due_us += (int64_t)(1000000000u / rate);
    rig->sample_rest += 1000000000u % rate;
    if (rig->sample_rest >= rate) {
        rig->sample_rest -= rate;
        rig->sample_due_us++;
    }
}

void rig_sampling_begin(struct rig_state *rig)
{
    rig->model_us = rig->clock_us;
    rig->sample_due_us = rig->clock_us;
    rig->sample_rest = 0;
    next_time(rig);
}

static void check_limits(struct rig_state *rig, const struct wire_sample *s)
{
    const int64_t armed_ms = (rig->clock_us - rig->armed_us) / 1000;
    const double travel = fmin(rig->limits.travel_limit_microsteps, POSITION_MAX_STEPS);
    enum wire_event_kind kind;
    int32_t value;
    const char *word;
    /* A reading at the end of the converter's range may hide any force, so it counts as beyond the limit. */
    if ((s->flags & WIRE_FLAG_OVER_RANGE) || s->force_counts <= rig->limits.force_limit_low_counts ||
        s->force_counts >= rig->limits.force_limit_high_counts) {
        kind = WIRE_EVENT_FORCE_LIMIT;
        word = "force-limit";
        value = s->force_counts;
    } else if (fabs((double)s->commanded_steps) > travel) {
        kind = WIRE_EVENT_TRAVEL_LIMIT;
        word = "travel-limit";
        value = s->commanded_steps;
    } else if (armed_ms >= rig->limits.time_limit_ms) {
        kind = WIRE_EVENT_TIME_LIMIT;
        word = "time-limit";
        value = armed_ms > INT32_MAX ? INT32_MAX : (int32_t)armed_ms;
    } else {
        return;
    }
    rig_motion_cut(rig, word);
    rig_frames_event(rig, kind, value);
}

void rig_sampling_take(struct rig_state *rig)
{
    const struct model_parameters *p = &rig->feeders[rig->feeder];
    struct model_state *model = &rig->models[rig->feeder];
    const double position_steps = rig_motion_position_steps(rig);
    bool over_range = false;

    /* The model follows the ramp itself and not its whole microsteps: at a few steps per sample their beat
     * with the sample grid would look like a jitter of speed, which the motor does not see. */
    model_step(p, model, position_steps, rig_motion_seconds_since(rig, rig->model_us));
    rig->model_us = rig->clock_us;

    struct wire_sample s = {.time_us = (uint32_t)rig_state_clock_us(rig),
                            .commanded_steps = (int32_t)nearbyint(position_steps)};
    s.force_counts = model_read_force(p, model, &over_range);
    if (p->sensor.encoder)
        s.encoder_counts = model_read_encoder(p, model);
    if (over_range)
        s.flags |= WIRE_FLAG_OVER_RANGE;
    s.flags |= rig->flags;
    if (rig->flags & WIRE_FLAG_OVER_RANGE) /* after the load cell was read: it draws as always */
        s.force_counts = p->sensor.counts_max;

    if (rig->batch_count > 0 && s.time_us - rig->batch[rig->batch_count - 1].time_us > BATCH_GAP_MAX_US)
        rig_frames_flush(rig);
    if (rig->batch_count == 0) {
        rig->batch_us = rig->clock_us;
        rig->flush_due_us = rig->clock_us + (int64_t)RIG_STATE_FLUSH_US * rig->setup.time_scale_milli / 1000;
    }
    rig->batch[rig->batch_count++] = s;
    if (rig->batch_count == WIRE_BATCH_MAX)
        rig_frames_flush(rig);
    next_time(rig);
    if (rig->armed && !rig->setup.limits_ignored)
        check_limits(rig, &s);
}
