#include "tests/rig/simulator/rig_bench.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

Test(rig_state, boot_is_told_first_and_status_once_a_second)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    bench_wait_us(b, 3700000);
    cr_assert_eq(b->frame_count, 4);
    cr_expect_eq(b->frames[0].as.event.kind, WIRE_EVENT_BOOT);
    cr_expect_eq(b->frames[0].as.event.value, 0x40FFEE11);
    for (uint32_t i = 1; i < 4; i++) {
        cr_expect_eq(b->frames[i].type, WIRE_STATUS);
        cr_expect_eq(b->frames[i].sequence, i);
        cr_expect_eq(b->frames[i].as.status.time_us, i * 1000000);
        cr_expect_eq(b->frames[i].as.status.boot, 0xC0FFEE11u);
        cr_expect_eq(b->frames[i].as.status.state, WIRE_STATE_IDLE);
    }
    bench_free(b);
}

Test(rig_state, identify_tells_what_the_rig_is)
{
    struct bench *b = bench_new(1, 3);
    b->setup.time_scale_milli = 17500;
    b->setup.protocol_major = 9;
    b->feeders[2].motor.full_steps_per_rev = 400;
    bench_start(b);
    cr_assert_eq(bench_command(b, WIRE_IDENTIFY, NULL, 0), WIRE_ACCEPTED);
    const struct heard *h = bench_last(b, WIRE_IDENTITY);
    cr_assert(h != NULL);
    cr_expect_eq(h->as.identity.protocol_major, 9);
    cr_expect_eq(h->as.identity.channels, 7);
    cr_expect_eq(h->as.identity.boot, 0xC0FFEE11u);
    cr_expect_eq(h->as.identity.time_scale_milli, 17500);
    cr_expect_eq(h->as.identity.sample_rate_max_millihertz, 100000000u);
    cr_expect_eq(h->as.identity.counts_min, b->feeders[0].sensor.counts_min);
    cr_expect_eq(h->as.identity.counts_max, b->feeders[0].sensor.counts_max);
    cr_expect_eq(h->as.identity.encoder_nm_per_count, 5000);
    cr_expect_eq(h->as.identity.full_steps_per_rev, 0, "the feeders' motors differ");
    cr_expect_eq(h->as.identity.microsteps, 16);
    cr_expect_str_eq(h->as.identity.serial, "BENCH 7");
    bench_free(b);
}

Test(rig_state, commands_out_of_order_are_refused)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_expect_eq(bench_move(b, 500, 5000, 100), WIRE_REFUSED_NOT_ARMED);
    cr_expect_eq(bench_command(b, WIRE_STOP, NULL, 0), WIRE_REFUSED_NOT_ARMED);
    cr_expect_eq(bench_command(b, WIRE_CUT, NULL, 0), WIRE_ACCEPTED);
    cr_expect_eq(bench_arm_wide(b), WIRE_REFUSED_NOT_CONFIGURED);
    cr_expect_eq(bench_configure(b, 0, "x"), WIRE_ACCEPTED);
    cr_expect_eq(bench_arm_wide(b), WIRE_REFUSED_NOT_CONFIGURED, "not sampling");
    cr_expect_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_expect_eq(bench_move(b, 500, 5000, 100), WIRE_REFUSED_NOT_ARMED);
    cr_expect_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_expect_eq(bench_arm_wide(b), WIRE_REFUSED_ARMED);
    cr_expect_eq(bench_configure(b, 1000000, "x"), WIRE_REFUSED_ARMED);
    cr_expect_eq(bench_command(b, WIRE_CUT, NULL, 0), WIRE_ACCEPTED);
    cr_expect_eq(bench_move(b, 500, 5000, 100), WIRE_REFUSED_NOT_ARMED);
    bench_free(b);
}

Test(rig_state, numbers_out_of_range_are_refused)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_expect_eq(bench_configure(b, 999, "x"), WIRE_REFUSED_OUT_OF_RANGE);
    cr_expect_eq(bench_configure(b, 100000001u, "x"), WIRE_REFUSED_OUT_OF_RANGE);
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_configure preload = {1000000, 1000001, "x"};
    cr_expect_eq(bench_command(b, WIRE_CONFIGURE, body, wire_pack_configure(&preload, body)),
                 WIRE_REFUSED_OUT_OF_RANGE);
    cr_expect_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_expect_eq(bench_arm(b, 500, 500, 100, 100), WIRE_REFUSED_OUT_OF_RANGE);
    cr_expect_eq(bench_arm(b, -500, 500, 0, 100), WIRE_REFUSED_OUT_OF_RANGE);
    cr_expect_eq(bench_arm(b, -500, 500, 100, 0), WIRE_REFUSED_OUT_OF_RANGE);
    cr_expect_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_expect_eq(bench_move(b, 0, 5000, 100), WIRE_REFUSED_OUT_OF_RANGE);
    cr_expect_eq(bench_move(b, 500, 0, 100), WIRE_REFUSED_OUT_OF_RANGE);
    cr_expect_eq(bench_move(b, 1000001, 5000, 100), WIRE_REFUSED_OUT_OF_RANGE);
    cr_expect_eq(bench_move(b, 500, 5000, 2000000001u), WIRE_REFUSED_OUT_OF_RANGE);
    bench_free(b);
}

Test(rig_state, unknown_and_malformed_commands_are_refused_and_rig_types_ignored)
{
    struct bench *b = bench_new(1, 1);
    uint8_t body[8] = {1, 2, 3};
    bench_start(b);
    cr_expect_eq(bench_command(b, 0x00, NULL, 0), WIRE_REFUSED_UNKNOWN_COMMAND);
    for (unsigned type = 0x08; type < 0x80; type++)
        cr_expect_eq(bench_command(b, (uint8_t)type, NULL, 0), WIRE_REFUSED_UNKNOWN_COMMAND, "0x%02x", type);
    cr_expect_eq(bench_command(b, WIRE_CONFIGURE, body, 3), WIRE_REFUSED_MALFORMED);
    cr_expect_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_expect_eq(bench_command(b, WIRE_ARM, body, 3), WIRE_REFUSED_MALFORMED);
    cr_expect_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_expect_eq(bench_command(b, WIRE_MOVE, body, 3), WIRE_REFUSED_MALFORMED);
    for (unsigned type = 0x80; type < 0x100; type++)
        cr_expect_eq(bench_command(b, (uint8_t)type, body, 3), -1, "0x%02x", type);
    cr_expect_eq(bench_command(b, WIRE_KEEP_ALIVE, NULL, 0), -1, "keep-alives are not acknowledged");
    bench_free(b);
}

Test(rig_state, broken_frames_change_nothing)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    uint8_t body[WIRE_BODY_MAX];
    uint8_t frame[WIRE_ENCODED_MAX];
    const struct wire_move m = {800000, 16000, 640};
    const size_t n = wire_frame_encode(WIRE_MOVE, 77, body, wire_pack_move(&m, body), frame);
    const size_t before = b->frame_count;
    const uint64_t heard = rig_state_frames_heard(b->rig);
    for (size_t bit = 0; bit < 8 * n; bit++) {
        static const uint8_t closing[1] = {0};
        frame[bit / 8] ^= (uint8_t)(1u << bit % 8);
        rig_state_receive(b->rig, b->now_us, frame, n);
        rig_state_receive(b->rig, b->now_us, closing, 1);
        frame[bit / 8] ^= (uint8_t)(1u << bit % 8);
    }
    cr_expect_eq(b->frame_count, before);
    cr_expect_eq(rig_state_frames_heard(b->rig), heard);
    rig_state_receive(b->rig, b->now_us, frame, n);
    cr_expect_eq(bench_last(b, WIRE_ACK)->as.ack.sequence, 77);
    bench_free(b);
}

Test(rig_state, samples_lie_on_an_exact_grid)
{
    static const struct {
        uint32_t rate_millihertz;
        int64_t for_us;
    } cases[] = {{1000000, 2100000}, {80000, 3000000}, {333333, 3000000}, {10000, 5000000},
                 {100000000, 90000}, {1000, 30000000}, {3000, 9000000}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        struct bench *b = bench_new(1, 1);
        bench_start(b);
        bench_wait_us(b, 4321);
        cr_assert_eq(bench_configure(b, cases[c].rate_millihertz, "x"), WIRE_ACCEPTED);
        bench_run_us(b, cases[c].for_us);
        bench_send(b, WIRE_IDENTIFY, NULL, 0); /* makes the last batch go out */
        cr_expect_eq(b->sample_count,
                     (size_t)(cases[c].for_us * (int64_t)cases[c].rate_millihertz / 1000000000), "%u mHz",
                     cases[c].rate_millihertz);
        for (size_t k = 0; k < b->sample_count; k++)
            cr_assert_eq(b->samples[k].time_us,
                         4321 + (uint32_t)((uint64_t)(k + 1) * 1000000000u / cases[c].rate_millihertz),
                         "sample %zu at %u mHz", k, cases[c].rate_millihertz);
        bench_free(b);
    }
}

Test(rig_state, the_clock_of_samples_wraps_after_72_minutes)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    b->now_us = 4294900000;
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    bench_run_us(b, 200000);
    cr_assert(b->sample_count > 150);
    for (size_t k = 1; k < b->sample_count; k++)
        cr_assert_eq(b->samples[k].time_us - b->samples[k - 1].time_us, 1000);
    cr_expect_lt(b->samples[b->sample_count - 1].time_us, 200000);
    bench_free(b);
}

Test(rig_state, samples_wait_no_longer_than_20_ms_outside)
{
    static const uint32_t scales[] = {1000, 4000};
    for (size_t c = 0; c < 2; c++) {
        struct bench *b = bench_new(1, 1);
        b->setup.time_scale_milli = scales[c];
        bench_start(b);
        cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
        for (int ms = 1; ms < 300; ms++) {
            bench_wait_us(b, 1000);
            const size_t taken = (size_t)ms;
            const size_t most_waiting = 20 * scales[c] / 1000;
            cr_assert(b->sample_count <= taken && taken - b->sample_count <= most_waiting);
        }
        bench_free(b);
    }
}

/* A session of a few runs, the time cut into slices. */
static struct bench *session(uint64_t seed, int64_t slice_us)
{
    struct bench *b = bench_new(seed, 3);
    bench_start(b);
    for (int run = 0; run < 3; run++) {
        bench_command(b, WIRE_IDENTIFY, NULL, 0);
        bench_configure(b, 999900, run == 1 ? "gear-b" : "gear-a");
        bench_arm_wide(b);
        bench_move(b, 2546.5, 60000, 1200);
        for (int64_t part = 0; part < 3; part++) {
            bench_send(b, WIRE_KEEP_ALIVE, NULL, 0);
            const int64_t end_us = b->now_us + 233333;
            while (b->now_us < end_us)
                bench_wait_us(b, b->now_us + slice_us < end_us ? slice_us : end_us - b->now_us);
        }
        bench_command(b, WIRE_CUT, NULL, 0);
    }
    bench_wait_us(b, 1500000);
    return b;
}

Test(rig_state, same_seed_and_times_give_the_same_bytes)
{
    struct bench *coarse = session(99, 1000000);
    struct bench *fine = session(99, 777);
    struct bench *other = session(100, 1000000);
    cr_assert(coarse->sample_count > 2000);
    cr_assert_eq(fine->byte_count, coarse->byte_count);
    cr_assert(memcmp(fine->bytes, coarse->bytes, coarse->byte_count) == 0);
    cr_assert(other->byte_count != coarse->byte_count ||
              memcmp(other->bytes, coarse->bytes, coarse->byte_count) != 0);
    bench_free(coarse);
    bench_free(fine);
    bench_free(other);
}

Test(rig_state, a_full_buffer_drops_whole_batches_and_counts_them)
{
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    cr_assert_eq(bench_configure(b, 1000000, "x"), WIRE_ACCEPTED);
    bench_run_us(b, 300000);
    const size_t before = b->sample_count;
    b->refuse_samples = true;
    bench_run_us(b, 200000);
    cr_expect_eq(b->sample_count, before);
    b->refuse_samples = false;
    bench_run_us(b, 600000);
    bench_send(b, WIRE_IDENTIFY, NULL, 0);
    const struct heard *status = bench_last(b, WIRE_STATUS);
    cr_expect_eq(status->as.status.samples_dropped, 1100 - b->sample_count);
    cr_expect(status->as.status.samples_dropped >= 180 && status->as.status.samples_dropped <= 220);
    uint32_t gap = 0;
    for (size_t k = 1; k < b->sample_count; k++)
        if (b->samples[k].time_us - b->samples[k - 1].time_us != 1000)
            gap += (b->samples[k].time_us - b->samples[k - 1].time_us) / 1000 - 1;
    cr_expect_eq(gap, status->as.status.samples_dropped);
    /* ten batches of 20 ms were dropped: the sequence shows them */
    size_t sent = 0;
    for (size_t i = 0; i < b->byte_count; i++)
        sent += b->bytes[i] == 0;
    cr_expect_eq(b->frames[b->frame_count - 1].sequence + 1u - sent,
                 (status->as.status.samples_dropped + 10) / 21);
    bench_free(b);
}

Test(rig_state, feeders_are_mounted_by_name)
{
    struct bench *b = bench_new(1, 3);
    b->feeders[1].motor.holding_torque_nm *= 0.5;
    bench_start(b);
    cr_expect_eq(bench_configure(b, 1000000, "gear-x"), WIRE_REFUSED_NO_SUCH_FEEDER);
    cr_expect_eq(bench_configure(b, 1000000, ""), WIRE_REFUSED_NO_SUCH_FEEDER);
    cr_expect_eq(bench_arm_wide(b), WIRE_REFUSED_NOT_CONFIGURED);
    static const char *const names[] = {"gear-b", "gear-a", "gear-b"};
    for (size_t i = 0; i < 3; i++) {
        cr_assert_eq(bench_configure(b, 1000000, names[i]), WIRE_ACCEPTED);
        cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
        cr_assert_eq(bench_move(b, 1273, 50000, 100), WIRE_ACCEPTED);
        cr_assert_eq(bench_command(b, WIRE_CUT, NULL, 0), WIRE_ACCEPTED);
    }
    cr_assert_eq(rig_state_run_count(b->rig), 3);
    cr_expect_eq(rig_state_run(b->rig, 0)->feeder, 1);
    cr_expect_eq(rig_state_run(b->rig, 1)->feeder, 0);
    cr_expect_float_eq(rig_state_run(b->rig, 0)->nominal.motor_limit_n,
                       rig_state_run(b->rig, 1)->nominal.motor_limit_n / 2, 1e-6);
    cr_expect_neq(rig_state_run(b->rig, 0)->realised.grip_limit_n,
                  rig_state_run(b->rig, 2)->realised.grip_limit_n, "mounted anew in between");
    bench_free(b);
}

Test(rig_state, the_same_name_stays_mounted)
{
    struct bench *b = bench_new(1, 1);
    static const char *const names[] = {"left", "left", "right"};
    double grip_n[3];
    b->feeders[0].spread.repeat = 0;
    b->feeders[0].spread.refit = 0.1;
    b->feeders[0].nip.wear_per_m = 0;
    bench_start(b);
    for (size_t i = 0; i < 3; i++) {
        cr_assert_eq(bench_configure(b, 1000000, names[i]), WIRE_ACCEPTED,
                     "a single feeder goes by any name");
        cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
        cr_assert_eq(bench_move(b, 1273, 50000, 100), WIRE_ACCEPTED);
        cr_assert_eq(bench_command(b, WIRE_CUT, NULL, 0), WIRE_ACCEPTED);
        grip_n[i] = rig_state_run(b->rig, i)->realised.grip_limit_n;
    }
    cr_expect_float_eq(grip_n[0], grip_n[1], 1e-9);
    cr_expect(fabs(grip_n[0] - grip_n[2]) > 1e-3);
    bench_free(b);
}

Test(rig_state, truth_is_kept_for_armed_runs_that_moved)
{
    struct bench *b = bench_new(1, 1);
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_configure m = {1000000, 61500, "x"};
    bench_start(b);
    cr_assert_eq(bench_command(b, WIRE_CONFIGURE, body, wire_pack_configure(&m, body)), WIRE_ACCEPTED);
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_assert_eq(bench_command(b, WIRE_CUT, NULL, 0), WIRE_ACCEPTED);
    cr_expect_eq(rig_state_run_count(b->rig), 0);
    cr_assert_eq(bench_arm_wide(b), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(b, -300, 50000, 100), WIRE_ACCEPTED);
    bench_run_us(b, 500000);
    cr_expect_eq(rig_state_run_count(b->rig), 1);
    const double mm = model_feed_per_microstep_mm(&b->feeders[0], 61.5);
    cr_expect_float_eq(rig_state_run(b->rig, 0)->speed_mm_s, -300 * mm, 1e-9);
    const uint64_t changed = rig_state_runs_changed(b->rig);
    cr_assert_eq(bench_move(b, 1273.5, 50000, 100), WIRE_ACCEPTED);
    bench_run_us(b, 500000);
    cr_expect_neq(rig_state_runs_changed(b->rig), changed);
    cr_assert_eq(bench_move(b, -300, 50000, 100), WIRE_ACCEPTED);
    const struct rig_run *run = rig_state_run(b->rig, 0);
    cr_assert_eq(rig_state_run_count(b->rig), 1);
    cr_expect(rig_state_run(b->rig, 1) == NULL);
    cr_expect_float_eq(run->speed_mm_s, 1273.5 * mm, 1e-9, "the latest forward move counts");
    cr_expect_float_eq(run->nip_preload_n, 61.5, 1e-12);
    const struct model_truth t = model_truth_nominal(&b->feeders[0], 61.5, run->speed_mm_s);
    cr_expect_float_eq(run->nominal.stall_force_n, t.stall_force_n, 1e-12);
    bench_free(b);
}

Test(rig_state, random_bytes_move_nothing)
{
    const char *text = getenv("NIPBENCH_TEST_SEED");
    uint64_t state = text != NULL ? strtoull(text, NULL, 10) : 8191u;
    printf("random bytes: NIPBENCH_TEST_SEED=%llu\n", (unsigned long long)state);
    struct bench *b = bench_new(1, 1);
    bench_start(b);
    for (int round = 0; round < 400; round++) {
        uint8_t bytes[512];
        for (size_t i = 0; i < sizeof bytes; i++) {
            state = state * 6364136223846793005u + 1442695040888963407u;
            bytes[i] = (uint8_t)((state >> 60) == 0 ? 0 : state >> 40);
        }
        bench_wait_us(b, 1000);
        rig_state_receive(b->rig, b->now_us, bytes, sizeof bytes);
    }
    cr_expect_eq(b->frame_count, 1, "only the boot event");
    cr_expect_eq(rig_state_frames_heard(b->rig), 0);
    bench_free(b);
}
