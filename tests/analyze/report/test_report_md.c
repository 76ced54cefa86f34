/* Suite report_md: the page in Markdown of sessions made by hand, and the folder that it stands in. */
#include "analyze/report/report_md.h"

#include "analyze/report/report_write.h"
#include "tests/analyze/report/fixture_outcomes.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/analyze/report/page_checks.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char *page_of(const struct session *s, const struct figures *figures)
{
    char *text = NULL;
    size_t length = 0;
    struct err e = {0};
    FILE *out = open_memstream(&text, &length);
    cr_assert_not_null(out);
    cr_assert_eq(report_md_write(s, figures, out, &e), ERR_OK, "%s", e.text);
    fclose(out);
    return text;
}

Test(report_md, page_has_the_parts_of_the_other_page_in_its_order)
{
    static const char *const parts[] = {
        "> **SIMULATED DATA. ",
        "\n# ",
        "\n## The answer\n",
        ("gear-8mm pushes 37.8 N ± 2.3 N harder than gear-12mm at 10 mm/s (95 % interval "
         "35.5 N to 40.1 N); both are motor-limited."),
        "| Feeder | Stall force | Slip onset | What gave way | Runs |",
        "\n## Feeders and conditions\n",
        "\n## Comparison\n",
        "\n### Pairs\n",
        "| Pair | Quantity | Speed | Verdict | Difference | Adjusted p |",
        "\n### By feeder and speed\n",
        "\n## Loaded feed\n",
        "\n## All runs\n",
        "[results.csv](results.csv)",
        "\n## Data quality\n",
        "\n## Method\n",
        "\n## Uncertainty\n",
        "\n### Budgets at the reference speed\n",
        "\n## How to repeat this\n",
        "```\nnipbench-analyze verify series\n",
        "\n## Cautions\n",
        "emergency stop",
        "\n## Provenance\n",
        "- Package hash: sha256:"};
    struct session *s = fixture_outcomes(false);
    char *page = page_of(s, NULL);
    const char *at = page;
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        const char *found = strstr(at, parts[i]);
        cr_expect_not_null(found, "no '%s' behind '%s'", parts[i], i > 0 ? parts[i - 1] : "");
        at = found != NULL ? found : at;
    }
    cr_expect_null(strstr(page, "Evidence for each run"), "a list of runs");
    /* How a pair was judged stands under the table, by the number at the pair. */
    cr_expect_not_null(strstr(page, "\n| gear-8mm against gear-12mm (1) | stall force |"));
    cr_expect_not_null(strstr(page, "\n\n1. "));
    cr_expect_null(strstr(page, "|  |  |  |  |"), "a row without its words");
    free(page);
    s->simulated = false;
    page = page_of(s, NULL);
    cr_expect_null(strstr(page, "SIMULATED DATA"));
    free(page);
    fixture_outcomes_free(s);
}

/* The page has no table of runs, so these stand in words. */
Test(report_md, runs_that_were_repeated_are_named_with_those_that_count)
{
    struct session *s = fixture_session(false);
    struct series *both[] = {s->series[0], s->series[0]}, **own = s->series;
    struct run_record *records = s->series[0]->runs;
    char *page = page_of(s, NULL);
    cr_assert(s->series_count == 1 && s->runs[2].record == &records[2] && s->runs[6].record == &records[6]);
    cr_expect_null(strstr(page, "repeated by the operator"));
    free(page);
    records[2].repeated_by = 31;
    page = page_of(s, NULL);
    cr_expect_not_null(
        strstr(page, "1 more was repeated by the operator and does not count: run 3 by run 31."));
    free(page);
    records[6].repeated_by = 32;
    s->series = both;
    s->series_count = 2;
    s->runs[6].series = 1;
    page = page_of(s, NULL);
    cr_expect_not_null(strstr(page,
                              "2 more were repeated by the operator and do not count: series 1 run 3 by "
                              "run 31, series 2 run 7 by run 32."));
    free(page);
    s->series = own;
    s->series_count = 1;
    fixture_session_free(s);
}

Test(report_md, links_within_the_page_lead_to_headings)
{
    struct session *s = fixture_outcomes(false);
    char *page = page_of(s, NULL);
    size_t links = 0;
    for (const char *p = page; (p = strstr(p, "](#")) != NULL; p++, links++) {
        static const char *const targets[] = {
            "method)",   "feeders-and-conditions)", "loaded-feed", "reversal", "comparison)", "free-run",
            "melt-push", "operating-chart",         "provenance)"};
        bool known = false;
        for (size_t i = 0; i < sizeof targets / sizeof targets[0]; i++)
            known = known || strncmp(p + 3, targets[i], strlen(targets[i])) == 0;
        cr_expect(known, "%.40s", p);
    }
    cr_expect_gt(links, 4);
    for (const char *p = page; *p != 0; p++)
        cr_expect((unsigned char)*p >= 0x20 || *p == '\n', "control character %d", *p);
    free(page);
    fixture_outcomes_free(s);
}

Test(report_md, hostile_texts_are_escaped_and_nothing_is_fetched)
{
    struct session *s = fixture_outcomes(true);
    char *page = page_of(s, NULL);
    for (const char *p = page; (p = strpbrk(p, "<>")) != NULL; p++) {
        bool fence = false;
        const char *line = p;
        while (line > page && line[-1] != '\n')
            line--;
        /* Inside a block of code a letter is a letter. */
        for (const char *c = strstr(page, "\n```"); c != NULL && c < p; c = strstr(c + 1, "\n```"))
            fence = !fence;
        cr_expect(fence || (p > page && p[-1] == '\\') || (line == p && strncmp(p, "> **SIMULATED", 13) == 0),
                  "%.60s", p);
    }
    cr_expect_null(strstr(page, "http:"));
    cr_expect_null(strstr(page, "\xE2\x80\xAE"));
    cr_expect_null(strstr(page, "\xFF"));
    cr_expect_gt(page_count(page, "\\<script\\>"), 3);
    cr_expect_not_null(strstr(page, "```\nnipbench-analyze verify 'it'\\''s $(id)'\n"));
    free(page);
    fixture_outcomes_free(s);
}

Test(report_md, figures_stand_beside_the_page_and_display_alone, .init = scratch_begin, .fini = scratch_end)
{
    struct session *s = fixture_session(true);
    struct err e = {0};
    char folder[600], *page;
    struct figures figures;
    snprintf(folder, sizeof folder, "%s", scratch_path("out"));
    struct report_options options = {.folder = folder, .figures = true, .pages = REPORT_PAGE_MD};
    cr_assert_eq(report_write(s, &options, &e), ERR_OK, "%s: %s", e.file, e.text);
    page = scratch_read("out/report.md");
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK);
    cr_expect_eq(page_count(page, "\n!["), figures.count);
    for (size_t i = 0; i < figures.count; i++) {
        char link[160], *picture;
        snprintf(link, sizeof link, "](figures/%s.svg)", figures.figure[i].name);
        cr_expect_eq(page_count(page, link), 1, "%s", link);
        snprintf(link, sizeof link, "out/figures/%s.svg", figures.figure[i].name);
        picture = scratch_read(link);
        cr_assert_not_null(picture, "%s", link);
        /* As an image a picture may not run or fetch anything, and a dark page must not show through. */
        cr_expect_null(strstr(picture, "<script"), "%s", link);
        cr_expect_null(strstr(picture, "@font-face"), "%s", link);
        cr_expect_null(strstr(picture, "href=\"http"), "%s", link);
        cr_expect_null(strstr(picture, "href='http"), "%s", link);
        cr_expect_not_null(strstr(picture, "fill=\"#ffffff\"/>"), "%s has no ground", link);
        cr_expect_not_null(strstr(picture, "xmlns=\"http://www.w3.org/2000/svg\""), "%s", link);
        free(picture);
    }
    figures_free(&figures);
    free(page);
    fixture_session_free(s);
}

static bool there(const char *file)
{
    return access(scratch_path(file), F_OK) == 0;
}

Test(report_md, a_page_of_another_kind_does_not_stay_beside_new_numbers, .init = scratch_begin,
     .fini = scratch_end)
{
    static const struct {
        unsigned pages;
        bool html, md;
    } rows[] = {{0, true, false},
                {REPORT_PAGE_MD, false, true},
                {REPORT_PAGE_HTML | REPORT_PAGE_MD, true, true},
                {REPORT_PAGE_HTML, true, false},
                {REPORT_PAGE_MD, false, true},
                {0, true, false}};
    struct session *s = fixture_session(false);
    struct err e = {0};
    char folder[600];
    snprintf(folder, sizeof folder, "%s", scratch_path("out"));
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct report_options options = {.folder = folder, .pages = rows[i].pages};
        cr_assert_eq(report_write(s, &options, &e), ERR_OK, "%s: %s", e.file, e.text);
        cr_expect_eq(there("out/report.html"), rows[i].html, "report.html, step %zu", i);
        cr_expect_eq(there("out/report.md"), rows[i].md, "report.md, step %zu", i);
    }
    /* What a report that was killed was writing goes whichever page it was of. */
    scratch_write("out/report.md.Ab3dE9.tmp", "half");
    struct report_options options = {.folder = folder};
    cr_expect_eq(report_write(s, &options, &e), ERR_OK, "%s: %s", e.file, e.text);
    cr_expect(!there("out/report.md.Ab3dE9.tmp"));
    scratch_write("out/report.markdown", "mine");
    cr_expect_eq(report_write(s, &options, &e), ERR_USAGE);
    fixture_session_free(s);
}
