/* The receiving side on scripted bytes: what is counted, what is passed on, what is dropped. */
#include "capture/rig_receiver.h"

#include <criterion/criterion.h>
#include <string.h>

#define REPORTS_MAX 64

struct heard {
    struct rig_report reports[REPORTS_MAX];
    struct raw_sample samples[REPORTS_MAX * 4];
    size_t report_count, sample_count;
};

static void note_report(void *context, const struct rig_report *report)
{
    struct heard *h = context;
    cr_assert_lt(h->report_count, REPORTS_MAX);
    h->reports[h->report_count++] = *report;
    for (size_t i = 0; i < report->sample_count; i++)
        h->samples[h->sample_count++] = report->samples[i];
}

static size_t count_of(const struct heard *h, enum rig_report_kind kind)
{
    size_t n = 0;
    for (size_t i = 0; i < h->report_count; i++)
        n += h->reports[i].kind == kind;
    return n;
}

/* A frame with one sample at time_us whose force is its sequence number. */
static size_t sample_frame(uint16_t sequence, uint32_t time_us, uint8_t *out)
{
    struct wire_sample sample = {
        .time_us = time_us, .force_counts = sequence, .commanded_steps = -31, .flags = 4};
    uint8_t body[WIRE_BODY_MAX];
    size_t length = wire_pack_batch(&sample, 1, WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS, body);
    return wire_frame_encode(WIRE_SAMPLES, sequence, body, length, out);
}

static void feed_sample(struct rig_receiver *r, struct heard *h, uint16_t sequence, uint32_t time_us)
{
    uint8_t frame[WIRE_ENCODED_MAX];
    rig_receiver_feed(r, frame, sample_frame(sequence, time_us, frame), note_report, h);
}

static void feed_event(struct rig_receiver *r, struct heard *h, uint16_t sequence, uint32_t time_us,
                       uint8_t kind, int32_t value)
{
    struct wire_event event = {.time_us = time_us, .kind = kind, .value = value};
    uint8_t body[WIRE_BODY_MAX];
    uint8_t frame[WIRE_ENCODED_MAX];
    size_t length = wire_frame_encode(WIRE_EVENT, sequence, body, wire_pack_event(&event, body), frame);
    rig_receiver_feed(r, frame, length, note_report, h);
}

static void feed_status(struct rig_receiver *r, struct heard *h, uint16_t sequence, uint32_t time_us,
                        uint32_t boot)
{
    struct wire_status status = {.boot = boot, .time_us = time_us, .state = WIRE_STATE_IDLE};
    uint8_t body[WIRE_BODY_MAX];
    uint8_t frame[WIRE_ENCODED_MAX];
    size_t length = wire_frame_encode(WIRE_STATUS, sequence, body, wire_pack_status(&status, body), frame);
    rig_receiver_feed(r, frame, length, note_report, h);
}

Test(rig_receiver, samples_come_through_whatever_the_cuts_in_the_stream)
{
    static const size_t CUTS[] = {1, 2, 7, 19, 4096};
    uint8_t stream[20 * WIRE_ENCODED_MAX];
    size_t length = 0;
    for (uint16_t i = 0; i < 20; i++)
        length += sample_frame((uint16_t)(65527 + i), 4711u + 1003u * i, stream + length);
    for (size_t c = 0; c < sizeof CUTS / sizeof CUTS[0]; c++) {
        struct rig_receiver r;
        struct heard h = {0};
        rig_receiver_init(&r);
        for (size_t at = 0; at < length; at += CUTS[c])
            rig_receiver_feed(&r, stream + at, length - at < CUTS[c] ? length - at : CUTS[c], note_report,
                              &h);
        cr_assert_eq(h.sample_count, 20, "in pieces of %zu", CUTS[c]);
        cr_expect_eq(h.samples[19].time_us, 4711 + 1003 * 19);
        cr_expect_eq(h.samples[8].force_counts, 65535);
        cr_expect_eq(h.samples[9].force_counts, 0);
        cr_expect_eq(h.samples[3].commanded_steps, -31);
        cr_expect_eq(h.samples[3].flags, 4);
        cr_expect_eq(r.counts.frames_missing, 0, "the sequence wraps without a gap");
        cr_expect_eq(r.counts.bytes, (int64_t)length);
    }
}

Test(rig_receiver, a_gap_is_counted_and_told_before_what_follows)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_sample(&r, &h, 512, 7001);
    feed_sample(&r, &h, 516, 11013);
    feed_sample(&r, &h, 517, 12017);
    feed_sample(&r, &h, 519, 14029);
    cr_assert_eq(h.report_count, 6);
    cr_expect_eq(h.reports[1].kind, RIG_REPORT_GAP);
    cr_expect_eq(h.reports[1].frames_missing, 3);
    cr_expect_eq(h.reports[1].time_us, 7001);
    cr_expect_eq(h.reports[2].kind, RIG_REPORT_SAMPLES);
    cr_expect_eq(r.counts.gaps, 2);
    cr_expect_eq(r.counts.frames_missing, 4);
}

Test(rig_receiver, a_frame_that_comes_twice_is_used_once)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    for (uint16_t i = 0; i < 70; i++) {
        h.report_count = 0;
        feed_sample(&r, &h, (uint16_t)(65500 + i), 1000u + 997u * i);
    }
    h = (struct heard){0};
    feed_sample(&r, &h, 33, 1000 + 997 * 69);
    feed_sample(&r, &h, 65511, 1000 + 997 * 11);
    cr_expect_eq(h.report_count, 0);
    cr_expect_eq(r.counts.frames_duplicate, 2);
    cr_expect_eq(r.counts.frames_missing, 0);
    feed_sample(&r, &h, 34, 1000 + 997 * 70);
    cr_expect_eq(h.sample_count, 1);
    cr_expect_eq(r.counts.gaps, 0);
}

Test(rig_receiver, late_samples_stay_missing_but_a_late_event_is_heard)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_sample(&r, &h, 9, 20011);
    feed_sample(&r, &h, 12, 23029);
    feed_sample(&r, &h, 10, 21017);
    cr_expect_eq(h.sample_count, 2, "rows go on in the order of time");
    cr_expect_eq(r.counts.frames_missing, 2);
    feed_event(&r, &h, 11, 22500, WIRE_EVENT_FORCE_LIMIT, 8123456);
    cr_expect_eq(count_of(&h, RIG_REPORT_EVENT), 1);
    cr_expect_eq(h.reports[h.report_count - 1].time_us, 22500);
    cr_expect_eq(h.reports[h.report_count - 1].event.value, 8123456);
    cr_expect_eq(r.counts.frames_missing, 1, "the event did arrive");
    cr_expect_eq(r.counts.frames_late, 2);
    feed_event(&r, &h, 11, 22500, WIRE_EVENT_FORCE_LIMIT, 8123456);
    cr_expect_eq(count_of(&h, RIG_REPORT_EVENT), 1);
    cr_expect_eq(r.counts.gaps, 1);
}

Test(rig_receiver, a_broken_frame_is_corrupt_and_missing)
{
    struct rig_receiver r;
    struct heard h = {0};
    uint8_t frame[WIRE_ENCODED_MAX];
    size_t length;
    rig_receiver_init(&r);
    feed_sample(&r, &h, 3, 5003);
    length = sample_frame(4, 6007, frame);
    frame[length / 2] ^= 0x5A;
    rig_receiver_feed(&r, frame, length, note_report, &h);
    feed_sample(&r, &h, 5, 7013);
    cr_expect_eq(r.counts.frames_corrupt, 1);
    cr_expect_eq(r.counts.frames_missing, 1);
    cr_expect_eq(h.sample_count, 2);
    /* A sound frame whose body its type does not allow. */
    length = wire_frame_encode(WIRE_SAMPLES, 6, (const uint8_t *)"\x03\x05xx", 4, frame);
    rig_receiver_feed(&r, frame, length, note_report, &h);
    cr_expect_eq(r.counts.frames_corrupt, 2);
}

Test(rig_receiver, noise_between_frames_costs_only_itself)
{
    static const uint8_t NOISE[] = {0x81, 0xFF, 0x13, 0x11, 0x00};
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    rig_receiver_feed(&r, NOISE, sizeof NOISE, note_report, &h);
    feed_sample(&r, &h, 41, 9001);
    rig_receiver_feed(&r, NOISE, sizeof NOISE, note_report, &h);
    feed_sample(&r, &h, 42, 9973);
    cr_expect_eq(h.sample_count, 2);
    cr_expect_eq(r.counts.frames_corrupt, 2);
    cr_expect_eq(r.counts.frames_missing, 0);
}

Test(rig_receiver, the_clock_goes_on_past_two_to_the_32)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_sample(&r, &h, 0, 4294965000u);
    feed_sample(&r, &h, 1, 4294967290u);
    feed_status(&r, &h, 2, 700, 77);
    feed_event(&r, &h, 3, 4294967295u, WIRE_EVENT_MOTION_DONE, 6400); /* from just before the turn */
    feed_sample(&r, &h, 4, 1234);
    cr_assert_eq(h.sample_count, 3);
    cr_expect_eq(h.samples[1].time_us, INT64_C(4294967290));
    cr_expect_eq(h.reports[2].time_us, INT64_C(4294967296) + 700);
    cr_expect_eq(h.reports[3].time_us, INT64_C(4294967295));
    cr_expect_eq(h.samples[2].time_us, INT64_C(4294967296) + 1234);
    /* And once more, in steps of half an hour. */
    for (uint32_t i = 1; i <= 4; i++)
        feed_status(&r, &h, (uint16_t)(4 + i), 1234u + i * 1800000000u, 77);
    cr_expect_eq(h.reports[h.report_count - 1].time_us, INT64_C(4294967296) + 1234 + INT64_C(7200000000));
}

Test(rig_receiver, samples_that_do_not_advance_are_dropped_and_counted)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_sample(&r, &h, 0, 5000);
    feed_sample(&r, &h, 1, 5000);
    feed_sample(&r, &h, 2, 4100);
    feed_sample(&r, &h, 3, 5900);
    cr_expect_eq(h.sample_count, 2);
    cr_expect_eq(r.counts.samples_backward, 2);
}

Test(rig_receiver, another_boot_number_is_a_restart_and_no_gap)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_event(&r, &h, 0, 10, WIRE_EVENT_BOOT, 0x1234567);
    feed_status(&r, &h, 1, 400, 0x81234567u); /* the event carries 31 of the 32 bits */
    for (uint16_t i = 2; i < 30; i++)
        feed_sample(&r, &h, i, 90001u + 1009u * i);
    cr_expect_eq(count_of(&h, RIG_REPORT_RESTART), 0);
    feed_event(&r, &h, 0, 12, WIRE_EVENT_BOOT, 0x7654321);
    cr_expect_eq(count_of(&h, RIG_REPORT_RESTART), 1);
    cr_expect_eq(h.reports[h.report_count - 2].kind, RIG_REPORT_RESTART);
    cr_expect_eq(h.reports[h.report_count - 2].boot, 0x7654321);
    cr_expect_eq(h.reports[h.report_count - 1].time_us, 12, "the clock begins anew");
    cr_expect_eq(r.counts.frames_missing, 0);
    cr_expect_eq(r.counts.frames_duplicate, 0);
    feed_status(&r, &h, 1, 500, 0x87654321u);
    cr_expect_eq(count_of(&h, RIG_REPORT_RESTART), 1, "the same start, told in full");
    feed_status(&r, &h, 2, 600, 0x07654321u);
    cr_expect_eq(count_of(&h, RIG_REPORT_RESTART), 2);
}

Test(rig_receiver, a_newer_major_version_is_readable_however_it_is_laid_out)
{
    static const uint8_t BODY[] = {2, 7};
    struct rig_receiver r;
    struct heard h = {0};
    uint8_t frame[WIRE_ENCODED_MAX];
    rig_receiver_init(&r);
    rig_receiver_feed(&r, frame, wire_frame_encode(WIRE_IDENTITY, 0, BODY, sizeof BODY, frame), note_report,
                      &h);
    cr_assert_eq(h.report_count, 1);
    cr_expect_eq(h.reports[0].identity.protocol_major, 2);
    cr_expect_eq(h.reports[0].identity.protocol_minor, 7);
}

Test(rig_receiver, an_echo_of_the_hosts_own_frames_is_no_rig)
{
    struct rig_receiver r;
    struct heard h = {0};
    uint8_t frame[WIRE_ENCODED_MAX];
    rig_receiver_init(&r);
    for (uint8_t type = WIRE_IDENTIFY; type <= WIRE_KEEP_ALIVE; type++)
        rig_receiver_feed(&r, frame, wire_frame_encode(type, type, NULL, 0, frame), note_report, &h);
    cr_expect_eq(h.report_count, 0);
    cr_expect_eq(r.counts.frames, 0);
    /* A message type of a newer minor version takes part in the count and nothing else. */
    feed_sample(&r, &h, 1, 100);
    rig_receiver_feed(&r, frame, wire_frame_encode(0x99, 2, (const uint8_t *)"new", 3, frame), note_report,
                      &h);
    feed_sample(&r, &h, 3, 1109);
    cr_expect_eq(h.report_count, 2);
    cr_expect_eq(r.counts.frames_missing, 0);
    cr_expect_eq(r.counts.frames_corrupt, 0);
}
