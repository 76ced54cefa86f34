/* Messages of the rig protocol, packed to and unpacked from frame bodies.
 *
 * Freestanding C11: no malloc, no stdio, no errno; the firmware compiles this file unchanged. All numbers on
 * the wire are little-endian. Positions are in microsteps, forward feed positive; force counts grow with
 * push force. The normative text is rig/wire/README.md.
 */
#ifndef RIG_WIRE_MESSAGE_H
#define RIG_WIRE_MESSAGE_H

#include "rig/wire/frame.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WIRE_PROTOCOL_MAJOR 1
#define WIRE_PROTOCOL_MINOR 0

enum wire_type {
    /* host to rig */
    WIRE_IDENTIFY = 0x01,   /* empty body; answered by WIRE_IDENTITY */
    WIRE_CONFIGURE = 0x02,  /* struct wire_configure; answered by WIRE_ACK, then sampling starts */
    WIRE_ARM = 0x03,        /* struct wire_arm; coils on, limits in force */
    WIRE_MOVE = 0x04,       /* struct wire_move; only while armed */
    WIRE_STOP = 0x05,       /* empty: ramp down to standstill, stay armed */
    WIRE_CUT = 0x06,        /* empty: coils off at once, disarmed */
    WIRE_KEEP_ALIVE = 0x07, /* empty; not acknowledged */
    /* rig to host */
    WIRE_IDENTITY = 0x81, /* struct wire_identity */
    WIRE_ACK = 0x82,      /* struct wire_ack */
    WIRE_SAMPLES = 0x83,  /* struct wire_batch */
    WIRE_EVENT = 0x84,    /* struct wire_event */
    WIRE_STATUS = 0x85    /* struct wire_status, about once a second of rig time */
};

enum wire_channel { WIRE_CHANNEL_FORCE = 1, WIRE_CHANNEL_STEPS = 2, WIRE_CHANNEL_ENCODER = 4 };

/* Flags of one sample. */
enum wire_flag {
    WIRE_FLAG_OVER_RANGE = 1, /* the converter is at an end of its range: the force is not known */
    WIRE_FLAG_DRIVER_FAULT = 2,
    WIRE_FLAG_LIMIT_SWITCH = 4,
    WIRE_FLAG_EMERGENCY_STOP = 8
};

enum wire_reason {
    WIRE_ACCEPTED = 0,
    WIRE_REFUSED_NOT_ARMED = 1,
    WIRE_REFUSED_ARMED = 2,          /* configure while armed */
    WIRE_REFUSED_NOT_CONFIGURED = 3, /* arm before configure */
    WIRE_REFUSED_OUT_OF_RANGE = 4,   /* a number the rig cannot carry out */
    WIRE_REFUSED_EMERGENCY_STOP = 5,
    WIRE_REFUSED_DRIVER_FAULT = 6,
    WIRE_REFUSED_LIMIT_SWITCH = 7,
    WIRE_REFUSED_UNKNOWN_COMMAND = 8,
    WIRE_REFUSED_MALFORMED = 9,
    WIRE_REFUSED_NO_SUCH_FEEDER = 10 /* a simulated rig has no feeder of that name to mount */
};

enum wire_event_kind {
    WIRE_EVENT_BOOT = 1, /* value: low 31 bits of the boot number */
    WIRE_EVENT_MOTION_DONE =
        2, /* value: position in microsteps; a move's travel is complete or a stop ended */
    WIRE_EVENT_FORCE_LIMIT = 3,    /* value: force counts seen; the rig has cut */
    WIRE_EVENT_TRAVEL_LIMIT = 4,   /* value: position in microsteps; the rig has cut */
    WIRE_EVENT_TIME_LIMIT = 5,     /* value: milliseconds since arming; the rig has cut */
    WIRE_EVENT_WATCHDOG = 6,       /* value: milliseconds of host silence; the rig has cut, sampling stops */
    WIRE_EVENT_LIMIT_SWITCH = 7,   /* the rig has cut */
    WIRE_EVENT_EMERGENCY_STOP = 8, /* the rig has cut */
    WIRE_EVENT_DRIVER_FAULT = 9    /* the rig has cut */
};

enum wire_state { WIRE_STATE_IDLE = 0, WIRE_STATE_ARMED = 1, WIRE_STATE_MOVING = 2 };

#define WIRE_TEXT_MAX 32 /* bytes of a text field, no terminator on the wire */

/* What is on the rig and how to sample it. A real rig keeps feeder and preload only to show them; a simulated
 * rig mounts the feeder of that name. */
struct wire_configure {
    uint32_t sample_rate_millihertz; /* 0 stops sampling */
    uint32_t nip_preload_mn;         /* millinewton; 0: not stated */
    char feeder[WIRE_TEXT_MAX + 1];  /* UTF-8, zero-terminated here, length-prefixed on the wire */
};

struct wire_arm {
    int32_t force_limit_low_counts;   /* the rig cuts at or below this reading */
    int32_t force_limit_high_counts;  /* and at or above this one */
    uint32_t travel_limit_microsteps; /* largest distance from the position at arming, either way */
    uint32_t time_limit_ms;           /* from arming, on the rig's clock */
};

struct wire_move {
    int32_t speed_millisteps_s;     /* microsteps per second times 1000; negative: backward */
    uint32_t acceleration_steps_s2; /* microsteps per second squared, above 0 */
    uint32_t travel_microsteps;     /* distance after which the rig stops by itself; 0: until stopped */
};

struct wire_identity {
    uint8_t protocol_major;
    uint8_t protocol_minor;
    uint8_t channels; /* enum wire_channel bits */
    uint32_t boot;    /* changes with every start of the rig */
    uint32_t
        time_scale_milli; /* rig seconds per second of the outside world, times 1000; 1000 on a real rig */
    uint32_t sample_rate_max_millihertz;
    int32_t counts_min; /* force converter range */
    int32_t counts_max;
    uint32_t encoder_nm_per_count; /* nominal; 0 without an encoder */
    uint16_t full_steps_per_rev;   /* of the motor on the rig; 0: not known to the rig */
    uint16_t microsteps;           /* per full step, of the driver */
    char firmware[WIRE_TEXT_MAX + 1];
    char serial[WIRE_TEXT_MAX + 1];
};

struct wire_ack {
    uint8_t command;   /* the type acknowledged */
    uint16_t sequence; /* the sequence number of the frame acknowledged */
    uint8_t reason;    /* enum wire_reason */
};

struct wire_event {
    uint32_t time_us; /* rig clock, low 32 bits */
    uint8_t kind;     /* enum wire_event_kind */
    int32_t value;
};

struct wire_status {
    uint32_t boot;
    uint32_t time_us;         /* rig clock, low 32 bits */
    uint8_t state;            /* enum wire_state */
    uint32_t samples_dropped; /* on the rig since boot: its transmit buffer was full */
};

struct wire_sample {
    uint32_t time_us; /* rig clock, low 32 bits; the host unwraps it to 64 */
    int32_t force_counts;
    int32_t commanded_steps; /* microsteps */
    int32_t encoder_counts;  /* 0 without the channel */
    uint8_t flags;           /* enum wire_flag bits */
};

/* Bytes of one sample in a batch: 2 time offset, 3 force, 4 steps, 4 encoder if present, 1 flags. */
#define WIRE_SAMPLE_BYTES(channels) (((channels)&WIRE_CHANNEL_ENCODER) ? 14u : 10u)
#define WIRE_BATCH_HEADER_BYTES     6u /* u8 channels, u8 count, u32 time of the first sample */
#define WIRE_BATCH_MAX              80u /* samples of one batch: the largest that fits WIRE_BODY_MAX with an encoder */

/* Packing: write the body into body (at least WIRE_BODY_MAX bytes); return its length. */
size_t wire_pack_configure(const struct wire_configure *m, uint8_t *body);
size_t wire_pack_arm(const struct wire_arm *m, uint8_t *body);
size_t wire_pack_move(const struct wire_move *m, uint8_t *body);
size_t wire_pack_identity(const struct wire_identity *m, uint8_t *body);
size_t wire_pack_ack(const struct wire_ack *m, uint8_t *body);
size_t wire_pack_event(const struct wire_event *m, uint8_t *body);
size_t wire_pack_status(const struct wire_status *m, uint8_t *body);
/* count samples (1 to WIRE_BATCH_MAX), each at most 65,535 us after the one before. Returns 0 when they do
 * not fit one batch. */
size_t wire_pack_batch(const struct wire_sample *samples, size_t count, uint8_t channels, uint8_t *body);

/* Unpacking: WIRE_OK, or WIRE_MALFORMED when the body has the wrong length or an impossible value; *m is then
 * undefined. Bodies longer than this version knows are accepted from a newer minor version, the rest ignored,
 * except for WIRE_SAMPLES. Texts come back zero-terminated. */
enum wire_error wire_unpack_configure(const uint8_t *body, size_t length, struct wire_configure *m);
enum wire_error wire_unpack_arm(const uint8_t *body, size_t length, struct wire_arm *m);
enum wire_error wire_unpack_move(const uint8_t *body, size_t length, struct wire_move *m);
enum wire_error wire_unpack_identity(const uint8_t *body, size_t length, struct wire_identity *m);
enum wire_error wire_unpack_ack(const uint8_t *body, size_t length, struct wire_ack *m);
enum wire_error wire_unpack_event(const uint8_t *body, size_t length, struct wire_event *m);
enum wire_error wire_unpack_status(const uint8_t *body, size_t length, struct wire_status *m);
/* samples: room for WIRE_BATCH_MAX; *count receives how many. */
enum wire_error wire_unpack_batch(const uint8_t *body, size_t length, struct wire_sample *samples,
                                  size_t *count);

/* Plain words for a refusal or an event ("not armed", "force limit"); never NULL. */
const char *wire_reason_text(uint8_t reason);
const char *wire_event_text(uint8_t kind);

#endif
