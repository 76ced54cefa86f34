#include "datasets/format/run_recover.h"

#include "datasets/format/run_journal.h"
#include "datasets/format/series.h"
#include "tests/datasets/interrupted.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static struct run_record record;

static void end(void)
{
    run_record_free(&record);
    scratch_end();
}

TestSuite(run_recover, .init = interrupted_begin, .fini = end);

/* Recover run 2 of those rows and journal lines; the whole series must then be found good. */
static void recover(const char *rows, const char *lines)
{
    char told[2048];
    struct err e;
    scratch_end();
    interrupted_begin();
    interrupted_put_rows(2, rows, strlen(rows));
    interrupted_put_journal(2, lines);
    interrupted_recover(told, sizeof told);
    run_record_free(&record);
    cr_assert_eq(run_record_read(scratch_path("s/runs/0002.json"), &record, &e), ERR_OK, "%s: %s", e.text,
                 told);
    cr_expect_eq(interrupted_findings(), 0);
}

static void want_gap(size_t i, int64_t time_us, int64_t frames, int64_t samples)
{
    const struct run_gap *gap = &record.link_gaps[i];
    cr_expect(gap->time_us == time_us && gap->places == 1 && gap->frames == frames && gap->samples == samples,
              "gap %zu: %lld us, %lld places, %lld frames, %lld samples", i, (long long)gap->time_us,
              (long long)gap->places, (long long)gap->frames, (long long)gap->samples);
}

Test(run_recover, the_record_says_what_is_known)
{
    recover(INTERRUPTED_CSV, "{\"push_start_us\":2000}\n{\"event\":{\"time_us\":2000,\"text\":\"armed\"}}\n");
    cr_expect(record.number == 2 && record.rows == INTERRUPTED_ROWS && record.ended == RUN_INTERRUPTED);
    cr_expect_str_eq(
        record.ended_why,
        "the capture program ended during the run; if the motor was on, the rig's watchdog stopped it");
    cr_expect_str_eq(record.feeder, "gear-12");
    cr_expect_str_eq(record.start_time, "2031-04-05T16:31:42.125Z");
    cr_expect(record.push_start_us == 2000 && record.push_end_us == 5000);
    cr_assert_eq(record.event_count, 3);
    cr_expect_str_eq(record.events[0].text, "armed");
    cr_expect_str_eq(record.events[1].text, "the capture program ended");
    cr_expect_eq(record.events[1].time_us, 5000);
    cr_expect_str_eq(record.events[2].text,
                     "recovered: frames that were corrupt, repeated or late were not counted");
    cr_expect(record.link_recorded && isnan(record.link.clock_ppm));
    cr_expect(record.gaps == 0 && record.frames_missing == 0 && record.link.samples_missing == 0);
}

Test(run_recover, a_push_ends_with_the_rows)
{
    recover(INTERRUPTED_CSV, "");
    cr_expect(record.push_start_us == 0 && record.push_end_us == 0, "it had not begun");
    recover(INTERRUPTED_CSV, "{\"push_start_us\":9000}\n");
    cr_expect(record.push_start_us == 9000 && record.push_end_us == 9000, "it began behind the last row");
}

#define ROW(time) time ",8131,0,4,0\n"
#define HOLES     RUN_CSV_HEADER "\n" ROW("0") ROW("1000") ROW("4000") ROW("5000") ROW("7001") ROW("7999")
#define GAP(time, frames, samples)                                                                           \
    "{\"gap\":{\"time_us\":" time ",\"places\":1,\"frames\":" frames ",\"samples\":" samples "}}\n"

Test(run_recover, holes_and_gaps_are_brought_together)
{
    recover(HOLES, "");
    cr_assert_eq(record.link.gap_count, 2);
    want_gap(0, 1000, 0, 2);
    want_gap(1, 5000, 0, 1);
    cr_expect(record.gaps == 2 && record.frames_missing == 0 && record.link.samples_missing == 3);
    /* All that the journal can say: before the first row, twice at one row, at a row without a hole, with a
     * count that the rows do not bear out, and behind the last row. */
    recover(HOLES, GAP("0", "1", "0") GAP("1000", "2", "0") GAP("1000", "3", "2") GAP("4000", "4", "9")
                       GAP("7999", "5", "1") GAP("9000", "6", "1"));
    cr_assert_eq(record.link.gap_count, 7);
    want_gap(0, 0, 1, 0);
    want_gap(1, 1000, 2, 0);
    want_gap(2, 1000, 3, 2);
    want_gap(3, 4000, 4, 0);
    want_gap(4, 5000, 0, 1);
    want_gap(5, 7999, 5, 0);
    want_gap(6, 9000, 6, 0);
    cr_expect(record.gaps == 7 && record.frames_missing == 21 && record.link.samples_missing == 3);
    /* Journal and rows the other way round: the hole comes first. */
    recover(HOLES, GAP("5000", "2", "1"));
    cr_assert_eq(record.link.gap_count, 2);
    want_gap(0, 1000, 0, 2);
    want_gap(1, 5000, 2, 1);
}

/* 200 holes, of which the journal tells of every other one, and 100 gaps without a hole. */
Test(run_recover, more_gaps_than_are_listed_are_summed_up)
{
    char *rows = malloc(40 * 1000);
    char *lines = malloc(400 * 200);
    size_t n = (size_t)sprintf(rows, "%s\n", RUN_CSV_HEADER);
    size_t m = 0;
    for (int i = 0; i <= 200; i++) {
        /* Two rows, and then a sample is missing. */
        n += (size_t)sprintf(rows + n, "%d,5,6,,0\n%d,5,6,,0\n", 3000 * i, 3000 * i + 1000);
        if (i % 2 == 0)
            m += (size_t)sprintf(lines + m, GAP("%d", "1", "0"), 3000 * i);
        if (i % 2 == 0 && i < 200)
            m += (size_t)sprintf(lines + m, GAP("%d", "2", "1"), 3000 * i + 1000);
    }
    recover(rows, lines);
    cr_expect(record.gaps == 301 && record.frames_missing == 301 && record.link.samples_missing == 200);
    cr_assert_eq(record.link.gap_count, SERIES_GAPS_MAX);
    cr_expect_eq(record.link_gaps[SERIES_GAPS_MAX - 1].places, 301 - 63);
    free(rows);
    free(lines);
}

Test(run_recover, of_events_that_fill_the_list_the_last_make_room)
{
    char *lines = malloc(100 * 64);
    size_t n = 0;
    for (int i = 0; i < 70; i++)
        n += (size_t)sprintf(lines + n, "{\"event\":{\"time_us\":%d,\"text\":\"event %d\"}}\n", i, i);
    recover(INTERRUPTED_CSV, lines);
    cr_assert_eq(record.event_count, SERIES_EVENTS_MAX);
    cr_expect_str_eq(record.events[61].text, "event 61");
    cr_expect_str_eq(record.events[62].text, "the capture program ended");
    free(lines);
}

Test(run_recover, a_file_that_is_none_is_refused)
{
    enum run_remains remains;
    int64_t end;
    int64_t tail;
    struct err e;
    cr_expect_eq(run_recover_find_end(scratch_path("none"), &remains, &end, &tail, &e), ERR_FILE);
    cr_expect_eq(run_recover_find_end(scratch_path(""), &remains, &end, &tail, &e), ERR_FILE);
    scratch_write("f", INTERRUPTED_CSV);
    cr_assert_eq(symlink(scratch_path("f"), scratch_path("link")), 0);
    cr_expect_eq(run_recover_find_end(scratch_path("link"), &remains, &end, &tail, &e), ERR_FILE);
    cr_assert_eq(truncate(scratch_path("f"), INT64_C(2147483649)), 0);
    cr_expect_eq(run_recover_find_end(scratch_path("f"), &remains, &end, &tail, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "at most 2147483648"), "%s", e.text);
}
