/* Paths inside a series folder, none of which is trusted. */
#ifndef DATASETS_FORMAT_SERIES_PATH_H
#define DATASETS_FORMAT_SERIES_PATH_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define SERIES_PATH_MAX 4096

/* What is wrong with a resource path, as a phrase ("is absolute"), or NULL: it must be relative, with '/'
 * between its parts, none of them empty, "." or "..", without backslash, colon or control character, and at
 * most 240 bytes. */
const char *series_path_fault(const char *path);

/* folder/path into full (SERIES_PATH_MAX bytes). ERR_FILE when it does not fit. */
enum err_code series_path_join(const char *folder, const char *path, char *full, struct err *e);

/* The same, and check that it is a regular file that exists and, symbolic links followed, lies inside folder.
 */
enum err_code series_path_resolve(const char *folder, const char *path, char *full, struct err *e);
/* The same where known is what realpath says of folder (NULL: not known), which is asked once for many files.
 */
enum err_code series_path_resolve_real(const char *folder, const char *known, const char *path, char *full,
                                       struct err *e);

/* runs/NNNN.ENDING: the number, and *ending points to what follows the point; 0 for any other path. */
int series_path_run_file(const char *path, const char **ending);
/* runs/NNNN.csv and runs/NNNN.json: the number if path is one with that ending ("csv"), else 0. */
int series_path_run_number(const char *path, const char *ending);
/* The path for a number from 1 to 9999; room for 32 bytes; an ending has at most
 * 15. */
void series_path_of_run(int number, const char *ending, char *path);

#endif
