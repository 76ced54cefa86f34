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
    code = svg_inline(svg, strlen(svg), "fig-1", "A <b> title", "what \"it\" shows", out, e);
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
    cr_expect_eq(strncmp(text, "\n", 1) == 0
                     ? 0
                     : strncmp(text, "<svg role=\"img\" aria-labelledby=\"fig-1-title fig-1-desc\"", 50),
                 0, "%s", text);
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
