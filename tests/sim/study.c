#include "tests/sim/study.h"

#include "rig/base/number.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

bool study_options_read(int argc, char **argv, struct study_options *o)
{
    struct err e = {0};
    for (int i = 1; i < argc; i++) {
        int64_t value = 0;
        const char *word = i + 1 < argc ? argv[i + 1] : "";
        if (strcmp(argv[i], "--verbose") == 0) {
            o->verbose = true;
            continue;
        }
        if (strcmp(argv[i], "--out") == 0 && i + 1 < argc) {
            o->out = argv[++i];
            continue;
        }
        if (strcmp(argv[i], "--runs") == 0 &&
            number_read_int64(word, 1, 100000, "--runs", "", &value, &e) == ERR_OK)
            o->runs = (int)value;
        else if (strcmp(argv[i], "--seed") == 0 &&
                 number_read_int64(word, 0, INT64_MAX / 2, "--seed", "", &value, &e) == ERR_OK)
            o->seed = (uint64_t)value;
        else {
            fprintf(stderr, "%s: %s '%s'\n", argv[0], e.text[0] != 0 ? e.text : "unknown option", argv[i]);
            return false;
        }
        i++;
    }
    return true;
}

void study_begin(struct study *s, const struct study_options *o)
{
    *s = (struct study){.options = *o, .figures = json_array(), .started_s = now_s(), .all_met = true};
    printf("seed %llu, %d runs\n", (unsigned long long)o->seed, o->runs);
}

void study_value(struct study *s, const char *name, double value, const char *unit, double low, double high,
                 int n)
{
    bool met = isfinite(value) && value >= low && value <= high;
    json_t *figure =
        json_pack("{s:s, s:o, s:s, s:f, s:f, s:b, s:i, s:I, s:f}", "name", name, "value",
                  isfinite(value) ? json_real(value) : json_null(), "unit", unit, "low", low, "high", high,
                  "met", met, "n", n, "seed", (json_int_t)s->options.seed, "seconds", now_s() - s->started_s);
    json_array_append_new(s->figures, figure);
    s->all_met = s->all_met && met;
    printf("%-4s %-64s %9.4f %-3s (%g to %g), n = %d\n", met ? "met" : "NOT", name, value, unit, low, high,
           n);
}

void study_share(struct study *s, const char *name, int hits, int tried, double low, double high)
{
    study_value(s, name, tried > 0 ? (double)hits / tried : NAN, "1", low, high, tried);
}

int study_end(struct study *s)
{
    int status = s->all_met ? 0 : 1;
    if (s->options.out != NULL && json_dump_file(s->figures, s->options.out, JSON_INDENT(2)) != 0) {
        fprintf(stderr, "cannot write %s\n", s->options.out);
        status = 1;
    }
    json_decref(s->figures);
    return status;
}
