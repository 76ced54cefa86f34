#include "analyze/loaded_feed_chart.h"

#include "analyze/interval_text.h"
#include "analyze/push_budget.h"

#include <math.h>
#include <stdio.h>

#define POINTS 81
#define STEP   1e-3 /* relative, of a force */

static enum err_code no_memory(struct err *e)
{
    return err_set(e, ERR_MEMORY, "not enough memory for a chart");
}

static void draw_curve(const struct loaded_feed_group *g, double most_n, struct outcome_group *row)
{
    const struct creep_fit *f = &g->fit;
    for (size_t i = 0; i < POINTS; i++) {
        double error, force = most_n * (double)i / (POINTS - 1);
        double share = creep_fit_at(f, force, &error);
        /* Near the onset and past it the grip's few runs tell, below it the creep's. */
        bool past = f->onset_found && force > f->parameters[CREEP_ONSET];
        double degrees = past ? f->grip_degrees_of_freedom : f->creep_degrees_of_freedom;
        struct quantity q = quantity_from(share, error, degrees, 1);
        if (past) {
            /* A mounting moves the curve along the force by a factor. */
            double unused, per_factor = (creep_fit_at(f, force * (1 + STEP), &unused) - share) / STEP;
            struct budget b;
            budget_init(&b);
            push_budget_add(&b, "fit of lost share on force", error, degrees, BUDGET_TYPE_A, false);
            between_mountings_widen(&b, &g->mountings, per_factor);
            if (b.count > 0)
                q = budget_combine(&b, share, 1);
        }
        row->curve_x[i] = force;
        row->curve_y[i] = 100 * share;
        row->curve_low[i] = 100 * q.low_95;
        row->curve_high[i] = 100 * q.high_95;
    }
}

static enum err_code draw_shares(const struct loaded_feed_groups *groups, struct outcome *o, struct err *e)
{
    struct outcome_chart *chart = outcome_add_chart(o, "lost-share");
    if (chart == NULL)
        return no_memory(e);
    snprintf(chart->title, sizeof chart->title, "Lost share of feed against feed force");
    snprintf(
        chart->description, sizeof chart->description,
        "Each point is one run against a steady brake, with its own 95 %% interval; runs in which the feed "
        "stopped stand at 100 %%. Lines are the fits with their 95 %% bands: creep rises in proportion to "
        "the force, and bends up where gross slip begins (vertical marks).");
    snprintf(chart->x_label, sizeof chart->x_label, "feed force in N");
    snprintf(chart->y_label, sizeof chart->y_label, "lost share of feed in %%");
    chart->x_from_zero = true;
    for (size_t k = 0; k < groups->count && k < OUTCOME_GROUPS_MAX; k++) {
        const struct loaded_feed_group *g = &groups->groups[k];
        struct outcome_group *row = outcome_add_group(chart, g->setting[0] != 0 ? g->setting : "runs and fit",
                                                      g->n + g->stalls, g->fitted ? POINTS : 0);
        double most_n = 0;
        if (row == NULL)
            return no_memory(e);
        for (size_t i = 0; i < g->n; i++) {
            row->x[i] = g->force_n[i];
            row->y[i] = 100 * g->share[i];
            row->y_low[i] = 100 * g->share_low[i];
            row->y_high[i] = 100 * g->share_high[i];
            most_n = fmax(most_n, g->force_n[i]);
        }
        for (size_t i = 0; i < g->stalls; i++) {
            row->x[g->n + i] = g->stall_n[i];
            row->y[g->n + i] = 100;
        }
        if (!g->fitted)
            continue;
        if (g->fit.onset_found) {
            char text[sizeof chart->marks[0].text + 24];
            if (g->settled > 0)
                most_n = g->fit.parameters[CREEP_GRIP];
            snprintf(text, sizeof text, "onset %s%s%.*f N", g->setting, g->setting[0] != 0 ? ": " : "",
                     g->onset_n.present ? interval_text_decimals(&g->onset_n) : 1,
                     g->fit.parameters[CREEP_ONSET]);
            outcome_mark_x(chart, g->fit.parameters[CREEP_ONSET], text);
        } else if (g->fit.left_out > 0) {
            most_n = g->fit.above_n;
        }
        draw_curve(g, most_n, row);
    }
    return ERR_OK;
}

static enum err_code draw_preloads(const struct loaded_feed_groups *groups, struct outcome *o, struct err *e)
{
    struct outcome_chart *chart;
    struct outcome_group *row;
    size_t n = 0;
    double speed = groups->groups[0].speed_mm_s;
    for (size_t k = 0; k < groups->count; k++) {
        const struct loaded_feed_group *g = &groups->groups[k];
        n += g->creep_per_n.present && !isnan(g->preload_n) && !(g->speed_mm_s > speed * (1 + 1e-6));
    }
    if (n < 2)
        return ERR_OK;
    chart = outcome_add_chart(o, "creep-preload");
    row = chart == NULL ? NULL
                        : outcome_add_group(chart, "creep coefficient", n, groups->floor_fitted ? POINTS : 0);
    if (row == NULL)
        return no_memory(e);
    snprintf(chart->title, sizeof chart->title, "Creep against nip preload");
    snprintf(chart->description, sizeof chart->description,
             "Creep coefficient at each preload with its 95 %% interval%s",
             groups->floor_fitted
                 ? ", and what the data ask for of constant, straight line and fall to a floor, "
                   "with its 95 % band."
                 : ".");
    snprintf(chart->x_label, sizeof chart->x_label, "nip preload in N");
    snprintf(chart->y_label, sizeof chart->y_label, "creep coefficient in %% of feed per N");
    chart->y_from_zero = true;
    n = 0;
    for (size_t k = 0; k < groups->count; k++) {
        const struct loaded_feed_group *g = &groups->groups[k];
        if (!g->creep_per_n.present || isnan(g->preload_n) || g->speed_mm_s > speed * (1 + 1e-6))
            continue;
        row->x[n] = g->preload_n;
        row->y[n] = 100 * g->creep_per_n.value;
        row->y_low[n] = 100 * g->creep_per_n.low_95;
        row->y_high[n++] = 100 * g->creep_per_n.high_95;
    }
    for (size_t i = 0; groups->floor_fitted && i < POINTS; i++) {
        const struct creep_floor *f = &groups->floor;
        double error, x = f->least_n + (f->greatest_n - f->least_n) * (double)i / (POINTS - 1);
        double creep = creep_floor_at(f, x, &error);
        struct quantity q = quantity_from(creep, error, groups->floor_degrees, 1);
        row->curve_x[i] = x;
        row->curve_y[i] = 100 * q.value;
        row->curve_low[i] = 100 * q.low_95;
        row->curve_high[i] = 100 * q.high_95;
    }
    if (groups->floor_fitted && groups->floor.model == CREEP_TO_FLOOR &&
        groups->floor.reached_n > groups->floor.least_n &&
        groups->floor.reached_n <= groups->floor.greatest_n)
        outcome_mark_x(chart, groups->floor.reached_n, "hardly falls from here on");
    return ERR_OK;
}

enum err_code loaded_feed_chart_draw(const struct loaded_feed_groups *groups, struct outcome *outcome,
                                     struct err *e)
{
    enum err_code code = draw_shares(groups, outcome, e);
    return code == ERR_OK ? draw_preloads(groups, outcome, e) : code;
}
