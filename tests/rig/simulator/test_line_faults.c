/* Faults that hit single frames: what the rig tells of them against what a receiver of the test's own finds.
 */
#include "tests/rig/simulator/faulty_bench.h"
#include "tests/rig/simulator/rig_bench.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SESSION_US 20000000
#define STEP_US    5000
#define FRAMES_MAX 4000

/* How often each of the rig's frames is found, and how often it should be by what was told. */
struct tally {
    unsigned found[FRAMES_MAX];
    unsigned wanted[FRAMES_MAX];
    size_t frames; /* that the rig numbered */
};

static struct tally tally_of(const struct faulty_bench *b)
{
    struct tally t = {.frames = rig_state_sequence(faulty_rig_state(b->faulty))};
    size_t count;
    struct found *const list = faulty_bench_receive(b, 0, &count);
    cr_assert(t.frames > 900 && t.frames <= FRAMES_MAX, "%zu frames", t.frames);
    for (size_t i = 0; i < t.frames; i++)
        t.wanted[i] = 1;
    for (size_t i = 0; i < count; i++) {
        cr_assert(list[i].sequence < t.frames);
        t.found[list[i].sequence]++;
    }
    free(list);
    for (size_t i = 0; i < b->told_count; i++) {
        const struct rig_happening *h = &b->told[i];
        if (h->kind == RIG_FAULT && !h->host_frame && h->phase == RIG_PHASE_NONE)
            t.wanted[h->sequence] = h->arrived;
    }
    return t;
}

static size_t count_told(const struct faulty_bench *b, const char *word)
{
    size_t n = 0;
    while (faulty_bench_told(b, RIG_FAULT, word, n) != NULL)
        n++;
    return n;
}

static void expect_truth(const struct faulty_bench *b, const char *faults)
{
    const struct tally t = tally_of(b);
    size_t wrong = 0;
    /* A frame that is held back at the end has not been told of yet. */
    for (size_t i = 0; i + 2 < t.frames; i++)
        wrong += t.found[i] != t.wanted[i];
    cr_expect_eq(wrong, 0, "%s: %zu of %zu frames are not as told", faults, wrong, t.frames);
}

/* So many of n that a share of p is no doubt: five standard deviations of a binomial. */
static void expect_share(const struct faulty_bench *b, const char *word, double p)
{
    const double n = rig_state_sequence(faulty_rig_state(b->faulty));
    const double hit = (double)count_told(b, word);
    cr_expect(fabs(hit - p * n) < 5 * sqrt(n * p * (1 - p)), "%s: %g of %g frames", word, hit, n);
}

Test(line_faults, without_faults_the_line_carries_what_the_rig_sends)
{
    struct faulty_bench *b = faulty_bench_new(5, NULL);
    struct bench *plain = bench_new(5, 1);
    plain->setup = b->setup;
    plain->setup.feeders = &plain->feeders[0];
    plain->feeders[0] = b->feeder;
    bench_start(plain);
    faulty_bench_session(b, 3000000, STEP_US);
    cr_assert_eq(bench_configure(plain, 1000000, "gear"), WIRE_ACCEPTED);
    cr_assert_eq(bench_arm(plain, -8000000, 8000000, 1000000, 600000), WIRE_ACCEPTED);
    cr_assert_eq(bench_move(plain, 200, 20000, 0), WIRE_ACCEPTED);
    bench_run_us(plain, 3000000);
    cr_assert_eq(b->byte_count, plain->byte_count);
    cr_expect_arr_eq(b->bytes, plain->bytes, b->byte_count);
    cr_expect_eq(count_told(b, NULL), 0);
    bench_free(plain);
    faulty_bench_free(b);
}

Test(line_faults, each_fault_alone_is_told_as_it_arrives)
{
    static const struct {
        const char *list;
        const char *word;
        double share;
    } cases[] = {{"missing=0.1", "missing", 0.1},
                 {"repeated=0.2", "repeated", 0.2},
                 {"corrupted=0.15", "corrupted", 0.15},
                 {"split=0.3", "split", 0.3},
                 {"noise=0.12", "noise", 0.12}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        struct faulty_bench *b = faulty_bench_new(31 + c, cases[c].list);
        faulty_bench_session(b, SESSION_US, STEP_US);
        expect_truth(b, cases[c].list);
        expect_share(b, cases[c].word, cases[c].share);
        faulty_bench_free(b);
    }
}

Test(line_faults, all_faults_together_are_told_as_they_arrive)
{
    static const char list[] = "missing=0.1,repeated=0.1,reordered=0.1,corrupted=0.1,split=0.1,noise=0.1";
    for (uint64_t seed = 1; seed <= 5; seed++) {
        struct faulty_bench *b = faulty_bench_new(seed, list);
        faulty_bench_session(b, SESSION_US, STEP_US);
        expect_truth(b, list);
        cr_expect(count_told(b, "melted") > 0);
        faulty_bench_free(b);
    }
}

Test(line_faults, missing_frames_never_come_and_repeated_ones_come_twice_in_a_row)
{
    struct faulty_bench *b = faulty_bench_new(8, "missing=0.05,repeated=0.05");
    faulty_bench_session(b, SESSION_US, STEP_US);
    const struct tally t = tally_of(b);
    const struct rig_happening *h;
    for (size_t n = 0; (h = faulty_bench_told(b, RIG_FAULT, "missing", n)) != NULL; n++)
        cr_expect_eq(t.found[h->sequence], 0);
    for (size_t n = 0; (h = faulty_bench_told(b, RIG_FAULT, "repeated", n)) != NULL; n++)
        cr_expect_eq(t.found[h->sequence], 2);
    size_t count;
    size_t twice = 0;
    struct found *const list = faulty_bench_receive(b, 0, &count);
    for (size_t i = 1; i < count; i++) {
        cr_expect(list[i].sequence >= list[i - 1].sequence);
        twice += list[i].sequence == list[i - 1].sequence;
    }
    cr_expect_eq(twice, count_told(b, "repeated"));
    free(list);
    faulty_bench_free(b);
}

Test(line_faults, a_reordered_frame_comes_right_after_the_one_that_follows)
{
    struct faulty_bench *b = faulty_bench_new(13, "reordered=0.1");
    faulty_bench_session(b, SESSION_US, STEP_US);
    size_t count;
    size_t back = 0;
    struct found *const list = faulty_bench_receive(b, 0, &count);
    for (size_t i = 1; i < count; i++)
        if (list[i].sequence < list[i - 1].sequence) {
            const struct rig_happening *h = faulty_bench_told(b, RIG_FAULT, "reordered", back++);
            cr_assert(h != NULL);
            cr_expect_eq(h->sequence, list[i].sequence);
            cr_expect_eq(list[i - 1].sequence, list[i].sequence + 1);
        }
    cr_expect(back > 50, "%zu", back);
    cr_expect_eq(back, count_told(b, "reordered"));
    expect_truth(b, "reordered");
    free(list);
    faulty_bench_free(b);
}

Test(line_faults, splitting_changes_when_bytes_come_and_not_which)
{
    struct faulty_bench *whole = faulty_bench_new(3, NULL);
    struct faulty_bench *b = faulty_bench_new(3, "split=0.25");
    faulty_bench_session(whole, 5000000, STEP_US);
    faulty_bench_session(b, 5000000, STEP_US);
    cr_assert_eq(b->byte_count, whole->byte_count);
    cr_expect_arr_eq(b->bytes, whole->bytes, b->byte_count);
    cr_expect(b->cut_count >= count_told(b, "split"), "each has at least two pieces");
    cr_expect(count_told(b, "split") > 30);
    faulty_bench_free(whole);
    faulty_bench_free(b);
}

Test(line_faults, noise_spoils_a_frame_unless_it_ends_with_a_delimiter)
{
    struct faulty_bench *b = faulty_bench_new(17, "noise=1");
    faulty_bench_session(b, 40000000, STEP_US);
    const struct tally t = tally_of(b);
    size_t spared = 0;
    for (size_t i = 0; i < t.frames; i++) {
        const struct rig_happening *h = faulty_bench_told(b, RIG_FAULT, "noise", i);
        cr_assert(h != NULL);
        cr_expect(h->noise_bytes >= 1 && h->noise_bytes <= 200);
        cr_expect_eq(h->sequence, i);
        cr_expect_eq(t.found[i], h->arrived);
        spared += h->arrived;
    }
    /* one in 256 */
    cr_expect(spared > 0 && spared < 30, "%zu of %zu", spared, t.frames);
    faulty_bench_free(b);
}

Test(line_faults, the_same_seed_gives_the_same_bytes_and_another_one_does_not)
{
    static const char list[] = "missing=0.1,repeated=0.1,reordered=0.1,corrupted=0.1,split=0.1,noise=0.1,"
                               "reboot@2.5,severed@1.1+0.2";
    struct faulty_bench *a = faulty_bench_new(99, list);
    struct faulty_bench *b = faulty_bench_new(99, list);
    struct faulty_bench *other = faulty_bench_new(100, list);
    faulty_bench_session(a, 4000000, 100000);
    faulty_bench_session(b, 4000000, 700); /* the time cut finely */
    faulty_bench_session(other, 4000000, 100000);
    cr_assert_eq(a->byte_count, b->byte_count);
    cr_expect_arr_eq(a->bytes, b->bytes, a->byte_count);
    cr_expect_eq(a->cut_count, b->cut_count);
    cr_expect(other->byte_count != a->byte_count || memcmp(other->bytes, a->bytes, a->byte_count) != 0);
    cr_assert_eq(a->told_count, b->told_count);
    for (size_t i = 0; i < a->told_count; i++) {
        cr_expect_eq(a->told[i].kind, b->told[i].kind);
        cr_expect_eq(a->told[i].time_us, b->told[i].time_us);
        cr_expect_eq(a->told[i].sequence, b->told[i].sequence);
    }
    faulty_bench_free(a);
    faulty_bench_free(b);
    faulty_bench_free(other);
}

Test(line_faults, one_more_fault_does_not_change_which_frames_another_one_hits)
{
    struct faulty_bench *a = faulty_bench_new(4, "missing=0.1,noise=0");
    struct faulty_bench *b = faulty_bench_new(4, "missing=0.1,noise=0.3,repeated=0.2,corrupted=0.1");
    faulty_bench_session(a, 5000000, STEP_US);
    faulty_bench_session(b, 5000000, STEP_US);
    const struct rig_happening *h;
    size_t n = 0;
    for (; (h = faulty_bench_told(a, RIG_FAULT, "missing", n)) != NULL; n++) {
        const struct rig_happening *same = faulty_bench_told(b, RIG_FAULT, "missing", n);
        cr_assert(same != NULL);
        cr_expect_eq(same->sequence, h->sequence);
    }
    cr_expect_eq(n, count_told(b, "missing"));
    cr_expect(n > 10);
    faulty_bench_free(a);
    faulty_bench_free(b);
}

Test(line_faults, the_physics_draw_the_same_numbers_as_without_faults)
{
    struct faulty_bench *a = faulty_bench_new(77, NULL);
    struct faulty_bench *b = faulty_bench_new(
        77, "missing=0.1,repeated=0.1,reordered=0.1,corrupted=0.1,split=0.1,noise=0.1,over-range@2+0.5,"
            "mute@1+0.5,limits-ignored,clock-start=99");
    faulty_bench_session(a, 5000000, STEP_US);
    faulty_bench_session(b, 5000000, STEP_US);
    cr_assert_eq(a->sample_count, b->sample_count);
    size_t over = 0;
    for (size_t i = 0; i < a->sample_count; i++) {
        const struct wire_sample *one = &a->samples[i].sample;
        const struct wire_sample *two = &b->samples[i].sample;
        cr_assert_eq(two->time_us, one->time_us + 99);
        cr_assert_eq(two->commanded_steps, one->commanded_steps);
        cr_assert_eq(two->encoder_counts, one->encoder_counts);
        over += (two->flags & WIRE_FLAG_OVER_RANGE) != 0;
        cr_assert(two->force_counts == one->force_counts || (two->flags & WIRE_FLAG_OVER_RANGE));
    }
    cr_expect_eq(over, 500);
    faulty_bench_free(a);
    faulty_bench_free(b);
}

/* What the samples file says against what the receiver finds in the frames. */
Test(line_faults, every_sample_is_told_with_the_frame_that_it_went_out_in)
{
    struct faulty_bench *b = faulty_bench_new(21, "repeated=0.1,missing=0.1");
    faulty_bench_session(b, 5000000, STEP_US);
    size_t count;
    size_t at = 0;
    size_t compared = 0;
    struct found *const list = faulty_bench_receive(b, 0, &count);
    for (size_t i = 0; i < count; i++) {
        struct wire_sample samples[WIRE_BATCH_MAX];
        size_t n;
        if (list[i].type != WIRE_SAMPLES || (i > 0 && list[i].sequence == list[i - 1].sequence))
            continue;
        cr_assert_eq(wire_unpack_batch(list[i].body, list[i].length, samples, &n), WIRE_OK);
        while (at < b->sample_count && b->samples[at].sequence != list[i].sequence)
            at++;
        for (size_t k = 0; k < n; k++, at++, compared++) {
            cr_assert(at < b->sample_count && b->samples[at].framed);
            cr_assert_eq(b->samples[at].sequence, list[i].sequence);
            cr_assert_eq(b->samples[at].sample.time_us, samples[k].time_us);
            cr_assert_eq(b->samples[at].sample.force_counts, samples[k].force_counts);
            cr_assert_eq(b->samples[at].sample.encoder_counts, samples[k].encoder_counts);
        }
    }
    cr_expect(compared > 4000);
    free(list);
    faulty_bench_free(b);
}

Test(line_faults, what_finds_no_room_is_told)
{
    struct faulty_bench *b = faulty_bench_new(6, "reordered=0.3");
    faulty_bench_session(b, 10000000, STEP_US);
    b->full = true;
    faulty_bench_run(b, 1000000, STEP_US);
    b->full = false;
    faulty_bench_run(b, 10000000, STEP_US);
    cr_expect(count_told(b, "no-room") > 30);
    expect_truth(b, "no room");
    faulty_bench_free(b);
}

Test(line_faults, host_frames_are_lost_and_damaged_as_told)
{
    struct faulty_bench *b = faulty_bench_new(40, "host-missing=0.2,host-corrupted=0.2");
    for (int i = 0; i < 2000; i++) {
        uint8_t body[WIRE_BODY_MAX];
        const struct wire_configure m = {1000000u + (uint32_t)i, 0, "gear"};
        faulty_bench_send(b, WIRE_CONFIGURE, body, wire_pack_configure(&m, body));
        faulty_bench_wait(b, 10000, 10000);
    }
    size_t missing = 0;
    size_t corrupted = 0;
    size_t melted = 0;
    bool lost[2000] = {0};
    for (size_t i = 0; i < b->told_count; i++) {
        const struct rig_happening *h = &b->told[i];
        if (h->kind != RIG_FAULT)
            continue;
        cr_assert(h->host_frame && h->sequence < 2000 && !lost[h->sequence]);
        cr_expect_eq(h->type, WIRE_CONFIGURE);
        lost[h->sequence] = true;
        missing += strcmp(h->word, "host-missing") == 0;
        corrupted += strcmp(h->word, "host-corrupted") == 0;
        melted += strcmp(h->word, "host-melted") == 0;
    }
    cr_expect(fabs((double)missing - 400) < 90, "%zu", missing);
    cr_expect(fabs((double)corrupted - 320) < 90, "%zu", corrupted);
    cr_expect(melted > 0);
    cr_expect_eq(rig_state_frames_heard(faulty_rig_state(b->faulty)), 2000 - missing - corrupted - melted);
    size_t count;
    bool answered[2000] = {0};
    struct found *const list = faulty_bench_receive(b, 0, &count);
    for (size_t i = 0; i < count; i++) {
        struct wire_ack ack;
        if (list[i].type != WIRE_ACK)
            continue;
        cr_assert_eq(wire_unpack_ack(list[i].body, list[i].length, &ack), WIRE_OK);
        answered[ack.sequence] = true;
    }
    for (size_t i = 0; i < 2000; i++)
        cr_expect_neq(answered[i], lost[i], "%zu", i);
    free(list);
    faulty_bench_free(b);
}

/* However the host's bytes are cut, and with a run of bytes that is no frame among them. */
Test(line_faults, host_bytes_pass_in_any_pieces)
{
    struct faulty_bench *b = faulty_bench_new(41, "host-missing=0.0000001");
    uint8_t frame[WIRE_ENCODED_MAX];
    uint8_t junk[3000];
    const size_t n = wire_frame_encode(WIRE_KEEP_ALIVE, 7, NULL, 0, frame);
    memset(junk, 0x5A, sizeof junk);
    for (size_t i = 0; i < n; i++)
        faulty_rig_receive(b->faulty, 1000, frame + i, 1);
    cr_expect_eq(rig_state_frames_heard(faulty_rig_state(b->faulty)), 1);
    faulty_rig_receive(b->faulty, 2000, junk, sizeof junk);
    faulty_rig_receive(b->faulty, 2000, frame, n); /* one with the junk */
    cr_expect_eq(rig_state_frames_heard(faulty_rig_state(b->faulty)), 1);
    faulty_rig_receive(b->faulty, 3000, frame, n);
    faulty_rig_receive(b->faulty, 3000, (const uint8_t[]){0, 0}, 2);
    faulty_rig_receive(b->faulty, 3000, frame, n);
    cr_expect_eq(rig_state_frames_heard(faulty_rig_state(b->faulty)), 3);
    faulty_bench_free(b);
}

Test(line_faults, host_bytes_that_are_no_frame_pass_untold)
{
    struct faulty_bench *b = faulty_bench_new(42, "host-missing=1");
    uint8_t junk[3000];
    memset(junk, 0x5A, sizeof junk);
    faulty_bench_send(b, WIRE_IDENTIFY, NULL, 0);
    cr_expect_eq(count_told(b, "host-missing"), 1);
    faulty_rig_receive(b->faulty, 1000, junk, sizeof junk);
    faulty_bench_send(b, WIRE_IDENTIFY, NULL, 0); /* one with the junk before it */
    faulty_rig_receive(b->faulty, 1000, junk, 40);
    faulty_rig_receive(b->faulty, 1000, (const uint8_t[]){0, 1, 1, 0}, 4);
    cr_expect_eq(count_told(b, NULL), 1);
    faulty_bench_send(b, WIRE_IDENTIFY, NULL, 0);
    cr_expect_eq(count_told(b, "host-missing"), 2);
    cr_expect_eq(rig_state_frames_heard(faulty_rig_state(b->faulty)), 0);
    faulty_bench_free(b);
}

/* The first half of a frame, more than fits the gathering of one, then the whole: nothing is lost in between.
 */
Test(line_faults, host_frames_after_bytes_without_end_are_told_again)
{
    struct faulty_bench *b = faulty_bench_new(43, "host-corrupted=0.0000001");
    uint8_t junk[WIRE_ENCODED_MAX];
    memset(junk, 0x33, sizeof junk);
    for (int i = 0; i < 5; i++)
        faulty_rig_receive(b->faulty, 1000, junk, sizeof junk);
    faulty_rig_receive(b->faulty, 1000, (const uint8_t[]){0}, 1);
    faulty_bench_send(b, WIRE_IDENTIFY, NULL, 0);
    cr_expect_eq(rig_state_frames_heard(faulty_rig_state(b->faulty)), 1);
    cr_expect_eq(count_told(b, NULL), 0);
    faulty_bench_free(b);
}

/* Short frames in great number, so that each kind of damage comes to each place of a frame: a 0x00 inserted
 * at an end, which would leave the frame whole, is to be expected some fifteen times. */
Test(line_faults, no_damage_leaves_a_frame_whole)
{
    struct faulty_bench *b = faulty_bench_new(44, "host-corrupted=1");
    uint8_t frame[WIRE_ENCODED_MAX];
    for (uint32_t i = 0; i < 99000; i++) {
        const size_t n = wire_frame_encode(WIRE_KEEP_ALIVE, (uint16_t)i, NULL, 0, frame);
        faulty_rig_receive(b->faulty, 0, frame, n);
    }
    cr_expect_eq(b->told_count, 99001, "and the power-on");
    cr_expect_eq(rig_state_frames_heard(faulty_rig_state(b->faulty)), 0);
    faulty_bench_free(b);
}

/* As above towards the host, where noise and the next damage follow: what the receiver finds is what was
 * told. */
Test(line_faults, damage_upon_damage_is_told_as_it_arrives)
{
    for (uint64_t seed = 1; seed <= 12; seed++) {
        struct faulty_bench *b = faulty_bench_new(seed, "corrupted=0.8,noise=0.8,repeated=0.3");
        faulty_bench_session(b, SESSION_US, STEP_US);
        expect_truth(b, "damage upon damage");
        faulty_bench_free(b);
    }
}
