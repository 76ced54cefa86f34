/* runs/NNNN.csv: a file that is accepted, its rows formatted again, gives the same bytes unless a number was
 * written with zeros in front; rows read one by one are the same; and what the file is refused for, its rows
 * are refused for too. */
#include "datasets/format/run_csv.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define HEADER_LENGTH (sizeof RUN_CSV_HEADER) /* with its line feed */

static enum err_code read_input(const char *path, void *columns, struct err *e)
{
    return run_csv_read(path, columns, e);
}

static void release(void *columns)
{
    run_columns_free(columns);
}

/* No number with a zero in front, and no "-0". */
static bool is_canonical(const char *text, size_t length)
{
    for (size_t i = 0; i + 1 < length; i++) {
        size_t at = i;
        if (i > 0 && text[i - 1] != ',' && text[i - 1] != '\n')
            continue;
        at += text[at] == '-';
        if (at < length && text[at] == '0' &&
            (at > i || (at + 1 < length && text[at + 1] != ',' && text[at + 1] != '\n')))
            return false;
    }
    return true;
}

static struct raw_sample row_of(const struct run_columns *c, size_t i)
{
    return (struct raw_sample){.time_us = c->time_us[i],
                               .force_counts = c->force_counts[i],
                               .commanded_steps = c->commanded_steps[i],
                               .encoder_counts = c->encoder_counts == NULL ? 0 : c->encoder_counts[i],
                               .flags = c->flags[i]};
}

static void check_formatted(const struct run_columns *c, const char *rows, size_t length)
{
    char *text = malloc(c->n * RUN_CSV_ROW_BYTES_MAX + 1);
    size_t used = 0;
    assert(text != NULL);
    for (size_t i = 0; i < c->n; i++) {
        struct raw_sample s = row_of(c, i);
        size_t row = run_csv_format_row(&s, c->encoder_counts != NULL, text + used);
        assert(row < RUN_CSV_ROW_BYTES_MAX && text[used + row - 1] == '\n');
        used += row;
        assert(i == 0 || c->time_us[i] >= c->time_us[i - 1]);
    }
    assert((used == length && memcmp(text, rows, used) == 0) == is_canonical(rows, length));
    free(text);
}

/* Each line alone, in memory of its exact length. */
static void check_rows(const struct run_columns *c, bool accepted, const char *rows, size_t length)
{
    size_t i = 0;
    for (size_t at = 0; at < length; i++) {
        const char *end = memchr(rows + at, '\n', length - at);
        size_t row_length = end == NULL ? length - at : (size_t)(end - rows) - at;
        char *row = malloc(row_length + 1);
        struct raw_sample s;
        bool encoder;
        struct err e = {0};
        enum err_code code;
        assert(row != NULL);
        memcpy(row + 1, rows + at, row_length);
        code = run_csv_parse_row(row + 1, row_length, &s, &encoder, &e);
        fuzz_check_error(code, &e, 1u << ERR_FILE);
        assert(run_csv_parse_row(row + 1, row_length, &s, &encoder, NULL) == code);
        free(row);
        /* A file may have rows with more zeros in front than a single row may. */
        assert(!accepted || code == ERR_OK || row_length >= RUN_CSV_ROW_BYTES_MAX);
        if (accepted && code == ERR_OK) {
            struct raw_sample there = row_of(c, i);
            assert(s.time_us == there.time_us && s.force_counts == there.force_counts &&
                   s.commanded_steps == there.commanded_steps && s.encoder_counts == there.encoder_counts &&
                   s.flags == there.flags && encoder == (c->encoder_counts != NULL));
        }
        at += row_length + (end != NULL);
    }
    assert(!accepted || i == c->n);
}

/* Where the file is refused at a line, the rows above it alone are accepted; a last row that is not ended is
 * seen before any row is read. */
static void check_above(const uint8_t *bytes, size_t length)
{
    struct run_columns c;
    struct err e = {0};
    size_t kept = 0;
    if (length == 0 || bytes[length - 1] != '\n')
        return;
    assert(run_csv_read(fuzz_file(bytes, length), &c, &e) == ERR_FILE);
    if (e.line < 2)
        return;
    for (int64_t line = 1; line < e.line; line++)
        kept = (size_t)((const uint8_t *)memchr(bytes + kept, '\n', length - kept) - bytes) + 1;
    assert(run_csv_read(fuzz_file(bytes, kept), &c, &e) == ERR_OK);
    run_columns_free(&c);
}

static void check_file(const uint8_t *bytes, size_t length)
{
    struct run_columns c;
    static const struct fuzz_reader reader = {.size = sizeof c, .read = read_input, .release = release};
    enum err_code code = fuzz_read(&reader, bytes, length, &c);
    const char *rows = (const char *)bytes + HEADER_LENGTH;
    if (code == ERR_OK) {
        check_formatted(&c, rows, length - HEADER_LENGTH);
        check_rows(&c, true, rows, length - HEADER_LENGTH);
        run_columns_free(&c);
    } else {
        assert(c.n == 0 && c.time_us == NULL && c.flags == NULL);
        check_rows(&c, false, (const char *)bytes, length);
        check_above(bytes, length);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    uint8_t *with_header = malloc(HEADER_LENGTH + length);
    assert(with_header != NULL);
    check_file(bytes, length);
    /* Most of a file is rows: the input once more as those alone. */
    memcpy(with_header, RUN_CSV_HEADER "\n", HEADER_LENGTH);
    memcpy(with_header + HEADER_LENGTH, bytes, length);
    check_file(with_header, HEADER_LENGTH + length);
    free(with_header);
    return 0;
}
