/* What a capture that ended at any moment left of a run: where its rows end, and the record that its journal
 * and its rows make. Reads, and changes nothing. */
#ifndef DATASETS_FORMAT_RUN_RECOVER_H
#define DATASETS_FORMAT_RUN_RECOVER_H

#include "datasets/format/run_record.h"
#include "rig/base/err.h"

#include <stdint.h>

enum run_remains {
    RUN_REMAINS_ROWS,    /* a header and at least one whole row */
    RUN_REMAINS_NOTHING, /* no row was recorded: there is a header or a part of one, or NUL bytes alone */
    RUN_REMAINS_FOREIGN  /* neither: no capture leaves this */
};

/* Find the end of the last whole row in the file of rows at path: *end is the offset behind its line feed,
 * *tail how many bytes come after it, which a crash tore. The rows before are not looked at. ERR_FILE when it
 * cannot be opened, is a link or no regular file, or is too long. */
enum err_code run_recover_find_end(const char *path, enum run_remains *remains, int64_t *end, int64_t *tail,
                                   struct err *e);

/* The record of the run whose rows are the first end bytes of the file at rows_path, interrupted. What the
 * rows say of samples_missing counts; the gaps of the journal keep their frames; a hole in the rows that the
 * journal does not tell of becomes a gap without frames. tail is told in an event. ERR_FILE for a journal or
 * rows that cannot be read. */
enum err_code run_recover_record(const char *journal_path, const char *rows_path, int64_t end, int64_t tail,
                                 struct run_record *r, struct err *e);

#endif
