#include "analyze/report/verify_show.h"

#include "analyze/report/text_format.h"
#include "analyze/report/text_table.h"
#include "analyze/report/text_wrap.h"

#include <stdlib.h>
#include <string.h>

#define CELL_SIZE 1400

static const struct text_column COLUMNS[] = {{.head = "series", .title = true},
                                             {.head = "files", .right = true, .numbers = true},
                                             {.head = "size", .right = true, .numbers = true},
                                             {.head = "what is wrong"}};
#define COLUMN_COUNT (sizeof COLUMNS / sizeof COLUMNS[0])
/* The hash, and whose it is. */
static const struct text_column HASH_COLUMNS[] = {{.numbers = true}, {.title = true}};

/* "12.3 MB", at three digits. */
static char *size_text(int64_t bytes, char *buffer, size_t size)
{
    static const char *const units[] = {"B", "kB", "MB", "GB", "TB", "PB", "EB"};
    double value = (double)bytes;
    size_t unit = 0;
    /* What would be rounded to 1000 is 1 of the next. */
    for (; value >= 999.5 && unit + 1 < sizeof units / sizeof units[0]; unit++)
        value /= 1000;
    return text_measure(value, units[unit], buffer, size);
}

/* "runs/0003.csv" of a path in the folder, if it is one. */
static const char *in_folder(const struct verify_series *s, const char *file)
{
    size_t length = strlen(s->folder);
    while (length > 0 && s->folder[length - 1] == '/')
        length--;
    return length > 0 && strncmp(file, s->folder, length) == 0 && file[length] == '/' ? file + length + 1
                                                                                      : file;
}

static void first_finding(const struct verify_series *s, char *cell)
{
    const struct verify_finding *f = s->findings;
    char text[CELL_SIZE], more[40] = "";
    if (s->count == 0) {
        snprintf(cell, CELL_SIZE, "nothing");
        return;
    }
    if (s->count > 1)
        snprintf(more, sizeof more, " (and %zu more)", s->count - 1);
    snprintf(text, sizeof text, "%s%s%s%s", in_folder(s, f->file), f->file[0] != 0 ? ": " : "", f->text,
             more);
    text_clean(text, cell, CELL_SIZE);
}

static void put_table(const struct verify_answer *a, int width, FILE *out)
{
    struct text_table table;
    char folder[CELL_SIZE], files[32], size[32], wrong[CELL_SIZE];
    const char *cells[COLUMN_COUNT] = {folder, files, size, wrong};
    text_table_begin(&table, COLUMNS, COLUMN_COUNT, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < a->count; i++) {
            const struct verify_series *s = &a->series[i];
            text_clean(s->folder, folder, sizeof folder);
            snprintf(files, sizeof files, "%zu", s->files);
            size_text(s->bytes, size, sizeof size);
            first_finding(s, wrong);
            text_table_put(&table, cells, out);
        }
    }
}

/* One number to quote for each series that is what it says. */
static void put_hashes(const struct verify_answer *a, size_t good, int width, FILE *out)
{
    struct text_table table;
    char folder[CELL_SIZE];
    if (good == 0)
        return;
    if (a->count == 1) {
        fprintf(out, "\nHash of the package, the number to quote for the whole series:\n%s\n",
                a->series[0].hash);
        return;
    }
    fputs("\nThe hash of a package is the number to quote for the whole series.\n", out);
    text_table_begin(&table, HASH_COLUMNS, 2, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < a->count; i++) {
            const char *cells[] = {a->series[i].hash, text_clean(a->series[i].folder, folder, sizeof folder)};
            if (a->series[i].code != ERR_OK)
                continue;
            text_table_put(&table, cells, out);
        }
    }
}

/* "1 of 75 runs and 2 other files are" */
static void put_wrong(const struct verify_series *s, FILE *out)
{
    if (s->wrong_runs > 0 && s->wrong_runs <= s->runs)
        fprintf(out, "%zu of %zu run%s", s->wrong_runs, s->runs, s->runs > 1 ? "s" : "");
    else if (s->wrong_runs > 0)
        fprintf(out, "%zu run%s", s->wrong_runs, s->wrong_runs > 1 ? "s" : "");
    if (s->wrong_files > 0)
        fprintf(out, "%s%zu %sfile%s", s->wrong_runs > 0 ? " and " : "", s->wrong_files,
                s->wrong_runs > 0 ? "other " : "", s->wrong_files > 1 ? "s" : "");
    fprintf(out, " %s not what the package says", s->wrong_runs + s->wrong_files > 1 ? "are" : "is");
}

static void put_verdict(const struct verify_answer *a, size_t good, FILE *out)
{
    char folder[CELL_SIZE];
    if (good == a->count) {
        if (a->count == 1)
            fputs("The series is as it was published.\n", out);
        else
            fprintf(out, "All %zu series are as they were published.\n", a->count);
        return;
    }
    if (a->count > 1)
        fprintf(out, "%zu of %zu series %s not as %s published.\n", a->count - good, a->count,
                a->count - good > 1 ? "are" : "is", a->count - good > 1 ? "they were" : "it was");
    for (size_t i = 0; i < a->count; i++) {
        const struct verify_series *s = &a->series[i];
        if (s->code == ERR_OK)
            continue;
        fprintf(out, "Series %s: ", text_clean(s->folder, folder, sizeof folder));
        if (s->files == 0)
            fputs("no package could be checked", out);
        else
            put_wrong(s, out);
        fputs(".\n", out);
    }
}

enum err_code verify_text_write(const struct verify_answer *answer, int width, FILE *out, struct err *e)
{
    FILE *text = text_wrap_open(out, width);
    size_t good = 0;
    if (text == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the results");
    for (size_t i = 0; i < answer->count; i++)
        good += answer->series[i].code == ERR_OK;
    put_verdict(answer, good, text);
    fputc('\n', text);
    put_table(answer, width, text);
    put_hashes(answer, good, width, text);
    fclose(text);
    return ERR_OK;
}
