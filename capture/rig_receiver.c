#include "capture/rig_receiver.h"

#include <string.h>

#define SEQUENCE_WINDOW    64 /* frames back in which a frame is known as duplicate or late; bits of `seen` */
#define BOOT_BITS_OF_EVENT 0x7FFFFFFFu

void rig_receiver_init(struct rig_receiver *r)
{
    memset(r, 0, sizeof *r);
    wire_decoder_init(&r->decoder, r->buffer, sizeof r->buffer);
}

/* Carry a 32-bit rig time on to 64 bits: the value nearest to the newest time known. The rig sends a status
 * every second, so the two are never half a turn (36 minutes) apart. */
static int64_t unwrap_time(struct rig_receiver *r, uint32_t time_us)
{
    int64_t whole;
    if (!r->have_time) {
        r->have_time = true;
        r->time_us = time_us;
        return time_us;
    }
    whole = r->time_us + (int32_t)(time_us - (uint32_t)r->time_us);
    if (whole > r->time_us)
        r->time_us = whole;
    return whole;
}

/* A boot number other than the one known. The sequence and clock of the new start have nothing to do with the
 * old ones, so this is looked at before either. */
static void note_boot(struct rig_receiver *r, uint32_t boot, uint32_t mask, rig_report_handler *handle,
                      void *context)
{
    struct rig_report report = {.kind = RIG_REPORT_RESTART};
    if (((r->boot ^ boot) & mask & r->boot_mask) == 0) {
        r->boot |= boot & mask; /* the event carries fewer bits than identity and status */
        r->boot_mask |= mask;
        return;
    }
    r->boot = boot;
    r->boot_mask = mask;
    r->have_sequence = false;
    r->have_time = false;
    r->have_sample = false;
    report.time_us = r->time_us;
    report.boot = boot;
    handle(context, &report);
}

enum arrival { ARRIVED_NEW, ARRIVED_LATE, ARRIVED_AGAIN };

/* Account for a sequence number; *missing receives how many frames before it have not arrived. */
static enum arrival note_sequence(struct rig_receiver *r, uint16_t sequence, uint32_t *missing)
{
    uint16_t ahead = (uint16_t)(sequence - r->next_sequence);
    *missing = 0;
    if (r->have_sequence && ahead >= (uint16_t)-SEQUENCE_WINDOW) {
        uint64_t bit = UINT64_C(1) << (uint16_t)(r->next_sequence - 1u - sequence);
        if ((r->seen & bit) != 0) {
            r->counts.frames_duplicate++;
            return ARRIVED_AGAIN;
        }
        r->seen |= bit;
        r->counts.frames_late++;
        return ARRIVED_LATE;
    }
    if (!r->have_sequence) {
        r->have_sequence = true;
        r->seen = UINT64_MAX; /* nothing is known to be missing before the first frame */
        ahead = 0;
    }
    r->seen = ahead + 1u >= SEQUENCE_WINDOW ? 1u : (r->seen << (ahead + 1u)) | 1u;
    r->next_sequence = (uint16_t)(sequence + 1u);
    if (ahead > 0) {
        r->counts.frames_missing += ahead;
        r->counts.gaps++;
        *missing = ahead;
    }
    return ARRIVED_NEW;
}

/* A version of another major number may lay out everything but its two first bytes differently. */
static enum wire_error unpack_identity(const struct wire_frame *frame, struct wire_identity *identity)
{
    if (frame->length >= 2 && frame->body[0] != WIRE_PROTOCOL_MAJOR) {
        memset(identity, 0, sizeof *identity);
        identity->protocol_major = frame->body[0];
        identity->protocol_minor = frame->body[1];
        return WIRE_OK;
    }
    return wire_unpack_identity(frame->body, frame->length, identity);
}

static enum wire_error unpack(const struct wire_frame *frame, struct rig_report *report,
                              struct wire_sample *samples)
{
    switch (frame->type) {
    case WIRE_IDENTITY:
        report->kind = RIG_REPORT_IDENTITY;
        return unpack_identity(frame, &report->identity);
    case WIRE_ACK:
        report->kind = RIG_REPORT_ACK;
        return wire_unpack_ack(frame->body, frame->length, &report->ack);
    case WIRE_SAMPLES:
        report->kind = RIG_REPORT_SAMPLES;
        return wire_unpack_batch(frame->body, frame->length, samples, &report->sample_count);
    case WIRE_EVENT:
        report->kind = RIG_REPORT_EVENT;
        return wire_unpack_event(frame->body, frame->length, &report->event);
    default:
        report->kind = RIG_REPORT_STATUS;
        return wire_unpack_status(frame->body, frame->length, &report->status);
    }
}

static bool is_from_a_rig(uint8_t type)
{
    return type >= WIRE_IDENTITY && type <= WIRE_STATUS;
}

/* Put the samples of a batch on the 64-bit clock; drop any that is not later than the one before. */
static void take_samples(struct rig_receiver *r, const struct wire_sample *samples, struct rig_report *report)
{
    size_t kept = 0;
    for (size_t i = 0; i < report->sample_count; i++) {
        int64_t time_us = unwrap_time(r, samples[i].time_us);
        if (r->have_sample && time_us <= r->sample_time_us) {
            r->counts.samples_backward++;
            continue;
        }
        r->have_sample = true;
        r->sample_time_us = time_us;
        r->samples[kept++] = (struct raw_sample){.time_us = time_us,
                                                 .force_counts = samples[i].force_counts,
                                                 .commanded_steps = samples[i].commanded_steps,
                                                 .encoder_counts = samples[i].encoder_counts,
                                                 .flags = samples[i].flags};
    }
    report->samples = r->samples;
    report->sample_count = kept;
    report->time_us = r->sample_time_us;
}

static void take_frame(struct rig_receiver *r, const struct wire_frame *frame, rig_report_handler *handle,
                       void *context)
{
    struct wire_sample samples[WIRE_BATCH_MAX];
    struct rig_report report = {.kind = RIG_REPORT_STATUS};
    enum arrival arrival;
    uint32_t missing;
    /* An echo of our own commands is no word from a rig, and a newer minor version may have message types
     * that are not for us; the latter still take part in the count. */
    if (frame->type < 0x80)
        return;
    if (is_from_a_rig(frame->type) && unpack(frame, &report, samples) != WIRE_OK) {
        r->counts.frames_corrupt++;
        return;
    }
    r->counts.frames++;
    if (frame->type == WIRE_IDENTITY && report.identity.protocol_major == WIRE_PROTOCOL_MAJOR)
        note_boot(r, report.identity.boot, UINT32_MAX, handle, context);
    else if (frame->type == WIRE_STATUS)
        note_boot(r, report.status.boot, UINT32_MAX, handle, context);
    else if (frame->type == WIRE_EVENT && report.event.kind == WIRE_EVENT_BOOT)
        note_boot(r, (uint32_t)report.event.value, BOOT_BITS_OF_EVENT, handle, context);
    arrival = note_sequence(r, frame->sequence, &missing);
    if (arrival == ARRIVED_AGAIN)
        return;
    if (missing > 0) {
        struct rig_report gap = {.kind = RIG_REPORT_GAP, .time_us = r->time_us, .frames_missing = missing};
        handle(context, &gap);
    }
    if (!is_from_a_rig(frame->type))
        return;
    report.time_us = r->time_us;
    if (arrival == ARRIVED_LATE) {
        if (report.kind == RIG_REPORT_SAMPLES)
            return;
        r->counts.frames_missing--;
    }
    switch (report.kind) {
    case RIG_REPORT_SAMPLES:
        take_samples(r, samples, &report);
        break;
    case RIG_REPORT_EVENT:
        report.time_us = unwrap_time(r, report.event.time_us);
        break;
    case RIG_REPORT_STATUS:
        report.time_us = unwrap_time(r, report.status.time_us);
        break;
    default:
        break;
    }
    handle(context, &report);
}

void rig_receiver_feed(struct rig_receiver *r, const uint8_t *bytes, size_t length,
                       rig_report_handler *handle, void *context)
{
    r->counts.bytes += (int64_t)length;
    while (length > 0) {
        struct wire_frame frame;
        enum wire_error result;
        size_t taken = wire_decoder_feed(&r->decoder, bytes, length, &result, &frame);
        bytes += taken;
        length -= taken;
        if (result == WIRE_OK)
            take_frame(r, &frame, handle, context);
        else if (result != WIRE_MORE)
            r->counts.frames_corrupt++;
    }
}
