/* Tables of results from several benches. */
#include "datasets/format/bench_table.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum err_code read_input(const char *path, void *table, struct err *e)
{
    return bench_table_read(path, table, e);
}

static void release(void *table)
{
    bench_table_free(table);
}

static void check_name(const char *name)
{
    char clean[TABLE_ROW_FIELD_SIZE];
    assert(name[0] != 0 && strpbrk(name, ",\"\r\n") == NULL && name[0] != ' ');
    memcpy(clean, name, sizeof clean);
    assert(strcmp(err_clean_text(clean), name) == 0);
}

/* Written down with all digits and read again it is the same, whatever order the columns had. */
static void check_written(const struct bench_table *t)
{
    struct bench_table again;
    char *text;
    size_t length;
    FILE *file = open_memstream(&text, &length);
    struct err e = {0};
    assert(file != NULL);
    for (size_t k = 0; k < BENCH_TABLE_COLUMNS; k++) {
        if (t->has[k])
            fprintf(file, "%s,", BENCH_TABLE_NAMES[k]);
    }
    fprintf(file, "%s\n", t->quantity);
    for (size_t i = 0; i < t->n; i++) {
        for (size_t k = 0; k < BENCH_TABLE_COLUMNS; k++) {
            if (t->has[k])
                fprintf(file, "%s,", t->rows[i].text[k]);
        }
        fprintf(file, "%.17g\n", t->rows[i].value);
    }
    fclose(file);
    assert(bench_table_read(fuzz_file((const uint8_t *)text, length), &again, &e) == ERR_OK);
    assert(again.n == t->n && strcmp(again.quantity, t->quantity) == 0);
    assert(memcmp(again.has, t->has, sizeof t->has) == 0);
    assert(memcmp(again.rows, t->rows, t->n * sizeof t->rows[0]) == 0);
    bench_table_free(&again);
    free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    struct bench_table t;
    static const struct fuzz_reader reader = {.size = sizeof t, .read = read_input, .release = release};
    if (fuzz_read(&reader, bytes, length, &t) != ERR_OK) {
        assert(t.rows == NULL && t.n == 0);
        return 0;
    }
    assert(t.n >= 1 && t.n <= BENCH_TABLE_ROWS_MAX);
    check_name(t.quantity);
    for (size_t i = 0; i < t.n; i++) {
        assert(fabs(t.rows[i].value) <= 1e12);
        for (size_t k = 0; k < BENCH_TABLE_COLUMNS; k++) {
            if (t.has[k])
                check_name(t.rows[i].text[k]);
            else
                assert(t.rows[i].text[k][0] == 0);
        }
    }
    check_written(&t);
    bench_table_free(&t);
    return 0;
}
