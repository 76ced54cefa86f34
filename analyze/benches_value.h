/* Results of a section with what each was made by, and which of them share it. No I/O. */
#ifndef ANALYZE_BENCHES_VALUE_H
#define ANALYZE_BENCHES_VALUE_H

#include "analyze/benches_section.h"

#include <stdbool.h>
#include <stddef.h>

/* One result with what it was made by. A bound is "at least". */
struct benches_value {
    const char *feeder, *bench, *operator_name, *refit;
    size_t series, session_feeder, place;
    int block;
    double speed_mm_s, value;
    bool bound;
};

/* In the order in which they were collected. */
struct benches_values {
    struct benches_value *v;
    size_t n;
};

/* Number the levels of a factor from 0 on in the order of their first values: level[i] is that of v[i].
 * Refits belong to a bench, a feeder, an operator and a series. Returns how many; 0: out of memory. */
size_t benches_value_levels(enum benches_factor factor, const struct benches_values *values, size_t *level);

/* Runs of one mounting become their mean: what a bench would publish. The mean stands where the first of them
 * stood. False: out of memory. */
bool benches_value_average_mountings(struct benches_values *values);

#endif
