#include "capture/time_left.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void time_left_run(struct time_left *t, double planned_s, double took_s)
{
    t->planned_s += planned_s;
    t->took_s += took_s;
    t->runs++;
}

void time_left_pause(struct time_left *t, enum time_left_pause kind, double took_s)
{
    t->pause_s[kind][t->pauses[kind]++ % TIME_LEFT_KEPT] = took_s;
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* One long lunch must not stand for all pauses to come, so no mean. */
static double median_s(const struct time_left *t, enum time_left_pause kind)
{
    double sorted[TIME_LEFT_KEPT];
    size_t n = t->pauses[kind] < TIME_LEFT_KEPT ? t->pauses[kind] : TIME_LEFT_KEPT;
    if (n == 0)
        return NAN;
    memcpy(sorted, t->pause_s[kind], n * sizeof *sorted);
    qsort(sorted, n, sizeof *sorted, compare);
    return (sorted[(n - 1) / 2] + sorted[n / 2]) / 2;
}

struct time_left_rest time_left_rest(const struct time_left *t, size_t runs, double planned_s,
                                     const int *pauses)
{
    struct time_left_rest rest = {.whole = true};
    double extra_s = t->runs > 0 ? (t->took_s - t->planned_s / t->time_scale) / (double)t->runs : 0;
    rest.runs_s = fmax(0, planned_s / t->time_scale + extra_s * (double)runs);
    rest.whole_s = rest.runs_s;
    for (int kind = 0; kind < TIME_LEFT_PAUSES; kind++) {
        rest.pause_s[kind] = median_s(t, (enum time_left_pause)kind);
        if (pauses[kind] > 0 && isnan(rest.pause_s[kind]))
            rest.whole = false;
        else if (pauses[kind] > 0)
            rest.whole_s += pauses[kind] * rest.pause_s[kind];
    }
    return rest;
}

void time_left_duration(double s, char *text, size_t size)
{
    double minutes = s / 60;
    if (s < 10)
        snprintf(text, size, "%.0f s", fmax(1, ceil(s)));
    else if (s < 90)
        snprintf(text, size, "%.0f s", 5 * round(s / 5));
    else if (minutes < 90)
        snprintf(text, size, "%.0f min", round(minutes));
    else
        snprintf(text, size, "%d h %02d min", (int)(5 * round(minutes / 5)) / 60,
                 (int)(5 * round(minutes / 5)) % 60);
}

void time_left_text(const struct time_left_rest *rest, const int *pauses, char *text, size_t size)
{
    static const char *const ONE[TIME_LEFT_PAUSES] = {"mounting", "other change"};
    static const char *const MANY[TIME_LEFT_PAUSES] = {"mountings", "other changes"};
    char duration[40];
    size_t used = 0;
    bool pause = pauses[TIME_LEFT_MOUNTING] > 0 || pauses[TIME_LEFT_CHANGE] > 0;
    time_left_duration(rest->whole ? rest->whole_s : rest->runs_s, duration, sizeof duration);
    used += (size_t)snprintf(text, size, "about %s%s", duration, rest->whole ? " left" : " of runs left");
    if (rest->whole && pause && used < size) {
        time_left_duration(rest->runs_s, duration, sizeof duration);
        used += (size_t)snprintf(text + used, size - used, ": %s of runs", duration);
    }
    for (int kind = 0; kind < TIME_LEFT_PAUSES; kind++) {
        if (pauses[kind] == 0 || used >= size)
            continue;
        used += (size_t)snprintf(text + used, size - used, ", and %d %s", pauses[kind],
                                 pauses[kind] == 1 ? ONE[kind] : MANY[kind]);
        if (isnan(rest->pause_s[kind]) || used >= size)
            continue;
        time_left_duration(rest->pause_s[kind], duration, sizeof duration);
        used += (size_t)snprintf(text + used, size - used, " of about %s", duration);
    }
}
