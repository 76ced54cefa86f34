#include "capture/plan_example.h"

#include "datasets/format/file_bytes.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PLAN_BYTES_MAX 65536 /* as yaml_strict.h has it */

/* The mark in a line, which ends at end: the word by itself, and not a part of a longer one. */
static const char *find_mark(const char *line, const char *end)
{
    size_t length = strlen(PLAN_EXAMPLE_MARK);
    for (const char *at = line; at + length <= end; at++) {
        if (memcmp(at, PLAN_EXAMPLE_MARK, length) == 0 &&
            (at + length == end || !isalnum((unsigned char)at[length])))
            return at;
    }
    return NULL;
}

static void keep_line(struct plan_example *example, size_t number, const char *from, const char *to)
{
    struct plan_example_line *line;
    while (from < to && isblank((unsigned char)*from))
        from++;
    while (to > from && isblank((unsigned char)to[-1]))
        to--;
    if (example->count++ >= PLAN_EXAMPLE_LINES_MAX)
        return;
    line = &example->lines[example->count - 1];
    line->number = number;
    snprintf(line->text, sizeof line->text, "%.*s", (int)(to - from), from);
    err_clean_text(line->text);
}

void plan_example_find(const char *text, struct plan_example *example)
{
    size_t number = 1;
    example->count = 0;
    for (const char *line = text; *line != 0; number++) {
        const char *end = line + strcspn(line, "\n");
        const char *mark = find_mark(line, end);
        if (mark != NULL)
            keep_line(example, number, line, mark);
        line = *end == 0 ? end : end + 1;
    }
}

enum err_code plan_example_read(const char *path, struct plan_example *example, struct err *e)
{
    char *bytes = NULL;
    size_t length;
    enum err_code code = file_bytes_read(path, PLAN_BYTES_MAX, &bytes, &length, e);
    if (code == ERR_OK)
        plan_example_find(bytes, example);
    free(bytes);
    return code;
}

enum err_code plan_example_refuse(const char *path, struct err *e)
{
    struct plan_example example;
    enum err_code code = plan_example_read(path, &example, e);
    if (code != ERR_OK || example.count == 0)
        return code;
    return err_set_at(e, ERR_FILE, path, (int64_t)example.lines[0].number, 0,
                      "still the example: '%s' (%zu such %s): put your own value there and delete the "
                      "word " PLAN_EXAMPLE_WORD "; 'plan check' lists them all",
                      example.lines[0].text, example.count, example.count == 1 ? "line" : "lines");
}
