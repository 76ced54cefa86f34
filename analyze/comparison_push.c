#include "analyze/comparison_push.h"

#include "analyze/bench_test.h"
#include "analyze/numerics/difference.h"
#include "analyze/push_budget.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Stall forces that must be known, beside at least half of all, where some are only lower bounds. */
#define UNCENSORED_LEAST 3

static const struct quantity *quantity_of(const struct run_result *run, bool onset)
{
    return onset ? &run->push.slip_onset_n : &run->push.stall_force_n;
}

const struct quantity *comparison_push_value(const struct run_result *run, bool onset)
{
    const struct quantity *q = quantity_of(run, onset);
    return run->analysed && bench_test_is_plain_push(run->record->test) && q->present ? q : NULL;
}

bool comparison_same_speed(double a, double b)
{
    return fabs(a - b) <= 1e-6 * fmax(fabs(a), fabs(b));
}

static bool wanted_run(const struct session *s, const struct run_result *run, size_t feeder,
                       double speed_mm_s, bool onset)
{
    return run->feeder == feeder && run->series == s->feeders[feeder].series &&
           comparison_same_speed(run->record->speed_mm_s, speed_mm_s) &&
           comparison_push_value(run, onset) != NULL;
}

/* Put one run to the value of its feeder and block, which begin at first; sums until all are in. */
static void put_run(struct design_value *values, size_t first, size_t *n, size_t *together, size_t group,
                    const struct run_result *run, bool onset)
{
    const struct quantity *q = quantity_of(run, onset);
    size_t block = run->record->block > 0 ? (size_t)run->record->block - 1 : 0, i = first;
    while (i < *n && values[i].block != block)
        i++;
    if (i == *n) {
        values[i] = (struct design_value){.group = group, .block = block};
        together[i] = 0;
        ++*n;
    }
    values[i].value += q->value;
    values[i].order += run->record->order;
    values[i].at_least = values[i].at_least || q->at_least;
    together[i]++;
}

enum err_code comparison_push_values(const struct session *s, const size_t *feeders, size_t count,
                                     double speed_mm_s, bool onset, struct design_value **values, size_t *n,
                                     struct err *e)
{
    struct design_value *v = malloc((s->run_count + 1) * sizeof *v);
    size_t *together = malloc((s->run_count + 1) * sizeof *together);
    *n = 0;
    *values = NULL;
    if (v == NULL || together == NULL) {
        free(v);
        free(together);
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", count);
    }
    for (size_t g = 0; g < count; g++) {
        size_t first = *n;
        for (size_t k = 0; k < s->run_count; k++) {
            if (wanted_run(s, &s->runs[k], feeders[g], speed_mm_s, onset))
                put_run(v, first, n, together, g, &s->runs[k], onset);
        }
    }
    for (size_t i = 0; i < *n; i++) {
        v[i].value /= (double)together[i];
        v[i].order /= (double)together[i];
    }
    free(together);
    *values = v;
    return ERR_OK;
}

static bool in_one_series(const struct session *s, const size_t *feeders, size_t count)
{
    for (size_t i = 1; i < count; i++) {
        if (s->feeders[feeders[i]].series != s->feeders[feeders[0]].series)
            return false;
    }
    return true;
}

/* How many values each feeder of a question has, and how many of them are known and no lower bounds. */
struct tally {
    size_t values, known;
};

static enum err_code count_values(const struct session *s, const struct comparison_question *q,
                                  struct tally *tallies, struct err *e)
{
    struct design_value *values;
    size_t n;
    enum err_code code =
        comparison_push_values(s, q->feeders, q->count, q->speed_mm_s, q->onset, &values, &n, e);
    for (size_t i = 0; code == ERR_OK && i < n; i++) {
        tallies[values[i].group].values++;
        tallies[values[i].group].known += !values[i].at_least;
    }
    free(values);
    return code;
}

static void refuse_few(struct comparison *c, const struct tally *t, const struct tally *other,
                       const char *name, const char *what)
{
    bool censored = t->known < t->values || other->known < other->values;
    if (t->values == 0)
        comparison_reason(c, "no push of %s gave a %s", name, what);
    else if (t->known == t->values && t->values < 2)
        comparison_reason(c, "only one block of %s has a %s, so nothing is known of its scatter", name, what);
    else if (t->known < t->values && (t->known < UNCENSORED_LEAST || 2 * t->known < t->values))
        comparison_reason(
            c,
            "of %s the %s is known in %zu of %zu blocks only, in the others a limit came first: "
            "%d, and half of all, are needed",
            name, what, t->known, t->values, UNCENSORED_LEAST);
    else if (censored && t->known < UNCENSORED_LEAST)
        comparison_reason(c, "%s has %zu blocks: %d are needed beside a feeder whose pushes met a limit",
                          name, t->known, UNCENSORED_LEAST);
}

/* Pairs of which one feeder has too few values that are known. */
static enum err_code refuse_pairs(struct session *s, const struct comparison_question *q, size_t first,
                                  struct err *e)
{
    struct tally *tallies = calloc(q->count + 1, sizeof *tallies);
    const char *what = q->onset ? "slip onset" : "stall force";
    enum err_code code;
    if (tallies == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", q->count);
    code = count_values(s, q, tallies, e);
    for (size_t i = 0; code == ERR_OK && i < q->count; i++) {
        for (size_t j = i + 1; j < q->count; j++) {
            struct comparison *c = comparison_of(s, q, first, i, j);
            refuse_few(c, &tallies[i], &tallies[j], s->feeders[c->a].name, what);
            refuse_few(c, &tallies[j], &tallies[i], s->feeders[c->b].name, what);
        }
    }
    free(tallies);
    return code;
}

/* What the calibration adds to the uncertainty of a difference. A wrong gain that is common to both stretches
 * both forces and so their difference alike, and a load cell that reads less with rising loads does so for
 * both: their share grows with the difference only. Two calibrations are wrong each in its own way. */
static void add_calibrations(struct budget *budget, const struct session *s, const struct feeder_result *fa,
                             const struct feeder_result *fb, double mean_a, double mean_b, double difference)
{
    const struct calibration *a = &s->series[fa->series]->calibration,
                             *b = &s->series[fb->series]->calibration;
    if (comparison_same_calibration(s, fa, fb)) {
        push_budget_add_calibration(budget, mean_a, mean_a > 0 ? fabs(difference) / mean_a : 0,
                                    ", common to both", a);
        return;
    }
    push_budget_add_calibration(budget, mean_a, 1, " of a", a);
    push_budget_add_calibration(budget, mean_b, 1, " of b", b);
}

static const char *scatter_name(enum design_method method)
{
    switch (method) {
    case DESIGN_PAIRED:
    case DESIGN_BLOCKS_OWN:
        return "scatter of the differences, block by block";
    case DESIGN_BLOCKS_TUKEY:
        return "scatter within the blocks of all";
    case DESIGN_TUKEY:
        return "scatter of the runs of all";
    case DESIGN_CENSORED:
        return "scatter of all, lower bounds counted";
    default:
        return "scatter of the runs of both";
    }
}

void comparison_push_budget(const struct session *s, const struct comparison *c, struct budget *budget)
{
    budget_init(budget);
    push_budget_add(budget, c->scatter_name, c->scatter, c->scatter_degrees, BUDGET_TYPE_A, false);
    add_calibrations(budget, s, &s->feeders[c->a], &s->feeders[c->b], c->mean_a, c->mean_b,
                     c->difference.value);
}

/* One pair as the design has it, in a family of count members, with what the calibration adds. The intervals
 * are those of the design, widened in the same ratio as the standard uncertainty: they agree with the p
 * values.
 */
static void fill_pair(const struct session *s, struct comparison *c, const struct design_pair *pair,
                      const struct design_result *design, size_t count)
{
    const struct feeder_result *fa = &s->feeders[c->a], *fb = &s->feeders[c->b];
    bool same_calibration = comparison_same_calibration(s, fa, fb);
    double d = pair->difference, half = (pair->high_95 - pair->low_95) / 2,
           family_half = (pair->family_high_95 - pair->family_low_95) / 2, wider, degrees;
    struct quantity *q = &c->difference;
    struct budget budget;
    if (!pair->present) {
        comparison_reason(c, "%.200s", pair->why_not);
        return;
    }
    c->by_blocks = design->by_blocks;
    c->method = DESIGN_METHOD_NAMES[design->method];
    c->scatter_name = scatter_name(design->method);
    c->scatter = pair->standard_error;
    c->scatter_degrees = pair->degrees_of_freedom;
    c->mean_a = design->mean[pair->a];
    c->mean_b = design->mean[pair->b];
    q->value = d;
    comparison_push_budget(s, c, &budget);
    *q = budget_combine(&budget, d, pair->n);
    c->has_p_value = true;
    c->p_value_unadjusted = pair->p_alone;
    c->p_value_family = pair->p_family;
    wider = q->standard_uncertainty / pair->standard_error;
    degrees = pair->degrees_of_freedom;
    /* A gain common to both cannot make a difference out of none; two calibrations can. */
    if (!same_calibration) {
        wider = 1;
        degrees = q->degrees_of_freedom;
        half = quantity_t_975(degrees) * q->standard_uncertainty;
        c->p_value_unadjusted = difference_p_value(d, q->standard_uncertainty, degrees);
    }
    /* The design may hold a part of the family only. */
    if (!same_calibration || design->groups != count) {
        double u = same_calibration ? pair->standard_error : q->standard_uncertainty;
        c->p_value_family = comparison_family_p(s->studentised, d, u, degrees, count);
        family_half = comparison_family_factor(s->studentised, degrees, count) * u;
    }
    q->low_95 = d - wider * half;
    q->high_95 = d + wider * half;
    c->family_low_95 = d - wider * family_half;
    c->family_high_95 = d + wider * family_half;
}

/* Values of some of a family's members, those whose series is as given (SIZE_MAX: all), compared as they were
 * run. feeders: of the family, in the order of its members; those that take part go into part. */
static enum err_code compare_part(const struct session *s, const struct comparison_question *q,
                                  const size_t *feeders, size_t count, size_t series, size_t *part,
                                  size_t *part_count, struct design_result *design, struct err *e)
{
    size_t chosen[ANOVA_GROUPS_MAX], n = 0;
    struct design_value *values;
    enum err_code code;
    *part_count = 0;
    for (size_t i = 0; i < count; i++) {
        if (series != SIZE_MAX && s->feeders[feeders[i]].series != series)
            continue;
        chosen[*part_count] = feeders[i];
        part[(*part_count)++] = i;
    }
    if (*part_count < 2)
        return err_set(e, ERR_NO_ANSWER, "a single feeder");
    code = comparison_push_values(s, chosen, *part_count, q->speed_mm_s, q->onset, &values, &n, e);
    if (code == ERR_OK)
        code = design_compare(values, n, *part_count, in_one_series(s, chosen, *part_count), s->studentised,
                              design, e);
    free(values);
    return code;
}

/* Fill the pairs of a part. Of the whole family, pairs within one series are left to their series. */
static void fill_part(struct session *s, const struct comparison_question *q, size_t first,
                      const size_t *members, size_t count, const size_t *part,
                      const struct design_result *design, bool across)
{
    for (size_t k = 0; k < design->pair_count; k++) {
        const struct design_pair *pair = &design->pairs[k];
        struct comparison *c = comparison_of(s, q, first, members[part[pair->a]], members[part[pair->b]]);
        if (!across || s->feeders[c->a].series != s->feeders[c->b].series)
            fill_pair(s, c, pair, design, count);
    }
}

static void refuse_all(struct session *s, const struct comparison_question *q, size_t first,
                       const size_t *members, size_t count, const char *why)
{
    for (size_t i = 0; i < count; i++) {
        for (size_t j = i + 1; j < count; j++) {
            struct comparison *c = comparison_of(s, q, first, members[i], members[j]);
            if (!c->has_p_value && c->reasons.count == 0)
                comparison_reason(c, "%.200s", why);
        }
    }
}

/* A family of one series is one design. Where several series are in it, feeders of one series are compared
 * within its blocks, those of different series without. */
static enum err_code judge(struct session *s, const struct comparison_question *q, size_t first,
                           const size_t *members, size_t count, struct comparison_family *family,
                           struct err *e)
{
    size_t feeders[ANOVA_GROUPS_MAX], part[ANOVA_GROUPS_MAX], part_count;
    struct err why = {0};
    bool across;
    enum err_code code;
    for (size_t i = 0; i < count; i++)
        feeders[i] = q->feeders[members[i]];
    across = !in_one_series(s, feeders, count);
    code = compare_part(s, q, feeders, count, SIZE_MAX, part, &part_count, &family->design, &why);
    family->designed = code == ERR_OK;
    if (code == ERR_OK) {
        fill_part(s, q, first, members, count, part, &family->design, across);
        memcpy(family->value, family->design.mean, count * sizeof *family->value);
        design_result_free(&family->design);
    }
    for (size_t k = 0; across && k < s->series_count && code != ERR_MEMORY; k++) {
        struct design_result *design = malloc(sizeof *design);
        struct err of_part = {0};
        if (design == NULL) {
            code = err_set(&why, ERR_MEMORY, "not enough memory to compare %zu feeders", count);
            break;
        }
        code = compare_part(s, q, feeders, count, k, part, &part_count, design, &of_part);
        if (code == ERR_OK) {
            fill_part(s, q, first, members, count, part, design, false);
            for (size_t i = 0; !family->designed && i < part_count; i++)
                family->value[part[i]] = design->mean[i];
            design_result_free(design);
        } else if (code == ERR_MEMORY) {
            why = of_part;
        }
        free(design);
    }
    if (code == ERR_MEMORY) {
        if (e != NULL)
            *e = why;
        return code;
    }
    refuse_all(s, q, first, members, count, why.text[0] != 0 ? why.text : "the values do not tell");
    return ERR_OK;
}

static const struct speed_point *point_at(const struct feeder_result *f, double speed_mm_s)
{
    for (size_t i = 0; i < f->point_count; i++) {
        if (comparison_same_speed(f->points[i].speed_mm_s, speed_mm_s))
            return &f->points[i];
    }
    return NULL;
}

/* Whether the feeder can be asked: it has the speed, and the onset in every run. */
static bool can_be_asked(const struct feeder_result *f, double speed_mm_s, bool onset)
{
    const struct speed_point *p = point_at(f, speed_mm_s);
    if (p == NULL || p->run_count == 0)
        return false;
    return !onset || (p->slip_onset_n.present && p->no_onset_count == 0);
}

static enum err_code ask(struct session *s, double speed_mm_s, bool onset, size_t *feeders, struct err *e)
{
    struct comparison_question q = {.speed_mm_s = speed_mm_s, .onset = onset, .feeders = feeders};
    size_t first;
    enum err_code code;
    for (size_t i = 0; i < s->feeder_count; i++) {
        if (can_be_asked(&s->feeders[i], speed_mm_s, onset))
            feeders[q.count++] = i;
    }
    if (q.count < 2)
        return ERR_OK;
    snprintf(q.quantity, sizeof q.quantity, "%s", onset ? "slip_onset_n" : "stall_force_n");
    snprintf(q.unit, sizeof q.unit, "N");
    code = comparison_add_pairs(s, &q, NULL, &first, e);
    if (code == ERR_OK)
        code = refuse_pairs(s, &q, first, e);
    return code == ERR_OK ? comparison_form_families(s, &q, first, judge, e) : code;
}

/* Whether an earlier feeder has the speed already. */
static bool asked_before(const struct session *s, size_t feeder, double speed_mm_s)
{
    for (size_t i = 0; i < feeder; i++) {
        if (point_at(&s->feeders[i], speed_mm_s) != NULL)
            return true;
    }
    return false;
}

enum err_code comparison_push_add(struct session *s, struct err *e)
{
    size_t *feeders = malloc((s->feeder_count + 1) * sizeof *feeders);
    enum err_code code = ERR_OK;
    size_t questions = 0;
    if (feeders == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", s->feeder_count);
    for (size_t i = 0; i < s->feeder_count; i++) {
        for (size_t k = 0; k < s->feeders[i].point_count; k++)
            questions += !asked_before(s, i, s->feeders[i].points[k].speed_mm_s);
    }
    progress_begin(s->progress, "comparing feeders", 2 * questions, 2 * questions);
    for (int onset = 0; onset < 2; onset++) {
        for (size_t i = 0; i < s->feeder_count; i++) {
            for (size_t k = 0; code == ERR_OK && k < s->feeders[i].point_count; k++) {
                double speed_mm_s = s->feeders[i].points[k].speed_mm_s;
                if (asked_before(s, i, speed_mm_s))
                    continue;
                code = ask(s, speed_mm_s, onset == 1, feeders, e);
                progress_add(s->progress, 1, 1);
            }
        }
    }
    free(feeders);
    return code;
}
