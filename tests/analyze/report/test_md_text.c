/* Suite md_text: foreign text inside Markdown. What a renderer makes of it is looked at by check_md_text.py;
 * here is what is written. */
#include "analyze/report/md_text.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

enum how { BEGINS, INSIDE, CODE, FENCED };

static void expect(enum how how, const char *text, const char *wanted)
{
    struct md_text t;
    char *written = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&written, &length);
    cr_assert_not_null(out);
    md_text_begin(&t, out, how == BEGINS);
    if (how == CODE)
        md_text_code(&t, text, strlen(text));
    else if (how == FENCED)
        md_text_fenced(out, text, strlen(text));
    else
        md_text_put(&t, text, strlen(text));
    fclose(out);
    cr_expect_str_eq(written, wanted, "'%s' became '%s', not '%s'", text, written, wanted);
    free(written);
}

Test(md_text, plain_words_and_numbers_stay_as_they_are)
{
    expect(BEGINS, "gear-8mm pushes 29.1 N ± 1.2 N harder; both are motor-limited.",
           "gear-8mm pushes 29.1 N ± 1.2 N harder; both are motor-limited.");
    expect(INSIDE, "-2.4 N to 3.1 N: p = 0.02 (few!)", "-2.4 N to 3.1 N: p = 0.02 (few!)");
    expect(INSIDE, "23.85 N", "23.85 N");
}

Test(md_text, what_makes_an_element_is_escaped)
{
    static const char *const rows[][2] = {
        {"<script>alert(1)</script>", "\\<script\\>alert(1)\\</script\\>"},
        {"&lt; &#60;", "\\&lt; \\&\\#60;"},
        {"[a](b) ![c](d) [^1]", "\\[a\\](b) !\\[c\\](d) \\[\\^1\\]"},
        {"*a* _b_ ~~c~~ `d` $e$", "\\*a\\* \\_b\\_ \\~\\~c\\~\\~ \\`d\\` \\$e\\$"},
        {"a|b \\| c", "a&#124;b \\\\&#124; c"},
        {"http://a.org HTTPS://b.org ftp://c", "http\\://a.org HTTPS\\://b.org ftp\\://c"},
        {"www.a.org WWW.b.org", "www\\.a.org WWW\\.b.org"},
        {"a@b.org, @c, mailto:d@e.org xmpp:f", "a`@`b.org, @c, mailto\\:d`@`e.org xmpp\\:f"}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        expect(BEGINS, rows[i][0], rows[i][1]);
        expect(INSIDE, rows[i][0], rows[i][1]);
    }
}

Test(md_text, marks_of_a_block_are_escaped_only_where_one_may_begin)
{
    static const char *const rows[][2] = {{"- a - b", "\\- a - b"},
                                          {"+ a", "\\+ a"},
                                          {"=== a", "\\=== a"},
                                          {"12) a 3) b", "12\\) a 3) b"},
                                          {"7. a 7. b", "7\\. a 7. b"},
                                          {"# a #", "\\# a \\#"},
                                          {"> a", "\\> a"},
                                          {"   - a", "\\- a"},
                                          {"a\n- b\n\n# c", "a - b \\# c"}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        expect(BEGINS, rows[i][0], rows[i][1]);
    expect(INSIDE, "7. a - b", "7. a - b");
}

Test(md_text, blanks_are_joined_and_control_characters_shown)
{
    expect(BEGINS, " \t a \r\n\n  b \f ", "a b");
    expect(BEGINS, "a\033[31mb\001\177", "a?\\[31mb??");
    expect(BEGINS, "", "");
    expect(BEGINS, "é 漢\u00a0±", "é 漢\u00a0±");
}

Test(md_text, code_is_fenced_by_more_than_it_holds)
{
    expect(CODE, "a*b|c<d>&amp;", "`a*b|c<d>&amp;`");
    expect(CODE, "a`b", "``a`b``");
    expect(CODE, "`a``b", "``` `a``b ```");
    expect(CODE, "", "");
    expect(CODE, "a\nb\033", "`a b?`");
    expect(FENCED, "x `y`\n</code>", "```\nx `y`\n</code>\n```\n\n");
    expect(FENCED, "```` x\n", "`````\n```` x\n`````\n\n");
}

Test(md_text, pieces_are_as_good_as_a_whole)
{
    static const char text[] = "www.a.org 12. <b> http://c d@e";
    char *whole = NULL, *pieces = NULL;
    size_t length = 0;
    for (int k = 0; k < 2; k++) {
        struct md_text t;
        FILE *out = open_memstream(k == 0 ? &whole : &pieces, &length);
        cr_assert_not_null(out);
        md_text_begin(&t, out, true);
        if (k == 0)
            md_text_put(&t, text, sizeof text - 1);
        for (size_t i = 0; k == 1 && i < sizeof text - 1; i++)
            md_text_put(&t, text + i, 1);
        fclose(out);
    }
    cr_expect_str_eq(whole, pieces);
    free(whole);
    free(pieces);
}
