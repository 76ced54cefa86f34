#include "rig/wire/frame.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Seed of the random tests: from NIPBENCH_TEST_SEED, else fixed; printed, so that a failure can be repeated.
 */
static uint64_t seed_of_test(const char *name)
{
    const char *text = getenv("NIPBENCH_TEST_SEED");
    const uint64_t seed = text != NULL ? strtoull(text, NULL, 10) : 20260117u;
    printf("%s: NIPBENCH_TEST_SEED=%llu\n", name, (unsigned long long)seed);
    return seed;
}

static uint32_t next_random(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)(*state >> 32);
}

struct seen {
    size_t good;
    size_t errors[WIRE_MALFORMED + 1];
    uint8_t type;
    uint16_t sequence;
    size_t length;
    uint8_t body[WIRE_BODY_MAX];
};

static struct seen decode_all(struct wire_decoder *d, const uint8_t *bytes, size_t length, size_t piece)
{
    struct seen seen;
    memset(&seen, 0, sizeof seen);
    size_t at = 0;
    while (at < length) {
        struct wire_frame frame;
        enum wire_error result;
        const size_t offered = length - at < piece ? length - at : piece;
        const size_t taken = wire_decoder_feed(d, bytes + at, offered, &result, &frame);
        cr_assert(taken > 0 && taken <= offered);
        at += taken;
        seen.errors[result]++;
        if (result != WIRE_OK)
            continue;
        seen.good++;
        seen.type = frame.type;
        seen.sequence = frame.sequence;
        seen.length = frame.length;
        memcpy(seen.body, frame.body, frame.length);
    }
    return seen;
}

Test(wire_frame, crc_has_the_published_check_value)
{
    cr_assert_eq(wire_crc32c((const uint8_t *)"123456789", 9), 0xE3069283u);
    cr_assert_eq(wire_crc32c((const uint8_t *)"", 0), 0u);
}

/* The definition: the reflected polynomial, bit by bit. */
static uint32_t crc_by_bits(const uint8_t *bytes, size_t length)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < length; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (crc & 1u) != 0 ? crc >> 1 ^ 0x82F63B78u : crc >> 1;
    }
    return ~crc;
}

Test(wire_frame, crc_is_that_of_its_polynomial_at_every_length_and_place)
{
    uint64_t state = seed_of_test("crc_is_that_of_its_polynomial_at_every_length_and_place");
    uint8_t bytes[96];
    for (int round = 0; round < 40; round++) {
        for (size_t i = 0; i < sizeof bytes; i++)
            bytes[i] = (uint8_t)next_random(&state);
        for (size_t from = 0; from < 8; from++)
            for (size_t length = 0; from + length <= sizeof bytes; length++)
                cr_assert_eq(wire_crc32c(bytes + from, length), crc_by_bits(bytes + from, length),
                             "%zu bytes from %zu", length, from);
    }
    /* Each bit by itself, so that no entry of a table goes unused. */
    for (size_t at = 0; at < 16; at++) {
        for (int bit = 0; bit < 8; bit++) {
            memset(bytes, 0, sizeof bytes);
            bytes[at] = (uint8_t)(1u << bit);
            cr_assert_eq(wire_crc32c(bytes, 16), crc_by_bits(bytes, 16));
        }
    }
}

Test(wire_frame, pieces_of_any_size_give_the_same_as_the_whole)
{
    uint64_t state = seed_of_test("pieces_of_any_size_give_the_same_as_the_whole");
    static uint8_t stream[40 * (WIRE_ENCODED_MAX + 1)];
    for (int round = 0; round < 20; round++) {
        uint8_t buffer[700]; /* some frames are longer */
        struct wire_decoder d;
        size_t length = 0;
        for (int i = 0; i < 40; i++) {
            uint8_t body[WIRE_BODY_MAX];
            const size_t bytes = next_random(&state) % 900;
            for (size_t j = 0; j < bytes; j++)
                body[j] = (uint8_t)(next_random(&state) % 5);
            const size_t frame = wire_frame_encode(0x83, (uint16_t)i, body, bytes, stream + length);
            if (i % 7 == 3) /* damaged */
                stream[length + next_random(&state) % (frame - 1)] ^=
                    (uint8_t)(1u << next_random(&state) % 8);
            length += frame;
            if (i % 11 == 5) /* an empty one */
                stream[length++] = 0;
        }
        wire_decoder_init(&d, buffer, sizeof buffer);
        const struct seen whole = decode_all(&d, stream, length, length);
        cr_assert(whole.good > 10 && whole.errors[WIRE_TOO_LONG] > 0);
        for (size_t piece = 1; piece < 3000; piece += 1 + piece / 3) {
            wire_decoder_init(&d, buffer, sizeof buffer);
            const struct seen seen = decode_all(&d, stream, length, piece);
            cr_assert_eq(seen.good, whole.good, "pieces of %zu", piece);
            for (int error = WIRE_BAD_CRC; error <= WIRE_MALFORMED; error++)
                cr_assert_eq(seen.errors[error], whole.errors[error], "pieces of %zu, error %d", piece,
                             error);
            cr_assert_eq(seen.sequence, whole.sequence);
            cr_assert_eq(seen.length, whole.length);
            cr_assert_arr_eq(seen.body, whole.body, whole.length);
        }
    }
}

Test(wire_frame, cobs_gives_the_published_vector)
{
    static const uint8_t plain[] = {0x11, 0x00, 0x22, 0x00};
    static const uint8_t expected[] = {0x02, 0x11, 0x02, 0x22, 0x01};
    uint8_t out[8];
    cr_assert_eq(wire_cobs_encode(plain, sizeof plain, out), sizeof expected);
    cr_assert_arr_eq(out, expected, sizeof expected);
}

Test(wire_frame, cobs_lengths_around_full_blocks)
{
    static const struct {
        size_t plain;
        size_t encoded;
    } cases[] = {{0, 1},     {1, 2},     {252, 253}, {253, 254},  {254, 255},
                 {255, 257}, {508, 510}, {509, 512}, {1159, 1164}};
    static uint8_t plain[1200];
    static uint8_t encoded[1210];
    static uint8_t back[1210];
    for (size_t i = 0; i < sizeof plain; i++)
        plain[i] = (uint8_t)(1 + (i * 37) % 255);
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        const size_t n = wire_cobs_encode(plain, cases[c].plain, encoded);
        size_t m = 0;
        cr_expect_eq(n, cases[c].encoded, "%zu bytes became %zu", cases[c].plain, n);
        cr_expect(n <= cases[c].plain + cases[c].plain / 254 + 1);
        cr_expect(memchr(encoded, 0, n) == NULL);
        cr_expect_eq(wire_cobs_decode(encoded, n, back, &m), WIRE_OK);
        cr_expect_eq(m, cases[c].plain);
        cr_expect(memcmp(back, plain, m) == 0);
    }
}

Test(wire_frame, cobs_round_trips_with_zeros_anywhere)
{
    static const size_t lengths[] = {253, 254, 255, 508, 509};
    static uint8_t plain[520];
    static uint8_t encoded[530];
    for (size_t l = 0; l < sizeof lengths / sizeof lengths[0]; l++)
        for (size_t zero = 0; zero < lengths[l]; zero++) {
            size_t m = 0;
            memset(plain, 0x5B, sizeof plain);
            plain[zero] = 0;
            const size_t n = wire_cobs_encode(plain, lengths[l], encoded);
            cr_assert(n <= lengths[l] + lengths[l] / 254 + 1);
            cr_assert(memchr(encoded, 0, n) == NULL);
            /* in place, as the decoder does it */
            cr_assert_eq(wire_cobs_decode(encoded, n, encoded, &m), WIRE_OK);
            cr_assert_eq(m, lengths[l]);
            cr_assert(memcmp(encoded, plain, m) == 0, "length %zu zero at %zu", lengths[l], zero);
        }
}

Test(wire_frame, broken_cobs_is_refused)
{
    static const struct {
        const char *legend;
        size_t length;
        uint8_t bytes[4];
    } cases[] = {{"nothing at all", 0, {0}},
                 {"code reaches past the end", 2, {0x03, 0x11}},
                 {"zero as code", 1, {0x00}},
                 {"zero inside a block", 3, {0x03, 0x00, 0x11}},
                 {"last code without its block", 3, {0x02, 0x11, 0x02}}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        uint8_t out[8];
        size_t m = 0;
        cr_expect_eq(wire_cobs_decode(cases[c].bytes, cases[c].length, out, &m), WIRE_BAD_COBS, "%s",
                     cases[c].legend);
    }
}

Test(wire_frame, frame_carries_type_sequence_and_body)
{
    static uint8_t body[WIRE_BODY_MAX + 1];
    static uint8_t out[WIRE_ENCODED_MAX];
    static uint8_t buffer[WIRE_ENCODED_MAX];
    static const size_t lengths[] = {0, 1, 17, 246, 247, 248, 501, 502, WIRE_BODY_MAX};
    struct wire_decoder d;
    wire_decoder_init(&d, buffer, sizeof buffer);
    for (size_t i = 0; i < sizeof body; i++)
        body[i] = (uint8_t)(i * 151 + 3);
    for (size_t l = 0; l < sizeof lengths / sizeof lengths[0]; l++)
        for (size_t piece = 1; piece < 1400; piece += 463) {
            const size_t n = wire_frame_encode(0x83, 0xBEEF, body, lengths[l], out);
            cr_assert(n > 0 && n <= WIRE_ENCODED_MAX);
            cr_assert_eq(out[n - 1], 0);
            const struct seen seen = decode_all(&d, out, n, piece);
            cr_assert_eq(seen.good, 1);
            cr_assert_eq(seen.type, 0x83);
            cr_assert_eq(seen.sequence, 0xBEEF);
            cr_assert_eq(seen.length, lengths[l]);
            cr_assert(memcmp(seen.body, body, lengths[l]) == 0);
        }
    cr_assert_eq(wire_frame_encode(0x83, 1, body, WIRE_BODY_MAX + 1, out), 0);
    memset(body, 0x77, sizeof body); /* without zeros the encoding is longest */
    cr_assert(wire_frame_encode(0x83, 0x7777, body, WIRE_BODY_MAX, out) <= WIRE_ENCODED_MAX);
}

Test(wire_frame, one_flipped_bit_is_never_accepted)
{
    static const uint8_t body[] = {0x39, 0x30, 0x00, 0x00, 0x05, 0x00, 0xFE,
                                   0xFF, 0x80, 0x01, 0x00, 0xAA, 0x01};
    uint8_t out[WIRE_ENCODED_MAX];
    uint8_t buffer[WIRE_ENCODED_MAX];
    struct wire_decoder d;
    const size_t n = wire_frame_encode(0x04, 0x1203, body, sizeof body, out);
    for (size_t bit = 0; bit < 8 * n; bit++) {
        wire_decoder_init(&d, buffer, sizeof buffer);
        out[bit / 8] ^= (uint8_t)(1u << (bit % 8));
        static const uint8_t closing[] = {0};
        struct seen seen = decode_all(&d, out, n, n);
        cr_expect_eq(seen.good, 0, "bit %zu", bit);
        seen = decode_all(&d, closing, 1, 1);
        cr_expect_eq(seen.good, 0, "bit %zu", bit);
        out[bit / 8] ^= (uint8_t)(1u << (bit % 8));
        seen = decode_all(&d, out, n, n);
        cr_expect_eq(seen.good, 1, "the frame after bit %zu", bit);
    }
}

Test(wire_frame, decoder_finds_the_next_frame_after_noise)
{
    uint64_t state = seed_of_test("noise");
    uint8_t buffer[64];
    uint8_t stream[600];
    struct wire_decoder d;
    wire_decoder_init(&d, buffer, sizeof buffer);
    for (int round = 0; round < 2000; round++) {
        static const uint8_t body[] = {0xD4, 0x00, 0x13};
        const size_t noise = next_random(&state) % 300;
        for (size_t i = 0; i < noise; i++)
            stream[i] = (uint8_t)next_random(&state);
        size_t n = noise;
        stream[n++] = 0; /* a sender begins with a delimiter after a silence */
        n += wire_frame_encode(0x02, (uint16_t)round, body, sizeof body, stream + n);
        const struct seen seen = decode_all(&d, stream, n, 1 + next_random(&state) % 90);
        cr_assert_eq(seen.good, 1, "round %d", round);
        cr_assert_eq(seen.sequence, round);
        cr_assert_eq(seen.length, 3);
    }
}

Test(wire_frame, each_fault_has_its_own_error)
{
    uint8_t buffer[32];
    uint8_t out[WIRE_ENCODED_MAX];
    uint8_t body[64] = {7, 9};
    struct wire_decoder d;
    wire_decoder_init(&d, buffer, sizeof buffer);

    size_t n = wire_frame_encode(0x03, 5, body, 60, out);
    struct seen seen = decode_all(&d, out, n, n);
    cr_expect_eq(seen.errors[WIRE_TOO_LONG], 1);
    cr_expect_eq(seen.good, 0);

    static const uint8_t short_frame[] = {0x05, 0x01, 0x02, 0x03, 0x04, 0x00};
    seen = decode_all(&d, short_frame, sizeof short_frame, 2);
    cr_expect_eq(seen.errors[WIRE_TOO_SHORT], 1);

    static const uint8_t broken[] = {0x09, 0x01, 0x00};
    seen = decode_all(&d, broken, sizeof broken, 3);
    cr_expect_eq(seen.errors[WIRE_BAD_COBS], 1);

    n = wire_frame_encode(0x03, 5, body, 8, out);
    out[2] = (uint8_t)(out[2] == 0x31 ? 0x32 : 0x31);
    seen = decode_all(&d, out, n, n);
    cr_expect_eq(seen.good, 0);
    cr_expect_eq(seen.errors[WIRE_BAD_CRC] + seen.errors[WIRE_BAD_COBS], 1);

    static const uint8_t delimiters[5] = {0};
    seen = decode_all(&d, delimiters, sizeof delimiters, 5);
    cr_expect_eq(seen.errors[WIRE_MORE], 5);

    n = wire_frame_encode(0x03, 77, body, 8, out);
    seen = decode_all(&d, out, n, n);
    cr_expect_eq(seen.good, 1);
    cr_expect_eq(seen.sequence, 77);
}

Test(wire_frame, random_bytes_are_never_taken_for_a_frame)
{
    uint64_t state = seed_of_test("random bytes");
    static uint8_t buffer[WIRE_ENCODED_MAX];
    static uint8_t stream[4096];
    struct wire_decoder d;
    size_t refused = 0;
    wire_decoder_init(&d, buffer, sizeof buffer);
    for (int round = 0; round < 300; round++) {
        /* half of the rounds with many delimiters, so that short frames are tried too */
        for (size_t i = 0; i < sizeof stream; i++) {
            const uint32_t r = next_random(&state);
            stream[i] = (uint8_t)(round % 2 && r % 16 == 0 ? 0 : r >> 8);
        }
        const struct seen seen = decode_all(&d, stream, sizeof stream, 1 + next_random(&state) % 4096);
        cr_assert_eq(seen.good, 0, "round %d", round);
        refused += seen.errors[WIRE_BAD_CRC] + seen.errors[WIRE_BAD_COBS] + seen.errors[WIRE_TOO_SHORT];
    }
    cr_assert(refused > 1000, "only %zu pieces were tried", refused);
}
