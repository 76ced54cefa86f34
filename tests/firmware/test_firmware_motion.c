/* Steps as they leave the pin: how many, when, and whether they lie on the trapezoid. */
#include "tests/firmware/host.h"

#include <criterion/criterion.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static struct host *h;
static bool pulses_cut; /* on purpose, and so shorter */

static void start(void)
{
    h = host_new();
    h->keep_alive = true;
    h->encoder_every = 3;
    cr_assert(host_configure(h, 80000) == WIRE_ACCEPTED);
    cr_assert(host_arm_freely(h) == WIRE_ACCEPTED);
}

static void end(void)
{
    const struct chip_figures f = chip_figures(h->chip);
    cr_assert_eq(f.steps_off, 0);
    if (f.steps > 0 && !pulses_cut)
        cr_assert_geq(f.pulse_least_cycles, 2 * CHIP_CYCLES_PER_US, "a pulse under 2 us");
    cr_assert_geq(f.direction_least_cycles, 20 * CHIP_CYCLES_PER_US, "a turn in under 20 us");
    host_free(h);
}

TestSuite(firmware_motion, .init = start, .fini = end);

static int32_t finish(unsigned ms)
{
    const struct wire_event *event = host_event(h, ms);
    cr_assert(event != NULL, "the motion does not end");
    cr_assert(event->kind == WIRE_EVENT_MOTION_DONE, "%s, %d", wire_event_text(event->kind), event->value);
    cr_assert_eq(event->value, (int)chip_figures(h->chip).position);
    return event->value;
}

Test(firmware_motion, a_million_steps_are_a_million_steps)
{
    cr_assert(host_move(h, 20000000, 100000, 1000000) == WIRE_ACCEPTED);
    cr_assert_eq(finish(60000), 1000000);
    host_figure("steps of a move of 1000000", (double)chip_figures(h->chip).steps, "1", 1000000, 1000000);
    cr_assert_eq(chip_figures(h->chip).steps, 1000000);
    cr_assert_eq(h->missing, 0);
    /* 50.2 s by the trapezoid; one step's time is 50 us. */
    const uint64_t took = h->step_count > 0 ? h->event_cycles[1] - h->steps[0].cycle : 0;
    cr_assert_lt(fabs((double)took / CHIP_HZ - 50.2), 0.01);
}

Test(firmware_motion, many_moves_add_up)
{
    int64_t sum = 0;
    h->draws.state = 20261128;
    for (unsigned i = 0; i < 60; i++) {
        const int32_t travel = 1 + (int32_t)host_draw(h, 900);
        const int32_t speed = (int32_t)(100 + host_draw(h, 19900)) * 1000;
        const bool forward = host_draw(h, 2) == 0;
        cr_assert(host_move(h, forward ? speed : -speed, 1000u + host_draw(h, 1000000), (uint32_t)travel) ==
                  WIRE_ACCEPTED);
        sum += forward ? travel : -travel;
        cr_assert_eq(finish(5000), (int)sum, "move %u", i);
    }
    host_wait_ms(h, 30);
    cr_assert_eq(h->samples[h->sample_count - 1].commanded_steps, (int)sum);
    cr_assert_eq(h->samples[h->sample_count - 1].encoder_counts, (int)(sum / 3));
}

/* Largest distance of edges from an even grid, in cycles: half the range of what is left when the steady
 * period is taken off. */
static double jitter_cycles(unsigned from, unsigned to, double period)
{
    double least = INFINITY;
    double most = -INFINITY;
    for (unsigned i = from; i < to; i++) {
        const double off = (double)(h->steps[i].cycle - h->steps[from].cycle) - period * (i - from);
        least = fmin(least, off);
        most = fmax(most, off);
    }
    return most - least;
}

/* With everything else going on at once: samples, encoder, keep-alives, commands and their answers. */
static double jitter_at(int32_t steps_s)
{
    cr_assert(host_move(h, steps_s * 1000, 200000, 0) == WIRE_ACCEPTED);
    host_wait_ms(h, 250);
    const unsigned from = h->step_count;
    for (unsigned i = 0; i < 50; i++) {
        host_send(h, WIRE_IDENTIFY, NULL, 0);
        host_send(h, 0x08, (const uint8_t[16]){0}, 16);
        host_wait_ms(h, 20);
    }
    const unsigned to = h->step_count < HOST_STEPS ? h->step_count : HOST_STEPS;
    cr_assert_gt(to - from, (unsigned)steps_s * 95 / 100, "too few steps");
    return jitter_cycles(from, to, (double)CHIP_HZ / steps_s);
}

Test(firmware_motion, steps_are_even)
{
    static const int32_t speeds[] = {20000, 13007, 3203, 127};
    for (unsigned i = 0; i < sizeof speeds / sizeof speeds[0]; i++) {
        h->step_count = 0;
        const double jitter = jitter_at(speeds[i]);
        char name[64];
        snprintf(name, sizeof name, "jitter at %d steps/s", speeds[i]);
        host_figure(name, jitter / CHIP_CYCLES_PER_US, "us", 0, 5);
        cr_expect_lt(jitter, 5.0 * CHIP_CYCLES_PER_US, "at %d steps/s", speeds[i]);
    }
}

struct trapezoid {
    double v, a, travel;
};

static double place(const struct trapezoid *z, double t)
{
    const double peak = fmin(z->v, sqrt(z->a * z->travel));
    const double up = peak / z->a;
    const double cruise = (z->travel - peak * up) / peak;
    if (t <= 0)
        return 0;
    if (t < up)
        return z->a * t * t / 2;
    if (t < up + cruise)
        return peak * up / 2 + peak * (t - up);
    const double left = 2 * up + cruise - t;
    return left <= 0 ? z->travel : z->travel - z->a * left * left / 2;
}

/* How far, in microsteps, steps are from the trapezoid that begins at the tick after the command: a step is
 * due where the trapezoid passes the middle between two. The beginning is known but for the tick, so the
 * first step tells it. */
static double off_trapezoid(const struct trapezoid *z)
{
    const double begin = (double)h->steps[0].cycle / CHIP_HZ - sqrt(1 / z->a);
    double worst = 0;
    for (unsigned i = 0; i < h->step_count && i < HOST_STEPS; i++) {
        const double t = (double)h->steps[i].cycle / CHIP_HZ - begin;
        worst = fmax(worst, fabs(place(z, t) - (i + 0.5)));
    }
    return worst;
}

Test(firmware_motion, ramps_lie_on_the_trapezoid)
{
    static const struct trapezoid cases[] = {{2000, 1000, 5000},   {1000, 700, 2000},  {20000, 100000, 30000},
                                             {20000, 30000, 4000}, {127.3, 2500, 600}, {5000, 40000, 57}};
    for (unsigned i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const struct trapezoid *z = &cases[i];
        h->step_count = 0;
        cr_assert(host_move(h, (int32_t)lround(z->v * 1000), (uint32_t)z->a, (uint32_t)z->travel) ==
                  WIRE_ACCEPTED);
        finish(60000);
        cr_assert_eq(h->step_count, (unsigned)z->travel);
        const double off = off_trapezoid(z);
        char name[96];
        snprintf(name, sizeof name, "off the trapezoid: %g steps/s, %g steps/s2, %g steps", z->v, z->a,
                 z->travel);
        host_figure(name, off, "step", 0, 1);
        /* Where braking begins within a tick the corner is cut: less than a step. */
        cr_expect_lt(off, 1.0, "case %u", i);
    }
}

Test(firmware_motion, a_stop_ramps_down_and_stays_armed)
{
    cr_assert(host_command(h, WIRE_STOP, NULL, 0) == WIRE_ACCEPTED);
    cr_assert_eq(finish(5), 0); /* nothing moves: at once */
    cr_assert(host_move(h, 4000000, 20000, 0) == WIRE_ACCEPTED);
    host_wait_ms(h, 500);
    const int64_t before = chip_figures(h->chip).position;
    cr_assert(host_command(h, WIRE_STOP, NULL, 0) == WIRE_ACCEPTED);
    /* v^2 / (2 a) = 400 steps in 0.2 s, and two ticks that were planned already. */
    const int32_t at = finish(300);
    cr_assert_lt(fabs((double)(at - before) - 400), 4000 * 2.5e-3);
    cr_assert(chip_figures(h->chip).coils);
    cr_assert(host_move(h, -4000000, 20000, (uint32_t)at) == WIRE_ACCEPTED);
    cr_assert_eq(finish(5000), 0);
}

Test(firmware_motion, a_new_move_changes_speed_direction_and_travel)
{
    cr_assert(host_move(h, 10000000, 50000, 0) == WIRE_ACCEPTED);
    host_wait_ms(h, 500);
    cr_assert(host_move(h, -3000000, 50000, 20000) == WIRE_ACCEPTED);
    const int64_t from = chip_figures(h->chip).position;
    const int32_t at = finish(20000);
    /* From where the feed was when the rig read it, a few steps before the acknowledgement. */
    cr_assert_lt(fabs((double)(at - from) + 20000), 10.0);
    int64_t furthest = 0;
    int64_t place_now = 0;
    for (unsigned i = 0; i < h->step_count && i < HOST_STEPS; i++) {
        place_now += h->steps[i].forward ? 1 : -1;
        if (place_now > furthest)
            furthest = place_now;
    }
    cr_assert_lt(fabs((double)(furthest - from) - 1000), 30.0); /* v^2 / (2 a) past it */
}

Test(firmware_motion, a_cut_in_mid_motion_loses_no_step_of_the_count)
{
    h->draws.state = 20261129;
    pulses_cut = true;
    host_wait_ms(h, 100);
    for (unsigned i = 0; i < 150; i++) {
        cr_assert(host_move(h, host_draw(h, 2) == 0 ? 20000000 : -20000000, 10000000, 0) == WIRE_ACCEPTED);
        host_wait_until(h, chip_cycle(h->chip) + CHIP_MS(6) + host_draw(h, 1601));
        cr_assert(host_command(h, WIRE_CUT, NULL, 0) == WIRE_ACCEPTED);
        const int64_t position = chip_figures(h->chip).position;
        host_wait_ms(h, 26);
        cr_assert_eq(h->samples[h->sample_count - 1].commanded_steps, (int)position, "cut %u", i);
        cr_assert(host_arm_freely(h) == WIRE_ACCEPTED);
        chip_count_from_zero(h->chip);
    }
}
