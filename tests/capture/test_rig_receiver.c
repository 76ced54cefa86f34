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
    for (uint16_t i = 0; i < 170; i++) {
        h.report_count = h.sample_count = 0;
        feed_sample(&r, &h, (uint16_t)(65400 + i), 1000u + 997u * i);
    }
    h = (struct heard){0};
    feed_sample(&r, &h, 33, 1000 + 997 * 169);
    feed_sample(&r, &h, 65511, 1000 + 997 * 111);
    feed_sample(&r, &h, 65402, 1000 + 997 * 2); /* however far back */
    cr_expect_eq(h.report_count, 0);
    cr_expect_eq(r.counts.frames_duplicate, 3);
    cr_expect_eq(r.counts.frames_missing, 0);
    feed_sample(&r, &h, 34, 1000 + 997 * 170);
    cr_expect_eq(h.sample_count, 1);
    cr_expect_eq(r.counts.gaps, 0);
}

Test(rig_receiver, late_samples_are_dropped_but_a_late_event_is_heard)
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
    cr_expect_eq(r.counts.frames_missing, 2, "both were not there when number 12 came");
    cr_expect_eq(r.counts.frames_late, 2, "and neither is lost");
    feed_event(&r, &h, 11, 22500, WIRE_EVENT_FORCE_LIMIT, 8123456);
    cr_expect_eq(count_of(&h, RIG_REPORT_EVENT), 1);
    cr_expect_eq(r.counts.frames_late, 2);
    cr_expect_eq(r.counts.frames_duplicate, 1);
    cr_expect_eq(r.counts.gaps, 1);
}

Test(rig_receiver, gap_reports_add_up_to_the_missing_whatever_comes_late)
{
    static const uint16_t ORDER[] = {65530, 65534, 65532, 2, 65533, 65535, 0, 900, 1, 450, 65531, 901, 450};
    struct rig_receiver r;
    struct heard h = {0};
    int64_t told = 0;
    rig_receiver_init(&r);
    for (size_t i = 0; i < sizeof ORDER / sizeof ORDER[0]; i++)
        feed_event(&r, &h, ORDER[i], 1000u + (uint16_t)(ORDER[i] - 65530u) * 313u, WIRE_EVENT_MOTION_DONE,
                   ORDER[i]);
    for (size_t i = 0; i < h.report_count; i++)
        told += h.reports[i].frames_missing;
    cr_expect_eq(count_of(&h, RIG_REPORT_GAP), 3);
    cr_expect_eq(told, 3 + 3 + 897);
    cr_expect_eq(r.counts.frames_missing, told);
    cr_expect_eq(r.counts.frames_late, 7);
    cr_expect_eq(r.counts.frames_duplicate, 1);
    cr_expect_eq(count_of(&h, RIG_REPORT_EVENT), 12);
    cr_expect_eq(r.counts.frames, 13);
}

Test(rig_receiver, what_is_older_than_the_first_frame_was_never_missing)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_event(&r, &h, 3, 5009, WIRE_EVENT_MOTION_DONE, 1);
    feed_event(&r, &h, 2, 5003, WIRE_EVENT_MOTION_DONE, 1);
    cr_expect_eq(r.counts.frames_late, 0);
    cr_expect_eq(r.counts.frames_missing, 0);
    cr_expect_eq(r.counts.frames_duplicate, 1);
}

Test(rig_receiver, counts_that_begin_anew_leave_out_what_was_missing_before)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_event(&r, &h, 65533, 1009, WIRE_EVENT_MOTION_DONE, 1);
    feed_event(&r, &h, 0, 4021, WIRE_EVENT_MOTION_DONE, 2);
    rig_receiver_reset_counts(&r);
    feed_event(&r, &h, 65534, 2017, WIRE_EVENT_FORCE_LIMIT, 3);
    cr_expect_eq(count_of(&h, RIG_REPORT_EVENT), 3, "it is heard all the same");
    cr_expect_eq(r.counts.frames_late, 0);
    feed_event(&r, &h, 2, 6029, WIRE_EVENT_MOTION_DONE, 4);
    feed_event(&r, &h, 1, 5023, WIRE_EVENT_MOTION_DONE, 5);
    feed_event(&r, &h, 65535, 3019, WIRE_EVENT_FORCE_LIMIT, 6);
    cr_expect_eq(r.counts.frames_missing, 1);
    cr_expect_eq(r.counts.frames_late, 1);
    cr_expect_eq(r.counts.gaps, 1);
    cr_expect_eq(r.counts.frames, 4);
}

Test(rig_receiver, a_late_frame_behind_one_without_a_time_is_no_outage)
{
    static const struct wire_ack ACK = {.command = WIRE_STOP, .sequence = 9};
    struct rig_receiver r;
    struct heard h = {0};
    uint8_t body[WIRE_BODY_MAX];
    uint8_t frame[WIRE_ENCODED_MAX];
    rig_receiver_init(&r);
    feed_sample(&r, &h, 65000, 1003);
    rig_receiver_feed(&r, frame, wire_frame_encode(WIRE_ACK, 600, body, wire_pack_ack(&ACK, body), frame),
                      note_report, &h);
    feed_event(&r, &h, 598, 22800013, WIRE_EVENT_MOTION_DONE, 3200);
    cr_expect_eq(r.counts.frames_missing, 1135);
    cr_expect_eq(r.counts.frames_late, 1);
    cr_expect_eq(h.reports[h.report_count - 1].time_us, 22800013);
}

Test(rig_receiver, a_long_outage_is_told_from_old_frames_by_the_rigs_clock)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_sample(&r, &h, 10, 1003);
    feed_sample(&r, &h, 11, 21013);
    feed_sample(&r, &h, 11 + 40001, 820041013u); /* 40,000 frames of 20.5 ms */
    cr_expect_eq(r.counts.frames_missing, 40000);
    cr_expect_eq(r.counts.gaps, 1);
    cr_expect_eq(h.sample_count, 3);
    feed_sample(&r, &h, 11 + 40002, 820061013u);
    /* All numbers but one, over the turn of the rig's clock, and a status before any sample. */
    feed_status(&r, &h, 11 + 40002, 2180000017u, 77);
    cr_expect_eq(r.counts.frames_missing, 40000 + 65535);
    cr_expect_eq(h.reports[h.report_count - 1].time_us, 2180000017);
    feed_sample(&r, &h, 11 + 40003, 2180001019u);
    cr_expect_eq(h.sample_count, 5);
    cr_expect_eq(r.counts.frames_duplicate, 0);
    /* A status that had overtaken samples and comes late is no outage. */
    feed_sample(&r, &h, 11 + 40005, 2180021019u);
    feed_status(&r, &h, 11 + 40004, 2185200017u, 77);
    cr_expect_eq(r.counts.frames_missing, 40000 + 65535 + 1);
    cr_expect_eq(r.counts.frames_late, 1);
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
    cr_expect_eq(r.counts.frames, 2);
    feed_sample(&r, &h, 7, 9029);
    cr_expect_eq(r.counts.frames_missing, 2, "what it wanted to say is lost, and told as a gap");
    cr_expect_eq(r.counts.gaps, 2);
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

Test(rig_receiver, the_turn_of_the_clock_within_gaps_and_late_frames)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_sample(&r, &h, 65533, 4294960007u);
    feed_event(&r, &h, 3, 701, WIRE_EVENT_MOTION_DONE, 6400);
    feed_event(&r, &h, 65535, 4294966003u, WIRE_EVENT_FORCE_LIMIT, 8000001);
    feed_sample(&r, &h, 65534, 4294965001u);
    feed_sample(&r, &h, 4, 1709);
    feed_event(&r, &h, 1, 103, WIRE_EVENT_MOTION_DONE, 6401);
    cr_assert_eq(h.report_count, 6);
    cr_expect_eq(h.reports[1].time_us, INT64_C(4294960007), "a gap has the time before it");
    cr_expect_eq(h.reports[2].time_us, INT64_C(4294967296) + 701);
    cr_expect_eq(h.reports[3].time_us, INT64_C(4294966003), "late, from before the turn");
    cr_assert_eq(h.sample_count, 2);
    cr_expect_eq(h.samples[1].time_us, INT64_C(4294967296) + 1709);
    cr_expect_eq(h.reports[5].time_us, INT64_C(4294967296) + 103);
    cr_expect_eq(r.counts.frames_missing, 5);
    cr_expect_eq(r.counts.frames_late, 3);
    cr_expect_eq(r.counts.samples_backward, 0);
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

Test(rig_receiver, an_event_tells_31_bits_of_the_boot_number_and_no_more)
{
    struct rig_receiver r;
    struct heard h = {0};
    rig_receiver_init(&r);
    feed_status(&r, &h, 7, 400, 0x01234567u);
    feed_event(&r, &h, 0, 12, WIRE_EVENT_BOOT, -0x789ABCDE); /* 0x87654322, with the bit that means nothing */
    cr_assert_eq(count_of(&h, RIG_REPORT_RESTART), 1);
    cr_expect_eq(h.reports[1].boot, 0x07654322);
    feed_status(&r, &h, 1, 500, 0x07654322u);
    feed_status(&r, &h, 2, 600, 0x07654322u);
    cr_expect_eq(count_of(&h, RIG_REPORT_RESTART), 1);
}

Test(rig_receiver, a_restart_takes_nothing_over_from_numbers_and_clock_before)
{
    static const struct wire_ack ACK = {.command = WIRE_IDENTIFY};
    struct wire_identity identity = {.protocol_major = 1,
                                     .boot = 92,
                                     .time_scale_milli = 1000,
                                     .counts_max = 8388607,
                                     .firmware = "firmware",
                                     .serial = "7"};
    struct rig_receiver r;
    struct heard h = {0};
    uint8_t body[WIRE_BODY_MAX];
    uint8_t frame[WIRE_ENCODED_MAX];
    rig_receiver_init(&r);
    feed_status(&r, &h, 30, 4000000007u, 91);
    feed_sample(&r, &h, 33, 4000001009u);
    /* Numbers 1 and 2 of the new start look like old ones, and number 3 is missing. */
    rig_receiver_feed(&r, frame,
                      wire_frame_encode(WIRE_IDENTITY, 1, body, wire_pack_identity(&identity, body), frame),
                      note_report, &h);
    cr_assert_eq(h.report_count, 5);
    cr_expect_eq(h.reports[3].kind, RIG_REPORT_RESTART);
    cr_expect_eq(h.reports[3].time_us, INT64_C(4000001009), "the newest time of the start that ended");
    cr_expect_eq(h.reports[4].kind, RIG_REPORT_IDENTITY);
    cr_expect_eq(h.reports[4].time_us, 0, "no time of the new clock is known yet");
    rig_receiver_feed(&r, frame, wire_frame_encode(WIRE_ACK, 2, body, wire_pack_ack(&ACK, body), frame),
                      note_report, &h);
    cr_expect_eq(h.report_count, 6);
    feed_sample(&r, &h, 4, 5003);
    cr_expect_eq(h.samples[1].time_us, 5003);
    cr_expect_eq(r.counts.samples_backward, 0);
    cr_expect_eq(r.counts.frames_missing, 2 + 1);
    feed_event(&r, &h, 3, 4001, WIRE_EVENT_FORCE_LIMIT, 5);
    cr_expect_eq(r.counts.frames_late, 1);
    cr_expect_eq(r.counts.frames_duplicate, 0);
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
    for (int type = WIRE_IDENTIFY; type <= WIRE_KEEP_ALIVE; type++)
        rig_receiver_feed(&r, frame, wire_frame_encode((uint8_t)type, (uint16_t)type, NULL, 0, frame),
                          note_report, &h);
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
