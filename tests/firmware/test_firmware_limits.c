/* What stops the motor, and how soon. */
#include "tests/firmware/host.h"

#include <criterion/criterion.h>

#include <stdio.h>

#define SAMPLE_CYCLES (CHIP_HZ / 80u)

static struct host *h;

static void start(void)
{
    h = host_new();
    h->keep_alive = true;
    cr_assert(host_configure(h, 80000) == WIRE_ACCEPTED);
    host_wait_ms(h, 100);
}

static void end(void)
{
    const struct chip_figures f = chip_figures(h->chip);
    cr_assert_not(f.coils);
    cr_assert_eq(f.steps_off, 0);
    host_free(h);
}

TestSuite(firmware_limits, .init = start, .fini = end);

static void push(void)
{
    cr_assert(host_move(h, 4000000, 100000, 0) == WIRE_ACCEPTED);
    host_wait_ms(h, 150);
}

/* The event that follows what happened at cycle, and that the coils went off by the next sample; how long it
 * took is printed. */
static const struct wire_event *cut_after(uint64_t cycle, const char *what, enum wire_event_kind kind)
{
    const struct wire_event *event = host_event(h, 100);
    cr_assert(event != NULL && event->kind == kind, "%s", what);
    cr_assert_not(chip_figures(h->chip).coils);
    const uint64_t took = h->coils_off_cycle - cycle;
    host_figure(what, (double)took / (CHIP_HZ / 1000), "ms", 0, SAMPLE_CYCLES / (CHIP_HZ / 1000.0));
    cr_assert_leq(took, SAMPLE_CYCLES, "%s", what);
    return event;
}

static uint64_t force_cycle;
static int32_t force_counts;

/* The force as it is at a conversion; the first that shows force_counts is noted. */
static int32_t force_from(struct host *host, uint64_t cycle)
{
    (void)host;
    if (force_counts != 0 && force_cycle == 0)
        force_cycle = cycle;
    return force_counts;
}

static void force_limit(int32_t counts)
{
    force_cycle = 0;
    force_counts = 0;
    h->counts_at = force_from;
    cr_assert(host_arm(h, -5000, 600000, 1000000, 60000) == WIRE_ACCEPTED);
    push();
    force_counts = counts;
    host_wait_ms(h, 26);
    cr_assert_neq(force_cycle, 0);
    cr_assert_eq(h->event_count, 2, "no event");
    cr_assert_eq(h->events[1].kind, WIRE_EVENT_FORCE_LIMIT);
    cr_assert_eq(h->events[1].value, counts);
    const uint64_t took = h->coils_off_cycle - force_cycle;
    host_figure("force limit: coils off after the conversion", (double)took / (CHIP_HZ / 1000), "ms", 0,
                SAMPLE_CYCLES / (CHIP_HZ / 1000.0));
    cr_assert_lt(took, SAMPLE_CYCLES);
    /* That sample goes out before the event. */
    unsigned i = 0;
    while (i < h->sample_count && h->samples[i].force_counts != counts)
        i++;
    cr_assert_lt(i, h->sample_count);
    cr_assert_lt(h->sample_cycles[i], h->event_cycles[1]);
    host_wait_ms(h, 500);
    cr_assert_eq(h->event_count, 2);
}

Test(firmware_limits, high_force_cuts)
{
    force_limit(600000);
}

Test(firmware_limits, low_force_cuts)
{
    force_limit(-5000);
}

Test(firmware_limits, the_upper_end_of_the_converter_cuts)
{
    force_limit(8388607);
    cr_assert(h->samples[h->sample_count - 1].flags == WIRE_FLAG_OVER_RANGE);
}

Test(firmware_limits, the_lower_end_of_the_converter_cuts)
{
    force_limit(-8388608);
    cr_assert(h->samples[h->sample_count - 1].flags == WIRE_FLAG_OVER_RANGE);
}

Test(firmware_limits, a_force_within_the_limits_does_not_cut)
{
    h->counts = 599999;
    cr_assert(host_arm(h, -5000, 600000, 1000000, 60000) == WIRE_ACCEPTED);
    push();
    h->counts = -4999;
    host_wait_ms(h, 1000);
    cr_assert_eq(h->event_count, 1);
    cr_assert(chip_figures(h->chip).coils);
    cr_assert(host_command(h, WIRE_CUT, NULL, 0) == WIRE_ACCEPTED);
}

Test(firmware_limits, travel_cuts_at_the_first_step_beyond)
{
    for (int side = -1; side <= 1; side += 2) {
        cr_assert(host_arm(h, -5000, 600000, 700, 60000) == WIRE_ACCEPTED);
        chip_count_from_zero(h->chip);
        cr_assert(host_move(h, side * 4000000, 100000, 700) == WIRE_ACCEPTED);
        const struct wire_event *event = host_event(h, 2000);
        cr_assert(event != NULL && event->kind == WIRE_EVENT_MOTION_DONE && event->value == side * 700);
        cr_assert(host_move(h, side * 4000000, 100000, 700) == WIRE_ACCEPTED);
        event = host_event(h, 2000);
        cr_assert(event != NULL && event->kind == WIRE_EVENT_TRAVEL_LIMIT);
        cr_assert_eq(event->value, side * 701);
        cr_assert_eq(chip_figures(h->chip).position, side * 701);
        cr_assert_not(chip_figures(h->chip).coils);
        host_wait_ms(h, 200);
        cr_assert_eq(chip_figures(h->chip).position, side * 701);
        cr_assert(host_move(h, 4000000, 100000, 700) == WIRE_REFUSED_NOT_ARMED);
    }
}

Test(firmware_limits, time_cuts)
{
    cr_assert(host_arm(h, -5000, 600000, 1000000, 731) == WIRE_ACCEPTED);
    const uint64_t armed = chip_cycle(h->chip);
    push();
    const struct wire_event *event = host_event(h, 2000);
    cr_assert(event != NULL && event->kind == WIRE_EVENT_TIME_LIMIT);
    cr_assert_geq(event->value, 731);
    cr_assert_leq(event->value, 731 + 13);
    const double took_ms = (double)(h->coils_off_cycle - armed) / (CHIP_HZ / 1000);
    host_figure("time limit of 731 ms: coils off after", took_ms, "ms", 731, 731 + 12.5 + 1.0);
    cr_assert_leq(took_ms, 731 + 12.5 + 1.0);
}

Test(firmware_limits, contacts_cut_at_once)
{
    static const struct {
        enum chip_input input;
        enum wire_event_kind kind;
        const char *name;
    } cases[] = {{CHIP_EMERGENCY_STOP, WIRE_EVENT_EMERGENCY_STOP, "emergency stop"},
                 {CHIP_LIMIT_SWITCH, WIRE_EVENT_LIMIT_SWITCH, "limit switch"},
                 {CHIP_DRIVER_FAULT, WIRE_EVENT_DRIVER_FAULT, "driver fault"}};
    for (unsigned i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cr_assert(host_arm(h, -5000, 600000, 1000000, 60000) == WIRE_ACCEPTED);
        push();
        const uint64_t at = chip_cycle(h->chip);
        chip_set(h->chip, cases[i].input, true);
        cut_after(at, cases[i].name, cases[i].kind);
        const int64_t position = chip_figures(h->chip).position;
        host_wait_ms(h, 100);
        cr_assert_eq(chip_figures(h->chip).position, position);
        chip_set(h->chip, cases[i].input, false);
        host_wait_ms(h, 10);
        cr_assert_not(chip_figures(h->chip).coils); /* released is not armed */
    }
}

Test(firmware_limits, a_spike_on_a_contact_does_not_cut)
{
    cr_assert(host_arm(h, -5000, 600000, 1000000, 60000) == WIRE_ACCEPTED);
    for (unsigned i = 0; i < 200; i++) {
        chip_set(h->chip, CHIP_LIMIT_SWITCH, true);
        host_wait_until(h, chip_cycle(h->chip) + 800); /* 50 us */
        chip_set(h->chip, CHIP_LIMIT_SWITCH, false);
        host_wait_until(h, chip_cycle(h->chip) + CHIP_MS(3) + 37);
    }
    cr_assert_eq(h->event_count, 1);
    cr_assert(chip_figures(h->chip).coils);
    cr_assert(host_command(h, WIRE_CUT, NULL, 0) == WIRE_ACCEPTED);
}

Test(firmware_limits, a_silent_converter_cuts)
{
    cr_assert(host_arm(h, -5000, 600000, 1000000, 60000) == WIRE_ACCEPTED);
    push();
    chip_pace_converter(h->chip, 0);
    const struct wire_event *event = host_event(h, 100);
    cr_assert(event != NULL && event->kind == WIRE_EVENT_FORCE_LIMIT);
    cr_assert_not(chip_figures(h->chip).coils);
    host_wait_ms(h, 200);
    cr_assert(h->samples[h->sample_count - 1].flags & WIRE_FLAG_OVER_RANGE);
    chip_pace_converter(h->chip, SAMPLE_CYCLES);
    host_wait_ms(h, 200);
    cr_assert_eq(h->samples[h->sample_count - 1].flags, 0);
}

static void silence(void)
{
    const uint64_t heard = chip_cycle(h->chip);
    h->keep_alive = false;
    const unsigned before = h->event_count;
    host_wait_ms(h, 480);
    cr_assert_eq(h->event_count, before);
    cr_assert(host_event(h, 60) != NULL);
    const struct wire_event *event = &h->events[before];
    cr_assert_eq(event->kind, WIRE_EVENT_WATCHDOG);
    cr_assert_geq(event->value, 500);
    cr_assert_leq(event->value, 501);
    const double took_ms = (double)(h->event_cycles[before] - heard) / (CHIP_HZ / 1000);
    host_figure("watchdog: told after the last frame", took_ms, "ms", 498, 502);
    host_wait_ms(h, 30);
    const unsigned samples = h->sample_count;
    host_wait_ms(h, 100);
    cr_assert_eq(h->sample_count, samples, "it samples on");
    cr_assert(host_arm(h, -5000, 600000, 1000000, 60000) == WIRE_REFUSED_NOT_CONFIGURED);
}

Test(firmware_limits, a_silent_host_cuts_within_500_ms)
{
    cr_assert(host_arm(h, -5000, 600000, 1000000, 60000) == WIRE_ACCEPTED);
    push();
    host_command(h, WIRE_IDENTIFY, NULL, 0);
    const uint64_t heard = chip_cycle(h->chip);
    silence();
    const double off_ms = (double)(h->coils_off_cycle - heard) / (CHIP_HZ / 1000);
    host_figure("watchdog: coils off after the last frame", off_ms, "ms", 0, 500.5);
    cr_assert_leq(off_ms, 500.5);
}

Test(firmware_limits, a_silent_host_ends_sampling)
{
    host_command(h, WIRE_IDENTIFY, NULL, 0);
    silence();
}

Test(firmware_limits, broken_frames_and_rig_types_are_no_sign_of_a_host)
{
    cr_assert(host_arm(h, -5000, 600000, 1000000, 60000) == WIRE_ACCEPTED);
    h->keep_alive = false;
    const uint64_t heard = chip_cycle(h->chip);
    while (chip_cycle(h->chip) < heard + CHIP_MS(520)) {
        host_send(h, WIRE_STATUS, NULL, 0);
        static const uint8_t bad[] = {2, 7, 1, 5, 0xAA, 0xBB, 0xCC, 0xDD, 0};
        for (unsigned i = 0; i < sizeof bad; i++)
            chip_send(h->chip, bad[i]);
        host_wait_ms(h, 20);
    }
    cr_assert_eq(h->event_count, 2);
    cr_assert_eq(h->events[1].kind, WIRE_EVENT_WATCHDOG);
}
