#include "datasets/format/plan.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(plan_order, .init = scratch_begin, .fini = scratch_end);

static struct plan good_plan(void)
{
    struct plan p;
    struct err e;
    cr_assert_eq(plan_read(scratch_write("plan.yaml", SCRATCH_PLAN), &p, &e), ERR_OK, "%ld:%ld: %s",
                 (long)e.line, (long)e.column, e.text);
    return p;
}

Test(plan_order, each_feeder_is_mounted_once_a_block_and_does_everything)
{
    struct plan p = good_plan();
    struct plan_run runs[PLAN_RUNS_MAX];
    size_t n;
    p.feeder_count = 5; /* three more of no matter what */
    p.blocks = 7;
    n = plan_order(&p, runs);
    cr_assert_eq(n, 7 * 5 * 3);
    for (int block = 0; block < 7; block++) {
        bool mounted[5] = {false};
        for (size_t f = 0; f < 5; f++) {
            const struct plan_run *first = &runs[(block * 5 + (int)f) * 3];
            bool pushed[3] = {false};
            cr_expect_not(mounted[first->feeder], "feeder %zu twice in block %d", first->feeder, block + 1);
            mounted[first->feeder] = true;
            for (size_t j = 0; j < 3; j++) {
                size_t which = first[j].test == 0 ? 0 : first[j].speed_mm_s == 2.25 ? 1 : 2;
                double speed = which == 0 ? 4.75 : which == 1 ? 2.25 : 11.5;
                cr_expect_eq(first[j].feeder, first->feeder);
                cr_expect_eq(first[j].block, block + 1);
                cr_expect_eq(first[j].number, (block * 5 + (int)f) * 3 + (int)j + 1);
                cr_expect_eq(first[j].speed_mm_s, speed);
                cr_expect_not(pushed[which]);
                pushed[which] = true;
            }
        }
    }
}

static void order_text(const struct plan *p, char *text)
{
    struct plan_run runs[PLAN_RUNS_MAX];
    size_t n = plan_order(p, runs);
    text[0] = 0;
    for (size_t i = 0; i < n; i++)
        sprintf(text + strlen(text), "%zu%c%g ", runs[i].feeder, runs[i].test == 0 ? 'p' : 's',
                runs[i].speed_mm_s);
}

Test(plan_order, the_order_depends_on_the_seed_alone)
{
    struct plan p = good_plan();
    char first[4000];
    char again[4000];
    char other[4000];
    p.blocks = 20;
    order_text(&p, first);
    strcpy(p.title, "Another title");
    p.force_limit_n = 3.5;
    order_text(&p, again);
    cr_expect_str_eq(first, again);
    p.seed++;
    order_text(&p, other);
    cr_expect_str_neq(first, other);
}

Test(plan_order, every_order_of_feeders_comes_equally_often)
{
    /* 6 orders of 3 feeders in 6000 blocks: each 1000 times, standard deviation 28.9; 5 of them either way.
     */
    struct plan p = good_plan();
    struct plan_run runs[PLAN_RUNS_MAX];
    int seen[27] = {0};
    p.feeder_count = 3;
    p.test_count = 1;
    p.blocks = 200;
    for (p.seed = 100; p.seed < 130; p.seed++) {
        size_t n = plan_order(&p, runs);
        cr_assert_eq(n, 600);
        for (size_t i = 0; i < n; i += 3)
            seen[runs[i].feeder * 9 + runs[i + 1].feeder * 3 + runs[i + 2].feeder]++;
    }
    for (int i = 0; i < 27; i++) {
        int a = i / 9;
        int b = i / 3 % 3;
        int c = i % 3;
        bool order = a != b && b != c && a != c;
        cr_expect(order ? abs(seen[i] - 1000) < 145 : seen[i] == 0, "%d%d%d: %d", a, b, c, seen[i]);
    }
}

/* SplitMix64 from seed 1234567 begins 6457827717110365317, 3203168211198807973, 9817491932198370423 (the
 * values that ports of it are checked with, from memory). The shuffle of two feeders takes the first draw
 * modulo 2, odd: no exchange, as i = 2 goes with j = 1. */
Test(plan_order, the_generator_is_the_published_one)
{
    struct plan p = good_plan();
    struct plan_run runs[PLAN_RUNS_MAX];
    p.seed = 1234567;
    p.blocks = 1;
    p.test_count = 1;
    plan_order(&p, runs);
    cr_expect(runs[0].feeder == 0 && runs[1].feeder == 1);
    /* One push a feeder takes no draw, so the second block's feeders take the second draw, odd too, and the
     * third one's the third, odd again. */
    p.blocks = 3;
    plan_order(&p, runs);
    cr_expect(runs[2].feeder == 0 && runs[4].feeder == 0);
    /* Three feeders: the first draw modulo 3 (6457827717110365317 % 3 = 0) changes places 2 and 0, the second
     * modulo 2 (odd) none: 2 1 0. */
    p.feeder_count = 3;
    p.blocks = 1;
    plan_order(&p, runs);
    cr_expect(runs[0].feeder == 2 && runs[1].feeder == 1 && runs[2].feeder == 0, "%zu%zu%zu", runs[0].feeder,
              runs[1].feeder, runs[2].feeder);
}

/* A series that was begun must go on in the order that it was begun in: this one was laid out by the first
 * version, which knew blocked tests alone. */
Test(plan_order, blocked_tests_keep_the_order_that_they_always_had)
{
    struct plan p = {.seed = 20917, .blocks = 3, .feeder_count = 3, .test_count = 2};
    char text[4000];
    p.tests[0] = (struct plan_test){.kind = PLAN_BLOCKED_PUSH, .speeds_mm_s = {4.75}, .speed_count = 1};
    p.tests[1] =
        (struct plan_test){.kind = PLAN_SPEED_SWEEP, .speeds_mm_s = {2.25, 11.5, 31.75}, .speed_count = 3};
    order_text(&p, text);
    cr_expect_str_eq(text, "1s31.75 1p4.75 1s2.25 1s11.5 0s2.25 0s31.75 0s11.5 0p4.75 2s11.5 2s31.75 2p4.75 "
                           "2s2.25 0s2.25 0p4.75 0s11.5 0s31.75 2s2.25 2s31.75 2p4.75 2s11.5 1p4.75 1s11.5 "
                           "1s31.75 1s2.25 0s31.75 0s2.25 0s11.5 0p4.75 1s11.5 1s31.75 1p4.75 1s2.25 2p4.75 "
                           "2s11.5 2s2.25 2s31.75 ");
}

/* All kinds: 1 blocked push, 2 free runs, 2 x 3 x 2 loaded feeds, 3 preloads, 2 x 2 reversals, 2 x 3 melt
 * pushes, 2 x 5 endurance pushes: 38 a feeder and block. */
static struct plan bench_plan(void)
{
    struct plan p = good_plan();
    p.test_count = 7;
    p.tests[1] = (struct plan_test){
        .kind = PLAN_ENDURANCE, .speeds_mm_s = {3.25, 9.5}, .speed_count = 2, .repeats = 5, .clean_every = 2};
    p.tests[2] = (struct plan_test){.kind = PLAN_FREE_RUN, .speeds_mm_s = {2.5, 7}, .speed_count = 2};
    p.tests[3] = (struct plan_test){.kind = PLAN_LOADED_FEED,
                                    .speeds_mm_s = {2.5, 7},
                                    .speed_count = 2,
                                    .brake_loads_n = {11.5, 24, 53},
                                    .brake_load_count = 3,
                                    .nip_preloads_n = {18, 37.5},
                                    .nip_preload_count = 2};
    p.tests[4] = (struct plan_test){.kind = PLAN_PRELOAD_SWEEP,
                                    .speeds_mm_s = {4.75},
                                    .speed_count = 1,
                                    .nip_preloads_n = {0, 21, 55},
                                    .nip_preload_count = 3};
    p.tests[5] = (struct plan_test){.kind = PLAN_REVERSAL,
                                    .speeds_mm_s = {2.5, 7},
                                    .speed_count = 2,
                                    .cycles = 3,
                                    .guide_tube_bends_deg = {0, 270},
                                    .guide_tube_bend_count = 2};
    p.tests[6] = (struct plan_test){.kind = PLAN_MELT_PUSH,
                                    .rates_mm3_s = {2.5, 6, 13},
                                    .rate_count = 3,
                                    .hot_end_temperatures_c = {205, 232.5},
                                    .hot_end_temperature_count = 2};
    p.feeders[1].conditions.number[CONDITION_FILAMENT_DIAMETER_MM] = 2.85;
    return p;
}
#define BENCH_PUSHES 38

static bool has(const struct plan_run *r, enum condition_id id, double number)
{
    return r->conditions.stated[id] && r->conditions.number[id] == number;
}

Test(plan_order, every_combination_comes_once_a_block_for_each_feeder)
{
    static const double speeds[] = {2.5, 7}, loads[] = {11.5, 24, 53}, preloads[] = {18, 37.5};
    static const double rates[] = {2.5, 6, 13}, temperatures[] = {205, 232.5};
    struct plan p = bench_plan();
    struct plan_run *runs = calloc(PLAN_RUNS_MAX, sizeof *runs);
    p.blocks = 3;
    cr_assert_eq(plan_order(&p, runs), 3 * 2 * BENCH_PUSHES);
    for (size_t i = 0; i < 3 * 2 * BENCH_PUSHES; i++)
        cr_expect_eq(runs[i].number, (int)i + 1);
    for (int block = 1; block <= 3; block++) {
        for (size_t feeder = 0; feeder < 2; feeder++) {
            int loaded[12] = {0};
            int melt[6] = {0};
            int of_kind[7] = {0};
            for (size_t i = 0; i < 3 * 2 * BENCH_PUSHES; i++) {
                const struct plan_run *r = &runs[i];
                if (r->block != block || r->feeder != feeder)
                    continue;
                of_kind[r->test]++;
                for (int j = 0; r->test == 3 && j < 12; j++)
                    loaded[j] += r->speed_mm_s == speeds[j % 2] &&
                                 has(r, CONDITION_BRAKE_LOAD_N, loads[j / 2 % 3]) &&
                                 has(r, CONDITION_NIP_PRELOAD_N, preloads[j / 6]);
                for (int j = 0; r->test == 6 && j < 6; j++)
                    melt[j] += r->rate_mm3_s == rates[j % 3] &&
                               has(r, CONDITION_HOT_END_TEMPERATURE_C, temperatures[j / 3]);
            }
            for (int j = 0; j < 12; j++)
                cr_expect_eq(loaded[j], 1, "block %d, feeder %zu, loaded feed %d: %d", block, feeder, j,
                             loaded[j]);
            for (int j = 0; j < 6; j++)
                cr_expect_eq(melt[j], 1);
            cr_expect(of_kind[0] == 1 && of_kind[1] == 10 && of_kind[2] == 2 && of_kind[3] == 12 &&
                      of_kind[4] == 3 && of_kind[5] == 4 && of_kind[6] == 6);
        }
    }
    free(runs);
}

Test(plan_order, a_run_has_the_feeders_conditions_with_what_its_test_sets)
{
    struct plan p = bench_plan();
    struct plan_run *runs = calloc(PLAN_RUNS_MAX, sizeof *runs);
    size_t n = plan_order(&p, runs);
    for (size_t i = 0; i < n; i++) {
        const struct plan_run *r = &runs[i];
        enum plan_test_kind kind = p.tests[r->test].kind;
        const struct conditions *own = &p.feeders[r->feeder].conditions;
        for (int id = 0; id < CONDITION_COUNT; id++) {
            bool may_differ = plan_test_sets(kind, (enum condition_id)id);
            cr_expect(may_differ || (r->conditions.stated[id] == own->stated[id] &&
                                     r->conditions.number[id] == own->number[id] &&
                                     strcmp(conditions_word(&r->conditions, (enum condition_id)id),
                                            conditions_word(own, (enum condition_id)id)) == 0),
                      "%s changes %s", PLAN_TEST_NAMES[kind], CONDITION_KINDS[id].key);
        }
        cr_expect(kind != PLAN_FREE_RUN ||
                      has(r, CONDITION_NIP_PRELOAD_N, own->number[CONDITION_NIP_PRELOAD_N]),
                  "a free run without ladder leaves the preload as the feeder has it");
        cr_expect(kind != PLAN_REVERSAL || has(r, CONDITION_GUIDE_TUBE_BEND_DEG, 0) ||
                  has(r, CONDITION_GUIDE_TUBE_BEND_DEG, 270));
        cr_expect_eq(r->rate_mm3_s > 0, kind == PLAN_MELT_PUSH);
        if (kind == PLAN_MELT_PUSH)
            /* 1.74 mm: 2.377871...; 2.85 mm: 6.379396582 mm2. */
            cr_expect_float_eq(r->speed_mm_s * (r->feeder == 0 ? 2.3778715 : 6.3793966), r->rate_mm3_s, 1e-5);
        cr_expect_eq(r->repeat > 0, kind == PLAN_ENDURANCE);
    }
    free(runs);
}

/* What must be changed for a run that follows another one. */
static bool is_other_setting(const struct plan *p, const struct plan_run *a, const struct plan_run *b)
{
    static const enum condition_id slow[] = {CONDITION_HOT_END_TEMPERATURE_C, CONDITION_GUIDE_TUBE_BEND_DEG};
    bool other = plan_end_of(p->tests[a->test].kind) != plan_end_of(p->tests[b->test].kind);
    for (int i = 0; i < 2; i++)
        other = other || a->conditions.stated[slow[i]] != b->conditions.stated[slow[i]] ||
                a->conditions.number[slow[i]] != b->conditions.number[slow[i]];
    return other;
}

Test(plan_order, what_takes_long_to_change_is_changed_once_and_endurance_comes_last)
{
    /* Groups of a feeder in a block: blocked as it stands, bend 0, bend 270, free, brake, two temperatures:
     * seven, so six changes, and one more to endurance unless the blocked group came last. */
    struct plan p = bench_plan();
    struct plan_run *runs = calloc(PLAN_RUNS_MAX, sizeof *runs);
    p.blocks = 9;
    for (p.seed = 5; p.seed < 25; p.seed++) {
        size_t n = plan_order(&p, runs);
        for (size_t from = 0; from < n; from += BENCH_PUSHES) {
            int changes = 0;
            for (size_t i = 1; i < BENCH_PUSHES - 10; i++)
                changes += is_other_setting(&p, &runs[from + i - 1], &runs[from + i]);
            cr_expect_eq(changes, 6);
            for (size_t i = 0; i < BENCH_PUSHES; i++) {
                const struct plan_run *r = &runs[from + i];
                size_t late = i - (BENCH_PUSHES - 10);
                cr_expect(r->feeder == runs[from].feeder && r->block == runs[from].block);
                cr_expect_eq(r->test == 1, i >= BENCH_PUSHES - 10, "endurance comes last and alone");
                if (r->test != 1)
                    continue;
                cr_expect_eq(r->repeat, (int)(late % 5) + 1);
                cr_expect_eq(r->speed_mm_s, late < 5 ? 3.25 : 9.5);
                cr_expect_eq(r->clean_before, r->repeat == 3 || r->repeat == 5);
            }
        }
    }
    free(runs);
}

Test(plan_order, a_bend_that_the_feeder_has_already_is_no_change)
{
    /* The tube of the feeder is one of the two bends: reversal in it goes with the blocked pushes. */
    struct plan p = bench_plan();
    struct plan_run *runs = calloc(PLAN_RUNS_MAX, sizeof *runs);
    int changes = 0;
    p.feeders[0].conditions.stated[CONDITION_GUIDE_TUBE_BEND_DEG] = true;
    p.feeders[0].conditions.number[CONDITION_GUIDE_TUBE_BEND_DEG] = 270;
    p.tests[1] = p.tests[5];
    p.test_count = 2;
    p.feeder_count = 1;
    p.blocks = 1;
    cr_assert_eq(plan_order(&p, runs), 5);
    for (int i = 1; i < 5; i++)
        changes += is_other_setting(&p, &runs[i - 1], &runs[i]);
    cr_expect_eq(changes, 1);
    free(runs);
}

Test(plan_order, groups_and_what_is_in_them_come_in_every_order)
{
    /* Which of the seven groups comes first in 2 x 200 blocks of a feeder: 400 / 7 = 57.1 of each, standard
     * deviation 7.0; and which of its two reversals comes first with bend 0: 200, standard deviation 10. Five
     * of them either way. */
    struct plan p = bench_plan();
    struct plan_run *runs = calloc(PLAN_RUNS_MAX, sizeof *runs);
    int first[PLAN_ENDS] = {0};
    int first_slow = 0;
    size_t blocks = 0;
    p.blocks = 10;
    for (p.seed = 900; p.seed < 920; p.seed++) {
        size_t n = plan_order(&p, runs);
        for (size_t from = 0; from < n; from += BENCH_PUSHES, blocks++) {
            size_t i = from;
            first[plan_end_of(p.tests[runs[from].test].kind)]++;
            while (runs[i].test != 5 || runs[i].conditions.number[CONDITION_GUIDE_TUBE_BEND_DEG] != 0)
                i++;
            first_slow += runs[i].speed_mm_s == 2.5;
        }
    }
    cr_assert_eq(blocks, 400);
    cr_expect(abs(first[PLAN_END_BLOCKED] - 171) < 50 && abs(first[PLAN_END_HOT] - 114) < 46, "%d %d",
              first[PLAN_END_BLOCKED], first[PLAN_END_HOT]);
    cr_expect(abs(first[PLAN_END_FREE] - 57) < 36 && abs(first[PLAN_END_BRAKE] - 57) < 36, "%d %d",
              first[PLAN_END_FREE], first[PLAN_END_BRAKE]);
    cr_expect(abs(first_slow - 200) < 50, "%d", first_slow);
    free(runs);
}

Test(plan_order, a_seed_gives_the_same_order_again)
{
    struct plan p = bench_plan();
    struct plan_run *runs = calloc(PLAN_RUNS_MAX, sizeof *runs);
    struct plan_run *again = calloc(PLAN_RUNS_MAX, sizeof *again);
    size_t n = plan_order(&p, runs);
    size_t differ = 0;
    cr_assert_eq(plan_order(&p, again), n);
    for (size_t i = 0; i < n; i++)
        cr_expect(runs[i].test == again[i].test && runs[i].feeder == again[i].feeder &&
                  runs[i].speed_mm_s == again[i].speed_mm_s &&
                  memcmp(&runs[i].conditions, &again[i].conditions, sizeof runs[i].conditions) == 0);
    p.seed++;
    plan_order(&p, again);
    for (size_t i = 0; i < n; i++)
        differ += runs[i].test != again[i].test || runs[i].feeder != again[i].feeder ||
                  runs[i].speed_mm_s != again[i].speed_mm_s;
    cr_expect_gt(differ, n / 4);
    free(runs);
    free(again);
}
