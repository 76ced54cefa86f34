/* Suite md_page: pages of elements as Markdown. */
#include "analyze/report/md_page.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

/* The page in Markdown. The caller frees. */
static char *turned(const char *markup)
{
    struct md_page *p = md_page_new("runs", "See [runs.csv](runs.csv).");
    char *text = NULL;
    size_t length = 0;
    struct err e = {0};
    FILE *out = open_memstream(&text, &length);
    cr_assert(p != NULL && out != NULL);
    for (const char *c = markup; *c != 0; c++)
        cr_assert(md_page_put(p, c, 1));
    cr_assert_eq(md_page_end(p, out, &e), ERR_OK, "%s", e.text);
    md_page_free(p);
    fclose(out);
    return text;
}

static void expect(const char *markup, const char *wanted)
{
    char *text = turned(markup);
    cr_expect_str_eq(text, wanted, "became\n%s\nnot\n%s", text, wanted);
    free(text);
}

Test(md_page, paragraphs_lists_and_headings_stand_apart)
{
    expect("<h1>A <b>c</b></h1>\n<p>one\n  two</p><ul>\n<li>x &amp; y</li>\n<li>- z</li></ul><p>end</p>",
           "# A c\n\none two\n\n- x \\& y\n- \\- z\n\nend\n\n");
    expect("<ol>\n<li>first</li>\n<li>2. then</li></ol><ul><li>any</li></ul><ol><li>again</li></ol>",
           "1. first\n2. 2\\. then\n\n- any\n\n1. again\n\n");
    expect("<p class=\"simulated\">SIMULATED.</p>\n<dl><dt>A term</dt>\n<dd>What it is.</dd></dl>",
           "> **SIMULATED.**\n\n### A term\n\nWhat it is.\n\n");
    expect("loose <b>words</b>", "loose words\n\n");
}

Test(md_page, code_and_formulas_keep_their_letters)
{
    expect("<pre><code>run 'a`b'\n  --x</code></pre>", "```\nrun 'a`b'\n  --x\n```\n\n");
    expect("<p>see <code>a_b*</code>, then</p>", "see `a_b*`, then\n\n");
    expect("<p>in <code>figures/a-1.csv</code>, <code>results.json</code>, <code>../x.csv</code>, "
           "<code>a.b</code></p>",
           "in [`figures/a-1.csv`](figures/a-1.csv), [`results.json`](results.json), `../x.csv`, `a.b`\n\n");
    expect("<p>with<div class=\"formula\"><var>F</var><sub>on</sub> = <var>k</var> "
           "<var>Q</var><sup><var>n</var></sup></div>and so on</p>",
           "with\n\n```\nF_on = k Q^n\n```\n\nand so on\n\n");
    expect("<p>at <var>F</var><sub>on</sub></p>", "at F\\_on\n\n");
}

Test(md_page, what_is_folded_away_or_no_text_is_left_out_with_its_heading)
{
    expect("<head><title>t</title><style>a{b:c}</style></head><nav><ul><li>x</li></ul></nav>"
           "<h2>Kept</h2><p>a</p><h3>Gone</h3><details><summary>s</summary><p>b</p></details>"
           "<h2>Last</h2><h3>Sub</h3><p>c</p><h2>Empty</h2><footer><p>f</p></footer>",
           "## Kept\n\na\n\n## Last\n\n### Sub\n\nc\n\n");
    expect("<section id=\"runs\"><h2>All runs</h2><table><tr><td>1</td></tr></table></section><p>on</p>",
           "## All runs\n\nSee [runs.csv](runs.csv).\n\non\n\n");
}

Test(md_page, links_lead_to_headings_that_are_there_and_to_files_beside)
{
    expect(
        "<p>How: <a href=\"#how\">the way</a>, <a href=\"#none\">none</a>, <a href=\"http://e.org\">out</a>, "
        "<a href=\"../x\">up</a>, <a href=\"figures/a-1.csv\">data</a>.</p>"
        "<h3>The Way, 2</h3><p>a</p><section id=\"how\">\n<h2>The way 2</h2><p>b</p></section>",
        "How: [the way](#the-way-2-1), none, out, up, [data](figures/a-1.csv).\n\n"
        "### The Way, 2\n\na\n\n## The way 2\n\nb\n\n");
}

Test(md_page, pictures_have_their_description)
{
    expect("<figure><div class=\"picture\"><img src=\"figures/a.svg\" alt=\"of [x](y) &quot;z&quot;\"/></div>"
           "<figcaption>Redraw it.</figcaption></figure>",
           "![of \\[x\\](y) \"z\"](figures/a.svg)\n\nRedraw it.\n\n");
    expect("<img src=\"http://e.org/a.svg\" alt=\"x\"/><img src=\"/a.svg\" alt=\"x\"/><p>a</p>", "a\n\n");
}

Test(md_page, line_breaks_in_cells_become_brackets_and_flags)
{
    expect(
        "<table><caption>What</caption><thead><tr><td></td><th class=\"a number\">F</th></tr></thead><tbody>"
        "<tr><th>x <span class=\"line dim small\">at 4 N</span></th><td class=\"number\">-9.1 N <span "
        "class=\"line dim small\">k = 2</span> <span class=\"line flag\">coarse</span></td></tr>"
        "<tr><th>a|b<br/>c</th><td colspan=\"1\">*</td></tr></tbody></table>",
        "What\n\n|  | F |\n| --- | ---: |\n| x (at 4 N) | -9.1 N (k = 2); coarse |\n| a&#124;b c | \\* "
        "|\n\n");
}

Test(md_page, rows_over_the_whole_width_become_headings_and_notes)
{
    static const char head[] = "<table><thead><tr><th>A</th><th>B</th></tr></thead><tbody>";
    char markup[900];
    snprintf(markup, sizeof markup, "%s%s", head,
             "<tr><th colspan=\"2\">first</th></tr><tr><td>1.</td><td>2</td></tr><tr><td colspan=\"2\">a "
             "note</td></tr>"
             "<tr><th colspan=\"2\">second</th></tr><tr><td>3</td><td>4</td></tr></tbody></table>");
    expect(markup,
           "first:\n\n| A | B |\n| --- | --- |\n| 1. | 2 |\n\na note\n\nsecond:\n\n| A | B |\n| --- | --- |\n"
           "| 3 | 4 |\n\n");
    snprintf(
        markup, sizeof markup, "%s%s", head,
        "<tr class=\"upper pair\"><td>x</td><td>2</td></tr><tr><td colspan=\"2\">why x</td></tr>"
        "<tr><td>y</td></tr><tr class=\"upper\"><td>z</td><td>4</td></tr><tr><td colspan=\"2\">- z</td></tr>"
        "</tbody></table>");
    expect(markup, "| A | B |\n| --- | --- |\n| x (1) | 2 |\n| y | |\n| z (2) | 4 |\n\n1. why x\n2. - z\n\n");
}

Test(md_page, a_table_without_a_head_is_a_list)
{
    expect("<table><tbody><tr><th>Title</th><td>- <code>a`b</code></td></tr><tr><th>1. "
           "x</th><td>y</td></tr></tbody></table>",
           "- Title: \\- a\\`b\n- 1\\. x: y\n\n");
}

Test(md_page, markup_that_does_not_end_is_no_page)
{
    struct md_page *p = md_page_new(NULL, NULL);
    struct err e = {0};
    cr_assert(p != NULL && md_page_put(p, "<p>a", 4));
    cr_expect_eq(md_page_end(p, stdout, &e), ERR_SYSTEM);
    md_page_free(p);
    p = md_page_new(NULL, NULL);
    cr_assert(p != NULL && md_page_put(p, "<table><thead><tr><th>a", 23));
    md_page_free(p);
    md_page_free(NULL);
}
