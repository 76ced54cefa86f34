#include "tests/rig/simulator/rig_bench.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FRAMES_MAX  6000
#define SAMPLES_MAX 200000
#define BYTES_MAX   4000000

static bool take_frame(void *context, const uint8_t *bytes, size_t length, size_t samples)
{
    struct bench *b = context;
    uint8_t buffer[WIRE_ENCODED_MAX];
    struct wire_decoder d;
    struct wire_frame frame;
    enum wire_error result;
    wire_decoder_init(&d, buffer, sizeof buffer);
    cr_assert_eq(wire_decoder_feed(&d, bytes, length, &result, &frame), length);
    cr_assert_eq(result, WIRE_OK);
    cr_assert_eq(samples > 0, frame.type == WIRE_SAMPLES);
    if (samples > 0 && b->refuse_samples)
        return false;
    cr_assert(b->byte_count + length <= BYTES_MAX && b->frame_count < FRAMES_MAX);
    memcpy(b->bytes + b->byte_count, bytes, length);
    b->byte_count += length;
    if (frame.type == WIRE_SAMPLES) {
        size_t count;
        cr_assert(b->sample_count + WIRE_BATCH_MAX <= SAMPLES_MAX);
        cr_assert_eq(wire_unpack_batch(frame.body, frame.length, b->samples + b->sample_count, &count),
                     WIRE_OK);
        cr_assert_eq(count, samples);
        b->sample_count += count;
        return true;
    }
    struct heard *h = &b->frames[b->frame_count++];
    h->type = frame.type;
    h->sequence = frame.sequence;
    h->samples_before = b->sample_count;
    h->at_us = b->now_us;
    switch (frame.type) {
    case WIRE_IDENTITY:
        cr_assert_eq(wire_unpack_identity(frame.body, frame.length, &h->as.identity), WIRE_OK);
        break;
    case WIRE_ACK:
        cr_assert_eq(wire_unpack_ack(frame.body, frame.length, &h->as.ack), WIRE_OK);
        break;
    case WIRE_EVENT:
        cr_assert_eq(wire_unpack_event(frame.body, frame.length, &h->as.event), WIRE_OK);
        break;
    case WIRE_STATUS:
        cr_assert_eq(wire_unpack_status(frame.body, frame.length, &h->as.status), WIRE_OK);
        break;
    default:
        cr_assert_fail("frame of type 0x%02x", frame.type);
    }
    return true;
}

struct bench *bench_new(uint64_t seed, size_t feeders)
{
    struct bench *b = calloc(1, sizeof *b);
    cr_assert(b != NULL);
    b->frames = calloc(FRAMES_MAX, sizeof *b->frames);
    b->samples = calloc(SAMPLES_MAX, sizeof *b->samples);
    b->bytes = malloc(BYTES_MAX);
    cr_assert(b->frames != NULL && b->samples != NULL && b->bytes != NULL);
    for (size_t i = 0; i < 3; i++) {
        b->feeders[i] = model_default();
        snprintf(b->feeders[i].name, sizeof b->feeders[i].name, "gear-%c", (char)('a' + i));
    }
    b->setup = (struct rig_setup){.seed = seed,
                                  .boot = 0xC0FFEE11u,
                                  .time_scale_milli = 1000,
                                  .rate_max_millihertz = 100000000u,
                                  .protocol_major = WIRE_PROTOCOL_MAJOR,
                                  .serial = "BENCH 7",
                                  .feeders = b->feeders,
                                  .feeder_count = feeders};
    return b;
}

void bench_start(struct bench *b)
{
    b->rig = rig_state_new(&b->setup, take_frame, b);
    cr_assert(b->rig != NULL);
}

void bench_free(struct bench *b)
{
    rig_state_free(b->rig);
    free(b->bytes);
    free(b->samples);
    free(b->frames);
    free(b);
}

void bench_wait_us(struct bench *b, int64_t us)
{
    b->now_us += us;
    rig_state_advance(b->rig, b->now_us);
}

uint16_t bench_send(struct bench *b, uint8_t type, const uint8_t *body, size_t length)
{
    uint8_t frame[WIRE_ENCODED_MAX];
    const size_t n = wire_frame_encode(type, b->sequence, body, length, frame);
    rig_state_receive(b->rig, b->now_us, frame, n);
    return b->sequence++;
}

void bench_run_us(struct bench *b, int64_t us)
{
    while (us > 0) {
        const int64_t part = us < 100000 ? us : 100000;
        bench_send(b, WIRE_KEEP_ALIVE, NULL, 0);
        bench_wait_us(b, part);
        us -= part;
    }
}

struct heard *bench_last(struct bench *b, uint8_t type)
{
    for (size_t i = b->frame_count; i > 0; i--)
        if (b->frames[i - 1].type == type)
            return &b->frames[i - 1];
    return NULL;
}

struct heard *bench_first_event(struct bench *b, uint8_t kind)
{
    for (size_t i = 0; i < b->frame_count; i++)
        if (b->frames[i].type == WIRE_EVENT && b->frames[i].as.event.kind == kind)
            return &b->frames[i];
    return NULL;
}

int bench_command(struct bench *b, uint8_t type, const uint8_t *body, size_t length)
{
    const size_t before = b->frame_count;
    const uint16_t sequence = bench_send(b, type, body, length);
    for (size_t i = before; i < b->frame_count; i++)
        if (b->frames[i].type == WIRE_ACK) {
            cr_expect_eq(b->frames[i].as.ack.command, type);
            cr_expect_eq(b->frames[i].as.ack.sequence, sequence);
            return b->frames[i].as.ack.reason;
        }
    return -1;
}

int bench_configure(struct bench *b, uint32_t rate_millihertz, const char *feeder)
{
    uint8_t body[WIRE_BODY_MAX];
    struct wire_configure m = {.sample_rate_millihertz = rate_millihertz};
    snprintf(m.feeder, sizeof m.feeder, "%s", feeder);
    return bench_command(b, WIRE_CONFIGURE, body, wire_pack_configure(&m, body));
}

int bench_arm(struct bench *b, int32_t low, int32_t high, uint32_t travel, uint32_t time_ms)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_arm m = {low, high, travel, time_ms};
    return bench_command(b, WIRE_ARM, body, wire_pack_arm(&m, body));
}

int bench_arm_wide(struct bench *b)
{
    return bench_arm(b, -8000000, 8000000, 1000000, 600000);
}

int bench_move(struct bench *b, double steps_s, uint32_t acceleration, uint32_t travel)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_move m = {(int32_t)lround(steps_s * 1000), acceleration, travel};
    return bench_command(b, WIRE_MOVE, body, wire_pack_move(&m, body));
}

double bench_force_n(const struct bench *b, size_t sample)
{
    const struct model_sensor *s = &b->feeders[0].sensor;
    return (b->samples[sample].force_counts - s->zero_counts) / s->gain_counts_per_n;
}
