/* The run writer: takes samples from the reader and makes them durable, in a thread of its own, so that a
 * slow disk never makes the reader lose a sample.
 *
 * A run being written is two files: FOLDER/NNNN.csv.part, to which whole rows are appended, and
 * FOLDER/NNNN.json.part, its journal (datasets/format/run_journal.h). Both are made durable about every
 * 100 ms. Giving the run its name is not for here (series_file_run). Between the two sides stands a queue of
 * fixed size; when it overflows, samples are lost, counted, and the run must end as a fault. */
#ifndef CAPTURE_RUN_WRITER_H
#define CAPTURE_RUN_WRITER_H

#include "datasets/format/run_csv.h"
#include "datasets/format/run_record.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct run_writer;

/* Start the two files for record->number in folder (the series' runs folder), the journal with the head that
 * record gives and the rows with their header, both already durable. queue_rows: rows the queue holds;
 * run_writer_queue_rows in earnest. ERR_SYSTEM names the file: it exists already, disk full, no permission;
 * what was made until then is taken away again. */
enum err_code run_writer_open(const char *folder, const struct run_record *record, bool encoder,
                              size_t queue_rows, struct run_writer **writer, struct err *e);

/* Rows that a run at this rate needs room for in the queue: longer than anybody is patient with a disk. Room
 * that is never used takes no memory. */
size_t run_writer_queue_rows(double sample_rate_hz);

/* Hand over samples; never waits for the disk. Returns how many did not fit the queue and are lost. */
size_t run_writer_push(struct run_writer *w, const struct raw_sample *samples, size_t count);

/* Hand over one line of the journal, at most RUN_JOURNAL_LINE_MAX bytes with its line feed; never waits for
 * the disk. A line that finds no room is dropped: the record, which is written at the end, has it all the
 * same. */
void run_writer_journal(struct run_writer *w, const char *line, size_t length);

/* The first failure of the writing side: ERR_SYSTEM with the file, or ERR_OK. Cheap; ask after every push. */
enum err_code run_writer_state(struct run_writer *w, struct err *e);

/* Microseconds for which the oldest row that is not yet durable has been waiting; 0 when all are. */
int64_t run_writer_waiting_us(struct run_writer *w);

/* Microseconds since the disk was asked to take or keep something that it has not come back from; 0 when it
 * owes no answer. */
int64_t run_writer_silent_us(struct run_writer *w);

/* What there is at the end. */
struct run_written {
    int64_t rows;
    int64_t durable_within_us; /* longest time from a row's arrival until it was durable */
};

/* Write out what is queued, make it durable, end the thread and free w, leaving both files as they are. After
 * a failure the rows are cut back to whole ones that are durable, and ERR_SYSTEM tells the failure, which was
 * the first. *written is filled either way. With no row at all both files are taken away. */
enum err_code run_writer_close(struct run_writer *w, struct run_written *written, struct err *e);

/* End a run that is not worth keeping: both files are taken away. NULL is fine. */
void run_writer_abandon(struct run_writer *w);

#endif
