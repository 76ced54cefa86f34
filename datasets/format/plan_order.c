/* plan_order of plan.h. */
#include "datasets/format/plan.h"

#include <math.h>

/* SplitMix64 (Steele, Lea and Flood 2014, "Fast splittable pseudorandom number generators"): one word of
 * state, so that the order can be worked out again by anybody in any language. */
static uint64_t next_random(uint64_t *state)
{
    uint64_t z;
    *state += UINT64_C(0x9E3779B97F4A7C15);
    z = *state;
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

/* A number below n, each equally likely: draws in the short last stretch of the 64-bit range are thrown away.
 */
static size_t random_below(uint64_t *state, size_t n)
{
    uint64_t limit = UINT64_MAX - UINT64_MAX % n;
    uint64_t draw;
    do
        draw = next_random(state);
    while (draw >= limit);
    return (size_t)(draw % n);
}

/* Fill order with a random permutation of 0 to n - 1 (Fisher and Yates, from the end down). */
static void shuffle(uint64_t *state, size_t *order, size_t n)
{
    for (size_t i = 0; i < n; i++)
        order[i] = i;
    for (size_t i = n; i > 1; i--) {
        size_t j = random_below(state, i);
        size_t swapped = order[i - 1];
        order[i - 1] = order[j];
        order[j] = swapped;
    }
}

/* One push of a test with a feeder, before it has its place in the order. */
struct push {
    size_t test, place; /* place among the pushes of the test */
    size_t group;
};

/* Take the next digit off *place, which counts through ladders like an odometer: the index in a ladder of
 * count entries, 0 where it has none. */
static size_t next_digit(size_t *place, size_t count)
{
    size_t digit;
    if (count == 0)
        return 0;
    digit = *place % count;
    *place /= count;
    return digit;
}

static void set_condition(struct conditions *c, enum condition_id id, const double *ladder, size_t count,
                          size_t *place)
{
    size_t digit = next_digit(place, count);
    if (count == 0)
        return;
    c->stated[id] = true;
    c->number[id] = ladder[digit];
}

/* The push at a place of a test: its repeat counts fastest, then speed, nip preload, brake load, guide tube
 * and temperature. Number and block are still to be given. */
static struct plan_run make_run(const struct plan *p, size_t feeder, size_t test, size_t place)
{
    const struct plan_test *t = &p->tests[test];
    struct plan_run run = {.feeder = feeder, .test = test, .conditions = p->feeders[feeder].conditions};
    struct conditions *c = &run.conditions;
    if (t->kind == PLAN_ENDURANCE && t->repeats > 0) {
        run.repeat = (int)next_digit(&place, (size_t)t->repeats) + 1;
        run.clean_before = t->clean_every > 0 && run.repeat > 1 && (run.repeat - 1) % t->clean_every == 0;
    }
    if (t->kind == PLAN_MELT_PUSH) {
        run.rate_mm3_s = t->rates_mm3_s[next_digit(&place, t->rate_count)];
        run.speed_mm_s = plan_feed_mm_s(&p->feeders[feeder], run.rate_mm3_s);
    } else {
        run.speed_mm_s = t->speeds_mm_s[next_digit(&place, t->speed_count)];
    }
    set_condition(c, CONDITION_NIP_PRELOAD_N, t->nip_preloads_n, t->nip_preload_count, &place);
    set_condition(c, CONDITION_BRAKE_LOAD_N, t->brake_loads_n, t->brake_load_count, &place);
    set_condition(c, CONDITION_GUIDE_TUBE_BEND_DEG, t->guide_tube_bends_deg, t->guide_tube_bend_count,
                  &place);
    set_condition(c, CONDITION_HOT_END_TEMPERATURE_C, t->hot_end_temperatures_c, t->hot_end_temperature_count,
                  &place);
    return run;
}

static bool is_same(const struct conditions *a, const struct conditions *b, enum condition_id id)
{
    return a->stated[id] == b->stated[id] && (!a->stated[id] || a->number[id] == b->number[id]);
}

/* Whether one push can follow the other without a change that takes long. */
static bool belong_together(const struct plan *p, size_t feeder, const struct push *a, const struct push *b)
{
    struct plan_run x = make_run(p, feeder, a->test, a->place);
    struct plan_run y = make_run(p, feeder, b->test, b->place);
    return plan_end_of(p->tests[a->test].kind) == plan_end_of(p->tests[b->test].kind) &&
           is_same(&x.conditions, &y.conditions, CONDITION_HOT_END_TEMPERATURE_C) &&
           is_same(&x.conditions, &y.conditions, CONDITION_GUIDE_TUBE_BEND_DEG);
}

/* Give each push the number of its group, counted as they first occur, and return how many groups there are.
 * first (room for n) receives the first push of each. */
static size_t form_groups(const struct plan *p, size_t feeder, struct push *pushes, size_t n, size_t *first)
{
    size_t groups = 0;
    for (size_t i = 0; i < n; i++) {
        size_t g = 0;
        while (g < groups && !belong_together(p, feeder, &pushes[first[g]], &pushes[i]))
            g++;
        if (g == groups)
            first[groups++] = i;
        pushes[i].group = g;
    }
    return groups;
}

/* The pushes of one feeder in one block: those in random order, or the endurance ones, as they stand. */
static size_t list_pushes(const struct plan *p, bool endurance, struct push *pushes)
{
    size_t n = 0;
    for (size_t i = 0; i < p->test_count; i++) {
        size_t count = plan_test_pushes(&p->tests[i]);
        if ((p->tests[i].kind == PLAN_ENDURANCE) != endurance)
            continue;
        for (size_t j = 0; j < count && n < PLAN_RUNS_MAX; j++)
            pushes[n++] = (struct push){.test = i, .place = j};
    }
    return n;
}

static void add_run(const struct plan *p, struct plan_run *runs, size_t *n, int block, size_t feeder,
                    const struct push *push)
{
    if (*n == PLAN_RUNS_MAX)
        return;
    runs[*n] = make_run(p, feeder, push->test, push->place);
    runs[*n].number = (int)*n + 1;
    runs[*n].block = block;
    ++*n;
}

size_t plan_order(const struct plan *p, struct plan_run *runs)
{
    uint64_t state = p->seed;
    size_t feeders[PLAN_FEEDERS_MAX];
    struct push pushes[PLAN_RUNS_MAX];
    struct push endurance[PLAN_RUNS_MAX];
    size_t groups[PLAN_RUNS_MAX];
    size_t first[PLAN_RUNS_MAX];
    size_t members[PLAN_RUNS_MAX];
    size_t order[PLAN_RUNS_MAX];
    size_t count = list_pushes(p, false, pushes);
    size_t endurance_count = list_pushes(p, true, endurance);
    size_t n = 0;
    for (int block = 1; block <= p->blocks; block++) {
        shuffle(&state, feeders, p->feeder_count);
        for (size_t i = 0; i < p->feeder_count; i++) {
            size_t group_count = form_groups(p, feeders[i], pushes, count, first);
            shuffle(&state, groups, group_count);
            for (size_t g = 0; g < group_count; g++) {
                size_t member_count = 0;
                for (size_t j = 0; j < count; j++) {
                    if (pushes[j].group == groups[g])
                        members[member_count++] = j;
                }
                shuffle(&state, order, member_count);
                for (size_t j = 0; j < member_count; j++)
                    add_run(p, runs, &n, block, feeders[i], &pushes[members[order[j]]]);
            }
            for (size_t j = 0; j < endurance_count; j++)
                add_run(p, runs, &n, block, feeders[i], &endurance[j]);
        }
    }
    return n;
}
