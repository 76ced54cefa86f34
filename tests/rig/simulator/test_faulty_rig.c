/* Faults at a time, and the settings: what the rig does, and what is told of it. */
#include "tests/rig/simulator/faulty_bench.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STEP_US 5000

/* The first cut, which every test here is about. */
static const struct rig_happening *cut_of(const struct faulty_bench *b)
{
    const struct rig_happening *h = faulty_bench_told(b, RIG_CUT, NULL, 0);
    cr_assert(h != NULL);
    return h;
}

static size_t frames_between(const struct faulty_bench *b, uint16_t first, uint16_t beyond)
{
    size_t count;
    size_t between = 0;
    struct found *const list = faulty_bench_receive(b, 0, &count);
    for (size_t i = 0; i < count; i++)
        between += list[i].sequence >= first && list[i].sequence < beyond;
    free(list);
    return between;
}

static void expect_lost_frames_are_told(const struct faulty_bench *b, const char *word)
{
    const struct rig_happening *begins = faulty_bench_told(b, RIG_FAULT, word, 0);
    const struct rig_happening *h;
    const struct rig_happening *ends = NULL;
    size_t lost = 0;
    for (size_t n = 1; (h = faulty_bench_told(b, RIG_FAULT, word, n)) != NULL; n++) {
        if (h->phase == RIG_PHASE_ENDS) {
            ends = h;
            break;
        }
        cr_expect_eq(h->phase, RIG_PHASE_NONE);
        cr_expect_eq(h->arrived, 0);
        cr_expect_eq(h->sequence, begins->sequence + lost);
        lost++;
    }
    cr_assert(begins != NULL && ends != NULL);
    cr_expect_eq(begins->phase, RIG_PHASE_BEGINS);
    cr_expect_eq(ends->sequence, begins->sequence + lost);
    cr_expect(lost > 0);
    cr_expect_eq(frames_between(b, begins->sequence, ends->sequence), 0);
    cr_expect_eq(frames_between(b, 0, begins->sequence), begins->sequence);
    const uint16_t last = rig_state_sequence(faulty_rig_state(b->faulty));
    cr_expect_eq(frames_between(b, ends->sequence, last), last - ends->sequence);
}

/* A session begins at 0 with sampling, so that T is also the time of the bench. */
Test(faulty_rig, the_log_tells_a_session_without_faults)
{
    struct faulty_bench *b = faulty_bench_new(1, NULL);
    uint8_t body[WIRE_BODY_MAX];
    const struct wire_move m = {400000, 20000, 200};
    faulty_bench_configure(b);
    faulty_bench_arm(b);
    faulty_bench_send(b, WIRE_MOVE, body, wire_pack_move(&m, body));
    faulty_bench_run(b, 1000000, STEP_US);
    faulty_bench_move(b, -300);
    faulty_bench_run(b, 1000000, STEP_US);
    faulty_bench_send(b, WIRE_STOP, NULL, 0);
    faulty_bench_run(b, 300000, STEP_US);
    faulty_bench_send(b, WIRE_CUT, NULL, 0);
    faulty_bench_wait(b, 1000000, STEP_US);
    static const struct {
        enum rig_happening_kind kind;
        const char *word;
        int64_t time_us;
    } wanted[] = {{RIG_POWER_ON, NULL, 0},
                  {RIG_CONFIGURED, NULL, 0},
                  {RIG_ARMED, NULL, 0},
                  {RIG_MOVE, NULL, 0},
                  {RIG_STANDING, "travel", 520000}, /* 20 ms ramps: 4 steps each, 192 at 400/s between */
                  {RIG_MOVE, NULL, 1000000},
                  {RIG_STOP, NULL, 2000000},
                  {RIG_STANDING, "stop", 2015000}, /* 300/s at 20000/s^2 */
                  {RIG_CUT, "host", 2300000},
                  {RIG_CUT, "watchdog", 2800000},
                  {RIG_SAMPLING_ENDED, "watchdog", 2800000}};
    cr_assert_eq(b->told_count, sizeof wanted / sizeof wanted[0]);
    for (size_t i = 0; i < b->told_count; i++) {
        cr_expect_eq(b->told[i].kind, wanted[i].kind, "%zu", i);
        cr_expect_eq(b->told[i].time_us, wanted[i].time_us, "%zu", i);
        if (wanted[i].word != NULL)
            cr_expect_str_eq(b->told[i].word, wanted[i].word);
    }
    cr_expect_eq(b->told[4].turned_us, 520000);
    cr_expect_eq(b->told[4].commanded_steps, 200);
    const struct rig_happening *cut = cut_of(b);
    cr_expect_eq(cut->turned_us, 2015000, "the motor stood when it was cut");
    cr_expect(cut->was_armed && !cut->was_moving);
    cr_expect(!b->told[9].was_armed);
    faulty_bench_free(b);
}

Test(faulty_rig, a_reboot_loses_all_that_the_rig_kept)
{
    struct faulty_bench *b = faulty_bench_new(1, "reboot@1.2345,clock-start=5000000000");
    faulty_bench_configure(b);
    faulty_bench_arm(b);
    faulty_bench_move(b, 500);
    faulty_bench_run(b, 1200000, STEP_US);
    const size_t before = b->byte_count;
    faulty_bench_run(b, 70000, STEP_US);
    cr_expect_eq(b->byte_count > before, true);
    const struct rig_happening *cut = cut_of(b);
    cr_expect_str_eq(cut->word, "reboot");
    cr_expect_eq(cut->time_us, 1234500);
    cr_expect_eq(cut->rig_us, 5001234500);
    cr_expect_eq(cut->turned_us, 5001234500);
    cr_expect(cut->was_armed && cut->was_moving);
    const struct rig_happening *power = faulty_bench_told(b, RIG_POWER_ON, NULL, 1);
    cr_assert(power != NULL);
    cr_expect_eq(power->time_us, 1234500);
    cr_expect_eq(power->rig_us, 5000000000);
    cr_expect_neq(power->boot, 0xBEE5u);
    /* nothing while it starts, then frames from number 0, the event of the boot first */
    faulty_bench_run(b, 2000000, STEP_US);
    size_t count;
    struct found *const list = faulty_bench_receive(b, before, &count);
    size_t at = 0;
    while (at < count && list[at].type == WIRE_SAMPLES)
        at++;
    cr_assert(at < count);
    struct wire_event event;
    cr_assert_eq(list[at].type, WIRE_EVENT);
    cr_expect_eq(list[at].sequence, 0);
    cr_assert_eq(wire_unpack_event(list[at].body, list[at].length, &event), WIRE_OK);
    cr_expect_eq(event.kind, WIRE_EVENT_BOOT);
    cr_expect_eq((uint32_t)event.value, power->boot);
    cr_expect_eq(event.time_us, (uint32_t)(5000000000 + 50000));
    struct wire_status status = {0};
    for (at++; at < count; at++) {
        cr_assert_eq(list[at].type, WIRE_STATUS, "it samples no more");
        cr_assert_eq(wire_unpack_status(list[at].body, list[at].length, &status), WIRE_OK);
    }
    cr_expect_eq(status.boot, power->boot);
    cr_expect_eq(status.state, WIRE_STATE_IDLE);
    free(list);
    /* samples that had not gone out are told as lost */
    size_t lost = 0;
    for (size_t i = 0; i < b->sample_count; i++)
        lost += !b->samples[i].framed;
    cr_expect(lost > 0 && lost <= 20, "%zu", lost);
    cr_expect_eq(b->sample_count, 1234);
    /* and it can be used again */
    const uint16_t next = b->sequence;
    faulty_bench_arm(b);
    faulty_bench_configure(b);
    faulty_bench_arm(b);
    faulty_bench_run(b, 100000, STEP_US);
    cr_expect_eq(faulty_bench_reason(b, next), WIRE_REFUSED_NOT_CONFIGURED);
    cr_expect_eq(faulty_bench_reason(b, next + 2), WIRE_ACCEPTED);
    faulty_bench_free(b);
}

Test(faulty_rig, a_rig_that_starts_hears_nothing)
{
    struct faulty_bench *b = faulty_bench_new(1, "reboot@0.5");
    faulty_bench_session(b, 500000, STEP_US);
    faulty_bench_wait(b, 49000, STEP_US);
    const uint16_t deaf = b->sequence;
    faulty_bench_configure(b);
    faulty_bench_wait(b, 1000, STEP_US);
    const uint16_t heard = b->sequence;
    faulty_bench_configure(b);
    faulty_bench_wait(b, 10000, STEP_US);
    cr_expect_eq(faulty_bench_reason(b, deaf), -1);
    cr_expect_eq(faulty_bench_reason(b, heard), WIRE_ACCEPTED);
    faulty_bench_free(b);
}

Test(faulty_rig, unplugged_takes_the_port_away_and_the_watchdog_runs)
{
    struct faulty_bench *b = faulty_bench_new(1, "unplugged@1.05+2.5");
    faulty_bench_session(b, 5000000, 100000);
    cr_expect_eq(b->unplugged_us, 1050000);
    cr_expect_eq(b->plugged_us, 3550000);
    const struct rig_happening *cut = cut_of(b);
    cr_expect_str_eq(cut->word, "watchdog");
    cr_expect_eq(cut->time_us, 1000000 + RIG_STATE_WATCHDOG_US);
    cr_expect_eq(cut->turned_us, cut->time_us);
    expect_lost_frames_are_told(b, "unplugged");
    faulty_bench_free(b);
}

Test(faulty_rig, severed_carries_nothing_either_way)
{
    struct faulty_bench *b = faulty_bench_new(1, "severed@1.05+2.5");
    faulty_bench_session(b, 5000000, STEP_US);
    cr_expect_eq(b->unplugged_us, -1);
    cr_expect_str_eq(cut_of(b)->word, "watchdog");
    cr_expect_eq(cut_of(b)->time_us, 1500000);
    expect_lost_frames_are_told(b, "severed");
    faulty_bench_free(b);
}

Test(faulty_rig, mute_loses_frames_and_the_rig_goes_on)
{
    struct faulty_bench *b = faulty_bench_new(1, "mute@1.05+2.5");
    faulty_bench_session(b, 5000000, STEP_US);
    cr_expect_null(faulty_bench_told(b, RIG_CUT, NULL, 0));
    expect_lost_frames_are_told(b, "mute");
    faulty_bench_free(b);
}

Test(faulty_rig, deaf_trips_the_watchdog_and_loses_no_frame)
{
    struct faulty_bench *b = faulty_bench_new(1, "deaf@1.05+0.7");
    struct wire_event event;
    faulty_bench_session(b, 3000000, STEP_US);
    cr_expect_str_eq(cut_of(b)->word, "watchdog");
    cr_expect_eq(cut_of(b)->time_us, 1500000);
    cr_assert(faulty_bench_event(b, WIRE_EVENT_WATCHDOG, &event));
    cr_expect_eq(event.time_us, 1500000);
    cr_expect_eq(event.value, 500);
    const uint16_t last = rig_state_sequence(faulty_rig_state(b->faulty));
    cr_expect_eq(frames_between(b, 0, last), last);
    const uint16_t again = b->sequence;
    faulty_bench_configure(b);
    cr_expect_eq(faulty_bench_reason(b, again), WIRE_ACCEPTED, "it hears again");
    faulty_bench_free(b);
}

/* 300 ms of silence are not enough for the watchdog: the end counts as well as the beginning. */
Test(faulty_rig, a_short_deafness_harms_nothing)
{
    struct faulty_bench *b = faulty_bench_new(1, "deaf@1.05+0.3,severed@2.05+0.3");
    faulty_bench_session(b, 4000000, STEP_US);
    cr_expect_null(faulty_bench_told(b, RIG_CUT, NULL, 0));
    faulty_bench_free(b);
}

Test(faulty_rig, switches_cut_tell_refuse_and_are_released)
{
    static const struct {
        const char *word;
        enum wire_flag flag;
        uint8_t event;
        int reason;
    } cases[] = {
        {"emergency-stop", WIRE_FLAG_EMERGENCY_STOP, WIRE_EVENT_EMERGENCY_STOP, WIRE_REFUSED_EMERGENCY_STOP},
        {"driver-fault", WIRE_FLAG_DRIVER_FAULT, WIRE_EVENT_DRIVER_FAULT, WIRE_REFUSED_DRIVER_FAULT},
        {"limit-switch", WIRE_FLAG_LIMIT_SWITCH, WIRE_EVENT_LIMIT_SWITCH, WIRE_REFUSED_LIMIT_SWITCH}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        char list[64];
        struct wire_event event;
        snprintf(list, sizeof list, "%s@1.2345+1", cases[c].word);
        struct faulty_bench *b = faulty_bench_new(1, list);
        faulty_bench_session(b, 2000000, STEP_US);
        cr_expect_str_eq(cut_of(b)->word, cases[c].word);
        cr_expect_eq(cut_of(b)->time_us, 1234500);
        cr_expect_eq(cut_of(b)->turned_us, 1234500);
        cr_assert(faulty_bench_event(b, cases[c].event, &event));
        cr_expect_eq(event.time_us, 1234500);
        cr_expect_eq(event.value, 0);
        const uint16_t held = b->sequence;
        faulty_bench_arm(b);
        faulty_bench_run(b, 500000, STEP_US);
        const uint16_t released = b->sequence;
        faulty_bench_arm(b);
        cr_expect_eq(faulty_bench_reason(b, held), cases[c].reason);
        cr_expect_eq(faulty_bench_reason(b, released), WIRE_ACCEPTED);
        for (size_t i = 0; i < b->sample_count; i++) {
            const int64_t t = b->samples[i].time_us;
            cr_assert_eq(b->samples[i].sample.flags, t > 1234500 && t <= 2234500 ? cases[c].flag : 0, "%lld",
                         (long long)t);
        }
        faulty_bench_free(b);
    }
}

Test(faulty_rig, over_range_counts_as_the_force_limit)
{
    struct faulty_bench *b = faulty_bench_new(1, "over-range@1.2345+0.25");
    struct wire_event event;
    faulty_bench_session(b, 2000000, STEP_US);
    cr_expect_str_eq(cut_of(b)->word, "force-limit");
    cr_expect_eq(cut_of(b)->time_us, 1235000, "at the next sample");
    cr_assert(faulty_bench_event(b, WIRE_EVENT_FORCE_LIMIT, &event));
    cr_expect_eq(event.value, b->feeder.sensor.counts_max);
    size_t over = 0;
    for (size_t i = 0; i < b->sample_count; i++)
        if (b->samples[i].sample.flags & WIRE_FLAG_OVER_RANGE) {
            over++;
            cr_expect_eq(b->samples[i].sample.force_counts, b->feeder.sensor.counts_max);
        }
    cr_expect_eq(over, 250);
    faulty_bench_free(b);
}

/* Limits that every push breaks: force, then travel, then time. */
static void push_with_limits(struct faulty_bench *b, struct wire_arm limits)
{
    uint8_t body[WIRE_BODY_MAX];
    faulty_bench_configure(b);
    faulty_bench_send(b, WIRE_ARM, body, wire_pack_arm(&limits, body));
    faulty_bench_move(b, 400);
    faulty_bench_run(b, 3000000, STEP_US);
}

Test(faulty_rig, a_rig_told_to_ignores_its_limits)
{
    const int32_t zero = (int32_t)model_default().sensor.zero_counts;
    const struct {
        struct wire_arm limits;
        const char *word;
    } cases[] = {{{zero - 40000, zero + 40000, 1000000, 600000}, "force-limit"},
                 {{-8000000, 8000000, 300, 600000}, "travel-limit"},
                 {{-8000000, 8000000, 1000000, 700}, "time-limit"}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        struct faulty_bench *b = faulty_bench_new(1, NULL);
        push_with_limits(b, cases[c].limits);
        cr_expect_str_eq(cut_of(b)->word, cases[c].word);
        faulty_bench_free(b);
        b = faulty_bench_new(1, "limits-ignored");
        push_with_limits(b, cases[c].limits);
        cr_expect_null(faulty_bench_told(b, RIG_CUT, NULL, 0), "%s", cases[c].word);
        faulty_bench_wait(b, 1000000, STEP_US);
        cr_expect_str_eq(cut_of(b)->word, "watchdog", "which it does not ignore");
        faulty_bench_free(b);
    }
}

Test(faulty_rig, the_clock_wraps_when_it_starts_near_the_end_of_32_bits)
{
    struct faulty_bench *b = faulty_bench_new(1, "clock-start=4294000000");
    struct wire_sample samples[WIRE_BATCH_MAX];
    size_t count;
    size_t n;
    uint64_t expected = 4294000000u;
    bool wrapped = false;
    faulty_bench_session(b, 3000000, STEP_US);
    struct found *const list = faulty_bench_receive(b, 0, &count);
    for (size_t i = 0; i < count; i++) {
        if (list[i].type != WIRE_SAMPLES)
            continue;
        cr_assert_eq(wire_unpack_batch(list[i].body, list[i].length, samples, &n), WIRE_OK);
        for (size_t k = 0; k < n; k++) {
            expected += 1000;
            cr_assert_eq(samples[k].time_us, (uint32_t)expected);
            wrapped = wrapped || samples[k].time_us < 1000000;
        }
    }
    cr_expect(wrapped);
    cr_expect_eq(b->samples[b->sample_count - 1].rig_us, (int64_t)(4294000000u + 1000 * b->sample_count));
    free(list);
    faulty_bench_free(b);
}

Test(faulty_rig, faults_of_a_kind_may_overlap)
{
    struct faulty_bench *b = faulty_bench_new(1, "mute@1+1,mute@1.5+1,unplugged@3+0.2,unplugged@3.1+0.3");
    faulty_bench_session(b, 5000000, STEP_US);
    cr_expect_eq(b->unplugged_us, 3000000);
    cr_expect_eq(b->plugged_us, 3400000);
    const struct rig_happening *first = faulty_bench_told(b, RIG_FAULT, "mute", 0);
    uint16_t last = 0;
    const struct rig_happening *h;
    for (size_t n = 0; (h = faulty_bench_told(b, RIG_FAULT, "mute", n)) != NULL; n++)
        last = h->sequence;
    cr_expect_eq(frames_between(b, first->sequence, last), 0);
    cr_expect_eq(frames_between(b, last, last + 1), 1);
    faulty_bench_free(b);
}

/* Every other frame is held back for the next one. Of two breaks one frame apart, one finds a frame held. */
Test(faulty_rig, a_frame_held_back_when_the_line_fails_is_told_as_lost)
{
    size_t held = 0;
    for (int i = 0; i < 2; i++) {
        struct faulty_bench *b =
            faulty_bench_new(1, i == 0 ? "reordered=1,severed@1.05+0.1" : "reordered=1,severed@1.07+0.1");
        faulty_bench_session(b, 2000000, STEP_US);
        const struct rig_happening *begins = faulty_bench_told(b, RIG_FAULT, "severed", 0);
        cr_assert(begins != NULL);
        bool told = false;
        for (size_t k = 0; k < b->told_count; k++)
            told = told ||
                   (b->told[k].kind == RIG_FAULT && b->told[k].phase == RIG_PHASE_NONE &&
                    strcmp(b->told[k].word, "severed") == 0 && b->told[k].sequence == begins->sequence - 1);
        const uint16_t before = begins->sequence;
        cr_expect_eq(frames_between(b, before - 1, before), told ? 0 : 1);
        held += told;
        faulty_bench_free(b);
    }
    cr_expect_eq(held, 1);
}

Test(faulty_rig, what_nobody_reads_is_told)
{
    struct faulty_bench *b = faulty_bench_new(1, NULL);
    faulty_bench_session(b, 1000000, STEP_US);
    const uint16_t first = rig_state_sequence(faulty_rig_state(b->faulty));
    faulty_rig_set_unread(b->faulty, true);
    faulty_bench_run(b, 500000, STEP_US);
    faulty_rig_set_unread(b->faulty, false);
    const uint16_t next = rig_state_sequence(faulty_rig_state(b->faulty));
    faulty_bench_run(b, 500000, STEP_US);
    for (uint16_t i = first; i < next; i++) {
        const struct rig_happening *h = faulty_bench_told(b, RIG_FAULT, "unread", (size_t)(i - first));
        cr_assert(h != NULL);
        cr_expect_eq(h->sequence, i);
    }
    cr_expect_null(faulty_bench_told(b, RIG_FAULT, "unread", (size_t)(next - first)));
    cr_expect_eq(frames_between(b, first, next), 0);
    faulty_bench_free(b);
}

Test(faulty_rig, samples_still_waiting_at_the_end_are_told)
{
    struct faulty_bench *b = faulty_bench_new(1, NULL);
    faulty_bench_configure(b);
    faulty_bench_wait(b, 35500, STEP_US);
    const size_t before = b->sample_count;
    faulty_rig_free(b->faulty);
    b->faulty = NULL;
    cr_expect_eq(b->sample_count, 35);
    cr_assert(before < 35);
    cr_expect(!b->samples[34].framed);
    cr_expect(b->samples[before - 1].framed);
    faulty_bench_free(b);
}
