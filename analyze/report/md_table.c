#include "analyze/report/md_table.h"

#include <stdlib.h>
#include <string.h>

void md_table_begin(struct md_table *t, FILE *out)
{
    *t = (struct md_table){.out = out};
    t->notes_out = open_memstream(&t->notes, &t->notes_length);
    t->lost = t->notes_out == NULL;
}

static void empty(struct md_table_row *row)
{
    for (size_t i = 0; i < row->count; i++)
        free(row->cells[i].text);
    row->count = 0;
}

void md_table_begin_row(struct md_table *t, bool in_head, bool noted)
{
    empty(&t->row);
    t->in_head = in_head;
    t->noted = noted;
}

void md_table_add(struct md_table *t, const char *text, size_t span, bool heads, bool number)
{
    struct md_table_row *row = &t->row;
    struct md_table_cell *cell;
    if (row->count == row->size) {
        size_t size = row->size == 0 ? 8 : 2 * row->size;
        struct md_table_cell *larger = realloc(row->cells, size * sizeof *larger);
        if (larger != NULL) {
            row->cells = larger;
            row->size = size;
        }
    }
    if (row->count == row->size) {
        t->lost = true;
        return;
    }
    cell = &row->cells[row->count];
    cell->text = strdup(text);
    cell->span = span;
    cell->heads = heads;
    cell->number = number;
    if (cell->text == NULL)
        t->lost = true;
    else
        row->count++;
}

static void put_head(struct md_table *t)
{
    for (size_t i = 0; i < t->head.count; i++)
        fprintf(t->out, "| %s ", t->head.cells[i].text);
    fputs("|\n", t->out);
    for (size_t i = 0; i < t->head.count; i++)
        fputs(t->head.cells[i].number ? "| ---: " : "| --- ", t->out);
    fputs("|\n", t->out);
}

/* A row with no head over it: "- Title: Two gears". */
static void put_item(struct md_table *t)
{
    fputs("- ", t->out);
    for (size_t i = 0; i < t->row.count; i++)
        fprintf(t->out, "%s%s", i == 0 ? "" : i == 1 ? ": " : "; ", t->row.cells[i].text);
    fputc('\n', t->out);
}

static void put_row(struct md_table *t)
{
    size_t columns = 0;
    if (!t->any_rows)
        put_head(t);
    for (size_t i = 0; i < t->row.count; i++) {
        const struct md_table_cell *cell = &t->row.cells[i];
        fprintf(t->out, "| %s ", cell->text);
        if (i == 0 && t->noted)
            fprintf(t->out, "(%zu) ", ++t->note_count);
        columns += cell->span;
        for (size_t k = 1; k < cell->span && columns <= t->head.count; k++)
            fputs("| ", t->out);
    }
    for (; columns < t->head.count; columns++)
        fputs("| ", t->out);
    fputs("|\n", t->out);
}

/* Notes with a number are items of a list that counts as they do. */
static void put_note(struct md_table *t)
{
    if (t->note_count > 0)
        fprintf(t->notes_out, "%zu. %s\n", t->note_count, t->row.cells[0].text);
    else
        fprintf(t->notes_out, "%s\n\n", t->row.cells[0].text);
}

/* End the rows so far: the notes on them come next. */
static void put_notes(struct md_table *t)
{
    if (t->any_rows)
        fputc('\n', t->out);
    t->any_rows = false;
    fflush(t->notes_out);
    if (t->notes_length == 0)
        return;
    fwrite(t->notes, 1, t->notes_length, t->out);
    if (t->note_count > 0)
        fputc('\n', t->out);
    rewind(t->notes_out);
    fflush(t->notes_out);
    t->note_count = 0;
}

void md_table_end_row(struct md_table *t)
{
    struct md_table_row *row = &t->row;
    if (t->lost || row->count == 0)
        return;
    if (t->in_head) {
        struct md_table_row head = t->head;
        t->head = *row;
        *row = head;
    } else if (t->head.count > 1 && row->count == 1 && row->cells[0].span > 1) {
        if (!row->cells[0].heads) {
            put_note(t);
            return;
        }
        put_notes(t);
        fprintf(t->out, "%s:\n\n", row->cells[0].text);
    } else {
        (t->head.count > 0 ? put_row : put_item)(t);
        t->any_rows = true;
    }
}

bool md_table_end(struct md_table *t)
{
    if (!t->lost)
        put_notes(t);
    if (t->notes_out != NULL)
        fclose(t->notes_out);
    free(t->notes);
    empty(&t->head);
    empty(&t->row);
    free(t->head.cells);
    free(t->row.cells);
    return !t->lost;
}
