/* runs/NNNN.json.part: the journal of a run that is being written. It says of the run what its rows cannot,
 * as it becomes known, so that a capture that ends at any moment leaves all that is needed for a record:
 * one JSON object a line, the first one a run record as it would read had the capture ended just then
 * (interrupted), each other one {"event": ...}, {"gap": ...} or {"push_start_us": ...}. Lines are only ever
 * appended. */
#ifndef DATASETS_FORMAT_RUN_JOURNAL_H
#define DATASETS_FORMAT_RUN_JOURNAL_H

#include "datasets/format/run_record.h"
#include "rig/base/err.h"

#include <stddef.h>
#include <stdint.h>

/* The longest line behind the first one, with its line feed. */
#define RUN_JOURNAL_LINE_MAX 1024
/* A longer journal cannot be read: whoever appends stops before it. */
#define RUN_JOURNAL_BYTES_MAX (64 * 1024 * 1024)

/* The first line with its line feed into *text (caller frees), *length bytes. How the record says that the
 * run ended, its rows, counts, events and gaps are put to "interrupted", nothing and none. ERR_CALLER for a
 * record that could not be read back. */
enum err_code run_journal_format_head(const struct run_record *r, char **text, size_t *length, struct err *e);

/* A line with its line feed into buffer (RUN_JOURNAL_LINE_MAX bytes); returns its length, or 0 when there is
 * no memory. Control characters and bad UTF-8 in a text become '?'. */
size_t run_journal_format_event(const struct run_event *event, char *buffer);
size_t run_journal_format_gap(const struct run_gap *gap, char *buffer);
size_t run_journal_format_push_start(int64_t time_us, char *buffer);

/* The record that a journal makes, ended as interrupted, without what only the rows tell (rows,
 * samples_missing, push_end_us). A last line that is torn is left out, and so is a tail that is no JSON;
 * events that there is no room for are left out too. ERR_FILE when the first line is missing, torn or bad, a
 * line before a good one is no JSON, or a whole line is JSON and none of the three. */
enum err_code run_journal_read(const char *path, struct run_record *r, struct err *e);

/* The same, with all gaps in an array that the caller frees (NULL after an error), and none in the record. */
enum err_code run_journal_read_gaps(const char *path, struct run_record *r, struct run_gap **gaps,
                                    size_t *count, struct err *e);

#endif
