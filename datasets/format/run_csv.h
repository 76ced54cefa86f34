/* Run files: runs/NNNN.csv, one row per sample, raw integers only:
 *     time_us,force_counts,commanded_steps,encoder_counts,flags
 * encoder_counts is empty in every row of a run without an encoder. No unit conversion happens here.
 *
 * Sign convention of the whole project: push force and forward feed are positive.
 */
#ifndef DATASETS_FORMAT_RUN_CSV_H
#define DATASETS_FORMAT_RUN_CSV_H

#include "datasets/format/run_csv_row.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define RUN_CSV_HEADER "time_us,force_counts,commanded_steps,encoder_counts,flags"

/* Bits of the flags column. */
enum run_flag {
    RUN_FLAG_OVER_RANGE = 1, /* the converter was at an end of its range */
    RUN_FLAG_DRIVER_FAULT = 2,
    RUN_FLAG_LIMIT_SWITCH = 4,
    RUN_FLAG_EMERGENCY_STOP = 8
};

/* Columns of one run, each of length n. encoder_counts is NULL without an encoder. */
struct run_columns {
    size_t n;
    int64_t *time_us;
    int32_t *force_counts;
    int32_t *commanded_steps;
    int32_t *encoder_counts;
    uint8_t *flags;
};

/* Parse one row of length bytes (without its line feed). ERR_FILE with the reason in e->text otherwise. */
enum err_code run_csv_parse_row(const char *row, size_t length, struct raw_sample *s, bool *encoder,
                                struct err *e);

/* Read a whole run from a mapped file into columns (one allocation per column, none per row). Refuses, with
 * file and line: a wrong header, a wrong number of fields, anything but whole numbers in range, time that
 * runs backward, a last row that is not ended. The caller frees with run_columns_free. The
 * file must not shrink meanwhile: a mapping past its end is a bus error. Files of up to 2 GiB. */
enum err_code run_csv_read(const char *path, struct run_columns *columns, struct err *e);

/* How a file is read, beside its path. */
struct run_csv_how {
    bool start_only;
    int64_t bytes; /* with start_only: how many of the first bytes, as if the file ended there */
    int threads;   /* that may share a large file; 0 and 1: this one alone. The columns are the same */
    char *hash;    /* receives the SHA-256 of what was read, worked out while it is at hand, as "sha256:..."
                      (FILE_BYTES_HASH_SIZE bytes); NULL: not asked for */
    int64_t *size; /* receives its bytes; NULL: not asked for */
};
enum err_code run_csv_read_how(const char *path, const struct run_csv_how *how, struct run_columns *columns,
                               struct err *e);
/* The first bytes of a file alone, as if it ended there; below 0: the whole file. */
enum err_code run_csv_read_start(const char *path, int64_t bytes, struct run_columns *columns, struct err *e);
void run_columns_free(struct run_columns *columns); /* zeroes them; NULL and empty are fine */
/* The first row at that time or later; n where there is none. */
size_t run_columns_from(const struct run_columns *columns, int64_t time_us);

#endif
