/* Suite markup_read: our own markup, read piece by piece. */
#include "analyze/report/markup_read.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void on_open(void *out, const char *name, const char *attributes)
{
    char *class = markup_attribute(attributes, "class");
    fprintf(out, "<%s%s%s>", name, class[0] != 0 ? " " : "", class);
    free(class);
}

static void on_close(void *out, const char *name)
{
    fprintf(out, "</%s>", name);
}

static void on_text(void *out, const char *text, size_t length)
{
    fprintf(out, "'%.*s'", (int)length, text);
}

/* What was told of markup that came in pieces of so many bytes. The caller frees. */
static char *told(const char *markup, size_t piece, enum err_code *code)
{
    char *text = NULL;
    size_t length = 0;
    struct err e = {0};
    FILE *out = open_memstream(&text, &length);
    struct markup_events events = {on_open, on_close, on_text, out};
    struct markup_reader *r = markup_reader_new(&events);
    cr_assert(out != NULL && r != NULL);
    for (size_t i = 0; i < strlen(markup); i += piece) {
        size_t left = strlen(markup) - i;
        cr_assert(markup_reader_put(r, markup + i, left < piece ? left : piece));
    }
    *code = markup_reader_end(r, &e);
    markup_reader_free(r);
    fclose(out);
    return text;
}

Test(markup_read, elements_and_text_are_told_in_order_however_they_come)
{
    static const char markup[] =
        "<!DOCTYPE html>\n<p class=\"a > b\">x<br/>&lt;y&gt; &amp;amp; &#8217;&#xb0;&#128512; &no;"
        "<td\nclass=\"&quot;q\"></td></p>";
    static const char wanted[] =
        "'\n'<p a > b>'x'<br></br>'<y> &amp; \u2019\u00b0\U0001F600 &no;'<td \"q></td></p>";
    for (size_t piece = 1; piece < 40; piece += 3) {
        enum err_code code;
        char *text = told(markup, piece, &code);
        cr_expect_eq(code, ERR_OK);
        cr_expect_str_eq(text, wanted, "%zu: %s", piece, text);
        free(text);
    }
}

Test(markup_read, what_is_not_closed_or_closed_by_another_name_is_our_fault)
{
    static const char *const rows[] = {"<p>a", "<p>a</b>", "a</p>", "<p", "<a-name-that-no-element-has>",
                                       "< p>"};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        enum err_code code;
        free(told(rows[i], 100, &code));
        cr_expect_eq(code, ERR_SYSTEM, "%s", rows[i]);
    }
}

Test(markup_read, attributes_are_found_by_their_whole_name)
{
    static const char attributes[] =
        " data-class=\"x\" id=\"a&amp;b\"\nclass=\"y z\" alt=\"class=&quot;w&quot;\"/";
    static const char *const rows[][2] = {
        {"class", "y z"}, {"id", "a&b"}, {"alt", "class=\"w\""}, {"src", ""}, {"d", ""}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *value = markup_attribute(attributes, rows[i][0]);
        cr_expect_str_eq(value, rows[i][1], "%s", rows[i][0]);
        free(value);
    }
}
