#include "rig/firmware/frames.h"

#include "rig/firmware/board.h"
#include "rig/firmware/converter.h"

#define FIRMWARE "nipbench reference 1"
/* The longest body is an identity with both texts full. */
#define BODY_MAX    (31u + 2u * (1u + WIRE_TEXT_MAX))
#define ENCODED_MAX (BODY_MAX + WIRE_OVERHEAD + 2u) /* less than 254 bytes: one code byte, one delimiter */

static uint8_t body[BODY_MAX];
static uint8_t encoded[ENCODED_MAX];
static uint16_t sequence;
static uint32_t samples_dropped;

static bool send(uint8_t type, size_t length)
{
    return board_transmit(encoded, wire_frame_encode(type, sequence++, body, length, encoded));
}

void frames_ack(uint8_t command, uint16_t acknowledged, enum wire_reason reason)
{
    const struct wire_ack m = {command, acknowledged, (uint8_t)reason};
    send(WIRE_ACK, wire_pack_ack(&m, body));
}

void frames_identity(uint32_t boot)
{
    struct wire_identity m = {.protocol_major = WIRE_PROTOCOL_MAJOR,
                              .protocol_minor = WIRE_PROTOCOL_MINOR,
                              .channels = FRAMES_CHANNELS,
                              .boot = boot,
                              .time_scale_milli = 1000,
                              .sample_rate_max_millihertz = BOARD_CONVERTER_MILLIHERTZ,
                              .counts_min = CONVERTER_COUNTS_MIN,
                              .counts_max = CONVERTER_COUNTS_MAX,
                              .encoder_nm_per_count = BOARD_ENCODER_NM_PER_COUNT,
                              .full_steps_per_rev = BOARD_FULL_STEPS_PER_REV,
                              .microsteps = BOARD_MICROSTEPS,
                              .firmware = FIRMWARE};
    board_serial(m.serial, sizeof m.serial);
    send(WIRE_IDENTITY, wire_pack_identity(&m, body));
}

void frames_event(uint32_t time_us, enum wire_event_kind kind, int32_t value)
{
    const struct wire_event m = {time_us, (uint8_t)kind, value};
    send(WIRE_EVENT, wire_pack_event(&m, body));
}

void frames_status(uint32_t boot, enum wire_state state)
{
    const struct wire_status m = {boot, board_clock_us(), (uint8_t)state, samples_dropped};
    send(WIRE_STATUS, wire_pack_status(&m, body));
}

void frames_sample(const struct wire_sample *sample)
{
    if (!send(WIRE_SAMPLES, wire_pack_batch(sample, 1, FRAMES_CHANNELS, body)))
        samples_dropped++;
}
