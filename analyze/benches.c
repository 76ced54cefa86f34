#include "analyze/benches.h"

#include "analyze/bench_test.h"
#include "analyze/benches_between.h"
#include "analyze/benches_rig.h"
#include "analyze/comparison_gate.h"
#include "analyze/comparison_push.h"
#include "datasets/format/kept.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What is asked of all of them. */
struct question {
    const struct session *session; /* NULL: of a table */
    const struct benches_values *all;
    bool onset, mounted; /* mounted: it is known which values share a mounting */
    const char *feeder;  /* NULL: of every one */
    struct benches *benches;
    enum benches_kind kind;
};

static bool same_speed(double a, double b)
{
    return (isnan(a) && isnan(b)) || comparison_same_speed(a, b);
}

static bool same_text(const char *a, const char *b)
{
    return strcmp(a, b) == 0;
}

/* Where a feeder of the session begins among the values, which are in the order of these. */
static bool begins(const struct benches_values *values, size_t i)
{
    return i == 0 || values->v[i - 1].session_feeder != values->v[i].session_feeder;
}

/* Which conditions of one feeder differ, by the two that are furthest apart of all that it was pushed under,
 * and are let pass. first: where it begins. */
static void note_accepted(const struct session *s, const struct benches_values *values, size_t first,
                          struct benches_section *section)
{
    struct condition_difference differences[CONDITION_COUNT];
    struct conditions low = s->feeders[values->v[first].session_feeder].conditions, high = low;
    double tolerance[CONDITION_COUNT];
    size_t count;
    for (size_t k = 0; k < CONDITION_COUNT; k++)
        tolerance[k] = INFINITY;
    for (size_t i = first; i < values->n; i++) {
        const struct feeder_result *f = &s->feeders[values->v[i].session_feeder];
        if (!begins(values, i) || !same_text(values->v[i].feeder, values->v[first].feeder))
            continue;
        conditions_widen(&low, &high, &f->conditions);
        for (size_t k = 0; f->conditions_range != NULL && k < 2; k++)
            conditions_widen(&low, &high, &f->conditions_range[k]);
        for (size_t k = 0; k < CONDITION_COUNT; k++)
            tolerance[k] = fmin(tolerance[k], s->series[f->series]->plan.tolerance[k]);
    }
    count = conditions_compare(&low, &high, tolerance, differences);
    for (size_t k = 0; k < count; k++) {
        const size_t size = sizeof section->accepted[0];
        char *text;
        if (!s->accept[differences[k].id])
            continue;
        if (section->accepted_count == BENCHES_ACCEPTED_MAX) {
            benches_section_refuse(section,
                                   "more than %d differences of conditions would have to be accepted",
                                   (int)BENCHES_ACCEPTED_MAX);
            return;
        }
        text = section->accepted[section->accepted_count++];
        if (section->kind == BENCHES_BETWEEN)
            snprintf(text, size, "%s", differences[k].text);
        else
            snprintf(text, size, "%.63s: %.180s", values->v[first].feeder, differences[k].text);
    }
}

/* One feeder must have been pushed under the same conditions wherever it was, and throughout each series. */
static void check_conditions(const struct session *s, const struct benches_values *values,
                             struct benches_section *section)
{
    for (size_t i = 0; s != NULL && i < values->n; i++) {
        const struct benches_value *a = &values->v[i];
        bool first = begins(values, i);
        for (size_t j = 0; first && j < i; j++)
            first = !same_text(values->v[j].feeder, a->feeder);
        if (first)
            note_accepted(s, values, i, section);
        for (size_t j = i; begins(values, i) && j < values->n && section->why_not[0] == 0; j++) {
            const struct benches_value *b = &values->v[j];
            struct comparison c = {.a = a->session_feeder, .b = b->session_feeder};
            if (!begins(values, j) || !same_text(a->feeder, b->feeder))
                continue;
            comparison_gate(s, &c, NULL);
            if (c.reasons.count > 0 && i == j)
                benches_section_refuse(section, "the conditions of %s differ within series %zu: %s",
                                       a->feeder, a->series + 1, text_list_at(&c.reasons, 0));
            else if (c.reasons.count > 0)
                benches_section_refuse(section, "the conditions of %s differ between series %zu and %zu: %s",
                                       a->feeder, a->series + 1, b->series + 1, text_list_at(&c.reasons, 0));
            comparison_free(&c);
        }
    }
}

static void check_bounds(const struct benches_values *values, struct benches_section *section)
{
    size_t bounds = 0;
    for (size_t i = 0; i < values->n; i++)
        bounds += values->v[i].bound;
    if (bounds > 0)
        benches_section_refuse(
            section,
            "%zu of %zu values are only \"at least\", since a limit came first; raise it, or leave these "
            "pushes out",
            bounds, values->n);
}

/* Pushes of a section that gave no value. */
static size_t pushes_without(const struct question *q, const char *feeder, double speed_mm_s)
{
    size_t count = 0;
    for (size_t i = 0; q->session != NULL && i < q->session->run_count; i++) {
        const struct run_result *run = &q->session->runs[i];
        const struct run_record *record = run->record;
        count += bench_test_is_plain_push(record->test) && comparison_push_value(run, q->onset) == NULL &&
                 same_speed(record->speed_mm_s, speed_mm_s) &&
                 (feeder == NULL || same_text(record->feeder, feeder)) &&
                 (q->feeder == NULL || same_text(record->feeder, q->feeder));
    }
    return count;
}

/* The section of a feeder (NULL: of all) at a speed. */
static enum err_code add_section(const struct question *q, const char *feeder, double speed_mm_s,
                                 struct err *e)
{
    struct benches *b = q->benches;
    struct benches_section *grown, *section;
    struct benches_values part = {malloc((q->all->n + 1) * sizeof *part.v), 0};
    enum err_code code = ERR_OK;
    if (part.v == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for %zu values", q->all->n);
    grown = realloc(b->sections, (b->count + 1) * sizeof *grown);
    if (grown == NULL) {
        free(part.v);
        return err_set(e, ERR_MEMORY, "out of memory for %zu values", q->all->n);
    }
    b->sections = grown;
    section = &grown[b->count++];
    memset(section, 0, sizeof *section);
    section->kind = q->kind;
    section->mounted = q->mounted;
    section->speed_mm_s = speed_mm_s;
    snprintf(section->feeder, sizeof section->feeder, "%s", feeder != NULL ? feeder : "");
    for (size_t i = 0; i < q->all->n; i++) {
        if (same_speed(q->all->v[i].speed_mm_s, speed_mm_s) &&
            (feeder == NULL || same_text(q->all->v[i].feeder, feeder)))
            part.v[part.n++] = q->all->v[i];
    }
    section->runs = section->values = part.n;
    section->without = pushes_without(q, feeder, speed_mm_s);
    check_conditions(q->session, &part, section);
    check_bounds(&part, section);
    if (section->why_not[0] == 0)
        code =
            q->kind == BENCHES_BETWEEN ? benches_between(&part, section, e) : benches_rig(&part, section, e);
    free(part.v);
    return code;
}

/* Whether an earlier value begins the same section. */
static bool begun(const struct question *q, size_t i)
{
    for (size_t j = 0; j < i; j++) {
        if (same_speed(q->all->v[j].speed_mm_s, q->all->v[i].speed_mm_s) &&
            (q->kind == BENCHES_RIG || same_text(q->all->v[j].feeder, q->all->v[i].feeder)))
            return true;
    }
    return false;
}

static enum benches_kind kind_of(const struct benches_values *values)
{
    for (size_t i = 1; i < values->n; i++) {
        if (!same_text(values->v[i].bench, values->v[0].bench))
            return BENCHES_BETWEEN;
    }
    return BENCHES_RIG;
}

static enum err_code answer(struct question *q, struct err *e)
{
    enum err_code code = ERR_OK;
    bool any = false;
    q->kind = kind_of(q->all);
    for (size_t i = 0; i < q->all->n && code == ERR_OK; i++) {
        if (!begun(q, i))
            code = add_section(q, q->kind == BENCHES_BETWEEN ? q->all->v[i].feeder : NULL,
                               q->all->v[i].speed_mm_s, e);
    }
    for (size_t i = 0; i < q->benches->count; i++)
        any = any || q->benches->sections[i].answered;
    if (code == ERR_OK && !any)
        code = err_set(e, ERR_NO_ANSWER, "%s", q->benches->sections[0].why_not);
    if (code != ERR_OK)
        benches_free(q->benches);
    return code;
}

static const char *bench_of(const struct session *s, size_t series)
{
    const struct series *folder = s->series[series];
    return folder->plan.bench[0] != 0 ? folder->plan.bench
           : folder->run_count > 0    ? kept_text_or_empty(folder->runs[0].rig_serial)
                                      : "";
}

/* Runs in the order of series and feeder, then of speed and place: so sections come by speed. */
static int by_mounting(const void *a, const void *b)
{
    const struct benches_value *x = a, *y = b;
    if (x->session_feeder != y->session_feeder)
        return x->session_feeder < y->session_feeder ? -1 : 1;
    if (x->speed_mm_s != y->speed_mm_s)
        return x->speed_mm_s < y->speed_mm_s ? -1 : 1;
    return x->place < y->place ? -1 : x->place > y->place;
}

static enum err_code refuse_choice(const struct session *s, bool onset, const char *feeder, double speed_mm_s,
                                   struct err *e)
{
    bool known = feeder == NULL, at_speed = false;
    for (size_t i = 0; i < s->run_count; i++) {
        known = known || same_text(s->runs[i].record->feeder, feeder);
        at_speed = at_speed || same_speed(s->runs[i].record->speed_mm_s, speed_mm_s);
    }
    if (!known)
        return err_set(e, ERR_USAGE, "--feeder: no '%.60s' in these series", feeder);
    if (!isnan(speed_mm_s) && !at_speed)
        return err_set(e, ERR_USAGE, "--speed: no push at %.6g mm/s in these series", speed_mm_s);
    return err_set(e, ERR_NO_ANSWER, "no push that was asked for gave a %s",
                   onset ? "slip onset" : "stall force");
}

enum err_code benches_from_session(const struct session *s, bool onset, const char *feeder, double speed_mm_s,
                                   struct benches *benches, struct err *e)
{
    struct benches_values all = {calloc(s->run_count + 1, sizeof *all.v), 0};
    struct question q = {
        .session = s, .all = &all, .onset = onset, .mounted = true, .feeder = feeder, .benches = benches};
    enum err_code code;
    memset(benches, 0, sizeof *benches);
    snprintf(benches->quantity, sizeof benches->quantity, "%s", onset ? "slip_onset_n" : "stall_force_n");
    snprintf(benches->unit, sizeof benches->unit, "N");
    if (all.v == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for %zu values", s->run_count);
    for (size_t i = 0; i < s->run_count; i++) {
        const struct run_result *run = &s->runs[i];
        const struct quantity *value = comparison_push_value(run, onset);
        if (value == NULL || (feeder != NULL && !same_text(run->record->feeder, feeder)) ||
            (!isnan(speed_mm_s) && !same_speed(run->record->speed_mm_s, speed_mm_s)))
            continue;
        all.v[all.n++] = (struct benches_value){.feeder = run->record->feeder,
                                                .bench = bench_of(s, run->series),
                                                .operator_name = s->series[run->series]->plan.operator_name,
                                                .refit = "",
                                                .series = run->series,
                                                .session_feeder = run->feeder,
                                                .place = i,
                                                .block = run->record->block,
                                                .speed_mm_s = run->record->speed_mm_s,
                                                .value = value->value,
                                                .bound = value->at_least};
    }
    qsort(all.v, all.n, sizeof *all.v, by_mounting);
    code = all.n > 0 ? answer(&q, e) : refuse_choice(s, onset, feeder, speed_mm_s, e);
    free(all.v);
    return code;
}

enum err_code benches_from_table(const struct bench_table *table, const char *feeder, struct benches *benches,
                                 struct err *e)
{
    struct benches_values all = {calloc(table->n + 1, sizeof *all.v), 0};
    struct question q = {.all = &all, .mounted = table->has[BENCH_TABLE_REFIT], .benches = benches};
    enum err_code code;
    memset(benches, 0, sizeof *benches);
    snprintf(benches->quantity, sizeof benches->quantity, "%s", table->quantity);
    if (all.v == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for %zu values", table->n);
    for (size_t i = 0; i < table->n; i++) {
        const struct bench_table_row *row = &table->rows[i];
        if (feeder != NULL && !same_text(row->text[BENCH_TABLE_FEEDER], feeder))
            continue;
        all.v[all.n++] =
            (struct benches_value){.feeder = row->text[BENCH_TABLE_FEEDER],
                                   .bench = row->text[BENCH_TABLE_BENCH],
                                   .operator_name = row->text[BENCH_TABLE_OPERATOR],
                                   .refit = row->text[BENCH_TABLE_REFIT],
                                   /* Where no refits are named, each row is a value of its own. */
                                   .block = q.mounted ? 0 : (int)i,
                                   .speed_mm_s = NAN,
                                   .value = row->value};
    }
    if (all.n > 0)
        code = answer(&q, e);
    else if (feeder != NULL && !table->has[BENCH_TABLE_FEEDER])
        code = err_set(e, ERR_USAGE, "--feeder: the table has no column of that name");
    else
        code = err_set(e, ERR_USAGE, "--feeder: no '%.60s' in the table", feeder != NULL ? feeder : "");
    free(all.v);
    return code;
}

void benches_free(struct benches *benches)
{
    for (size_t i = 0; i < benches->count; i++)
        benches_section_free(&benches->sections[i]);
    free(benches->sections);
    benches->sections = NULL;
    benches->count = 0;
}

const struct bench_check *benches_check(const struct bench_consistency *c, size_t i)
{
    const struct bench_check *const checks[BENCHES_CHECKS] = {&c->cochran, &c->grubbs_low, &c->grubbs_high,
                                                              &c->grubbs_two_low, &c->grubbs_two_high};
    if (!checks[i]->present || (i >= BENCHES_PAIRS && checks[i - 2]->mark == BENCH_OUTLIER))
        return NULL;
    return checks[i];
}

bool benches_outlier(const struct benches *benches)
{
    for (size_t i = 0; i < benches->count; i++) {
        const struct benches_section *section = &benches->sections[i];
        for (size_t k = 0; section->answered && section->kind == BENCHES_BETWEEN && k < BENCHES_CHECKS; k++) {
            const struct bench_check *check = benches_check(section->consistency, k);
            if (check != NULL && check->mark == BENCH_OUTLIER)
                return true;
        }
    }
    return false;
}
