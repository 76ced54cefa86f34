#include "tests/firmware/host.h"

#include <criterion/criterion.h>
#include <stdio.h>

#include <stdlib.h>

static void digest(struct host *h, uint64_t value)
{
    for (unsigned i = 0; i < 8; i++) {
        h->digest ^= (value >> (8 * i)) & 0xFFu;
        h->digest *= 0x100000001B3u;
    }
}

static void keep_samples(struct host *h, const struct wire_frame *frame, uint64_t cycle)
{
    struct wire_sample batch[WIRE_BATCH_MAX];
    size_t count;
    cr_assert(wire_unpack_batch(frame->body, frame->length, batch, &count) == WIRE_OK);
    for (size_t i = 0; i < count && h->sample_count < HOST_SAMPLES; i++) {
        h->sample_cycles[h->sample_count] = cycle;
        h->samples[h->sample_count++] = batch[i];
    }
}

static void keep(struct host *h, const struct wire_frame *frame, uint64_t cycle)
{
    const uint8_t *body = frame->body;
    enum wire_error result = WIRE_OK;
    if (h->begun)
        h->missing += (uint16_t)(frame->sequence - h->next_sequence);
    h->begun = true;
    h->next_sequence = (uint16_t)(frame->sequence + 1u);
    h->frames++;
    switch (frame->type) {
    case WIRE_ACK:
        h->acks++;
        result = wire_unpack_ack(body, frame->length, &h->ack);
        break;
    case WIRE_IDENTITY:
        h->identities++;
        result = wire_unpack_identity(body, frame->length, &h->identity);
        break;
    case WIRE_STATUS:
        h->statuses++;
        result = wire_unpack_status(body, frame->length, &h->status);
        break;
    case WIRE_EVENT:
        if (h->event_count < HOST_EVENTS) {
            h->event_cycles[h->event_count] = cycle;
            result = wire_unpack_event(body, frame->length, &h->events[h->event_count++]);
        }
        break;
    case WIRE_SAMPLES:
        keep_samples(h, frame, cycle);
        break;
    default:
        result = WIRE_MALFORMED;
    }
    cr_assert(result == WIRE_OK, "a frame of type 0x%02X that cannot be read", frame->type);
}

static void on_byte(void *context, uint64_t cycle, uint8_t byte)
{
    struct host *h = context;
    struct wire_frame frame;
    enum wire_error result;
    digest(h, cycle << 8 | byte);
    wire_decoder_feed(&h->decoder, &byte, 1, &result, &frame);
    if (result == WIRE_OK)
        keep(h, &frame, cycle);
    else if (result != WIRE_MORE)
        h->broken++;
}

static void on_step(void *context, uint64_t cycle, bool forward)
{
    struct host *h = context;
    digest(h, cycle << 1 | forward);
    if (h->step_count < HOST_STEPS)
        h->steps[h->step_count] = (struct host_step){cycle, forward};
    h->step_count++;
    if (h->encoder_every > 0)
        chip_turn_encoder(h->chip, (int32_t)(chip_figures(h->chip).position / (int)h->encoder_every));
}

static void on_coils(void *context, uint64_t cycle, bool on)
{
    struct host *h = context;
    digest(h, cycle << 1 | on);
    if (!on)
        h->coils_off_cycle = cycle;
}

static int32_t on_convert(void *context, uint64_t cycle)
{
    struct host *h = context;
    return h->counts_at != NULL ? h->counts_at(h, cycle) : h->counts;
}

struct host *host_new(void)
{
    struct host *h = calloc(1, sizeof *h);
    cr_assert(h != NULL);
    wire_decoder_init(&h->decoder, h->buffer, sizeof h->buffer);
    h->digest = 0xCBF29CE484222325u;
    h->chip = chip_new(FIRMWARE_ELF, &(struct chip_world){h, on_byte, on_step, on_coils, on_convert});
    cr_assert(h->chip != NULL, "cannot load %s", FIRMWARE_ELF);
    const struct wire_event *event = host_event(h, 100);
    cr_assert(event != NULL && event->kind == WIRE_EVENT_BOOT, "the firmware does not start");
    return h;
}

void host_free(struct host *host)
{
    chip_free(host->chip);
    free(host);
}

unsigned host_draw(struct host *host, unsigned below)
{
    return (unsigned)(model_random_uniform(&host->draws) * below);
}

void host_wait_until(struct host *h, uint64_t cycle)
{
    while (chip_cycle(h->chip) < cycle) {
        if (h->keep_alive && chip_cycle(h->chip) >= h->alive_at) {
            h->alive_at = chip_cycle(h->chip) + CHIP_MS(100);
            host_send(h, WIRE_KEEP_ALIVE, NULL, 0);
        }
        uint64_t next = cycle;
        if (h->keep_alive && h->alive_at < next)
            next = h->alive_at;
        cr_assert(chip_run(h->chip, next), "the chip has crashed");
    }
}

void host_wait_ms(struct host *h, unsigned ms)
{
    host_wait_until(h, chip_cycle(h->chip) + CHIP_MS(ms));
}

uint16_t host_send(struct host *h, uint8_t type, const uint8_t *body, size_t length)
{
    uint8_t encoded[WIRE_ENCODED_MAX];
    const uint16_t sequence = h->sequence++;
    const size_t bytes = wire_frame_encode(type, sequence, body, length, encoded);
    for (size_t i = 0; i < bytes; i++)
        chip_send(h->chip, encoded[i]);
    return sequence;
}

uint8_t host_command(struct host *h, uint8_t type, const uint8_t *body, size_t length)
{
    const unsigned acks = h->acks;
    const uint16_t sequence = host_send(h, type, body, length);
    for (unsigned i = 0; i < 200 && h->acks == acks; i++)
        host_wait_until(h, chip_cycle(h->chip) + CHIP_MS(1) / 10);
    cr_assert(h->acks == acks + 1, "no acknowledgement of 0x%02X", type);
    cr_assert(h->ack.command == type && h->ack.sequence == sequence);
    return h->ack.reason;
}

uint8_t host_configure(struct host *h, uint32_t rate_millihertz)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_configure m = {.sample_rate_millihertz = rate_millihertz, .feeder = "gear-8mm"};
    return host_command(h, WIRE_CONFIGURE, body, wire_pack_configure(&m, body));
}

uint8_t host_arm(struct host *h, int32_t low, int32_t high, uint32_t travel, uint32_t time_ms)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_arm m = {low, high, travel, time_ms};
    return host_command(h, WIRE_ARM, body, wire_pack_arm(&m, body));
}

uint8_t host_arm_freely(struct host *h)
{
    return host_arm(h, -8000000, 8000000, 2000000000, 4000000000);
}

uint8_t host_move(struct host *h, int32_t speed_millisteps_s, uint32_t acceleration, uint32_t travel)
{
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_move m = {speed_millisteps_s, acceleration, travel};
    return host_command(h, WIRE_MOVE, body, wire_pack_move(&m, body));
}

const struct wire_event *host_event(struct host *h, unsigned ms)
{
    const unsigned before = h->event_count;
    const uint64_t until = chip_cycle(h->chip) + CHIP_MS(ms);
    while (h->event_count == before && chip_cycle(h->chip) < until)
        host_wait_until(h, chip_cycle(h->chip) + CHIP_MS(1) / 4);
    return h->event_count > before ? &h->events[before] : NULL;
}

void host_figure(const char *name, double value, const char *unit, double low, double high)
{
    const char *path = getenv("NIPBENCH_FIGURES");
    printf("%s: %.4g %s\n", name, value, unit);
    FILE *const file = path != NULL ? fopen(path, "a") : NULL;
    if (file == NULL)
        return;
    fprintf(
        file,
        "{\"name\": \"%s\", \"value\": %.9g, \"unit\": \"%s\", \"low\": %.9g, \"high\": %.9g, \"met\": %s, "
        "\"n\": 1, \"seed\": null, \"seconds\": null}\n",
        name, value, unit, low, high, value >= low && value <= high ? "true" : "false");
    fclose(file);
}
