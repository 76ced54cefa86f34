#include "analyze/benches.h"

#include "analyze/bench_test.h"
#include "analyze/comparison_gate.h"
#include "analyze/comparison_push.h"

#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const BENCHES_FACTOR_NAMES[BENCHES_FACTORS + 1] = {
    "feeder", "operator", "feeder by operator", "setting up again", "refit", "repeat"};

/* One result with what it was made by. A bound is "at least". */
struct value {
    const char *feeder, *bench, *operator_name, *refit;
    size_t series, session_feeder;
    int block;
    double speed_mm_s, value;
    bool bound;
};

struct values {
    struct value *v;
    size_t n;
};

/* What is asked of all of them. */
struct question {
    const struct session *session; /* NULL: of a table */
    const struct values *all;
    struct benches *benches;
    enum benches_kind kind;
};

static bool same_speed(double a, double b)
{
    return (isnan(a) && isnan(b)) || fabs(a - b) <= 1e-6 * fmax(fabs(a), fabs(b));
}

static bool same_text(const char *a, const char *b)
{
    return strcmp(a, b) == 0;
}

/* Whether two values share a level of a factor. Refits belong to a feeder, an operator and a series. */
static bool same_level(enum benches_factor factor, const struct value *a, const struct value *b)
{
    switch (factor) {
    case BENCHES_FEEDER:
        return same_text(a->feeder, b->feeder);
    case BENCHES_OPERATOR:
        return same_text(a->operator_name, b->operator_name);
    case BENCHES_FEEDER_OPERATOR:
        return same_text(a->feeder, b->feeder) && same_text(a->operator_name, b->operator_name);
    case BENCHES_SERIES:
        return a->series == b->series && same_text(a->operator_name, b->operator_name);
    default:
        return a->series == b->series && a->block == b->block && same_text(a->feeder, b->feeder) &&
               same_text(a->operator_name, b->operator_name) && same_text(a->refit, b->refit);
    }
}

/* Number the levels of a factor from 0 on in the order of their first values. Returns how many. */
static size_t number_levels(enum benches_factor factor, const struct values *values, size_t *level)
{
    size_t count = 0, *first = malloc((values->n + 1) * sizeof *first);
    if (first == NULL)
        return 0;
    for (size_t i = 0; i < values->n; i++) {
        size_t k = 0;
        while (k < count && !same_level(factor, &values->v[first[k]], &values->v[i]))
            k++;
        if (k == count)
            first[count++] = i;
        level[i] = k;
    }
    free(first);
    return count;
}

static void refuse(struct benches_section *section, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
static void refuse(struct benches_section *section, const char *format, ...)
{
    va_list arguments;
    if (section->why_not[0] != 0)
        return;
    va_start(arguments, format);
    vsnprintf(section->why_not, sizeof section->why_not, format, arguments);
    va_end(arguments);
}

static void note_accepted(struct benches_section *section, const struct comparison *c)
{
    const size_t most = sizeof section->accepted / sizeof section->accepted[0];
    for (size_t i = 0; i < c->accepted_count; i++) {
        size_t k = 0;
        while (k < section->accepted_count && !same_text(section->accepted[k], c->accepted[i]))
            k++;
        if (k == most)
            refuse(section, "more than %zu conditions that differ would have to be accepted", most);
        else if (k == section->accepted_count)
            snprintf(section->accepted[section->accepted_count++], sizeof section->accepted[0], "%s",
                     c->accepted[i]);
    }
}

/* One feeder must have been pushed under the same conditions wherever it was. */
static void check_conditions(const struct session *s, const struct values *values,
                             struct benches_section *section)
{
    for (size_t i = 0; s != NULL && i < values->n && section->why_not[0] == 0; i++) {
        const struct value *a = &values->v[i];
        for (size_t j = i + 1; j < values->n; j++) {
            const struct value *b = &values->v[j];
            struct comparison c = {.a = a->session_feeder, .b = b->session_feeder};
            /* Each pair of feeders of the session once: where both begin. */
            if (a->session_feeder == b->session_feeder || !same_text(a->feeder, b->feeder) ||
                (i > 0 && values->v[i - 1].session_feeder == a->session_feeder) ||
                values->v[j - 1].session_feeder == b->session_feeder)
                continue;
            comparison_gate(s, &c, NULL);
            note_accepted(section, &c);
            if (c.reason_count > 0)
                refuse(section, "the conditions of %s differ between series %zu and %zu: %s", a->feeder,
                       a->series + 1, b->series + 1, c.reasons[0]);
        }
    }
}

static void check_bounds(const struct values *values, struct benches_section *section)
{
    size_t bounds = 0;
    for (size_t i = 0; i < values->n; i++)
        bounds += values->v[i].bound;
    if (bounds > 0)
        refuse(section, "%zu of %zu values are only \"at least\", since a limit came first", bounds,
               values->n);
}

/* Runs of one mounting become their mean: what a bench would publish. */
static void average_mountings(struct values *values)
{
    size_t kept = 0;
    for (size_t i = 0; i < values->n;) {
        size_t j = i;
        double sum = 0;
        bool bound = false;
        while (j < values->n && same_level(BENCHES_REFIT, &values->v[i], &values->v[j])) {
            sum += values->v[j].value;
            bound = bound || values->v[j].bound;
            j++;
        }
        values->v[kept] = values->v[i];
        values->v[kept].value = sum / (double)(j - i);
        values->v[kept++].bound = bound;
        i = j;
    }
    values->n = kept;
}

/* Index of each value's bench into section->names. */
static bool name_benches(const struct values *values, struct benches_section *section, size_t *bench,
                         size_t *count)
{
    *count = 0;
    section->names = calloc(values->n + 1, sizeof *section->names);
    for (size_t i = 0; section->names != NULL && i < values->n; i++) {
        size_t k = 0;
        while (k < *count && strncmp(section->names[k], values->v[i].bench, BENCHES_NAME_SIZE - 1) != 0)
            k++;
        if (k == *count)
            snprintf(section->names[(*count)++], BENCHES_NAME_SIZE, "%s", values->v[i].bench);
        bench[i] = k;
    }
    return section->names != NULL;
}

/* The answer of a calculation into the section; what it does not know is no error. */
static enum err_code settle(enum err_code code, const struct err *why, struct benches_section *section,
                            struct err *e)
{
    section->answered = code == ERR_OK;
    if (code == ERR_OK)
        return ERR_OK;
    if (code != ERR_NO_ANSWER) {
        if (e != NULL)
            *e = *why;
        return code;
    }
    refuse(section, "%.300s", why->text);
    return ERR_OK;
}

static enum err_code between(struct values *values, struct benches_section *section, struct err *e)
{
    size_t *bench, count;
    double *numbers;
    struct err why = {0};
    enum err_code code = ERR_OK;
    average_mountings(values);
    section->values = values->n;
    bench = malloc((values->n + 1) * sizeof *bench);
    numbers = malloc((values->n + 1) * sizeof *numbers);
    section->consistency = calloc(1, sizeof *section->consistency);
    if (bench == NULL || numbers == NULL || section->consistency == NULL ||
        !name_benches(values, section, bench, &count)) {
        code = err_set(e, ERR_MEMORY, "out of memory for %zu values", values->n);
    } else if (count < 2 || count > BENCH_CONSISTENCY_MAX) {
        refuse(section, count < 2 ? "it was measured on one bench only (%s)" : "too many benches beside %s",
               section->names[0]);
    } else {
        for (size_t i = 0; i < values->n; i++)
            numbers[i] = values->v[i].value;
        code = settle(bench_consistency(numbers, bench, values->n, count, section->consistency, &why), &why,
                      section, e);
    }
    free(bench);
    free(numbers);
    return code;
}

/* Which factors there is something to tell of: more levels than what they lie in, and fewer than values. */
static void choose_factors(const struct values *values, struct benches_section *section,
                           size_t (*level)[BENCHES_FACTORS])
{
    size_t counts[BENCHES_FACTORS], *column = malloc((values->n + 1) * sizeof *column), within;
    for (enum benches_factor f = 0; column != NULL && f < BENCHES_FACTORS; f++) {
        counts[f] = number_levels(f, values, column);
        for (size_t i = 0; i < values->n; i++)
            level[i][f] = column[i];
    }
    free(column);
    for (enum benches_factor f = 0; column != NULL && f < BENCHES_FACTORS; f++) {
        bool wanted = counts[f] > 1;
        within = counts[BENCHES_FEEDER_OPERATOR] > counts[BENCHES_SERIES] ? counts[BENCHES_FEEDER_OPERATOR]
                                                                          : counts[BENCHES_SERIES];
        if (f == BENCHES_FEEDER_OPERATOR)
            wanted = counts[BENCHES_FEEDER] > 1 && counts[BENCHES_OPERATOR] > 1;
        if (f == BENCHES_SERIES)
            wanted = counts[f] > counts[BENCHES_OPERATOR];
        if (f == BENCHES_REFIT)
            wanted = counts[f] > within && counts[f] < values->n;
        section->refits_alone =
            section->refits_alone || (f == BENCHES_REFIT && counts[f] == values->n && values->v[0].block > 0);
        if (!wanted)
            continue;
        section->levels[section->factor_count] = counts[f];
        section->factors[section->factor_count++] = f;
    }
}

static void share_out(struct benches_section *section)
{
    const struct variance_split *split = &section->split;
    if (section->factor_count == 0 || section->factors[0] != BENCHES_FEEDER || !split->components[0].present)
        return;
    section->has_own_share = true;
    section->feeder_sd = split->components[0].sd;
    section->own_share = 1 - split->components[0].share;
    section->own_sd = sqrt(fmax(0, section->own_share * split->total_variance));
}

static enum err_code within_rig(const struct values *values, struct benches_section *section, struct err *e)
{
    struct variance_factor factors[BENCHES_FACTORS] = {{0}};
    size_t(*level)[BENCHES_FACTORS] = malloc((values->n + 1) * sizeof *level),
    *columns = malloc((values->n * BENCHES_FACTORS + 1) * sizeof *columns);
    double *numbers = malloc((values->n + 1) * sizeof *numbers);
    struct err why = {0};
    enum err_code code = ERR_OK;
    section->values = values->n;
    if (level == NULL || columns == NULL || numbers == NULL) {
        code = err_set(e, ERR_MEMORY, "out of memory for %zu values", values->n);
    } else {
        choose_factors(values, section, level);
        for (size_t f = 0; f < section->factor_count; f++) {
            size_t *column = columns + f * values->n;
            for (size_t i = 0; i < values->n; i++)
                column[i] = level[i][section->factors[f]];
            factors[f] = (struct variance_factor){BENCHES_FACTOR_NAMES[section->factors[f]], column,
                                                  section->levels[f]};
            if (section->levels[f] > VARIANCE_SPLIT_LEVELS_MAX)
                refuse(section, "there are more than %d levels of %s", VARIANCE_SPLIT_LEVELS_MAX,
                       factors[f].name);
        }
        for (size_t i = 0; i < values->n; i++)
            numbers[i] = values->v[i].value;
        if (section->factor_count == 0)
            refuse(section, "one feeder, one operator and no refits: there is nothing to split; name more "
                            "than one in the plans");
        else if (section->why_not[0] == 0)
            code = settle(
                variance_split(numbers, values->n, factors, section->factor_count, &section->split, &why),
                &why, section, e);
        if (section->answered)
            share_out(section);
    }
    free(level);
    free(columns);
    free(numbers);
    return code;
}

/* The section of a feeder (NULL: of all) at a speed. */
static enum err_code add_section(const struct question *q, const char *feeder, double speed_mm_s,
                                 struct err *e)
{
    struct benches *b = q->benches;
    struct benches_section *grown = realloc(b->sections, (b->count + 1) * sizeof *grown), *section;
    struct values part = {malloc((q->all->n + 1) * sizeof *part.v), 0};
    enum err_code code = ERR_OK;
    b->sections = grown != NULL ? grown : b->sections;
    if (grown == NULL || part.v == NULL) {
        free(part.v);
        return err_set(e, ERR_MEMORY, "out of memory for %zu values", q->all->n);
    }
    section = &grown[b->count++];
    memset(section, 0, sizeof *section);
    section->kind = q->kind;
    section->speed_mm_s = speed_mm_s;
    snprintf(section->feeder, sizeof section->feeder, "%s", feeder != NULL ? feeder : "");
    for (size_t i = 0; i < q->all->n; i++) {
        if (same_speed(q->all->v[i].speed_mm_s, speed_mm_s) &&
            (feeder == NULL || same_text(q->all->v[i].feeder, feeder)))
            part.v[part.n++] = q->all->v[i];
    }
    section->values = part.n;
    check_conditions(q->session, &part, section);
    check_bounds(&part, section);
    if (section->why_not[0] == 0)
        code = q->kind == BENCHES_BETWEEN ? between(&part, section, e) : within_rig(&part, section, e);
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

static enum benches_kind kind_of(const struct values *values)
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
        code = err_set(e, ERR_NO_ANSWER, "%.300s", q->benches->sections[0].why_not);
    if (code != ERR_OK)
        benches_free(q->benches);
    return code;
}

static const char *bench_of(const struct session *s, size_t series)
{
    const struct series *folder = s->series[series];
    return folder->plan.bench[0] != 0 ? folder->plan.bench
           : folder->run_count > 0    ? folder->runs[0].rig_serial
                                      : "";
}

/* Runs in the order of series, feeder, block and place, as the averages over mountings need it. */
static int by_mounting(const void *a, const void *b)
{
    const struct value *x = a, *y = b;
    if (x->session_feeder != y->session_feeder)
        return x->session_feeder < y->session_feeder ? -1 : 1;
    if (x->speed_mm_s != y->speed_mm_s)
        return x->speed_mm_s < y->speed_mm_s ? -1 : 1;
    return x->block < y->block ? -1 : x->block > y->block;
}

static enum err_code refuse_choice(const struct session *s, const char *feeder, double speed_mm_s,
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
    return err_set(e, ERR_NO_ANSWER, "no push of these series gave a value to look at");
}

enum err_code benches_from_session(const struct session *s, bool onset, const char *feeder, double speed_mm_s,
                                   struct benches *benches, struct err *e)
{
    struct values all = {malloc((s->run_count + 1) * sizeof *all.v), 0};
    struct question q = {.session = s, .all = &all, .benches = benches};
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
        all.v[all.n++] = (struct value){.feeder = run->record->feeder,
                                        .bench = bench_of(s, run->series),
                                        .operator_name = s->series[run->series]->plan.operator_name,
                                        .refit = "",
                                        .series = run->series,
                                        .session_feeder = run->feeder,
                                        .block = run->record->block,
                                        .speed_mm_s = run->record->speed_mm_s,
                                        .value = value->value,
                                        .bound = value->at_least};
    }
    qsort(all.v, all.n, sizeof *all.v, by_mounting);
    code = all.n > 0 ? answer(&q, e) : refuse_choice(s, feeder, speed_mm_s, e);
    free(all.v);
    return code;
}

enum err_code benches_from_table(const struct bench_table *table, const char *feeder, struct benches *benches,
                                 struct err *e)
{
    struct values all = {malloc((table->n + 1) * sizeof *all.v), 0};
    struct question q = {.all = &all, .benches = benches};
    enum err_code code;
    memset(benches, 0, sizeof *benches);
    snprintf(benches->quantity, sizeof benches->quantity, "%s", table->quantity);
    if (all.v == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for %zu values", table->n);
    for (size_t i = 0; i < table->n; i++) {
        const struct bench_table_row *row = &table->rows[i];
        if (feeder != NULL && !same_text(row->text[BENCH_TABLE_FEEDER], feeder))
            continue;
        all.v[all.n++] = (struct value){.feeder = row->text[BENCH_TABLE_FEEDER],
                                        .bench = row->text[BENCH_TABLE_BENCH],
                                        .operator_name = row->text[BENCH_TABLE_OPERATOR],
                                        .refit = row->text[BENCH_TABLE_REFIT],
                                        /* Between benches each row is a value of its own. */
                                        .block = (int)i,
                                        .speed_mm_s = NAN,
                                        .value = row->value};
    }
    if (kind_of(&all) == BENCHES_RIG && table->has[BENCH_TABLE_REFIT]) {
        for (size_t i = 0; i < all.n; i++)
            all.v[i].block = 0;
    }
    code = all.n > 0
               ? answer(&q, e)
               : err_set(e, ERR_USAGE, "--feeder: no '%.60s' in the table", feeder != NULL ? feeder : "");
    free(all.v);
    return code;
}

void benches_free(struct benches *benches)
{
    for (size_t i = 0; i < benches->count; i++) {
        free(benches->sections[i].names);
        free(benches->sections[i].consistency);
    }
    free(benches->sections);
    benches->sections = NULL;
    benches->count = 0;
}

const char *benches_source(const struct benches_section *section, size_t i)
{
    if (i < section->factor_count)
        return BENCHES_FACTOR_NAMES[section->factors[i]];
    return section->refits_alone ? "refit and repeat" : BENCHES_FACTOR_NAMES[BENCHES_FACTORS];
}

bool benches_outlier(const struct benches *benches)
{
    for (size_t i = 0; i < benches->count; i++) {
        const struct bench_consistency *c = benches->sections[i].consistency;
        if (!benches->sections[i].answered || c == NULL)
            continue;
        const struct bench_check *checks[] = {&c->cochran, &c->grubbs_low, &c->grubbs_high,
                                              &c->grubbs_two_low, &c->grubbs_two_high};
        for (size_t k = 0; k < sizeof checks / sizeof checks[0]; k++) {
            if (checks[k]->present && checks[k]->mark == BENCH_OUTLIER)
                return true;
        }
    }
    return false;
}
