#include "capture/series_picture.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define COLUMNS_LEAST 20

static const char *const MARKS[2][SERIES_PICTURE_STATES] = {{".", "#", "?", "r", ">"},
                                                            {"·", "■", "▲", "○", "▸"}};
static const char *const MEANINGS[SERIES_PICTURE_STATES] = {"to come", "done", "looked wrong",
                                                            "to be repeated", "next"};
/* What a mark for several runs shows: the first of these that any of them is. */
static const enum series_picture_state PRESSING[] = {SERIES_PICTURE_NEXT, SERIES_PICTURE_AGAIN,
                                                     SERIES_PICTURE_TO_COME, SERIES_PICTURE_WRONG,
                                                     SERIES_PICTURE_DONE};

/* A line of so many characters at most; what does not fit is left out. */
struct line {
    char *text;
    size_t used;
    int columns;
};

static int characters(const char *text)
{
    int n = 0;
    for (; *text != 0; text++)
        n += ((unsigned char)*text & 0xC0) != 0x80;
    return n;
}

static bool add(struct line *line, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* All of it or nothing. */
static bool add(struct line *line, const char *format, ...)
{
    char text[256];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    if (characters(text) > line->columns || line->used + strlen(text) >= SERIES_PICTURE_LINE_BYTES)
        return false;
    strcpy(line->text + line->used, text);
    line->used += strlen(text);
    line->columns -= characters(text);
    return true;
}

static bool is_done(enum series_picture_state state)
{
    return state == SERIES_PICTURE_DONE || state == SERIES_PICTURE_WRONG;
}

static size_t count_done(const struct series_picture_run *runs, size_t count)
{
    size_t done = 0;
    for (size_t i = 0; i < count; i++)
        done += is_done(runs[i].state);
    return done;
}

/* One past the last run of the block that begins at from. */
static size_t end_of_block(const struct series_picture_run *runs, size_t count, size_t from)
{
    size_t end = from + 1;
    while (end < count && runs[end].block == runs[from].block)
        end++;
    return end;
}

/* One past the last run at from that belongs to the same mounting. */
static size_t end_of_mounting(const struct series_picture_run *runs, size_t end, size_t from)
{
    size_t next = from + 1;
    while (next < end && !runs[next].mounts)
        next++;
    return next;
}

/* Characters of a block with marks for each runs, and spaces if any. */
static size_t width_of(const struct series_picture_run *runs, size_t from, size_t end, size_t each,
                       bool spaces)
{
    size_t width = 0;
    if (!spaces)
        return (end - from + each - 1) / each;
    for (size_t i = from; i < end;) {
        size_t next = end_of_mounting(runs, end, i);
        width += (next - i + each - 1) / each + (i > from);
        i = next;
    }
    return width;
}

static enum series_picture_state most_pressing(const struct series_picture_run *runs, size_t from, size_t end)
{
    for (size_t p = 0; p < sizeof PRESSING / sizeof PRESSING[0]; p++) {
        for (size_t i = from; i < end; i++) {
            if (runs[i].state == PRESSING[p])
                return PRESSING[p];
        }
    }
    return SERIES_PICTURE_DONE;
}

static void add_marks(struct line *line, const struct series_picture_run *runs, size_t from, size_t end,
                      size_t each, bool spaces, bool utf8)
{
    for (size_t i = from; i < end;) {
        size_t next = spaces ? end_of_mounting(runs, end, i) : end;
        if (i > from)
            add(line, " ");
        for (size_t j = i; j < next; j += each)
            add(line, "%s", MARKS[utf8][most_pressing(runs, j, j + each < next ? j + each : next)]);
        i = next;
    }
}

static bool all_fit(const struct series_picture_run *runs, size_t count, size_t each, bool spaces,
                    size_t room)
{
    for (size_t from = 0; from < count;) {
        size_t end = end_of_block(runs, count, from);
        if (width_of(runs, from, end, each, spaces) > room)
            return false;
        from = end;
    }
    return true;
}

/* How many runs a mark stands for, and whether mountings are set apart, so that every block fits into room.
 * They are unless each mark would have to stand for more than twice as many runs. */
static size_t choose_each(const struct series_picture_run *runs, size_t count, size_t room, bool *spaces)
{
    size_t close = 1;
    size_t apart;
    while (close < count && !all_fit(runs, count, close, false, room))
        close++;
    apart = close;
    while (apart <= 2 * close && !all_fit(runs, count, apart, true, room))
        apart++;
    *spaces = apart <= 2 * close;
    return *spaces ? apart : close;
}

static struct line begin(char *text, int columns)
{
    text[0] = 0;
    return (struct line){.text = text, .columns = columns};
}

/* Blocks that have no row of their own. */
static void add_summary(struct line *line, const struct series_picture_run *runs, size_t from, size_t end,
                        int digits)
{
    int first = runs[from].block;
    int last = runs[end - 1].block;
    if (first == last)
        add(line, "block %*d  ", digits, first);
    else
        add(line, "blocks %d to %d  ", first, last);
    add(line, "%zu of %zu done", count_done(runs + from, end - from), end - from);
}

static void add_legend(struct line *line, const struct series_picture_run *runs, size_t count, size_t each,
                       bool utf8)
{
    static const enum series_picture_state ORDER[] = {SERIES_PICTURE_DONE, SERIES_PICTURE_WRONG,
                                                      SERIES_PICTURE_AGAIN, SERIES_PICTURE_NEXT,
                                                      SERIES_PICTURE_TO_COME};
    bool there[SERIES_PICTURE_STATES] = {false};
    for (size_t i = 0; i < count; i++)
        there[runs[i].state] = true;
    if (each > 1)
        add(line, "a mark for %zu runs", each);
    for (size_t i = 0; i < sizeof ORDER / sizeof ORDER[0]; i++) {
        if (there[ORDER[i]])
            add(line, "%s%s %s", line->used > 0 ? "   " : "", MARKS[utf8][ORDER[i]], MEANINGS[ORDER[i]]);
    }
}

size_t series_picture_draw(const struct series_picture_run *runs, size_t count, int columns, bool utf8,
                           char lines[][SERIES_PICTURE_LINE_BYTES])
{
    size_t n = 0;
    size_t next = 0;
    size_t each;
    int current;
    int first;
    int last;
    int digits;
    int tail;
    bool spaces;
    char text[40];
    if (count == 0)
        return 0;
    if (columns < COLUMNS_LEAST)
        columns = COLUMNS_LEAST;
    while (next < count && runs[next].state != SERIES_PICTURE_NEXT)
        next++;
    current = runs[next < count ? next : count - 1].block;
    first = current - SERIES_PICTURE_BLOCKS / 2 > runs[0].block ? current - SERIES_PICTURE_BLOCKS / 2
                                                                : runs[0].block;
    last = first + SERIES_PICTURE_BLOCKS - 1;
    if (last > runs[count - 1].block) {
        last = runs[count - 1].block;
        first = last - SERIES_PICTURE_BLOCKS + 1 > runs[0].block ? last - SERIES_PICTURE_BLOCKS + 1
                                                                 : runs[0].block;
    }
    digits = snprintf(text, sizeof text, "%d", runs[count - 1].block);
    tail = 2 + 2 * snprintf(text, sizeof text, "%zu", end_of_block(runs, count, 0)) + 4; /* "  12 of 15" */
    each = choose_each(runs, count,
                       (size_t)(columns - 8 - digits - tail > 4 ? columns - 8 - digits - tail : 4), &spaces);
    for (size_t from = 0; from < count && n < SERIES_PICTURE_LINES_MAX - 1;) {
        size_t end = end_of_block(runs, count, from);
        struct line line = begin(lines[n++], columns);
        if (runs[from].block < first || runs[from].block > last) {
            while (end < count && (runs[end].block < first || runs[from].block > last))
                end++;
            add_summary(&line, runs, from, end, digits);
        } else {
            add(&line, "block %*d  ", digits, runs[from].block);
            add_marks(&line, runs, from, end, each, spaces, utf8);
            add(&line, "  %zu of %zu", count_done(runs + from, end - from), end - from);
        }
        from = end;
    }
    {
        struct line line = begin(lines[n++], columns);
        add_legend(&line, runs, count, each, utf8);
    }
    return n;
}
