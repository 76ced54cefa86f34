#include "datasets/format/series_repeats.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int place_of(const struct run_record *r)
{
    return r->plan_run > 0 ? r->plan_run : r->number;
}

bool series_repeats_fits(const struct run_record *later, const struct run_record *earlier, char *why,
                         size_t size)
{
    bool fits = place_of(later) == place_of(earlier) && strcmp(later->feeder, earlier->feeder) == 0 &&
                later->test == earlier->test && later->speed_mm_s == earlier->speed_mm_s &&
                later->block == earlier->block;
    if (!fits)
        snprintf(why, size, "repeats: run %d is of another place in the plan than run %d", earlier->number,
                 later->number);
    return fits;
}

static int compare_number(const void *key, const void *element)
{
    int number = *(const int *)key;
    const struct run_record *r = element;
    return (number > r->number) - (number < r->number);
}

enum err_code series_repeats_settle(const char *folder, struct run_record *runs, size_t count, struct err *e)
{
    for (size_t i = 0; i < count; i++) {
        char why[120];
        struct run_record *earlier;
        if (runs[i].repeats == 0)
            continue;
        earlier = bsearch(&runs[i].repeats, runs, count, sizeof *runs, compare_number);
        if (earlier == NULL)
            continue;
        if (!series_repeats_fits(&runs[i], earlier, why, sizeof why))
            return err_set_at(e, ERR_FILE, folder, 0, 0, "run %d: %s", runs[i].number, why);
        if (runs[i].ended == RUN_COMPLETE || runs[i].ended == RUN_LIMIT)
            earlier->repeated_by = runs[i].number;
    }
    return ERR_OK;
}
