/* Runs that the operator had repeated because they looked wrong. The first one keeps its files as they are;
 * it is the record of the later one that names it (run_record.repeats). Here the two are brought together. */
#ifndef DATASETS_FORMAT_SERIES_REPEATS_H
#define DATASETS_FORMAT_SERIES_REPEATS_H

#include "datasets/format/run_record.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* Whether later, which says that it repeats earlier, is of the same place in the plan: same place in its
 * order, feeder, test, speed and block. When not, why (of size bytes) says it as a sentence without a full
 * stop. */
bool series_repeats_fits(const struct run_record *later, const struct run_record *earlier, char *why,
                         size_t size);

/* Fill repeated_by of runs, count of them in the order of their numbers: the last run that repeats it and is
 * complete or met a limit. A run that nobody has anew counts, so it stays 0 where every repeat was broken
 * off. A repeat of a run that is not there changes nothing (series_verify tells of it). ERR_FILE, with
 * folder, when one repeats a run of another place in the plan. */
enum err_code series_repeats_settle(const char *folder, struct run_record *runs, size_t count, struct err *e);

#endif
