/* A small table that a person wrote, row by row: a CSV file without quotes, its lines ended by LF or CR LF,
 * with messages that point at the field. */
#ifndef DATASETS_FORMAT_TABLE_ROW_H
#define DATASETS_FORMAT_TABLE_ROW_H

#include "rig/base/err.h"

#include <stddef.h>
#include <stdint.h>

#define TABLE_ROW_FIELDS     8
#define TABLE_ROW_FIELD_SIZE 64

/* A line and its fields. Begin with the path alone; text belongs to the caller. */
struct table_row {
    const char *path;
    int64_t line; /* from 1 on */
    const char *text;
    size_t length;
    size_t count;
    size_t start[TABLE_ROW_FIELDS]; /* of each field in text */
    char field[TABLE_ROW_FIELDS][TABLE_ROW_FIELD_SIZE];
};

/* The next line of text from *at on, without its end. ERR_FILE where the last one is not ended. */
enum err_code table_row_next(const char *text, size_t length, size_t *at, struct table_row *row,
                             struct err *e);

/* Cut it into fields. ERR_FILE when there are not as many as wanted (header says which), or one is too long.
 */
enum err_code table_row_split(struct table_row *row, size_t wanted, const char *header, struct err *e);

/* A field as a finite number in range. ERR_FILE. */
enum err_code table_row_number(const struct table_row *row, size_t field, const char *what, const char *unit,
                               double low, double high, double *value, struct err *e);

/* ERR_FILE at a field, with the line to look at; text that would break the display is left to err_format. */
enum err_code table_row_complain(const struct table_row *row, size_t field, struct err *e, const char *format,
                                 ...) __attribute__((format(printf, 4, 5)));

#endif
