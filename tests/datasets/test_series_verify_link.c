/* What series_verify says of missing samples and of runs that are not filed. */
#include "datasets/format/run_journal.h"
#include "datasets/format/series.h"
#include "tests/datasets/interrupted.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

TestSuite(series_verify_link, .init = interrupted_begin, .fini = scratch_end);

struct findings {
    size_t count;
    struct err list[40];
};

static void collect(void *context, const struct err *finding)
{
    struct findings *f = context;
    f->list[f->count < 40 ? f->count : 39] = *finding;
    f->count++;
}

static struct findings found;

/* Verify and want exactly count findings. */
static void verify(const char *legend, size_t count)
{
    memset(&found, 0, sizeof found);
    series_verify(interrupted_series, collect, &found, NULL);
    cr_expect_eq(found.count, count, "%s: %zu findings", legend, found.count);
    for (size_t i = 0; i < found.count && i < 40 && found.count != count; i++)
        cr_log_warn("%s: %s:%lld: %s", legend, found.list[i].file, (long long)found.list[i].line,
                    found.list[i].text);
}

static void want_found(const char *legend, const char *file, int64_t line, const char *message)
{
    for (size_t i = 0; i < found.count && i < 40; i++) {
        if (strstr(found.list[i].file, file) != NULL && strstr(found.list[i].text, message) != NULL &&
            found.list[i].line == line)
            return;
    }
    cr_expect_fail("%s: no finding in %s:%lld: %s", legend, file, (long long)line, message);
}

#define ROW(time) time ",8131,0,4,0\n"
static const char ROWS[] =
    RUN_CSV_HEADER "\n" ROW("0") ROW("1000") ROW("4000") ROW("5000") ROW("6000") ROW("8000") ROW("9000");

/* Run 2, of which two samples are missing after line 3 and one after line 6, and a frame without samples
 * after line 4; and frames at the end. */
static struct run_record holed_record(void)
{
    struct run_record r = interrupted_record(2);
    r.rows = 7;
    run_record_add_gap(&r, &(struct run_gap){0, 1, 1, 0});
    run_record_add_gap(&r, &(struct run_gap){1000, 1, 2, 2});
    run_record_add_gap(&r, &(struct run_gap){4000, 1, 3, 0});
    run_record_add_gap(&r, &(struct run_gap){6000, 1, 0, 1});
    run_record_add_gap(&r, &(struct run_gap){9000, 1, 4, 0});
    return r;
}

static void put(const char *rows, const struct run_record *r)
{
    struct err e;
    unlink(scratch_path("s/runs/0002.csv"));
    unlink(scratch_path("s/runs/0002.json"));
    interrupted_put_rows(2, rows, strlen(rows));
    cr_assert_eq(series_file_run(interrupted_series, r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(series_write_package(interrupted_series, &interrupted_plan, &e), ERR_OK, "%s", e.text);
}

/* The rows with a text replaced. */
static void put_changed(const char *from, const char *to, int64_t count)
{
    struct run_record r = holed_record();
    char *rows = scratch_replace(ROWS, from, to);
    r.rows = count;
    put(rows, &r);
    free(rows);
    run_record_free(&r);
}

Test(series_verify_link, a_run_that_lost_samples_and_says_so_is_good)
{
    struct run_record r = holed_record();
    put(ROWS, &r);
    verify("good", 0);
    cr_expect(r.gaps == 5 && r.frames_missing == 10 && r.link.samples_missing == 3);
    run_record_free(&r);
}

/* The hashes agree with each of these. */
Test(series_verify_link, rows_that_were_tampered_with_are_found)
{
    put_changed(ROW("5000"), "", 6);
    verify("a row removed", 2);
    want_found("a row removed", "0002.csv", 0,
               "4 samples are missing in 3 places, but runs/0002.json says 3 samples");
    want_found("a row removed", "0002.csv", 4,
               "1 samples are missing after this row, but runs/0002.json says 0");
    put_changed(ROW("1000"), "", 6);
    verify("the row before a hole removed", 3);
    want_found("before", "0002.csv", 2, "3 samples are missing after this row, but runs/0002.json says 0");
    want_found("before", "0002.json", 0,
               "2 samples are said to be missing at 1000 us, but runs/0002.csv has no hole there");
    put_changed(ROW("4000"), ROW("3000"), 7);
    verify("a time changed", 2);
    want_found("a time", "0002.csv", 3, "1 samples are missing after this row, but runs/0002.json says 2");
    want_found("a time", "0002.csv", 4,
               "1 samples are missing after this row, of which runs/0002.json does not tell");
    put_changed(ROW("4000"), ROW("2000") ROW("3000") ROW("4000"), 9);
    verify("a hole filled", 2);
    want_found("filled", "0002.json", 0, "2 samples are said to be missing at 1000 us");
    put_changed(ROW("9000"), "", 6);
    verify("the last row removed", 0); /* nothing shows it but the count of rows, which was changed too */
}

Test(series_verify_link, counts_that_are_wrong_are_found)
{
    struct run_record r = holed_record();
    r.link_gaps[1].samples = 3;
    r.link.samples_missing = 4;
    put(ROWS, &r);
    verify("a sample too many", 2);
    want_found("too many", "0002.csv", 0, "3 samples are missing in 2 places, but runs/0002.json says 4");
    want_found("too many", "0002.csv", 3, "2 samples are missing after this row, but runs/0002.json says 3");
    /* The same total at another place. */
    run_record_free(&r);
    r = holed_record();
    r.link_gaps[3].time_us = 5000;
    put(ROWS, &r);
    verify("another place", 2);
    want_found("another", "0002.json", 0, "1 samples are said to be missing at 5000 us");
    want_found("another", "0002.csv", 6, "of which runs/0002.json does not tell");
    run_record_free(&r);
    r = holed_record();
    r.link_gaps[4].samples = 1;
    r.link.samples_missing = 4;
    put(ROWS, &r);
    verify("behind the last row", 2);
    want_found("behind", "0002.json", 0, "1 samples are said to be missing at 9000 us");
    run_record_free(&r);
}

/* A run that tells of nothing, with a hole after each of its rows. */
Test(series_verify_link, of_many_holes_the_first_are_shown)
{
    struct run_record r = interrupted_record(2);
    char rows[4096] = RUN_CSV_HEADER "\n";
    size_t n = strlen(rows);
    for (int i = 0; i <= 30; i++)
        n += (size_t)sprintf(rows + n, "%d,1,2,3,0\n", 2000 * i);
    r.rows = 31;
    put(rows, &r);
    verify("30 holes", 22);
    want_found("30 holes", "0002.csv", 0, "has 10 more holes");
    /* In a series of an earlier version nothing was recorded, and nothing is wrong. */
    r.link_recorded = false;
    put(rows, &r);
    verify("an earlier version", 0);
    run_record_free(&r);
}

/* 100 holes of i + 1 samples: 63 listed, and the rest summed up. */
Test(series_verify_link, a_gap_that_sums_up_is_checked_as_a_whole)
{
    static char rows[8192];
    struct run_gap list[SERIES_GAPS_MAX];
    struct run_record r = interrupted_record(2);
    struct run_record bad;
    int time_us = 0;
    size_t n = (size_t)sprintf(rows, "%s\n", RUN_CSV_HEADER);
    r.rows = 101;
    for (int i = 0; i <= 100; i++) {
        n += (size_t)sprintf(rows + n, "%d,1,2,3,0\n", time_us);
        if (i < 100)
            run_record_add_gap(&r, &(struct run_gap){time_us, 1, 1, i + 1});
        time_us += 1000 * (i + 2);
    }
    put(rows, &r);
    verify("summed up", 0);
    bad = r;
    bad.link_gaps = memcpy(list, r.link_gaps, sizeof list);
    bad.link_gaps[63].samples++;
    bad.link.samples_missing++;
    put(rows, &bad);
    verify("a sample too many", 2);
    want_found("too many", "0002.csv", 0,
               "3034 samples are missing in 37 places, but runs/0002.json says 3035");
    bad = r;
    bad.link_gaps = memcpy(list, r.link_gaps, sizeof list);
    bad.link_gaps[63].places = 36;
    bad.gaps--;
    put(rows, &bad);
    verify("a place too few", 1);
    want_found("too few", "0002.csv", 0, "in 37 places, but runs/0002.json says 3034 samples in 36 places");
    /* Gaps at one row on both sides of where the summing up begins. */
    bad = r;
    bad.link_gaps = memcpy(list, r.link_gaps, sizeof list);
    bad.link_gaps[62].samples = 0;
    bad.link_gaps[63].time_us = bad.link_gaps[62].time_us;
    bad.link_gaps[63].samples += 63;
    bad.link_gaps[63].places++;
    bad.gaps++;
    put(rows, &bad);
    verify("two gaps at one row", 0);
    run_record_free(&r); /* bad has its events from it, and gaps of its own */
}

Test(series_verify_link, an_interrupted_run_is_one_finding)
{
    static const char hint[] = "is an interrupted run: 'nipbench-capture run --resume' puts it in order";
    interrupted_put_rows(2, ROWS, strlen(ROWS));
    verify("rows", 1);
    want_found("rows", "runs/0002.csv.part", 0, hint);
    interrupted_put_journal(2, "");
    verify("rows and journal", 1);
    want_found("rows and journal", "runs/0002.csv.part", 0, hint);
    scratch_write("s/runs/0002.json", "{}");
    verify("and a record", 1);
    unlink(scratch_path("s/runs/0002.csv.part"));
    unlink(scratch_path("s/runs/0002.json"));
    verify("a journal", 1);
    want_found("a journal", "runs/0002.json.part", 0, hint);
    interrupted_put_journal(3, "");
    verify("two journals", 2);
    scratch_write("s/runs/note.part", "x");
    scratch_write("s/0004.csv.part", "x");
    verify("what only looks like one", 4);
    want_found("a note", "runs/note.part", 0, "is not listed");
    want_found("beside the runs", "s/0004.csv.part", 0, "is not listed");
}

/* A plan's 1,000 runs and as many repeats. */
Test(series_verify_link, a_series_holds_two_thousand_runs)
{
    char *text = malloc(200 + 2001 * 120);
    size_t n = (size_t)sprintf(text, "{\"nipbench_series\": 1, \"simulated\": true, \"resources\": [");
    struct series *s = NULL;
    struct err e;
    for (int i = 1; i <= SERIES_RUNS_MAX; i++)
        n += (size_t)sprintf(text + n, "%s{\"path\": \"runs/%04d.csv\"}, {\"path\": \"runs/%04d.json\"}",
                             i == 1 ? "" : ", ", i, i);
    strcpy(text + n, "]}");
    scratch_write("s/datapackage.json", text);
    cr_expect_eq(series_open(interrupted_series, &s, &e), ERR_FILE);
    cr_expect(strstr(e.file, "runs/0002.json") != NULL,
              "all are taken, and the first that is missing is told: %s", e.file);
    strcpy(text + n, ", {\"path\": \"runs/2001.csv\"}, {\"path\": \"runs/2001.json\"}]}");
    scratch_write("s/datapackage.json", text);
    cr_expect_eq(series_open(interrupted_series, &s, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "lists more than 2000 runs"), "%s", e.text);
    free(text);
}
