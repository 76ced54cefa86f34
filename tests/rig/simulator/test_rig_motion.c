#include "tests/rig/simulator/rig_bench.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>

Test(rig_motion, watchdog_trips_500_ms_after_the_last_frame)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_expect_eq(rig_state_watchdog_due_us(b->rig), INT64_MAX);
    bench_wait_us(b, 123456);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(b, 2000, 20000, 0), WIRE_ACCEPTED);
    bench_wait_us(b, 400000);
    bench_send(b, WIRE_KEEP_ALIVE, NULL, 0);
    /* neither noise nor an echo of the rig's own frames is a host */
    for (int i = 0; i < 40; i++) {
        static const uint8_t noise[] = {0x13, 0x77, 0x00, 0x02, 0x00};
        bench_wait_us(b, 10000);
        rig_state_receive(b->rig, b->now_us, noise, sizeof noise);
        bench_send(b, WIRE_STATUS, noise, 3);
    }
    cr_expect_eq(rig_state_watchdog_due_us(b->rig), 123456 + 900000);
    bench_wait_us(b, 99999);
    cr_expect(bench_first_event(b, WIRE_EVENT_WATCHDOG) == NULL);
    bench_wait_us(b, 1);
    const struct heard *h = bench_first_event(b, WIRE_EVENT_WATCHDOG);
    cr_assert(h != NULL);
    cr_expect_eq(h->as.event.time_us, 123456 + 900000);
    cr_expect_eq(h->as.event.value, 500);
    cr_expect_eq(b->sample_count, 900);
    bench_run_us(b, 1000000);
    cr_expect_eq(b->sample_count, 900, "sampling has stopped");
    cr_expect_eq(bench_last(b, WIRE_STATUS)->as.status.state, WIRE_STATE_IDLE);
    cr_expect_eq(bench_arm_wide(b), WIRE_REFUSED_NOT_CONFIGURED);
    cr_expect_eq(rig_state_watchdog_due_us(b->rig), INT64_MAX);
    bench_free(b);
}

Test(rig_motion, watchdog_also_guards_sampling_alone)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 80000, "x"), WIRE_ACCEPTED);
    bench_wait_us(b, 5000000);
    cr_expect_eq(bench_first_event(b, WIRE_EVENT_WATCHDOG)->as.event.time_us, 500000);
    cr_expect_eq(b->sample_count, 40);
    bench_free(b);
}

/* After a cut: the sample that showed the limit is the last before the event, none before it was over, and
 * the position no longer changes. */
static void expect_cut_within_one_sample(struct bench *b, const struct heard *event)
{
    cr_assert(event != NULL);
    const size_t last = event->samples_before - 1;
    cr_expect_eq(event->as.event.time_us, b->samples[last].time_us);
    bench_run_us(b, 50000);
    cr_assert(b->sample_count > last + 20);
    for (size_t i = last + 1; i < b->sample_count; i++)
        cr_expect_eq(b->samples[i].commanded_steps, b->samples[last].commanded_steps);
    for (size_t i = last + 2; i < b->sample_count; i++)
        cr_expect(fabs(bench_force_n(b, i)) < 3, "the filament has sprung back: %g N", bench_force_n(b, i));
    cr_expect_eq(bench_move(b, 500, 5000, 0), WIRE_REFUSED_NOT_ARMED);
}

Test(rig_motion, force_limit_cuts_within_one_sample)
{
    struct bench *b = bench_new(1, 1);
    const int32_t limit =
        (int32_t)(b->feeders[0].sensor.zero_counts + 40.5 * b->feeders[0].sensor.gain_counts_per_n);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_assert_eq(bench_arm(b, -400000, limit, 100000, 60000), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(b, 2546.25, 50000, 0), WIRE_ACCEPTED);
    bench_run_us(b, 1000000);
    const struct heard *h = bench_first_event(b, WIRE_EVENT_FORCE_LIMIT);
    cr_assert(h != NULL);
    const size_t last = h->samples_before - 1;
    cr_expect_eq(h->as.event.value, b->samples[last].force_counts);
    cr_expect(b->samples[last].force_counts >= limit);
    for (size_t i = 0; i < last; i++)
        cr_expect(b->samples[i].force_counts < limit);
    expect_cut_within_one_sample(b, h);
    bench_free(b);
}

Test(rig_motion, low_force_limit_and_over_range_cut_too)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    const int32_t zero = (int32_t)b->feeders[0].sensor.zero_counts;
    cr_assert_eq(bench_arm(b, zero - 1200, zero + 400000, 100000, 60000),
                 WIRE_ACCEPTED); /* one sd of the noise */
    bench_run_us(b, 300000);
    struct heard *h = bench_first_event(b, WIRE_EVENT_FORCE_LIMIT);
    cr_assert(h != NULL);
    cr_expect(h->as.event.value <= zero - 1200);
    expect_cut_within_one_sample(b, h);
    bench_free(b);

    b = bench_new(1, 1);
    b->feeders[0].sensor.counts_max = zero + 100000; /* 25 N */
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(b, 2546.25, 50000, 0), WIRE_ACCEPTED);
    bench_run_us(b, 1000000);
    h = bench_first_event(b, WIRE_EVENT_FORCE_LIMIT);
    cr_assert(h != NULL);
    cr_expect_eq(h->as.event.value, zero + 100000);
    cr_expect_eq(b->samples[h->samples_before - 1].flags, WIRE_FLAG_OVER_RANGE);
    cr_expect_eq(b->samples[h->samples_before - 2].flags, 0);
    expect_cut_within_one_sample(b, h);
    bench_free(b);
}

Test(rig_motion, travel_limit_cuts_within_one_sample)
{
    for (int sign = -1; sign <= 1; sign += 2) {
        struct bench *b = bench_new(1, 1);
        bench_start(b);
        cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
        cr_assert_eq(bench_arm(b, -8000000, 8000000, 387, 60000), WIRE_ACCEPTED);
        cr_assert_eq(bench_move(b, 2546.25 * sign, 50000, 387), WIRE_ACCEPTED);
        bench_run_us(b, 500000);
        cr_expect(bench_first_event(b, WIRE_EVENT_TRAVEL_LIMIT) == NULL, "at the limit is not beyond it");
        cr_assert_eq(bench_move(b, 2546.25 * sign, 50000, 0), WIRE_ACCEPTED);
        bench_run_us(b, 500000);
        const struct heard *h = bench_first_event(b, WIRE_EVENT_TRAVEL_LIMIT);
        cr_assert(h != NULL);
        const size_t last = h->samples_before - 1;
        cr_expect_eq(h->as.event.value, b->samples[last].commanded_steps);
        cr_expect(abs(b->samples[last].commanded_steps) > 387);
        cr_expect(abs(b->samples[last - 1].commanded_steps) <= 387);
        expect_cut_within_one_sample(b, h);
        bench_free(b);
    }
}

Test(rig_motion, time_limit_cuts_within_one_sample)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    bench_run_us(b, 100300);
    cr_assert_eq(bench_arm(b, -8000000, 8000000, 100000, 321), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(b, 700, 50000, 0), WIRE_ACCEPTED);
    bench_run_us(b, 500000);
    const struct heard *h = bench_first_event(b, WIRE_EVENT_TIME_LIMIT);
    cr_assert(h != NULL);
    cr_expect_eq(h->as.event.time_us, 422000, "the first sample 321 ms after 100.3 ms");
    cr_expect_eq(h->as.event.value, 321);
    expect_cut_within_one_sample(b, h);
    bench_free(b);
}

Test(rig_motion, travel_is_exact_and_arming_sets_the_position_to_zero)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    for (int round = 0; round < 2; round++) {
        cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
        cr_assert_eq(bench_move(b, 1273.239, 12345, 317), WIRE_ACCEPTED);
        bench_run_us(b, 600000);
        cr_expect_eq(bench_last(b, WIRE_EVENT)->as.event.kind, WIRE_EVENT_MOTION_DONE);
        cr_expect_eq(bench_last(b, WIRE_EVENT)->as.event.value, 317);
        cr_assert_eq(bench_move(b, -90.001, 12345, 18), WIRE_ACCEPTED);
        bench_run_us(b, 600000);
        cr_expect_eq(bench_last(b, WIRE_EVENT)->as.event.value, 299);
        cr_expect_eq(b->samples[b->sample_count - 1].commanded_steps, 299);
        cr_expect_eq(bench_command(b, WIRE_CUT, NULL, 0), WIRE_ACCEPTED);
        bench_run_us(b, 10000);
    }
    bench_free(b);
}

Test(rig_motion, a_move_has_the_speed_it_was_given)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(b, 437.75, 8755, 0), WIRE_ACCEPTED); /* ramps for 50 ms */
    bench_run_us(b, 2050000);
    bench_send(b, WIRE_IDENTIFY, NULL, 0);
    cr_assert_eq(b->sample_count, 2050);
    /* sample k was taken k + 1 ms after the move */
    cr_expect_eq(b->samples[2049].commanded_steps, 886, "10.94 on the ramp and 875.5 after it");
    cr_expect_eq(b->samples[49].commanded_steps, 11);
    cr_expect_eq(b->samples[24].commanded_steps, 3);
    bench_free(b);
}

Test(rig_motion, stop_ramps_down_and_stays_armed)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_assert_eq(bench_command(b, WIRE_STOP, NULL, 0), WIRE_ACCEPTED);
    cr_expect_eq(bench_last(b, WIRE_EVENT)->as.event.kind, WIRE_EVENT_MOTION_DONE, "nothing moved");
    cr_assert_eq(bench_move(b, 1000, 5000, 0), WIRE_ACCEPTED);
    bench_run_us(b, 700000); /* 200 ms and 100 steps of ramp, then 500 */
    cr_assert_eq(bench_command(b, WIRE_STOP, NULL, 0), WIRE_ACCEPTED);
    bench_wait_us(b, 199000);
    cr_expect_eq(bench_last(b, WIRE_EVENT)->as.event.value, 0, "still the stop from before");
    bench_wait_us(b, 1000);
    cr_expect_eq(bench_last(b, WIRE_EVENT)->as.event.kind, WIRE_EVENT_MOTION_DONE);
    cr_expect_eq(bench_last(b, WIRE_EVENT)->as.event.value, 700);
    bench_run_us(b, 500000);
    cr_expect(bench_force_n(b, b->sample_count - 1) > 20, "the coils still hold");
    cr_expect_eq(bench_last(b, WIRE_STATUS)->as.status.state, WIRE_STATE_ARMED);
    cr_assert_eq(bench_command(b, WIRE_CUT, NULL, 0), WIRE_ACCEPTED);
    const size_t at_cut = b->sample_count;
    bench_run_us(b, 30000);
    for (size_t i = at_cut + 1; i < b->sample_count; i++) {
        cr_expect(fabs(bench_force_n(b, i)) < 3, "after the cut: %g N", bench_force_n(b, i));
        cr_expect_eq(b->samples[i].commanded_steps, 700);
    }
    bench_free(b);
}

Test(rig_motion, a_new_move_takes_over_from_a_running_one)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(b, 1000, 5000, 5000), WIRE_ACCEPTED);
    bench_run_us(b, 700000); /* at 600 */
    cr_expect_eq(bench_move(b, 1000, 5000, 99), WIRE_REFUSED_OUT_OF_RANGE, "braking takes 100");
    cr_assert_eq(bench_move(b, -500, 5000, 250), WIRE_ACCEPTED);
    bench_run_us(b, 2000000);
    cr_expect_eq(bench_last(b, WIRE_EVENT)->as.event.value, 350);
    size_t done = 0;
    for (size_t i = 0; i < b->frame_count; i++)
        done += b->frames[i].type == WIRE_EVENT && b->frames[i].as.event.kind == WIRE_EVENT_MOTION_DONE;
    cr_expect_eq(done, 1);
    bench_free(b);
}
