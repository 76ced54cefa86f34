/* Gaps and missing samples of a run, as its record tells them. */
#include "capture/run_notes.h"

#include "datasets/format/sample_grid.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static struct run_record record;
static struct run_notes notes;

static void begin(void)
{
    memset(&record, 0, sizeof record);
    record.sample_rate_hz = 1000;
    run_notes_begin(&notes, &record, NULL);
}

static void forget(void)
{
    run_record_free(&record);
}

TestSuite(run_notes, .init = begin, .fini = forget);

static void rows(int64_t from_ms, int64_t to_ms)
{
    for (int64_t ms = from_ms; ms <= to_ms; ms++)
        run_notes_row(&notes, ms * 1000);
}

static void end(int64_t frames_missing, int64_t late)
{
    const struct rig_counts counts = {.frames_missing = frames_missing,
                                      .frames_late = late,
                                      .frames_duplicate = 2,
                                      .frames_corrupt = 5,
                                      .samples_backward = 7};
    run_notes_end(&notes, &counts);
}

Test(run_notes, a_run_without_gaps_has_none)
{
    rows(0, 500);
    end(0, 0);
    cr_expect(record.link_recorded);
    cr_expect_eq(record.gaps, 0);
    cr_expect_eq(record.link.gap_count, 0);
    cr_expect_eq(record.link.samples_missing, 0);
    cr_expect_eq(record.link.frames_repeated, 2);
    cr_expect_eq(record.frames_corrupt, 5);
    cr_expect_eq(record.link.samples_backward, 7);
}

/* Most rows are passed by a comparison alone: it must never pass one behind which the grid misses a sample.
 */
Test(run_notes, what_is_missing_is_what_the_grid_misses)
{
    static const double RATES_HZ[] = {1,     80,        79.919, 1000,       3333.333,
                                      48000, 99999.999, 400000, 666666.667, 1000000};
    for (size_t i = 0; i < sizeof RATES_HZ / sizeof RATES_HZ[0]; i++) {
        const int64_t interval_us = (int64_t)(1e6 / RATES_HZ[i]);
        for (int64_t halves = 1; halves <= 7; halves++) {
            for (int64_t off_us = -2; off_us <= 2; off_us++) {
                const int64_t us = interval_us * halves / 2 + off_us;
                memset(&record, 0, sizeof record);
                record.sample_rate_hz = RATES_HZ[i];
                run_notes_begin(&notes, &record, NULL);
                run_notes_row(&notes, 17);
                run_notes_row(&notes, 17 + us);
                end(0, 0);
                cr_assert_eq(record.link.samples_missing, sample_grid_missing(17, 17 + us, RATES_HZ[i]),
                             "%g Hz, %lld us", RATES_HZ[i], (long long)us);
                run_record_free(&record);
            }
        }
    }
}

Test(run_notes, missing_samples_belong_to_the_gap_before_them)
{
    rows(0, 40);
    run_notes_gap(&notes, 2);
    rows(81, 100);
    run_notes_gap(&notes, 1); /* a status frame: no sample is missing */
    rows(101, 120);
    end(3, 1);
    cr_expect_eq(record.gaps, 2);
    cr_assert_eq(record.link.gap_count, 2);
    cr_expect_eq(record.link_gaps[0].time_us, 40000);
    cr_expect_eq(record.link_gaps[0].frames, 2);
    cr_expect_eq(record.link_gaps[0].samples, 40);
    cr_expect_eq(record.link_gaps[1].time_us, 100000);
    cr_expect_eq(record.link_gaps[1].samples, 0);
    cr_expect_eq(record.link.samples_missing, 40);
    cr_expect_eq(record.frames_missing, 3);
    cr_expect_eq(record.link.frames_late, 1);
}

Test(run_notes, samples_that_are_missing_without_a_missing_frame_are_told_too)
{
    rows(0, 10);
    rows(14, 20);
    end(0, 0);
    cr_expect_eq(record.gaps, 1);
    cr_assert_eq(record.link.gap_count, 1);
    cr_expect_eq(record.link_gaps[0].frames, 0);
    cr_expect_eq(record.link_gaps[0].samples, 3);
}

Test(run_notes, a_gap_before_the_first_or_behind_the_last_row_misses_no_sample)
{
    run_notes_gap(&notes, 4);
    rows(0, 10);
    run_notes_gap(&notes, 6);
    end(10, 0);
    cr_expect_eq(record.gaps, 2);
    cr_expect_eq(record.link_gaps[0].time_us, 0);
    cr_expect_eq(record.link_gaps[1].time_us, 10000);
    cr_expect_eq(record.link.samples_missing, 0);
}

Test(run_notes, a_full_list_sums_up_in_its_last_gap)
{
    int64_t ms = 0;
    for (int i = 0; i < 100; i++) {
        rows(ms, ms + 19);
        run_notes_gap(&notes, 3);
        ms += 20 + 5;
    }
    rows(ms, ms + 19);
    end(300, 0);
    cr_expect_eq(record.gaps, 100);
    cr_assert_eq(record.link.gap_count, SERIES_GAPS_MAX);
    cr_expect_eq(record.link_gaps[SERIES_GAPS_MAX - 2].places, 1);
    cr_expect_eq(record.link_gaps[SERIES_GAPS_MAX - 1].places, 100 - (SERIES_GAPS_MAX - 1));
    cr_expect_eq(record.link_gaps[SERIES_GAPS_MAX - 1].frames, 3 * (100 - (SERIES_GAPS_MAX - 1)));
    cr_expect_eq(record.link.samples_missing, 500);
}

Test(run_notes, events_beyond_the_list_leave_the_first_ones)
{
    for (int i = 0; i < SERIES_EVENTS_MAX + 9; i++)
        run_notes_event(&notes, i - 1, "event %d", i);
    cr_expect_eq(record.event_count, SERIES_EVENTS_MAX);
    cr_expect_str_eq(record.events[0].text, "event 0");
    cr_expect_eq(record.events[0].time_us, 0, "no time before the first row");
    cr_expect_eq(record.events[3].time_us, 2);
}

Test(run_notes, a_run_whose_last_rows_the_disk_lost_is_cut_back)
{
    char path[] = "/tmp/run_notes.XXXXXX";
    FILE *f = fdopen(mkstemp(path), "w");
    struct err e = {0};
    rows(0, 40);
    run_notes_gap(&notes, 1);
    rows(61, 90);
    run_notes_gap(&notes, 2);
    rows(131, 150);
    run_notes_push_start(&notes, 30000);
    record.push_end_us = 149000;
    end(3, 0);
    cr_assert_eq(record.link.samples_missing, 60);
    fputs(RUN_CSV_HEADER "\n", f);
    for (int ms = 0; ms <= 80; ms += ms == 40 ? 21 : 1)
        fprintf(f, "%d000,5,7,,0\n", ms);
    fclose(f);
    cr_assert_eq(run_notes_cut_back(&record, path, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(record.link.samples_missing, 20);
    cr_expect_eq(record.gaps, 2, "that frames were missing is known all the same");
    cr_expect_eq(record.link_gaps[0].samples, 20);
    cr_expect_eq(record.link_gaps[1].samples, 0);
    cr_expect_eq(record.link_gaps[1].time_us, 80000);
    cr_expect_eq(record.push_start_us, 30000);
    cr_expect_eq(record.push_end_us, 80000);
    unlink(path);
}
