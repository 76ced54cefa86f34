/* Bodies of messages: every wire_unpack_* over every input. A body that is accepted, packed again, gives the
 * bytes it was made of (a newer version may have more behind them), and no shorter one is accepted. */
#include "rig/wire/message.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

static void check_text(const char *text)
{
    const char *end = memchr(text, 0, WIRE_TEXT_MAX + 1);
    char clean[WIRE_TEXT_MAX + 1];
    assert(end != NULL);
    for (const char *p = text; p < end; p++)
        assert((unsigned char)*p >= 0x20 && *p != 0x7F);
    /* Bad UTF-8 and C1 would become '?'; so would what hides or turns text, three bytes of which one is left.
     */
    memcpy(clean, text, sizeof clean);
    err_clean_text(clean);
    assert(strlen(clean) == strlen(text) ? strcmp(clean, text) == 0 : strchr(clean, '?') != NULL);
}

/* What a type has: pack and unpack with the body alone. */
#define MESSAGE(name, checks)                                                                                \
    static size_t repack_##name(const uint8_t *body, size_t length, uint8_t *packed)                         \
    {                                                                                                        \
        struct wire_##name m;                                                                                \
        if (wire_unpack_##name(body, length, &m) != WIRE_OK)                                                 \
            return 0;                                                                                        \
        checks;                                                                                              \
        return wire_pack_##name(&m, packed);                                                                 \
    }
MESSAGE(configure, check_text(m.feeder))
MESSAGE(arm, (void)m)
MESSAGE(move, (void)m)
MESSAGE(identity, {
    check_text(m.firmware);
    check_text(m.serial);
    assert(m.protocol_major > WIRE_PROTOCOL_MAJOR || (m.time_scale_milli > 0 && m.counts_min < m.counts_max));
})
MESSAGE(ack, (void)m)
MESSAGE(event, (void)m)
MESSAGE(status, (void)m)

static size_t repack_batch(const uint8_t *body, size_t length, uint8_t *packed)
{
    struct wire_sample *samples = malloc(WIRE_BATCH_MAX * sizeof *samples);
    size_t count = 0, used = 0;
    assert(samples != NULL);
    if (wire_unpack_batch(body, length, samples, &count) == WIRE_OK) {
        assert(count > 0 && count <= WIRE_BATCH_MAX);
        used = wire_pack_batch(samples, count, body[0], packed);
        assert(used == length);
        for (size_t i = 0; i < count; i++) {
            assert(samples[i].force_counts >= -8388608 && samples[i].force_counts <= 8388607);
            assert(i == 0 || samples[i].time_us - samples[i - 1].time_us <= 0xFFFF);
        }
    } else {
        assert(count == 0);
    }
    free(samples);
    return used;
}

static size_t (*const REPACK[])(const uint8_t *, size_t,
                                uint8_t *) = {repack_configure, repack_arm,   repack_move,   repack_identity,
                                              repack_ack,       repack_event, repack_status, repack_batch};

/* Samples that need not fit a batch: refused, or packed to what is unpacked to the same. */
static void check_pack_batch(const uint8_t *bytes, size_t length)
{
    static struct wire_sample samples[WIRE_BATCH_MAX + 1];
    static struct wire_sample again[WIRE_BATCH_MAX];
    uint8_t *body = malloc(WIRE_BODY_MAX);
    uint32_t time_us = 0;
    uint8_t channels = length > 0 ? bytes[0] : 0;
    size_t count = 0, used, held;
    assert(body != NULL);
    for (size_t at = 1; at + 12 <= length && count <= WIRE_BATCH_MAX; at += 12) {
        uint32_t number[3];
        memcpy(number, bytes + at, sizeof number);
        time_us += number[0] >> (number[1] % 24);
        samples[count++] =
            (struct wire_sample){.time_us = time_us,
                                 .force_counts = (int32_t)number[1] / (1 << number[2] % 10),
                                 .commanded_steps = (int32_t)number[2],
                                 .encoder_counts = (channels & WIRE_CHANNEL_ENCODER) != 0 ? 7 : 0,
                                 .flags = (uint8_t)number[0]};
    }
    used = wire_pack_batch(samples, count, channels, body);
    assert(used <= WIRE_BODY_MAX);
    if (used > 0) {
        assert(wire_unpack_batch(body, used, again, &held) == WIRE_OK && held == count);
        for (size_t i = 0; i < count; i++)
            assert(
                again[i].time_us == samples[i].time_us && again[i].force_counts == samples[i].force_counts &&
                again[i].commanded_steps == samples[i].commanded_steps &&
                again[i].encoder_counts == samples[i].encoder_counts && again[i].flags == samples[i].flags);
    }
    free(body);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    uint8_t packed[WIRE_BODY_MAX];
    for (size_t i = 0; i < sizeof REPACK / sizeof REPACK[0]; i++) {
        size_t used = REPACK[i](bytes, length, packed);
        if (used == 0)
            continue;
        assert(length <= WIRE_BODY_MAX);
        assert(used <= length && memcmp(packed, bytes, used) == 0);
        for (size_t shorter = 0; shorter < used; shorter++) {
            uint8_t *exact = malloc(shorter + 1);
            assert(exact != NULL);
            memcpy(exact + 1, bytes, shorter); /* ends with the allocation, so that a read past it is seen */
            assert(REPACK[i](exact + 1, shorter, packed) == 0);
            free(exact);
        }
    }
    check_pack_batch(bytes, length);
    for (size_t i = 0; i < length && i < 4; i++)
        assert(wire_reason_text(bytes[i])[0] != 0 && wire_event_text(bytes[i])[0] != 0);
    return 0;
}
