#include "analyze/report/text_table.h"
#include "analyze/report/text_width.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

#define CELLS 5

static const struct text_column COLUMNS[CELLS] = {{.head = "verdict", .title = true},
                                                  {.head = "a"},
                                                  {.head = "speed", .right = true, .numbers = true},
                                                  {.head = "difference a - b", .numbers = true},
                                                  {.head = "resampled", .numbers = true, .optional = true}};
static const char *const ROWS[][CELLS] = {
    {"gear-8mm is higher", "gear-8mm", "5 mm/s", "30.01 N ± 0.71 N", "29.64 N to 30.44 N"},
    {"no difference shown", "Z\xC3\xBCrich \xE6\xB8\xAC\xE5\xAE\x9A", "50 mm/s", "-0.1 N ± 1.1 N *", "-"}};

/* The caller frees. */
static char *table(const struct text_column *columns, size_t count, const char *const rows[][CELLS], size_t n,
                   int width)
{
    struct text_table t;
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    cr_assert_not_null(out);
    text_table_begin(&t, columns, count, width);
    while (text_table_pass(&t, out)) {
        for (size_t i = 0; i < n; i++)
            text_table_put(&t, rows[i], out);
    }
    fclose(out);
    return text;
}

static void expect_table(int width, const char *expected)
{
    char *text = table(COLUMNS, CELLS, ROWS, 2, width);
    cr_expect_str_eq(text, expected, "%d columns:\n%s", width, text);
    free(text);
}

Test(text_table, columns_stand_below_each_other_by_displayed_width)
{
    static const char whole[] =
        "verdict              a              speed  difference a - b  resampled\n"
        "gear-8mm is higher   gear-8mm      5 mm/s  30.01 N ± 0.71 N  29.64 N to 30.44 N\n"
        "no difference shown  Z\xC3\xBCrich \xE6\xB8\xAC\xE5\xAE\x9A  50 mm/s  -0.1 N ± 1.1 N *  -\n";
    expect_table(0, whole);
    expect_table(132, whole);
    expect_table(79, whole);
}

Test(text_table, text_is_wrapped_before_numbers)
{
    expect_table(70, "verdict     a              speed  difference a - b  resampled\n"
                     "gear-8mm    gear-8mm      5 mm/s  30.01 N ± 0.71 N  29.64 N to 30.44 N\n"
                     "is higher\n"
                     "no          Z\xC3\xBCrich \xE6\xB8\xAC\xE5\xAE\x9A  50 mm/s  -0.1 N ± 1.1 N *  -\n"
                     "difference\n"
                     "shown\n");
    expect_table(56, "verdict     a           speed  difference   resampled\n"
                     "                               a - b\n"
                     "gear-8mm    gear-8mm   5 mm/s  30.01 N      29.64 N to\n"
                     "is higher                      ± 0.71 N     30.44 N\n"
                     "no          Z\xC3\xBCrich    50 mm/s  -0.1 N       -\n"
                     "difference  \xE6\xB8\xAC\xE5\xAE\x9A               ± 1.1 N *\n"
                     "shown\n");
}

Test(text_table, a_narrow_terminal_gets_rows_stacked)
{
    expect_table(40, "gear-8mm is higher\n"
                     "  a                 gear-8mm\n"
                     "  speed             5 mm/s\n"
                     "  difference a - b  30.01 N ± 0.71 N\n"
                     "  resampled         29.64 N to 30.44 N\n"
                     "\n"
                     "no difference shown\n"
                     "  a                 Z\xC3\xBCrich \xE6\xB8\xAC\xE5\xAE\x9A\n"
                     "  speed             50 mm/s\n"
                     "  difference a - b  -0.1 N ± 1.1 N *\n"
                     "  resampled         -\n");
}

Test(text_table, a_column_that_says_nothing_is_left_out)
{
    static const char *const rows[][CELLS] = {{"x", "y", "1 mm/s", "2 N", "-"},
                                              {"x", "y", "1 mm/s", "3 N", ""}};
    char *text = table(COLUMNS, CELLS, rows, 2, 80);
    cr_expect_str_eq(text,
                     "verdict  a   speed  difference a - b\n"
                     "x        y  1 mm/s  2 N\n"
                     "x        y  1 mm/s  3 N\n",
                     "%s", text);
    free(text);
}

Test(text_table, without_heads_there_is_no_line_of_them)
{
    static const struct text_column columns[] = {
        {.right = true, .numbers = true}, {.title = false}, {.numbers = true}};
    static const char *const rows[][CELLS] = {{" 1", "gear-8mm", "90.69 N"}, {"10", "b", "9.7 N"}};
    char *text = table(columns, 3, rows, 2, 80);
    cr_expect_str_eq(text, " 1  gear-8mm  90.69 N\n10  b         9.7 N\n", "%s", text);
    free(text);
}

Test(text_table, at_every_width_nothing_is_wider_or_cut)
{
    static const char *const whole[] = {"30.01 N", "± 0.71 N", "29.64 N", "30.44 N",
                                        "5 mm/s",  "-0.1 N",   "± 1.1 N", "50 mm/s"};
    for (int width = 40; width < 140; width++) {
        char *text = table(COLUMNS, CELLS, ROWS, 2, width);
        for (const char *p = text, *end; *p != 0; p = end + 1) {
            end = strchr(p, '\n');
            cr_expect_leq(text_width_of(p, (size_t)(end - p)), width, "%d: %.*s", width, (int)(end - p), p);
        }
        for (size_t i = 0; i < sizeof whole / sizeof whole[0]; i++)
            cr_expect_not_null(strstr(text, whole[i]), "%d: no '%s' in\n%s", width, whole[i], text);
        free(text);
    }
}

Test(text_table, a_hash_wider_than_the_terminal_is_on_lines_of_its_own)
{
    static const struct text_column columns[] = {{.numbers = true}, {.title = true}};
    static const char *const rows[][CELLS] = {
        {"sha256:0123456789abcdef0123456789abcdef0123456789abcdef", "north"}};
    char *text = table(columns, 2, rows, 1, 40);
    cr_expect_str_eq(text, "north\n  sha256:0123456789abcdef0123456789abcde\n  f0123456789abcdef\n", "%s",
                     text);
    free(text);
}
