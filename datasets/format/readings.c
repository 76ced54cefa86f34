#include "datasets/format/readings.h"

#include "datasets/format/file_bytes.h"
#include "datasets/format/table_row.h"
#include "rig/base/number.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FILE_BYTES_MAX (1024 * 1024)
/* As in a calibration. */
#define LOAD_MAX_N    1e9
#define COUNTS_MAX    1e12
#define LENGTH_MAX_MM 1e5
#define STEPS_MAX     2147483647.0
#define REPEAT_MAX    1000000

static enum err_code read_whole(const struct table_row *row, size_t field, const char *what, int *value,
                                struct err *e)
{
    struct err why;
    int64_t number;
    if (number_read_int64(row->field[field], 1, REPEAT_MAX, what, "", &number, &why) != ERR_OK)
        return table_row_complain(row, field, e, "%.300s; correct it, or take the row out", why.text);
    *value = (int)number;
    return ERR_OK;
}

static enum err_code read_direction(const struct table_row *row, size_t field, const char *plus,
                                    const char *minus, int *direction, struct err *e)
{
    *direction = strcmp(row->field[field], plus) == 0 ? 1 : -1;
    if (*direction < 0 && strcmp(row->field[field], minus) != 0)
        return table_row_complain(row, field, e, "direction: '%s' is neither %s nor %s", row->field[field],
                                  plus, minus);
    return ERR_OK;
}

/* A column may be left empty, but not in some rows only. */
static enum err_code check_empty(const struct table_row *row, size_t field, const char *what, bool *empty,
                                 struct err *e)
{
    bool is_empty = row->field[field][0] == 0;
    if (row->line == 2)
        *empty = is_empty;
    if (*empty != is_empty)
        return table_row_complain(row, field, e,
                                  "%s: is empty in some rows and not in others; fill it in, or leave it "
                                  "empty everywhere",
                                  what);
    return ERR_OK;
}

static enum err_code read_force_row(struct table_row *row, struct readings *r, bool empty[2], struct err *e)
{
    size_t i = r->n;
    enum err_code code = table_row_split(row, 4, READINGS_FORCE_HEADER, e);
    r->direction[i] = r->cycle[i] = 1;
    if (code == ERR_OK)
        code = table_row_number(row, 0, "load_n", "N", -LOAD_MAX_N, LOAD_MAX_N, &r->load_n[i], e);
    if (code == ERR_OK)
        code =
            table_row_number(row, 1, "reading_counts", "", -COUNTS_MAX, COUNTS_MAX, &r->reading_counts[i], e);
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

static enum err_code read_feeder(const struct table_row *row, struct readings *r, struct err *e)
{
    const char *name = row->field[0];
    size_t k = 0;
    if (name[0] == 0 || name[0] == '-' || name[strspn(name, "abcdefghijklmnopqrstuvwxyz0123456789-")] != 0 ||
        strlen(name) >= READINGS_NAME_SIZE)
        return table_row_complain(
            row, 0, e,
            "feeder: '%s' must be made of small letters, digits and hyphens, at most %d, as in a "
            "plan",
            name, READINGS_NAME_SIZE - 1);
    while (k < r->feeder_count && strcmp(r->feeders[k], name) != 0)
        k++;
    if (k == READINGS_FEEDERS_MAX)
        return table_row_complain(row, 0, e, "more than %d feeders", READINGS_FEEDERS_MAX);
    if (k == r->feeder_count)
        strcpy(r->feeders[r->feeder_count++], name);
    r->feeder[r->n] = k;
    return ERR_OK;
}

static enum err_code read_feed_row(struct table_row *row, struct readings *r, struct err *e)
{
    size_t i = r->n;
    enum err_code code = table_row_split(row, 5, READINGS_FEED_HEADER, e);
    if (code == ERR_OK)
        code = read_feeder(row, r, e);
    if (code == ERR_OK)
        code = table_row_number(row, 1, "commanded_steps", "microsteps", 1, STEPS_MAX, &r->commanded_steps[i],
                                e);
    if (code == ERR_OK)
        code = table_row_number(row, 2, "measured_mm", "mm", 0, LENGTH_MAX_MM, &r->measured_mm[i], e);
    if (code == ERR_OK)
        code = read_direction(row, 3, "forward", "backward", &r->direction[i], e);
    if (code == ERR_OK)
        code = read_whole(row, 4, "repeat", &r->cycle[i], e);
    return code;
}

static bool is_header(const struct table_row *row, const char *header)
{
    return row->length == strlen(header) && memcmp(row->text, header, row->length) == 0;
}

static enum err_code read_header(const struct table_row *row, struct readings *r, struct err *e)
{
    if (is_header(row, READINGS_FORCE_HEADER)) {
        r->kind = READINGS_FORCE;
    } else if (is_header(row, READINGS_FEED_HEADER)) {
        r->kind = READINGS_FEED;
    } else if (row->length >= 3 && memcmp(row->text, "\xEF\xBB\xBF", 3) == 0) {
        return table_row_complain(
            row, 0, e, "the file begins with a byte order mark: save it as plain UTF-8 or ASCII without one");
    } else {
        return table_row_complain(row, 0, e,
                                  "the first line is neither " READINGS_FORCE_HEADER
                                  " (hung weights) nor " READINGS_FEED_HEADER " (measured feed)");
    }
    return ERR_OK;
}

static enum err_code read_rows(const char *path, const char *text, size_t length, struct readings *r,
                               struct err *e)
{
    struct table_row row = {.path = path};
    bool empty[2] = {false, false};
    size_t at = 0;
    enum err_code code;
    if (length == 0)
        return err_set_at(e, ERR_FILE, path, 0, 0,
                          "the file is empty: its first line must be " READINGS_FORCE_HEADER
                          " (hung weights) "
                          "or " READINGS_FEED_HEADER " (measured feed)");
    code = table_row_next(text, length, &at, &row, e);
    if (code == ERR_OK)
        code = read_header(&row, r, e);
    while (code == ERR_OK && at < length) {
        code = table_row_next(text, length, &at, &row, e);
        if (code == ERR_OK && r->n == READINGS_MAX)
            code = table_row_complain(&row, 0, e, "more than %d rows", READINGS_MAX);
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
