/* Rows of a run file at the speed of memory. What is here knows good rows only: it tells how far a stretch of
 * rows is good and what numbers it holds, and nothing of what is wrong with the next one. run_csv reads a
 * file that is not good once more, row by row, and explains it. */
#ifndef DATASETS_FORMAT_RUN_CSV_SCAN_H
#define DATASETS_FORMAT_RUN_CSV_SCAN_H

#include "datasets/format/run_csv_row.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Line feeds among length bytes. */
size_t run_csv_scan_count(const char *bytes, size_t length);

/* Where the numbers go: one column each; encoder_counts NULL: the rows have none. */
struct run_csv_room {
    int64_t *time_us;
    int32_t *force_counts, *commanded_steps, *encoder_counts;
    uint8_t *flags;
};

/* Parse a row that a line feed ends, strictly and byte by byte, and set *row behind that line feed. False
 * when it is not good; *row may then be anywhere within it. */
typedef bool run_csv_scan_row(const char **row, struct raw_sample *sample, bool *encoder);

/* Parse the rows between *bytes and end, of which the byte before end is a line feed, into room for room_rows
 * of them, and leave *bytes behind the last row that was taken: at end, where room is full, or at the row
 * that is not good (a change from rows with encoder to rows without, and time that runs backward within these
 * rows, among them). Bytes up to readable_end may be looked at, and the
 * RUN_CSV_SCAN_BEFORE bytes in front of the first row. strict takes those few rows that are too long
 * to be looked at as a whole or too near to readable_end. Returns how many rows were taken. */
#define RUN_CSV_SCAN_BEFORE 8
size_t run_csv_scan_rows(const char **bytes, const char *end, const char *readable_end,
                         run_csv_scan_row *strict, const struct run_csv_room *room, size_t room_rows);

#endif
