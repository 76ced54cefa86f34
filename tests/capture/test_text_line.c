#include "capture/text_line.h"

#include <criterion/criterion.h>
#include <string.h>

/* All lines of a stream that is fed in pieces of step bytes, each closed by '|'; a line that is too long
 * shows as
 * '!'. */
static void gather(const char *bytes, size_t length, size_t step, char *out)
{
    struct text_line line = {0};
    out[0] = 0;
    for (size_t at = 0; at < length;) {
        size_t piece = length - at < step ? length - at : step;
        enum text_line_result result;
        size_t taken = text_line_feed(&line, bytes + at, piece, &result);
        cr_assert(taken > 0 && taken <= piece);
        at += taken;
        if (result == TEXT_LINE_WHOLE)
            strcat(strcat(out, line.text), "|");
        else if (result == TEXT_LINE_TOO_LONG)
            strcat(out, "!|");
    }
}

Test(text_line, lines_are_whole_however_the_bytes_are_cut)
{
    static const char BYTES[] = "\r\n+12.3 N\r\n\n\nok\rerror: 7\nrest";
    char out[200];
    for (size_t step = 1; step < sizeof BYTES; step++) {
        gather(BYTES, sizeof BYTES - 1, step, out);
        cr_assert_str_eq(out, "+12.3 N|ok|error: 7|", "cut every %zu bytes", step);
    }
}

Test(text_line, a_line_that_never_ends_is_passed_over_and_the_next_one_is_read)
{
    char bytes[2000];
    char out[500];
    memset(bytes, 'x', sizeof bytes);
    bytes[TEXT_LINE_MAX] = '\n';
    bytes[TEXT_LINE_MAX + 1 + TEXT_LINE_MAX + 1] = '\n';
    memcpy(bytes + 1900, "\n5\n", 3);
    gather(bytes, 1903, 7, out);
    cr_expect_eq(strspn(out, "x"), TEXT_LINE_MAX, "the longest line that is taken");
    cr_expect_str_eq(out + TEXT_LINE_MAX, "|!|!|5|");
}

Test(text_line, a_zero_byte_does_not_hide_the_rest)
{
    char out[50];
    gather("1\0002\n", 4, 4, out);
    cr_expect_str_eq(out, "1\0012|");
    cr_expect_not(text_line_is_text("1\0012"));
}

Test(text_line, what_can_be_printed_is_text)
{
    cr_expect(text_line_is_text("+12.3\tkgf ~"));
    cr_expect(text_line_is_text("\xC2\xB5N"), "a unit in UTF-8 is text (byte 0xC2, 0xB5)");
    cr_expect_not(text_line_is_text("12\x1B[2J"));
    cr_expect_not(text_line_is_text("\x86\x98"));
    cr_expect_not(text_line_is_text("\x7F"));
}
