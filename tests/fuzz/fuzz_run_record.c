/* runs/NNNN.json: what is read is written and read back as the same, but for characters that are not fit to
 * be shown, of which writing makes '?'. */
#include "datasets/format/kept.h"
#include "datasets/format/run_record.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static enum err_code read_input(const char *path, void *record, struct err *e)
{
    return run_record_read(path, record, e);
}

static void release(void *record)
{
    run_record_free(record);
}

/* The one copy of a text as writing cleans it. */
static const char *cleaned(const char *text)
{
    char clean[SERIES_EVENT_TEXT_MAX + 1];
    snprintf(clean, sizeof clean, "%s", text);
    return kept_text(err_clean_text(clean));
}

static void clean(struct run_record *r)
{
    r->rig_serial = cleaned(r->rig_serial);
    r->rig_firmware = cleaned(r->rig_firmware);
    r->ended_why = cleaned(r->ended_why);
    r->events = NULL;
    r->link_gaps = NULL;
}

static bool same_events(const struct run_record *a, const struct run_record *b)
{
    for (size_t i = 0; i < a->event_count; i++) {
        char x[SERIES_EVENT_TEXT_MAX + 1], y[SERIES_EVENT_TEXT_MAX + 1];
        strcpy(x, a->events[i].text);
        strcpy(y, b->events[i].text);
        if (a->events[i].time_us != b->events[i].time_us || strcmp(err_clean_text(x), err_clean_text(y)) != 0)
            return false;
    }
    return true;
}

static bool same(const struct run_record *a, const struct run_record *b)
{
    static struct run_record x, y;
    x = *a;
    y = *b;
    clean(&x);
    clean(&y);
    return memcmp(&x, &y, sizeof x) == 0 && same_events(a, b) &&
           (a->link.gap_count == 0 ||
            memcmp(a->link_gaps, b->link_gaps, a->link.gap_count * sizeof a->link_gaps[0]) == 0);
}

static void check_written(const struct run_record *r, uint64_t chance)
{
    static struct run_record again;
    struct err e = {0};
    const char *path = fuzz_scratch("record.json"), *second = fuzz_scratch("second.json");
    char *bytes, *other;
    size_t length, other_length, count;
    enum err_code code;
    fuzz_allocations_begin(0);
    code = run_record_write(path, r, &e);
    count = fuzz_allocations_end();
    assert(code == ERR_OK);
    code = run_record_read(path, &again, &e);
    assert(code == ERR_OK && same(&again, r));
    /* The same value gives the same bytes; in want of memory nothing is written. */
    assert(run_record_write(second, &again, &e) == ERR_OK);
    bytes = fuzz_file_bytes(path, &length);
    other = fuzz_file_bytes(second, &other_length);
    assert(length == other_length && memcmp(bytes, other, length) == 0);
    free(other);
    free(bytes);
    run_record_free(&again);
    fuzz_allocations_begin(1 + (size_t)(chance % count));
    code = run_record_write(second, r, &e);
    fuzz_allocations_end();
    fuzz_check_error(code, &e, 1u << ERR_MEMORY | 1u << ERR_CALLER);
    assert(run_record_read(second, &again, &e) == ERR_OK && same(&again, r));
    run_record_free(&again);
    unlink(path);
    unlink(second);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct run_record r;
    static const struct fuzz_reader reader = {.size = sizeof r, .read = read_input, .release = release};
    if (fuzz_read(&reader, bytes, length, &r) != ERR_OK)
        return 0;
    assert(r.event_count <= SERIES_EVENTS_MAX && r.link.gap_count <= SERIES_GAPS_MAX);
    assert((unsigned)r.test < PLAN_TEST_KINDS && (unsigned)r.ended < RUN_ENDS);
    assert(r.counts_min < r.counts_max && r.push_start_us <= r.push_end_us && r.rows >= 0);
    assert(r.number >= 1 && r.feeder[0] != 0 && strchr(r.feeder, '/') == NULL);
    check_written(&r, fuzz_hash(bytes, length));
    run_record_free(&r);
    return 0;
}
