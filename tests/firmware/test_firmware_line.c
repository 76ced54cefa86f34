/* Samples, and what the line may bring: too much, or nothing but noise. */
#include "tests/firmware/host.h"

#include <criterion/criterion.h>

#include <stdio.h>
#include <stdlib.h>

static struct host *h;

static void start(void)
{
    h = host_new();
}

static void end(void)
{
    host_free(h);
}

TestSuite(firmware_line, .init = start, .fini = end);

static int32_t pattern(struct host *host, uint64_t cycle)
{
    static const int32_t counts[] = {0, 1, -1, 8388606, -8388607, 0x123456, -0x123456, 0x555555, -0x555555};
    (void)host;
    return counts[cycle / (CHIP_HZ / 80) % (sizeof counts / sizeof counts[0])];
}

Test(firmware_line, samples_are_what_the_converter_showed_and_when)
{
    h->keep_alive = true;
    h->counts_at = pattern;
    cr_assert(host_configure(h, 80000) == WIRE_ACCEPTED);
    host_wait_ms(h, 2000);
    cr_assert_geq(h->sample_count, 150);
    const int64_t offset = (int64_t)(h->sample_cycles[0] / CHIP_CYCLES_PER_US) - h->samples[0].time_us;
    for (unsigned i = 0; i < h->sample_count; i++) {
        const struct wire_sample *s = &h->samples[i];
        /* The clock of the chip begins a moment after power. */
        const uint64_t at = h->sample_cycles[i] / (CHIP_HZ / 80) * (CHIP_HZ / 80);
        cr_assert_eq(s->force_counts, pattern(h, at), "sample %u", i);
        cr_assert_eq(s->flags, 0);
        const double latency_ms = (double)(h->sample_cycles[i] - at) / (CHIP_HZ / 1000);
        cr_assert_leq(latency_ms, 20.0);
        const int64_t drift = (int64_t)(h->sample_cycles[i] / CHIP_CYCLES_PER_US) - s->time_us - offset;
        cr_assert_leq(llabs(drift), 3000, "sample %u", i);
        if (i > 0) /* stamped when ready: an interrupt or two may stand before */
            cr_assert_leq(llabs((int64_t)s->time_us - h->samples[i - 1].time_us - 12500), 40, "sample %u", i);
    }
    const struct chip_figures f = chip_figures(h->chip);
    cr_assert_eq(f.pulses, 25);
    cr_assert_lt(f.clock_high_most_cycles, 50 * CHIP_CYCLES_PER_US);
    cr_assert_eq(h->missing, 0);
}

Test(firmware_line, samples_keep_the_converters_pace)
{
    h->keep_alive = true;
    chip_pace_converter(h->chip, 208333); /* 76.8 a second */
    cr_assert(host_configure(h, 80000) == WIRE_ACCEPTED);
    host_wait_ms(h, 1200);
    for (unsigned i = 1; i < h->sample_count; i++)
        cr_assert_leq(llabs((int64_t)h->samples[i].time_us - h->samples[i - 1].time_us - 13021), 40);
    cr_assert(host_configure(h, 20000) == WIRE_ACCEPTED);
    const unsigned from = h->sample_count;
    host_wait_ms(h, 1000);
    cr_assert_geq(h->sample_count, from + 18);
    for (unsigned i = from + 1; i < h->sample_count; i++)
        cr_assert_leq(llabs((int64_t)h->samples[i].time_us - h->samples[i - 1].time_us - 4 * 13021), 40);
}

Test(firmware_line, a_full_transmit_buffer_drops_frames_and_counts_them)
{
    h->keep_alive = true;
    cr_assert(host_configure(h, 80000) == WIRE_ACCEPTED);
    host_wait_ms(h, 500);
    const unsigned samples = h->sample_count;
    chip_hold_line(h->chip, true);
    host_wait_ms(h, 400);
    cr_assert_leq(h->sample_count, samples + 1);
    chip_hold_line(h->chip, false);
    host_wait_ms(h, 1000);
    printf("%u frames missing, %u samples dropped\n", h->missing, (unsigned)h->status.samples_dropped);
    cr_assert_gt(h->missing, 15);
    cr_assert_eq(h->missing, h->status.samples_dropped); /* nothing else was due */
    cr_assert_eq(h->broken, 0);
}

Test(firmware_line, more_commands_than_it_can_take_do_no_harm)
{
    for (unsigned i = 0; i < 40; i++)
        host_send(h, WIRE_IDENTIFY, NULL, 0);
    host_wait_ms(h, 100);
    cr_assert_geq(h->acks, 12); /* its receive buffer holds as many */
    chip_send(h->chip, 0);      /* ends what was cut off, which may still be a whole command */
    host_wait_ms(h, 20);
    cr_assert(host_command(h, WIRE_IDENTIFY, NULL, 0) == WIRE_ACCEPTED);
    cr_assert_eq(h->event_count, 1); /* it has not started anew */
    cr_assert_eq(h->broken, 0);
}

/* Random bytes as fast as the line carries them. */
Test(firmware_line, a_minute_of_random_bytes_moves_nothing)
{
    h->draws.state = 20261130;
    const uint64_t begin = chip_cycle(h->chip);
    uint64_t zeros = 0;
    while (chip_cycle(h->chip) < begin + CHIP_MS(60000)) {
        for (unsigned i = 0; i < 450; i++) {
            const uint8_t byte = (uint8_t)host_draw(h, 256);
            /* Short frames, too, which get further than long ones. */
            const bool end_frame = host_draw(h, 12) == 0;
            zeros += end_frame || byte == 0;
            chip_send(h->chip, end_frame ? 0 : byte);
        }
        host_wait_ms(h, 10);
    }
    const struct chip_figures f = chip_figures(h->chip);
    printf("60 s of random bytes, %llu frame ends\n", (unsigned long long)zeros);
    host_figure("60 s of random bytes: steps", (double)(f.steps + f.steps_off), "1", 0, 0);
    host_figure("60 s of random bytes: starts", h->event_count, "1", 1, 1);
    cr_assert_not(f.coils);
    cr_assert_eq(f.steps + f.steps_off, 0);
    cr_assert_eq(h->event_count, 1, "it has started anew");
    cr_assert_eq(h->acks, 0);
    cr_assert_geq(h->statuses, 59);
    host_wait_ms(h, 20);
    chip_send(h->chip, 0);
    cr_assert(host_command(h, WIRE_IDENTIFY, NULL, 0) == WIRE_ACCEPTED);
    cr_assert(host_configure(h, 80000) == WIRE_ACCEPTED);
}

/* Everything at once; the digest covers every byte, step and coil with its cycle. */
static uint64_t digest_of_a_session(void)
{
    struct host *one = host_new();
    one->keep_alive = true;
    one->encoder_every = 2;
    one->counts_at = pattern;
    cr_assert(host_configure(one, 80000) == WIRE_ACCEPTED);
    cr_assert(host_arm(one, -8388607, 8388607, 100000, 60000) == WIRE_REFUSED_OUT_OF_RANGE ||
              chip_figures(one->chip).coils);
    host_command(one, WIRE_CUT, NULL, 0);
    one->counts_at = NULL;
    host_wait_ms(one, 30);
    cr_assert(host_arm_freely(one) == WIRE_ACCEPTED);
    cr_assert(host_move(one, 17000000, 80000, 30000) == WIRE_ACCEPTED);
    host_wait_ms(one, 700);
    cr_assert(host_move(one, -5000000, 80000, 4000) == WIRE_ACCEPTED);
    host_wait_ms(one, 500);
    chip_set(one->chip, CHIP_LIMIT_SWITCH, true);
    host_wait_ms(one, 300);
    const uint64_t digest = one->digest;
    host_free(one);
    return digest;
}

Test(firmware_line, the_same_session_gives_the_same_bits)
{
    cr_assert_eq(digest_of_a_session(), digest_of_a_session());
}

/* The deepest that the stack gets when everything happens at once must leave a quarter of its reserve. */
Test(firmware_line, the_stack_stays_in_its_reserve)
{
    h->keep_alive = true;
    h->encoder_every = 1;
    cr_assert(host_configure(h, 80000) == WIRE_ACCEPTED);
    cr_assert(host_arm_freely(h) == WIRE_ACCEPTED);
    for (int i = 0; i < 40; i++) {
        cr_assert(host_move(h, i % 2 == 0 ? 20000000 : -20000000, 400000, 3000) == WIRE_ACCEPTED);
        for (unsigned j = 0; j < 4; j++) {
            host_send(h, WIRE_IDENTIFY, NULL, 0);
            host_wait_until(h, chip_cycle(h->chip) + CHIP_MS(7) + 1013);
        }
    }
    chip_set(h->chip, CHIP_EMERGENCY_STOP, true);
    host_wait_ms(h, 20);
    const unsigned bytes = chip_stack_bytes(h->chip);
    host_figure("deepest stack", bytes, "byte", 60, FIRMWARE_STACK * 0.75);
    cr_assert_gt(bytes, 60); /* else it was not measured */
    cr_assert_leq(bytes, FIRMWARE_STACK * 3 / 4);
}
