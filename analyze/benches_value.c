#include "analyze/benches_value.h"

#include <stdlib.h>
#include <string.h>

static bool same_text(const char *a, const char *b)
{
    return strcmp(a, b) == 0;
}

/* Whether two values share a level of a factor. */
static bool same_level(enum benches_factor factor, const struct benches_value *a,
                       const struct benches_value *b)
{
    switch (factor) {
    case BENCHES_FEEDER:
        return same_text(a->feeder, b->feeder);
    case BENCHES_OPERATOR:
        return same_text(a->operator_name, b->operator_name);
    case BENCHES_FEEDER_OPERATOR:
        return same_text(a->feeder, b->feeder) && same_text(a->operator_name, b->operator_name);
    case BENCHES_SERIES:
        return a->series == b->series && same_text(a->operator_name, b->operator_name);
    default:
        return a->series == b->series && a->block == b->block && same_text(a->refit, b->refit) &&
               same_text(a->feeder, b->feeder) && same_text(a->bench, b->bench) &&
               same_text(a->operator_name, b->operator_name);
    }
}

size_t benches_value_levels(enum benches_factor factor, const struct benches_values *values, size_t *level)
{
    size_t count = 0, *first = malloc((values->n + 1) * sizeof *first);
    if (first == NULL)
        return 0;
    /* The latest level is tried first, since values that share one mostly stand together. */
    for (size_t i = 0; i < values->n; i++) {
        size_t k = count;
        while (k > 0 && !same_level(factor, &values->v[first[k - 1]], &values->v[i]))
            k--;
        if (k == 0) {
            first[count++] = i;
            k = count;
        }
        level[i] = k - 1;
    }
    free(first);
    return count;
}

bool benches_value_average_mountings(struct benches_values *values)
{
    size_t *level = malloc((values->n + 1) * sizeof *level);
    size_t *together = calloc(values->n + 1, sizeof *together);
    size_t count = level != NULL && together != NULL ? benches_value_levels(BENCHES_REFIT, values, level) : 0;
    for (size_t i = 0; count > 0 && i < values->n; i++) {
        /* Levels are numbered in the order of their first values, so that none is put behind its own. */
        struct benches_value *mean = &values->v[level[i]];
        if (together[level[i]]++ == 0)
            *mean = values->v[i];
        else
            mean->value += (values->v[i].value - mean->value) / (double)together[level[i]];
    }
    free(level);
    free(together);
    values->n = count;
    return count > 0;
}
