#include "datasets/format/run_recover.h"

#include "datasets/format/file_bytes.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/run_journal.h"
#include "datasets/format/sample_grid.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

static const char HEADER[] = RUN_CSV_HEADER "\n";
#define HEADER_BYTES (sizeof HEADER - 1)

/* Offset behind the last row between first and size that is whole and good; first when there is none. */
static size_t last_row_end(const char *text, size_t first, size_t size)
{
    const char *feed = size > first ? memrchr(text + first, '\n', size - first) : NULL;
    while (feed != NULL) {
        const char *start = text + first;
        const char *before = memrchr(start, '\n', (size_t)(feed - start));
        struct raw_sample sample;
        bool encoder;
        if (before != NULL)
            start = before + 1;
        if (run_csv_parse_row(start, (size_t)(feed - start), &sample, &encoder, NULL) == ERR_OK)
            return (size_t)(feed - text) + 1;
        feed = before;
    }
    return first;
}

static bool is_nul(const char *text, size_t size)
{
    for (size_t i = 0; i < size; i++) {
        if (text[i] != 0)
            return false;
    }
    return true;
}

static enum run_remains look_at(const char *text, size_t size, size_t *end)
{
    *end = 0;
    if (size < HEADER_BYTES || memcmp(text, HEADER, HEADER_BYTES) != 0) {
        if (size < HEADER_BYTES && memcmp(text, HEADER, size) == 0)
            return RUN_REMAINS_NOTHING;
        return is_nul(text, size) ? RUN_REMAINS_NOTHING : RUN_REMAINS_FOREIGN;
    }
    *end = last_row_end(text, HEADER_BYTES, size);
    return *end > HEADER_BYTES ? RUN_REMAINS_ROWS : RUN_REMAINS_NOTHING;
}

enum err_code run_recover_find_end(const char *path, enum run_remains *remains, int64_t *end, int64_t *tail,
                                   struct err *e)
{
    struct stat status;
    size_t found = 0;
    enum err_code code = ERR_OK;
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    *remains = RUN_REMAINS_NOTHING;
    *end = *tail = 0;
    if (fd < 0)
        return err_set_at(e, errno == EMFILE || errno == ENFILE ? ERR_SYSTEM : ERR_FILE, path, 0, 0,
                          "cannot be opened: %s", strerror(errno));
    if (fstat(fd, &status) != 0 || !S_ISREG(status.st_mode)) {
        code = err_set_at(e, ERR_FILE, path, 0, 0, "is not a regular file");
    } else if (status.st_size > FILE_BYTES_SIZE_MAX) {
        code = err_set_at(e, ERR_FILE, path, 0, 0, "is %lld bytes long; at most %lld are allowed",
                          (long long)status.st_size, (long long)FILE_BYTES_SIZE_MAX);
    } else if (status.st_size > 0) {
        void *text = mmap(NULL, (size_t)status.st_size, PROT_READ, MAP_PRIVATE, fd, 0);
        if (text == MAP_FAILED) {
            code = err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be mapped into memory: %s", strerror(errno));
        } else {
            *remains = look_at(text, (size_t)status.st_size, &found);
            munmap(text, (size_t)status.st_size);
        }
    }
    close(fd);
    *end = (int64_t)found;
    *tail = status.st_size - *end;
    return code;
}

/* The gaps that the journal tells of and the holes that the rows show, in the order of time. Among several
 * gaps at a row the hole behind it belongs to the last one. False when there is no memory. */
static bool merge_gaps(struct run_record *r, const struct run_gap *gaps, size_t count,
                       const struct run_columns *c)
{
    size_t next = 0;
    bool good = true;
    for (size_t i = 0; i + 1 < c->n; i++) {
        struct run_gap gap = {.time_us = c->time_us[i], .places = 1};
        int64_t samples = sample_grid_missing(c->time_us[i], c->time_us[i + 1], r->sample_rate_hz);
        if (samples == 0)
            continue;
        for (; next < count && gaps[next].time_us <= gap.time_us; next++) {
            struct run_gap told = gaps[next];
            told.samples = 0;
            if (told.time_us == gap.time_us && (next + 1 == count || gaps[next + 1].time_us > gap.time_us)) {
                gap = told;
                continue;
            }
            good = run_record_add_gap(r, &told) && good;
        }
        gap.samples = samples;
        good = run_record_add_gap(r, &gap) && good;
    }
    for (; next < count; next++) {
        struct run_gap told = gaps[next];
        told.samples = 0;
        good = run_record_add_gap(r, &told) && good;
    }
    return good;
}

/* False when there is no memory. */
static bool end_as_interrupted(struct run_record *r, int64_t last_us, int64_t tail)
{
    char text[SERIES_EVENT_TEXT_MAX + 1] = "the capture program ended";
    if (tail > 0)
        snprintf(text, sizeof text, "the capture program ended; %lld bytes of a torn row were cut",
                 (long long)tail);
    r->ended = RUN_INTERRUPTED;
    r->ended_why =
        "the capture program ended during the run; if the motor was on, the rig's watchdog stopped it";
    /* Of a list that is full the last two make room. */
    run_record_cut_events(r, SERIES_EVENTS_MAX - 2);
    return run_record_add_event(r, last_us, text) &&
           run_record_add_event(r, last_us,
                                "recovered: frames that were corrupt, repeated or late were not counted");
}

enum err_code run_recover_record(const char *journal_path, const char *rows_path, int64_t end, int64_t tail,
                                 struct run_record *r, struct err *e)
{
    struct run_columns c = {0};
    struct run_gap *gaps;
    size_t count;
    enum err_code code = run_journal_read_gaps(journal_path, r, &gaps, &count, e);
    bool read = code == ERR_OK;
    if (code == ERR_OK)
        code = run_csv_read_start(rows_path, end, &c, e);
    if (code == ERR_OK && c.n == 0)
        code = err_set_at(e, ERR_FILE, rows_path, 0, 0, "has no row");
    if (code == ERR_OK) {
        int64_t last_us = c.time_us[c.n - 1];
        r->rows = (int64_t)c.n;
        /* A push that was commanded after the last row that there is ended as it began. */
        if (r->push_start_us > 0)
            r->push_end_us = last_us > r->push_start_us ? last_us : r->push_start_us;
        if (!merge_gaps(r, gaps, count, &c) || !end_as_interrupted(r, last_us, tail))
            code = err_set_at(e, ERR_MEMORY, journal_path, 0, 0, "no memory for its gaps and events");
    }
    if (read && code != ERR_OK)
        run_record_free(r);
    run_columns_free(&c);
    free(gaps);
    return code;
}
