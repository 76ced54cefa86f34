/* What a person weighed or measured at a rig, before anything is made of it: READINGS.csv (hung weights) and
 * FEED.csv (commanded microsteps against measured lengths). Read strictly; nothing is worked out here. The
 * file beside each that tells how is readings_note.h's. */
#ifndef DATASETS_FORMAT_READINGS_H
#define DATASETS_FORMAT_READINGS_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define READINGS_FORCE_HEADER "load_n,reading_counts,direction,cycle"
#define READINGS_FEED_HEADER  "feeder,commanded_steps,measured_mm,direction,repeat"
#define READINGS_MAX          4000
#define READINGS_FEEDERS_MAX  12
#define READINGS_NAME_SIZE    33

enum readings_kind { READINGS_FORCE, READINGS_FEED };

/* In the order of the file; reading i, from 0, stands in line i + 2. */
struct readings {
    enum readings_kind kind; /* by the header */
    size_t n;
    int direction[READINGS_MAX];          /* +1: up, or forward; -1: down, or backward */
    int cycle[READINGS_MAX];              /* which cycle, or which repeat; from 1 */
    double load_n[READINGS_MAX];          /* force only */
    double reading_counts[READINGS_MAX];  /* force only */
    double commanded_steps[READINGS_MAX]; /* feed only: microsteps, above 0 in both directions */
    double measured_mm[READINGS_MAX];     /* feed only: length, not below 0 in both directions */
    size_t feeder[READINGS_MAX];          /* feed only: index into feeders */
    char feeders[READINGS_FEEDERS_MAX][READINGS_NAME_SIZE]; /* in order of first appearance */
    size_t feeder_count;
};

/* ERR_FILE with line, column and the line itself for a header that is neither of the two, a wrong number of
 * fields, a field that is no finite number in range, a last row that is not ended, and a file without rows.
 * direction and cycle of a force file may be empty, in all rows or in none: they then are +1 and 1. Lines may
 * end in LF or CR LF. */
enum err_code readings_read(const char *path, struct readings *r, struct err *e);

#endif
