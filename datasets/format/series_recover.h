/* A series whose capture ended badly is put in order again, and told how far it has come. Nothing that was
 * durable is lost or changed: files are completed, renamed and listed, and only a torn last row is cut. */
#ifndef DATASETS_FORMAT_SERIES_RECOVER_H
#define DATASETS_FORMAT_SERIES_RECOVER_H

#include "datasets/format/plan.h"
#include "datasets/format/run_record.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* File a run of which every row is in runs/NNNN.csv.part and durable: write its record, give the rows their
 * final name, take the journal away; in this order, so that a crash in between leaves what series_recover can
 * finish. The descriptor is not touched. ERR_SYSTEM with the file: then all that was there still is. */
enum err_code series_file_run(const char *folder, const struct run_record *r, struct err *e);

struct series_progress {
    /* By place in the plan's order, from 1: whether a run of it is complete or met a limit. */
    bool finished[PLAN_RUNS_MAX + 1];
    /* Where a run that the operator had repeated is sound but its repeat was broken off: that run's number,
     * and the place is not finished; 0 elsewhere. The next run there repeats it. */
    int repeats[PLAN_RUNS_MAX + 1];
    int finished_count;
    int next_number;     /* no file in runs/ has it or a greater one; may be past SERIES_RUNS_MAX */
    char rig_serial[33]; /* of the rig that made the last run; "" before any */
};

/* Put folder in order and find out how far it has come. plan is that of the series. A run that was being
 * written is cut back to its last whole row, its record made from its journal and its rows, and it is filed
 * as interrupted; one without a row is taken away with its journal. One whose record was written already gets
 * its final name. Temporary files of ours are removed, and the descriptor is rebuilt when anything was
 * changed or is not listed. tell (may be NULL) gets a sentence for each thing done. ERR_FILE for a folder
 * that holds no series, or a record that cannot be read; ERR_SYSTEM when it cannot be changed. What cannot be
 * put in order (a .part file without a journal) is told and left as it is. */
enum err_code series_recover(const char *folder, const struct plan *plan,
                             void (*tell)(void *context, const char *text), void *context,
                             struct series_progress *progress, struct err *e);

#endif
