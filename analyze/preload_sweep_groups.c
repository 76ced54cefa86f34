#include "analyze/preload_sweep_groups.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SAME 1e-6
/* A push of unclear cause gets a label where the two limits stand so many of their scatters apart. */
#define LABEL_SDS 4.0
/* Scatter of a motor's limit that is assumed for that where it is not known, relative. */
#define MOTOR_SCATTER 0.02
/* A push that the motor ended reaches this share of the greatest at that speed. */
#define MOTOR_SHARE 0.8

double preload_groups_preload_n(const struct run_result *run)
{
    return run_record_conditions(run->record)->number[CONDITION_NIP_PRELOAD_N];
}

static bool counts(const struct run_result *run)
{
    return run->analysed && run->push.stall_force_n.present && run->push.stall_force_n.value > 0 &&
           run_record_conditions(run->record)->stated[CONDITION_NIP_PRELOAD_N] &&
           preload_groups_preload_n(run) > 0;
}

static int by_speed(const void *a, const void *b)
{
    double p = ((const struct preload_group *)a)->speed_mm_s,
           q = ((const struct preload_group *)b)->speed_mm_s;
    return p < q ? -1 : p > q;
}

static bool same(double a, double b)
{
    return fabs(a - b) <= SAME * fmax(fabs(a), fabs(b));
}

enum err_code preload_groups_take(const struct run_result *const *runs, size_t count,
                                  struct preload_groups *groups, struct err *e)
{
    const char *why = "no nip preload is stated";
    size_t used = 0;
    groups->groups = calloc(count + 1, sizeof *groups->groups);
    groups->room = malloc((count + 1) * sizeof(*groups->room));
    if (groups->groups == NULL || groups->room == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", count);
    for (size_t i = 0; i < count; i++) {
        size_t k = 0;
        if (!counts(runs[i])) {
            why = runs[i]->why_not != NULL ? runs[i]->why_not : why;
            continue;
        }
        while (k < groups->count && !same(groups->groups[k].speed_mm_s, runs[i]->record->speed_mm_s))
            k++;
        groups->groups[k].speed_mm_s = runs[i]->record->speed_mm_s;
        groups->count += k == groups->count;
    }
    if (groups->count == 0)
        return err_set(e, ERR_NO_ANSWER,
                       "none of the %zu pushes has a stall force at a known preload: %.150s", count, why);
    qsort(groups->groups, groups->count, sizeof *groups->groups, by_speed);
    for (size_t k = 0; k < groups->count; k++) {
        struct preload_group *g = &groups->groups[k];
        g->runs = groups->room + used;
        g->least_n = INFINITY;
        if (groups->count > 1)
            snprintf(g->setting, sizeof g->setting, "at %.4g mm/s", g->speed_mm_s);
        for (size_t i = 0; i < count; i++) {
            if (!counts(runs[i]) || !same(runs[i]->record->speed_mm_s, g->speed_mm_s))
                continue;
            g->runs[g->n++] = runs[i];
            g->least_n = fmin(g->least_n, preload_groups_preload_n(runs[i]));
            g->greatest_n = fmax(g->greatest_n, preload_groups_preload_n(runs[i]));
        }
        used += g->n;
    }
    return ERR_OK;
}

void preload_groups_free(struct preload_groups *groups)
{
    free(groups->groups);
    free(groups->room);
}

/* What limited a push, for the fit; GRIP_FIT_LABELS: not clear. At one speed a motor gives way at one force,
 * whatever the preload: one that is said to have given way far below what another push reached did not. */
static enum grip_fit_label label_of(const struct preload_group *g, const struct run_push *push)
{
    if (push->stall_force_n.at_least || push->limited_by == LIMITED_LIMIT)
        return GRIP_FIT_BOUND;
    if (push->limited_by == LIMITED_GRIP)
        return GRIP_FIT_GRIP;
    return push->limited_by == LIMITED_MOTOR && push->stall_force_n.value >= MOTOR_SHARE * g->greatest_stall_n
               ? GRIP_FIT_MOTOR
               : GRIP_FIT_LABELS;
}

/* The label that the fit of the clear pushes gives to one that is not: the limit that stands well below the
 * other at its preload; GRIP_FIT_LABELS where they are too near, or the push is near neither. */
static enum grip_fit_label label_by(const struct grip_fit *fit, double preload_n)
{
    double error, grip = grip_fit_at(fit, preload_n, &error), motor = fit->motor_n.value, apart;
    if (!fit->coefficient.found || !fit->motor_n.found)
        return GRIP_FIT_LABELS;
    apart = LABEL_SDS * hypot(fit->grip_sd * grip, MOTOR_SCATTER * motor);
    if (grip < motor - apart)
        return GRIP_FIT_GRIP;
    return grip > motor + apart ? GRIP_FIT_MOTOR : GRIP_FIT_LABELS;
}

/* Grip-limited pushes against the fitted grip, by block. A push that the motor ended tells nothing of it. */
static void count_mountings(struct preload_group *g)
{
    between_mountings_init(&g->mountings);
    if (!g->fit.coefficient.found)
        return;
    for (size_t i = 0; i < g->n; i++) {
        double error, preload_n = preload_groups_preload_n(g->runs[i]);
        double grip_n = grip_fit_at(&g->fit, preload_n, &error);
        enum grip_fit_label label = label_of(g, &g->runs[i]->push);
        if (label == GRIP_FIT_GRIP || (label == GRIP_FIT_LABELS && g->all_unclear))
            between_mountings_count(&g->mountings, g->runs[i]->record->block,
                                    g->runs[i]->push.stall_force_n.value / grip_n);
    }
}

static enum err_code fit_group(struct preload_group *g, double *preload, double *stall,
                               enum grip_fit_label *labels, struct err *e)
{
    size_t n = 0, clear = 0;
    enum err_code code;
    g->greatest_stall_n = 0;
    for (size_t i = 0; i < g->n; i++)
        g->greatest_stall_n = fmax(g->greatest_stall_n, g->runs[i]->push.stall_force_n.value);
    for (size_t i = 0; i < g->n; i++) {
        enum grip_fit_label label = label_of(g, &g->runs[i]->push);
        g->unclear += label == GRIP_FIT_LABELS;
        clear += label == GRIP_FIT_GRIP || label == GRIP_FIT_MOTOR;
    }
    g->all_unclear = clear == 0 && g->unclear > 0;
    for (size_t i = 0; i < g->n; i++) {
        enum grip_fit_label label = label_of(g, &g->runs[i]->push);
        if (label == GRIP_FIT_LABELS && !g->all_unclear)
            continue;
        preload[n] = preload_groups_preload_n(g->runs[i]);
        stall[n] = g->runs[i]->push.stall_force_n.value;
        labels[n++] = label == GRIP_FIT_LABELS ? GRIP_FIT_GRIP : label;
    }
    code = grip_fit(preload, stall, labels, n, &g->fit, e);
    if (code != ERR_OK || g->all_unclear || g->unclear == 0)
        return code;
    for (size_t i = 0; i < g->n; i++) {
        if (label_of(g, &g->runs[i]->push) != GRIP_FIT_LABELS)
            continue;
        preload[n] = preload_groups_preload_n(g->runs[i]);
        stall[n] = g->runs[i]->push.stall_force_n.value;
        labels[n] = label_by(&g->fit, preload[n]);
        if (labels[n] == GRIP_FIT_LABELS)
            continue;
        n++;
        g->unclear_used++;
    }
    return grip_fit(preload, stall, labels, n, &g->fit, e);
}

enum err_code preload_groups_fit(struct preload_groups *groups, struct err *e)
{
    for (size_t k = 0; k < groups->count; k++) {
        struct preload_group *g = &groups->groups[k];
        double *preload = malloc(2 * g->n * sizeof *preload);
        enum grip_fit_label *labels = malloc(g->n * sizeof *labels);
        struct err why = {0};
        enum err_code code = ERR_MEMORY;
        if (preload != NULL && labels != NULL)
            code = fit_group(g, preload, preload + g->n, labels, &why);
        free(preload);
        free(labels);
        if (code == ERR_MEMORY)
            return err_set(e, ERR_MEMORY, "not enough memory for %zu pushes", g->n);
        g->fitted = code == ERR_OK;
        if (g->fitted)
            count_mountings(g);
        if (!g->fitted)
            snprintf(g->why_not, sizeof g->why_not, "%.190s", why.text);
    }
    return ERR_OK;
}
