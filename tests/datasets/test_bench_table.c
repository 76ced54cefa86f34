#include "datasets/format/bench_table.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(bench_table, .init = scratch_begin, .fini = scratch_end);

static struct bench_table t;

static void expect_read(const char *text)
{
    struct err e = {0};
    cr_assert_eq(bench_table_read(scratch_write("b.csv", text), &t, &e), ERR_OK, "%ld:%ld: %s", (long)e.line,
                 (long)e.column, e.text);
}

Test(bench_table, columns_may_stand_in_any_order)
{
    /* All 120 orders of five columns, by their factorial number. */
    static const char *const names[] = {"feeder", "bench", "operator", "refit", "stall_n"};
    static const char *const fields[] = {"gear-a", "north", "Kim", "2", "84.3125"};
    for (int order = 0; order < 120; order++) {
        char header[200] = "", row[200] = "", text[402];
        int left[5] = {0, 1, 2, 3, 4}, rest = order;
        for (int i = 5; i > 0; i--) {
            int pick = rest % i, column = left[pick];
            rest /= i;
            left[pick] = left[i - 1];
            strcat(strcat(header, i < 5 ? "," : ""), names[column]);
            strcat(strcat(row, i < 5 ? "," : ""), fields[column]);
        }
        snprintf(text, sizeof text, "%s\n%s\n", header, row);
        expect_read(text);
        cr_assert_eq(t.n, 1, "%s", header);
        cr_expect_str_eq(t.quantity, "stall_n", "%s", header);
        for (size_t i = 0; i < BENCH_TABLE_COLUMNS; i++) {
            cr_expect(t.has[i], "%s", header);
            cr_expect_str_eq(t.rows[0].text[i], fields[i], "%s", header);
        }
        cr_expect_eq(t.rows[0].value, 84.3125, "%s", header);
        bench_table_free(&t);
    }
}

Test(bench_table, columns_may_be_left_out)
{
    expect_read("glucose,bench\n41.03,1\n-4.1e1,lab 2\n");
    cr_expect(t.n == 2 && t.has[BENCH_TABLE_BENCH] && !t.has[BENCH_TABLE_FEEDER] &&
              !t.has[BENCH_TABLE_OPERATOR] && !t.has[BENCH_TABLE_REFIT]);
    cr_expect_str_eq(t.rows[1].text[BENCH_TABLE_BENCH], "lab 2");
    cr_expect_str_eq(t.rows[1].text[BENCH_TABLE_FEEDER], "");
    cr_expect(t.rows[0].value == 41.03 && t.rows[1].value == -41);
    bench_table_free(&t);
    cr_expect(t.rows == NULL && t.n == 0);
    bench_table_free(&t);
    expect_read("force_n\n1.5\n");
    cr_expect(t.n == 1 && t.rows[0].value == 1.5 && !t.has[BENCH_TABLE_BENCH]);
    bench_table_free(&t);
}

Test(bench_table, lines_may_end_as_elsewhere)
{
    expect_read("bench,force_n\r\nnorth,1.25\r\nsouth,2.5\r\n");
    cr_expect(t.n == 2 && t.rows[1].value == 2.5);
    cr_expect_str_eq(t.quantity, "force_n");
    cr_expect_str_eq(t.rows[0].text[BENCH_TABLE_BENCH], "north");
    bench_table_free(&t);
}

Test(bench_table, names_may_be_in_any_script)
{
    expect_read("bench,Kraft in N\nZ\xC3\xBCrich,1.25\n\xE6\x9D\xB1\xE4\xBA\xAC,2.5\n");
    cr_expect_str_eq(t.rows[0].text[BENCH_TABLE_BENCH], "Z\xC3\xBCrich");
    cr_expect_str_eq(t.rows[1].text[BENCH_TABLE_BENCH], "\xE6\x9D\xB1\xE4\xBA\xAC");
    cr_expect_str_eq(t.quantity, "Kraft in N");
    bench_table_free(&t);
}

#define LONG_63 "abcdefghijabcdefghijabcdefghijabcdefghijabcdefghijabcdefghijabc"

Test(bench_table, a_field_of_63_bytes_is_taken)
{
    expect_read("bench," LONG_63 "\n" LONG_63 ",1\n");
    cr_expect_str_eq(t.quantity, LONG_63);
    cr_expect_str_eq(t.rows[0].text[BENCH_TABLE_BENCH], LONG_63);
    bench_table_free(&t);
}

Test(bench_table, what_is_wrong_is_named_with_line_and_column)
{
#define H "bench,force_n\n"
    static const struct {
        const char *legend, *text;
        int64_t line, column;
        const char *message;
    } rows[] = {
        {"nothing", "", 0, 0, "is empty"},
        {"one line break", "\n", 1, 1, "a column has no name"},
        {"only a header", H, 0, 0, "no row below the header"},
        {"a header that is not ended", "bench,force_n", 1, 1, "cut short"},
        {"a last row that is not ended", H "north,1\nsouth,2", 3, 1, "cut short"},
        {"a byte order mark", "\xEF\xBB\xBF" H "north,1\n", 1, 1, "byte order mark"},
        {"no values", "bench,operator\nnorth,Kim\n", 1, 1, "names no column of values"},
        {"two columns of values", "bench,force_n,torque_nm\nnorth,1,2\n", 1, 15,
         "'torque_nm' is neither feeder, bench, operator nor refit, and 'force_n' holds"},
        {"a slip in a name", "bench,force_n,opertor\nnorth,1,Kim\n", 1, 15, "'opertor' is neither"},
        {"capitals", "Bench,force_n\nnorth,1\n", 1, 7, "'force_n' is neither"},
        {"a column twice", "bench,force_n,bench\nnorth,1,north\n", 1, 15, "column 'bench' is there twice"},
        {"the values twice", "bench,force_n,force_n\nnorth,1,1\n", 1, 15, "'force_n' is neither"},
        {"six columns", "feeder,bench,operator,refit,force_n,x\na,b,c,d,1,2\n", 1, 1, "more columns than"},
        {"a column without a name", "bench,,force_n\nnorth,,1\n", 1, 7, "a column has no name"},
        {"a blank before a column", "bench, force_n\nnorth,1\n", 1, 7, "' force_n' has a blank at its"},
        {"a blank after a name", H "north ,1\n", 2, 1, "'north ' has a blank"},
        {"a blank before a name", H "south,1\n north,1\n", 3, 1, "' north' has a blank"},
        {"a name of blanks", H " ,1\n", 2, 1, "has a blank"},
        {"a blank before a value", H "north, 1\n", 2, 7, "force_n: ' 1' is not a number"},
        {"a quoted name", H "\"north\",1\n", 2, 1, "holds a quote"},
        {"a quoted column", "\"bench\",force_n\nnorth,1\n", 1, 1, "holds a quote"},
        {"a quoted value", H "north,\"1\"\n", 2, 7, "is not a number"},
        {"a tab in a name", H "north\t2,1\n", 2, 1, "control character"},
        {"an escape sequence", H "\x1B[31mnorth,1\n", 2, 1, "control character"},
        {"an escape in a column's name", "bench,\x1B]0;x\n", 1, 7, "control character"},
        {"delete", H "nor\x7Fth,1\n", 2, 1, "control character"},
        {"C1 in UTF-8", H "nor\xC2\x9Bth,1\n", 2, 1, "control character"},
        {"Latin-1", H "Z\xFCrich,1\n", 2, 1, "not UTF-8"},
        {"a carriage return inside", H "nor\rth,1\n", 2, 1, "control character"},
        {"lines ended by CR alone", "bench,force_n\rnorth,1\r", 1, 1, "cut short"},
        {"a field too few", H "north,1\nsouth\n", 3, 1, "this one has fewer"},
        {"a field too many", H "north,1,\n", 2, 1, "this one has more"},
        {"a decimal comma", H "north,1,5\n", 2, 1, "a row has 2 fields, bench,force_n, this one has more"},
        {"an empty line", H "north,1\n\nsouth,2\n", 3, 1, "take the empty line out"},
        {"an empty line at the end", H "north,1\n\n", 3, 1, "take the empty line out"},
        {"an empty name", H ",1\n", 2, 1, "bench: is empty"},
        {"an empty refit", "refit,bench,force_n\n,north,1\n", 2, 1, "refit: is empty"},
        {"an empty value", H "north,\n", 2, 7, "force_n: '' is not a number"},
        {"NaN", H "north,NaN\n", 2, 7, "'NaN' is not a number"},
        {"nan", H "north,1\nsouth,nan\n", 3, 7, "'nan' is not a number"},
        {"inf", H "north,inf\n", 2, 7, "'inf' is not a number"},
        {"-Infinity", H "north,-Infinity\n", 2, 7, "is not a number"},
        {"past every double", H "north,1e999\n", 2, 7, "is outside"},
        {"past all", H "north,1.1e12\n", 2, 7, "is outside -1e+12 to 1e+12"},
        {"past all below", H "north,-1.1e12\n", 2, 7, "is outside"},
        {"hexadecimal", H "north,0x10\n", 2, 7, "is not a number"},
        {"with its unit", H "north,1N\n", 2, 7, "'1N' is not a number"},
        {"a name of 64 bytes", H LONG_63 "d,1\n", 2, 1, "a field of 64 characters"},
        {"a value of 64 bytes",
         H "north,"
           "0000000000000000000000000000000000000000000000000000000000000001\n",
         2, 7, "a field of 64 characters"},
        {"a column of 64 bytes", "bench," LONG_63 "d\nnorth,1\n", 1, 7, "a field of 64 characters"},
        {"semicolons", "bench;force_n\nnorth;1\n", 2, 1, "'north;1' is not a number"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct err e = {0};
        enum err_code code = bench_table_read(scratch_write("b.csv", rows[i].text), &t, &e);
        cr_expect_eq(code, ERR_FILE, "%s", rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && e.line == rows[i].line &&
                      e.column == rows[i].column && strstr(e.file, "b.csv") != NULL,
                  "%s: %ld:%ld: %s", rows[i].legend, (long)e.line, (long)e.column, e.text);
        cr_expect(t.rows == NULL && t.n == 0, "%s: nothing is left to be freed", rows[i].legend);
        if (code == ERR_OK)
            bench_table_free(&t);
    }
}

Test(bench_table, a_zero_byte_is_no_name)
{
    static const char name[] = H "no\0rth,1\n", value[] = H "north,1\0\n", header[] = "bench,for\0ce\nn,1\n";
    struct err e = {0};
    cr_expect_eq(bench_table_read(scratch_write_bytes("b.csv", name, sizeof name - 1), &t, &e), ERR_FILE);
    cr_expect(e.line == 2 && e.column == 1, "%s", e.text);
    cr_expect_eq(bench_table_read(scratch_write_bytes("b.csv", value, sizeof value - 1), &t, &e), ERR_FILE);
    cr_expect(e.line == 2 && e.column == 7, "%s", e.text);
    cr_expect_eq(bench_table_read(scratch_write_bytes("b.csv", header, sizeof header - 1), &t, &e), ERR_FILE);
    cr_expect(e.line == 1 && e.column == 7, "%s", e.text);
}

Test(bench_table, a_file_that_is_not_there_is_named)
{
    struct err e = {0};
    cr_expect_eq(bench_table_read(scratch_path("none.csv"), &t, &e), ERR_FILE);
    cr_expect(strstr(e.file, "none.csv") != NULL || strstr(e.text, "none.csv") != NULL, "%s", e.text);
}

Test(bench_table, there_is_an_end_to_rows)
{
    struct err e = {0};
    char *text = malloc(BENCH_TABLE_ROWS_MAX * 8 + 100), *p = text;
    p += sprintf(p, H);
    for (int i = 0; i < BENCH_TABLE_ROWS_MAX; i++)
        p += sprintf(p, "n,%d\n", i % 1000);
    expect_read(text);
    cr_expect_eq(t.n, BENCH_TABLE_ROWS_MAX);
    cr_expect_eq(t.rows[BENCH_TABLE_ROWS_MAX - 1].value, (BENCH_TABLE_ROWS_MAX - 1) % 1000);
    bench_table_free(&t);
    sprintf(p, "n,1\n");
    cr_expect_eq(bench_table_read(scratch_write("b.csv", text), &t, &e), ERR_FILE);
    cr_expect(e.line == BENCH_TABLE_ROWS_MAX + 2 && strstr(e.text, "more than 10000 rows") != NULL, "%ld: %s",
              (long)e.line, e.text);
    free(text);
}
