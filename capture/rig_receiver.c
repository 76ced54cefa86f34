#include "capture/rig_receiver.h"

#include <string.h>

#define SEQUENCE_NUMBERS   65536u
#define BOOT_BITS_OF_EVENT 0x7FFFFFFFu
/* How far past the newest rig time known a frame must lie to be no late one. A status may overtake the
 * samples that wait for their batch to fill, which are 80 at most and at most 65.535 ms apart: 5.3 s. */
#define OUTAGE_LEAST_US 10000000

void rig_receiver_init(struct rig_receiver *r)
{
    memset(r, 0, sizeof *r);
    wire_decoder_init(&r->decoder, r->buffer, sizeof r->buffer);
}

void rig_receiver_reset_counts(struct rig_receiver *r)
{
    r->counts = (struct rig_counts){0};
    r->counted_from = r->passed;
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
    r->boot = boot & mask;
    r->boot_mask = mask;
    r->have_sequence = false;
    r->have_time = false;
    r->have_sample = false;
    report.time_us = r->time_us;
    report.boot = r->boot;
    r->time_us = 0; /* nothing is known yet of the new clock */
    handle(context, &report);
}

enum arrival { ARRIVED_NEW, ARRIVED_LATE, ARRIVED_AGAIN };

static bool has_arrived(const struct rig_receiver *r, uint16_t sequence)
{
    return (r->arrived[sequence / 64u] >> (sequence % 64u) & 1u) != 0;
}

static void note_arrived(struct rig_receiver *r, uint16_t sequence, bool arrived)
{
    uint64_t bit = UINT64_C(1) << (sequence % 64u);
    if (arrived)
        r->arrived[sequence / 64u] |= bit;
    else
        r->arrived[sequence / 64u] &= ~bit;
}

/* Account for a sequence number. It stands for the nearer of the frames that carry it, before or behind the
 * newest (serial number arithmetic as in RFC 1982, section 3.2). But when that would be one from before the
 * newest frame with a time, and far_later says that it is far later than this time, it comes after an outage.
 * *missing receives how many frames before it have not arrived. */
static enum arrival note_sequence(struct rig_receiver *r, uint16_t sequence, bool far_later,
                                  uint32_t *missing)
{
    uint16_t ahead;
    int64_t behind; /* its place among the passed numbers, should it be an old frame */
    *missing = 0;
    if (!r->have_sequence) {
        r->have_sequence = true;
        r->next_sequence = sequence;
        memset(r->arrived, 0xFF,
               sizeof r->arrived); /* nothing is known to be missing before the first frame */
    }
    ahead = (uint16_t)(sequence - r->next_sequence);
    behind = r->passed - (int64_t)(SEQUENCE_NUMBERS - ahead);
    if (ahead >= SEQUENCE_NUMBERS / 2 && !(far_later && behind < r->timed)) {
        if (has_arrived(r, sequence)) {
            r->counts.frames_duplicate++;
            return ARRIVED_AGAIN;
        }
        note_arrived(r, sequence, true);
        if (behind >= r->counted_from)
            r->counts.frames_late++;
        return ARRIVED_LATE;
    }
    while (r->next_sequence != sequence)
        note_arrived(r, r->next_sequence++, false);
    note_arrived(r, r->next_sequence++, true);
    r->passed += ahead + 1;
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

/* The rig time that a frame was sent at, or about; false when it holds none. */
static bool time_of(const struct rig_report *report, const struct wire_sample *samples, uint32_t *time_us)
{
    switch (report->kind) {
    case RIG_REPORT_SAMPLES:
        *time_us = samples[0].time_us;
        return true;
    case RIG_REPORT_EVENT:
        *time_us = report->event.time_us;
        return true;
    case RIG_REPORT_STATUS:
        *time_us = report->status.time_us;
        return true;
    default:
        return false;
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
    uint32_t missing, time_us;
    bool timed, far_later;
    bool known = is_from_a_rig(frame->type);
    /* An echo of our own commands is no word from a rig, and a newer minor version may have message types
     * that are not for us; the latter still take part in the count. */
    if (frame->type < 0x80)
        return;
    /* What a sound frame with an impossible body wanted to say is lost: it is left out of the sequence, so
     * that it becomes a gap like any other broken frame. */
    if (known && unpack(frame, &report, samples) != WIRE_OK) {
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
    timed = known && time_of(&report, samples, &time_us);
    far_later = timed && r->have_time && (int32_t)(time_us - (uint32_t)r->time_us) > OUTAGE_LEAST_US;
    arrival = note_sequence(r, frame->sequence, far_later, &missing);
    if (arrival == ARRIVED_NEW && timed)
        r->timed = r->passed;
    if (arrival == ARRIVED_AGAIN)
        return;
    if (missing > 0) {
        struct rig_report gap = {.kind = RIG_REPORT_GAP, .time_us = r->time_us, .frames_missing = missing};
        handle(context, &gap);
    }
    if (!known || (arrival == ARRIVED_LATE && report.kind == RIG_REPORT_SAMPLES))
        return;
    report.time_us = r->time_us;
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
