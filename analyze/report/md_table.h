/* A table of a page as a Markdown table, row by row. Where a page has rows of one cell over the whole width,
 * Markdown has none: a heading among the rows stands over a table of its own, and a note goes under the
 * table, by number where it belongs to one row. A table without a head becomes a list. */
#ifndef ANALYZE_REPORT_MD_TABLE_H
#define ANALYZE_REPORT_MD_TABLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

struct md_table_cell {
    char *text; /* Markdown, one line */
    size_t span;
    bool heads, number;
};

/* A row in the making, and the head. */
struct md_table_row {
    struct md_table_cell *cells;
    size_t count, size;
};

struct md_table {
    FILE *out; /* of the caller */
    struct md_table_row head, row;
    char *notes;
    size_t notes_length;
    FILE *notes_out;
    bool in_head, noted, any_rows;
    size_t note_count;
    bool lost; /* no memory: what was written is not whole */
};

/* Begin a table in a struct that holds nothing; md_table_end frees what it holds. */
void md_table_begin(struct md_table *t, FILE *out);
/* Rows of the head come first. noted: the row under this one is a note on it. */
void md_table_begin_row(struct md_table *t, bool in_head, bool noted);
/* text is Markdown and without a bar that is not escaped; span: how many columns; heads: it is the heading of
 * its row or column; number: figures, which stand at the right. */
void md_table_add(struct md_table *t, const char *text, size_t span, bool heads, bool number);
void md_table_end_row(struct md_table *t);
/* False without memory. */
bool md_table_end(struct md_table *t);

#endif
