#include "datasets/format/table_row.h"

#include "rig/base/number.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum err_code table_row_complain(const struct table_row *row, size_t field, struct err *e, const char *format,
                                 ...)
{
    char text[512];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    err_set_at(e, ERR_FILE, row->path, row->line, (int64_t)row->start[field] + 1, "%s", text);
    if (e != NULL)
        snprintf(e->source, sizeof e->source, "%.*s", (int)row->length, row->text);
    return ERR_FILE;
}

enum err_code table_row_split(struct table_row *row, size_t wanted, const char *header, struct err *e)
{
    size_t start = 0;
    row->count = 0;
    for (size_t i = 0; i <= row->length; i++) {
        size_t length = i - start;
        if (i < row->length && row->text[i] != ',')
            continue;
        if (row->count == wanted) {
            row->count++;
            break;
        }
        row->start[row->count] = start;
        if (length >= TABLE_ROW_FIELD_SIZE || memchr(row->text + start, 0, length) != NULL)
            return table_row_complain(row, row->count, e,
                                      "a field of %zu characters is no number and no name", length);
        memcpy(row->field[row->count], row->text + start, length);
        row->field[row->count++][length] = 0;
        start = i + 1;
    }
    if (row->count == wanted)
        return ERR_OK;
    row->start[0] = 0;
    return table_row_complain(row, 0, e, "a row has %zu fields, %s, this one has %s", wanted, header,
                              row->count > wanted ? "more"
                              : row->length == 0  ? "none: take the empty line out"
                                                  : "fewer");
}

enum err_code table_row_number(const struct table_row *row, size_t field, const char *what, const char *unit,
                               double low, double high, double *value, struct err *e)
{
    struct err why;
    if (number_read_double(row->field[field], low, high, what, unit, value, &why) == ERR_OK)
        return ERR_OK;
    return table_row_complain(row, field, e, "%.300s; correct it, or take the row out", why.text);
}

enum err_code table_row_next(const char *text, size_t length, size_t *at, struct table_row *row,
                             struct err *e)
{
    const char *end = memchr(text + *at, '\n', length - *at);
    row->line++;
    row->text = text + *at;
    row->start[0] = 0;
    row->length = end == NULL ? length - *at : (size_t)(end - row->text);
    if (end == NULL)
        return table_row_complain(
            row, 0, e,
            "the last row is not ended by a line break: was the file cut short? Complete it, or "
            "take the row out");
    *at += row->length + 1;
    if (row->length > 0 && row->text[row->length - 1] == '\r')
        row->length--;
    return ERR_OK;
}
