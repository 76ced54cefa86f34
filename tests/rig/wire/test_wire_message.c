#include "rig/wire/message.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct wire_configure a_configure = {1000250, 61500,
                                                  "gear-12mm, r\xc3\xa9"
                                                  "f. 4"};
static const struct wire_arm an_arm = {-8388000, 7340031, 4000000019u, 123457};
static const struct wire_move a_move = {-1273239, 40001, 3000000017u};
static const struct wire_identity an_identity = {
    1, 7, 7, 0xC0FFEE11u, 17500, 2000125, -8388608, 8388607, 5013u, 200, 4096, "0.1.0", "SIM-0042"};
static const struct wire_ack an_ack = {0x04, 0xA1B2, WIRE_REFUSED_OUT_OF_RANGE};
static const struct wire_event an_event = {4294001234u, WIRE_EVENT_FORCE_LIMIT, -7654321};
static const struct wire_status a_status = {0x80000001u, 3999999999u, WIRE_STATE_MOVING, 65537};

Test(wire_message, every_message_comes_back_as_it_went)
{
    uint8_t body[WIRE_BODY_MAX];
    size_t n = wire_pack_configure(&a_configure, body);
    struct wire_configure configure;
    cr_assert_eq(wire_unpack_configure(body, n, &configure), WIRE_OK);
    cr_expect_eq(configure.sample_rate_millihertz, a_configure.sample_rate_millihertz);
    cr_expect_eq(configure.nip_preload_mn, a_configure.nip_preload_mn);
    cr_expect_str_eq(configure.feeder, a_configure.feeder);

    n = wire_pack_arm(&an_arm, body);
    struct wire_arm arm;
    cr_assert_eq(wire_unpack_arm(body, n, &arm), WIRE_OK);
    cr_expect(memcmp(&arm, &an_arm, sizeof arm) == 0);

    n = wire_pack_move(&a_move, body);
    struct wire_move move;
    cr_assert_eq(wire_unpack_move(body, n, &move), WIRE_OK);
    cr_expect(memcmp(&move, &a_move, sizeof move) == 0);

    n = wire_pack_identity(&an_identity, body);
    struct wire_identity identity;
    cr_assert_eq(wire_unpack_identity(body, n, &identity), WIRE_OK);
    cr_expect_eq(identity.protocol_major, an_identity.protocol_major);
    cr_expect_eq(identity.protocol_minor, an_identity.protocol_minor);
    cr_expect_eq(identity.channels, an_identity.channels);
    cr_expect_eq(identity.boot, an_identity.boot);
    cr_expect_eq(identity.time_scale_milli, an_identity.time_scale_milli);
    cr_expect_eq(identity.sample_rate_max_millihertz, an_identity.sample_rate_max_millihertz);
    cr_expect_eq(identity.counts_min, an_identity.counts_min);
    cr_expect_eq(identity.counts_max, an_identity.counts_max);
    cr_expect_eq(identity.encoder_nm_per_count, an_identity.encoder_nm_per_count);
    cr_expect_eq(identity.full_steps_per_rev, an_identity.full_steps_per_rev);
    cr_expect_eq(identity.microsteps, an_identity.microsteps);
    cr_expect_str_eq(identity.firmware, an_identity.firmware);
    cr_expect_str_eq(identity.serial, an_identity.serial);

    n = wire_pack_ack(&an_ack, body);
    struct wire_ack ack;
    cr_assert_eq(wire_unpack_ack(body, n, &ack), WIRE_OK);
    cr_expect_eq(ack.command, an_ack.command);
    cr_expect_eq(ack.sequence, an_ack.sequence);
    cr_expect_eq(ack.reason, an_ack.reason);

    n = wire_pack_event(&an_event, body);
    struct wire_event event;
    cr_assert_eq(wire_unpack_event(body, n, &event), WIRE_OK);
    cr_expect_eq(event.time_us, an_event.time_us);
    cr_expect_eq(event.kind, an_event.kind);
    cr_expect_eq(event.value, an_event.value);

    n = wire_pack_status(&a_status, body);
    struct wire_status status;
    cr_assert_eq(wire_unpack_status(body, n, &status), WIRE_OK);
    cr_expect_eq(status.boot, a_status.boot);
    cr_expect_eq(status.time_us, a_status.time_us);
    cr_expect_eq(status.state, a_status.state);
    cr_expect_eq(status.samples_dropped, a_status.samples_dropped);
}

Test(wire_message, bytes_are_where_the_protocol_text_says)
{
    uint8_t body[WIRE_BODY_MAX];
    static const uint8_t move[] = {0x69, 0x92, 0xEC, 0xFF, 0x41, 0x9C, 0x00, 0x00, 0x11, 0x5E, 0xD0, 0xB2};
    cr_assert_eq(wire_pack_move(&a_move, body), sizeof move);
    cr_expect_arr_eq(body, move, sizeof move);

    static const uint8_t ack[] = {0x04, 0xB2, 0xA1, 0x04};
    cr_assert_eq(wire_pack_ack(&an_ack, body), sizeof ack);
    cr_expect_arr_eq(body, ack, sizeof ack);

    static const struct wire_configure short_name = {80000, 2385, "g8"};
    static const uint8_t configure[] = {0x80, 0x38, 0x01, 0x00, 0x51, 0x09, 0x00, 0x00, 0x02, 'g', '8'};
    cr_assert_eq(wire_pack_configure(&short_name, body), sizeof configure);
    cr_expect_arr_eq(body, configure, sizeof configure);

    static const struct wire_sample two[] = {{0xFFFFFF00u, -2, 513, -3, 1}, {0x000002E8u, 70000, -1, 77, 0}};
    static const uint8_t batch[] = {0x07, 0x02, 0x00, 0xFF, 0xFF, 0xFF,                         /* head */
                                    0x00, 0x00, 0xFE, 0xFF, 0xFF, 0x01, 0x02, 0x00, 0x00,       /* first */
                                    0xFD, 0xFF, 0xFF, 0xFF, 0x01, 0xE8, 0x03, 0x70, 0x11, 0x01, /* second */
                                    0xFF, 0xFF, 0xFF, 0xFF, 0x4D, 0x00, 0x00, 0x00, 0x00};
    cr_assert_eq(wire_pack_batch(two, 2, 7, body), sizeof batch);
    cr_expect_arr_eq(body, batch, sizeof batch);
}

static size_t make_batch(struct wire_sample *samples, size_t count, uint8_t channels, uint8_t *body)
{
    for (size_t i = 0; i < count; i++)
        samples[i] =
            (struct wire_sample){.time_us = 4294967000u + (uint32_t)i * 1250u,
                                 .force_counts = (int32_t)(i * 104729u % 16777216u) - 8388608,
                                 .commanded_steps = (int32_t)(i * 7919u) - 300000,
                                 .encoder_counts = channels & WIRE_CHANNEL_ENCODER ? 40009 - (int32_t)i : 0,
                                 .flags = (uint8_t)(i % 16)};
    return wire_pack_batch(samples, count, channels, body);
}

Test(wire_message, batches_come_back_with_and_without_encoder)
{
    static const uint8_t channels[] = {WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS,
                                       WIRE_CHANNEL_FORCE | WIRE_CHANNEL_STEPS | WIRE_CHANNEL_ENCODER};
    static const size_t counts[] = {1, 2, 79, WIRE_BATCH_MAX};
    struct wire_sample samples[WIRE_BATCH_MAX];
    struct wire_sample back[WIRE_BATCH_MAX];
    uint8_t body[WIRE_BODY_MAX];
    for (size_t c = 0; c < 2; c++)
        for (size_t k = 0; k < sizeof counts / sizeof counts[0]; k++) {
            size_t held = 0;
            const size_t n = make_batch(samples, counts[k], channels[c], body);
            cr_assert_eq(n, WIRE_BATCH_HEADER_BYTES + counts[k] * WIRE_SAMPLE_BYTES(channels[c]));
            cr_assert_eq(wire_unpack_batch(body, n, back, &held), WIRE_OK);
            cr_assert_eq(held, counts[k]);
            for (size_t i = 0; i < held; i++) {
                cr_expect_eq(back[i].time_us, samples[i].time_us);
                cr_expect_eq(back[i].force_counts, samples[i].force_counts);
                cr_expect_eq(back[i].commanded_steps, samples[i].commanded_steps);
                cr_expect_eq(back[i].encoder_counts, samples[i].encoder_counts);
                cr_expect_eq(back[i].flags, samples[i].flags);
            }
        }
}

Test(wire_message, a_batch_that_does_not_fit_is_not_packed)
{
    struct wire_sample samples[WIRE_BATCH_MAX + 1];
    uint8_t body[WIRE_BODY_MAX + 64];
    memset(samples, 0, sizeof samples);
    cr_expect_eq(wire_pack_batch(samples, 0, 7, body), 0);
    cr_expect_eq(wire_pack_batch(samples, WIRE_BATCH_MAX + 1, 7, body), 0);
    cr_expect_eq(wire_pack_batch(samples, 3, 1, body), 0, "no position channel");
    cr_expect_eq(wire_pack_batch(samples, 3, 15, body), 0, "a channel nobody knows");
    samples[1].time_us = 65535;
    samples[2].time_us = 65535;
    cr_expect_neq(wire_pack_batch(samples, 3, 7, body), 0);
    samples[1].time_us = 65536;
    samples[2].time_us = 65536;
    cr_expect_eq(wire_pack_batch(samples, 3, 7, body), 0, "too long between samples");
    samples[1].time_us = samples[2].time_us = 0;
    samples[2].force_counts = 8388608;
    cr_expect_eq(wire_pack_batch(samples, 3, 7, body), 0, "force over 24 bits");
}

union any {
    struct wire_configure configure;
    struct wire_arm arm;
    struct wire_move move;
    struct wire_identity identity;
    struct wire_ack ack;
    struct wire_event event;
    struct wire_status status;
    struct wire_sample samples[WIRE_BATCH_MAX];
};

static enum wire_error unpack(uint8_t type, const uint8_t *body, size_t length)
{
    union any any;
    size_t count;
    switch (type) {
    case WIRE_CONFIGURE:
        return wire_unpack_configure(body, length, &any.configure);
    case WIRE_ARM:
        return wire_unpack_arm(body, length, &any.arm);
    case WIRE_MOVE:
        return wire_unpack_move(body, length, &any.move);
    case WIRE_IDENTITY:
        return wire_unpack_identity(body, length, &any.identity);
    case WIRE_ACK:
        return wire_unpack_ack(body, length, &any.ack);
    case WIRE_EVENT:
        return wire_unpack_event(body, length, &any.event);
    case WIRE_STATUS:
        return wire_unpack_status(body, length, &any.status);
    default:
        return wire_unpack_batch(body, length, any.samples, &count);
    }
}

static size_t pack_sample_of(uint8_t type, uint8_t *body)
{
    struct wire_sample samples[WIRE_BATCH_MAX];
    switch (type) {
    case WIRE_CONFIGURE:
        return wire_pack_configure(&a_configure, body);
    case WIRE_ARM:
        return wire_pack_arm(&an_arm, body);
    case WIRE_MOVE:
        return wire_pack_move(&a_move, body);
    case WIRE_IDENTITY:
        return wire_pack_identity(&an_identity, body);
    case WIRE_ACK:
        return wire_pack_ack(&an_ack, body);
    case WIRE_EVENT:
        return wire_pack_event(&an_event, body);
    case WIRE_STATUS:
        return wire_pack_status(&a_status, body);
    default:
        return make_batch(samples, 5, 7, body);
    }
}

static const uint8_t with_body[] = {WIRE_CONFIGURE, WIRE_ARM,   WIRE_MOVE,   WIRE_IDENTITY,
                                    WIRE_ACK,       WIRE_EVENT, WIRE_STATUS, WIRE_SAMPLES};

Test(wire_message, every_truncation_is_refused)
{
    uint8_t body[WIRE_BODY_MAX];
    for (size_t t = 0; t < sizeof with_body; t++) {
        const size_t n = pack_sample_of(with_body[t], body);
        cr_assert_eq(unpack(with_body[t], body, n), WIRE_OK, "type 0x%02x", with_body[t]);
        for (size_t cut = 0; cut < n; cut++) {
            /* an exact copy on the heap, so that the address sanitizer sees a read past the end */
            uint8_t *copy = malloc(cut + 1);
            cr_assert(copy != NULL);
            memcpy(copy, body, cut);
            uint8_t *exact = cut > 0 ? realloc(copy, cut) : copy;
            cr_expect_eq(unpack(with_body[t], exact, cut), WIRE_MALFORMED, "type 0x%02x cut to %zu",
                         with_body[t], cut);
            free(exact);
        }
    }
}

Test(wire_message, longer_bodies_of_a_newer_minor_are_read_except_samples)
{
    uint8_t body[WIRE_BODY_MAX + 8] = {0};
    for (size_t t = 0; t < sizeof with_body; t++) {
        const size_t n = pack_sample_of(with_body[t], body);
        const enum wire_error expected = with_body[t] == WIRE_SAMPLES ? WIRE_MALFORMED : WIRE_OK;
        cr_expect_eq(unpack(with_body[t], body, n + 1), expected, "type 0x%02x", with_body[t]);
        cr_expect_eq(unpack(with_body[t], body, WIRE_BODY_MAX + 1), WIRE_MALFORMED, "type 0x%02x",
                     with_body[t]);
    }
}

Test(wire_message, texts_with_control_characters_or_broken_utf8_are_refused)
{
    static const struct {
        const char *legend;
        const char *text;
        bool good;
    } cases[] = {{"plain", "gear 8 mm", true},
                 {"two bytes", "\xc3\xa4", true},
                 {"three bytes", "\xe2\x82\xac", true},
                 {"four bytes", "\xf0\x9f\x94\xa7", true},
                 {"line break", "a\nb", false},
                 {"escape", "\x1b[2J", false},
                 {"delete", "a\x7f", false},
                 {"C1 control", "\xc2\x9b", false},
                 {"overlong slash", "\xc0\xaf", false},
                 {"overlong of three", "\xe0\x80\xaf", false},
                 {"surrogate", "\xed\xa0\x80", false},
                 {"past the last character", "\xf4\x90\x80\x80", false},
                 {"lone continuation", "\x80", false},
                 {"cut character", "ab\xe2\x82", false},
                 {"latin-1", "\xe4 b", false}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        struct wire_configure m = {.sample_rate_millihertz = 80000};
        uint8_t body[WIRE_BODY_MAX];
        snprintf(m.feeder, sizeof m.feeder, "%s", cases[c].text);
        const size_t n = wire_pack_configure(&m, body);
        cr_expect_eq(wire_unpack_configure(body, n, &m), cases[c].good ? WIRE_OK : WIRE_MALFORMED, "%s",
                     cases[c].legend);
    }
    struct wire_configure m = {.sample_rate_millihertz = 80000, .feeder = "abc"};
    uint8_t body[WIRE_BODY_MAX] = {0};
    size_t n = wire_pack_configure(&m, body);
    body[10] = 0;
    cr_expect_eq(wire_unpack_configure(body, n, &m), WIRE_MALFORMED, "a zero inside the text");
    memset(body + 9, 'x', 40);
    body[8] = WIRE_TEXT_MAX;
    cr_expect_eq(wire_unpack_configure(body, 60, &m), WIRE_OK);
    cr_expect_eq(strlen(m.feeder), WIRE_TEXT_MAX);
    body[8] = WIRE_TEXT_MAX + 1;
    cr_expect_eq(wire_unpack_configure(body, 60, &m), WIRE_MALFORMED, "text too long");
}

Test(wire_message, impossible_identities_and_batches_are_refused)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_identity identity = an_identity;
    identity.time_scale_milli = 0;
    cr_expect_eq(wire_unpack_identity(body, wire_pack_identity(&identity, body), &identity), WIRE_MALFORMED);
    identity.protocol_major = 2; /* the version of a newer rig stays readable whatever else it says */
    cr_expect_eq(wire_unpack_identity(body, wire_pack_identity(&identity, body), &identity), WIRE_OK);
    identity = an_identity;
    identity.counts_max = identity.counts_min;
    cr_expect_eq(wire_unpack_identity(body, wire_pack_identity(&identity, body), &identity), WIRE_MALFORMED);

    const size_t n = pack_sample_of(WIRE_SAMPLES, body);
    static const struct {
        const char *legend;
        size_t at;
        uint8_t value;
    } cases[] = {{"no samples", 1, 0},        {"more samples than are there", 1, 6},
                 {"too many samples", 1, 81}, {"unknown channel", 0, 15},
                 {"no force", 0, 6},          {"another layout", 0, 3},
                 {"first offset not 0", 6, 1}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        const uint8_t kept = body[cases[c].at];
        body[cases[c].at] = cases[c].value;
        cr_expect_eq(unpack(WIRE_SAMPLES, body, n), WIRE_MALFORMED, "%s", cases[c].legend);
        body[cases[c].at] = kept;
    }
    cr_expect_eq(unpack(WIRE_SAMPLES, body, n), WIRE_OK);
}

Test(wire_message, random_bodies_never_read_out_of_bounds)
{
    const char *text = getenv("NIPBENCH_TEST_SEED");
    uint64_t state = text != NULL ? strtoull(text, NULL, 10) : 6151u;
    printf("random bodies: NIPBENCH_TEST_SEED=%llu\n", (unsigned long long)state);
    size_t good = 0;
    for (int round = 0; round < 40000; round++) {
        state = state * 6364136223846793005u + 1442695040888963407u;
        const size_t n = (size_t)(state >> 33) % 90;
        uint8_t *body = malloc(n > 0 ? n : 1);
        cr_assert(body != NULL);
        for (size_t i = 0; i < n; i++) {
            state = state * 6364136223846793005u + 1442695040888963407u;
            body[i] = (uint8_t)(state >> 40);
        }
        good += unpack(with_body[round % 8], body, n) == WIRE_OK;
        free(body);
    }
    cr_assert(good > 0 && good < 40000);
}

Test(wire_message, reasons_and_events_have_words_for_every_number)
{
    for (unsigned i = 0; i < 256; i++) {
        cr_expect(wire_reason_text((uint8_t)i) != NULL && wire_reason_text((uint8_t)i)[0] != '\0');
        cr_expect(wire_event_text((uint8_t)i) != NULL && wire_event_text((uint8_t)i)[0] != '\0');
        for (unsigned j = 0; j < i && i <= WIRE_REFUSED_NO_SUCH_FEEDER; j++)
            cr_expect_str_neq(wire_reason_text((uint8_t)i), wire_reason_text((uint8_t)j));
    }
}
