#include "datasets/format/readings.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

TestSuite(readings, .init = scratch_begin, .fini = scratch_end);

static struct readings r; /* too large for a stack that is watched */

static void expect_read(const char *text)
{
    struct err e;
    cr_assert_eq(readings_read(scratch_write("r.csv", text), &r, &e), ERR_OK, "%ld: %s", (long)e.line,
                 e.text);
}

Test(readings, weighings_are_read_in_their_order)
{
    expect_read(READINGS_FORCE_HEADER "\n0,-171.25,up,1\n9.805179,39047.125,up,1\n9.805179,39051.5,down,1\n"
                                      "3e6,2.16844,up,17\n");
    cr_expect(r.kind == READINGS_FORCE && r.n == 4);
    cr_expect(r.load_n[1] == 9.805179 && r.reading_counts[1] == 39047.125);
    cr_expect(r.reading_counts[0] == -171.25 && r.load_n[3] == 3e6 && r.reading_counts[3] == 2.16844);
    cr_expect(r.direction[0] == 1 && r.direction[2] == -1 && r.cycle[2] == 1 && r.cycle[3] == 17);
}

Test(readings, direction_and_cycle_may_be_empty_throughout)
{
    expect_read(READINGS_FORCE_HEADER "\r\n1.5,2.25,,\r\n2.5,3.75,,\r\n");
    cr_expect(r.n == 2 && r.direction[1] == 1 && r.cycle[1] == 1 && r.reading_counts[1] == 3.75);
    expect_read(READINGS_FORCE_HEADER "\n1.5,2.25,down,\n2.5,3.75,up,\n");
    cr_expect(r.direction[0] == -1 && r.cycle[0] == 1);
}

Test(readings, measured_feeds_are_told_by_their_header)
{
    expect_read(READINGS_FEED_HEADER "\ngear-8,6366,49.87,forward,1\ngear-8,6366,0,backward,2\n"
                                     "gear-12,4245,50.5,forward,3\n");
    cr_expect(r.kind == READINGS_FEED && r.n == 3 && r.feeder_count == 2);
    cr_expect_str_eq(r.feeders[1], "gear-12");
    cr_expect(r.feeder[0] == 0 && r.feeder[2] == 1 && r.commanded_steps[2] == 4245);
    cr_expect(r.measured_mm[0] == 49.87 && r.direction[1] == -1 && r.cycle[1] == 2);
}

Test(readings, what_is_wrong_is_named_with_line_and_column)
{
#define F READINGS_FORCE_HEADER "\n"
#define M READINGS_FEED_HEADER "\n"
    static const struct {
        const char *legend, *text;
        int64_t line, column;
        const char *message;
    } rows[] = {
        {"nothing", "", 0, 0, "is empty"},
        {"another header", "load_n,reading_counts\n1,2\n", 1, 1, "the first line is neither load_n,"},
        {"a header with a blank", "load_n, reading_counts,direction,cycle\n", 1, 1, "is neither"},
        {"a byte order mark", "\xEF\xBB\xBF" F "1,2,up,1\n", 1, 1, "byte order mark"},
        {"only a header", F, 0, 0, "nothing was weighed"},
        {"only a header of feeds", M, 0, 0, "nothing was measured"},
        {"a last row that is not ended", F "1,2,up,1\n2,3,up,1", 3, 1, "cut short"},
        {"a header that is not ended", READINGS_FORCE_HEADER, 1, 1, "cut short"},
        {"a field too few", F "1,2,up\n", 2, 1, "this one has fewer"},
        {"a field too many", F "1,2,up,1,\n", 2, 1, "this one has more"},
        {"an empty line", F "1,2,up,1\n\n2,3,up,1\n", 3, 1, "take the empty line out"},
        {"a load that is no number", F "NaN,2,up,1\n", 2, 1, "load_n: 'NaN' is not a number"},
        {"a reading that is no number", F "1,2,up,1\n1,nan,up,1\n", 3, 3,
         "reading_counts: 'nan' is not a number"},
        {"a reading without end", F "1,inf,up,1\n", 2, 3, "'inf' is not a number"},
        {"a load with its unit", F "1N,2,up,1\n", 2, 1, "'1N' is not a number"},
        {"a decimal comma", F "1,5,2,up,1\n", 2, 1, "this one has more"},
        {"a load past all", F "2e9,2,up,1\n", 2, 1, "outside -1e+09 to 1e+09 N"},
        {"a reading past all", F "1,-2e12,up,1\n", 2, 3, "outside"},
        {"an empty load", F ",2,up,1\n", 2, 1, "load_n: '' is not a number"},
        {"another direction", F "1,2,Up,1\n", 2, 5, "'Up' is neither up nor down"},
        {"a direction left out in one row", F "1,2,up,1\n2,3,,1\n", 3, 5,
         "empty in some rows and not in others"},
        {"a direction in one row only", F "1,2,,1\n2,3,up,1\n", 3, 5, "empty in some rows"},
        {"a cycle left out in one row", F "1,2,up,1\n2,3,up,\n", 3, 8, "cycle: is empty in some rows"},
        {"half a cycle", F "1,2,up,1.5\n", 2, 8, "'1.5' is not a whole number"},
        {"cycle 0", F "1,2,up,0\n", 2, 8, "cycle: 0 is outside 1"},
        {"a quote", F "\"1\",2,up,1\n", 2, 1, "'\"1\"' is not a number"},
        {"a very long field", F "1,2,up,00000000000000000000000000000000000000000000000000000000000000001\n",
         2, 8, "a field of 65 characters"},
        {"a feeder in capitals", M "Gear,1,1,forward,1\n", 2, 1, "small letters"},
        {"no feeder", M ",1,1,forward,1\n", 2, 1, "small letters"},
        {"a feeder's name too long", M "abcdefghijabcdefghijabcdefghijabc,1,1,forward,1\n", 2, 1,
         "at most 32"},
        {"no microsteps", M "a,0,1,forward,1\n", 2, 3, "commanded_steps: 0 microsteps is outside"},
        {"a length below nothing", M "a,5,-1,forward,1\n", 2, 5, "measured_mm: -1 mm is outside"},
        {"up in a feed", M "a,5,1,up,1\n", 2, 7, "neither forward nor backward"},
        {"a repeat in words", M "a,5,1,forward,two\n", 2, 15, "'two' is not a whole number"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct err e = {0};
        cr_expect_eq(readings_read(scratch_write("r.csv", rows[i].text), &r, &e), ERR_FILE, "%s",
                     rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && e.line == rows[i].line &&
                      e.column == rows[i].column && strstr(e.file, "r.csv") != NULL,
                  "%s: %ld:%ld: %s", rows[i].legend, (long)e.line, (long)e.column, e.text);
    }
}

Test(readings, a_zero_byte_is_no_number)
{
    static const char bytes[] = READINGS_FORCE_HEADER "\n1\0,2,up,1\n";
    struct err e = {0};
    cr_expect_eq(readings_read(scratch_write_bytes("r.csv", bytes, sizeof bytes - 1), &r, &e), ERR_FILE);
    cr_expect(e.line == 2 && e.column == 1, "%s", e.text);
}

Test(readings, there_is_an_end_to_rows_and_feeders)
{
    struct err e = {0};
    char *text = malloc(READINGS_MAX * 16 + 200), *p = text;
    p += sprintf(p, "%s\n", READINGS_FORCE_HEADER);
    for (int i = 0; i <= READINGS_MAX; i++)
        p += sprintf(p, "%d,%d,up,1\n", i % 10, i % 10);
    cr_expect_eq(readings_read(scratch_write("r.csv", text), &r, &e), ERR_FILE);
    cr_expect(strstr(e.text, "more than 4000 rows") != NULL && e.line == READINGS_MAX + 2, "%s", e.text);
    p = text + sprintf(text, "%s\n", READINGS_FEED_HEADER);
    for (int i = 0; i <= READINGS_FEEDERS_MAX; i++)
        p += sprintf(p, "g%d,100,1,forward,1\n", i);
    cr_expect_eq(readings_read(scratch_write("r.csv", text), &r, &e), ERR_FILE);
    cr_expect(strstr(e.text, "more than 12 feeders") != NULL && e.line == 14, "%s", e.text);
    free(text);
    cr_expect_eq(readings_read(scratch_path("none.csv"), &r, &e), ERR_FILE);
}

Test(readings, a_file_cut_anywhere_is_refused_or_read_to_a_whole_row)
{
    static const char whole[] = F "0,5,up,1\n10,17.5,up,1\n20,29.25,down,2\n";
    for (size_t cut = 0; cut < sizeof whole - 1; cut++) {
        struct err e = {0};
        enum err_code code = readings_read(scratch_write_bytes("r.csv", whole, cut), &r, &e);
        bool after_row = cut > sizeof F && whole[cut - 1] == '\n';
        cr_expect_eq(code, after_row ? ERR_OK : ERR_FILE, "cut at %zu: %s", cut, e.text);
    }
}
