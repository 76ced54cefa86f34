#include "analyze/comparison.h"

#include "analyze/comparison_push.h"
#include "analyze/numerics/difference.h"
#include "analyze/outcome_comparison.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const VERDICT_NAMES[VERDICT_COUNT] = {"a_higher", "b_higher", "no_difference_shown", "equivalent",
                                                  "not_comparable"};

bool comparison_same_calibration(const struct session *s, const struct feeder_result *fa,
                                 const struct feeder_result *fb)
{
    const struct calibration *a = &s->series[fa->series]->calibration,
                             *b = &s->series[fb->series]->calibration;
    if (fa->series == fb->series)
        return true;
    if (strcmp(a->date, b->date) != 0 || strcmp(a->rig_serial, b->rig_serial) != 0 || a->degree != b->degree)
        return false;
    for (int i = 0; i <= a->degree; i++) {
        if (a->coefficients[i] != b->coefficients[i])
            return false;
        for (int j = 0; j <= a->degree; j++) {
            if (a->covariance[i][j] != b->covariance[i][j])
                return false;
        }
    }
    return true;
}

double comparison_family_p(struct studentised_tables *tables, double difference, double standard_error,
                           double degrees_of_freedom, size_t count)
{
    if (count <= 2 || !(standard_error > 0))
        return difference_p_value(difference, standard_error, degrees_of_freedom);
    return studentised_tables_upper(tables, sqrt(2) * fabs(difference) / standard_error, (int)count,
                                    fmax(1, degrees_of_freedom));
}

double comparison_family_factor(struct studentised_tables *tables, double degrees_of_freedom, size_t count)
{
    return count <= 2 ? quantity_t_975(degrees_of_freedom)
                      : studentised_tables_quantile(tables, COMPARISON_LEVEL, (int)count,
                                                    fmax(1, degrees_of_freedom)) /
                            sqrt(2);
}

static size_t pair_index(size_t count, size_t i, size_t j)
{
    return i * count - i * (i + 1) / 2 + j - i - 1;
}

struct comparison *comparison_of(struct session *s, const struct comparison_question *q, size_t first,
                                 size_t i, size_t j)
{
    return &s->comparisons[first + pair_index(q->count, i, j)];
}

double comparison_matters(const struct session *s, const char *quantity, const size_t *feeders, size_t count)
{
    double least = NAN;
    for (size_t i = 0; i < s->matter_count; i++) {
        if (strcmp(s->matters[i].quantity, quantity) == 0)
            return s->matters[i].difference;
    }
    for (size_t i = 0; i < count; i++)
        least = fmin(least, plan_matters(&s->series[s->feeders[feeders[i]].series]->plan, quantity));
    return least;
}

static const char *idle(const struct session *s, const struct plan_matter *matters, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        size_t k = 0;
        while (k < s->comparison_count && strcmp(s->comparisons[k].quantity, matters[i].quantity) != 0)
            k++;
        if (k == s->comparison_count)
            return matters[i].quantity;
    }
    return NULL;
}

const char *comparison_idle_matter(const struct session *s, bool plans)
{
    const char *found = plans ? NULL : idle(s, s->matters, s->matter_count);
    for (size_t i = 0; plans && found == NULL && i < s->series_count; i++)
        found = idle(s, s->series[i]->plan.matters, s->series[i]->plan.matter_count);
    return found;
}

enum err_code comparison_add_pairs(struct session *s, const struct comparison_question *q,
                                   comparison_ignore *ignore, size_t *first, struct err *e)
{
    size_t pairs = q->count * (q->count - 1) / 2;
    struct comparison *grown =
        realloc(s->comparisons, (s->comparison_count + pairs + 1) * sizeof *s->comparisons);
    *first = s->comparison_count;
    if (grown == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", q->count);
    s->comparisons = grown;
    for (size_t i = 0; i < q->count; i++) {
        for (size_t j = i + 1; j < q->count; j++) {
            struct comparison *c = &s->comparisons[s->comparison_count++];
            bool ignored[CONDITION_COUNT] = {false};
            *c = (struct comparison){.a = q->feeders[i],
                                     .b = q->feeders[j],
                                     .speed_mm_s = q->speed_mm_s,
                                     .family = SIZE_MAX,
                                     .family_low_95 = NAN,
                                     .family_high_95 = NAN,
                                     .seen_difference = NAN,
                                     .verdict = VERDICT_NOT_COMPARABLE};
            snprintf(c->quantity, sizeof c->quantity, "%s", q->quantity);
            snprintf(c->test, sizeof c->test, "%s", q->test);
            snprintf(c->setting, sizeof c->setting, "%s", q->setting);
            snprintf(c->unit, sizeof c->unit, "%s", q->unit);
            c->matters = comparison_matters(s, c->quantity, (const size_t[]){c->a, c->b}, 2);
            if (ignore != NULL)
                ignore(s, c, ignored);
            comparison_gate(s, c, ignored);
        }
    }
    return ERR_OK;
}

void comparison_forget(struct session *s)
{
    for (size_t i = 0; i < s->comparison_count; i++)
        comparison_free(&s->comparisons[i]);
    for (size_t k = 0; k < s->family_count; k++) {
        free(s->families[k].members);
        free(s->families[k].value);
        free(s->families[k].letters);
        free(s->families[k].pairs);
    }
    free(s->comparisons);
    free(s->families);
    s->comparisons = NULL;
    s->families = NULL;
    s->comparison_count = s->family_count = 0;
}

void comparison_budget(const struct session *s, const struct comparison *c, struct budget *budget)
{
    budget_init(budget);
    if (!c->has_p_value)
        return;
    if (c->test[0] == 0)
        comparison_push_budget(s, c, budget);
    else
        outcome_comparison_budget_of(s, c, budget);
}

static bool may_be_compared(struct session *s, const struct comparison_question *q, size_t first, size_t i,
                            size_t j)
{
    const struct comparison *c = comparison_of(s, q, first, i < j ? i : j, i < j ? j : i);
    return c->reasons.count == 0 && !c->reasons.lost;
}

static enum err_code add_family(struct session *s, const struct comparison_question *q, size_t first,
                                comparison_judge *judge, const size_t *members, size_t count, struct err *e)
{
    struct comparison_family *grown = realloc(s->families, (s->family_count + 1) * sizeof *s->families), *f;
    if (grown == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", count);
    s->families = grown;
    f = &s->families[s->family_count];
    memset(f, 0, sizeof *f);
    f->members = calloc(count, sizeof *f->members);
    f->value = calloc(count, sizeof *f->value);
    f->letters = calloc(count, sizeof *f->letters);
    f->pairs = calloc(count * (count - 1) / 2, sizeof *f->pairs);
    if (f->members == NULL || f->value == NULL || f->letters == NULL || f->pairs == NULL) {
        free(f->members);
        free(f->value);
        free(f->letters);
        free(f->pairs);
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", count);
    }
    snprintf(f->quantity, sizeof f->quantity, "%s", q->quantity);
    snprintf(f->test, sizeof f->test, "%s", q->test);
    snprintf(f->setting, sizeof f->setting, "%s", q->setting);
    snprintf(f->unit, sizeof f->unit, "%s", q->unit);
    f->speed_mm_s = q->speed_mm_s;
    f->count = count;
    for (size_t i = 0; i < count; i++) {
        f->members[i] = q->feeders[members[i]];
        for (size_t j = i + 1; j < count; j++) {
            size_t at = first + pair_index(q->count, members[i], members[j]);
            f->pairs[f->pair_count++] = at;
            s->comparisons[at].family = s->family_count;
        }
    }
    s->family_count++;
    return judge(s, q, first, members, count, f, e);
}

/* Members of a family, from feeder i on: each one that may be compared with all before it and is of no family
 * yet. Returns how many. */
static size_t gather_members(struct session *s, const struct comparison_question *q, size_t first, size_t i,
                             bool *placed, size_t *members)
{
    size_t count = 0;
    for (size_t j = i; j < q->count && count < ANOVA_GROUPS_MAX; j++) {
        bool alike = !placed[j];
        for (size_t k = 0; alike && k < count; k++)
            alike = may_be_compared(s, q, first, members[k], j);
        if (alike)
            members[count++] = j;
    }
    for (size_t k = 0; count > 1 && k < count; k++)
        placed[members[k]] = true;
    return count;
}

/* Tolerances are no equivalence: a may be like b and b like c, but a unlike c. What the families leave over
 * is judged pair by pair, each a family of its own. */
enum err_code comparison_form_families(struct session *s, const struct comparison_question *q, size_t first,
                                       comparison_judge *judge, struct err *e)
{
    bool *placed = calloc(q->count + 1, sizeof *placed);
    size_t members[ANOVA_GROUPS_MAX];
    enum err_code code = ERR_OK;
    if (placed == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", q->count);
    for (size_t i = 0; code == ERR_OK && i < q->count; i++) {
        size_t count = placed[i] ? 0 : gather_members(s, q, first, i, placed, members);
        if (count > 1)
            code = add_family(s, q, first, judge, members, count, e);
    }
    for (size_t i = 0; code == ERR_OK && i < q->count; i++) {
        for (size_t j = i + 1; code == ERR_OK && j < q->count; j++) {
            const struct comparison *c = comparison_of(s, q, first, i, j);
            const size_t pair[2] = {i, j};
            if (c->reasons.count == 0 && !c->reasons.lost && c->family == SIZE_MAX)
                code = add_family(s, q, first, judge, pair, 2, e);
        }
    }
    free(placed);
    return code;
}

/* A family and the greatest p value in it. */
struct family_rank {
    size_t family;
    double p;
};

static int by_p(const void *a, const void *b)
{
    const struct family_rank *x = a, *y = b;
    if (x->p != y->p)
        return x->p < y->p ? -1 : 1;
    return x->family < y->family ? -1 : x->family > y->family;
}

/* The families that have p values, that of the least greatest one first; returns how many. */
static size_t rank_families(const struct session *s, struct family_rank *ranks)
{
    size_t count = 0;
    for (size_t f = 0; f < s->family_count; f++)
        ranks[f] = (struct family_rank){f, NAN};
    for (size_t i = 0; i < s->comparison_count; i++) {
        const struct comparison *c = &s->comparisons[i];
        if (c->has_p_value)
            ranks[c->family].p = fmax(ranks[c->family].p, c->p_value_family);
    }
    for (size_t f = 0; f < s->family_count; f++) {
        if (!isnan(ranks[f].p))
            ranks[count++] = ranks[f];
    }
    qsort(ranks, count, sizeof *ranks, by_p);
    return count;
}

/* The least level at which a pair is shown: with the share of the level that is left when the first r of
 * count families are shown whole, which takes reached[r], r at most its own family's rank. reached rises with
 * r and the share falls, so that the least of both lies where they cross. */
static double least_level(const double *reached, size_t count, size_t rank, double p)
{
    size_t low = 0, high = rank;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (reached[middle] >= (double)(count - middle) * p)
            high = middle;
        else
            low = middle + 1;
    }
    double level = fmax(reached[low], (double)(count - low) * p);
    if (low > 0)
        level = fmin(level, (double)(count - low + 1) * p);
    return fmin(1, level);
}

/* A family hands its share of the level on to the others only when all its pairs are shown: one that holds
 * pairs which may be alike still spends it (Bretz, Maurer, Brannath, Posch, Stat. Med. 28 (2009) 586-604).
 * With a single pair in each family that is Holm, Scand. J. Statist. 6 (1979) 65-70. */
static enum err_code adjust(struct session *s, struct err *e)
{
    struct family_rank *ranks = malloc((s->family_count + 1) * sizeof *ranks);
    double *reached = calloc(s->family_count + 1, sizeof *reached);
    size_t *rank = calloc(s->family_count + 1, sizeof *rank), count = 0;
    enum err_code code = ERR_OK;
    if (ranks == NULL || reached == NULL || rank == NULL) {
        code = err_set(e, ERR_MEMORY, "not enough memory to adjust the p values of %zu families",
                       s->family_count);
        goto out;
    }
    count = rank_families(s, ranks);
    for (size_t r = 0; r < count; r++) {
        rank[ranks[r].family] = r;
        reached[r + 1] = fmax(reached[r], fmin(1, (double)(count - r) * ranks[r].p));
    }
    for (size_t i = 0; i < s->comparison_count; i++) {
        struct comparison *c = &s->comparisons[i];
        if (c->has_p_value)
            c->p_value = least_level(reached, count, rank[c->family], c->p_value_family);
    }
    s->adjusted_count = count;
out:
    free(ranks);
    free(reached);
    free(rank);
    return code;
}

/* Whether the two differ by less than what matters: adjusted over all pairs for which that is asked. */
static enum err_code test_equivalence(struct session *s, struct err *e)
{
    double *p = malloc((s->comparison_count + 1) * sizeof *p),
           *adjusted = malloc((s->comparison_count + 1) * sizeof *p);
    if (p == NULL || adjusted == NULL) {
        free(p);
        free(adjusted);
        return err_set(e, ERR_MEMORY, "not enough memory to adjust %zu p values", s->comparison_count);
    }
    for (size_t i = 0; i < s->comparison_count; i++) {
        const struct comparison *c = &s->comparisons[i];
        p[i] = NAN;
        if (c->has_p_value && c->matters > 0)
            p[i] = design_equivalence_p(c->difference.value, c->difference.standard_uncertainty,
                                        c->difference.degrees_of_freedom, c->matters);
    }
    if (!difference_holm(p, s->comparison_count, adjusted)) {
        free(p);
        free(adjusted);
        return err_set(e, ERR_MEMORY, "not enough memory to adjust %zu p values", s->comparison_count);
    }
    for (size_t i = 0; i < s->comparison_count; i++) {
        s->comparisons[i].has_equivalence_p_value = !isnan(p[i]);
        s->comparisons[i].equivalence_p_value = adjusted[i];
    }
    free(p);
    free(adjusted);
    return ERR_OK;
}

static void give_verdicts(struct session *s)
{
    for (size_t i = 0; i < s->comparison_count; i++) {
        struct comparison *c = &s->comparisons[i];
        if (!c->has_p_value)
            continue;
        c->shown = c->p_value < COMPARISON_LEVEL;
        if (c->has_equivalence_p_value && c->equivalence_p_value < COMPARISON_LEVEL)
            c->verdict = VERDICT_EQUIVALENT;
        else if (c->shown)
            c->verdict = c->difference.value > 0 ? VERDICT_A_HIGHER : VERDICT_B_HIGHER;
        else
            c->verdict = VERDICT_NO_DIFFERENCE_SHOWN;
    }
}

/* A family in which no pair could be judged has no members to rank. */
static void drop_unjudged(struct session *s)
{
    for (size_t k = 0; k < s->family_count; k++) {
        bool judged = false;
        for (size_t i = 0; !judged && i < s->families[k].pair_count; i++)
            judged = s->comparisons[s->families[k].pairs[i]].has_p_value;
        if (!judged)
            s->families[k].count = 0;
    }
}

/* Members with their values, the highest first; groups of the design keep the order of session.feeders. */
static void rank_members(struct comparison_family *f)
{
    for (size_t i = 1; i < f->count; i++) {
        for (size_t j = i; j > 0 && f->value[j] > f->value[j - 1]; j--) {
            double value = f->value[j];
            size_t member = f->members[j];
            f->value[j] = f->value[j - 1];
            f->members[j] = f->members[j - 1];
            f->value[j - 1] = value;
            f->members[j - 1] = member;
        }
    }
}

static size_t rank_of(const struct comparison_family *f, size_t feeder)
{
    size_t i = 0;
    while (i < f->count && f->members[i] != feeder)
        i++;
    return i;
}

static enum err_code give_letters(struct session *s, struct err *e)
{
    bool *differ = malloc(ANOVA_GROUPS_MAX * ANOVA_GROUPS_MAX);
    if (differ == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the letters of groups");
    for (size_t k = 0; k < s->family_count; k++) {
        struct comparison_family *f = &s->families[k];
        rank_members(f);
        memset(differ, 0, f->count * f->count);
        for (size_t i = 0; f->count > 0 && i < f->pair_count; i++) {
            const struct comparison *c = &s->comparisons[f->pairs[i]];
            if (!c->shown)
                continue;
            size_t a = rank_of(f, c->a), b = rank_of(f, c->b);
            differ[a * f->count + b] = differ[b * f->count + a] = true;
        }
        if (!group_letters(differ, f->count, f->letters))
            memset(f->letters, 0, f->count * sizeof *f->letters);
    }
    free(differ);
    return ERR_OK;
}

enum err_code comparison_all(struct session *s, struct err *e)
{
    enum err_code code;
    s->comparisons = NULL;
    s->families = NULL;
    s->comparison_count = s->family_count = s->adjusted_count = 0;
    code = comparison_push_add(s, e);
    if (code == ERR_OK)
        code = outcome_comparison_add(s, e);
    if (code == ERR_OK)
        code = adjust(s, e);
    if (code == ERR_OK)
        code = test_equivalence(s, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0; i < s->comparison_count; i++) {
        if (s->comparisons[i].reasons.lost || s->comparisons[i].accepted.lost)
            return err_set(e, ERR_MEMORY, "not enough memory to say why feeders cannot be compared");
    }
    give_verdicts(s);
    drop_unjudged(s);
    return give_letters(s, e);
}
