#include "tests/sim/frame_stream.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FIRST_SEQUENCE 65000u
#define FIRST_TIME_US  INT64_C(4290000007) /* the 32-bit clock turns after 5 s */
#define FRAME_US       20000

uint32_t frame_draw_below(struct model_random *r, uint32_t n)
{
    return (uint32_t)(model_random_uniform(r) * n);
}

bool frame_draw_chance(struct model_random *r, double p)
{
    return model_random_uniform(r) < p;
}

void *frame_grown(void *old, size_t bytes)
{
    void *new = realloc(old, bytes);
    if (new == NULL) {
        fprintf(stderr, "study_frames: out of memory\n");
        exit(5);
    }
    return new;
}

/* ---- what the rig sends ---- */

uint8_t frame_stream_type(uint64_t seed, int64_t number)
{
    struct model_random r = {seed + (uint64_t)number * 0x9FB21C651E98DF25u};
    double u = model_random_uniform(&r);
    if (number % 50 == 0)
        return WIRE_STATUS;
    return u < 0.04   ? WIRE_EVENT
           : u < 0.06 ? WIRE_ACK
           : u < 0.07 ? WIRE_IDENTITY
           : u < 0.09 ? 0x99 /* of a newer minor version */
                      : WIRE_SAMPLES;
}

static void fill_samples(struct model_random *r, int64_t number, struct frame_sent *s)
{
    uint8_t channels = frame_draw_chance(r, 0.5) ? 7 : 3;
    s->sample_count = frame_draw_chance(r, 0.1)
                          ? WIRE_BATCH_MAX
                          : 1 + frame_draw_below(r, frame_draw_chance(r, 0.7) ? 20 : WIRE_BATCH_MAX);
    int32_t step_us = 1 + (int32_t)frame_draw_below(r, (uint32_t)(19000 / s->sample_count));
    int32_t force = (int32_t)frame_draw_below(r, 16000000) - 8000000;
    bool at_rest = frame_draw_chance(r, 0.2);
    for (size_t i = 0; i < s->sample_count; i++) {
        s->samples[i] = (struct wire_sample){
            .time_us = (uint32_t)(s->time_us + (int64_t)i * step_us),
            .force_counts = at_rest ? 0 : force + (int32_t)frame_draw_below(r, 4001) - 2000,
            .commanded_steps = at_rest ? 0 : (int32_t)((number * 37 + (int64_t)i) % 4000000) - 2000000,
            .encoder_counts =
                (channels & WIRE_CHANNEL_ENCODER) ? (int32_t)frame_draw_below(r, 65536) - 32768 : 0,
            .flags = (uint8_t)(frame_draw_chance(r, 0.01) ? frame_draw_below(r, 16) : 0)};
    }
    s->body_length = wire_pack_batch(s->samples, s->sample_count, channels, s->body);
}

/* The frame of a number, whole. Depends on seed and number alone. */
void frame_stream_make(uint64_t seed, int64_t number, struct frame_sent *s)
{
    struct model_random r = {(seed ^ 0x5851F42D4C957F2Du) + (uint64_t)number * 0xD1342543DE82EF95u};
    s->type = frame_stream_type(seed, number);
    s->time_us = FIRST_TIME_US + number * FRAME_US + frame_draw_below(&r, 900);
    switch (s->type) {
    case WIRE_SAMPLES:
        fill_samples(&r, number, s);
        break;
    case WIRE_EVENT:
        s->event = (struct wire_event){(uint32_t)s->time_us, (uint8_t)(2 + frame_draw_below(&r, 8)),
                                       (int32_t)frame_draw_below(&r, 4000000) - 2000000};
        s->body_length = wire_pack_event(&s->event, s->body);
        break;
    case WIRE_STATUS:
        s->status = (struct wire_status){FRAME_STREAM_BOOT, (uint32_t)s->time_us,
                                         (uint8_t)frame_draw_below(&r, 3), frame_draw_below(&r, 1000000)};
        s->body_length = wire_pack_status(&s->status, s->body);
        break;
    case WIRE_ACK:
        s->ack = (struct wire_ack){(uint8_t)(1 + frame_draw_below(&r, 6)),
                                   (uint16_t)frame_draw_below(&r, 65536), (uint8_t)frame_draw_below(&r, 11)};
        s->body_length = wire_pack_ack(&s->ack, s->body);
        break;
    case WIRE_IDENTITY:
        s->identity = (struct wire_identity){.protocol_major = WIRE_PROTOCOL_MAJOR,
                                             .channels = 7,
                                             .boot = FRAME_STREAM_BOOT,
                                             .time_scale_milli = 1000,
                                             .sample_rate_max_millihertz = frame_draw_below(&r, 100000000),
                                             .counts_min = -8388608,
                                             .counts_max = 8388607,
                                             .full_steps_per_rev = 200,
                                             .microsteps = 16,
                                             .firmware = "simulated 1.0"};
        snprintf(s->identity.serial, sizeof s->identity.serial, "%" PRIu32, frame_draw_below(&r, 1000000000));
        s->body_length = wire_pack_identity(&s->identity, s->body);
        break;
    default:
        /* Often without a single zero and a whole number of COBS blocks long. */
        s->body_length = frame_draw_chance(&r, 0.5) ? 254 * (1 + frame_draw_below(&r, 4)) - WIRE_OVERHEAD
                                                    : frame_draw_below(&r, WIRE_BODY_MAX + 1);
        for (size_t i = 0; i < s->body_length; i++)
            s->body[i] = (uint8_t)(1 + frame_draw_below(&r, 255));
    }
}

static uint16_t sequence_of(int64_t number)
{
    return (uint16_t)(FIRST_SEQUENCE + number);
}

/* ---- the damaged stream, and what it was made from ---- */

void frame_stream_put(struct frame_stream *s, const uint8_t *bytes, size_t n)
{
    if (s->length + n > s->room)
        s->bytes = frame_grown(s->bytes, s->room = 2 * (s->length + n));
    if (n > 0)
        memcpy(s->bytes + s->length, bytes, n);
    s->length += n;
}

static void put_byte(struct frame_stream *s, uint8_t byte)
{
    frame_stream_put(s, &byte, 1);
}

void frame_stream_put_noise(struct frame_stream *s, struct model_random *r, size_t n)
{
    while (n-- > 0)
        put_byte(s, (uint8_t)frame_draw_below(r, 256));
}

/* Keep the untouched bytes of a frame; the stretch of the stream that it turns into begins here. */
static struct frame_origin *note_origin(struct frame_stream *s, const uint8_t *bytes, size_t n,
                                        int64_t number)
{
    if (s->sent_length + n > s->sent_room)
        s->sent = frame_grown(s->sent, s->sent_room = 2 * (s->sent_length + n));
    if (s->count == s->origin_room)
        s->origins = frame_grown(s->origins, (s->origin_room = 2 * s->count + 64) * sizeof *s->origins);
    memcpy(s->sent + s->sent_length, bytes, n);
    s->origins[s->count] =
        (struct frame_origin){s->length, s->length, s->sent_length, n, number, false, false};
    s->sent_length += n;
    return &s->origins[s->count++];
}

struct wire_bytes {
    uint8_t bytes[2 * WIRE_ENCODED_MAX];
    size_t n;
};

static struct wire_bytes encoded(const struct frame_sender *t, int64_t number)
{
    static struct frame_sent s;
    struct wire_bytes w;
    frame_stream_make(t->seed, number, &s);
    w.n = wire_frame_encode(s.type, sequence_of(number), s.body, s.body_length, w.bytes);
    return w;
}

static void put_whole(struct frame_sender *t, int64_t number)
{
    struct wire_bytes w = encoded(t, number);
    struct frame_origin *o = note_origin(&t->stream, w.bytes, w.n, number);
    frame_stream_put(&t->stream, w.bytes, w.n);
    o->to = t->stream.length;
}

void frame_sender_put_whole(struct frame_sender *t)
{
    put_whole(t, t->next++);
}

void frame_stream_clear(struct frame_stream *s)
{
    s->length = s->sent_length = s->count = 0;
}

void frame_stream_free(struct frame_stream *s)
{
    free(s->bytes);
    free(s->sent);
    free(s->origins);
}

/* ---- faults ---- */

const char *frame_fault_name(enum frame_fault fault)
{
    static const char *const NAMES[FAULTS] = {
        "flips",  "substituted", "lost",    "inserted", "truncated", "overwritten", "forged",    "noise",
        "melted", "interleaved", "missing", "repeated", "reordered", "echo",        "delimiters"};
    return NAMES[fault];
}

static size_t few(struct model_random *r)
{
    return frame_draw_chance(r, 0.5)   ? 1
           : frame_draw_chance(r, 0.8) ? 1 + frame_draw_below(r, 8)
                                       : 1 + frame_draw_below(r, 300);
}

static void insert_at(struct wire_bytes *w, size_t at, uint8_t byte)
{
    if (w->n == sizeof w->bytes)
        return;
    memmove(w->bytes + at + 1, w->bytes + at, w->n - at);
    w->bytes[at] = byte;
    w->n++;
}

/* Damage to the bytes of one frame on the line. */
static void damage(struct model_random *r, enum frame_fault fault, struct wire_bytes *w)
{
    size_t n = few(r), at, lost;
    switch (fault) {
    case FAULT_FLIPS:
        for (size_t i = 0; i < n; i++)
            w->bytes[frame_draw_below(r, (uint32_t)w->n)] ^= (uint8_t)(1u << frame_draw_below(r, 8));
        break;
    case FAULT_SUBSTITUTED:
        for (size_t i = 0; i < n; i++)
            w->bytes[frame_draw_below(r, (uint32_t)w->n)] =
                (uint8_t)(frame_draw_chance(r, 0.1) ? 0 : frame_draw_below(r, 256));
        break;
    case FAULT_LOST_BYTES:
        at = frame_draw_below(r, (uint32_t)w->n);
        lost = n < w->n - at ? n : w->n - at;
        memmove(w->bytes + at, w->bytes + at + lost, w->n - at - lost);
        w->n -= lost;
        break;
    case FAULT_INSERTED:
        if (frame_draw_chance(r, 0.1)) { /* an empty block at the end, which some frames may have */
            insert_at(w, w->n - 1, 1);
            break;
        }
        for (size_t i = 0; i < n; i++)
            insert_at(
                w, frame_draw_chance(r, 0.1) ? w->n - 1 : frame_draw_below(r, (uint32_t)w->n + 1),
                (uint8_t)(frame_draw_chance(r, 0.3) ? frame_draw_below(r, 2) : frame_draw_below(r, 256)));
        break;
    case FAULT_TRUNCATED:
        w->n = frame_draw_below(r, (uint32_t)w->n);
        if (frame_draw_chance(r, 0.5))
            w->bytes[w->n++] = 0;
        break;
    default: /* FAULT_OVERWRITTEN: a stretch without a break */
        at = frame_draw_below(r, (uint32_t)w->n);
        for (size_t i = 0; i < n && at + i < w->n; i++)
            w->bytes[at + i] = (uint8_t)frame_draw_below(r, 256);
    }
}

/* Soundly encoded, but with other content than the check was made for: only the check can tell. */
static void forge(const struct frame_sender *t, struct model_random *r, int64_t number, struct wire_bytes *w)
{
    static struct frame_sent s;
    uint8_t plain[WIRE_BODY_MAX + WIRE_OVERHEAD];
    size_t n = few(r);
    frame_stream_make(t->seed, number, &s);
    plain[0] = s.type;
    plain[1] = (uint8_t)(sequence_of(number) & 0xFF);
    plain[2] = (uint8_t)(sequence_of(number) >> 8);
    memcpy(plain + 3, s.body, s.body_length);
    uint32_t check = wire_crc32c(plain, 3 + s.body_length);
    for (size_t i = 0; i < 4; i++)
        plain[3 + s.body_length + i] = (uint8_t)(check >> (8 * i));
    for (size_t i = 0; i < n; i++)
        plain[frame_draw_below(r, (uint32_t)(s.body_length + WIRE_OVERHEAD))] =
            (uint8_t)frame_draw_below(r, 256);
    w->n = wire_cobs_encode(plain, s.body_length + WIRE_OVERHEAD, w->bytes);
    w->bytes[w->n++] = 0;
}

static void put_damaged(struct frame_sender *t, enum frame_fault fault)
{
    struct wire_bytes w = encoded(t, t->next);
    struct frame_origin *o = note_origin(&t->stream, w.bytes, w.n, t->next);
    o->hit = true;
    if (fault == FAULT_FORGED)
        forge(t, &t->draws, t->next, &w);
    else
        damage(&t->draws, fault, &w);
    frame_stream_put(&t->stream, w.bytes, w.n);
    o->to = t->stream.length;
    t->next++;
}

static void put_interleaved(struct frame_sender *t)
{
    struct wire_bytes w[2] = {encoded(t, t->next), encoded(t, t->next + 1)};
    size_t taken[2] = {0, 0}, first = t->stream.count;
    note_origin(&t->stream, w[0].bytes, w[0].n, t->next);
    note_origin(&t->stream, w[1].bytes, w[1].n, t->next + 1);
    for (int which = 0; taken[0] < w[0].n || taken[1] < w[1].n; which = 1 - which) {
        size_t left = w[which].n - taken[which],
               n = 1 + frame_draw_below(&t->draws, frame_draw_chance(&t->draws, 0.8) ? 40 : 1500);
        n = n < left ? n : left;
        frame_stream_put(&t->stream, w[which].bytes + taken[which], n);
        taken[which] += n;
    }
    t->stream.origins[first].to = t->stream.origins[first + 1].to = t->stream.length;
    t->next += 2;
}

/* The cable is pulled between two whole sample frames and plugged back before all numbers have gone by. */
static void pull_cable(struct frame_sender *t)
{
    for (int i = 0; i < 2; i++) {
        while (frame_stream_type(t->seed, t->next) != WIRE_SAMPLES)
            t->next++;
        put_byte(&t->stream, 0);
        frame_sender_put_whole(t);
        if (i == 0)
            t->next += 20000 + frame_draw_below(&t->draws, 45000);
    }
}

static void put_reordered(struct frame_sender *t)
{
    int64_t order[40];
    uint32_t n = 2 + frame_draw_below(&t->draws, frame_draw_chance(&t->draws, 0.7) ? 3 : 39);
    for (uint32_t i = 0; i < n; i++)
        order[i] = t->next + i;
    for (uint32_t i = n - 1; i > 0; i--) {
        uint32_t other = frame_draw_below(&t->draws, i + 1);
        int64_t was = order[i];
        order[i] = order[other];
        order[other] = was;
    }
    for (uint32_t i = 0; i < n; i++)
        put_whole(t, order[i]);
    t->next += n;
}

static void put_echo(struct frame_sender *t)
{
    static const uint8_t BODY[16] = {1, 0, 3};
    struct wire_bytes w;
    w.n = wire_frame_encode((uint8_t)(1 + frame_draw_below(&t->draws, 7)),
                            (uint16_t)frame_draw_below(&t->draws, 65536), BODY,
                            frame_draw_below(&t->draws, 17), w.bytes);
    struct frame_origin *o = note_origin(&t->stream, w.bytes, w.n, -1);
    frame_stream_put(&t->stream, w.bytes, w.n);
    o->to = t->stream.length;
}

void frame_sender_put_fault(struct frame_sender *t, enum frame_fault fault)
{
    struct model_random *r = &t->draws;
    switch (fault) {
    case FAULT_NOISE:
        frame_stream_put_noise(&t->stream, r, 1 + frame_draw_below(r, frame_draw_chance(r, 0.9) ? 60 : 3000));
        if (frame_draw_chance(r, 0.5))
            put_byte(&t->stream, 0); /* else it eats the frame behind it */
        frame_sender_put_whole(t);
        break;
    case FAULT_MELTED:
        frame_sender_put_whole(t);
        t->stream.length -= frame_draw_chance(r, 0.9);
        frame_sender_put_whole(t);
        break;
    case FAULT_INTERLEAVED:
        put_interleaved(t);
        break;
    case FAULT_MISSING:
        if (frame_draw_chance(r, 0.01))
            pull_cable(t);
        else
            t->next += 1 + frame_draw_below(r, frame_draw_chance(r, 0.97) ? 20 : 2000);
        break;
    case FAULT_REPEATED: {
        int64_t back = 1 + frame_draw_below(r, frame_draw_chance(r, 0.8) ? 70 : 30000);
        put_whole(t, back < t->next ? t->next - back : 0);
        break;
    }
    case FAULT_REORDERED:
        put_reordered(t);
        break;
    case FAULT_ECHO:
        put_echo(t);
        break;
    case FAULT_DELIMITERS:
        for (uint32_t i = 1 + frame_draw_below(r, 5); i > 0; i--)
            put_byte(&t->stream, 0);
        break;
    default:
        put_damaged(t, fault);
    }
}
