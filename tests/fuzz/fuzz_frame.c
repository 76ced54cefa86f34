/* Frames and what the host makes of them: the decoder against a plain one written for this test, and the
 * receiver, both fed whole and in pieces. The first byte of the input says what the rest is: even, the bytes
 * of a line; odd, orders to compose them, since few inputs that come by chance have a right check. */
#include "capture/rig_receiver.h"
#include "rig/wire/frame.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define STREAM_MAX 16384

struct stream {
    uint8_t bytes[STREAM_MAX];
    size_t length;
};

static void append(struct stream *s, const uint8_t *bytes, size_t length)
{
    if (length > STREAM_MAX - s->length)
        length = STREAM_MAX - s->length;
    memcpy(s->bytes + s->length, bytes, length);
    s->length += length;
}

/* Bit by bit from the definition of CRC-32C, unlike the table of the code that is tested. */
static uint32_t plain_crc(const uint8_t *bytes, size_t length)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < length; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (crc >> 1) ^ ((crc & 1u) != 0 ? 0x82F63B78u : 0);
    }
    return ~crc;
}

/* What a decoder with a buffer of size bytes must say of the bytes between two delimiters; a good frame is
 * decoded into plain. */
static enum wire_error plain_decode(const uint8_t *encoded, size_t length, size_t size, uint8_t *plain,
                                    size_t *used)
{
    uint32_t crc = 0;
    *used = 0;
    if (length > size)
        return WIRE_TOO_LONG;
    if (length == 0)
        return WIRE_MORE;
    for (size_t at = 0; at < length;) {
        size_t code = encoded[at];
        if (at + code > length)
            return WIRE_BAD_COBS;
        memcpy(plain + *used, encoded + at + 1, code - 1);
        *used += code - 1;
        at += code;
        if (code < 0xFF && at < length)
            plain[(*used)++] = 0;
    }
    if (*used < WIRE_OVERHEAD)
        return WIRE_TOO_SHORT;
    if (*used > WIRE_BODY_MAX + WIRE_OVERHEAD)
        return WIRE_TOO_LONG;
    for (size_t i = 0; i < 4; i++)
        crc |= (uint32_t)plain[*used - 4 + i] << (8 * i);
    return crc == plain_crc(plain, *used - 4) ? WIRE_OK : WIRE_BAD_CRC;
}

/* A frame that was decoded, encoded again, is decoded to the same. */
static void check_again(const struct wire_frame *frame)
{
    uint8_t encoded[WIRE_ENCODED_MAX], buffer[WIRE_ENCODED_MAX];
    struct wire_decoder d;
    struct wire_frame again;
    enum wire_error result;
    size_t length = wire_frame_encode(frame->type, frame->sequence, frame->body, frame->length, encoded);
    assert(length > WIRE_OVERHEAD && length <= sizeof encoded);
    assert(memchr(encoded, 0, length) == encoded + length - 1);
    wire_decoder_init(&d, buffer, sizeof buffer);
    assert(wire_decoder_feed(&d, encoded, length, &result, &again) == length && result == WIRE_OK);
    assert(again.type == frame->type && again.sequence == frame->sequence && again.length == frame->length &&
           memcmp(again.body, frame->body, frame->length) == 0);
}

/* Feed in pieces of 1 to piece_max bytes; each delimiter must bring what plain_decode says. */
static void check_decoder(const struct stream *s, size_t size, size_t piece_max, uint64_t chance)
{
    uint8_t *buffer = malloc(size);
    uint8_t plain[STREAM_MAX + 1];
    struct wire_decoder d;
    size_t fed = 0, begin = 0;
    assert(buffer != NULL);
    wire_decoder_init(&d, buffer, size);
    while (fed < s->length) {
        struct wire_frame frame;
        enum wire_error result, expected;
        size_t piece, used, taken;
        chance = fuzz_hash_on(chance, &fed, sizeof fed);
        piece = 1 + (size_t)(chance % piece_max);
        if (piece > s->length - fed)
            piece = s->length - fed;
        taken = wire_decoder_feed(&d, s->bytes + fed, piece, &result, &frame);
        assert(taken > 0 && taken <= piece);
        fed += taken;
        if (s->bytes[fed - 1] != 0) {
            assert(result == WIRE_MORE && taken == piece);
            continue;
        }
        expected = plain_decode(s->bytes + begin, fed - 1 - begin, size, plain, &used);
        begin = fed;
        assert(result == expected);
        if (result != WIRE_OK)
            continue;
        assert(frame.length == used - WIRE_OVERHEAD && frame.type == plain[0]);
        assert(frame.sequence == (plain[1] | plain[2] << 8));
        assert(memcmp(frame.body, plain + 3, frame.length) == 0);
        check_again(&frame);
    }
    free(buffer);
}

static void check_cobs(const uint8_t *bytes, size_t length)
{
    uint8_t *encoded = malloc(length + length / 254 + 1), *decoded = malloc(length + 1);
    size_t encoded_length, decoded_length = 0;
    assert(encoded != NULL && decoded != NULL);
    encoded_length = wire_cobs_encode(bytes, length, encoded);
    assert(encoded_length <= length + length / 254 + 1 && memchr(encoded, 0, encoded_length) == NULL);
    assert(wire_cobs_decode(encoded, encoded_length, encoded, &decoded_length) == WIRE_OK);
    assert(decoded_length == length && memcmp(encoded, bytes, length) == 0);
    /* As a code itself, whatever it is: what is decoded is no longer than what was read. */
    if (wire_cobs_decode(bytes, length, decoded, &decoded_length) == WIRE_OK)
        assert(decoded_length < length);
    free(encoded);
    free(decoded);
}

struct reports {
    uint64_t hash;
    int64_t gaps, missing, restarts;
    bool have_sample;
    int64_t sample_time_us;
};

static void take_text(struct reports *r, const char *text)
{
    assert(memchr(text, 0, WIRE_TEXT_MAX + 1) != NULL);
    for (const char *p = text; *p != 0; p++)
        assert((unsigned char)*p >= 0x20 && *p != 0x7F);
    r->hash = fuzz_hash_on(r->hash, text, strlen(text));
}

static void take_report(void *context, const struct rig_report *report)
{
    struct reports *r = context;
    r->hash = fuzz_hash_on(r->hash, &report->kind, sizeof report->kind);
    r->hash = fuzz_hash_on(r->hash, &report->time_us, sizeof report->time_us);
    switch (report->kind) {
    case RIG_REPORT_IDENTITY:
        take_text(r, report->identity.firmware);
        take_text(r, report->identity.serial);
        if (report->identity.protocol_major == WIRE_PROTOCOL_MAJOR)
            assert(report->identity.time_scale_milli > 0 &&
                   report->identity.counts_min < report->identity.counts_max);
        break;
    case RIG_REPORT_ACK:
        r->hash = fuzz_hash_on(r->hash, &report->ack.sequence, sizeof report->ack.sequence);
        break;
    case RIG_REPORT_SAMPLES:
        assert(report->sample_count <= WIRE_BATCH_MAX);
        for (size_t i = 0; i < report->sample_count; i++) {
            const struct raw_sample *s = &report->samples[i];
            assert(!r->have_sample || s->time_us > r->sample_time_us);
            r->have_sample = true;
            r->sample_time_us = s->time_us;
            r->hash = fuzz_hash_on(r->hash, &s->time_us, sizeof s->time_us);
            r->hash = fuzz_hash_on(r->hash, &s->force_counts, sizeof s->force_counts);
            r->hash = fuzz_hash_on(r->hash, &s->commanded_steps, sizeof s->commanded_steps);
            r->hash = fuzz_hash_on(r->hash, &s->encoder_counts, sizeof s->encoder_counts);
            r->hash = fuzz_hash_on(r->hash, &s->flags, sizeof s->flags);
        }
        break;
    case RIG_REPORT_EVENT:
        r->hash = fuzz_hash_on(r->hash, &report->event.value, sizeof report->event.value);
        break;
    case RIG_REPORT_STATUS:
        r->hash =
            fuzz_hash_on(r->hash, &report->status.samples_dropped, sizeof report->status.samples_dropped);
        break;
    case RIG_REPORT_GAP:
        assert(report->frames_missing > 0);
        r->gaps++;
        r->missing += report->frames_missing;
        break;
    case RIG_REPORT_RESTART:
        r->restarts++;
        r->have_sample = false;
        break;
    default:
        abort();
    }
}

/* Whole where piece_max is 0. */
static struct reports receive(const struct stream *s, size_t piece_max, uint64_t chance,
                              struct rig_counts *counts)
{
    static struct rig_receiver receiver;
    struct reports reports = {0};
    rig_receiver_init(&receiver);
    for (size_t fed = 0; fed < s->length;) {
        size_t piece = s->length - fed;
        chance = fuzz_hash_on(chance, &fed, sizeof fed);
        if (piece_max > 0 && piece > 1 + chance % piece_max)
            piece = 1 + (size_t)(chance % piece_max);
        rig_receiver_feed(&receiver, s->bytes + fed, piece, take_report, &reports);
        fed += piece;
    }
    *counts = receiver.counts;
    return reports;
}

static void check_receiver(const struct stream *s, uint64_t chance)
{
    struct rig_counts c, pieces;
    struct reports whole = receive(s, 0, 0, &c);
    struct reports in_pieces = receive(s, 1 + (size_t)(chance >> 8) % 100, chance, &pieces);
    int64_t delimiters = 0;
    for (size_t i = 0; i < s->length; i++)
        delimiters += s->bytes[i] == 0;
    assert(whole.hash == in_pieces.hash && memcmp(&c, &pieces, sizeof c) == 0);
    assert(c.bytes == (int64_t)s->length);
    assert(c.frames >= 0 && c.frames_corrupt >= 0 && c.frames + c.frames_corrupt <= delimiters);
    assert(c.frames_duplicate >= 0 && c.frames_late >= 0 && c.frames_duplicate + c.frames_late <= c.frames);
    /* Every gap was told when it was seen, and only what was missing can be late. */
    assert(c.gaps == whole.gaps && c.frames_missing == whole.missing && c.frames_late <= c.frames_missing);
    assert(c.samples_backward >= 0 && c.samples_backward <= c.frames * (int64_t)WIRE_BATCH_MAX);
}

struct orders {
    const uint8_t *bytes;
    size_t length, at;
};

static uint8_t next_byte(struct orders *o)
{
    return o->at < o->length ? o->bytes[o->at++] : 0;
}

static void compose(struct orders *o, struct stream *s)
{
    uint8_t frame[WIRE_ENCODED_MAX] = {1, 0};
    size_t frame_length = 1;
    uint16_t sequence = 0;
    while (o->at < o->length && s->length < STREAM_MAX) {
        uint8_t order = next_byte(o);
        size_t n;
        switch (order % 8) {
        case 0: /* a frame: type, step of the sequence number, length of the body in two bytes, body */
        case 1: {
            uint8_t type = next_byte(o);
            sequence = (uint16_t)(sequence + (int8_t)next_byte(o));
            n = next_byte(o);
            n |= (size_t)next_byte(o) << 8;
            n %= WIRE_BODY_MAX + 2; /* one too long is refused */
            if (n > o->length - o->at)
                n = o->length - o->at;
            frame_length = wire_frame_encode(type, sequence, o->bytes + o->at, n, frame);
            assert((frame_length == 0) == (n > WIRE_BODY_MAX));
            o->at += n;
            append(s, frame, frame_length);
            break;
        }
        case 2: /* the last frame once more */
            append(s, frame, frame_length);
            break;
        case 3: /* the last frame with one bit that is wrong */
            n = next_byte(o);
            n |= (size_t)next_byte(o) << 8;
            if (frame_length == 0)
                break;
            frame[n / 8 % frame_length] ^= (uint8_t)(1u << (n % 8));
            append(s, frame, frame_length);
            frame[n / 8 % frame_length] ^= (uint8_t)(1u << (n % 8));
            break;
        case 4: /* the last frame cut short */
            n = next_byte(o);
            append(s, frame, n < frame_length ? n : frame_length);
            break;
        case 5: /* as they come */
            n = next_byte(o);
            if (n > o->length - o->at)
                n = o->length - o->at;
            append(s, o->bytes + o->at, n);
            o->at += n;
            break;
        case 6: /* a jump of the sequence number */
            sequence = (uint16_t)(sequence + (next_byte(o) << 8));
            break;
        default:
            append(s, (const uint8_t[]){0}, 1);
            break;
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct stream stream;
    uint64_t chance = fuzz_hash(bytes, length);
    stream.length = 0;
    if (length == 0)
        return 0;
    if (bytes[0] % 2 == 0)
        append(&stream, bytes + 1, length - 1);
    else
        compose(&(struct orders){bytes, length, 1}, &stream);
    check_decoder(&stream, WIRE_ENCODED_MAX, STREAM_MAX, chance);
    check_decoder(&stream, 1 + (size_t)(chance >> 16) % 64, 1 + (size_t)(chance >> 32) % 20, chance);
    check_receiver(&stream, chance);
    check_cobs(bytes + 1, length - 1);
    return 0;
}
