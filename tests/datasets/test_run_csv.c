#include "datasets/format/run_csv.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define HEADER RUN_CSV_HEADER "\n"

TestSuite(run_csv, .init = scratch_begin, .fini = scratch_end);

Test(run_csv, a_row_comes_back_as_it_was)
{
    static const struct raw_sample rows[] = {
        {0, 0, 0, 0, 0},
        {1234567, -8131, 20917, -33, RUN_FLAG_LIMIT_SWITCH | RUN_FLAG_OVER_RANGE},
        {INT64_MAX, INT32_MIN, INT32_MIN, INT32_MIN, 255},
        {INT64_MAX, INT32_MAX, INT32_MAX, INT32_MAX, 200},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        for (int encoder = 0; encoder < 2; encoder++) {
            char text[RUN_CSV_ROW_BYTES_MAX];
            struct raw_sample back;
            bool back_encoder;
            struct err e;
            size_t length = run_csv_format_row(&rows[i], encoder == 1, text);
            cr_assert(length < sizeof text && text[length - 1] == '\n');
            cr_assert_eq(run_csv_parse_row(text, length - 1, &back, &back_encoder, &e), ERR_OK, "%s", e.text);
            cr_expect_eq(back_encoder, encoder == 1);
            cr_expect_eq(back.time_us, rows[i].time_us);
            cr_expect_eq(back.force_counts, rows[i].force_counts);
            cr_expect_eq(back.commanded_steps, rows[i].commanded_steps);
            cr_expect_eq(back.encoder_counts, encoder == 1 ? rows[i].encoder_counts : 0);
            cr_expect_eq(back.flags, rows[i].flags);
        }
    }
    char text[RUN_CSV_ROW_BYTES_MAX];
    run_csv_format_row(&rows[1], false, text);
    cr_expect(strncmp(text, "1234567,-8131,20917,,5\n", 23) == 0, "%s", text);
}

Test(run_csv, a_file_is_read_into_columns)
{
    struct run_columns c;
    struct err e;
    cr_assert_eq(
        run_csv_read(scratch_write("r.csv", HEADER "17,-5031,4,91,0\n17,212,5,-92,3\n1043,7,6,93,8\n"), &c,
                     &e),
        ERR_OK, "%s", e.text);
    cr_assert_eq(c.n, 3);
    cr_expect(c.time_us[1] == 17 && c.time_us[2] == 1043);
    cr_expect(c.force_counts[0] == -5031 && c.force_counts[1] == 212);
    cr_expect(c.commanded_steps[2] == 6);
    cr_assert_not_null(c.encoder_counts);
    cr_expect(c.encoder_counts[1] == -92);
    cr_expect(c.flags[1] == 3 && c.flags[2] == 8);
    run_columns_free(&c);
    cr_expect(c.n == 0 && c.time_us == NULL);
    run_columns_free(&c);
    run_columns_free(NULL);
    cr_assert_eq(run_csv_read(scratch_write("r.csv", HEADER "17,1,2,,0\n18,1,2,,0\n"), &c, &e), ERR_OK, "%s",
                 e.text);
    cr_expect(c.n == 2 && c.encoder_counts == NULL);
    run_columns_free(&c);
    cr_assert_eq(run_csv_read(scratch_write("r.csv", HEADER), &c, &e), ERR_OK, "%s", e.text);
    cr_expect(c.n == 0, "a run may end before its first sample");
    run_columns_free(&c);
}

Test(run_csv, what_is_no_row_is_refused_with_line_and_column)
{
    static const struct {
        const char *legend, *row;
        int64_t column;
        const char *message;
    } rows[] = {
        {"no row", "", 1, "time_us: is empty"},
        {"a word", "17,fast,3,,0", 4, "force_counts: 'fast' is not a whole number"},
        {"a fraction", "17,2.5,3,,0", 4, "force_counts: '2.5' is not a whole number"},
        {"a hexadecimal number", "0x17,2,3,,0", 1, "time_us: '0x17'"},
        {"a blank before a number", "17, 2,3,,0", 4, "' 2' is not a whole number"},
        {"a plus sign", "17,+2,3,,0", 4, "'+2' is not a whole number"},
        {"a minus sign alone", "17,-,3,,0", 4, "'-' is not a whole number"},
        {"a quoted number", "17,\"2\",3,,0", 4, "is not a whole number"},
        {"not a number", "17,nan,3,,0", 4, "'nan' is not"},
        {"a carriage return", "17,2,3,,0\r", 9, "flags"},
        {"a negative time", "-17,2,3,,0", 1, "time_us: -17 is outside 0 to"},
        {"a time past 64 bits", "9223372036854775808,2,3,,0", 1, "outside 0 to 9223372036854775807"},
        {"a time of 25 digits", "1000000000000000000000017,2,3,,0", 1, "outside"},
        {"a force past 32 bits", "17,2147483648,3,,0", 4, "outside -2147483648 to 2147483647"},
        {"a force below 32 bits", "17,-2147483649,3,,0", 4, "outside"},
        {"a force of 21 digits, which wraps to 5", "17,184467440737095516165,3,,0", 4, "outside"},
        {"steps past 32 bits", "17,2,99999999999,,0", 6, "commanded_steps: 99999999999 is outside"},
        {"an encoder past 32 bits", "17,2,3,2147483648,0", 8, "encoder_counts"},
        {"an encoder word", "17,2,3,x,0", 8, "encoder_counts: 'x'"},
        {"flags past 8 bits", "17,2,3,,256", 9, "flags: 256 is outside 0 to 255"},
        {"negative flags", "17,2,3,,-1", 9, "flags: -1 is outside"},
        {"no flags", "17,2,3,,", 9, "flags: is empty"},
        {"an empty force", "17,,3,,0", 4, "force_counts: is empty"},
        {"three fields", "17,2,3", 6, "5 fields; this one ends after commanded_steps"},
        {"four fields", "17,2,3,4", 8, "5 fields; this one ends after encoder_counts"},
        {"six fields", "17,2,3,,0,1", 9, "5 fields; this one goes on after flags"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[512];
        struct raw_sample s = {.time_us = 77};
        struct run_columns c;
        struct err e = {0};
        bool encoder;
        cr_expect_eq(run_csv_parse_row(rows[i].row, strlen(rows[i].row), &s, &encoder, &e), ERR_FILE, "%s",
                     rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && e.column == rows[i].column, "%s: %ld: %s",
                  rows[i].legend, (long)e.column, e.text);
        cr_expect_eq(s.time_us, 77, "%s: a refused row leaves the sample", rows[i].legend);
        snprintf(text, sizeof text, HEADER "16,1,2,,0\n%s\n18,1,2,,0\n", rows[i].row);
        cr_expect_eq(run_csv_read(scratch_write("r.csv", text), &c, &e), ERR_FILE, "%s", rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && e.line == 3 && e.column == rows[i].column &&
                      strstr(e.file, "/r.csv") != NULL,
                  "%s: %s:%ld:%ld: %s", rows[i].legend, e.file, (long)e.line, (long)e.column, e.text);
        cr_expect_null(c.time_us, "%s", rows[i].legend);
    }
}

Test(run_csv, a_row_in_memory_is_bounded)
{
    char row[200];
    struct raw_sample s;
    bool encoder;
    struct err e;
    memset(row, '0', sizeof row);
    cr_expect_eq(run_csv_parse_row(row, sizeof row, &s, &encoder, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "200 bytes is too long"));
    cr_expect_eq(run_csv_parse_row("1,2,3,,0\n", 9, &s, &encoder, &e), ERR_FILE);
    cr_expect_eq(run_csv_parse_row("1,2\0,3,,0", 9, &s, &encoder, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "NUL"));
}

Test(run_csv, what_is_no_run_file_is_refused)
{
    static const struct {
        const char *legend, *text;
        int64_t line;
        const char *message;
    } rows[] = {
        {"an empty file", "", 0, "is empty"},
        {"another header", "time_us,force_n\n1,2\n", 1, "first line must be"},
        {"a header that goes on", RUN_CSV_HEADER ",note\n", 1, "first line must be"},
        {"a header cut short", "time_us,force_c", 1, "first line must be"},
        {"a header without its end", RUN_CSV_HEADER, 1, "first line must be"},
        {"a header with CR LF", RUN_CSV_HEADER "\r\n17,2,3,,0\r\n", 1, "line feed alone"},
        {"a byte order mark", "\xEF\xBB\xBF" HEADER, 1, "first line must be"},
        {"no header", "17,2,3,,0\n", 1, "first line must be"},
        {"time that runs backward", HEADER "17,2,3,,0\n16,2,3,,0\n", 3,
         "time_us: 16 is before the row above (17)"},
        {"an encoder that comes late", HEADER "17,2,3,,0\n18,2,3,9,0\n", 3, "in every row or in none"},
        {"an encoder that goes", HEADER "17,2,3,9,0\n18,2,3,,0\n", 3, "in every row or in none"},
        {"an empty line at the end", HEADER "17,2,3,,0\n\n", 3, "time_us: is empty"},
        {"a bad row before a cut one", HEADER "17,x,3,,0\n18,2,", 3, "cut short"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct run_columns c;
        struct err e = {0};
        cr_expect_eq(run_csv_read(scratch_write("r.csv", rows[i].text), &c, &e), ERR_FILE, "%s",
                     rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && e.line == rows[i].line, "%s: %ld: %s",
                  rows[i].legend, (long)e.line, e.text);
        cr_expect(c.time_us == NULL && c.n == 0, "%s", rows[i].legend);
    }
}

Test(run_csv, truncated_last_row_is_reported)
{
    static const char whole[] = HEADER "17,-5031,4,91,0\n1043,212,5,92,3\n";
    size_t first_row = sizeof HEADER - 1 + 16;
    for (size_t cut = sizeof HEADER; cut < sizeof whole - 1; cut++) {
        struct run_columns c;
        struct err e = {0};
        enum err_code code = run_csv_read(scratch_write_bytes("r.csv", whole, cut), &c, &e);
        if (cut == first_row) {
            cr_expect(code == ERR_OK && c.n == 1, "cut after a whole row");
        } else {
            cr_expect_eq(code, ERR_FILE, "cut at %zu", cut);
            cr_expect(strstr(e.text, "cut short") != NULL && e.line == (cut < first_row ? 2 : 3),
                      "cut at %zu: %ld: %s", cut, (long)e.line, e.text);
        }
        run_columns_free(&c);
    }
}

Test(run_csv, a_row_without_end_is_no_trouble)
{
    /* A hostile file: one row of 3 MB. */
    size_t header = sizeof HEADER - 1;
    size_t size = 3 * 1024 * 1024;
    char *text = malloc(size);
    struct run_columns c;
    struct err e;
    memset(text, '7', size);
    memcpy(text, HEADER, header);
    text[size - 1] = '\n';
    cr_expect_eq(run_csv_read(scratch_write_bytes("r.csv", text, size), &c, &e), ERR_FILE);
    cr_expect(e.line == 2 && strstr(e.text, "outside") != NULL, "%s", e.text);
    memset(text + header, 0, size - header - 1);
    cr_expect_eq(run_csv_read(scratch_write_bytes("r.csv", text, size), &c, &e), ERR_FILE);
    free(text);
}

Test(run_csv, what_is_no_file_is_refused)
{
    struct run_columns c;
    struct err e;
    cr_expect_eq(run_csv_read(scratch_path("none.csv"), &c, &e), ERR_FILE);
    cr_expect(strstr(e.text, "No such file") != NULL && strstr(e.file, "none.csv") != NULL);
    cr_expect_eq(run_csv_read(scratch_path(""), &c, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "not a regular file"));
    cr_assert_eq(mkfifo(scratch_path("pipe"), 0600), 0);
    cr_expect_eq(run_csv_read(scratch_path("pipe"), &c, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "not a regular file"));
    /* A sparse file one byte past the bound takes no room on the disk. */
    scratch_write("big.csv", HEADER);
    cr_assert_eq(truncate(scratch_path("big.csv"), (off_t)2 * 1024 * 1024 * 1024 + 1), 0);
    cr_expect_eq(run_csv_read(scratch_path("big.csv"), &c, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "at most 2147483648"), "%s", e.text);
}

Test(run_csv, the_start_of_a_file_is_read_as_if_it_ended_there)
{
    const char *path = scratch_write("r.csv", RUN_CSV_HEADER "\n5,1,2,3,0\n6,1,2,3,0\n7,torn");
    size_t header = strlen(RUN_CSV_HEADER) + 1;
    struct run_columns c;
    struct err e;
    cr_expect_eq(run_csv_read(path, &c, &e), ERR_FILE);
    cr_assert_eq(run_csv_read_start(path, (int64_t)header + 20, &c, &e), ERR_OK, "%s", e.text);
    cr_expect(c.n == 2 && c.time_us[1] == 6);
    run_columns_free(&c);
    cr_assert_eq(run_csv_read_start(path, (int64_t)header, &c, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(c.n, 0);
    run_columns_free(&c);
    cr_expect_eq(run_csv_read_start(path, (int64_t)header + 19, &c, &e), ERR_FILE);
    cr_expect_eq(run_csv_read_start(path, (int64_t)header - 1, &c, &e), ERR_FILE);
    cr_expect_eq(run_csv_read_start(path, 0, &c, &e), ERR_FILE);
    cr_expect_eq(run_csv_read_start(path, 100000, &c, &e), ERR_FILE, "more than there is: the whole file");
}

Test(run_csv, the_first_row_from_a_time_on_is_found)
{
    int64_t times_us[] = {5, 10, 10, 10, 20};
    const struct run_columns c = {.n = sizeof times_us / sizeof times_us[0], .time_us = times_us};
    const struct run_columns none = {0};
    static const struct {
        int64_t time_us;
        size_t row;
    } cases[] = {{INT64_MIN, 0}, {5, 0}, {6, 1}, {10, 1}, {11, 4}, {20, 4}, {21, 5}, {INT64_MAX, 5}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        cr_expect_eq(run_columns_from(&c, cases[i].time_us), cases[i].row, "from %ld",
                     (long)cases[i].time_us);
    cr_expect_eq(run_columns_from(&none, 0), 0);
}
