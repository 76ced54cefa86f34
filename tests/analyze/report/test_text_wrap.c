#include "analyze/report/text_width.h"
#include "analyze/report/text_wrap.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

/* What becomes of text, written in pieces of that many bytes. The caller frees. */
static char *wrapped(const char *text, int width, size_t piece)
{
    char *result = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&result, &length), *lines;
    cr_assert_not_null(out);
    lines = text_wrap_open(out, width);
    cr_assert_not_null(lines);
    for (size_t i = 0; i < strlen(text); i += piece) {
        fprintf(lines, "%.*s", (int)piece, text + i);
        fflush(lines);
    }
    cr_expect_eq(fclose(lines), 0);
    fclose(out);
    return result;
}

static const struct {
    const char *legend, *text;
    int width;
    const char *lines;
} ROWS[] = {
    {"short", "a b c\n", 40, "a b c\n"},
    {"any width", "one two three four five\n", 0, "one two three four five\n"},
    {"words", "one two three four five\n", 9, "one two\nthree\nfour five\n"},
    {"exactly", "one two three\n", 7, "one two\nthree\n"},
    {"no line break at the end", "one two three", 7, "one two\nthree"},
    {"indented", "  to tell: weigh it again\n", 14, "  to tell:\n    weigh it\n    again\n"},
    {"note", "* of feeder b\nnext\n", 9, "* of\n  feeder\n  b\nnext\n"},
    {"unit", "pushes 30.01 N harder\n", 14, "pushes 30.01 N\nharder\n"},
    {"unit does not fit", "pushes 30.01 N harder\n", 13, "pushes\n30.01 N\nharder\n"},
    {"unit with a stop", "it fed 12 mm/s, then\n", 12, "it fed\n12 mm/s,\nthen\n"},
    {"plus-minus", "about 30.01 N ± 0.71 N\n", 15, "about 30.01 N\n± 0.71 N\n"},
    {"difference", "difference a - b\n", 14, "difference\na - b\n"},
    {"blank lines", "one\n\ntwo\n", 9, "one\n\ntwo\n"},
    {"a word that is too long", "sha256:0123456789abcdef end\n", 10, "sha256:012\n3456789abc\ndef end\n"},
    {"wide characters", "\xE6\xB8\xAC\xE5\xAE\x9A \xE6\xB8\xAC\n", 5,
     "\xE6\xB8\xAC\xE5\xAE\x9A\n\xE6\xB8\xAC\n"},
    {"combining marks", "u\xCC\x88u\xCC\x88u\xCC\x88 xx\n", 6, "u\xCC\x88u\xCC\x88u\xCC\x88 xx\n"},
    {"a too long number", "30.01234567 N\n", 8, "30.01234\n567 N\n"},
};

Test(text_wrap, lines_are_broken_at_words_and_numbers_keep_their_units)
{
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        static const size_t pieces[] = {1, 3, 1000};
        for (size_t k = 0; k < 3; k++) {
            char *lines = wrapped(ROWS[i].text, ROWS[i].width, pieces[k]);
            cr_expect_str_eq(lines, ROWS[i].lines, "%s, pieces of %zu: '%s'", ROWS[i].legend, pieces[k],
                             lines);
            free(lines);
        }
    }
}

/* Whatever the text, no line is wider and no letter is lost. */
Test(text_wrap, no_line_is_wider_and_nothing_is_lost)
{
    static const char *const words[] = {"a",
                                        "47.98",
                                        "N",
                                        "±",
                                        "-",
                                        "motor-limited",
                                        "%",
                                        "\xE6\xB8\xAC",
                                        "u\xCC\x88",
                                        "(few)",
                                        "sha256:0123456789abcdef0123456789abcdef",
                                        "mm/s",
                                        ""};
    unsigned state = 20917;
    for (int n = 0; n < 500; n++) {
        char text[2000] = "", *lines;
        int width = 12 + n % 50, columns = 0;
        for (int k = 0; k < 40; k++) {
            state = state * 1664525u + 1013904223u;
            strcat(text, words[(state >> 8) % (sizeof words / sizeof words[0])]);
            strcat(text, " ");
        }
        lines = wrapped(text, width, 7);
        for (const char *p = lines, *end; *p != 0; p = *end != 0 ? end + 1 : end) {
            end = strchrnul(p, '\n');
            columns = text_width_of(p, (size_t)(end - p));
            cr_expect_leq(columns, width, "%d of %d: '%.*s'", columns, width, (int)(end - p), p);
        }
        const char *q = lines;
        for (const char *p = text; *p != 0; p++) {
            if (*p == ' ')
                continue;
            q += strspn(q, " \n");
            cr_assert_eq(*p, *q, "lost at '%s' of '%s'", p, text);
            q++;
        }
        free(lines);
    }
}

Test(text_wrap, the_widest_part_is_what_is_not_broken_unless_it_has_to_be)
{
    cr_expect_eq(text_wrap_widest_part("19.42 N ± 0.39 N *"), 8);
    cr_expect_eq(text_wrap_widest_part("29.90 N to 30.54 N (few)"), 7);
    cr_expect_eq(text_wrap_widest_part("gear-8mm is higher"), 8);
    cr_expect_eq(text_wrap_widest_part(""), 0);
}

Test(text_wrap, a_full_disk_is_told)
{
    FILE *full = fopen("/dev/full", "w"), *lines;
    cr_assert_not_null(full);
    setvbuf(full, NULL, _IONBF, 0);
    lines = text_wrap_open(full, 40);
    fprintf(lines, "one line\n");
    cr_expect_neq(fflush(lines), 0);
    fclose(lines);
    cr_expect_neq(ferror(full), 0);
    fclose(full);
}
