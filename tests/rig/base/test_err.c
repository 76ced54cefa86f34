#include "rig/base/err.h"

#include <criterion/criterion.h>
#include <string.h>

Test(err, place_and_sentence_are_joined)
{
    struct err e;
    char line[2048];
    cr_assert_eq(err_set_at(&e, ERR_FILE, "plan.yaml", 7, 3, "unknown key '%s'", "sped"), ERR_FILE);
    cr_assert_str_eq(err_format(&e, line, sizeof line), "plan.yaml:7:3: unknown key 'sped'");
    err_set(&e, ERR_SYSTEM, "disk full");
    cr_assert_str_eq(err_format(&e, line, sizeof line), "disk full");
}

Test(err, source_line_gets_a_caret)
{
    struct err e;
    char line[2048];
    err_set_at(&e, ERR_FILE, "p", 2, 3, "bad");
    strcpy(e.source, "a: \x1b[31mx");
    cr_assert_str_eq(err_format(&e, line, sizeof line), "p:2:3: bad\n  a: ?[31mx\n    ^");
}

Test(err, hostile_text_cannot_reach_a_terminal)
{
    char text[] = "a\x1b[2J\x7f\xc2\x9b"
                  "b\xff\xe2\x82\xac";
    char turned[] = "a\xe2\x80\xae"
                    "b\xef\xbb\xbf"
                    "c";
    cr_assert_str_eq(err_clean_text(text), "a?[2J???b?\xe2\x82\xac");
    cr_assert_str_eq(err_clean_text(turned), "a?b?c");
}

Test(err, each_code_has_its_exit_status)
{
    const struct {
        enum err_code code;
        int status;
    } rows[] = {{ERR_OK, 0},    {ERR_NO_ANSWER, 1}, {ERR_USAGE, 2},  {ERR_FILE, 3},  {ERR_DEVICE, 4},
                {ERR_BYTES, 4}, {ERR_SYSTEM, 5},    {ERR_MEMORY, 5}, {ERR_CALLER, 5}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        cr_expect_eq(err_exit_status(rows[i].code), rows[i].status, "row %zu", i);
}
