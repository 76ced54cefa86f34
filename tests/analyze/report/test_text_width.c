#include "analyze/report/text_width.h"

#include <criterion/criterion.h>
#include <locale.h>
#include <pty.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

static const struct {
    const char *text;
    int columns;
} TEXTS[] = {
    {"", 0},
    {"19.42 N ± 0.39 N *", 18},
    {"Z\xC3\xBCrich", 6},
    {"Zu\xCC\x88rich", 6},           /* u with a combining diaeresis */
    {"\xE6\xB8\xAC\xE5\xAE\x9A", 4}, /* two wide characters */
    {"a\xF0\x9F\x94\xA7z", 4},       /* a wide one beyond the first plane */
    {"\xE1\x84\x80\xE1\x85\xA1", 2}, /* a syllable of two letters that are joined */
    {"\xFF", 1},                     /* no UTF-8 */
};

Test(text_width, characters_take_the_columns_that_a_terminal_gives_them)
{
    char *before = setlocale(LC_ALL, NULL);
    for (size_t i = 0; i < sizeof TEXTS / sizeof TEXTS[0]; i++)
        cr_expect_eq(text_width(TEXTS[i].text), TEXTS[i].columns, "row %zu: %d", i,
                     text_width(TEXTS[i].text));
    cr_expect_str_eq(setlocale(LC_ALL, NULL), before, "the locale of the program is left alone");
}

Test(text_width, a_part_that_fits_keeps_marks_with_their_letter)
{
    const char *marked = "Zu\xCC\x88rich", *wide = "\xE6\xB8\xAC\xE5\xAE\x9A";
    cr_expect_eq(text_width_fit(marked, strlen(marked), 2), 4);
    cr_expect_eq(text_width_fit(marked, strlen(marked), 99), strlen(marked));
    cr_expect_eq(text_width_fit(wide, 6, 3), 3, "half a wide character does not fit");
    cr_expect_eq(text_width_fit(wide, 6, 1), 3, "the first is taken however wide");
    cr_expect_eq(text_width_fit(wide, 0, 1), 0);
}

Test(text_width, the_terminal_goes_before_the_variable_and_that_before_the_usual)
{
    struct winsize size = {.ws_row = 24, .ws_col = 97};
    int master, slave, pipes[2];
    cr_assert_eq(openpty(&master, &slave, NULL, NULL, &size), 0);
    cr_assert_eq(pipe(pipes), 0);
    cr_expect_eq(text_width_of_terminal(slave, "61"), 97);
    size.ws_col = 13;
    ioctl(slave, TIOCSWINSZ, &size);
    cr_expect_eq(text_width_of_terminal(slave, NULL), TEXT_WIDTH_LEAST);
    size.ws_col = 0;
    ioctl(slave, TIOCSWINSZ, &size);
    cr_expect_eq(text_width_of_terminal(slave, NULL), 80, "a terminal that does not say");
    cr_expect_eq(text_width_of_terminal(pipes[1], "61"), 61);
    cr_expect_eq(text_width_of_terminal(pipes[1], "7"), TEXT_WIDTH_LEAST);
    cr_expect_eq(text_width_of_terminal(pipes[1], NULL), 80);
    static const char *const none[] = {"", "0", "-5", "61x", "1e2", "10001", "99999999999999999999"};
    for (size_t i = 0; i < sizeof none / sizeof none[0]; i++)
        cr_expect_eq(text_width_of_terminal(pipes[1], none[i]), 80, "'%s'", none[i]);
    close(master);
    close(slave);
    close(pipes[0]);
    close(pipes[1]);
}
