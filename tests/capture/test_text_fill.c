#include "capture/text_fill.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

static void expect(const char *lead, int rest, int columns, const char *text, const char *wanted)
{
    char *got = NULL;
    size_t length;
    FILE *out = open_memstream(&got, &length);
    text_fill(out, lead, rest, columns, text);
    fclose(out);
    cr_expect_str_eq(got, wanted, "'%s' in %d columns: '%s'", text, columns, got);
    free(got);
}

Test(text_fill, what_fits_stays_in_one_line)
{
    expect("", 2, 12, "twelve chars", "twelve chars");
    expect("", 2, 0, "as long as it likes to be, and longer", "as long as it likes to be, and longer");
    expect("- ", 2, 14, "twelve chars", "- twelve chars");
    expect("", 2, 12, "", "");
}

Test(text_fill, lines_are_broken_between_words_and_set_in)
{
    expect("", 2, 12, "twelve chars, and more of it", "twelve\n  chars, and\n  more of it");
    expect("", 2, 11, "twelve chars", "twelve\n  chars");
    expect("run 17: ", 4, 15, "push it at once", "run 17: push it\n    at once");
}

Test(text_fill, blanks_within_a_line_stay_and_those_at_a_break_go)
{
    expect("", 0, 20, "  a   b  c", "  a   b  c");
    expect("", 0, 7, "one two   three", "one two\nthree");
    expect("", 0, 9, "one two   three", "one two\nthree");
    expect("", 0, 12, "Name: ", "Name: ");
}

Test(text_fill, a_word_that_is_too_long_is_cut)
{
    expect("", 2, 6, "abcdefghijkl", "abcdef\n  ghij\n  kl");
    expect("lead: ", 1, 5, "abcd", "lead: a\n bcd");
    expect("", 9, 5, "abc", "abc");
    expect("", 9, 2, "abc", "ab\n         c");
}

Test(text_fill, a_line_that_may_not_be_broken_is_measured)
{
    cr_expect_eq(text_fill_fitting("a \u00b5 b", 3), 4);
    cr_expect_eq(text_fill_fitting("a \u00b5 b", 5), 6);
    cr_expect_eq(text_fill_fitting("a \u00b5 b", 0), 6);
}

/* Two bytes each, and never cut between them. */
Test(text_fill, characters_count_and_not_bytes)
{
    expect("", 1, 4, "\u00b5\u00b5\u00b5\u00b5", "\u00b5\u00b5\u00b5\u00b5");
    expect("", 1, 3, "\u00b5\u00b5\u00b5\u00b5", "\u00b5\u00b5\u00b5\n \u00b5");
    expect("\u00b5: ", 3, 8, "\u00b5m \u00b5m \u00b5m", "\u00b5: \u00b5m \u00b5m\n   \u00b5m");
}
