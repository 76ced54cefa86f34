#include "rig/simulator/rig_inside.h"

#include <math.h>
#include <stdio.h>

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

void rig_frames_flush(struct rig_state *rig)
{
    uint8_t body[WIRE_BODY_MAX];
    if (rig->batch_count == 0)
        return;
    const struct rig_samples taken = {.samples = rig->batch,
                                      .count = rig->batch_count,
                                      .time_us = rig->batch_us,
                                      .rig_us = rig->batch_us + rig->offset_us,
                                      .framed = true,
                                      .sequence = rig->sequence};
    if (rig->observer.sampled != NULL)
        rig->observer.sampled(rig->observer.context, &taken);
    const size_t length = wire_pack_batch(rig->batch, rig->batch_count, channels_of(rig), body);
    if (length == 0 || !send_frame(rig, WIRE_SAMPLES, body, length, rig->batch_count))
        rig->samples_dropped += (uint32_t)rig->batch_count;
    rig->batch_count = 0;
}

void rig_frames_send(struct rig_state *rig, uint8_t type, const uint8_t *body, size_t length)
{
    rig_frames_flush(rig);
    send_frame(rig, type, body, length, 0);
}

void rig_frames_event(struct rig_state *rig, enum wire_event_kind kind, int32_t value)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_event event = {(uint32_t)rig_state_clock_us(rig), (uint8_t)kind, value};
    rig_frames_send(rig, WIRE_EVENT, body, wire_pack_event(&event, body));
}

void rig_frames_status(struct rig_state *rig)
{
    uint8_t body[WIRE_BODY_MAX];
    const enum wire_state state = rig->moving  ? WIRE_STATE_MOVING
                                  : rig->armed ? WIRE_STATE_ARMED
                                               : WIRE_STATE_IDLE;
    const struct wire_status status = {rig->boot, (uint32_t)rig_state_clock_us(rig), (uint8_t)state,
                                       rig->samples_dropped};
    rig_frames_send(rig, WIRE_STATUS, body, wire_pack_status(&status, body));
}

void rig_frames_identity(struct rig_state *rig)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct model_parameters *p = &rig->feeders[rig->feeder];
    struct wire_identity m = {.protocol_major = rig->setup.protocol_major,
                              .protocol_minor = WIRE_PROTOCOL_MINOR,
                              .channels = channels_of(rig),
                              .boot = rig->boot,
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
    rig_frames_send(rig, WIRE_IDENTITY, body, wire_pack_identity(&m, body));
}
