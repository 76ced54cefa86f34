/* plan.yaml, and the order of runs that comes of it. */
#include "datasets/format/plan.h"
#include "datasets/format/yaml_strict.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static enum err_code read_input(const char *path, void *plan, struct err *e)
{
    return plan_read(path, plan, e);
}

static void check_conditions(const struct conditions *c)
{
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        const struct condition_kind *kind = &CONDITION_KINDS[i];
        if (c->stated[i] && kind->is_number)
            assert(c->number[i] >= kind->low && c->number[i] <= kind->high);
        assert(conditions_find(kind->key) == i);
        assert(strlen(conditions_word(c, (enum condition_id)i)) <= CONDITION_WORD_MAX);
        assert(c->stated[i] || (c->number[i] == 0 && conditions_word(c, (enum condition_id)i)[0] == 0));
    }
}

/* Comparable with itself, with no other order of the two more different than the one, and within what spans
 * both. */
static void check_comparison(const struct conditions *a, const struct conditions *b, const double *tolerance)
{
    struct condition_difference differences[CONDITION_COUNT];
    struct conditions low = *a, high = *a;
    assert(conditions_compare(a, a, tolerance, differences) == 0);
    assert(conditions_compare(a, b, tolerance, differences) ==
           conditions_compare(b, a, tolerance, differences));
    conditions_widen(&low, &high, b);
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        if (a->stated[i] && b->stated[i] && CONDITION_KINDS[i].is_number)
            assert(low.number[i] <= fmin(a->number[i], b->number[i]) &&
                   high.number[i] >= fmax(a->number[i], b->number[i]));
    }
}

static void check_bounds(const struct plan *p)
{
    assert(p->title[0] != 0 && p->calibration[0] != 0);
    assert(p->blocks >= 1 && p->blocks <= 200);
    assert(p->contributor_count <= PLAN_CONTRIBUTORS_MAX && p->matter_count <= PLAN_MATTERS_MAX);
    assert(p->feeder_count >= 1 && p->feeder_count <= PLAN_FEEDERS_MAX);
    assert(p->test_count >= 1 && p->test_count <= PLAN_TESTS_MAX);
    assert(p->force_limit_n > 0 && p->travel_limit_mm > 0 && p->time_limit_s > 0 && p->sample_rate_hz >= 1);
    for (size_t i = 0; i < p->feeder_count; i++) {
        check_conditions(&p->feeders[i].conditions);
        for (size_t j = 0; j < i; j++)
            assert(strcmp(p->feeders[i].name, p->feeders[j].name) != 0);
        check_comparison(&p->feeders[0].conditions, &p->feeders[i].conditions, p->tolerance);
    }
    for (size_t i = 0; i < p->matter_count; i++)
        assert(plan_matters(p, p->matters[i].quantity) > 0);
    assert(isnan(plan_matters(p, "no such quantity")));
}

/* Every push of every test with every feeder is there once in every block, numbered from 1 on, and within the
 * limits. */
static void check_order(const struct plan *p)
{
    static struct plan_run runs[PLAN_RUNS_MAX], again[PLAN_RUNS_MAX];
    static size_t pushes[PLAN_FEEDERS_MAX][PLAN_TESTS_MAX];
    size_t n = plan_order(p, runs), expected = 0, mountings = 0;
    for (size_t t = 0; t < p->test_count; t++)
        expected += plan_test_pushes(&p->tests[t]);
    assert(n == expected * p->feeder_count * (size_t)p->blocks && n >= 1 && n <= PLAN_RUNS_MAX);
    assert(plan_order(p, again) == n && memcmp(runs, again, n * sizeof runs[0]) == 0);
    memset(pushes, 0, sizeof pushes);
    for (size_t i = 0; i < n; i++) {
        const struct plan_run *run = &runs[i];
        const struct plan_test *test;
        assert(run->number == (int)i + 1 && run->feeder < p->feeder_count && run->test < p->test_count);
        test = &p->tests[run->test];
        assert(run->block >= 1 && run->block <= p->blocks && (i == 0 || run->block >= runs[i - 1].block));
        mountings += i == 0 || run->block != runs[i - 1].block || run->feeder != runs[i - 1].feeder;
        pushes[run->feeder][run->test]++;
        check_conditions(&run->conditions);
        assert(run->speed_mm_s > 0 && run->speed_mm_s <= 500.0001);
        assert((run->rate_mm3_s > 0) == (test->kind == PLAN_MELT_PUSH));
        assert((run->repeat > 0) == (test->kind == PLAN_ENDURANCE) && run->repeat <= PLAN_RUNS_MAX);
        assert(test->travel_mm <= p->travel_limit_mm &&
               test->travel_mm / run->speed_mm_s <= p->time_limit_s * 1.0001);
    }
    assert(mountings == p->feeder_count * (size_t)p->blocks);
    for (size_t f = 0; f < p->feeder_count; f++) {
        for (size_t t = 0; t < p->test_count; t++)
            assert(pushes[f][t] == plan_test_pushes(&p->tests[t]) * (size_t)p->blocks);
    }
}

/* A file cut short is refused, unless only what comes behind the end is gone. */
static void check_cut(const struct plan *whole, const uint8_t *bytes, size_t length, uint64_t chance)
{
    static struct plan cut;
    struct err e;
    size_t left = length < 2 ? length : length - 1 - (size_t)(chance % (length < 40 ? length - 1 : 40));
    if (plan_read(fuzz_file(bytes, left), &cut, &e) == ERR_OK)
        assert(memcmp(&cut, whole, sizeof cut) == 0);
}

/* The same file from memory under any name. */
static void check_parse(const uint8_t *bytes, size_t length)
{
    struct yaml_document *document;
    struct err e = {0};
    enum err_code code = yaml_strict_parse((const char *)bytes, length, "a plan", &document, &e);
    fuzz_check_error(code, &e, 1u << ERR_FILE);
    if (code == ERR_OK) {
        const struct yaml_node *root = yaml_root(document);
        size_t n = yaml_length(root);
        assert(yaml_is_mapping(root) + yaml_is_list(root) + yaml_is_scalar(root) == 1);
        assert(yaml_item(root, n) == NULL && yaml_key(root, n) == NULL && yaml_value(root, n) == NULL);
        assert(!yaml_is_scalar(root) || yaml_text(root) != NULL);
        for (size_t i = 0; yaml_is_mapping(root) && i < n; i++)
            assert(yaml_key(root, i)[0] != 0 && yaml_value(root, i) != NULL);
    } else {
        assert(document == NULL);
    }
    yaml_strict_free(document);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct plan plan;
    static const struct fuzz_reader reader = {.size = sizeof plan, .read = read_input};
    uint64_t chance = fuzz_hash(bytes, length);
    char why[160] = "";
    check_parse(bytes, length);
    if (fuzz_read(&reader, bytes, length, &plan) != ERR_OK)
        return 0;
    check_bounds(&plan);
    check_order(&plan);
    check_cut(&plan, bytes, length, chance);
    /* Some day at noon, and what the plan says of dates around it, or of none; why is given whenever it is
     * no. */
    for (int day = -3; day < 4; day++) {
        if (!plan_allows_calibration(&plan, day == 3 ? "lately" : "2031-04-05T12:00:00+02:00",
                                     INT64_C(1933149600) + day * day * day * INT64_C(86400) * 40, why,
                                     sizeof why))
            assert(why[0] != 0 && plan.calibration_max_age_days > 0);
    }
    return 0;
}
