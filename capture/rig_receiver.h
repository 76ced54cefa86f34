/* What a rig says, understood: bytes in, reports out. Pure: no port, no clock, no memory of its own.
 *
 * It counts what is missing, never fills it in, carries the rig's 32-bit clock on to 64 bits, and notices a
 * rig that has restarted. A frame that arrives twice is used once. A sample frame that arrives after a later
 * one is dropped and stays counted as missing, because rows are written in the order of time; a late event or
 * acknowledgement is still passed on, because it may be the news that the rig has cut the motor. */
#ifndef CAPTURE_RIG_RECEIVER_H
#define CAPTURE_RIG_RECEIVER_H

#include "datasets/format/run_csv.h"
#include "rig/wire/frame.h"
#include "rig/wire/message.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum rig_report_kind {
    RIG_REPORT_IDENTITY,
    RIG_REPORT_ACK,
    RIG_REPORT_SAMPLES,
    RIG_REPORT_EVENT,
    RIG_REPORT_STATUS,
    RIG_REPORT_GAP,    /* frames are missing before the report that follows */
    RIG_REPORT_RESTART /* the boot number has changed: sequence and clock begin anew */
};

/* One report; only the member of its kind is filled. */
struct rig_report {
    enum rig_report_kind kind;
    int64_t time_us; /* rig clock, 64 bits: of the event or status, of the last sample, else the newest time
                        known */
    struct wire_identity identity; /* of another major version only the two version numbers are set */
    struct wire_ack ack;
    struct wire_event event;
    struct wire_status status;
    const struct raw_sample *samples; /* time_us on the rig clock, increasing; valid during the call */
    size_t sample_count;
    uint32_t frames_missing; /* of a gap */
    uint32_t boot;           /* of a restart; low 31 bits when only the event told */
};

typedef void rig_report_handler(void *context, const struct rig_report *report);

struct rig_counts {
    int64_t frames;           /* understood */
    int64_t frames_missing;   /* by sequence number; late sample frames stay in here */
    int64_t gaps;             /* stretches of one or more missing frames */
    int64_t frames_corrupt;   /* broken encoding, check or body */
    int64_t frames_duplicate; /* dropped: had arrived before */
    int64_t frames_late;      /* arrived after a later frame */
    int64_t samples_backward; /* dropped: not later than the sample before */
    int64_t bytes;
};

struct rig_receiver {
    struct wire_decoder decoder;
    uint8_t buffer[WIRE_ENCODED_MAX];
    bool have_sequence;
    uint16_t next_sequence;
    uint64_t seen; /* bit i: the frame of sequence next_sequence - 1 - i has arrived */
    bool have_time;
    int64_t time_us; /* newest rig time seen */
    bool have_sample;
    int64_t sample_time_us;   /* of the newest sample */
    uint32_t boot, boot_mask; /* the bits of the boot number that are known */
    struct rig_counts counts;
    struct raw_sample samples[WIRE_BATCH_MAX];
};

void rig_receiver_init(struct rig_receiver *r);

/* Take length bytes and call handle for each report in them. */
void rig_receiver_feed(struct rig_receiver *r, const uint8_t *bytes, size_t length,
                       rig_report_handler *handle, void *context);

#endif
