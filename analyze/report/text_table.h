/* Aligned tables for a terminal of any width. A table that is too wide has its heads wrapped at words,
 * then its cells, those of plain text before those of numbers; one that is still too wide is stacked: each
 * row becomes a few lines, each with the head of its column before it. Numbers are never cut.
 *
 * Rows go through twice, first for their widths and then to be written, so that nothing is held of a long
 * table: text_table_begin, then while text_table_pass is true, text_table_put for each row. Cells are UTF-8
 * that was cleaned. */
#ifndef ANALYZE_REPORT_TEXT_TABLE_H
#define ANALYZE_REPORT_TEXT_TABLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#define TEXT_TABLE_COLUMNS_MAX 12

struct text_column {
    const char *head; /* NULL in all columns: the table has no line of heads */
    bool right;       /* aligned at the right, as numbers are read */
    bool numbers;     /* wrapped last, and then only between numbers */
    bool optional;    /* left out where no row has anything but "" or "-" in it */
    bool title;       /* of a stacked row: stands before the others, without its head */
};

struct text_table {
    const struct text_column *columns;
    size_t count;
    int width; /* of the terminal; 0: any */
    /* Columns of a terminal: of the widest head or cell; of the widest cell, with the head wrapped; and with
     * the cells wrapped too. */
    int natural[TEXT_TABLE_COLUMNS_MAX], cells[TEXT_TABLE_COLUMNS_MAX], least[TEXT_TABLE_COLUMNS_MAX];
    bool used[TEXT_TABLE_COLUMNS_MAX];
    int wide[TEXT_TABLE_COLUMNS_MAX]; /* as laid out */
    bool heads, stacked;
    int pass;
    size_t rows; /* written */
};

/* columns must outlive the table; at most TEXT_TABLE_COLUMNS_MAX of them. */
void text_table_begin(struct text_table *t, const struct text_column *columns, size_t count, int width);
/* Once more through the rows: true the first time, when they are measured, and the second, when the table is
 * laid out, its heads are written to out, and the rows follow. */
bool text_table_pass(struct text_table *t, FILE *out);
/* The next row's cells, as many as columns. */
void text_table_put(struct text_table *t, const char *const *cells, FILE *out);

#endif
