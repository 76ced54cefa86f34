#include "datasets/format/bench_table.h"

#include "datasets/format/file_bytes.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FILE_BYTES_MAX (4 * 1024 * 1024)
#define VALUE_MAX      1e12

const char *const BENCH_TABLE_NAMES[BENCH_TABLE_COLUMNS] = {"feeder", "bench", "operator", "refit"};

/* What each field of a row is: a column, or BENCH_TABLE_COLUMNS for the value. */
struct header {
    size_t count;
    enum bench_table_column column[TABLE_ROW_FIELDS];
    char text[TABLE_ROW_FIELDS * TABLE_ROW_FIELD_SIZE];
};

static enum bench_table_column column_of(const char *name)
{
    size_t i = 0;
    while (i < BENCH_TABLE_COLUMNS && strcmp(name, BENCH_TABLE_NAMES[i]) != 0)
        i++;
    return (enum bench_table_column)i;
}

static size_t count_fields(const struct table_row *row)
{
    size_t count = 1;
    for (size_t i = 0; i < row->length; i++)
        count += row->text[i] == ',';
    return count;
}

/* A name as two people would write it alike: " north" and "\"north\"" would be benches of their own. */
static enum err_code check_name(const struct table_row *row, size_t field, struct err *e)
{
    const char *name = row->field[field];
    char clean[TABLE_ROW_FIELD_SIZE];
    memcpy(clean, name, sizeof clean);
    if (strcmp(err_clean_text(clean), name) != 0)
        return table_row_complain(row, field, e, "'%s' holds a control character, or is not UTF-8", name);
    if (name[0] == ' ' || name[strlen(name) - 1] == ' ')
        return table_row_complain(row, field, e, "'%s' has a blank at its beginning or end; take it out",
                                  name);
    if (strchr(name, '"') != NULL)
        return table_row_complain(row, field, e, "'%s' holds a quote; fields are written without", name);
    return ERR_OK;
}

static enum err_code read_header(struct table_row *row, struct bench_table *t, struct header *h,
                                 struct err *e)
{
    enum err_code code;
    h->count = count_fields(row);
    if (h->count > BENCH_TABLE_COLUMNS + 1)
        return table_row_complain(row, 0, e,
                                  "the first line names more columns than feeder, bench, operator, refit and "
                                  "one of values");
    code = table_row_split(row, h->count, "as the first line", e);
    for (size_t i = 0; i < h->count && code == ERR_OK; i++) {
        const char *name = row->field[i];
        h->column[i] = column_of(name);
        if (name[0] == 0)
            code = table_row_complain(row, i, e, "a column has no name");
        else if (check_name(row, i, e) != ERR_OK)
            code = ERR_FILE;
        else if (h->column[i] == BENCH_TABLE_COLUMNS && t->quantity[0] != 0)
            code = table_row_complain(row, i, e,
                                      "'%s' is neither feeder, bench, operator nor refit, and '%s' holds the "
                                      "values already",
                                      name, t->quantity);
        else if (h->column[i] < BENCH_TABLE_COLUMNS && t->has[h->column[i]])
            code = table_row_complain(row, i, e, "column '%s' is there twice", name);
        else if (h->column[i] < BENCH_TABLE_COLUMNS)
            t->has[h->column[i]] = true;
        else
            memcpy(t->quantity, name, sizeof t->quantity);
    }
    if (code == ERR_OK && t->quantity[0] == 0)
        code = table_row_complain(row, 0, e,
                                  "the first line names no column of values beside feeder, bench, "
                                  "operator and refit");
    snprintf(h->text, sizeof h->text, "%.*s", (int)row->length, row->text);
    return code;
}

static enum err_code read_row(struct table_row *row, const struct header *h, struct bench_table *t,
                              struct err *e)
{
    struct bench_table_row *to = &t->rows[t->n];
    enum err_code code;
    if (t->n == BENCH_TABLE_ROWS_MAX)
        return table_row_complain(row, 0, e, "more than %d rows", BENCH_TABLE_ROWS_MAX);
    memset(to, 0, sizeof *to);
    code = table_row_split(row, h->count, h->text, e);
    for (size_t i = 0; i < h->count && code == ERR_OK; i++) {
        if (h->column[i] == BENCH_TABLE_COLUMNS)
            code = table_row_number(row, i, t->quantity, "", -VALUE_MAX, VALUE_MAX, &to->value, e);
        else if (row->field[i][0] == 0)
            code = table_row_complain(row, i, e, "%s: is empty", BENCH_TABLE_NAMES[h->column[i]]);
        else if ((code = check_name(row, i, e)) == ERR_OK)
            memcpy(to->text[h->column[i]], row->field[i], sizeof to->text[0]);
    }
    t->n += code == ERR_OK;
    return code;
}

static enum err_code read_rows(const char *path, const char *text, size_t length, struct bench_table *t,
                               struct err *e)
{
    struct table_row row = {.path = path};
    struct header header = {0};
    size_t at = 0;
    enum err_code code;
    if (length == 0)
        return err_set_at(e, ERR_FILE, path, 0, 0, "the file is empty: its first line names the columns");
    code = table_row_next(text, length, &at, &row, e);
    if (code == ERR_OK && row.length >= 3 && memcmp(row.text, "\xEF\xBB\xBF", 3) == 0)
        code = table_row_complain(&row, 0, e, "the file begins with a byte order mark: save it without one");
    if (code == ERR_OK)
        code = read_header(&row, t, &header, e);
    while (code == ERR_OK && at < length) {
        code = table_row_next(text, length, &at, &row, e);
        if (code == ERR_OK)
            code = read_row(&row, &header, t, e);
    }
    if (code == ERR_OK && t->n == 0)
        code = err_set_at(e, ERR_FILE, path, 0, 0, "there is no row below the header");
    return code;
}

enum err_code bench_table_read(const char *path, struct bench_table *table, struct err *e)
{
    char *bytes;
    size_t length;
    enum err_code code = file_bytes_read(path, FILE_BYTES_MAX, &bytes, &length, e);
    memset(table, 0, sizeof *table);
    if (code != ERR_OK)
        return code;
    table->rows = malloc(BENCH_TABLE_ROWS_MAX * sizeof *table->rows);
    code = table->rows == NULL ? err_set(e, ERR_MEMORY, "out of memory for %s", path)
                               : read_rows(path, bytes, length, table, e);
    free(bytes);
    if (code != ERR_OK)
        bench_table_free(table);
    return code;
}

void bench_table_free(struct bench_table *table)
{
    free(table->rows);
    memset(table, 0, sizeof *table);
}
