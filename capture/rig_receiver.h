/* What a rig says, understood: bytes in, reports out. Pure: no port, no clock, no memory of its own.
 *
 * It counts what is missing, never fills it in, carries the rig's 32-bit clock on to 64 bits, and notices a
 * rig that has restarted. A frame that arrives twice is used once. A sample frame that arrives after a later
 * one is dropped, because rows are written in the order of time; a late event or acknowledgement is still
 * passed on, because it may be the news that the rig has cut the motor.
 *
 * Counts are exact from the first frame after the start or a restart of the rig, as far as 16 bits of
 * sequence and 32 bits of time can tell. A frame up to 32,768 numbers old is known as late or repeated. An
 * outage of up to 32,767 frames is counted at the first frame behind it, one of up to 65,535 at the first
 * sample, event or status behind it that lies more than 10 s past the newest rig time known; longer ones are
 * counted modulo 65,536. Two frames in a row must lie less than 35 minutes of rig time apart. */
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
    int64_t frames;           /* understood, late and repeated ones as well */
    int64_t frames_missing;   /* were not there when a later one arrived; the sum over all gap reports, never
                                 taken back. Lost for good: frames_missing - frames_late */
    int64_t gaps;             /* stretches of one or more missing frames: the number of gap reports */
    int64_t frames_corrupt;   /* broken encoding, check or body; noise between delimiters as well */
    int64_t frames_duplicate; /* dropped: had arrived before, or older than the first one heard */
    int64_t frames_late;      /* those of frames_missing that arrived after all */
    int64_t samples_backward; /* dropped: not later than the sample before */
    int64_t bytes;
};

struct rig_receiver {
    struct wire_decoder decoder;
    uint8_t buffer[WIRE_ENCODED_MAX];
    bool have_sequence;
    uint16_t next_sequence;
    uint64_t arrived[1024]; /* bit by sequence number: the last frame before next_sequence that carries it
                               has arrived */
    int64_t passed;         /* numbers that next_sequence has passed since the start */
    int64_t timed;          /* of these, how many up to the newest frame that held a time */
    int64_t counted_from;   /* of these, how many before the counts began */
    bool have_time;
    int64_t time_us; /* newest rig time seen */
    bool have_sample;
    int64_t sample_time_us;   /* of the newest sample */
    uint32_t boot, boot_mask; /* the bits of the boot number that are known */
    struct rig_counts counts;
    struct raw_sample samples[WIRE_BATCH_MAX];
};

void rig_receiver_init(struct rig_receiver *r);

/* Begin all counts anew, in the middle of a stream. A frame that was missing before and arrives behind this
 * counts as neither missing nor late. May be called from within a report. */
void rig_receiver_reset_counts(struct rig_receiver *r);

/* Take length bytes and call handle for each report in them. */
void rig_receiver_feed(struct rig_receiver *r, const uint8_t *bytes, size_t length,
                       rig_report_handler *handle, void *context);

#endif
