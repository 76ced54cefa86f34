#include "analyze/comparison_size.h"

#include "analyze/comparison.h"
#include "analyze/numerics/power.h"

#include <math.h>
#include <stdlib.h>

/* Of a family over several series a pair of one series is judged by the scatter and the degrees of freedom of
 * that series, yet at the level of the whole family: the level in a design of that series alone that asks as
 * much of its differences. */
static void take_series(const struct session *s, const struct comparison *c,
                        const struct comparison_family *f, struct power_design *design)
{
    const size_t series = s->feeders[c->a].series;
    double degrees = c->scatter_degrees;
    int members = 0;
    for (size_t i = 0; i < f->count; i++)
        members += s->feeders[f->members[i]].series == series;
    if (s->feeders[c->b].series != series || (size_t)members == f->count)
        return;
    design->blocks = c->by_blocks;
    design->feeders = c->method == DESIGN_METHOD_NAMES[DESIGN_BLOCKS_OWN] ||
                              c->method == DESIGN_METHOD_NAMES[DESIGN_GAMES_HOWELL]
                          ? 2
                          : members;
    design->level =
        comparison_family_p(s->studentised, comparison_family_factor(s->studentised, degrees, f->count), 1,
                            degrees, (size_t)design->feeders);
}

/* Differences found where the scatter is 1, for designs met before: pairs of a family share one, and the
 * studentised range of many feeders takes its time. */
#define DESIGNS_KEPT 8
struct found {
    struct power_design design;
    int repeats;
    double difference;
};
struct memory {
    struct power_memory criticals;
    struct found kept[DESIGNS_KEPT];
    size_t count; /* of all ever kept; the oldest is overwritten */
};

static double found_at_unit_scatter(struct memory *m, struct power_design design, int repeats)
{
    struct found *to = &m->kept[m->count % DESIGNS_KEPT];
    struct err e;
    design.sd = 1;
    for (size_t i = 0; i < m->count && i < DESIGNS_KEPT; i++) {
        const struct found *k = &m->kept[i];
        if (k->repeats == repeats && k->design.feeders == design.feeders &&
            k->design.blocks == design.blocks && k->design.level == design.level)
            return k->difference;
    }
    *to = (struct found){design, repeats, NAN};
    if (power_difference(&design, repeats, COMPARISON_SIZE_POWER, &to->difference, &e) != ERR_OK)
        to->difference = NAN;
    m->count++;
    return to->difference;
}

static void forecast(const struct session *s, struct comparison *c, const struct comparison_family *f,
                     struct memory *m)
{
    /* The standard error of a difference of two means of n values each is sd sqrt(2 / n). */
    const struct design_result *d = &f->design;
    double scatter = c->scatter_name != NULL ? c->scatter : NAN;
    struct power_design design = {.feeders = (int)d->groups,
                                  .blocks = d->by_blocks,
                                  .sd = scatter * sqrt((double)c->difference.n / 2),
                                  .level = COMPARISON_LEVEL,
                                  .memory = &m->criticals};
    bool own = d->method == DESIGN_BLOCKS_OWN || d->method == DESIGN_GAMES_HOWELL;
    struct err e;
    int n = (int)c->difference.n;
    if (!(design.sd > 0) || n < 2)
        return;
    /* A pair with a scatter of its own is judged by t, at its share of the level. */
    if (own && d->groups > 2) {
        design.feeders = 2;
        design.level /= (double)(d->groups * (d->groups - 1)) / 2;
    }
    take_series(s, c, f, &design);
    c->seen_difference = design.sd * found_at_unit_scatter(m, design, n);
    /* Of a difference that is shown nobody asks how to show it. */
    if (c->shown)
        return;
    c->wanted_difference = c->matters > 0 ? c->matters : fabs(c->difference.value);
    if (power_repeats(&design, c->wanted_difference, COMPARISON_SIZE_POWER, &c->wanted_repeats, &e) != ERR_OK)
        c->wanted_repeats = 0;
}

void comparison_sizes(struct session *s)
{
    struct memory *m = calloc(1, sizeof *m);
    /* Without memory nothing is said of repeats, which is no error of the comparison. */
    if (m == NULL)
        return;
    m->criticals.tables = s->studentised;
    progress_begin(s->progress, "forecasting repeats", s->comparison_count, s->comparison_count);
    for (size_t i = 0; i < s->comparison_count; i++) {
        struct comparison *c = &s->comparisons[i];
        if (c->has_p_value && c->family < s->family_count && s->families[c->family].designed)
            forecast(s, c, &s->families[c->family], m);
        progress_add(s->progress, 1, 1);
    }
    free(m);
}
