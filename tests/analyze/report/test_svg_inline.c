#include "analyze/report/svg_inline.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

static enum err_code inline_text(const char *svg, char **result, struct err *e)
{
    size_t length = 0;
    FILE *out = open_memstream(result, &length);
    enum err_code code;
    cr_assert_not_null(out);
    code = svg_inline(svg, strlen(svg), "fig-1", "A <b> title", "what \"it\" shows", out, NULL, e);
    fclose(out);
    return code;
}

static const char GOOD[] =
    "<?xml version=\"1.0\" encoding=\"utf-8\" standalone=\"no\"?>\n<!DOCTYPE svg>\n"
    "<svg width=\"9\" viewBox='0 0 9 9' xmlns=\"http://www.w3.org/2000/svg\">\n"
    "<title>name</title><desc>Produced by <b>something</b></desc>\n"
    "<!-- a comment <not a tag> --><g id=\"canvas\"><defs><circle id='gpDot' r='0.5'/></defs>\n"
    "<g><title>curve</title><use xlink:href='#gpDot' x=\"1\"/><rect style=\"fill:url(#gpPt0) "
    "url(#b)\"/></g></g>\n"
    "<text>a &amp; b &#177;</text></svg>\n";

Test(svg_inline, ids_and_references_get_the_prefix)
{
    char *text = NULL;
    struct err e;
    cr_assert_eq(inline_text(GOOD, &text, &e), ERR_OK, "%s", e.text);
    cr_expect_not_null(strstr(text, "<g id=\"fig-1-canvas\">"), "%s", text);
    cr_expect_not_null(strstr(text, "<circle id='fig-1-gpDot' r='0.5'/>"), "%s", text);
    cr_expect_not_null(strstr(text, "xlink:href='#fig-1-gpDot'"), "%s", text);
    cr_expect_not_null(strstr(text, "url(#fig-1-gpPt0) url(#fig-1-b)"), "%s", text);
    free(text);
}

Test(svg_inline, the_picture_gets_our_title_and_loses_the_prolog)
{
    char *text = NULL;
    struct err e;
    cr_assert_eq(inline_text(GOOD, &text, &e), ERR_OK);
    cr_expect_not_null(strstr(text, "<svg role=\"img\" aria-labelledby=\"fig-1-title\" "
                                    "aria-describedby=\"fig-1-desc\" width"),
                       "%s", text);
    cr_expect_null(strstr(text, "<?xml"));
    cr_expect_null(strstr(text, "DOCTYPE"));
    cr_expect_null(strstr(text, "comment"));
    cr_expect_null(strstr(text, "Produced by"));
    cr_expect_null(strstr(text, "something"));
    cr_expect_not_null(strstr(text, "<title id=\"fig-1-title\">A &lt;b&gt; title</title>"));
    cr_expect_not_null(strstr(text, "<desc id=\"fig-1-desc\">what &quot;it&quot; shows</desc>"));
    cr_expect_not_null(strstr(text, "<title>curve</title>"), "the titles of curves stay");
    free(text);
}

Test(svg_inline, colours_of_the_figures_become_those_of_the_page)
{
    static const struct {
        const char *drawn, *page;
    } rows[] = {
        {"fill=\"#ffffff\"", "fill=\"var(--figure-paper)\""},
        {"stroke='rgb(  0, 114, 178)'", "stroke='var(--figure-hue-1)'"},
        {"stroke=\"rgb(213,94,0)\"", "stroke=\"var(--figure-hue-2)\""},
        {"fill = 'rgb( 68,  68,  68)'", "fill='var(--figure-axis)'"},
        {"color=\"black\"", "color=\"var(--figure-ink)\""},
        {"color='#D55E00'", "color='var(--figure-hue-2)'"},
        /* What is no colour of the figures stays as it is, and so does text that only looks like one. */
        {"stroke=\"rgb(148,   0, 211)\"", "stroke=\"rgb(148,   0, 211)\""},
        {"fill=\"rgb(0,114,1780)\"", "fill=\"rgb(0,114,1780)\""},
        {"fill=\"#0072B\"", "fill=\"#0072B\""},
        {"fill=\"none\"", "fill=\"none\""},
        {"class=\"black\"", "class=\"black\""}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char svg[200], *text = NULL;
        struct err e;
        snprintf(svg, sizeof svg, "<svg><path %s d='M0,0'/></svg>", rows[i].drawn);
        cr_assert_eq(inline_text(svg, &text, &e), ERR_OK, "%s", e.text);
        cr_expect_not_null(strstr(text, rows[i].page), "row %zu: %s", i, text);
        free(text);
    }
}

Test(svg_inline, what_shows_nothing_is_left_out)
{
    static const char svg[] =
        "<svg><g id=\"empty\" title=\"a > b\">\n</g><g id=\"full\"><g></g><path d='M1,1'/></g>"
        "<g id=\"p_1\" ><title>fig_1_plot_2a</title><text>A &lt;b&gt; title</text><text>A "
        "title</text><text>A &lt;b&gt; title, and more</text>"
        "<rect title='A &lt;b&gt; title'/></g></svg>";
    char *text = NULL;
    struct err e;
    cr_assert_eq(inline_text(svg, &text, &e), ERR_OK, "%s", e.text);
    cr_expect_null(strstr(text, "empty"), "%s", text);
    cr_expect_not_null(strstr(text, "<g id=\"fig-1-full\"><path d='M1,1'/></g>"), "%s", text);
    cr_expect_null(strstr(text, "plot_2a"), "gnuplot's own name of a plot: %s", text);
    cr_expect_not_null(strstr(text, "<text></text><text>A title</text><text>A &lt;b&gt; title, and "
                                    "more</text><rect title='A &lt;b&gt; title'/></g></svg>"),
                       "only the title itself goes: %s", text);
    free(text);
}

Test(svg_inline, a_picture_cut_at_any_byte_is_refused)
{
    char cut[sizeof GOOD];
    size_t whole = strlen(GOOD) - 1; /* without the last line feed it is still whole */
    for (size_t n = 0; n < whole; n++) {
        char *text = NULL;
        struct err e;
        memcpy(cut, GOOD, n);
        cut[n] = 0;
        cr_expect_eq(inline_text(cut, &text, &e), ERR_SYSTEM, "cut at byte %zu was taken", n);
        free(text);
    }
}

Test(svg_inline, what_is_malformed_or_reaches_out_is_refused)
{
    static const struct {
        const char *what, *svg;
    } rows[] = {
        {"nothing", ""},
        {"blank", " \n"},
        {"not svg", "<html></html>"},
        {"crossed tags", "<svg><g><a></g></svg>"},
        {"wrong end tag", "<svg><g></svg></g>"},
        {"two roots", "<svg></svg><svg></svg>"},
        {"text after the end", "<svg></svg>x"},
        {"control character", "<svg><text>\001</text></svg>"},
        {"bare ampersand", "<svg><text>a & b</text></svg>"},
        {"unknown entity", "<svg><text>&nbsp;</text></svg>"},
        {"attribute without quotes", "<svg width=9></svg>"},
        {"attribute without a value", "<svg hidden></svg>"},
        {"less-than in an attribute", "<svg a=\"<\"></svg>"},
        {"script", "<svg><script>alert(1)</script></svg>"},
        {"event attribute", "<svg onload=\"alert(1)\"></svg>"},
        {"event attribute in capitals", "<svg ONLOAD=\"alert(1)\"></svg>"},
        {"outside reference", "<svg><use xlink:href=\"http://example.org/x\"/></svg>"},
        {"script reference", "<svg><use href=\"javascript:alert(1)\"/></svg>"},
        {"image", "<svg><image href=\"#x\"/></svg>"},
        {"empty picture", "<svg/>"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *text = NULL;
        struct err e = {0};
        cr_expect_eq(inline_text(rows[i].svg, &text, &e), ERR_SYSTEM, "taken: %s", rows[i].what);
        cr_expect(e.text[0] != 0, "no reason: %s", rows[i].what);
        free(text);
    }
}

static size_t told_count, told_last;
static void hear(const char *svg, size_t bytes)
{
    cr_expect(svg != NULL && bytes > told_last);
    told_last = bytes;
    told_count++;
}

Test(svg_inline, of_a_long_picture_it_tells_what_is_behind)
{
    enum { LINES = 20000 };
    char *svg = malloc(LINES * 32 + 100), *text = NULL, *at = svg + sprintf(svg, "<svg>\n");
    size_t length, written = 0;
    FILE *out = open_memstream(&text, &written);
    struct err e;
    for (int i = 0; i < LINES; i++)
        at += sprintf(at, "<path d='M%d,%d'/>\n", i, i);
    length = (size_t)(stpcpy(at, "</svg>\n") - svg);
    told_count = told_last = 0;
    cr_assert_eq(svg_inline(svg, length, "x", "", "", out, hear, &e), ERR_OK, "%s", e.text);
    fclose(out);
    /* A piece of 64 KiB at a time, and the last one not. */
    cr_expect(told_count >= length / 65536 - 1 && told_count <= length / 65536, "%zu times for %zu bytes",
              told_count, length);
    cr_expect(told_last < length && length - told_last < 2 * 65536);
    cr_expect_not_null(strstr(text, "M19999,19999"));
    free(text);
    free(svg);
}
