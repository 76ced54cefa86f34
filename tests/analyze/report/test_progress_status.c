#include "analyze/report/progress_status.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

#define S 1000000LL

Test(progress_status, time_left_is_what_the_rest_takes_at_the_pace_so_far)
{
    cr_expect_float_eq(progress_status_left_s(25, 100, 10 * S), 30, 1e-9);
    cr_expect_float_eq(progress_status_left_s(100, 100, 10 * S), 0, 1e-9);
    cr_expect_float_eq(progress_status_left_s(UINT64_MAX / 4, UINT64_MAX / 2, 3 * S), 3, 1e-6);
    cr_expect_lt(progress_status_left_s(0, 100, 10 * S), 0, "nothing is done");
    cr_expect_lt(progress_status_left_s(0, 0, 10 * S), 0, "nobody knows how much there is");
    cr_expect_lt(progress_status_left_s(101, 100, 10 * S), 0, "more than all");
    cr_expect_lt(progress_status_left_s(1, 100, 10 * S), 0, "too little for a pace");
    cr_expect_lt(progress_status_left_s(25, 100, 4 * S / 10), 0, "too short for a pace");
}

Test(progress_status, time_left_is_told_in_plain_words)
{
    static const struct {
        double left_s;
        const char *text;
    } rows[] = {{-1, ""},
                {0, "a few seconds left"},
                {7.4, "a few seconds left"},
                {7.6, "about 10 s left"},
                {21, "about 20 s left"},
                {57.4, "about 55 s left"},
                {58, "about 1 min left"},
                {95, "about 2 min left"},
                {59 * 60, "about 59 min left"},
                {59.7 * 60, "about 1 h left"},
                {80 * 60, "about 1 h 30 min left"},
                {7.1 * 3600, "about 7 h left"},
                {1e7, "more than 100 h left"}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[48];
        progress_status_left_text(rows[i].left_s, text, sizeof text);
        cr_expect_str_eq(text, rows[i].text, "%g s: %s", rows[i].left_s, text);
    }
}

static struct progress progress;
static struct progress_status status;
static FILE *terminal;
static char *seen;
static size_t seen_bytes;

static void begin(void)
{
    terminal = open_memstream(&seen, &seen_bytes);
    progress_status_begin(&status, &progress, terminal, 80, 50 * S);
}

static void end(void)
{
    fclose(terminal);
    free(seen);
}

/* What was written since the last call. */
static const char *tick(int64_t now_us)
{
    size_t before = (fflush(terminal), seen_bytes);
    progress_status_tick(&status, now_us);
    fflush(terminal);
    return seen + before;
}

TestSuite(progress_status_line, .init = begin, .fini = end);

Test(progress_status_line, nothing_is_said_in_the_first_two_seconds)
{
    cr_expect_str_eq(tick(50 * S + 100000), "", "not begun");
    progress_begin(&progress, "analysing runs", 75, 7500);
    progress_add(&progress, 30, 3000);
    for (int64_t t = 50 * S; t < 52 * S; t += 100000)
        cr_expect_str_eq(tick(t), "", "at %lld us", (long long)t);
    cr_expect_str_eq(tick(52 * S), "\ranalysing runs: 30 of 75, a few seconds left");
}

Test(progress_status_line, a_line_is_written_at_most_five_times_a_second_and_only_when_it_changes)
{
    int written = 0;
    progress_begin(&progress, "analysing runs", 1000, 1000);
    tick(50 * S);
    for (int64_t t = 52 * S; t < 53 * S; t += 10000) {
        progress_add(&progress, 1, 1);
        written += tick(t)[0] != 0;
    }
    cr_expect_eq(written, 5);
    cr_expect_str_eq(tick(54 * S)[0] != 0 ? "written" : "", "written");
    cr_expect_str_eq(tick(54 * S + 1000), "", "too soon");
}

Test(progress_status_line, a_shorter_line_covers_a_longer_one_and_all_is_erased)
{
    progress_begin(&progress, "analysing runs", 75, 100);
    tick(50 * S);
    progress_add(&progress, 25, 25);
    cr_expect_str_eq(tick(60 * S), "\ranalysing runs: 25 of 75, about 30 s left");
    progress_begin(&progress, "comparing feeders", 0, 0);
    cr_expect_str_eq(tick(61 * S), "\rcomparing feeders                        \rcomparing feeders");
    size_t before = seen_bytes;
    progress_status_erase(&status);
    cr_expect_str_eq(seen + before, "\r                 \r");
    before = seen_bytes;
    progress_status_erase(&status);
    cr_expect_str_eq(seen + before, "", "once");
}

Test(progress_status_line, the_pace_is_that_of_the_present_step)
{
    progress_begin(&progress, "opening series", 10, 10);
    tick(50 * S);
    progress_begin(&progress, "analysing runs", 10, 10);
    tick(90 * S);
    progress_add(&progress, 5, 5);
    cr_expect_str_eq(tick(110 * S), "\ranalysing runs: 5 of 10, about 20 s left");
}

Test(progress_status_line, a_narrow_terminal_gets_what_fits_short_of_its_last_column)
{
    status.width = 40;
    progress_begin(&progress, "resampling differences", 190, 1000);
    tick(50 * S);
    progress_add(&progress, 25, 250);
    cr_expect_str_eq(tick(60 * S), "\rabout 30 s left");
    status.width = 12;
    cr_expect_neq(tick(65 * S)[0], 0);
    cr_expect_leq(status.shown, 11);
}
