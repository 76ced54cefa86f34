#include "analyze/report/predict_show.h"

#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

const char *predict_judgement(const struct predict_measured *m)
{
    if (m->differs)
        return m->force_n.value < m->predicted.force_n.value ? "differs, below" : "differs, above";
    return m->bound ? "not contradicted" : "agree";
}

char *predict_verdict(const struct prediction *p, char *buffer, size_t size)
{
    const struct predict_verdict *v = &p->verdict;
    if (v->compared == 0)
        snprintf(buffer, size, "nothing was measured that a motor's force can be held against.");
    else if (v->differing == 0 && v->bounds == v->compared)
        snprintf(buffer, size, "nothing measured contradicts the prediction, and nothing confirms it.");
    else if (v->differing == 0 && v->compared == 1)
        snprintf(buffer, size,
                 "measured and predicted agree within the joint 95 %% interval, at the only speed measured.");
    else if (v->differing == 0)
        snprintf(buffer, size, "measured and predicted agree at all speeds within the joint 95 %% interval.");
    else
        snprintf(buffer, size,
                 "measured and predicted differ at %zu of %zu speeds by more than the joint 95 %% interval. "
                 "Pattern: %s.",
                 v->differing, v->compared, v->pattern[0] != 0 ? v->pattern : "none");
    return buffer;
}

char *predict_bounds(const struct prediction *p, char *buffer, size_t size)
{
    const struct predict_verdict *v = &p->verdict;
    buffer[0] = 0;
    if (v->bounds > 0)
        snprintf(buffer, size,
                 "At %zu of %zu speeds grip or a limit gave way before the motor did: those forces bound it "
                 "from below. Raise the nip preload to see the motor there.",
                 v->bounds, v->compared);
    return buffer;
}

bool predict_has_causes(const struct prediction *p)
{
    return p->verdict.differing > 0 && p->verdict.cause_count > 0;
}

const char *predict_limit(const struct predict_force *f)
{
    return f->current_limited ? "set current" : "supply voltage";
}

char *predict_newtons(const struct budget *budget, size_t i, char *buffer, size_t size)
{
    double u = budget->components[i].contribution;
    if (budget_share(budget, i) < 1e-6)
        snprintf(buffer, size, "0");
    else
        text_rounded(u, text_decimals(u), buffer, size);
    return buffer;
}

char *predict_degrees(const struct budget_component *c, char *buffer, size_t size)
{
    if (c->operator_estimate || !isfinite(c->degrees_of_freedom))
        snprintf(buffer, size, "estimate");
    else
        text_number(c->degrees_of_freedom, 3, buffer, size);
    return buffer;
}
