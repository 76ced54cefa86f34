#include "analyze/between_mountings.h"

#include "analyze/numerics/difference.h"

#include <math.h>
#include <stdio.h>

const char *const BETWEEN_MOUNTINGS_NAME = "scatter between mountings";

void between_mountings_init(struct between_mountings *m)
{
    m->count = 0;
}

void between_mountings_count(struct between_mountings *m, int block, double factor)
{
    size_t k = 0;
    if (!isfinite(factor) || !(factor > 0))
        return;
    while (k < m->count && m->block[k] != block)
        k++;
    if (k == BETWEEN_MOUNTINGS_MAX)
        return;
    if (k == m->count) {
        m->block[k] = block;
        m->sum[k] = 0;
        m->runs[k] = 0;
        m->count++;
    }
    m->sum[k] += factor;
    m->runs[k]++;
}

double between_mountings_relative(const struct between_mountings *m)
{
    double means[BETWEEN_MOUNTINGS_MAX], mean, sd;
    if (m->count < 2)
        return NAN;
    for (size_t k = 0; k < m->count; k++)
        means[k] = m->sum[k] / (double)m->runs[k];
    difference_mean_sd(means, m->count, &mean, &sd);
    return sd / sqrt((double)m->count) / mean;
}

void between_mountings_widen(struct budget *b, const struct between_mountings *m, double value)
{
    struct budget_component *fit = b->count > 0 ? &b->components[b->count - 1] : NULL;
    double between = fabs(value) * between_mountings_relative(m);
    if (fit == NULL || !(between > fit->contribution))
        return;
    snprintf(fit->name, sizeof fit->name, "%s", BETWEEN_MOUNTINGS_NAME);
    fit->standard_uncertainty = fit->contribution = between;
    fit->sensitivity = 1;
    fit->degrees_of_freedom = (double)m->count - 1;
    fit->type = BUDGET_TYPE_A;
}

void between_mountings_say(const struct run_result *const *runs, size_t count, struct outcome *o)
{
    const struct run_result *first = NULL;
    for (size_t i = 0; i < count; i++) {
        if (!runs[i]->analysed)
            continue;
        first = first != NULL ? first : runs[i];
        if (runs[i]->record->block != first->record->block)
            return;
    }
    if (first != NULL)
        outcome_say(o, "made on one mounting: what differs from mounting to mounting is in no interval");
}
