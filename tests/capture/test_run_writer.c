/* The writer of runs: whole rows, durable soon, named only when complete, never replacing anything. */
#include "capture/run_writer.h"

#include <criterion/criterion.h>
#include <dirent.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

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
    int64_t rows = 0;
    cr_assert_eq(run_writer_open(folder, 7, true, 4096, &w, &e), ERR_OK, "%s", e.text);
    for (int64_t i = 0; i < 1900; i += 19) {
        struct raw_sample batch[19];
        for (int64_t j = 0; j < 19; j++)
            batch[j] = sample_at(i + j);
        cr_assert_eq(run_writer_push(w, batch, 19), 0);
    }
    cr_assert_eq(run_writer_finish(w, &rows, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(rows, 1900);
    cr_expect_eq(size_of("0007.csv.part"), -1);
    cr_assert_eq(run_csv_read(path_of("0007.csv"), &columns, &e), ERR_OK, "%s", e.text);
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
    int64_t rows;
    cr_assert_eq(run_writer_open(folder, 12, false, 256, &w, &e), ERR_OK, "%s", e.text);
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
    cr_expect_eq(size_of("0012.csv"), -1);
    cr_assert_eq(run_writer_finish(w, &rows, &e), ERR_OK);
    cr_expect_eq(rows, 5);
    cr_expect_gt(size_of("0012.csv"), 0);
}

Test(run_writer, an_existing_run_is_never_replaced)
{
    struct run_writer *w;
    struct err e = {0};
    struct raw_sample s = sample_at(3);
    char text[64];
    int64_t rows;
    FILE *f = fopen(path_of("0003.csv"), "w");
    fputs("earlier", f);
    fclose(f);
    cr_assert_eq(run_writer_open(folder, 3, true, 16, &w, &e), ERR_OK, "%s", e.text);
    run_writer_push(w, &s, 1);
    cr_expect_eq(run_writer_finish(w, &rows, &e), ERR_SYSTEM);
    cr_expect(strstr(e.file, "0003.csv") != NULL, "%s", e.file);
    content_of("0003.csv", text, sizeof text);
    cr_expect_str_eq(text, "earlier");
    cr_expect_gt(size_of("0003.csv.part"), 0, "what was recorded stays too");
    cr_expect_eq(run_writer_open(folder, 3, true, 16, &w, &e), ERR_SYSTEM,
                 "a part of an earlier run is in the way");
    cr_expect_null(w);
}

Test(run_writer, a_full_queue_loses_samples_and_says_how_many)
{
    struct run_writer *w;
    struct err e = {0};
    struct raw_sample batch[50];
    int64_t rows;
    for (int64_t i = 0; i < 50; i++)
        batch[i] = sample_at(i);
    cr_assert_eq(run_writer_open(folder, 1, true, 13, &w, &e), ERR_OK);
    cr_expect_eq(run_writer_push(w, batch, 50), 37);
    cr_assert_eq(run_writer_finish(w, &rows, &e), ERR_OK);
    cr_expect_eq(rows, 13);
}

Test(run_writer, a_full_disk_is_reported_and_leaves_whole_rows)
{
    /* A limit on the size of files stands for a full disk: the write that meets it is short, the next one
     * fails. */
    const struct rlimit limit = {.rlim_cur = 1000, .rlim_max = RLIM_INFINITY};
    struct run_writer *w;
    struct err e = {0};
    char text[4096];
    size_t length;
    int64_t rows = 0;
    struct raw_sample batch[200];
    signal(SIGXFSZ, SIG_IGN);
    for (int64_t i = 0; i < 200; i++)
        batch[i] = sample_at(i);
    cr_assert_eq(run_writer_open(folder, 2, true, 1024, &w, &e), ERR_OK);
    cr_assert_eq(setrlimit(RLIMIT_FSIZE, &limit), 0);
    run_writer_push(w, batch, 200);
    for (int i = 0; i < 1000 && run_writer_state(w, &e) == ERR_OK; i++)
        poll(NULL, 0, 10);
    cr_expect_eq(e.code, ERR_SYSTEM);
    cr_expect(strstr(e.file, "0002.csv.part") != NULL, "%s", e.file);
    cr_expect_eq(run_writer_finish(w, &rows, &e), ERR_SYSTEM);
    cr_expect_eq(size_of("0002.csv"), -1);
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
    struct err e = {0};
    cr_assert_eq(run_writer_open(folder, 9, true, 16, &w, &e), ERR_OK);
    run_writer_abandon(w);
    cr_expect_eq(size_of("0009.csv.part"), -1);
    cr_expect_eq(size_of("0009.csv"), -1);
    cr_expect_eq(run_writer_open("/nonexistent/runs", 9, true, 16, &w, &e), ERR_SYSTEM);
    cr_expect_str_eq(e.file, "/nonexistent/runs");
}
