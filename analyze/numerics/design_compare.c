#include "analyze/numerics/design_compare.h"

#include "analyze/numerics/censored_normal.h"
#include "analyze/numerics/difference.h"
#include "analyze/numerics/quantity.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const DESIGN_METHOD_NAMES[DESIGN_METHODS] = {
    [DESIGN_PAIRED] = "paired t test, block by block",
    [DESIGN_WELCH] = "Welch's t test",
    [DESIGN_BLOCKS_TUKEY] = "Tukey-Kramer within blocks",
    [DESIGN_BLOCKS_OWN] = "paired t tests within blocks, adjusted by Holm",
    [DESIGN_TUKEY] = "Tukey-Kramer",
    [DESIGN_GAMES_HOWELL] = "Games-Howell",
    [DESIGN_CENSORED] = "likelihood of censored normal values",
};

#define LEVEL            0.05
#define CENSORED_FREEDOM 3 /* least degrees of freedom with which blocks are kept among censored values */

/* The values in use, as columns. */
struct columns {
    size_t n, groups, blocks;
    double *value, *order;
    size_t *group, *block;
    bool *at_least;
    size_t censored;
};

static void free_columns(struct columns *c)
{
    free(c->value);
    free(c->order);
    free(c->group);
    free(c->block);
    free(c->at_least);
    memset(c, 0, sizeof *c);
}

static bool allocate_columns(struct columns *c, size_t n, size_t groups)
{
    memset(c, 0, sizeof *c);
    c->groups = groups;
    c->value = malloc((n + 1) * sizeof *c->value);
    c->order = malloc((n + 1) * sizeof *c->order);
    c->group = malloc((n + 1) * sizeof *c->group);
    c->block = malloc((n + 1) * sizeof *c->block);
    c->at_least = malloc((n + 1) * sizeof *c->at_least);
    if (c->value != NULL && c->order != NULL && c->group != NULL && c->block != NULL && c->at_least != NULL)
        return true;
    free_columns(c);
    return false;
}

/* Index of the value of that feeder in that block; n when there is none. */
static size_t find_cell(const struct columns *c, size_t group, size_t block)
{
    size_t i = 0;
    while (i < c->n && (c->group[i] != group || c->block[i] != block))
        i++;
    return i;
}

/* Copy the values; with blocks, several of a feeder in a block become their mean. */
static bool take_values(struct columns *c, const struct design_value *values, size_t n, size_t groups,
                        bool with_blocks)
{
    double *together = calloc(n + 1, sizeof *together);
    bool done = together != NULL && allocate_columns(c, n, groups);
    for (size_t i = 0; done && i < n; i++) {
        size_t at = with_blocks ? find_cell(c, values[i].group, values[i].block) : c->n;
        if (at == c->n) {
            c->n++;
            c->group[at] = values[i].group;
            c->block[at] = values[i].block;
            c->value[at] = c->order[at] = 0;
            c->at_least[at] = false;
        }
        together[at]++;
        c->value[at] += (values[i].value - c->value[at]) / together[at];
        c->order[at] += (values[i].order - c->order[at]) / together[at];
        c->at_least[at] = c->at_least[at] || values[i].at_least;
    }
    for (size_t i = 0; done && i < c->n; i++)
        c->censored += c->at_least[i];
    free(together);
    return done;
}

/* Leave out blocks with a single feeder, and those in which no value is known, and number the others from 0.
 */
static bool keep_shared_blocks(struct columns *c)
{
    size_t kept = 0, *number = malloc((c->n + 1) * sizeof *number);
    if (number == NULL)
        return false;
    for (size_t i = 0; i < c->n; i++) {
        bool shared = false, known = false;
        for (size_t j = 0; j < c->n; j++) {
            if (c->block[j] != c->block[i])
                continue;
            shared = shared || c->group[j] != c->group[i];
            known = known || !c->at_least[j];
        }
        /* Marked by a number that is none; rows move only when all are looked at. */
        number[i] = shared && known ? 0 : SIZE_MAX;
    }
    c->censored = 0;
    for (size_t i = 0; i < c->n; i++) {
        if (number[i] == SIZE_MAX)
            continue;
        c->value[kept] = c->value[i];
        c->order[kept] = c->order[i];
        c->group[kept] = c->group[i];
        c->block[kept] = c->block[i];
        c->at_least[kept] = c->at_least[i];
        c->censored += c->at_least[i];
        kept++;
    }
    c->n = kept;
    c->blocks = 0;
    for (size_t i = 0; i < kept; i++) {
        size_t j = 0;
        while (j < i && c->block[j] != c->block[i])
            j++;
        number[i] = j < i ? number[j] : c->blocks++;
    }
    memcpy(c->block, number, kept * sizeof *number);
    free(number);
    return true;
}

static void count_values(const struct columns *c, size_t *count)
{
    for (size_t g = 0; g < c->groups; g++)
        count[g] = 0;
    for (size_t i = 0; i < c->n; i++)
        count[c->group[i]]++;
}

static void plain_means(const struct columns *c, struct design_result *r)
{
    long double sums[ANOVA_GROUPS_MAX] = {0};
    for (size_t i = 0; i < c->n; i++)
        sums[c->group[i]] += c->value[i];
    for (size_t g = 0; g < c->groups; g++)
        r->mean[g] = r->count[g] > 0 ? (double)(sums[g] / (long double)r->count[g]) : NAN;
}

/* Everything of a pair that follows from its difference, standard error and degrees of freedom. */
static void judge_pair(struct design_pair *pair, size_t groups, struct studentised_tables *tables)
{
    double n = pair->degrees_of_freedom, half, family_half;
    if (!(pair->standard_error > 0) || !isfinite(pair->standard_error) || !(n > 0)) {
        snprintf(pair->why_not, sizeof pair->why_not,
                 "the values do not scatter at all, so a difference has no standard error");
        return;
    }
    pair->present = true;
    pair->t = pair->difference / pair->standard_error;
    pair->p_alone = difference_p_value(pair->difference, pair->standard_error, n);
    half = quantity_t_975(n) * pair->standard_error;
    family_half = half;
    pair->p_family = pair->p_alone;
    if (groups > 2) {
        pair->p_family = studentised_tables_upper(tables, M_SQRT2 * fabs(pair->t), (int)groups, fmax(1, n));
        family_half = studentised_tables_quantile(tables, LEVEL, (int)groups, fmax(1, n)) / M_SQRT2 *
                      pair->standard_error;
    }
    pair->low_95 = pair->difference - half;
    pair->high_95 = pair->difference + half;
    pair->family_low_95 = pair->difference - family_half;
    pair->family_high_95 = pair->difference + family_half;
}

static void refuse_pair(struct design_pair *pair, const struct err *why)
{
    snprintf(pair->why_not, sizeof pair->why_not, "%.150s", why->text);
}

static void take_difference(struct design_pair *pair, const struct difference *d)
{
    pair->difference = d->mean;
    pair->standard_error = d->standard_error;
    pair->degrees_of_freedom = d->degrees_of_freedom;
}

/* The values of two feeders in the blocks that both have; returns how many. */
static size_t shared_values(const struct columns *c, size_t a, size_t b, double *of_a, double *of_b)
{
    size_t n = 0;
    for (size_t i = 0; i < c->n; i++) {
        size_t j = c->group[i] == a ? find_cell(c, b, c->block[i]) : c->n;
        if (j == c->n)
            continue;
        of_a[n] = c->value[i];
        of_b[n++] = c->value[j];
    }
    return n;
}

static size_t values_of(const struct columns *c, size_t group, double *values)
{
    size_t n = 0;
    for (size_t i = 0; i < c->n; i++) {
        if (c->group[i] == group)
            values[n++] = c->value[i];
    }
    return n;
}

/* Every pair has an estimate of scatter of its own, from few blocks: their studentised range has no common
 * denominator, and its quantiles would claim too much. Holm's steps hold whatever the pairs have in common;
 * the intervals are Bonferroni's. */
static enum err_code adjust_pairs(struct design_result *r, struct err *e)
{
    double *p = malloc((r->pair_count + 1) * sizeof *p), *adjusted = malloc((r->pair_count + 1) * sizeof *p);
    size_t present = 0;
    if (p == NULL || adjusted == NULL) {
        free(p);
        free(adjusted);
        return err_set(e, ERR_MEMORY, "not enough memory for %zu pairs", r->pair_count);
    }
    for (size_t i = 0; i < r->pair_count; i++) {
        p[i] = r->pairs[i].present ? r->pairs[i].p_alone : NAN;
        present += r->pairs[i].present;
    }
    if (!difference_holm(p, r->pair_count, adjusted)) {
        free(p);
        free(adjusted);
        return err_set(e, ERR_MEMORY, "not enough memory for %zu pairs", r->pair_count);
    }
    for (size_t i = 0; i < r->pair_count; i++) {
        struct design_pair *pair = &r->pairs[i];
        double half;
        if (!pair->present)
            continue;
        half =
            gsl_cdf_tdist_Qinv(LEVEL / 2 / (double)present, pair->degrees_of_freedom) * pair->standard_error;
        pair->p_family = adjusted[i];
        pair->family_low_95 = pair->difference - half;
        pair->family_high_95 = pair->difference + half;
    }
    free(p);
    free(adjusted);
    return ERR_OK;
}

/* Each pair with its own scatter: within shared blocks, or as two independent groups. */
static enum err_code own_scatter(const struct columns *c, struct design_result *r, bool blocks,
                                 struct studentised_tables *tables, struct err *e)
{
    double *a = malloc((c->n + 1) * sizeof *a), *b = malloc((c->n + 1) * sizeof *b);
    /* Each pair is then judged as if it were the only one, and adjusted at the end. */
    const bool holm = blocks && r->groups > 2;
    if (a == NULL || b == NULL) {
        free(a);
        free(b);
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu values", c->n);
    }
    for (size_t i = 0; i < r->pair_count; i++) {
        struct design_pair *pair = &r->pairs[i];
        struct difference d;
        struct err why = {0};
        enum err_code code;
        if (blocks) {
            pair->n = shared_values(c, pair->a, pair->b, a, b);
            code = difference_paired(a, b, pair->n, &d, &why);
        } else {
            size_t na = values_of(c, pair->a, a), nb = values_of(c, pair->b, b);
            pair->n = na < nb ? na : nb;
            code = difference_welch(a, na, b, nb, &d, &why);
        }
        if (code != ERR_OK) {
            refuse_pair(pair, &why);
            continue;
        }
        take_difference(pair, &d);
        judge_pair(pair, holm ? 2 : r->groups, tables);
    }
    free(a);
    free(b);
    return holm ? adjust_pairs(r, e) : ERR_OK;
}

/* Each pair with the scatter of all. covariance: of the means, over the residual variance; row length given.
 */
static void pooled_scatter(struct design_result *r, const double *covariance, size_t row,
                           struct studentised_tables *tables)
{
    for (size_t i = 0; i < r->pair_count; i++) {
        struct design_pair *pair = &r->pairs[i];
        size_t a = pair->a, b = pair->b;
        double square = covariance[a * row + a] + covariance[b * row + b] - 2 * covariance[a * row + b];
        pair->n = r->count[a] < r->count[b] ? r->count[a] : r->count[b];
        pair->difference = r->mean[a] - r->mean[b];
        pair->standard_error = r->residual_sd * sqrt(square);
        pair->degrees_of_freedom = r->degrees_of_freedom;
        judge_pair(pair, r->groups, tables);
    }
}

/* F of a single pair, for the design as a whole. */
static void test_pair(struct design_result *r)
{
    const struct design_pair *pair = &r->pairs[0];
    if (pair->present)
        r->feeders = (struct anova_test){true, pair->t * pair->t, 1, pair->degrees_of_freedom, pair->p_alone};
}

/* The place of each value within its block, from 1, by its order. */
static void places(const struct columns *c, double *place)
{
    for (size_t i = 0; i < c->n; i++) {
        place[i] = 1;
        for (size_t j = 0; j < c->n; j++)
            place[i] += c->block[j] == c->block[i] && c->order[j] < c->order[i];
    }
}

/* Whether it matters when a value was taken. Shown, never taken out. blocks: of the same values, where they
 * were compared within blocks. */
static void test_order(const struct columns *c, struct design_result *r, const struct anova_blocks *blocks)
{
    double *when = malloc((c->n + 1) * sizeof *when);
    struct anova_covariate with;
    r->order_slope = NAN;
    if (when == NULL)
        return;
    if (r->by_blocks)
        places(c, when);
    else
        memcpy(when, c->order, c->n * sizeof *when);
    if (anova_covariate(c->value, c->group, r->by_blocks ? c->block : NULL, when, c->n, c->groups,
                        r->by_blocks ? c->blocks : 1, r->by_blocks ? blocks->residual_square : NAN, &with,
                        NULL) == ERR_OK) {
        r->order = with.test;
        r->order_slope = with.slope;
    }
    free(when);
}

/* Whether each pair in blocks needs a scatter of its own; keeps the test that says so. */
static bool scatters_differ(const struct columns *c, const double *residuals, struct design_result *r)
{
    struct anova_test three;
    r->scatter = anova_equal_scatter(residuals, c->group, c->n, c->groups);
    if (r->scatter.present && r->scatter.p_value < DESIGN_SCATTER_LEVEL_BLOCKS)
        return true;
    if (c->groups != 3)
        return false;
    three = anova_equal_differences(c->value, c->group, c->block, c->n, c->blocks);
    if (!three.present || three.p_value >= DESIGN_SCATTER_LEVEL_THREE)
        return false;
    r->scatter = three;
    return true;
}

/* Feeders run in blocks. ERR_NO_ANSWER: not connected, or nothing left for the scatter. */
static enum err_code compare_in_blocks(const struct columns *c, struct design_result *r,
                                       struct anova_blocks *a, struct studentised_tables *tables,
                                       struct err *e)
{
    double *residuals = malloc((c->n + 1) * sizeof *residuals);
    enum err_code code;
    if (residuals == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu values", c->n);
    code = anova_blocks(c->value, c->group, c->block, c->n, c->groups, c->blocks, a, residuals, e);
    if (code != ERR_OK)
        goto out;
    r->by_blocks = true;
    r->blocks = c->blocks;
    r->incomplete = c->n < c->groups * c->blocks;
    r->block = a->blocks_test;
    r->feeders = a->groups_test;
    r->residual_sd = a->residual_sd;
    r->degrees_of_freedom = a->degrees_of_freedom;
    memcpy(r->mean, a->effect, sizeof r->mean);
    if (c->groups == 2) {
        r->method = DESIGN_PAIRED;
        plain_means(c, r);
        code = own_scatter(c, r, true, tables, e);
        test_pair(r);
        goto out;
    }
    if (scatters_differ(c, residuals, r)) {
        r->method = DESIGN_BLOCKS_OWN;
        code = own_scatter(c, r, true, tables, e);
        r->residual_sd = NAN;
    } else {
        r->method = DESIGN_BLOCKS_TUKEY;
        pooled_scatter(r, &a->covariance[0][0], ANOVA_GROUPS_MAX, tables);
    }
out:
    free(residuals);
    return code;
}

static enum err_code compare_groups(const struct columns *c, struct design_result *r,
                                    struct studentised_tables *tables, struct err *e)
{
    struct anova_one_way one;
    enum err_code code;
    r->by_blocks = false;
    r->blocks = 0;
    plain_means(c, r);
    code = anova_one_way(c->value, c->group, c->n, c->groups, &one, e);
    if (code != ERR_OK)
        return code;
    r->residual_sd = one.residual_sd;
    r->degrees_of_freedom = (double)(c->n - c->groups);
    r->scatter = anova_equal_scatter(c->value, c->group, c->n, c->groups);
    r->feeders = one.test;
    if (c->groups == 2) {
        r->method = DESIGN_WELCH;
        code = own_scatter(c, r, false, tables, e);
        test_pair(r);
    } else if (r->scatter.present && r->scatter.p_value < DESIGN_SCATTER_LEVEL) {
        r->method = DESIGN_GAMES_HOWELL;
        r->feeders = one.welch;
        r->residual_sd = NAN;
        code = own_scatter(c, r, false, tables, e);
    } else {
        double *covariance = calloc(c->groups * c->groups, sizeof *covariance);
        if (covariance == NULL)
            return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", c->groups);
        r->method = DESIGN_TUKEY;
        for (size_t g = 0; g < c->groups; g++)
            covariance[g * c->groups + g] = 1 / (double)r->count[g];
        pooled_scatter(r, covariance, c->groups, tables);
        free(covariance);
    }
    return code;
}

static enum err_code compare_censored(const struct columns *c, struct design_result *r, bool blocks,
                                      struct studentised_tables *tables, struct err *e)
{
    struct censored_normal fit;
    enum err_code code = censored_normal(c->value, c->at_least, c->group, blocks ? c->block : NULL, c->n,
                                         c->groups, blocks ? c->blocks : 1, &fit, e);
    if (code != ERR_OK)
        return code;
    if (blocks && fit.degrees_of_freedom < CENSORED_FREEDOM)
        return err_set(e, ERR_NO_ANSWER, "blocks take all but %g degrees of freedom", fit.degrees_of_freedom);
    r->method = DESIGN_CENSORED;
    r->by_blocks = blocks;
    r->blocks = blocks ? c->blocks : 0;
    r->incomplete = blocks && c->n < c->groups * c->blocks;
    r->residual_sd = fit.sigma_corrected;
    r->degrees_of_freedom = fit.degrees_of_freedom;
    memcpy(r->mean, fit.mean, c->groups * sizeof *r->mean);
    for (size_t i = 0; i < r->pair_count; i++) {
        struct design_pair *pair = &r->pairs[i];
        size_t a = pair->a, b = pair->b;
        pair->n = r->count[a] < r->count[b] ? r->count[a] : r->count[b];
        pair->difference = fit.mean[a] - fit.mean[b];
        pair->standard_error = sqrt(fit.covariance[a][a] + fit.covariance[b][b] - 2 * fit.covariance[a][b]);
        pair->degrees_of_freedom = fit.degrees_of_freedom;
        judge_pair(pair, r->groups, tables);
    }
    return ERR_OK;
}

static enum err_code begin(const struct columns *c, struct design_result *r, struct err *e)
{
    size_t next = 0;
    memset(r, 0, sizeof *r);
    r->groups = c->groups;
    r->values = c->n;
    r->censored = c->censored;
    r->block.p_value = r->order.p_value = r->scatter.p_value = r->feeders.p_value = NAN;
    r->residual_sd = r->order_slope = NAN;
    count_values(c, r->count);
    for (size_t g = 0; g < c->groups; g++) {
        if (r->count[g] < 2)
            return err_set(e, ERR_NO_ANSWER, "feeder %zu of the comparison has %zu value%s; 2 are needed",
                           g + 1, r->count[g], r->count[g] == 1 ? "" : "s");
    }
    r->pairs = calloc(c->groups * (c->groups - 1) / 2 + 1, sizeof *r->pairs);
    if (r->pairs == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", c->groups);
    for (size_t i = 0; i < c->groups; i++) {
        for (size_t j = i + 1; j < c->groups; j++)
            r->pairs[next++] = (struct design_pair){.a = i, .b = j, .p_alone = NAN, .p_family = NAN};
    }
    r->pair_count = next;
    return ERR_OK;
}

static enum err_code require_pair(const struct design_result *r, struct err *e)
{
    for (size_t i = 0; i < r->pair_count; i++) {
        if (r->pairs[i].present)
            return ERR_OK;
    }
    return err_set(e, ERR_NO_ANSWER, "%s", r->pairs[0].why_not);
}

/* One attempt, with or without blocks. */
static enum err_code attempt(const struct design_value *values, size_t n, size_t groups, bool blocks,
                             struct studentised_tables *tables, struct design_result *r,
                             struct anova_blocks *a, struct err *e)
{
    struct columns c;
    enum err_code code;
    if (!take_values(&c, values, n, groups, blocks))
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu values", n);
    if (blocks && !keep_shared_blocks(&c)) {
        free_columns(&c);
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu values", n);
    }
    code = begin(&c, r, e);
    if (code == ERR_OK && blocks && c.blocks < 2)
        code = err_set(e, ERR_NO_ANSWER, "no two blocks are shared");
    if (code == ERR_OK)
        code = c.censored > 0 ? compare_censored(&c, r, blocks, tables, e)
               : blocks       ? compare_in_blocks(&c, r, a, tables, e)
                              : compare_groups(&c, r, tables, e);
    if (code == ERR_OK)
        code = require_pair(r, e);
    if (code == ERR_OK && c.censored == 0)
        test_order(&c, r, a);
    free_columns(&c);
    if (code != ERR_OK)
        design_result_free(r);
    return code;
}

/* Within blocks where there are any, else without. */
static enum err_code attempt_all(const struct design_value *values, size_t n, size_t groups, bool with_blocks,
                                 struct studentised_tables *tables, struct design_result *result,
                                 struct err *e)
{
    struct anova_blocks *a = calloc(1, sizeof *a);
    struct err of_blocks = {0};
    enum err_code code = ERR_NO_ANSWER;
    if (a == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", groups);
    if (with_blocks)
        code = attempt(values, n, groups, true, tables, result, a, &of_blocks);
    /* Blocks that leave nothing at all for the scatter are an answer: without them the differences of the
     * blocks would pass for it. */
    if (code == ERR_NO_ANSWER && !(a->degrees_of_freedom > 0 && a->residual_sd == 0))
        code = attempt(values, n, groups, false, tables, result, a, e);
    else if (code != ERR_OK && e != NULL)
        *e = of_blocks;
    free(a);
    return code;
}

enum err_code design_compare(const struct design_value *values, size_t n, size_t groups, bool with_blocks,
                             struct studentised_tables *tables, struct design_result *result, struct err *e)
{
    struct studentised_tables *own = tables == NULL ? studentised_tables_new(LEVEL) : NULL;
    enum err_code code;
    memset(result, 0, sizeof *result);
    if (groups < 2 || groups > ANOVA_GROUPS_MAX)
        code = err_set(e, ERR_NO_ANSWER, "%zu feeders cannot be compared at a time", groups);
    else
        code = attempt_all(values, n, groups, with_blocks, tables != NULL ? tables : own, result, e);
    studentised_tables_free(own);
    return code;
}

void design_result_free(struct design_result *result)
{
    free(result->pairs);
    result->pairs = NULL;
    result->pair_count = 0;
}

double design_equivalence_p(double difference, double standard_error, double degrees_of_freedom, double least)
{
    /* Of the two tests the one towards the nearer bound has the greater p value. */
    double room = least - fabs(difference), p;
    if (!(least > 0))
        return NAN;
    p = difference_p_value(room, standard_error, degrees_of_freedom) / 2;
    return room >= 0 ? p : 1 - p;
}
