/* A section of one feeder on several benches: how well each repeats itself and how far apart they are, by
 * ISO 5725-2. No I/O. */
#ifndef ANALYZE_BENCHES_BETWEEN_H
#define ANALYZE_BENCHES_BETWEEN_H

#include "analyze/benches_section.h"
#include "analyze/benches_value.h"
#include "rig/base/err.h"

/* Fills names, bench_of, numbers, consistency, values and several_operators, all of which belong to the
 * section. Runs of one mounting are averaged: values is changed. What cannot be answered is said in the
 * section and is no error. ERR_MEMORY. */
enum err_code benches_between(struct benches_values *values, struct benches_section *section, struct err *e);

#endif
