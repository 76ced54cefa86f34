/* Figures of a study: printed as a table, written as JSON, and a failure when one is not met. */
#ifndef TESTS_SIM_STUDY_H
#define TESTS_SIM_STUDY_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

struct study_options {
    int runs;
    uint64_t seed;
    const char *out; /* JSON file; NULL: none */
    bool verbose;
};

/* --runs N, --seed S, --out FILE, --verbose over the defaults in o; false (with a line on stderr) on misuse.
 */
bool study_options_read(int argc, char **argv, struct study_options *o);

struct study {
    struct study_options options;
    json_t *figures;
    double started_s;
    bool all_met;
};

void study_begin(struct study *s, const struct study_options *o);
/* A share hits / tried that must lie within low..high; tried 0 is not met. */
void study_share(struct study *s, const char *name, int hits, int tried, double low, double high);
void study_value(struct study *s, const char *name, double value, const char *unit, double low, double high,
                 int n);
/* Writes the file; 0 when every figure is met, else 1. */
int study_end(struct study *s);

#endif
