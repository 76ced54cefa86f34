#include "analyze/preload_sweep_chart.h"

#include "analyze/interval_text.h"
#include "analyze/push_budget.h"

#include <math.h>
#include <stdio.h>

#define POINTS 81

static void name_row(char *into, size_t size, const char *what, const struct preload_group *g)
{
    snprintf(into, size, "%s%s%s", what, g->setting[0] != 0 ? " " : "", g->setting);
}

/* The lower of grip and motor along the ladder, with the band of whichever it is. */
static void draw_curve(const struct preload_group *g, struct outcome_group *row)
{
    const struct grip_fit *f = &g->fit;
    for (size_t i = 0; i < POINTS; i++) {
        double error, x = g->greatest_n * (double)i / (POINTS - 1), y = grip_fit_at(f, x, &error);
        double degrees = f->coefficient.degrees_of_freedom;
        struct budget b;
        bool motor = f->motor_n.found && !(y < f->motor_n.value);
        if (motor) {
            y = f->motor_n.value;
            error = f->motor_n.standard_error;
            degrees = f->motor_n.degrees_of_freedom;
        }
        budget_init(&b);
        push_budget_add(&b, "fit of stall force on preload", error, degrees, BUDGET_TYPE_A, false);
        if (!motor)
            between_mountings_widen(&b, &g->mountings, y);
        struct quantity q = b.count > 0 ? budget_combine(&b, y, 1) : quantity_from(y, error, degrees, 1);
        row->curve_x[i] = x;
        row->curve_y[i] = y;
        row->curve_low[i] = q.present ? q.low_95 : NAN;
        row->curve_high[i] = q.present ? q.high_95 : NAN;
    }
}

static void put(struct outcome_group *row, size_t i, const struct run_result *run, const struct quantity *q)
{
    row->x[i] = preload_groups_preload_n(run);
    row->y[i] = q->value;
    row->at_least[i] = q->at_least;
    row->y_low[i] = q->at_least ? NAN : q->low_95;
    row->y_high[i] = q->at_least ? NAN : q->high_95;
}

enum err_code preload_sweep_chart_draw(const struct preload_groups *groups, struct outcome *outcome,
                                       struct err *e)
{
    struct outcome_chart *chart = outcome_add_chart(outcome, "grip");
    if (chart == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for a chart");
    snprintf(chart->title, sizeof chart->title, "Stall force and slip onset against nip preload");
    snprintf(
        chart->description, sizeof chart->description,
        "Each point is one push with its own 95 %% interval; arrows are lower bounds. Lines are the fits "
        "with their 95 %% bands: the stall force rises with the preload until the motor limits it or the "
        "grip is saturated. The vertical mark is the preload past which more does not help.");
    snprintf(chart->x_label, sizeof chart->x_label, "nip preload in N");
    snprintf(chart->y_label, sizeof chart->y_label, "push force in N");
    chart->x_from_zero = chart->y_from_zero = true;
    for (size_t k = 0; k < groups->count && 2 * k + 2 <= OUTCOME_GROUPS_MAX; k++) {
        const struct preload_group *g = &groups->groups[k];
        struct outcome_group *row;
        size_t onsets = 0;
        char name[64];
        name_row(name, sizeof name, "stall force", g);
        row = outcome_add_group(chart, name, g->n, g->fitted ? POINTS : 0);
        if (row == NULL)
            return err_set(e, ERR_MEMORY, "not enough memory for a chart");
        for (size_t i = 0; i < g->n; i++) {
            put(row, i, g->runs[i], &g->runs[i]->push.stall_force_n);
            onsets += g->runs[i]->push.slip_onset_n.present;
        }
        if (g->fitted)
            draw_curve(g, row);
        if (g->best_preload_n.present && !g->best_preload_n.at_least) {
            snprintf(name, sizeof name, "%.*f N%.6s%.40s", interval_text_decimals(&g->best_preload_n),
                     g->best_preload_n.value, g->setting[0] != 0 ? " " : "", g->setting);
            outcome_mark_x(chart, g->best_preload_n.value, name);
        }
        if (onsets == 0)
            continue;
        name_row(name, sizeof name, "slip onset", g);
        row = outcome_add_group(chart, name, onsets, 0);
        if (row == NULL)
            return err_set(e, ERR_MEMORY, "not enough memory for a chart");
        onsets = 0;
        for (size_t i = 0; i < g->n; i++) {
            if (g->runs[i]->push.slip_onset_n.present)
                put(row, onsets++, g->runs[i], &g->runs[i]->push.slip_onset_n);
        }
    }
    return ERR_OK;
}
