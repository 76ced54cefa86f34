#include "datasets/format/run_csv.h"

#include "datasets/format/file_bytes.h"
#include "datasets/format/run_csv_pieces.h"
#include "datasets/format/run_csv_scan.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>

/* 19 decimal digits always fit 64 bits unsigned; a tenth digit is the most that 32 bits take. */
#define DIGITS_MAX_64 19
#define DIGITS_MAX_32 10

static const char *const FIELD_NAMES[] = {"time_us", "force_counts", "commanded_steps", "encoder_counts",
                                          "flags"};

enum row_fault { ROW_GOOD, ROW_NOT_WHOLE, ROW_OUT_OF_RANGE, ROW_TOO_FEW, ROW_TOO_MANY };

struct row_place {
    size_t field;
    const char *start; /* of that field */
};

/* Digits at *p into *value; returns how many. Stops by itself at the line feed that ends every row. */
static inline int take_digits(const char **p, uint64_t *value)
{
    const char *start = *p;
    const char *c = start;
    uint64_t v = 0;
    unsigned digit;
    while ((digit = (unsigned char)*c - (unsigned)'0') < 10) {
        v = v * 10 + digit;
        c++;
    }
    *p = c;
    *value = v;
    /* More than 19 digits may have wrapped; the caller refuses them by their count. */
    return c - start > 100 ? 100 : (int)(c - start);
}

static inline enum row_fault take_int32(const char **p, int32_t *value)
{
    bool negative = **p == '-';
    uint64_t magnitude;
    int digits;
    *p += negative;
    digits = take_digits(p, &magnitude);
    if (digits == 0)
        return ROW_NOT_WHOLE;
    if (digits > DIGITS_MAX_32 || magnitude > (uint64_t)INT32_MAX + negative)
        return ROW_OUT_OF_RANGE;
    *value = (int32_t)(negative ? -(int64_t)magnitude : (int64_t)magnitude);
    return ROW_GOOD;
}

/* A field ends with a comma, the last one with the line feed. */
static inline enum row_fault end_field(const char **p, char end)
{
    char c = **p;
    if (c != end)
        return c == '\n' ? ROW_TOO_FEW : c == ',' ? ROW_TOO_MANY : ROW_NOT_WHOLE;
    ++*p;
    return ROW_GOOD;
}

/* Parse the row at *p, which a line feed ends, and leave *p behind that line feed. On a fault *place says
 * where. */
static inline enum row_fault parse_row(const char **p, struct raw_sample *s, bool *encoder,
                                       struct row_place *place)
{
    uint64_t number;
    int digits;
    enum row_fault fault;
    place->field = 0;
    place->start = *p;
    digits = take_digits(p, &number);
    if (digits == 0)
        return **p == '-' ? ROW_OUT_OF_RANGE : ROW_NOT_WHOLE;
    if (digits > DIGITS_MAX_64 || number > INT64_MAX)
        return ROW_OUT_OF_RANGE;
    s->time_us = (int64_t)number;
    if ((fault = end_field(p, ',')) != ROW_GOOD)
        return fault;

    place->field = 1;
    place->start = *p;
    if ((fault = take_int32(p, &s->force_counts)) != ROW_GOOD || (fault = end_field(p, ',')) != ROW_GOOD)
        return fault;

    place->field = 2;
    place->start = *p;
    if ((fault = take_int32(p, &s->commanded_steps)) != ROW_GOOD || (fault = end_field(p, ',')) != ROW_GOOD)
        return fault;

    place->field = 3;
    place->start = *p;
    *encoder = **p != ',';
    s->encoder_counts = 0;
    if (*encoder && (fault = take_int32(p, &s->encoder_counts)) != ROW_GOOD)
        return fault;
    if ((fault = end_field(p, ',')) != ROW_GOOD)
        return fault;

    place->field = 4;
    place->start = *p;
    digits = take_digits(p, &number);
    if (digits == 0)
        return **p == '-' ? ROW_OUT_OF_RANGE : ROW_NOT_WHOLE;
    if (digits > 3 || number > UINT8_MAX)
        return ROW_OUT_OF_RANGE;
    s->flags = (uint8_t)number;
    return end_field(p, '\n');
}

static enum err_code explain(enum row_fault fault, const struct row_place *place, const char *row,
                             struct err *e)
{
    static const char *const ranges[] = {"0 to 9223372036854775807", "-2147483648 to 2147483647",
                                         "-2147483648 to 2147483647", "-2147483648 to 2147483647",
                                         "0 to 255"};
    const char *name = FIELD_NAMES[place->field];
    int length = (int)strcspn(place->start, ",\n");
    enum err_code code = ERR_FILE;
    if (fault == ROW_TOO_FEW)
        code = err_set(e, ERR_FILE, "a row has 5 fields; this one ends after %s", name);
    else if (fault == ROW_TOO_MANY)
        code = err_set(e, ERR_FILE, "a row has 5 fields; this one goes on after %s", name);
    else if (fault == ROW_OUT_OF_RANGE)
        code = err_set(e, ERR_FILE, "%s: %.*s is outside %s", name, length > 40 ? 40 : length, place->start,
                       ranges[place->field]);
    else if (length == 0)
        code = err_set(e, ERR_FILE, "%s: is empty", name);
    else
        code = err_set(e, ERR_FILE, "%s: '%.*s' is not a whole number", name, length > 40 ? 40 : length,
                       place->start);
    if (e != NULL)
        e->column = place->start - row + 1;
    return code;
}

enum err_code run_csv_parse_row(const char *row, size_t length, struct raw_sample *s, bool *encoder,
                                struct err *e)
{
    char line[RUN_CSV_ROW_BYTES_MAX + 1];
    const char *p = line;
    struct row_place place;
    struct raw_sample sample;
    enum row_fault fault;
    if (length >= RUN_CSV_ROW_BYTES_MAX)
        return err_set(e, ERR_FILE, "a row of %zu bytes is too long", length);
    if (memchr(row, '\n', length) != NULL || memchr(row, 0, length) != NULL)
        return err_set(e, ERR_FILE, "a row holds a line feed or a NUL byte");
    memcpy(line, row, length);
    line[length] = '\n';
    line[length + 1] = 0;
    fault = parse_row(&p, &sample, encoder, &place);
    if (fault != ROW_GOOD)
        return explain(fault, &place, line, e);
    *s = sample;
    return ERR_OK;
}

/* Copy the row for a message: the mapped file has no zero byte after it, and a hostile row may be of any
 * length. */
static enum err_code explain_in_file(enum row_fault fault, const struct row_place *place, const char *row,
                                     const char *end, const char *path, size_t line, struct err *e)
{
    char copy[RUN_CSV_ROW_BYTES_MAX + 64];
    struct row_place there = *place;
    struct err inner = {0};
    size_t before = (size_t)(place->start - row);
    size_t length = (size_t)(end - place->start);
    if (length > sizeof copy - 1)
        length = sizeof copy - 1;
    memcpy(copy, place->start, length);
    copy[length] = 0;
    there.start = copy;
    explain(fault, &there, copy, &inner);
    return err_set_at(e, ERR_FILE, path, (int64_t)line, (int64_t)before + 1, "%s", inner.text);
}

static enum err_code allocate(struct run_columns *c, size_t n, bool encoder, const char *path, struct err *e)
{
    size_t room = n == 0 ? 1 : n;
    c->time_us = malloc(room * sizeof *c->time_us);
    c->force_counts = malloc(room * sizeof *c->force_counts);
    c->commanded_steps = malloc(room * sizeof *c->commanded_steps);
    c->encoder_counts = encoder ? malloc(room * sizeof *c->encoder_counts) : NULL;
    c->flags = malloc(room * sizeof *c->flags);
    if (c->time_us == NULL || c->force_counts == NULL || c->commanded_steps == NULL || c->flags == NULL ||
        (encoder && c->encoder_counts == NULL))
        return err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory for %zu rows", n);
    return ERR_OK;
}

/* Fill the columns from the rows between p and end; the byte before end is a line feed. */
static enum err_code fill(const char *p, const char *end, size_t n, const char *path, struct run_columns *c,
                          struct err *e)
{
    int64_t time_before = 0;
    bool first_encoder = false;
    for (size_t i = 0; i < n; i++) {
        const char *row = p;
        struct raw_sample s;
        struct row_place place;
        bool encoder;
        enum row_fault fault = parse_row(&p, &s, &encoder, &place);
        if (fault != ROW_GOOD)
            return explain_in_file(fault, &place, row, end, path, i + 2, e);
        if (i == 0) {
            enum err_code code = allocate(c, n, encoder, path, e);
            if (code != ERR_OK)
                return code;
            first_encoder = encoder;
        }
        if (encoder != first_encoder)
            return err_set_at(e, ERR_FILE, path, (int64_t)i + 2, 0,
                              "encoder_counts must be given in every row or in none");
        if (s.time_us < time_before)
            return err_set_at(e, ERR_FILE, path, (int64_t)i + 2, 1,
                              "time_us: %lld is before the row above (%lld)", (long long)s.time_us,
                              (long long)time_before);
        time_before = s.time_us;
        c->time_us[i] = s.time_us;
        c->force_counts[i] = s.force_counts;
        c->commanded_steps[i] = s.commanded_steps;
        if (encoder)
            c->encoder_counts[i] = s.encoder_counts;
        c->flags[i] = s.flags;
    }
    c->n = n;
    return n == 0 ? allocate(c, 0, false, path, e) : ERR_OK;
}

/* For run_csv_pieces: a row that a line feed ends. */
static bool take_row(const char **row, struct raw_sample *sample, bool *encoder)
{
    struct row_place place;
    return parse_row(row, sample, encoder, &place) == ROW_GOOD;
}

/* Row by row, which finds words for what is wrong. Rows may be good all the same, where there were more of
 * them than was to be seen at first. */
static enum err_code read_slowly(const char *text, const char *rows, const char *end, const char *path,
                                 char *hash, struct run_columns *c, struct err *e)
{
    enum err_code code = fill(rows, end, run_csv_scan_count(rows, (size_t)(end - rows)), path, c, e);
    if (code == ERR_OK && hash != NULL)
        code = file_bytes_hash_memory(text, (size_t)(end - text), path, hash, e);
    return code;
}

static enum err_code read_rows(const char *text, const char *rows, const char *end, const char *path,
                               const struct run_csv_how *how, struct run_columns *c, struct err *e)
{
    struct run_csv_pieces_how pieces = {.strict = take_row, .threads = how->threads};
    enum run_csv_pieces_end ended;
    bool hashed;
    if (how->hash != NULL && (pieces.hasher = file_bytes_hasher_new()) == NULL)
        return err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory for a SHA-256");
    ended = run_csv_pieces_read(text, rows, end, &pieces, c);
    hashed = pieces.hasher == NULL || file_bytes_hasher_end(pieces.hasher, how->hash);
    if (ended == RUN_CSV_PIECES_NO_MEMORY)
        return err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory for its rows");
    if (ended == RUN_CSV_PIECES_GOOD && hashed)
        return ERR_OK;
    run_columns_free(c);
    return read_slowly(text, rows, end, path, how->hash, c, e);
}

static enum err_code read_mapped(const char *text, size_t size, const char *path,
                                 const struct run_csv_how *how, struct run_columns *c, struct err *e)
{
    const char *end = text + size;
    size_t header = sizeof RUN_CSV_HEADER - 1;
    const char *rows = text + header + 1;
    if (size < header + 1 || memcmp(text, RUN_CSV_HEADER, header) != 0 || text[header] != '\n')
        return err_set_at(e, ERR_FILE, path, 1, 0, "the first line must be '%s', ended by a line feed alone",
                          RUN_CSV_HEADER);
    if (end[-1] != '\n') {
        size_t line = run_csv_scan_count(text, size) + 1;
        return err_set_at(e, ERR_FILE, path, (int64_t)line, 0,
                          "the last row is not ended by a line feed: the file was cut short");
    }
    return read_rows(text, rows, end, path, how, c, e);
}

enum err_code run_csv_read_how(const char *path, const struct run_csv_how *how, struct run_columns *columns,
                               struct err *e)
{
    const char *text;
    size_t length, size;
    enum err_code code = file_bytes_map(path, FILE_BYTES_SIZE_MAX, &text, &length, e);
    memset(columns, 0, sizeof *columns);
    if (code != ERR_OK)
        return code;
    if (length == 0)
        return err_set_at(e, ERR_FILE, path, 0, 0, "is empty");
    size = how->start_only && (uint64_t)how->bytes < length ? (size_t)how->bytes : length;
    madvise((char *)text, length, MADV_SEQUENTIAL);
    code = read_mapped(text, size, path, how, columns, e);
    file_bytes_unmap(text, length);
    if (code != ERR_OK)
        run_columns_free(columns);
    else if (how->size != NULL)
        *how->size = (int64_t)size;
    return code;
}

enum err_code run_csv_read_start(const char *path, int64_t bytes, struct run_columns *columns, struct err *e)
{
    const struct run_csv_how how = {.start_only = bytes >= 0, .bytes = bytes};
    return run_csv_read_how(path, &how, columns, e);
}

enum err_code run_csv_read(const char *path, struct run_columns *columns, struct err *e)
{
    const struct run_csv_how how = {0};
    return run_csv_read_how(path, &how, columns, e);
}

void run_columns_free(struct run_columns *columns)
{
    if (columns == NULL)
        return;
    free(columns->time_us);
    free(columns->force_counts);
    free(columns->commanded_steps);
    free(columns->encoder_counts);
    free(columns->flags);
    memset(columns, 0, sizeof *columns);
}

size_t run_columns_from(const struct run_columns *columns, int64_t time_us)
{
    size_t low = 0, high = columns->n;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (columns->time_us[middle] < time_us)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}
