/* The run writer: takes samples from the reader and makes them durable, in a thread of its own, so that a
 * slow disk never makes the reader lose a sample.
 *
 * A run being written is FOLDER/NNNN.csv.part: whole rows are appended and made durable about every 100 ms.
 * Finishing renames it to NNNN.csv. Between the two sides stands a queue of fixed size; when it overflows,
 * samples are lost, counted, and the run must end as a fault. */
#ifndef CAPTURE_RUN_WRITER_H
#define CAPTURE_RUN_WRITER_H

#include "datasets/format/run_csv.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct run_writer;

/* Start NNNN.csv.part for run number in folder (the series' runs folder), with its header row already
 * durable. queue_rows: rows the queue holds; RUN_WRITER_QUEUE_ROWS in earnest. ERR_SYSTEM names the file: it
 * exists already, disk full, no permission. */
#define RUN_WRITER_QUEUE_ROWS 262144 /* 2.6 s at 100 kHz, 7 MB */
enum err_code run_writer_open(const char *folder, int number, bool encoder, size_t queue_rows,
                              struct run_writer **writer, struct err *e);

/* Hand over samples; never waits for the disk. Returns how many did not fit the queue and are lost. */
size_t run_writer_push(struct run_writer *w, const struct raw_sample *samples, size_t count);

/* The first failure of the writing side: ERR_SYSTEM with the file, or ERR_OK. Cheap; ask after every push. */
enum err_code run_writer_state(struct run_writer *w, struct err *e);

/* Write out what is queued, make it durable, rename to NNNN.csv and end the thread. *rows: rows in the file.
 * After a failure the .part file is left as it is, cut to its last whole row, and ERR_SYSTEM says why. Frees
 * w either way. */
enum err_code run_writer_finish(struct run_writer *w, int64_t *rows, struct err *e);

/* End without renaming: leaves the .part file with what is queued written out, or no file when there is no
 * row. NULL is fine. */
void run_writer_abandon(struct run_writer *w);

#endif
