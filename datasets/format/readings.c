#include "datasets/format/readings.h"

#include "datasets/format/file_bytes.h"
#include "rig/base/number.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FILE_BYTES_MAX (1024 * 1024)
#define FIELDS_MAX     5
#define FIELD_SIZE     64
/* As in a calibration. */
#define LOAD_MAX_N    1e9
#define COUNTS_MAX    1e12
#define LENGTH_MAX_MM 1e5
#define STEPS_MAX     2147483647.0
#define REPEAT_MAX    1000000

/* A line and its fields. */
struct row {
    const char *path;
    int64_t line;
    const char *text;
    size_t length;
    size_t count;
    size_t start[FIELDS_MAX]; /* of each field in text */
    char field[FIELDS_MAX][FIELD_SIZE];
};

static enum err_code complain(const struct row *row, size_t field, struct err *e, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* At a field, with the line to look at; text that would break the display is left to err_format. */
static enum err_code complain(const struct row *row, size_t field, struct err *e, const char *format, ...)
{
    char text[512];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    err_set_at(e, ERR_FILE, row->path, row->line, (int64_t)row->start[field] + 1, "%s", text);
    if (e != NULL)
        snprintf(e->source, sizeof e->source, "%.*s", (int)row->length, row->text);
    return ERR_FILE;
}

static enum err_code split(struct row *row, size_t wanted, const char *header, struct err *e)
{
    size_t start = 0;
    row->count = 0;
    for (size_t i = 0; i <= row->length; i++) {
        size_t length = i - start;
        if (i < row->length && row->text[i] != ',')
            continue;
        if (row->count == wanted) {
            row->count++;
            break;
        }
        row->start[row->count] = start;
        if (length >= FIELD_SIZE || memchr(row->text + start, 0, length) != NULL)
            return complain(row, row->count, e, "a field of %zu characters is no number and no name", length);
        memcpy(row->field[row->count], row->text + start, length);
        row->field[row->count++][length] = 0;
        start = i + 1;
    }
    if (row->count == wanted)
        return ERR_OK;
    row->start[0] = 0;
    return complain(row, 0, e, "a row has %zu fields, %s, this one has %s", wanted, header,
                    row->count > wanted ? "more"
                    : row->length == 0  ? "none: take the empty line out"
                                        : "fewer");
}

static enum err_code read_number(const struct row *row, size_t field, const char *what, const char *unit,
                                 double low, double high, double *value, struct err *e)
{
    struct err why;
    if (number_read_double(row->field[field], low, high, what, unit, value, &why) == ERR_OK)
        return ERR_OK;
    return complain(row, field, e, "%.300s; correct it, or take the row out", why.text);
}

static enum err_code read_whole(const struct row *row, size_t field, const char *what, int *value,
                                struct err *e)
{
    struct err why;
    int64_t number;
    if (number_read_int64(row->field[field], 1, REPEAT_MAX, what, "", &number, &why) != ERR_OK)
        return complain(row, field, e, "%.300s; correct it, or take the row out", why.text);
    *value = (int)number;
    return ERR_OK;
}

static enum err_code read_direction(const struct row *row, size_t field, const char *plus, const char *minus,
                                    int *direction, struct err *e)
{
    *direction = strcmp(row->field[field], plus) == 0 ? 1 : -1;
    if (*direction < 0 && strcmp(row->field[field], minus) != 0)
        return complain(row, field, e, "direction: '%s' is neither %s nor %s", row->field[field], plus,
                        minus);
    return ERR_OK;
}

/* A column may be left empty, but not in some rows only. */
static enum err_code check_empty(const struct row *row, size_t field, const char *what, bool *empty,
                                 struct err *e)
{
    bool is_empty = row->field[field][0] == 0;
    if (row->line == 2)
        *empty = is_empty;
    if (*empty != is_empty)
        return complain(row, field, e,
                        "%s: is empty in some rows and not in others; fill it in, or leave it "
                        "empty everywhere",
                        what);
    return ERR_OK;
}

static enum err_code read_force_row(struct row *row, struct readings *r, bool empty[2], struct err *e)
{
    size_t i = r->n;
    enum err_code code = split(row, 4, READINGS_FORCE_HEADER, e);
    r->direction[i] = r->cycle[i] = 1;
    if (code == ERR_OK)
        code = read_number(row, 0, "load_n", "N", -LOAD_MAX_N, LOAD_MAX_N, &r->load_n[i], e);
    if (code == ERR_OK)
        code = read_number(row, 1, "reading_counts", "", -COUNTS_MAX, COUNTS_MAX, &r->reading_counts[i], e);
    if (code == ERR_OK)
        code = check_empty(row, 2, "direction", &empty[0], e);
    if (code == ERR_OK && !empty[0])
        code = read_direction(row, 2, "up", "down", &r->direction[i], e);
    if (code == ERR_OK)
        code = check_empty(row, 3, "cycle", &empty[1], e);
    if (code == ERR_OK && !empty[1])
        code = read_whole(row, 3, "cycle", &r->cycle[i], e);
    return code;
}

static enum err_code read_feeder(const struct row *row, struct readings *r, struct err *e)
{
    const char *name = row->field[0];
    size_t k = 0;
    if (name[0] == 0 || name[0] == '-' || name[strspn(name, "abcdefghijklmnopqrstuvwxyz0123456789-")] != 0 ||
        strlen(name) >= READINGS_NAME_SIZE)
        return complain(row, 0, e,
                        "feeder: '%s' must be made of small letters, digits and hyphens, at most %d, as in a "
                        "plan",
                        name, READINGS_NAME_SIZE - 1);
    while (k < r->feeder_count && strcmp(r->feeders[k], name) != 0)
        k++;
    if (k == READINGS_FEEDERS_MAX)
        return complain(row, 0, e, "more than %d feeders", READINGS_FEEDERS_MAX);
    if (k == r->feeder_count)
        strcpy(r->feeders[r->feeder_count++], name);
    r->feeder[r->n] = k;
    return ERR_OK;
}

static enum err_code read_feed_row(struct row *row, struct readings *r, struct err *e)
{
    size_t i = r->n;
    enum err_code code = split(row, 5, READINGS_FEED_HEADER, e);
    if (code == ERR_OK)
        code = read_feeder(row, r, e);
    if (code == ERR_OK)
        code = read_number(row, 1, "commanded_steps", "microsteps", 1, STEPS_MAX, &r->commanded_steps[i], e);
    if (code == ERR_OK)
        code = read_number(row, 2, "measured_mm", "mm", 0, LENGTH_MAX_MM, &r->measured_mm[i], e);
    if (code == ERR_OK)
        code = read_direction(row, 3, "forward", "backward", &r->direction[i], e);
    if (code == ERR_OK)
        code = read_whole(row, 4, "repeat", &r->cycle[i], e);
    return code;
}

/* The next line of text from *at on, without its end. */
static enum err_code next_line(const char *text, size_t length, size_t *at, struct row *row, struct err *e)
{
    const char *end = memchr(text + *at, '\n', length - *at);
    row->line++;
    row->text = text + *at;
    row->start[0] = 0;
    row->length = end == NULL ? length - *at : (size_t)(end - row->text);
    if (end == NULL)
        return complain(row, 0, e,
                        "the last row is not ended by a line break: was the file cut short? Complete it, or "
                        "take the row out");
    *at += row->length + 1;
    if (row->length > 0 && row->text[row->length - 1] == '\r')
        row->length--;
    return ERR_OK;
}

static bool is_header(const struct row *row, const char *header)
{
    return row->length == strlen(header) && memcmp(row->text, header, row->length) == 0;
}

static enum err_code read_header(const struct row *row, struct readings *r, struct err *e)
{
    if (is_header(row, READINGS_FORCE_HEADER)) {
        r->kind = READINGS_FORCE;
    } else if (is_header(row, READINGS_FEED_HEADER)) {
        r->kind = READINGS_FEED;
    } else if (row->length >= 3 && memcmp(row->text, "\xEF\xBB\xBF", 3) == 0) {
        return complain(
            row, 0, e, "the file begins with a byte order mark: save it as plain UTF-8 or ASCII without one");
    } else {
        return complain(row, 0, e,
                        "the first line is neither " READINGS_FORCE_HEADER
                        " (hung weights) nor " READINGS_FEED_HEADER " (measured feed)");
    }
    return ERR_OK;
}

static enum err_code read_rows(const char *path, const char *text, size_t length, struct readings *r,
                               struct err *e)
{
    struct row row = {.path = path};
    bool empty[2] = {false, false};
    size_t at = 0;
    enum err_code code;
    if (length == 0)
        return err_set_at(e, ERR_FILE, path, 0, 0,
                          "the file is empty: its first line must be " READINGS_FORCE_HEADER
                          " (hung weights) "
                          "or " READINGS_FEED_HEADER " (measured feed)");
    code = next_line(text, length, &at, &row, e);
    if (code == ERR_OK)
        code = read_header(&row, r, e);
    while (code == ERR_OK && at < length) {
        code = next_line(text, length, &at, &row, e);
        if (code == ERR_OK && r->n == READINGS_MAX)
            code = complain(&row, 0, e, "more than %d rows", READINGS_MAX);
        if (code == ERR_OK)
            code = r->kind == READINGS_FORCE ? read_force_row(&row, r, empty, e) : read_feed_row(&row, r, e);
        if (code == ERR_OK)
            r->n++;
    }
    if (code == ERR_OK && r->n == 0)
        code = err_set_at(e, ERR_FILE, path, 0, 0, "there is no row below the header: nothing was %s",
                          r->kind == READINGS_FORCE ? "weighed" : "measured");
    return code;
}

enum err_code readings_read(const char *path, struct readings *r, struct err *e)
{
    char *bytes;
    size_t length;
    enum err_code code = file_bytes_read(path, FILE_BYTES_MAX, &bytes, &length, e);
    memset(r, 0, sizeof *r);
    if (code != ERR_OK)
        return code;
    code = read_rows(path, bytes, length, r, e);
    free(bytes);
    return code;
}
