#include "capture/force_text.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct bench_force columns(int column, enum bench_unit unit)
{
    return (struct bench_force){
        .column = column, .unit = unit, .scale = 1, .resolution = 0.01, .capacity = 500, .over_range = "OL"};
}

static struct bench_force pattern(const char *text)
{
    struct bench_force f = columns(0, BENCH_UNIT_N);
    snprintf(f.pattern, sizeof f.pattern, "%s", text);
    return f;
}

static struct force_line read_by(const struct bench_force *f, const char *line)
{
    struct force_text *text;
    struct force_line result;
    struct err e;
    cr_assert_eq(force_text_new(f, &text, &e), ERR_OK, "%s", e.text);
    result = force_text_read(text, line);
    force_text_free(text);
    return result;
}

struct line_case {
    const char *line;
    enum force_line_kind kind;
    int32_t counts;
};

static void check(const struct bench_force *f, const struct line_case *cases, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        struct force_line l = read_by(f, cases[i].line);
        cr_expect_eq(l.kind, cases[i].kind, "'%s' is of kind %d, not %d", cases[i].line, (int)cases[i].kind,
                     (int)l.kind);
        if (l.kind == FORCE_LINE_READING || l.kind == FORCE_LINE_OVER_RANGE)
            cr_expect_eq(l.counts, cases[i].counts, "'%s' reads %d, not %d", cases[i].line, l.counts,
                         cases[i].counts);
    }
}

#define CHECK(f, cases) check(f, cases, sizeof(cases) / sizeof((cases)[0]))

Test(force_text, the_first_column_in_newtons)
{
    static const struct line_case CASES[] = {
        {"12.34", FORCE_LINE_READING, 1234},
        {"+012.34 N", FORCE_LINE_READING, 1234},
        {"-0.07N", FORCE_LINE_READING, -7},
        {"+   1.5 N", FORCE_LINE_READING, 150},
        {"  3 N ok", FORCE_LINE_READING, 300},
        {"1.2E+01 N", FORCE_LINE_READING, 1200},
        {"2.387;17", FORCE_LINE_READING, 239},
        {"500.00 N", FORCE_LINE_OVER_RANGE, 50000},
        {"-777 N", FORCE_LINE_OVER_RANGE, -50000},
        {"OL", FORCE_LINE_OVER_RANGE, 50000},
        {"-OL N", FORCE_LINE_OVER_RANGE, -50000},
        {"overload", FORCE_LINE_OVER_RANGE, 50000},
        {"12,34 N", FORCE_LINE_COMMA, 0},
        {"12.34 lbf", FORCE_LINE_OTHER_UNIT, 0},
        {"12.34kg", FORCE_LINE_OTHER_UNIT, 0},
        {"12.34 kN", FORCE_LINE_OTHER_UNIT, 0},
        {"N 12.34", FORCE_LINE_UNREADABLE, 0},
        {"12:34", FORCE_LINE_UNREADABLE, 0},
        {"1.2.3 N", FORCE_LINE_UNREADABLE, 0},
        {"--5", FORCE_LINE_UNREADABLE, 0},
        {"...", FORCE_LINE_UNREADABLE, 0},
        {"1e99 N", FORCE_LINE_UNREADABLE, 0},
        {"nan", FORCE_LINE_UNREADABLE, 0},
        {"0x10", FORCE_LINE_READING, 0}, /* a number with a word behind it that is no unit */
        {"", FORCE_LINE_UNREADABLE, 0},
        {"\x86\x98\x1F", FORCE_LINE_NOT_TEXT, 0},
    };
    struct bench_force f = columns(1, BENCH_UNIT_N);
    CHECK(&f, CASES);
}

Test(force_text, a_later_column)
{
    static const struct line_case CASES[] = {{"ST NT +12.34 N", FORCE_LINE_READING, 1234},
                                             {"ST\tNT;-1 N", FORCE_LINE_READING, -100},
                                             {"ST NT", FORCE_LINE_UNREADABLE, 0},
                                             {"ST NT 1.5 g", FORCE_LINE_OTHER_UNIT, 0}};
    static const struct line_case WITH_COMMAS[] = {{"ST,NT,+12.34 N,7", FORCE_LINE_READING, 1234},
                                                   {"ST,, 2.5", FORCE_LINE_READING, 250},
                                                   {"ST, N", FORCE_LINE_UNREADABLE, 0},
                                                   {"1,2,OL,4", FORCE_LINE_OVER_RANGE, 50000}};
    struct bench_force f = columns(3, BENCH_UNIT_N);
    CHECK(&f, CASES);
    f.separator = ',';
    CHECK(&f, WITH_COMMAS);
}

Test(force_text, a_pattern_finds_the_number)
{
    static const struct line_case CASES[] = {{"F=+12.34 N; t=5", FORCE_LINE_READING, 1234},
                                             {"F=1 N", FORCE_LINE_READING, 100},
                                             {"F=1 kgf", FORCE_LINE_OTHER_UNIT, 0},
                                             {"F=12,34 N", FORCE_LINE_COMMA, 0},
                                             {"t=5", FORCE_LINE_UNREADABLE, 0},
                                             {"F=OL N", FORCE_LINE_OVER_RANGE, 50000}};
    static const struct line_case WHOLE[] = {{"12.34 N", FORCE_LINE_READING, 1234},
                                             {"12,34 N", FORCE_LINE_COMMA, 0}};
    struct bench_force f = pattern("F=([-+0-9.]+)");
    struct bench_force whole = pattern("^([-+0-9.]+) N$");
    CHECK(&f, CASES);
    CHECK(&whole, WHOLE);
}

Test(force_text, a_decimal_comma_that_is_stated)
{
    static const struct line_case CASES[] = {{"12,34 N", FORCE_LINE_READING, 1234},
                                             {"12.34 N", FORCE_LINE_COMMA, 0}};
    struct bench_force f = columns(1, BENCH_UNIT_N);
    f.decimal_comma = true;
    CHECK(&f, CASES);
}

Test(force_text, units_scale_and_sign_become_newtons)
{
    struct bench_force f = columns(1, BENCH_UNIT_KGF);
    struct force_line l;
    f.resolution = 0.005;
    l = read_by(&f, "2.385 kgf");
    cr_expect_eq(l.counts, 477);
    cr_expect_float_eq(l.force_n, 2.385 * 9.80665, 1e-12);
    f.unit = BENCH_UNIT_LBF;
    f.scale = -0.5;
    l = read_by(&f, "2.385 lbs");
    cr_expect_eq(l.counts, -477);
    /* NIST SP 811 (2008), appendix B.8: 1 lbf = 4.448 222 N (from memory). */
    cr_expect_float_eq(l.force_n, -2.385 * 0.5 * 4.448222, 1e-6);
    cr_expect_float_eq(bench_file_count_n(&f), 0.005 * 0.5 * 4.448222, 1e-8);
    l = read_by(&f, "OL");
    cr_expect_eq(l.counts, -100000, "too much of a push, on a gauge that shows pushes as negative");
}

/* The last count means over range; a reading that is rounded to it is that, and one below it is a reading. */
Test(force_text, no_reading_stands_at_the_end_of_the_range)
{
    struct bench_force f = columns(1, BENCH_UNIT_N);
    struct force_line l;
    l = read_by(&f, "499.996 N");
    cr_expect_eq(l.kind, FORCE_LINE_OVER_RANGE, "%d counts", l.counts);
    cr_expect_eq(l.counts, 50000);
    l = read_by(&f, "-499.997");
    cr_expect_eq(l.kind, FORCE_LINE_OVER_RANGE);
    cr_expect_eq(l.counts, -50000);
    l = read_by(&f, "499.994");
    cr_expect_eq(l.kind, FORCE_LINE_READING);
    cr_expect_eq(l.counts, 49999);
}

Test(force_text, hostile_lines_do_no_harm)
{
    struct bench_force by_column = columns(64, BENCH_UNIT_N);
    struct bench_force by_pattern = pattern("([0-9]*)$");
    char line[400];
    unsigned short seed[3] = {2031, 3, 2};
    for (int n = 0; n < 3000; n++) {
        int length = (int)(nrand48(seed) % 220);
        for (int i = 0; i < length; i++)
            line[i] = (char)(nrand48(seed) % 3 == 0 ? nrand48(seed) % 255 + 1
                                                    : "0123456789+-.,eE ;NOL"[nrand48(seed) % 21]);
        line[length] = 0;
        by_column.column = n % 64 + 1;
        read_by(&by_column, line);
        read_by(&by_pattern, line);
    }
}
