/* The last steps of filing a run, for series_file_run and for series_recover, which finishes what a crash cut
 * off. */
#ifndef DATASETS_FORMAT_SERIES_FILE_H
#define DATASETS_FORMAT_SERIES_FILE_H

#include "rig/base/err.h"

#include <stdint.h>

/* The record of run number is there: cut runs/NNNN.csv.part to bytes (below 0: it is whole), give it its
 * final name and take the journal away. ERR_SYSTEM with the file. */
enum err_code series_file_rows(const char *folder, int number, int64_t bytes, struct err *e);

/* Make all that is in the file of rows at path durable. ERR_SYSTEM with the file. */
enum err_code series_file_sync_rows(const char *path, struct err *e);

/* Take runs/NNNN.ENDING away; that it is not there is fine. */
enum err_code series_file_remove(const char *folder, int number, const char *ending, struct err *e);

/* folder/runs/NNNN.ENDING into full (SERIES_PATH_MAX bytes). */
enum err_code series_file_path(const char *folder, int number, const char *ending, char *full, struct err *e);

#endif
