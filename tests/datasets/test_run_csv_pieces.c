/* Run files of many pieces, read by one thread and by several: the same columns, the same hash, and the same
 * words for what is wrong with a row, whichever piece it is in. */
#include "datasets/format/run_csv_pieces.h"

#include "datasets/format/file_bytes.h"
#include "datasets/format/run_csv.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ROWS 700000

TestSuite(run_csv_pieces, .init = scratch_begin, .fini = scratch_end);

static char *text;
static size_t length;

static struct raw_sample sample_of(int64_t i)
{
    uint32_t noise = (uint32_t)i * 2654435761u >> 15;
    return (struct raw_sample){.time_us = 100 * i,
                               .force_counts = (int32_t)(noise % 70000) - 30000,
                               .commanded_steps = (int32_t)(i / 3) - 4000,
                               .encoder_counts = (int32_t)(noise % 1000) - 17,
                               .flags = (uint8_t)(i % 977 == 0 ? i % 256 : 0)};
}

/* Some 20 MB of rows, and more room behind them. */
static void make_text(bool encoder)
{
    text = malloc((size_t)ROWS * 40 + 1000);
    length = (size_t)sprintf(text, "%s\n", RUN_CSV_HEADER);
    for (int64_t i = 0; i < ROWS; i++) {
        struct raw_sample s = sample_of(i);
        length += run_csv_format_row(&s, encoder, text + length);
    }
}

static char *row_at(size_t i)
{
    char *row = text;
    for (size_t line = 0; line < i + 1; line++)
        row = strchr(row, '\n') + 1;
    return row;
}

static enum err_code read_text(int threads, struct run_columns *c, char *hash, int64_t *size, struct err *e)
{
    const struct run_csv_how how = {.threads = threads, .hash = hash, .size = size};
    *e = (struct err){0};
    return run_csv_read_how(scratch_path("r.csv"), &how, c, e);
}

static void want_columns(const struct run_columns *c, bool encoder, int threads)
{
    size_t bad = 0;
    cr_assert_eq(c->n, ROWS, "%d threads: %zu rows", threads, c->n);
    for (int64_t i = 0; i < ROWS; i++) {
        struct raw_sample s = sample_of(i);
        bad += c->time_us[i] != s.time_us || c->force_counts[i] != s.force_counts ||
               c->commanded_steps[i] != s.commanded_steps || c->flags[i] != s.flags ||
               (encoder && c->encoder_counts[i] != s.encoder_counts);
    }
    cr_expect_eq(bad, 0, "%d threads: %zu rows differ", threads, bad);
    cr_expect_eq(c->encoder_counts != NULL, encoder);
}

Test(run_csv_pieces, any_number_of_threads_reads_the_same_columns_and_hash)
{
    for (int encoder = 0; encoder < 2; encoder++) {
        char wanted[FILE_BYTES_HASH_SIZE];
        struct err e;
        make_text(encoder == 1);
        scratch_write_bytes("r.csv", text, length);
        cr_assert_eq(file_bytes_hash(scratch_path("r.csv"), wanted, NULL, &e), ERR_OK);
        for (int threads = 0; threads < 6; threads++) {
            char hash[FILE_BYTES_HASH_SIZE] = "";
            int64_t size = 0;
            struct run_columns c;
            cr_assert_eq(read_text(threads, &c, hash, &size, &e), ERR_OK, "%s", e.text);
            want_columns(&c, encoder == 1, threads);
            cr_expect_str_eq(hash, wanted);
            cr_expect_eq(size, (int64_t)length);
            run_columns_free(&c);
            cr_assert_eq(read_text(threads, &c, NULL, NULL, &e), ERR_OK, "%s", e.text);
            want_columns(&c, encoder == 1, threads);
            run_columns_free(&c);
        }
        free(text);
    }
}

/* What is wrong is told by its line, and the first of several things wrong is the one. */
Test(run_csv_pieces, a_bad_row_of_any_piece_is_told_by_its_line)
{
    static const struct {
        size_t row;
        const char *from, *to, *message;
    } cases[] = {
        {0, "0,", "x,", "time_us: 'x' is not a whole number"},
        {1, ",", ",x", "force_counts: 'x"},
        {9103, ",", ",9", "force_counts: 9"},
        {350000, "3500", "0500", "is before the row above"},
        {699999, "\n", "\r", "flags"},
        {400001, ",", ";", "time_us: '40000100;"},
    };
    make_text(true);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char *row = row_at(cases[i].row);
        char saved[200];
        char *at;
        memcpy(saved, row, sizeof saved);
        at = strstr(row, cases[i].from);
        memcpy(at, cases[i].to, strlen(cases[i].to));
        if (cases[i].row == 9103)
            memcpy(at, ",99999999999", 12);
        if (cases[i].row == 699999) {
            text[length - 1] = '\r';
            text[length++] = '\n';
        }
        scratch_write_bytes("r.csv", text, length);
        for (int threads = 1; threads < 5; threads++) {
            char hash[FILE_BYTES_HASH_SIZE];
            struct run_columns c;
            struct err e;
            cr_expect_eq(read_text(threads, &c, hash, NULL, &e), ERR_FILE, "case %zu", i);
            cr_expect(e.line == (int64_t)cases[i].row + 2 && strstr(e.text, cases[i].message) != NULL,
                      "case %zu, %d threads: line %ld: %s", i, threads, (long)e.line, e.text);
            cr_expect(c.n == 0 && c.time_us == NULL);
        }
        if (cases[i].row == 699999)
            length--;
        memcpy(row, saved, sizeof saved);
        text[length - 1] = '\n';
    }
    /* Two of them, the second one in an earlier place of its piece. */
    *row_at(600000) = 'y';
    *row_at(300000) = 'x';
    scratch_write_bytes("r.csv", text, length);
    for (int threads = 1; threads < 4; threads++) {
        struct run_columns c;
        struct err e;
        cr_expect_eq(read_text(threads, &c, NULL, NULL, &e), ERR_FILE);
        cr_expect_eq(e.line, 300002);
    }
    free(text);
}

/* Every row in turn around the places where pieces meet: time that runs backward just there is seen too. */
Test(run_csv_pieces, time_that_runs_backward_where_pieces_meet_is_seen)
{
    size_t found = 0;
    make_text(false);
    for (size_t boundary = sizeof RUN_CSV_HEADER + 256 * 1024; boundary < length && found < 6;
         boundary += 256 * 1024) {
        /* The piece ends behind the last line feed in reach, so the row that holds the boundary begins the
         * next. */
        char *row = memrchr(text, '\n', boundary);
        char saved;
        struct run_columns c;
        struct err e;
        row++;
        saved = *row;
        if (saved == '0')
            continue;
        *row = '0';
        scratch_write_bytes("r.csv", text, length);
        for (int threads = 1; threads < 3; threads++) {
            cr_expect_eq(read_text(threads, &c, NULL, NULL, &e), ERR_FILE, "at %zu", boundary);
            cr_expect(strstr(e.text, "is before the row above") != NULL, "at %zu: %s", boundary, e.text);
        }
        *row = saved;
        boundary = (size_t)(row - text);
        found++;
    }
    cr_expect_eq(found, 6);
    free(text);
}

Test(run_csv_pieces, an_encoder_that_comes_or_goes_in_a_later_piece_is_seen)
{
    for (int encoder = 0; encoder < 2; encoder++) {
        char *row;
        make_text(encoder == 1);
        row = row_at(555555);
        if (encoder ==
            1) /* ",e,f" becomes ",,..." with the digits moved into the flags' place: still 5 fields */
            memmove(strchr(strchr(strchr(row, ',') + 1, ',') + 1, ',') + 1, ",0\n", 3);
        else
            memcpy(strchr(strchr(row, ',') + 1, ','), ",7,1,0\n", 7);
        scratch_write_bytes("r.csv", text, length);
        for (int threads = 1; threads < 4; threads++) {
            struct run_columns c;
            struct err e;
            cr_expect_eq(read_text(threads, &c, NULL, NULL, &e), ERR_FILE);
            cr_expect(e.line == 555557 && strstr(e.text, "in every row or in none") != NULL, "line %ld: %s",
                      (long)e.line, e.text);
        }
        free(text);
    }
}

/* Rows in the middle that are far shorter than those at both ends: more of them than the ends let expect. */
Test(run_csv_pieces, more_rows_than_were_to_be_expected_are_read)
{
    const size_t ends = 20000, middle = 900000;
    char wanted[FILE_BYTES_HASH_SIZE];
    struct err e;
    text = malloc(2 * ends * 60 + middle * 10 + 1000);
    length = (size_t)sprintf(text, "%s\n", RUN_CSV_HEADER);
    for (size_t i = 0; i < ends; i++)
        length += (size_t)sprintf(text + length, "%019d,%010d,1,,0\n", 0, 5);
    for (size_t i = 0; i < middle; i++)
        length += (size_t)sprintf(text + length, "9,1,2,,0\n");
    for (size_t i = 0; i < ends; i++)
        length += (size_t)sprintf(text + length, "%019zu,%010d,1,,0\n", 10 + i, 5);
    scratch_write_bytes("r.csv", text, length);
    cr_assert_eq(file_bytes_hash(scratch_path("r.csv"), wanted, NULL, &e), ERR_OK);
    for (int threads = 1; threads < 4; threads++) {
        char hash[FILE_BYTES_HASH_SIZE];
        struct run_columns c;
        cr_assert_eq(read_text(threads, &c, hash, NULL, &e), ERR_OK, "line %ld: %s", (long)e.line, e.text);
        cr_expect(c.n == 2 * ends + middle && c.time_us[ends] == 9 &&
                  c.time_us[c.n - 1] == 10 + (int64_t)ends - 1);
        cr_expect_str_eq(hash, wanted);
        run_columns_free(&c);
    }
    free(text);
}

Test(run_csv_pieces, a_row_longer_than_pieces_is_told)
{
    make_text(true);
    memset(row_at(100000), '7', 3 * 1000 * 1000);
    scratch_write_bytes("r.csv", text, length);
    for (int threads = 1; threads < 4; threads++) {
        struct run_columns c;
        struct err e;
        cr_expect_eq(read_text(threads, &c, NULL, NULL, &e), ERR_FILE);
        cr_expect(e.line == 100002 && strstr(e.text, "is outside") != NULL, "line %ld: %s", (long)e.line,
                  e.text);
    }
    free(text);
}
