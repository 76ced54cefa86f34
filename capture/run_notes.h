/* What a run's record tells beside its rows: events, and where frames and samples are missing. Everything is
 * put into the record and, where there is a writer, into the journal at the same time, so that it outlives
 * this program. Nothing here decides about the run. */
#ifndef CAPTURE_RUN_NOTES_H
#define CAPTURE_RUN_NOTES_H

#include "capture/rig_receiver.h"
#include "capture/run_writer.h"
#include "datasets/format/run_record.h"

#include <stdbool.h>
#include <stdint.h>

struct run_notes {
    struct run_record *record;
    struct run_writer *writer; /* NULL: the record alone */
    bool have_row;
    int64_t row_us;  /* of the newest row, on the clock of the CSV */
    int64_t next_us; /* a row that comes so soon after it is the next one: none is missing between */
    bool have_gap;
    struct run_gap
        gap; /* the newest one, not yet in the record: what is missing behind it is not known yet */
};

/* Empties the record's events and gaps; the caller frees with run_record_free what then comes into them. */
void run_notes_begin(struct run_notes *n, struct run_record *record, struct run_writer *writer);

/* Add an event at time_us on the clock of the CSV (0 when before it); the first ones are kept when there are
 * too many. */
void run_notes_event(struct run_notes *n, int64_t time_us, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Frames that had not arrived when the next one did, at this place. */
void run_notes_gap(struct run_notes *n, int64_t frames);

/* The next row, before it is handed to the writer: counts the samples that are missing before it. */
void run_notes_row(struct run_notes *n, int64_t time_us);

/* The push began at this row. */
void run_notes_push_start(struct run_notes *n, int64_t time_us);

/* The run is over: settle the last gap and take over those counts of the link that gaps do not tell. */
void run_notes_end(struct run_notes *n, const struct rig_counts *counts);

/* The run is on the disk: take over how long its rows took to get there, and tell of a slow disk. */
void run_notes_written(struct run_record *record, const struct run_written *written);

/* The disk has kept fewer rows than were counted: make what record says of missing samples and of the end of
 * the push true of the rows in rows_path. ERR_FILE when they cannot be read. */
enum err_code run_notes_cut_back(struct run_record *record, const char *rows_path, struct err *e);

#endif
