/* Frames out of this rig: numbered, encoded and queued whole or not at all. */
#ifndef RIG_FIRMWARE_FRAMES_H
#define RIG_FIRMWARE_FRAMES_H

#include "rig/wire/message.h"

#define FRAMES_CHANNELS                                                                                      \
    (WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS | (BOARD_ENCODER_NM_PER_COUNT > 0 ? WIRE_CHANNEL_ENCODER : 0))

void frames_ack(uint8_t command, uint16_t sequence, enum wire_reason reason);
void frames_identity(uint32_t boot);
void frames_event(uint32_t time_us, enum wire_event_kind kind, int32_t value);
void frames_status(uint32_t boot, enum wire_state state);
void frames_sample(const struct wire_sample *sample);

#endif
