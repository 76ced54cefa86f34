/* A folder of its own for one test, under $TMPDIR or /tmp, removed afterwards. */
#ifndef TESTS_DATASETS_SCRATCH_H
#define TESTS_DATASETS_SCRATCH_H

#include "datasets/format/calibration.h"
#include "datasets/format/run_record.h"

#include <stddef.h>

/* Make the folder. One at a time. */
void scratch_begin(void);
/* Remove it with all that is in it. */
void scratch_end(void);
/* Full name of a file in it: one of eight buffers, used in turn. */
const char *scratch_path(const char *name);
/* Write a file in it; text up to its zero byte. Returns its full name. */
const char *scratch_write(const char *name, const char *text);
const char *scratch_write_bytes(const char *name, const void *bytes, size_t length);
/* The bytes of a file in it with a zero byte after them; the caller frees them. NULL when there is none. */
char *scratch_read(const char *name);

/* A plan that is good: two feeders, one blocked push and one speed sweep, two blocks, 12 runs. */
extern const char SCRATCH_PLAN[];
/* A calibration and a run record with a value in every field. */
struct calibration scratch_calibration(void);
struct run_record scratch_record(void);
/* Give back a copy of text with the first occurrence of from replaced by to; the caller frees it. Fails the
 * test when from does not occur. */
char *scratch_replace(const char *text, const char *from, const char *to);

#endif
