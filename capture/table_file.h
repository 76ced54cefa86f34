/* A table that grows by a row as something is measured, with a JSON file of the same stem beside it that
 * tells how. The CSV is appended to, each row durable before the next is measured, and always ends with a
 * whole row; the JSON is replaced as a whole. Neither is ever written over: both names must be free. */
#ifndef CAPTURE_TABLE_FILE_H
#define CAPTURE_TABLE_FILE_H

#include "rig/base/err.h"

#include <jansson.h>
#include <stddef.h>

struct table_file;

/* Make path, which must end in ".csv", with its header row (no line break) durable. ERR_USAGE when path or
 * its JSON exists (nothing is touched), or for a name or folder that will not do; ERR_SYSTEM else. */
enum err_code table_file_create(const char *path, const char *header, struct table_file **table,
                                struct err *e);

/* Append one row (no line break) and make it durable. After a failure the file is cut back to whole rows. */
enum err_code table_file_append(struct table_file *t, const char *row, struct err *e);

/* Write root (stolen; NULL is reported as no memory) to the JSON file. */
enum err_code table_file_describe(struct table_file *t, json_t *root, struct err *e);

size_t table_file_rows(const struct table_file *t); /* but the header */

/* Close; a table without a row is taken away again, with its JSON. NULL is fine. */
void table_file_close(struct table_file *t);

#endif
