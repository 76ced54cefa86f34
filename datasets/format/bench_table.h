/* Results of one quantity as a table that a person wrote: which feeder, on which bench, by whom, after which
 * refit. Read strictly; nothing is worked out here. */
#ifndef DATASETS_FORMAT_BENCH_TABLE_H
#define DATASETS_FORMAT_BENCH_TABLE_H

#include "datasets/format/table_row.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define BENCH_TABLE_ROWS_MAX 10000

/* Columns that say where a value comes from. Each may be left out of the header; no column may be named
 * twice. */
enum bench_table_column {
    BENCH_TABLE_FEEDER,
    BENCH_TABLE_BENCH,
    BENCH_TABLE_OPERATOR,
    BENCH_TABLE_REFIT,
    BENCH_TABLE_COLUMNS
};
extern const char *const BENCH_TABLE_NAMES[BENCH_TABLE_COLUMNS]; /* "feeder", "bench", "operator", "refit" */

struct bench_table_row {
    char text[BENCH_TABLE_COLUMNS][TABLE_ROW_FIELD_SIZE]; /* "" in a column that is left out */
    double value;
};

struct bench_table {
    char quantity[TABLE_ROW_FIELD_SIZE]; /* name of the one other column, which holds the values */
    bool has[BENCH_TABLE_COLUMNS];
    struct bench_table_row *rows; /* in the order of the file; row i, from 0, stands in line i + 2 */
    size_t n;
};

/* ERR_FILE with line and column for a header without a column of values or with two, a row that does not fit
 * it, an empty field, a name with control characters, quotes or blanks at its ends, a value that is no finite
 * number up to 1e12 either way, more rows than above, or none; files that another program wrote with a byte
 * order mark or without the last line break are refused too. *table is to be freed
 * after ERR_OK. ERR_MEMORY. */
enum err_code bench_table_read(const char *path, struct bench_table *table, struct err *e);
void bench_table_free(struct bench_table *table);

#endif
