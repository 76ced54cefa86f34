#include "tests/rig/simulator/faulty_bench.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BYTES_MAX   8000000
#define TOLD_MAX    100000
#define SAMPLES_MAX 200000

static bool take_burst(void *context, const struct line_burst *burst)
{
    struct faulty_bench *b = context;
    if (b->full && burst->samples > 0)
        return false;
    cr_assert(b->byte_count + burst->length <= BYTES_MAX);
    memcpy(b->bytes + b->byte_count, burst->bytes, burst->length);
    size_t last = 0;
    for (size_t i = 0; i < burst->cut_count; i++) {
        cr_assert(burst->cuts[i].at > last && burst->cuts[i].at < burst->length, "pieces have bytes");
        cr_assert(burst->cuts[i].gap_us >= 1000 && burst->cuts[i].gap_us <= 5000);
        last = burst->cuts[i].at;
    }
    b->byte_count += burst->length;
    b->cut_count += burst->cut_count;
    b->burst_count++;
    return true;
}

static void take_plug(void *context, bool plugged)
{
    struct faulty_bench *b = context;
    const int64_t now_us = rig_state_time_us(faulty_rig_state(b->faulty));
    *(plugged ? &b->plugged_us : &b->unplugged_us) = now_us;
    b->bytes_at_plug = b->byte_count;
}

static void take_happening(void *context, const struct rig_happening *h)
{
    struct faulty_bench *b = context;
    cr_assert(b->told_count < TOLD_MAX);
    b->told[b->told_count++] = *h;
}

static void take_samples(void *context, const struct rig_samples *s)
{
    struct faulty_bench *b = context;
    cr_assert(b->sample_count + s->count <= SAMPLES_MAX);
    for (size_t i = 0; i < s->count; i++) {
        const int64_t after_us = s->samples[i].time_us - s->samples[0].time_us;
        b->samples[b->sample_count++] = (struct kept_sample){s->samples[i], s->time_us + after_us,
                                                             s->rig_us + after_us, s->framed, s->sequence};
    }
}

struct faulty_bench *faulty_bench_new(uint64_t seed, const char *faults)
{
    struct err e = {0};
    struct faulty_bench *b = calloc(1, sizeof *b);
    cr_assert(b != NULL);
    b->bytes = malloc(BYTES_MAX);
    b->told = calloc(TOLD_MAX, sizeof *b->told);
    b->samples = calloc(SAMPLES_MAX, sizeof *b->samples);
    cr_assert(b->bytes != NULL && b->told != NULL && b->samples != NULL);
    b->unplugged_us = -1;
    b->plugged_us = -1;
    b->feeder = model_default();
    b->setup = (struct rig_setup){.seed = seed,
                                  .boot = 0xBEE5u,
                                  .time_scale_milli = 1000,
                                  .rate_max_millihertz = 100000000u,
                                  .protocol_major = WIRE_PROTOCOL_MAJOR,
                                  .serial = "BENCH 8",
                                  .feeders = &b->feeder,
                                  .feeder_count = 1};
    if (faults != NULL)
        cr_assert_eq(fault_words_read(faults, &b->plan, &e), ERR_OK, "%s", e.text);
    const struct faulty_rig_ends ends = {b, take_burst, take_plug, {b, take_happening, take_samples}};
    b->faulty = faulty_rig_new(&b->setup, &b->plan, &ends);
    cr_assert(b->faulty != NULL);
    return b;
}

void faulty_bench_free(struct faulty_bench *b)
{
    faulty_rig_free(b->faulty);
    free(b->samples);
    free(b->told);
    free(b->bytes);
    free(b);
}

void faulty_bench_send(struct faulty_bench *b, uint8_t type, const uint8_t *body, size_t length)
{
    uint8_t frame[WIRE_ENCODED_MAX];
    const size_t n = wire_frame_encode(type, b->sequence++, body, length, frame);
    faulty_rig_receive(b->faulty, b->now_us, frame, n);
}

void faulty_bench_configure(struct faulty_bench *b)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_configure m = {1000000, 0, "gear"};
    faulty_bench_send(b, WIRE_CONFIGURE, body, wire_pack_configure(&m, body));
}

void faulty_bench_arm(struct faulty_bench *b)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_arm m = {-8000000, 8000000, 1000000, 600000};
    faulty_bench_send(b, WIRE_ARM, body, wire_pack_arm(&m, body));
}

void faulty_bench_move(struct faulty_bench *b, double microsteps_s)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_move m = {(int32_t)lround(microsteps_s * 1000), 20000, 0};
    faulty_bench_send(b, WIRE_MOVE, body, wire_pack_move(&m, body));
}

void faulty_bench_wait(struct faulty_bench *b, int64_t us, int64_t step_us)
{
    const int64_t end_us = b->now_us + us;
    while (b->now_us < end_us) {
        b->now_us = b->now_us + step_us < end_us ? b->now_us + step_us : end_us;
        faulty_rig_advance(b->faulty, b->now_us);
    }
}

void faulty_bench_run(struct faulty_bench *b, int64_t us, int64_t step_us)
{
    while (us > 0) {
        const int64_t part_us = us < 100000 ? us : 100000;
        faulty_bench_send(b, WIRE_KEEP_ALIVE, NULL, 0);
        faulty_bench_wait(b, part_us, step_us);
        us -= part_us;
    }
}

void faulty_bench_session(struct faulty_bench *b, int64_t us, int64_t step_us)
{
    faulty_bench_configure(b);
    faulty_bench_arm(b);
    faulty_bench_move(b, 200);
    faulty_bench_run(b, us, step_us);
}

/* ---- a receiver that shares no code with the rig ---- */

/* CRC-32C bit by bit from its polynomial, 0x1EDC6F41 reflected. */
static uint32_t crc_of(const uint8_t *bytes, size_t length)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < length; i++) {
        crc ^= bytes[i];
        for (int k = 0; k < 8; k++)
            crc = crc & 1u ? crc >> 1 ^ 0x82F63B78u : crc >> 1;
    }
    return ~crc;
}

static size_t uncobs(const uint8_t *in, size_t length, uint8_t *out)
{
    size_t used = 0;
    for (size_t at = 0; at < length;) {
        const size_t code = in[at];
        if (at + code > length)
            return 0;
        memcpy(out + used, in + at + 1, code - 1);
        used += code - 1;
        at += code;
        if (code < 255 && at < length)
            out[used++] = 0;
    }
    return used;
}

struct found *faulty_bench_receive(const struct faulty_bench *b, size_t begin, size_t *count)
{
    struct found *list = NULL;
    size_t room = 0;
    *count = 0;
    while (begin < b->byte_count) {
        uint8_t plain[20000];
        const uint8_t *const end = memchr(b->bytes + begin, 0, b->byte_count - begin);
        if (end == NULL)
            break;
        const size_t size = (size_t)(end - (b->bytes + begin));
        const size_t length = size < sizeof plain ? uncobs(b->bytes + begin, size, plain) : 0;
        begin += size + 1;
        if (length < 7 || length > WIRE_BODY_MAX + 7)
            continue;
        const uint8_t *const tail = plain + length - 4;
        if (crc_of(plain, length - 4) !=
            (tail[0] | (uint32_t)tail[1] << 8 | (uint32_t)tail[2] << 16 | (uint32_t)tail[3] << 24))
            continue;
        if (*count == room) {
            room = room == 0 ? 256 : 2 * room;
            struct found *const longer = realloc(list, room * sizeof *list);
            cr_assert(longer != NULL);
            list = longer;
        }
        struct found *const f = &list[(*count)++];
        f->type = plain[0];
        f->sequence = (uint16_t)(plain[1] | plain[2] << 8);
        f->length = length - 7;
        memcpy(f->body, plain + 3, f->length);
    }
    return list;
}

const struct rig_happening *faulty_bench_told(const struct faulty_bench *b, enum rig_happening_kind kind,
                                              const char *word, size_t n)
{
    for (size_t i = 0; i < b->told_count; i++)
        if (b->told[i].kind == kind && (word == NULL || strcmp(b->told[i].word, word) == 0) && n-- == 0)
            return &b->told[i];
    return NULL;
}

bool faulty_bench_event(const struct faulty_bench *b, uint8_t kind, struct wire_event *event)
{
    size_t count;
    bool there = false;
    struct found *const list = faulty_bench_receive(b, 0, &count);
    for (size_t i = 0; i < count && !there; i++)
        there = list[i].type == WIRE_EVENT &&
                wire_unpack_event(list[i].body, list[i].length, event) == WIRE_OK && event->kind == kind;
    free(list);
    return there;
}

int faulty_bench_reason(const struct faulty_bench *b, uint16_t sequence)
{
    size_t count;
    int reason = -1;
    struct found *const list = faulty_bench_receive(b, 0, &count);
    for (size_t i = 0; i < count; i++) {
        struct wire_ack ack;
        if (list[i].type == WIRE_ACK && wire_unpack_ack(list[i].body, list[i].length, &ack) == WIRE_OK &&
            ack.sequence == sequence)
            reason = ack.reason;
    }
    free(list);
    return reason;
}
