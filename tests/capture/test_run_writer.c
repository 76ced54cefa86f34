/* The writer of runs: whole rows, durable soon, named only when complete, never replacing anything. */
#include "capture/run_writer.h"

#include "datasets/format/run_journal.h"

#include <criterion/criterion.h>
#include <dirent.h>
#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

/* The linker sends the writer's syncs here (--wrap): while the disk hangs they do not come back. */
int __real_fdatasync(int fd);
int __wrap_fdatasync(int fd) __attribute__((used));
static atomic_bool hangs;

int __wrap_fdatasync(int fd)
{
    while (atomic_load(&hangs))
        poll(NULL, 0, 1);
    return __real_fdatasync(fd);
}

static char folder[64];

static void make_folder(void)
{
    snprintf(folder, sizeof folder, "/tmp/run_writer.XXXXXX");
    cr_assert_not_null(mkdtemp(folder));
}

static void remove_folder(void)
{
    DIR *d = opendir(folder);
    struct dirent *entry;
    char path[512];
    while (d != NULL && (entry = readdir(d)) != NULL) {
        snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
        unlink(path);
    }
    if (d != NULL)
        closedir(d);
    rmdir(folder);
}

TestSuite(run_writer, .init = make_folder, .fini = remove_folder);

static struct raw_sample sample_at(int64_t i)
{
    return (struct raw_sample){.time_us = 1009 * i,
                               .force_counts = (int32_t)(8123 - 37 * i),
                               .commanded_steps = (int32_t)(13 * i),
                               .encoder_counts = (int32_t)(i * i % 101),
                               .flags = (uint8_t)(i % 3 == 2)};
}

/* What the head of a journal needs. */
static struct run_record record_of(int number)
{
    struct run_record r = {.number = number,
                           .feeder = "gear-8mm",
                           .speed_mm_s = 5,
                           .block = 1,
                           .order = number,
                           .drive_diameter_mm = 8,
                           .reduction = 1,
                           .full_steps_per_rev = 200,
                           .microsteps = 16,
                           .mm_per_microstep = 0.00785,
                           .simulated = true,
                           .start_time = "2031-03-02T09:15:00Z",
                           .sample_rate_hz = 1000,
                           .counts_min = -8388608,
                           .counts_max = 8388607,
                           .link_recorded = true};
    return r;
}

static enum err_code open_writer(int number, bool encoder, size_t queue_rows, struct run_writer **w,
                                 struct err *e)
{
    struct run_record record = record_of(number);
    return run_writer_open(folder, &record, encoder, queue_rows, w, e);
}

static char *path_of(const char *name)
{
    static char path[512];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return path;
}

static off_t size_of(const char *name)
{
    struct stat status;
    return stat(path_of(name), &status) == 0 ? status.st_size : -1;
}

static size_t content_of(const char *name, char *text, size_t size)
{
    FILE *f = fopen(path_of(name), "r");
    size_t length;
    cr_assert_not_null(f, "%s", name);
    length = fread(text, 1, size - 1, f);
    text[length] = 0;
    fclose(f);
    return length;
}

Test(run_writer, rows_are_what_was_pushed)
{
    struct run_writer *w;
    struct run_columns columns;
    struct err e = {0};
    struct run_written written;
    cr_assert_eq(open_writer(7, true, 4096, &w, &e), ERR_OK, "%s", e.text);
    for (int64_t i = 0; i < 1900; i += 19) {
        struct raw_sample batch[19];
        for (int64_t j = 0; j < 19; j++)
            batch[j] = sample_at(i + j);
        cr_assert_eq(run_writer_push(w, batch, 19), 0);
    }
    cr_assert_eq(run_writer_close(w, &written, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(written.rows, 1900);
    cr_expect_gt(written.durable_within_us, 0);
    cr_expect_eq(size_of("0007.csv"), -1, "its name is given by somebody else");
    cr_assert_eq(run_csv_read(path_of("0007.csv.part"), &columns, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(columns.n, 1900);
    for (int64_t i = 0; i < 1900; i++) {
        struct raw_sample s = sample_at(i);
        cr_assert_eq(columns.time_us[i], s.time_us);
        cr_assert_eq(columns.force_counts[i], s.force_counts);
        cr_assert_eq(columns.commanded_steps[i], s.commanded_steps);
        cr_assert_eq(columns.encoder_counts[i], s.encoder_counts);
        cr_assert_eq(columns.flags[i], s.flags);
    }
    run_columns_free(&columns);
}

Test(run_writer, an_unfinished_run_is_a_part_with_whole_rows)
{
    struct run_writer *w;
    struct err e = {0};
    char text[4096];
    size_t length;
    struct run_written written;
    cr_assert_eq(open_writer(12, false, 256, &w, &e), ERR_OK, "%s", e.text);
    length = content_of("0012.csv.part", text, sizeof text);
    cr_expect_str_eq(text, RUN_CSV_HEADER "\n", "the header is there from the start");
    for (int64_t i = 0; i < 5; i++) {
        struct raw_sample s = sample_at(i);
        cr_assert_eq(run_writer_push(w, &s, 1), 0);
    }
    /* They must be in the file without anybody finishing it; 10 s is far beyond the promised 200 ms. */
    for (int i = 0; i < 1000 && size_of("0012.csv.part") < (off_t)length + 5 * 10; i++)
        poll(NULL, 0, 10);
    length = content_of("0012.csv.part", text, sizeof text);
    cr_expect_eq(text[length - 1], '\n');
    cr_expect(strstr(text, "\n4036,7975,52,,0\n") != NULL, "without an encoder its column is empty: %s",
              text);
    cr_assert_eq(run_writer_close(w, &written, &e), ERR_OK);
    cr_expect_eq(written.rows, 5);
}

Test(run_writer, rows_are_durable_soon_and_the_longest_wait_is_told)
{
    struct run_writer *w;
    struct run_written written;
    struct err e = {0};
    struct raw_sample s = sample_at(1);
    cr_assert_eq(open_writer(4, true, 256, &w, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(run_writer_waiting_us(w), 0, "nothing waits before there is anything");
    cr_assert_eq(run_writer_push(w, &s, 1), 0);
    /* Within the microsecond of the push too it waits. */
    for (int i = 0; i < 10000 && run_writer_waiting_us(w) > 0; i++)
        poll(NULL, 0, 1);
    cr_expect_eq(run_writer_waiting_us(w), 0, "made durable without a further row");
    cr_assert_eq(run_writer_close(w, &written, &e), ERR_OK);
    cr_expect_gt(written.durable_within_us, 0);
    cr_expect_lt(written.durable_within_us, 10000000);
}

/* Long before anything can be said of the rows. */
Test(run_writer, a_disk_that_does_not_come_back_is_seen)
{
    struct run_writer *w;
    struct run_written written;
    struct err e = {0};
    struct raw_sample s = sample_at(1);
    int64_t silent_us = 0;
    cr_assert_eq(open_writer(4, true, 256, &w, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(run_writer_silent_us(w), 0, "it owes nothing");
    atomic_store(&hangs, true);
    cr_assert_eq(run_writer_push(w, &s, 1), 0);
    for (int i = 0; i < 20000 && silent_us < 50000; i++) {
        poll(NULL, 0, 1);
        silent_us = run_writer_silent_us(w);
    }
    cr_expect_geq(silent_us, 50000, "it grows: %lld", (long long)silent_us);
    cr_expect_gt(run_writer_waiting_us(w), 0);
    cr_expect_eq(run_writer_state(w, &e), ERR_OK, "it has not failed");
    atomic_store(&hangs, false);
    for (int i = 0; i < 20000 && (run_writer_silent_us(w) > 0 || run_writer_waiting_us(w) > 0); i++)
        poll(NULL, 0, 1);
    cr_expect_eq(run_writer_silent_us(w), 0);
    cr_expect_eq(run_writer_waiting_us(w), 0);
    cr_assert_eq(run_writer_close(w, &written, &e), ERR_OK);
    cr_expect_eq(written.rows, 1, "nothing is lost by it");
}

Test(run_writer, the_journal_is_durable_before_the_rows_and_grows_with_them)
{
    static const struct run_event EVENT = {.time_us = 1009, .text = "armed"};
    static const struct run_gap GAP = {.time_us = 2018, .places = 1, .frames = 3, .samples = 57};
    struct run_writer *w;
    struct run_written written;
    struct run_record back;
    struct err e = {0};
    struct raw_sample s = sample_at(2);
    char line[RUN_JOURNAL_LINE_MAX];
    cr_assert_eq(open_writer(6, true, 256, &w, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_journal_read(path_of("0006.json.part"), &back, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(back.ended, RUN_INTERRUPTED);
    cr_expect_str_eq(back.feeder, "gear-8mm");
    cr_expect_eq(back.event_count, 0);
    run_record_free(&back);
    run_writer_push(w, &s, 1);
    run_writer_journal(w, line, run_journal_format_event(&EVENT, line));
    run_writer_journal(w, line, run_journal_format_gap(&GAP, line));
    run_writer_journal(w, line, run_journal_format_push_start(1009, line));
    cr_assert_eq(run_writer_close(w, &written, &e), ERR_OK);
    cr_assert_eq(run_journal_read(path_of("0006.json.part"), &back, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(back.event_count, 1);
    cr_expect_str_eq(back.events[0].text, "armed");
    cr_assert_eq(back.link.gap_count, 1);
    cr_expect_eq(back.link_gaps[0].samples, 57);
    cr_expect_eq(back.push_start_us, 1009);
    run_record_free(&back);
}

Test(run_writer, an_existing_run_is_never_replaced)
{
    struct run_writer *w;
    struct err e = {0};
    char text[64];
    FILE *f = fopen(path_of("0003.csv.part"), "w");
    fputs("earlier", f);
    fclose(f);
    cr_expect_eq(open_writer(3, true, 16, &w, &e), ERR_SYSTEM, "a part of an earlier run is in the way");
    cr_expect_null(w);
    cr_expect(strstr(e.file, "0003.csv.part") != NULL, "%s", e.file);
    content_of("0003.csv.part", text, sizeof text);
    cr_expect_str_eq(text, "earlier");
    cr_expect_eq(size_of("0003.json.part"), -1, "the journal that was begun is gone again");
}

Test(run_writer, a_symbolic_link_in_the_way_is_not_followed)
{
    struct run_writer *w;
    struct err e = {0};
    char target[512];
    snprintf(target, sizeof target, "%s/elsewhere", folder);
    cr_assert_eq(symlink(target, path_of("0005.csv.part")), 0);
    cr_expect_eq(open_writer(5, true, 16, &w, &e), ERR_SYSTEM);
    cr_expect_eq(size_of("elsewhere"), -1);
}

Test(run_writer, a_full_queue_loses_samples_and_says_how_many)
{
    struct run_writer *w;
    struct err e = {0};
    struct raw_sample batch[50];
    struct run_written written;
    for (int64_t i = 0; i < 50; i++)
        batch[i] = sample_at(i);
    cr_assert_eq(open_writer(1, true, 13, &w, &e), ERR_OK);
    cr_expect_eq(run_writer_push(w, batch, 50), 37);
    cr_assert_eq(run_writer_close(w, &written, &e), ERR_OK);
    cr_expect_eq(written.rows, 13);
}

/* Pushed as fast as they are taken, so that the ring goes round many times while it is being written from. */
Test(run_writer, rows_keep_their_order_through_a_full_queue)
{
    struct run_writer *w;
    struct run_columns columns;
    struct err e = {0};
    struct run_written written;
    int64_t next = 0;
    cr_assert_eq(open_writer(8, true, 9001, &w, &e), ERR_OK, "%s", e.text);
    for (int64_t i = 0; next < 500000; i++) {
        struct raw_sample batch[13];
        size_t count = (size_t)(1 + i % 13);
        size_t at = 0;
        for (size_t j = 0; j < count; j++)
            batch[j] = sample_at(next++);
        while (at < count) {
            size_t lost = run_writer_push(w, batch + at, count - at);
            at = count - lost;
            if (lost > 0)
                sched_yield(); /* until there is room again */
        }
    }
    cr_assert_eq(run_writer_close(w, &written, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(written.rows, next);
    cr_assert_eq(run_csv_read(path_of("0008.csv.part"), &columns, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(columns.n, (size_t)next);
    for (int64_t i = 0; i < next; i++) {
        cr_assert_eq(columns.time_us[i], sample_at(i).time_us);
        cr_assert_eq(columns.encoder_counts[i], sample_at(i).encoder_counts);
    }
    run_columns_free(&columns);
}

Test(run_writer, the_queue_holds_longer_than_the_host_is_patient_with_a_disk)
{
    static const double RATES_HZ[] = {1, 80, 1000, 100000, 131072, 1000000};
    for (size_t i = 0; i < sizeof RATES_HZ / sizeof RATES_HZ[0]; i++)
        cr_expect_geq((double)run_writer_queue_rows(RATES_HZ[i]), 2.5 * RATES_HZ[i], "%g Hz", RATES_HZ[i]);
}

Test(run_writer, a_full_disk_is_reported_and_leaves_whole_rows)
{
    /* A limit on the size of files stands for a full disk: the write that meets it is short, the next one
     * fails. */
    const struct rlimit limit = {.rlim_cur = 1000, .rlim_max = RLIM_INFINITY};
    struct run_written written;
    struct run_writer *w;
    struct err e = {0};
    char text[4096];
    size_t length;
    int64_t rows;
    struct raw_sample batch[200];
    signal(SIGXFSZ, SIG_IGN);
    for (int64_t i = 0; i < 200; i++)
        batch[i] = sample_at(i);
    cr_assert_eq(open_writer(2, true, 1024, &w, &e), ERR_OK);
    cr_assert_eq(setrlimit(RLIMIT_FSIZE, &limit), 0);
    run_writer_push(w, batch, 200);
    for (int i = 0; i < 1000 && run_writer_state(w, &e) == ERR_OK; i++)
        poll(NULL, 0, 10);
    cr_expect_eq(e.code, ERR_SYSTEM);
    cr_expect(strstr(e.file, "0002.csv.part") != NULL, "%s", e.file);
    cr_expect_eq(run_writer_close(w, &written, &e), ERR_SYSTEM);
    rows = written.rows;
    length = content_of("0002.csv.part", text, sizeof text);
    cr_assert_gt(length, 900);
    cr_expect_eq(text[length - 1], '\n');
    cr_expect_gt(rows, 20);
    for (size_t i = 0; i < length; i++)
        rows -= text[i] == '\n';
    cr_expect_eq(rows, -1, "the rows told are the rows there, besides the header");
}

Test(run_writer, a_run_without_rows_leaves_no_file)
{
    struct run_writer *w;
    struct run_written written;
    struct run_record record;
    struct err e = {0};
    cr_assert_eq(open_writer(9, true, 16, &w, &e), ERR_OK);
    run_writer_abandon(w);
    cr_expect_eq(size_of("0009.csv.part"), -1);
    cr_expect_eq(size_of("0009.json.part"), -1);
    cr_assert_eq(open_writer(9, true, 16, &w, &e), ERR_OK);
    cr_assert_eq(run_writer_close(w, &written, &e), ERR_OK);
    cr_expect_eq(written.rows, 0);
    cr_expect_eq(size_of("0009.csv.part"), -1);
    cr_expect_eq(size_of("0009.json.part"), -1);
    record = record_of(9);
    cr_expect_eq(run_writer_open("/nonexistent/runs", &record, true, 16, &w, &e), ERR_SYSTEM);
    cr_expect_str_eq(e.file, "/nonexistent/runs");
}
