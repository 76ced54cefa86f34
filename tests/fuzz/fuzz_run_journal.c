/* runs/NNNN.json.part: a journal that is read may be cut anywhere behind its first line, and what it says,
 * written down again, says the same. */
#include "datasets/format/run_journal.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <jansson.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum err_code read_input(const char *path, void *record, struct err *e)
{
    return run_journal_read(path, record, e);
}

static void release(void *record)
{
    run_record_free(record);
}

/* Head, push start, events and gaps as a capture appends them; the caller frees it. */
static char *written(const struct run_record *r, const struct run_gap *gaps, size_t count, size_t *length)
{
    char *text, *head, line[RUN_JOURNAL_LINE_MAX];
    size_t head_length, used;
    struct err e = {0};
    FILE *file = open_memstream(&text, length);
    assert(file != NULL);
    assert(run_journal_format_head(r, &head, &head_length, &e) == ERR_OK && head[head_length - 1] == '\n');
    fwrite(head, 1, head_length, file);
    free(head);
    used = run_journal_format_push_start(r->push_start_us, line);
    assert(used > 0 && used <= sizeof line);
    fwrite(line, 1, used, file);
    for (size_t i = 0; i < r->event_count; i++) {
        used = run_journal_format_event(&r->events[i], line);
        assert(used > 0 && used <= sizeof line && line[used - 1] == '\n');
        fwrite(line, 1, used, file);
    }
    for (size_t i = 0; i < count; i++) {
        used = run_journal_format_gap(&gaps[i], line);
        assert(used > 0 && used <= sizeof line && line[used - 1] == '\n');
        fwrite(line, 1, used, file);
    }
    fclose(file);
    return text;
}

static void check_same(const struct run_record *a, const struct run_record *b)
{
    assert(a->number == b->number && strcmp(a->feeder, b->feeder) == 0 && a->test == b->test);
    assert(a->speed_mm_s == b->speed_mm_s && a->boot == b->boot && a->counts_min == b->counts_min);
    assert(memcmp(a->conditions->number, b->conditions->number, sizeof a->conditions->number) == 0);
    assert(a->push_start_us == b->push_start_us && a->gaps == b->gaps &&
           a->frames_missing == b->frames_missing);
    assert(a->link.gap_count == b->link.gap_count && a->event_count == b->event_count);
    assert(a->link.gap_count == 0 ||
           memcmp(a->link_gaps, b->link_gaps, a->link.gap_count * sizeof a->link_gaps[0]) == 0);
    for (size_t i = 0; i < a->event_count; i++) {
        char clean[SERIES_EVENT_TEXT_MAX + 1];
        strcpy(clean, a->events[i].text);
        err_clean_text(clean);
        assert(a->events[i].time_us == b->events[i].time_us && strcmp(clean, b->events[i].text) == 0);
    }
}

static void check_written(const struct run_record *r, const struct run_gap *gaps, size_t gap_count,
                          uint64_t chance)
{
    static struct run_record again;
    struct err e = {0};
    size_t length, second_length, count;
    char *text = written(r, gaps, gap_count, &length), *second, *head;
    enum err_code code;
    assert(run_journal_read(fuzz_file((const uint8_t *)text, length), &again, &e) == ERR_OK);
    check_same(r, &again);
    second = written(&again, gaps, gap_count, &second_length);
    run_record_free(&again);
    assert(second_length == length && memcmp(second, text, length) == 0);
    free(second);
    free(text);
    /* In want of memory a capture is told so. */
    fuzz_allocations_begin(0);
    code = run_journal_format_head(r, &head, &length, &e);
    count = fuzz_allocations_end();
    assert(code == ERR_OK);
    free(head);
    fuzz_allocations_begin(1 + (size_t)(chance % count));
    code = run_journal_format_head(r, &head, &length, &e);
    fuzz_allocations_end();
    fuzz_check_error(code, &e, 1u << ERR_MEMORY | 1u << ERR_CALLER);
    assert((head == NULL) == (code != ERR_OK));
    free(head);
}

static void check_cut(const struct run_record *whole, const uint8_t *bytes, size_t length, uint64_t chance)
{
    static struct run_record cut;
    struct err e = {0};
    size_t first = (size_t)((const uint8_t *)memchr(bytes, '\n', length) - bytes) + 1;
    enum err_code code =
        run_journal_read(fuzz_file(bytes, first + (size_t)(chance % (length - first + 1))), &cut, &e);
    assert(code == ERR_OK && cut.event_count <= whole->event_count && cut.gaps <= whole->gaps);
    run_record_free(&cut);
    code = run_journal_read(fuzz_file(bytes, (size_t)(chance % first)), &cut, &e);
    fuzz_check_error(code, &e, 1u << ERR_FILE);
    assert(code == ERR_FILE);
}

/* Whole lines behind the first one that are gaps. */
static size_t count_gaps(const uint8_t *bytes, size_t length)
{
    const char *at = memchr(bytes, '\n', length), *end = (const char *)bytes + length, *feed;
    size_t count = 0;
    for (at++; (feed = memchr(at, '\n', (size_t)(end - at))) != NULL; at = feed + 1) {
        json_t *json = json_loadb(at, (size_t)(feed - at), JSON_REJECT_DUPLICATES, NULL);
        count += json_object_get(json, "gap") != NULL;
        json_decref(json);
    }
    return count;
}

/* Where counts stop; an input is too short for these sums to overflow. */
static int64_t bounded(int64_t count)
{
    return count < RUN_RECORD_COUNT_MAX ? count : RUN_RECORD_COUNT_MAX;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct run_record r, other;
    static const struct fuzz_reader reader = {.size = sizeof r, .read = read_input, .release = release};
    uint64_t chance = fuzz_hash(bytes, length);
    struct run_gap *gaps, sum = {0};
    size_t count;
    struct err e = {0};
    enum err_code code = fuzz_read(&reader, bytes, length, &r);
    assert(run_journal_read_gaps(fuzz_file(bytes, length), &other, &gaps, &count, &e) == code);
    if (code != ERR_OK) {
        assert(gaps == NULL && count == 0);
        return 0;
    }
    assert(r.ended == RUN_INTERRUPTED && r.rows == 0 && r.event_count <= SERIES_EVENTS_MAX);
    assert(r.link.gap_count == (count < SERIES_GAPS_MAX ? count : SERIES_GAPS_MAX) &&
           other.link.gap_count == 0);
    assert(count == count_gaps(bytes, length));
    for (size_t i = 0; i < count; i++) {
        assert(i == 0 || gaps[i].time_us >= gaps[i - 1].time_us);
        sum.places += gaps[i].places;
        sum.frames += gaps[i].frames;
    }
    assert(r.gaps == bounded(sum.places) && r.frames_missing == bounded(other.frames_missing + sum.frames));
    check_written(&r, gaps, count, chance);
    check_cut(&r, bytes, length, chance);
    run_record_free(&r);
    run_record_free(&other);
    free(gaps);
    return 0;
}
