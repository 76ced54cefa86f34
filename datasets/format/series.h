/* A series folder: datapackage.json, plan.yaml, calibration.json, runs/NNNN.csv and runs/NNNN.json.
 * The one place that knows how these files hang together. Any folder is treated as hostile: resource paths
 * stay inside it (no "..", no absolute path, no symbolic link out of it), sizes and counts are bounded. */
#ifndef DATASETS_FORMAT_SERIES_H
#define DATASETS_FORMAT_SERIES_H

#include "datasets/format/calibration.h"
#include "datasets/format/plan.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/run_record.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* A series opened for reading. */
struct series {
    char *folder;
    char *real_folder; /* with all links resolved; NULL: to be found out */
    char title[PLAN_TEXT_MAX + 1];
    bool simulated;
    struct plan plan;
    struct calibration calibration;
    struct run_record *runs; /* run_count of them in run number order */
    size_t run_count;
    char package_hash[72];     /* "sha256:..." of datapackage.json itself */
    char (*csv_hashes)[72];    /* of the CSV of each run, as the descriptor gives it; "" when it does not */
    int64_t *csv_bytes;        /* its size likewise; -1 when not given */
    bool calibration_replaced; /* calibration.json is not the one that the descriptor lists */
    char calibration_hash[72]; /* of calibration.json, as it is */
    struct series_calibration
        *other; /* calibration is not the one inside (series_calibration.h); NULL: it is */
};
/* Reads everything but the run CSVs. A missing calibration.json, plan or sidecar is ERR_FILE with its name,
 * and so is a plan or sidecar that does not match the size and hash that the descriptor gives, or a hash of
 * an algorithm that is not known. */
enum err_code series_open(const char *folder, struct series **s, struct err *e);
/* The same by up to so many threads, which read the sidecars. Series and error are the same for any number:
 * of several sidecars that cannot be read, the one of the lowest run is told. */
enum err_code series_open_threads(const char *folder, int threads, struct series **s, struct err *e);
void series_free(struct series *s);
/* The CSV of runs[i]; ERR_FILE too when it does not match its size and hash, which are worked out as it is
 * read. columns needs no freeing after an error. */
enum err_code series_read_run(const struct series *s, size_t i, struct run_columns *columns, struct err *e);
/* The same by as many threads as one long run may take: no more than there are cores that nobody else keeps
 * busy. The columns are the same for any number. */
enum err_code series_read_run_threads(const struct series *s, size_t i, int threads,
                                      struct run_columns *columns, struct err *e);

/* Check a folder byte by byte against its datapackage.json: presence, size, SHA-256, CSV form, row counts
 * against the sidecars, stray files. Each finding is passed to report (never NULL); returns ERR_OK when there
 * was none, else ERR_FILE with the first one in e. */
enum err_code series_verify(const char *folder, void (*report)(void *context, const struct err *finding),
                            void *context, struct err *e);

/* What was gone through, as it comes and, at the end, in all. came may be NULL. */
struct series_verify_watch {
    void (*came)(void *context, size_t files, int64_t bytes); /* more that was gone through, of either */
    void *context;
    size_t files, runs; /* files of the descriptor that were looked at; CSVs of runs among them */
    int64_t bytes;      /* how long those are that are there */
};
/* The same, telling watch (NULL: nobody) how far it is. Bytes that came add up to those listed if all files
 * are as long as the descriptor says: those of a run count twice, for they are hashed and then read. */
enum err_code series_verify_watched(const char *folder,
                                    void (*report)(void *context, const struct err *finding), void *context,
                                    struct series_verify_watch *watch, struct err *e);
/* The bytes that series_verify_watched would tell of, and the files: for the whole of several series. 0 of
 * either where the descriptor cannot be read. */
int64_t series_verify_listed(const char *folder, size_t *files);

/* What a publication quotes to name a series by one number: the SHA-256 of the bytes of its datapackage.json,
 * which lists every other file by its hash, into text (72 bytes, as series_hash_file). ERR_FILE when there is
 * none. It says which package this is, not that the files are those of the package: series_verify does. */
enum err_code series_package_hash(const char *folder, char *text, struct err *e);

/* Writing. series_create makes the folder with plan.yaml and calibration.json copied into it. Where a program
 * was killed while it did so it goes on: what is there of this very plan and calibration stays as it is,
 * temporary names go, the rest is made. Refuses (ERR_USAGE, nothing touched) when the folder already holds a
 * series, the beginning of another one or anything else, or while somebody else is making one there. */
enum err_code series_create(const char *folder, const char *plan_path, const struct plan *plan,
                            const char *calibration_path, struct err *e);
/* Whether series_create would refuse that folder, as it is now; nothing is touched. *goes_on: something is
 * there that a killed program left. */
enum err_code series_may_create(const char *folder, const char *plan_path, const char *calibration_path,
                                bool *goes_on, struct err *e);
/* Rebuild datapackage.json from what is in the folder: every finished run with bytes and hash. Called after
 * each run; hashes of runs already listed with the same size and time stamp may be taken over from the old
 * descriptor. */
enum err_code series_write_package(const char *folder, const struct plan *plan, struct err *e);

/* SHA-256 of a file as "sha256:<64 hex digits>" into text (72 bytes). */
enum err_code series_hash_file(const char *path, char *text, struct err *e);
/* Write bytes to path by way of a temporary file, fsync and rename, then fsync the folder. */
enum err_code series_write_file(const char *path, const void *bytes, size_t length, struct err *e);

#endif
