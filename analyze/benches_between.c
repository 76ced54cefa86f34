#include "analyze/benches_between.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Names of the benches into section->names, and of each value its index among them. */
static bool name_benches(const struct benches_values *values, struct benches_section *section, size_t *count)
{
    *count = 0;
    section->names = calloc(values->n + 1, sizeof *section->names);
    for (size_t i = 0; section->names != NULL && i < values->n; i++) {
        size_t k = 0;
        while (k < *count && strcmp(section->names[k], values->v[i].bench) != 0)
            k++;
        if (k == *count)
            snprintf(section->names[(*count)++], BENCHES_NAME_SIZE, "%s", values->v[i].bench);
        section->bench_of[i] = k;
    }
    return section->names != NULL;
}

/* On any one bench. Repeatability is of one operator by ISO 5725-1, so this is to be said. */
static bool operators_differ(const struct benches_values *values)
{
    for (size_t i = 0; i < values->n; i++) {
        size_t j = 0;
        while (strcmp(values->v[i].bench, values->v[j].bench) != 0)
            j++;
        if (strcmp(values->v[i].operator_name, values->v[j].operator_name) != 0)
            return true;
    }
    return false;
}

enum err_code benches_between(struct benches_values *values, struct benches_section *section, struct err *e)
{
    size_t count;
    struct err why = {0};
    enum err_code code;
    if (!benches_value_average_mountings(values))
        return err_set(e, ERR_MEMORY, "out of memory for %zu values", section->runs);
    section->values = values->n;
    section->several_operators = operators_differ(values);
    section->bench_of = malloc(values->n * sizeof *section->bench_of);
    section->numbers = malloc(values->n * sizeof *section->numbers);
    section->consistency = calloc(1, sizeof *section->consistency);
    if (section->bench_of == NULL || section->numbers == NULL || section->consistency == NULL ||
        !name_benches(values, section, &count))
        return err_set(e, ERR_MEMORY, "out of memory for %zu values", values->n);
    for (size_t i = 0; i < values->n; i++)
        section->numbers[i] = values->v[i].value;
    if (count < 2 || count > BENCH_CONSISTENCY_MAX) {
        if (count < 2)
            benches_section_refuse(section, "it was measured on one bench only (%s)", section->names[0]);
        else
            benches_section_refuse(
                section, "it was measured on %zu benches; at most %d can be held against each other", count,
                BENCH_CONSISTENCY_MAX);
        return ERR_OK;
    }
    code =
        bench_consistency(section->numbers, section->bench_of, values->n, count, section->consistency, &why);
    if (code == ERR_NO_ANSWER && values->n == count && section->runs > count)
        benches_section_refuse(
            section, "each bench mounted the feeder once, and runs of one mounting count as one value, so "
                     "nothing says how far one bench repeats itself");
    return benches_section_settle(code, &why, section, e);
}
