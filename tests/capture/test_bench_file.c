#include "capture/bench_file.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char GOOD[] = "nipbench_bench: 1\n"
                           "name: bench of the tests\n"
                           "simulated: true\n"
                           "force:\n"
                           "  port: /dev/null-force\n"
                           "  baud: 19200\n"
                           "  column: 2\n"
                           "  unit: kgf\n"
                           "  sign: push-negative\n"
                           "  resolution: 0.005\n"
                           "  capacity: 50\n"
                           "  rate_hz: 10\n"
                           "  poll: '?'\n"
                           "  latency_s: 0.05\n"
                           "  latency_standard_uncertainty_s: 0.02\n"
                           "feed:\n"
                           "  port: /dev/null-feed\n"
                           "  baud: 115200\n"
                           "  axis: X\n"
                           "  microsteps_per_mm: 127.5\n"
                           "  start_up: [G21, G91, M17]\n"
                           "  stop: M0\n"
                           "  lines_in_flight: 6\n"
                           "end: true\n";

static enum err_code parse(const char *text, struct bench_file *bench, struct err *e)
{
    return bench_file_parse(text, strlen(text), "bench.yaml", bench, e);
}

Test(bench_file, everything_that_is_stated_is_read)
{
    struct bench_file b;
    struct err e;
    cr_assert_eq(parse(GOOD, &b, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(b.name, "bench of the tests");
    cr_expect(b.simulated);
    cr_expect_eq(b.force.column, 2);
    cr_expect_eq(b.force.unit, BENCH_UNIT_KGF);
    cr_expect_lt(b.force.scale, 0);
    cr_expect(b.force.polled);
    cr_expect_str_eq(b.force.poll, "?");
    cr_expect_float_eq(bench_file_count_n(&b.force), 0.005 * 9.80665, 1e-15);
    cr_expect_float_eq(b.force.silence_s, 0.32, 1e-9, "as long as a host waits, where nothing is stated");
    cr_expect_eq(b.feed.axis, 'X');
    cr_expect_eq(b.feed.start_up_count, 3);
    cr_expect_str_eq(b.feed.start_up[2], "M17");
    cr_expect_str_eq(b.feed.motion, "G1");
    cr_expect_str_eq(b.feed.accepted, "ok");
    cr_expect_eq(b.feed.lines_in_flight, 6);
    cr_expect_str_eq(b.feed.release, "");
}

/* The good file with one line replaced; "" takes it away. */
static void edit(const char *line, const char *instead, char *out)
{
    const char *at = strstr(GOOD, line);
    cr_assert_not_null(at, "%s", line);
    sprintf(out, "%.*s%s%s", (int)(at - GOOD), GOOD, instead, at + strlen(line));
}

Test(bench_file, an_end_that_stands_in_front_does_not_show_that_the_file_is_whole)
{
    struct bench_file b;
    struct err e;
    char text[2 * sizeof GOOD];
    const char *release = strstr(GOOD, "  stop: M0\n");
    /* Cut behind the words of the start: what it has beside would silently be left out. */
    sprintf(text, "end: true\n%.*s", (int)(release - GOOD), GOOD);
    cr_assert_eq(parse(text, &b, &e), ERR_FILE, "it is read");
    cr_expect_not_null(strstr(e.text, "in the last line"), "%s", e.text);
    cr_expect_eq(e.line, 1);
}

Test(bench_file, patterns_may_count_and_escape)
{
    static const char *const PATTERNS[] = {"([0-9]{1,7})", "\\{([-+][0-9.]{2,9})\\} {0,3}(N|kgf)?$",
                                           "(x{1000})", "^.{4}(.{8})", "([[:digit:].]+){1,3}"};
    for (size_t i = 0; i < sizeof PATTERNS / sizeof PATTERNS[0]; i++) {
        struct bench_file b;
        struct err e;
        char text[2 * sizeof GOOD], line[100];
        sprintf(line, "  pattern: '%s'\n", PATTERNS[i]);
        edit("  column: 2\n", line, text);
        if (i == 1) { /* all but its two groups */
            cr_expect_eq(parse(text, &b, &e), ERR_FILE);
            cr_expect_not_null(strstr(e.text, "exactly one group"), "%s", e.text);
        } else {
            cr_expect_eq(parse(text, &b, &e), ERR_OK, "%s: %s", PATTERNS[i], e.text);
        }
    }
}

Test(bench_file, what_cannot_be_meant_is_refused_where_it_stands)
{
    static const struct {
        const char *line, *instead;
        int64_t at_line;
        const char *sentence;
    } CASES[] = {
        {"nipbench_bench: 1", "nipbench_bench: 2", 1, "outside 1 to 1"},
        {"  unit: kgf\n", "  unit: kp\n", 8, "one of N, kgf, gf, lbf"},
        {"  unit: kgf\n", "", 5, "'unit' is missing"},
        {"  column: 2\n", "", 5, "either 'column' or 'pattern'"},
        {"  column: 2\n", "  column: 2\n  pattern: '(.*)'\n", 7, "either 'column' or 'pattern'"},
        {"  column: 2\n", "  pattern: '([0-9'\n", 7, "no regular expression"},
        {"  column: 2\n", "  pattern: '[0-9]+'\n", 7, "exactly one group"},
        {"  column: 2\n", "  pattern: '([0-9])(N)'\n", 7, "exactly one group"},
        {"  column: 2\n", "  pattern: '(.?){200}\\1'\n", 7, "back reference"},
        {"  column: 2\n", "  pattern: '(x{40}){26}'\n", 7, "more than 1000"},
        {"  column: 2\n", "  pattern: '(x{1,1001})'\n", 7, "more than 1000"},
        {"  column: 2\n", "  pattern: '(x{9999999999999999999999})'\n", 7, "more than 1000"},
        {"  column: 2\n", "  column: 2\n  separator: ','\n  decimal: comma\n", 8, "decimal sign as well"},
        {"  column: 2\n", "  column: 2\n  separator: '--'\n", 8, "one character"},
        {"  column: 2\n", "  column: 2\n  decimal: dot\n", 8, "'point' or 'comma'"},
        {"  sign: push-negative\n", "  sign: minus\n", 9, "push-positive"},
        {"  resolution: 0.005\n", "  resolution: 0.000001\n", 10, "8388607"},
        {"  resolution: 0.005\n", "  resolution: 40\n", 10, "less than ten steps"},
        {"  rate_hz: 10\n", "  rate_hz: 0\n", 12, "outside 1 to 1000"},
        {"  rate_hz: 10\n", "  rate_hz: 10\n  silence_s: 0.5\n", 13, "outside 0.15 to 0.32"},
        {"  axis: X\n", "  axis: F\n", 19, "an axis"},
        {"  axis: X\n", "  axis: x\n", 19, "an axis"},
        {"  stop: M0\n", "  stop: M0\n  accepted: e\n", 23, "begins like it"},
        {"  stop: M0\n", "  stopp: M0\n", 22, "did you mean 'stop'"},
        {"  start_up: [G21, G91, M17]\n", "  start_up: [G21, [G91]]\n", 21, "a text of 1 to 64"},
        {"/dev/null-feed", "/dev/null-force", 17, "each instrument has its own"},
        {"end: true\n", "", 1, "'end' is missing"},
        {"end: true\n", "end: false\n", 24, "must be true"},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        struct bench_file b;
        struct err e;
        char text[2 * sizeof GOOD];
        edit(CASES[i].line, CASES[i].instead, text);
        cr_expect_eq(parse(text, &b, &e), ERR_FILE, "case %zu is read", i);
        if (e.code != ERR_FILE)
            continue;
        cr_expect_not_null(strstr(e.text, CASES[i].sentence), "case %zu says: %s", i, e.text);
        cr_expect_eq(e.line, CASES[i].at_line, "case %zu stands in line %d, not %d (%s)", i,
                     (int)CASES[i].at_line, (int)e.line, e.text);
        cr_expect_gt(e.column, 0);
    }
}
