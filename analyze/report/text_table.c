#include "analyze/report/text_table.h"

#include "analyze/report/text_width.h"
#include "analyze/report/text_wrap.h"

#include <assert.h>
#include <string.h>

#define GAP          2 /* columns between two columns of a table */
#define STACK_INDENT 2

static int greater(int a, int b)
{
    return a > b ? a : b;
}

void text_table_begin(struct text_table *t, const struct text_column *columns, size_t count, int width)
{
    assert(count > 0 && count <= TEXT_TABLE_COLUMNS_MAX);
    *t = (struct text_table){.columns = columns, .count = count, .width = width};
    for (size_t j = 0; j < count; j++) {
        t->heads = t->heads || columns[j].head != NULL;
        t->used[j] = !columns[j].optional;
        if (columns[j].head == NULL)
            continue;
        t->natural[j] = text_width(columns[j].head);
        t->least[j] = text_wrap_widest_part(columns[j].head);
        t->cells[j] = t->least[j];
    }
}

static void measure(struct text_table *t, const char *const *cells)
{
    for (size_t j = 0; j < t->count; j++) {
        t->used[j] = t->used[j] || (cells[j][0] != 0 && strcmp(cells[j], "-") != 0);
        t->natural[j] = greater(t->natural[j], text_width(cells[j]));
        t->cells[j] = greater(t->cells[j], text_width(cells[j]));
        t->least[j] = greater(t->least[j], text_wrap_widest_part(cells[j]));
    }
}

static int whole(const struct text_table *t)
{
    int sum = -GAP;
    for (size_t j = 0; j < t->count; j++)
        sum += t->used[j] ? t->wide[j] + GAP : 0;
    return sum;
}

enum kind { EITHER, TEXT, NUMBERS };

/* Take columns of that kind in, the widest first and none below its floor, until the table fits or none of
 * them can give more. */
static void take_in(struct text_table *t, enum kind kind, const int *floor)
{
    while (whole(t) > t->width) {
        size_t widest = t->count;
        for (size_t j = 0; j < t->count; j++) {
            if (t->used[j] && (kind == EITHER || t->columns[j].numbers == (kind == NUMBERS)) &&
                t->wide[j] > floor[j] && (widest == t->count || t->wide[j] > t->wide[widest]))
                widest = j;
        }
        if (widest == t->count)
            return;
        t->wide[widest]--;
    }
}

static void lay_out(struct text_table *t)
{
    memcpy(t->wide, t->natural, sizeof t->wide);
    if (t->width <= 0 || whole(t) <= t->width)
        return;
    take_in(t, EITHER, t->cells);
    take_in(t, TEXT, t->least);
    take_in(t, NUMBERS, t->least);
    t->stacked = whole(t) > t->width;
}

/* One line of cells, each over as many lines as it takes. */
static void put_line(const struct text_table *t, const char *const *cells, FILE *out)
{
    size_t length[TEXT_TABLE_COLUMNS_MAX], start[TEXT_TABLE_COLUMNS_MAX] = {0};
    bool more = true;
    for (size_t j = 0; j < t->count; j++)
        length[j] = strlen(cells[j]);
    while (more) {
        int behind = 0; /* blanks that wait for something to stand behind them */
        more = false;
        for (size_t j = 0; j < t->count; j++) {
            size_t next = 0, bytes;
            int blanks;
            if (!t->used[j])
                continue;
            bytes = text_wrap_line(cells[j] + start[j], length[j] - start[j], t->wide[j], &next);
            blanks = t->wide[j] - text_width_of(cells[j] + start[j], bytes);
            if (bytes > 0)
                fprintf(out, "%*s%.*s", behind + (t->columns[j].right ? blanks : 0), "", (int)bytes,
                        cells[j] + start[j]);
            behind = bytes == 0 ? behind + t->wide[j] + GAP : (t->columns[j].right ? 0 : blanks) + GAP;
            start[j] += next;
            more = more || start[j] < length[j];
        }
        fputc('\n', out);
    }
}

static void put_heads(const struct text_table *t, FILE *out)
{
    const char *heads[TEXT_TABLE_COLUMNS_MAX];
    if (!t->heads || t->stacked)
        return;
    for (size_t j = 0; j < t->count; j++)
        heads[j] = t->columns[j].head != NULL ? t->columns[j].head : "";
    put_line(t, heads, out);
}

/* Text in lines from the present place on, further lines that many columns in. */
static void put_wrapped(const char *text, int indent, int columns, FILE *out)
{
    size_t length = strlen(text), next = 0;
    for (size_t start = 0; start < length; start += next) {
        size_t bytes = text_wrap_line(text + start, length - start, columns, &next);
        if (start > 0)
            fprintf(out, "\n%*s", indent, "");
        fwrite(text + start, 1, bytes, out);
    }
    fputc('\n', out);
}

static void put_stacked(const struct text_table *t, const char *const *cells, FILE *out)
{
    int indent = 0, head = 0, cell;
    for (size_t j = 0; j < t->count; j++) {
        if (t->used[j] && t->columns[j].title && cells[j][0] != 0) {
            put_wrapped(cells[j], STACK_INDENT, t->width - STACK_INDENT, out);
            indent = STACK_INDENT;
        }
        if (t->used[j] && !t->columns[j].title && t->columns[j].head != NULL)
            head = greater(head, text_width(t->columns[j].head));
    }
    cell = t->width - indent - head - (head > 0 ? GAP : 0);
    for (size_t j = 0; j < t->count; j++) {
        const char *name = t->columns[j].head != NULL ? t->columns[j].head : "";
        int place;
        if (!t->used[j] || t->columns[j].title || cells[j][0] == 0)
            continue;
        place = indent + head + (head > 0 ? GAP : 0);
        if (head == 0) {
            fprintf(out, "%*s", indent, "");
            put_wrapped(cells[j], indent, t->width - indent, out);
            continue;
        }
        fprintf(out, "%*s%s", indent, "", name);
        if (text_wrap_widest_part(cells[j]) <= cell) {
            fprintf(out, "%*s", place - indent - text_width(name), "");
            put_wrapped(cells[j], place, cell, out);
        } else {
            place = indent + STACK_INDENT;
            fprintf(out, "\n%*s", place, "");
            put_wrapped(cells[j], place, t->width - place, out);
        }
    }
}

static void put_row(struct text_table *t, const char *const *cells, FILE *out)
{
    if (t->stacked) {
        if (t->rows > 0 && t->heads)
            fputc('\n', out);
        put_stacked(t, cells, out);
    } else {
        put_line(t, cells, out);
    }
    t->rows++;
}

bool text_table_pass(struct text_table *t, FILE *out)
{
    t->pass++;
    if (t->pass == 2) {
        lay_out(t);
        put_heads(t, out);
    }
    return t->pass <= 2;
}

void text_table_put(struct text_table *t, const char *const *cells, FILE *out)
{
    if (t->pass == 1)
        measure(t, cells);
    else
        put_row(t, cells, out);
}
