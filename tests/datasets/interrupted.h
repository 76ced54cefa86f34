/* A series with one run that is filed and one that was being written, and calls of the system that crash or
 * fail on demand. */
#ifndef TESTS_DATASETS_INTERRUPTED_H
#define TESTS_DATASETS_INTERRUPTED_H

#include "datasets/format/plan.h"
#include "datasets/format/run_record.h"
#include "datasets/format/series_recover.h"

#include <stdbool.h>
#include <stddef.h>

/* The header and ROWS rows of run 2, 1 ms apart. */
#define INTERRUPTED_ROWS 6
extern const char INTERRUPTED_CSV[];
extern struct plan interrupted_plan;
extern const char *interrupted_series; /* its folder */

/* Make the scratch folder anew with the series in it; run 1 is complete and listed. */
void interrupted_begin(void);
/* The record of a run as capture would file it. */
struct run_record interrupted_record(int number);
/* Put runs/NNNN.csv.part there, length bytes of text, and its journal: the head and lines behind it. */
void interrupted_put_rows(int number, const void *text, size_t length);
void interrupted_put_journal(int number, const char *lines);

/* Put the series in order; *told receives the sentences, one a line. Fails the test on an error. */
struct series_progress interrupted_recover(char *told, size_t size);
/* Everything in the series, by name and content; the caller frees it. */
char *interrupted_snapshot(void);
/* Findings of series_verify. */
size_t interrupted_findings(void);
/* Whether a file of the series is there. */
bool interrupted_has(const char *name);

/* Of the calls fsync, ftruncate, rename, renameat2 and unlink from now on, the one that comes after as many
 * more ends this program with status 99 before it does anything, or fails with EIO. Below 0: none. */
extern int interrupted_crash_after, interrupted_fail_after;
/* Each of these calls so far, one a line: its name and the last part of the path that it was about. Empty it
 * as you like. */
extern char interrupted_log[4096];

#endif
