/* The part of plan_check.h about differences between feeders. */
#include "capture/plan_check.h"
#include "capture/seen_difference.h"

#include <math.h>
#include <string.h>

/* Quantities with a value for each push into a blocked end under the feeder's own conditions. */
static const char *const RUN_QUANTITIES[PLAN_CHECK_MATTERS_MAX] = {"stall_force_n", "slip_onset_n"};

static bool gives_values(enum plan_test_kind kind)
{
    return kind == PLAN_BLOCKED_PUSH || kind == PLAN_SPEED_SWEEP;
}

/* The first condition in which two feeders differ by more than the tolerance and which the test does not set
 * itself; NULL: none. */
static const struct condition_difference *differ(const struct plan *p, size_t a, size_t b,
                                                 enum plan_test_kind kind,
                                                 struct condition_difference found[CONDITION_COUNT])
{
    size_t count =
        conditions_compare(&p->feeders[a].conditions, &p->feeders[b].conditions, p->tolerance, found);
    for (size_t i = 0; i < count; i++) {
        if (!plan_test_sets(kind, found[i].id))
            return &found[i];
    }
    return NULL;
}

/* The test that is asked whether feeders are comparable in it: that of the values, else the first. */
static enum plan_test_kind compared_kind(const struct plan *p)
{
    for (size_t i = 0; i < p->test_count; i++) {
        if (gives_values(p->tests[i].kind))
            return p->tests[i].kind;
    }
    return p->tests[0].kind;
}

/* Pairs that may not be compared are named; how many feeders may, the one with the most and it. */
static int count_comparable(struct plan_check *check)
{
    const struct plan *p = &check->plan;
    struct condition_difference found[CONDITION_COUNT];
    struct plan_check_lines *lines = &check->warnings;
    int comparable[PLAN_FEEDERS_MAX] = {0};
    enum plan_test_kind kind = compared_kind(p);
    int most = 0;
    for (size_t a = 0; a < p->feeder_count; a++) {
        for (size_t b = a + 1; b < p->feeder_count; b++) {
            if (differ(p, a, b, kind, found) == NULL) {
                comparable[a]++;
                comparable[b]++;
            }
        }
        most = comparable[a] > most ? comparable[a] : most;
    }
    if (most == 0)
        lines = &check->no;
    for (size_t a = 0; a < p->feeder_count; a++) {
        for (size_t b = a + 1; b < p->feeder_count; b++) {
            const struct condition_difference *d = differ(p, a, b, kind, found);
            if (d != NULL)
                plan_check_say(lines, "%s and %s are not comparable: %s", p->feeders[a].name,
                               p->feeders[b].name, d->text);
        }
    }
    return most + 1;
}

/* Speeds of pushes, each once, times the quantities that each has. */
static int count_values(const struct plan *p)
{
    double speeds[PLAN_TESTS_MAX * PLAN_SPEEDS_MAX];
    int count = 0;
    for (size_t i = 0; i < p->test_count; i++) {
        for (size_t k = 0; gives_values(p->tests[i].kind) && k < p->tests[i].speed_count; k++) {
            bool known = false;
            for (int j = 0; j < count; j++)
                known = known || speeds[j] == p->tests[i].speeds_mm_s[k];
            if (!known)
                speeds[count++] = p->tests[i].speeds_mm_s[k];
        }
    }
    return count * PLAN_CHECK_MATTERS_MAX;
}

static void see_what_matters(struct plan_check *check)
{
    const struct plan *p = &check->plan;
    struct plan_check_seen *seen = &check->seen;
    double scatter_n = check->request.scatter_n;
    for (size_t i = 0; i < PLAN_CHECK_MATTERS_MAX; i++) {
        double difference_n = plan_matters(p, RUN_QUANTITIES[i]);
        char sees[PLAN_CHECK_NUMBER_SIZE];
        int blocks;
        if (!(difference_n > 0))
            continue;
        blocks = scatter_n > 0 ? seen_difference_blocks(seen->feeders, difference_n / scatter_n) : 0;
        seen->matters[seen->matter_count].quantity = RUN_QUANTITIES[i];
        seen->matters[seen->matter_count].difference_n = difference_n;
        seen->matters[seen->matter_count].scatter_most_n = difference_n / seen->ratio;
        seen->matters[seen->matter_count++].blocks = blocks;
        if (!(seen->difference_n > difference_n))
            continue;
        if (blocks > 0)
            plan_check_say(&check->no,
                           "%s: a difference of %g N matters, but beside a scatter of %g N this design sees "
                           "%s N; %d blocks would see it",
                           RUN_QUANTITIES[i], difference_n, scatter_n,
                           plan_check_number(seen->difference_n, sees), blocks);
        else
            plan_check_say(&check->no,
                           "%s: a difference of %g N matters, but beside a scatter of %g N this design sees "
                           "%s N, and even %d blocks would not see it",
                           RUN_QUANTITIES[i], difference_n, scatter_n,
                           plan_check_number(seen->difference_n, sees), SEEN_DIFFERENCE_BLOCKS_MAX);
    }
}

void plan_check_see(struct plan_check *check)
{
    const struct plan *p = &check->plan;
    struct plan_check_seen *seen = &check->seen;
    seen->feeders = p->feeder_count > 1 ? count_comparable(check) : 1;
    seen->values = count_values(p);
    seen->ratio = seen->values > 0 ? seen_difference(seen->feeders, p->blocks) : NAN;
    seen->difference_n = seen->ratio * check->request.scatter_n;
    if (p->feeder_count == 1 && p->matter_count > 0)
        plan_check_say(&check->no, "differences that matter are stated, but there is one feeder and nothing "
                                   "in this series to compare it with");
    if (!isnan(seen->ratio))
        see_what_matters(check);
}
