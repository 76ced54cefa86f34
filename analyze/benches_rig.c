#include "analyze/benches_rig.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* Which factors there is something to tell of: more levels than what they lie in, and fewer than values.
 * counts: levels of all factors. False: out of memory. */
static bool choose_factors(const struct benches_values *values, struct benches_section *section,
                           size_t (*level)[BENCHES_FACTORS], size_t *counts)
{
    size_t *column = malloc((values->n + 1) * sizeof *column), within;
    bool counted = column != NULL;
    for (enum benches_factor f = 0; counted && f < BENCHES_FACTORS; f++) {
        counts[f] = benches_value_levels(f, values, column);
        counted = counts[f] > 0;
        for (size_t i = 0; counted && i < values->n; i++)
            level[i][f] = column[i];
    }
    free(column);
    if (!counted)
        return false;
    within = counts[BENCHES_FEEDER_OPERATOR] > counts[BENCHES_SERIES] ? counts[BENCHES_FEEDER_OPERATOR]
                                                                      : counts[BENCHES_SERIES];
    section->refits_alone = section->mounted && counts[BENCHES_REFIT] == values->n;
    for (enum benches_factor f = 0; f < BENCHES_FACTORS; f++) {
        bool wanted = counts[f] > 1;
        if (f == BENCHES_FEEDER_OPERATOR)
            wanted = counts[BENCHES_FEEDER] > 1 && counts[BENCHES_OPERATOR] > 1;
        if (f == BENCHES_SERIES)
            wanted = counts[f] > counts[BENCHES_OPERATOR];
        if (f == BENCHES_REFIT)
            wanted = section->mounted && counts[f] > within && counts[f] < values->n;
        if (!wanted)
            continue;
        section->levels[section->factor_count] = counts[f];
        section->factors[section->factor_count++] = f;
    }
    return true;
}

/* What the feeders bring, apart from all else; not where something else is in it. mountings: how many. */
static void share_out(struct benches_section *section, size_t mountings)
{
    const struct variance_split *split = &section->split;
    const size_t size = sizeof section->why_no_share;
    if (section->factor_count == 0 || section->factors[0] != BENCHES_FEEDER) {
        snprintf(section->why_no_share, size,
                 "with one feeder nothing tells how much of the scatter is the rig's own and how much the "
                 "feeder's; measure two or more");
        return;
    }
    for (size_t i = 1; i < section->factor_count; i++) {
        if (split->components[i].present)
            continue;
        snprintf(section->why_no_share, size,
                 "what '%s' brings cannot be told from what stands above it, so the feeders' variance may "
                 "hold it; have each feeder measured by each operator in each series",
                 BENCHES_FACTOR_NAMES[section->factors[i]]);
        return;
    }
    if (section->mounted && mountings == section->levels[0]) {
        snprintf(section->why_no_share, size,
                 "each feeder was mounted once, so the feeders' variance holds what a mounting brings; mount "
                 "them again");
        return;
    }
    section->has_own_share = true;
    section->feeder_sd = split->components[0].sd;
    section->own_share = 1 - split->components[0].share;
    section->own_sd = sqrt(fmax(0, section->own_share * split->total_variance));
}

enum err_code benches_rig(const struct benches_values *values, struct benches_section *section, struct err *e)
{
    struct variance_factor factors[BENCHES_FACTORS] = {{0}};
    size_t counts[BENCHES_FACTORS] = {0}, (*level)[BENCHES_FACTORS] = malloc((values->n + 1) * sizeof *level),
           *columns = malloc((values->n * BENCHES_FACTORS + 1) * sizeof *columns);
    double *numbers = malloc((values->n + 1) * sizeof *numbers);
    struct err why = {0};
    enum err_code code = ERR_OK;
    snprintf(section->bench, sizeof section->bench, "%s", values->v[0].bench);
    if (level == NULL || columns == NULL || numbers == NULL ||
        !choose_factors(values, section, level, counts)) {
        code = err_set(e, ERR_MEMORY, "out of memory for %zu values", values->n);
    } else {
        for (size_t f = 0; f < section->factor_count; f++) {
            size_t *column = columns + f * values->n;
            for (size_t i = 0; i < values->n; i++)
                column[i] = level[i][section->factors[f]];
            factors[f] = (struct variance_factor){BENCHES_FACTOR_NAMES[section->factors[f]], column,
                                                  section->levels[f]};
            if (section->levels[f] > VARIANCE_SPLIT_LEVELS_MAX)
                benches_section_refuse(section, "there are more than %d levels of %s",
                                       VARIANCE_SPLIT_LEVELS_MAX, factors[f].name);
        }
        for (size_t i = 0; i < values->n; i++)
            numbers[i] = values->v[i].value;
        if (section->factor_count == 0)
            benches_section_refuse(
                section, "all values are of one bench, one feeder and one operator, without refits: there "
                         "is nothing to hold against each other");
        else if (section->why_not[0] == 0)
            code = benches_section_settle(
                variance_split(numbers, values->n, factors, section->factor_count, &section->split, &why),
                &why, section, e);
        if (section->answered)
            share_out(section, counts[BENCHES_REFIT]);
    }
    free(level);
    free(columns);
    free(numbers);
    return code;
}
