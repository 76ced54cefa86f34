#include "analyze/repeats_scatter.h"

#include "analyze/comparison_push.h"
#include "analyze/numerics/censored_normal.h"
#include "analyze/numerics/difference.h"
#include "analyze/numerics/sd_interval.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static bool in_one_series(const struct session *s, const struct repeats_plan *plan)
{
    for (size_t i = 1; i < plan->count; i++) {
        if (s->feeders[plan->members[i]].series != s->feeders[plan->members[0]].series)
            return false;
    }
    return true;
}

/* A single feeder whose values are partly lower bounds. */
static enum err_code censored_scatter(const struct design_value *values, size_t n,
                                      struct repeats_scatter *scatter, struct err *e)
{
    struct censored_normal *fit = malloc(sizeof *fit);
    double *value = malloc((n + 1) * sizeof *value);
    bool *at_least = malloc((n + 1) * sizeof *at_least);
    size_t *group = calloc(n + 1, sizeof *group);
    enum err_code code = ERR_OK;
    if (fit == NULL || value == NULL || at_least == NULL || group == NULL)
        code = err_set(e, ERR_MEMORY, "not enough memory for %zu values", n);
    for (size_t i = 0; i < n && code == ERR_OK; i++) {
        value[i] = values[i].value;
        at_least[i] = values[i].at_least;
    }
    if (code == ERR_OK)
        code = censored_normal(value, at_least, group, NULL, n, 1, 1, fit, e);
    if (code == ERR_OK) {
        scatter->sd = fit->sigma_corrected;
        scatter->degrees_of_freedom = fit->degrees_of_freedom;
    }
    free(fit);
    free(value);
    free(at_least);
    free(group);
    return code;
}

static size_t values_of(const struct design_value *values, size_t n, size_t group, double *of_group)
{
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        if (values[i].group == group)
            of_group[count++] = values[i].value;
    }
    return count;
}

static enum err_code single_scatter(const struct design_value *values, size_t n,
                                    struct repeats_scatter *scatter, struct err *e)
{
    double *all, mean;
    for (size_t i = 0; i < n; i++) {
        if (values[i].at_least)
            return censored_scatter(values, n, scatter, e);
    }
    all = malloc((n + 1) * sizeof *all);
    if (all == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu values", n);
    values_of(values, n, 0, all);
    difference_mean_sd(all, n, &mean, &scatter->sd);
    scatter->degrees_of_freedom = n > 0 ? (double)(n - 1) : 0;
    free(all);
    return ERR_OK;
}

static void keep_greatest(struct repeats_scatter *scatter, double sd, double degrees_of_freedom, size_t a,
                          size_t b)
{
    if (scatter->sd >= sd)
        return;
    scatter->sd = sd;
    scatter->degrees_of_freedom = degrees_of_freedom;
    scatter->a = a;
    scatter->b = b;
}

/* Two independent feeders with as many values each: their difference scatters by the mean of their variances,
 * known by Welch and Satterthwaite. */
static enum err_code groups_scatter(const struct repeats_plan *plan, const struct design_value *values,
                                    size_t n, struct repeats_scatter *scatter, struct err *e)
{
    double square[ANOVA_GROUPS_MAX], degrees[ANOVA_GROUPS_MAX], mean, sd,
        *some = malloc((n + 1) * sizeof *some);
    if (some == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu values", n);
    for (size_t g = 0; g < plan->count; g++) {
        size_t count = values_of(values, n, g, some);
        difference_mean_sd(some, count, &mean, &sd);
        square[g] = sd * sd;
        degrees[g] = (double)count - 1;
    }
    free(some);
    for (size_t i = 0; i < plan->count; i++) {
        for (size_t j = i + 1; j < plan->count; j++) {
            double sum = square[i] + square[j];
            keep_greatest(scatter, sqrt(sum / 2),
                          sum * sum /
                              (square[i] * square[i] / degrees[i] + square[j] * square[j] / degrees[j]),
                          plan->members[i], plan->members[j]);
        }
    }
    return ERR_OK;
}

/* Pairs compared block by block: the standard error of a difference of n values each is sd sqrt(2 / n). */
static void pairs_scatter(const struct repeats_plan *plan, const struct design_result *design,
                          struct repeats_scatter *scatter)
{
    for (size_t i = 0; i < design->pair_count; i++) {
        const struct design_pair *pair = &design->pairs[i];
        if (pair->present)
            keep_greatest(scatter, pair->standard_error * sqrt((double)pair->n / 2), pair->degrees_of_freedom,
                          plan->members[pair->a], plan->members[pair->b]);
    }
}

static enum err_code family_scatter(struct repeats_plan *plan, const struct design_value *values, size_t n,
                                    bool with_blocks, struct repeats_scatter *scatter, struct err *e)
{
    struct design_result *design = malloc(sizeof *design);
    enum err_code code;
    if (design == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu values", n);
    code = design_compare(values, n, plan->count, with_blocks, NULL, design, e);
    if (code != ERR_OK) {
        free(design);
        return code;
    }
    plan->method = DESIGN_METHOD_NAMES[design->method];
    plan->run_by_blocks = design->by_blocks;
    plan->values = design->values;
    plan->lower_bounds = design->censored;
    plan->present = (int)design->count[0];
    for (size_t g = 1; g < plan->count; g++)
        plan->present = design->count[g] < (size_t)plan->present ? (int)design->count[g] : plan->present;
    scatter->own = design->method == DESIGN_BLOCKS_OWN || design->method == DESIGN_GAMES_HOWELL;
    if (design->method == DESIGN_BLOCKS_OWN) {
        pairs_scatter(plan, design, scatter);
    } else if (scatter->own || design->method == DESIGN_WELCH) {
        code = groups_scatter(plan, values, n, scatter, e);
    } else {
        scatter->sd = design->residual_sd;
        scatter->degrees_of_freedom = design->degrees_of_freedom;
    }
    design_result_free(design);
    free(design);
    return code;
}

/* Whether one can plan by it, and then its interval. */
static enum err_code settle(struct repeats_scatter *scatter, struct err *e)
{
    if (!(scatter->degrees_of_freedom >= REPEATS_DEGREES_LEAST))
        return err_set(
            e, ERR_NO_ANSWER,
            "the scatter is known from %.3g degree%s of freedom, too few to plan by: %d are needed; "
            "run more blocks, or state a scatter (--scatter)",
            scatter->degrees_of_freedom, scatter->degrees_of_freedom == 1 ? "" : "s", REPEATS_DEGREES_LEAST);
    if (!(scatter->sd > 0))
        return err_set(e, ERR_NO_ANSWER, "the values do not scatter at all: there is nothing to plan by");
    sd_interval(scatter->sd, scatter->degrees_of_freedom, &scatter->low_95, &scatter->high_95);
    return ERR_OK;
}

/* Pushes without an onset leave only those that slipped early. */
static enum err_code refuse_no_onset(const struct session *s, const struct repeats_plan *plan, struct err *e)
{
    for (size_t i = 0; i < plan->count; i++) {
        const struct feeder_result *f = &s->feeders[plan->members[i]];
        for (size_t k = 0; k < f->point_count; k++) {
            const struct speed_point *p = &f->points[k];
            if (p->speed_mm_s == plan->speed_mm_s && p->no_onset_count > 0)
                return err_set(e, ERR_NO_ANSWER,
                               "%zu of %zu pushes of %.63s at %.6g mm/s have no slip onset: the others alone "
                               "do not tell the scatter",
                               p->no_onset_count, p->run_count, f->name, p->speed_mm_s);
        }
    }
    return ERR_OK;
}

static enum err_code scatter_of_values(const struct session *s, enum repeats_design design,
                                       struct repeats_plan *plan, const struct design_value *values, size_t n,
                                       struct err *e)
{
    bool one_series = in_one_series(s, plan);
    enum err_code code;
    if (plan->count == 1) {
        plan->values = n;
        plan->present = (int)n;
        for (size_t i = 0; i < n; i++)
            plan->lower_bounds += values[i].at_least;
        plan->blocks = design == REPEATS_BLOCKS;
        code = single_scatter(values, n, &plan->run_scatter, e);
    } else {
        code = family_scatter(plan, values, n, one_series, &plan->run_scatter, e);
        plan->blocks = plan->run_by_blocks && design != REPEATS_GROUPS;
        if (code == ERR_OK && design == REPEATS_BLOCKS && !plan->run_by_blocks)
            return err_set(
                e, ERR_NO_ANSWER,
                "--design: these feeders were not compared in blocks, so what blocks would leave of "
                "the scatter is not known");
    }
    if (code == ERR_OK)
        code = settle(&plan->run_scatter, e);
    plan->scatter = plan->run_scatter;
    if (code == ERR_OK && plan->run_by_blocks && !plan->blocks) {
        struct repeats_plan *other = malloc(sizeof *other);
        if (other == NULL)
            return err_set(e, ERR_MEMORY, "out of memory");
        *other = *plan;
        memset(&plan->scatter, 0, sizeof plan->scatter);
        code = family_scatter(other, values, n, false, &plan->scatter, e);
        free(other);
        if (code == ERR_OK)
            code = settle(&plan->scatter, e);
    }
    return code;
}

enum err_code repeats_scatter_of(const struct session *s, bool onset, enum repeats_design design,
                                 struct repeats_plan *plan, struct err *e)
{
    struct design_value *values = NULL;
    size_t n = 0;
    enum err_code code = onset ? refuse_no_onset(s, plan, e) : ERR_OK;
    if (code == ERR_OK)
        code = comparison_push_values(s, plan->members, plan->count, plan->speed_mm_s, onset, &values, &n, e);
    if (code == ERR_OK)
        code = scatter_of_values(s, design, plan, values, n, e);
    free(values);
    return code;
}
