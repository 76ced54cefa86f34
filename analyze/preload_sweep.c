#include "analyze/preload_sweep.h"

#include "analyze/force_check.h"
#include "analyze/interval_text.h"
#include "analyze/numerics/dent.h"
#include "analyze/numerics/difference.h"
#include "analyze/preload_sweep_chart.h"
#include "analyze/preload_sweep_groups.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void add_fit(struct budget *b, const char *unit, const struct grip_fit_value *v)
{
    struct budget_component c = {.name = "fit of stall force on preload",
                                 .standard_uncertainty = v->standard_error,
                                 .sensitivity = 1,
                                 .degrees_of_freedom = v->degrees_of_freedom,
                                 .type = BUDGET_TYPE_A};
    snprintf(c.unit, sizeof c.unit, "%s", unit);
    budget_init(b);
    if (isfinite(c.standard_uncertainty) && c.standard_uncertainty > 0)
        budget_add(b, &c, NULL);
}

/* A fitted value; with fewer than two observations behind its scatter there is no interval and so no value.
 */
static struct quantity force_of(const struct grip_fit_value *v, size_t n, int number,
                                const struct between_mountings *mountings, const struct bench_test_context *c,
                                struct budget *b)
{
    add_fit(b, "N", v);
    if (!v->found || b->count == 0)
        return quantity_absent();
    if (mountings != NULL)
        between_mountings_widen(b, mountings, v->value);
    push_budget_add_bench(b, v->value, c->calibration, c->settings);
    struct quantity q = budget_combine(b, v->value, n);
    force_check(c->calibration, (unsigned long)number, b, &q);
    return q;
}

/* N of grip per N of preload: load cell and alignment count as they do for a force in the middle of the
 * ladder. */
static struct quantity coefficient_of(const struct preload_group *g, const struct bench_test_context *c,
                                      struct budget *b)
{
    const struct grip_fit_value *v = &g->fit.coefficient;
    double preload_n = (g->least_n + g->greatest_n) / 2, force_n = v->value * preload_n;
    add_fit(b, "1", v);
    if (!v->found || b->count == 0)
        return quantity_absent();
    between_mountings_widen(b, &g->mountings, v->value);
    size_t first = b->count;
    push_budget_add_bench(b, force_n, c->calibration, c->settings);
    for (size_t i = first; i < b->count; i++) {
        b->components[i].sensitivity = 1 / preload_n;
        b->components[i].contribution = b->components[i].standard_uncertainty / preload_n;
    }
    return budget_combine(b, v->value, g->fit.count[GRIP_FIT_GRIP]);
}

/* What stands at the top of the ladder, as a part of a sentence. */
static void top_clause(const struct preload_group *g, char *text, size_t size)
{
    enum grip_fit_top kind = g->fit.top;
    const char *what = kind == GRIP_FIT_TOP_MOTOR ? "the motor limits"
                       : g->all_unclear           ? "the stall force no longer rises"
                                                  : "the grip no longer rises";
    char past[INTERVAL_TEXT_MAX], level[INTERVAL_TEXT_MAX + 8] = "", value[INTERVAL_TEXT_MAX];
    text[0] = 0;
    if (g->top_n.present && !g->top_n.at_least)
        snprintf(level, sizeof level, ", at %s", interval_text(&g->top_n, " N", value, sizeof value));
    if (kind == GRIP_FIT_NO_TOP)
        snprintf(text, size, "; it still rises at the greatest preload of %.4g N", g->greatest_n);
    else if (!g->best_preload_n.present)
        snprintf(text, size, "; %s%s", what, level);
    else if (g->best_preload_n.at_least)
        snprintf(text, size, "; %s%s, past the greatest preload of %.4g N only", what, level, g->greatest_n);
    else
        snprintf(text, size, "; past %s %s%s",
                 interval_text(&g->best_preload_n, " N of preload", past, sizeof past), what, level);
}

/* The finding in one sentence. */
static void say_headline(const struct preload_group *g, struct outcome *o)
{
    const char *space = g->setting[0] != 0 ? " " : "", *s = g->setting;
    char top[200], value[INTERVAL_TEXT_MAX];
    top_clause(g, top, sizeof top);
    if (g->coefficient.present)
        outcome_say(o, "the grip%s%s %s %s%s", space, s, g->fit.intercept_n.found ? "rises by" : "holds",
                    interval_text(&g->coefficient, " N per newton of preload", value, sizeof value), top);
    else
        outcome_say(o, "no grip coefficient%s%s: %zu pushes were limited by the motor and %zu by the grip%s",
                    space, s, g->fit.count[GRIP_FIT_MOTOR], g->fit.count[GRIP_FIT_GRIP], top);
}

static void say_group(const struct preload_group *g, struct outcome *o)
{
    const struct grip_fit *f = &g->fit;
    const char *space = g->setting[0] != 0 ? " " : "", *s = g->setting;
    if (g->all_unclear)
        outcome_warn(o,
                     "what limited the pushes%s%s is not clear in any of them: the rise is taken to be the "
                     "grip's, and what limits at the top is not told",
                     space, s);
    else if (g->unclear > g->unclear_used)
        outcome_say(o, "%zu pushes%s%s are left out: what limited them is not clear",
                    g->unclear - g->unclear_used, space, s);
    if (f->count[GRIP_FIT_BOUND] > 0)
        outcome_say(o, "%zu pushes%s%s ended before they stalled: they count as lower bounds",
                    f->count[GRIP_FIT_BOUND], space, s);
    if (!f->coefficient.found && f->count[GRIP_FIT_GRIP] == 0)
        outcome_say(o, "the grip%s%s holds at least what the motor gives at the least preload", space, s);
    if (f->intercept_n.found)
        outcome_say(
            o,
            "the grip%s%s rises with preload from %.3g N at none, not from zero: the coefficient is the "
            "slope",
            space, s, f->intercept_n.value);
}

static enum err_code add_group(struct preload_group *g, const struct bench_test_context *c, struct outcome *o,
                               struct err *e)
{
    struct budget coefficient_budget, intercept_budget, top_budget, best_budget;
    const struct grip_fit *f = &g->fit;
    int number = g->runs[0]->record->number;
    struct quantity coefficient = coefficient_of(g, c, &coefficient_budget);
    struct quantity intercept =
        force_of(&f->intercept_n, f->count[GRIP_FIT_GRIP], number, &g->mountings, c, &intercept_budget);
    struct quantity top =
        force_of(&f->top_n, f->count[f->top == GRIP_FIT_TOP_MOTOR ? GRIP_FIT_MOTOR : GRIP_FIT_GRIP], number,
                 f->top == GRIP_FIT_TOP_SATURATED ? &g->mountings : NULL, c, &top_budget);
    enum err_code code;
    /* Grip and top are read off the same load cell: what is wrong with it cancels in their ratio. */
    add_fit(&best_budget, "N", &f->best_preload_n);
    g->best_preload_n = quantity_absent();
    if (f->best_preload_n.found && best_budget.count > 0) {
        /* A mounting moves a saturated grip as much as a rising one, and leaves where they meet as it is. */
        if (f->top == GRIP_FIT_TOP_MOTOR)
            between_mountings_widen(&best_budget, &g->mountings, f->best_preload_n.value);
        g->best_preload_n = budget_combine(&best_budget, f->best_preload_n.value, g->n);
        if (f->best_preload_n.value > g->greatest_n) {
            g->best_preload_n = quantity_at_least(g->greatest_n);
            budget_init(&best_budget);
        }
    } else if (f->top == GRIP_FIT_NO_TOP) {
        g->best_preload_n = quantity_at_least(g->greatest_n);
        budget_init(&best_budget);
    }
    if (!top.present && f->top == GRIP_FIT_NO_TOP) {
        double greatest = 0;
        for (size_t i = 0; i < g->n; i++)
            greatest = fmax(greatest, g->runs[i]->push.stall_force_n.at_least
                                          ? g->runs[i]->push.stall_force_n.value
                                          : g->runs[i]->push.stall_force_n.low_95);
        top = quantity_at_least(greatest);
        budget_init(&top_budget);
    }
    code = outcome_add(o, "grip_coefficient", g->setting, "grip coefficient", "1", &coefficient,
                       &coefficient_budget, true, e);
    if (code == ERR_OK && f->intercept_n.found)
        code = outcome_add(o, "grip_intercept_n", g->setting, "grip without preload, by the line", "N",
                           &intercept, &intercept_budget, false, e);
    if (code == ERR_OK)
        code = outcome_add(o, "top_force_n", g->setting, "force at enough preload", "N", &top, &top_budget,
                           true, e);
    if (code == ERR_OK)
        code = outcome_add(o, "best_preload_n", g->setting, "preload past which more does not help", "N",
                           &g->best_preload_n, &best_budget, true, e);
    g->coefficient = coefficient;
    g->top_n = top;
    return code;
}

static int by_preload(const void *a, const void *b)
{
    double p = preload_groups_preload_n(*(const struct run_result *const *)a);
    double q = preload_groups_preload_n(*(const struct run_result *const *)b);
    return p < q ? -1 : p > q;
}

/* Feed before contact, per preload: means over all runs of the sweep. */
static void warn_of_dents(const struct preload_groups *groups, struct outcome *o)
{
    size_t n = 0, levels = 0, all = 0;
    const struct run_result **sorted;
    struct dent_level *level;
    double *ratios;
    for (size_t k = 0; k < groups->count; k++)
        all += groups->groups[k].n;
    sorted = malloc((all + 1) * sizeof(*sorted));
    level = malloc((all + 1) * sizeof *level);
    ratios = malloc((all + 1) * sizeof *ratios);
    for (size_t i = 0; sorted != NULL && i < all; i++) {
        if (groups->room[i]->push.approach_feed_ratio.present)
            sorted[n++] = groups->room[i];
    }
    if (sorted != NULL && level != NULL && ratios != NULL && n > 0) {
        qsort(sorted, n, sizeof(*sorted), by_preload);
        for (size_t i = 0, j; i < n; i = j) {
            double preload = preload_groups_preload_n(sorted[i]), mean, sd, own = 0;
            for (j = i; j < n && preload_groups_preload_n(sorted[j]) <= preload * (1 + 1e-6); j++) {
                ratios[j - i] = sorted[j]->push.approach_feed_ratio.value;
                own = fmax(own, sorted[j]->push.approach_feed_ratio.standard_uncertainty);
            }
            difference_mean_sd(ratios, j - i, &mean, &sd);
            level[levels++] = (struct dent_level){preload, mean, j - i > 1 ? sd / sqrt((double)(j - i)) : own,
                                                  j - i > 1 ? (double)(j - i) - 1 : INFINITY};
        }
        struct dent d = dent_find(level, levels);
        double diameter_mm = sorted[0]->record->drive_diameter_mm;
        struct quantity q =
            quantity_from(d.shrink * diameter_mm, d.standard_error * diameter_mm, d.degrees_of_freedom, n);
        char text[INTERVAL_TEXT_MAX];
        if (d.found)
            outcome_warn(o,
                         "past about %.4g N of preload the filament is dented: before contact, the effective "
                         "diameter at %.4g N is %s than at %.4g N",
                         d.within_n, level[levels - 1].preload_n,
                         interval_text(&q, " mm smaller", text, sizeof text), level[0].preload_n);
    }
    free(sorted);
    free(level);
    free(ratios);
}

enum err_code preload_sweep_sum_up(const struct run_result *const *runs, size_t count,
                                   const struct bench_test_context *context, struct outcome *outcome,
                                   struct err *e)
{
    struct preload_groups groups = {0};
    enum err_code code = preload_groups_take(runs, count, &groups, e);
    bool any = false;
    if (code == ERR_OK)
        code = preload_groups_fit(&groups, e);
    for (size_t k = 0; code == ERR_OK && k < groups.count; k++) {
        any = any || groups.groups[k].fitted;
        outcome->used_count += groups.groups[k].n;
    }
    if (code == ERR_OK && !any)
        code = err_set(e, ERR_NO_ANSWER, "%.200s", groups.groups[0].why_not);
    for (size_t k = 0; code == ERR_OK && k < groups.count; k++) {
        struct preload_group *g = &groups.groups[k];
        if (g->fitted)
            code = add_group(g, context, outcome, e);
        else
            outcome_warn(outcome, "no answer%s%s: %.180s", g->setting[0] != 0 ? " " : "", g->setting,
                         g->why_not);
    }
    for (size_t k = 0; code == ERR_OK && k < groups.count; k++) {
        if (groups.groups[k].fitted)
            say_headline(&groups.groups[k], outcome);
    }
    for (size_t k = 0; code == ERR_OK && k < groups.count; k++) {
        if (groups.groups[k].fitted)
            say_group(&groups.groups[k], outcome);
    }
    if (code == ERR_OK) {
        outcome_say(outcome, "preloads are taken as stated: what they are not known by is in no interval");
        between_mountings_say(runs, count, outcome);
        warn_of_dents(&groups, outcome);
        code = preload_sweep_chart_draw(&groups, outcome, e);
    }
    preload_groups_free(&groups);
    return code;
}
