#include "datasets/format/run_journal.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char *head;
static size_t head_length;

static void begin(void)
{
    struct run_record r = scratch_record();
    struct err e;
    scratch_begin();
    cr_assert_eq(run_journal_format_head(&r, &head, &head_length, &e), ERR_OK, "%s", e.text);
    run_record_free(&r);
}

static void end(void)
{
    free(head);
    scratch_end();
}

TestSuite(run_journal, .init = begin, .fini = end);

/* Write a journal: the head and lines behind it. */
static const char *write_journal(const void *lines, size_t length)
{
    char *text = malloc(head_length + length);
    const char *path;
    memcpy(text, head, head_length);
    memcpy(text + head_length, lines, length);
    path = scratch_write_bytes("j", text, head_length + length);
    free(text);
    return path;
}

/* One that holds all kinds of lines; returns its length behind the head. */
static size_t all_lines(char *buffer)
{
    const struct run_event event = {751003, "armed \"at\" \\ 3 \xc2\xb0"};
    const struct run_gap one = {1750003, 1, 2, 40};
    const struct run_gap two = {1750003, 1, 3, 0};
    size_t n = run_journal_format_push_start(751003, buffer);
    n += run_journal_format_event(&event, buffer + n);
    n += run_journal_format_gap(&one, buffer + n);
    return n + run_journal_format_gap(&two, buffer + n);
}

Test(run_journal, what_is_put_in_comes_back)
{
    struct run_record r = scratch_record();
    struct run_record *back = calloc(1, sizeof *back);
    char lines[4 * RUN_JOURNAL_LINE_MAX];
    size_t length = all_lines(lines);
    struct err e = {0};
    memset(back, 0xA5, sizeof *back);
    cr_expect(head[head_length - 1] == '\n' && memchr(head, '\n', head_length) == head + head_length - 1);
    cr_assert_eq(run_journal_read(write_journal(lines, length), back, &e), ERR_OK, "%s", e.text);
    cr_expect(back->number == 3 && back->speed_mm_s == 11.5 && back->mm_per_microstep == 0.1 / 3);
    cr_expect_eq(back->conditions, r.conditions);
    cr_expect(back->ended == RUN_INTERRUPTED && back->rows == 0 && back->frames_corrupt == 0);
    cr_expect(back->link_recorded && isnan(back->link.clock_ppm) && back->durable_within_ms == 0);
    cr_expect(back->push_start_us == 751003 && back->push_end_us == 0);
    cr_assert_eq(back->event_count, 1);
    cr_expect_str_eq(back->events[0].text, "armed \"at\" \\ 3 \xc2\xb0");
    cr_expect_eq(back->events[0].time_us, 751003);
    cr_assert_eq(back->link.gap_count, 2);
    cr_expect(back->link_gaps[0].time_us == 1750003 && back->link_gaps[0].places == 1 &&
              back->link_gaps[0].frames == 2 && back->link_gaps[0].samples == 40);
    cr_expect(back->gaps == 2 && back->frames_missing == 5 && back->link.samples_missing == 40);
    run_record_free(back);
    free(back);
    run_record_free(&r);
}

/* However the end is torn, what is whole before it counts. */
Test(run_journal, a_torn_last_line_is_left_out_at_every_byte)
{
    struct run_record *back = calloc(1, sizeof *back);
    char lines[4 * RUN_JOURNAL_LINE_MAX];
    size_t length = all_lines(lines);
    struct err e;
    for (size_t cut = 0; cut <= length; cut++) {
        size_t whole = 0;
        for (size_t i = 0; i < cut; i++)
            whole += lines[i] == '\n';
        cr_assert_eq(run_journal_read(write_journal(lines, cut), back, &e), ERR_OK, "cut at %zu: %s", cut,
                     e.text);
        cr_assert_eq((back->push_start_us > 0) + back->event_count + back->link.gap_count, whole,
                     "cut at %zu", cut);
        run_record_free(back);
    }
    for (size_t cut = 0; cut < head_length; cut++) {
        cr_assert_eq(run_journal_read(scratch_write_bytes("j", head, cut), back, &e), ERR_FILE, "%zu", cut);
        cr_assert_not_null(strstr(e.text, "missing or torn"), "%s", e.text);
    }
    free(back);
}

Test(run_journal, a_tail_that_is_no_json_is_left_out)
{
    static const char zeros[4096];
    static const char garbage[] = "{\"gap\":{\"fra\n\n\x01\xff\n{\"event\"\n";
    struct run_record *back = calloc(1, sizeof *back);
    char lines[8192];
    size_t length = all_lines(lines);
    struct err e;
    memcpy(lines + length, zeros, sizeof zeros);
    cr_expect_eq(run_journal_read(write_journal(lines, length + sizeof zeros), back, &e), ERR_OK);
    cr_expect_eq(back->link.gap_count, 2);
    run_record_free(back);
    memcpy(lines + length, garbage, sizeof garbage);
    cr_expect_eq(run_journal_read(write_journal(lines, length + sizeof garbage), back, &e), ERR_OK);
    cr_expect_eq(back->link.gap_count, 2);
    run_record_free(back);
    /* The same in front of a line that is good is damage. */
    length += sizeof garbage - 1;
    length += run_journal_format_push_start(5, lines + length);
    cr_expect_eq(run_journal_read(write_journal(lines, length), back, &e), ERR_FILE);
    cr_expect(e.line == 6 && strstr(e.text, "not valid JSON") != NULL, "%lld: %s", (long long)e.line, e.text);
    free(back);
}

Test(run_journal, what_cannot_be_is_refused)
{
    static const struct {
        const char *legend, *line, *message;
    } rows[] = {
        {"another key", "{\"note\":1}", "a line is an event, a gap or push_start_us"},
        {"two at once", "{\"push_start_us\":1,\"gap\":{}}", "a line is an event"},
        {"nothing", "{}", "a line is an event"},
        {"a list", "[1]", "a line is an event"},
        {"a push before the run", "{\"push_start_us\":-1}", "push_start_us: -1 is outside"},
        {"a push in words", "{\"push_start_us\":\"now\"}", "must be a whole number"},
        {"an event without text", "{\"event\":{\"time_us\":3}}", "event.text: is missing"},
        {"an event that is a word", "{\"event\":\"armed\"}", "event: must be an object"},
        {"a gap without samples", "{\"gap\":{\"time_us\":3,\"places\":1,\"frames\":1}}",
         "gap.samples: is missing"},
        {"a gap of no place", "{\"gap\":{\"time_us\":3,\"places\":0,\"frames\":1,\"samples\":1}}",
         "gap.places: 0 is outside 1"},
        {"a gap with more", "{\"gap\":{\"time_us\":3,\"places\":1,\"frames\":1,\"samples\":1,\"by\":1}}",
         "gap.by"},
    };
    struct run_record *back = calloc(1, sizeof *back);
    struct run_gap *gaps = (struct run_gap *)back;
    size_t count = 7;
    char lines[4096];
    size_t length;
    struct err e;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        length = (size_t)snprintf(lines, sizeof lines, "{\"push_start_us\":4}\n%s\n{\"push_start_us\":5}\n",
                                  rows[i].line);
        cr_expect_eq(run_journal_read(write_journal(lines, length), back, &e), ERR_FILE, "%s",
                     rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && e.line == 3, "%s: line %lld: %s", rows[i].legend,
                  (long long)e.line, e.text);
    }
    length = run_journal_format_gap(&(struct run_gap){9, 1, 1, 1}, lines);
    length += run_journal_format_gap(&(struct run_gap){8, 1, 1, 1}, lines + length);
    cr_expect_eq(run_journal_read_gaps(write_journal(lines, length), back, &gaps, &count, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "8 is before the gap above (9)"), "%s", e.text);
    cr_expect(gaps == NULL && count == 0);
    cr_expect_eq(run_journal_read(scratch_path("none"), back, &e), ERR_FILE);
    cr_assert_eq(truncate(scratch_write_bytes("j", head, head_length), RUN_JOURNAL_BYTES_MAX + 1), 0);
    cr_expect_eq(run_journal_read(scratch_path("j"), back, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "at most 67108864 are allowed"), "%s", e.text);
    free(back);
}

Test(run_journal, a_first_line_that_is_no_head_is_refused)
{
    static const struct {
        const char *legend, *from, *to, *message;
    } rows[] = {
        {"no JSON", "{", "}", "not valid JSON"},
        {"a bad record", "\"number\":3", "\"number\":0", "number: 0 is outside"},
        {"a run that is complete", "\"interrupted\"", "\"complete\"", "must be the record of a run"},
        {"one with rows", "\"rows\":0", "\"rows\":5", "must be the record of a run"},
        {"one with events", "\"events\":[]", "\"events\":[{\"time_us\":1,\"text\":\"x\"}]",
         "must be the record of a run"},
        {"one of an earlier version", "\"link\":", "\"x_link\":", "must be the record of a run"},
    };
    struct run_record *back = calloc(1, sizeof *back);
    struct err e;
    char *text = strndup(head, head_length);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *bad = scratch_replace(text, rows[i].from, rows[i].to);
        cr_expect_eq(run_journal_read(scratch_write("j", bad), back, &e), ERR_FILE, "%s", rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && e.line == 1, "%s: %s", rows[i].legend, e.text);
        free(bad);
    }
    free(text);
    free(back);
}

Test(run_journal, a_record_that_could_not_be_read_back_begins_no_journal)
{
    struct run_record r = scratch_record();
    struct err e;
    char *text = head;
    size_t length = 9;
    r.start_time[0] = 0;
    cr_expect_eq(run_journal_format_head(&r, &text, &length, &e), ERR_CALLER);
    cr_expect(text == NULL && length == 0 && strstr(e.text, "start_time") != NULL, "%s", e.text);
    run_record_free(&r);
}

Test(run_journal, texts_of_any_bytes_make_one_good_line)
{
    struct run_record *back = calloc(1, sizeof *back);
    char line[RUN_JOURNAL_LINE_MAX];
    struct err e;
    for (int c = 1; c < 256; c++) {
        char text[SERIES_EVENT_TEXT_MAX + 1] = "";
        const struct run_event event = {5, text};
        size_t length;
        memset(text, c, SERIES_EVENT_TEXT_MAX);
        length = run_journal_format_event(&event, line);
        cr_assert(length > 0 && length <= RUN_JOURNAL_LINE_MAX && line[length - 1] == '\n' &&
                  memchr(line, '\n', length) == line + length - 1);
        cr_assert_eq(run_journal_read(write_journal(line, length), back, &e), ERR_OK, "byte %d: %s", c,
                     e.text);
        cr_assert_eq(back->events[0].text[0], c < 0x20 || c >= 0x7F ? '?' : c);
        run_record_free(back);
    }
    free(back);
}

Test(run_journal, more_gaps_than_a_record_lists_are_summed_up)
{
    enum { GAPS = 1000 };
    struct run_record *back = calloc(1, sizeof *back);
    char *lines = malloc(GAPS * RUN_JOURNAL_LINE_MAX);
    struct run_gap *gaps;
    size_t count;
    size_t length = 0;
    struct err e;
    for (int64_t i = 0; i < GAPS; i++)
        length += run_journal_format_gap(&(struct run_gap){1000 * i, 1, 2, i}, lines + length);
    for (int i = 0; i < 70; i++)
        length += run_journal_format_event(&(struct run_event){i, "x"}, lines + length);
    cr_assert_eq(run_journal_read(write_journal(lines, length), back, &e), ERR_OK, "%s", e.text);
    cr_expect(back->gaps == GAPS && back->frames_missing == 2 * GAPS && back->link.samples_missing == 499500);
    cr_assert_eq(back->link.gap_count, SERIES_GAPS_MAX);
    cr_expect(back->link_gaps[62].time_us == 62000 && back->link_gaps[62].places == 1);
    cr_expect(back->link_gaps[63].time_us == 63000 && back->link_gaps[63].places == GAPS - 63 &&
              back->link_gaps[63].frames == 2 * (GAPS - 63));
    cr_expect(back->event_count == SERIES_EVENTS_MAX && back->events[63].time_us == 63);
    cr_expect_eq(run_record_write(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    run_record_free(back);
    cr_assert_eq(run_journal_read_gaps(scratch_path("j"), back, &gaps, &count, &e), ERR_OK);
    cr_expect(count == GAPS && gaps[999].samples == 999 && back->gaps == 0 && back->link.gap_count == 0);
    free(gaps);
    free(lines);
    run_record_free(back);
    free(back);
}
