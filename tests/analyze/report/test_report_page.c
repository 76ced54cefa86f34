/* The page that people pass on: its order, its figures with their words and data, its numbers, its commands.
 */
#include "analyze/report/answer_plain.h"
#include "analyze/report/figure.h"
#include "analyze/report/html_style.h"
#include "analyze/report/report_write.h"
#include "tests/analyze/report/fixture_outcomes.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/analyze/report/page_checks.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

TestSuite(report_page, .init = scratch_begin, .fini = scratch_end);

/* Places in the page of words that must come one after the other. */
static void expect_order(const char *page, const char *const *words, size_t count)
{
    const char *p = page;
    for (size_t i = 0; i < count; i++) {
        const char *at = strstr(p, words[i]);
        cr_expect_not_null(at, "%s is not there, or not in its place", words[i]);
        p = at != NULL ? at : p;
    }
}

Test(report_page, sections_and_links_to_them_have_the_order_of_the_reader)
{
    static const char *const sections[] = {
        "<section id=\"answer\"",         "<section id=\"feeders\"",
        "<section id=\"comparison\"",     "<section id=\"pushes\"",
        "<section id=\"torque-section\"", "<section id=\"test-loaded-feed\"",
        "<section id=\"test-melt-push\"", "<section id=\"limited\"",
        "<section id=\"runs\"",           "<section id=\"method\"",
        "<section id=\"uncertainty\"",    "<section id=\"repeat\"",
        "<section id=\"cautions\"",       "<section id=\"provenance\""};
    static const char *const links[] = {"href=\"#feeders\"",
                                        "href=\"#comparison\"",
                                        "href=\"#pushes\"",
                                        "href=\"#torque-section\"",
                                        "href=\"#test-loaded-feed\"",
                                        "href=\"#limited\"",
                                        "href=\"#runs\"",
                                        "href=\"#method\"",
                                        "href=\"#uncertainty\"",
                                        "href=\"#repeat\"",
                                        "href=\"#cautions\"",
                                        "href=\"#provenance\"",
                                        "</nav>"};
    struct session *s = fixture_outcomes(false);
    char *page = page_output(s, OUTPUT_HTML);
    const char *nav = strstr(page, "<nav");
    expect_order(page, sections, sizeof sections / sizeof sections[0]);
    cr_assert_not_null(nav);
    expect_order(nav, links, sizeof links / sizeof links[0]);
    cr_expect_eq(page_count(page, "<h1>"), 1);
    free(page);
    fixture_outcomes_free(s);
}

/* A whole report with its figures in the scratch folder; the page. */
static char *drawn_page(const struct session *s)
{
    struct err e = {0};
    char folder[600], *page;
    snprintf(folder, sizeof folder, "%s", scratch_path("out"));
    struct report_options options = {.folder = folder, .figures = true, .threads = 1};
    cr_assert_eq(report_write(s, &options, &e), ERR_OK, "%s: %s", e.file, e.text);
    page = scratch_read("out/report.html");
    cr_assert_not_null(page);
    return page;
}

static int hex(char c)
{
    return isdigit((unsigned char)c) ? c - '0' : toupper((unsigned char)c) - 'A' + 10;
}

/* The bytes that a data: link stands for, up to its closing quote. The caller frees. */
static char *decoded(const char *link)
{
    char *text = malloc(strlen(link) + 1), *out = text;
    cr_assert_not_null(text);
    for (; *link != '"' && *link != 0; link++) {
        if (*link == '%') {
            cr_assert(isxdigit((unsigned char)link[1]) && isxdigit((unsigned char)link[2]));
            *out++ = (char)(hex(link[1]) * 16 + hex(link[2]));
            link += 2;
        } else {
            cr_expect(isalnum((unsigned char)*link) || strchr("-._~,", *link) != NULL,
                      "'%c' stands in a URL as it is", *link);
            *out++ = *link;
        }
    }
    *out = 0;
    return text;
}

/* The attribute's value names an id that stands in the figure. */
static void expect_resolves(const char *figure, const char *attribute, const char *name)
{
    char wanted[200], id[160];
    const char *at = strstr(figure, attribute);
    cr_assert_not_null(at, "%s has no %s", name, attribute);
    snprintf(id, sizeof id, "%.*s", (int)strcspn(at + strlen(attribute), "\""), at + strlen(attribute));
    snprintf(wanted, sizeof wanted, " id=\"%s\"", id);
    cr_expect_not_null(strstr(figure, wanted), "%s: nothing is called %s", name, id);
}

static void expect_figure(const char *figure, const char *name)
{
    static const char link[] = "href=\"data:text/csv;charset=utf-8,";
    char words[160], path[160], *saved, *file;
    const char *seen = strstr(figure, "</h3>\n<p>"), *desc = strstr(figure, "<desc "),
               *data = strstr(figure, link);
    static const char *const order[] = {
        "<figcaption>\n<h3>",  "</h3>\n<p>", "</figcaption>", "role=\"group\"",
        "<svg role=\"img\"",   "<title ",    "<desc ",        "</svg>",
        "<p class=\"about\">", "download=\""};
    expect_order(figure, order, sizeof order / sizeof order[0]);
    expect_resolves(figure, "aria-labelledby=\"", name);
    expect_resolves(figure, "aria-describedby=\"", name);
    cr_assert(seen != NULL && desc != NULL && data != NULL, "%s", name);
    seen += strlen("</h3>\n<p>");
    cr_expect_gt(strcspn(seen, "<"), 30, "%s does not say what is to be seen: %.60s", name, seen);
    /* A listener hears the same first. */
    desc = strchr(desc, '>') + 1;
    cr_expect_eq(strncmp(seen, desc, strcspn(seen, "<")), 0, "%s: %.60s", name, desc);
    cr_expect_gt(strcspn(desc, "<"), strcspn(seen, "<") + 5, "%s: not how to read it", name);
    snprintf(words, sizeof words, "download=\"%s.csv\" href=", name);
    cr_expect_not_null(strstr(figure, words), "%s", words);
    snprintf(path, sizeof path, "out/figures/%s.csv", name);
    saved = decoded(data + strlen(link));
    file = scratch_read(path);
    cr_assert_not_null(file, "%s", path);
    cr_expect_str_eq(saved, file, "%s saves other data than its file has", name);
    free(saved);
    free(file);
}

Test(report_page, every_figure_has_its_words_and_its_data)
{
    for (int hostile = 0; hostile < 2; hostile++) {
        struct session *s = fixture_outcomes(hostile);
        char *page = drawn_page(s), name[120];
        size_t figures = 0;
        for (char *p = page; (p = strstr(p, "<figure id=\"figure-")) != NULL; figures++) {
            char *end = strstr(p, "</figure>");
            cr_assert_not_null(end);
            *end = 0;
            snprintf(name, sizeof name, "%.*s", (int)strcspn(p + 19, "\""), p + 19);
            expect_figure(p, name);
            *end = '<';
            p = end;
        }
        cr_expect_eq(figures, page_count(page, "<svg "));
        cr_expect_gt(figures, 10);
        page_expect_well_formed(page);
        page_expect_unique_ids(page);
        free(page);
        fixture_outcomes_free(s);
    }
}

/* In the page a figure has no colour of its own, so that it is right on dark ground too; by itself it has. */
Test(report_page, colours_of_the_figures_are_those_of_the_page)
{
    struct session *s = fixture_outcomes(false);
    char *page = drawn_page(s), *alone = scratch_read("out/figures/torque.svg"), *style = NULL;
    size_t length = 0, names = 0;
    FILE *out = open_memstream(&style, &length);
    html_style(out);
    fclose(out);
    for (const char *p = page; (p = strstr(p, "var(--figure-")) != NULL; p++, names++) {
        char definition[80];
        snprintf(definition, sizeof definition, "%.*s:#", (int)strcspn(p + 4, ")"), p + 4);
        cr_expect_eq(page_count(style, definition), 3, "%s is not defined for light, dark and paper",
                     definition);
    }
    cr_expect_gt(names, 500);
    for (const char *p = page; (p = strstr(p, "<svg ")) != NULL; p++) {
        char *svg = strndup(p, (size_t)(strstr(p, "</svg>") - p));
        for (const char *rgb = svg; (rgb = strstr(rgb, "=\"rgb(")) != NULL; rgb++)
            cr_expect_eq(strncmp(rgb, "=\"rgb(148,   0, 211)\"", 21), 0, "%.60s", rgb - 20);
        for (const char *rgb = svg; (rgb = strstr(rgb, "='rgb(")) != NULL; rgb++)
            cr_expect_fail("%.60s", rgb - 20);
        cr_expect_null(strstr(svg, "\"#ffffff\""));
        free(svg);
    }
    cr_assert_not_null(alone);
    cr_expect_null(strstr(alone, "var("));
    cr_expect_not_null(strstr(alone, "fill=\"#ffffff\""));
    cr_expect_not_null(strstr(alone, "<text>Motor torque against speed</text>"), "alone it has its title");
    cr_expect_null(strstr(page, "<text>Motor torque against speed</text>"),
                   "in the page that stands above it");
    free(alone);
    free(style);
    free(page);
    fixture_outcomes_free(s);
}

Test(report_page, fetches_nothing)
{
    struct session *s = fixture_outcomes(true);
    char *page = drawn_page(s);
    for (const char *p = page; (p = strstr(p, "url(")) != NULL; p++)
        cr_expect_eq(p[4], '#', "%.40s", p);
    for (const char *p = page; (p = strstr(p, "http")) != NULL; p++)
        cr_expect(strncmp(p, "http://www.w3.org/", 18) == 0 || strncmp(p, "http-equiv=", 11) == 0, "%.60s",
                  p);
    cr_expect_null(strstr(page, "src=\""));
    cr_expect_null(strstr(page, "@import"));
    cr_expect_null(strstr(page, "<script"));
    cr_expect_not_null(strstr(page, "default-src 'none'"));
    free(page);
    fixture_outcomes_free(s);
}

/* Significant digits and decimal places of the number at p; how long it is. */
static size_t digits_of(const char *p, int *significant, int *places)
{
    size_t n = 0;
    bool point = false, begun = false;
    *significant = *places = 0;
    for (n = p[0] == '-'; isdigit((unsigned char)p[n]) || (p[n] == '.' && isdigit((unsigned char)p[n + 1]));
         n++) {
        if (p[n] == '.') {
            point = true;
            continue;
        }
        begun = begun || p[n] != '0';
        *significant += begun;
        *places += point;
    }
    return n;
}

/* Every "A UNIT ± B UNIT": two digits of B, and A to the same place (JCGM 100, 7.2.6). How many there are. */
static size_t expect_rounded(const char *page)
{
    size_t count = 0;
    for (const char *p = page; (p = strstr(p, " ± ")) != NULL; p++) {
        const char *b = p + strlen(" ± "), *a = p;
        int significant, places, value_significant, value_places;
        if (!isdigit((unsigned char)*b))
            continue;
        digits_of(b, &significant, &places);
        /* Back over the unit to the number. */
        while (a > page && strchr(">(:;", a[-1]) == NULL && p - a < 40 &&
               !(isdigit((unsigned char)a[-1]) && strchr(" \xC2±", a[0]) != NULL))
            a--;
        while (a > page && (isdigit((unsigned char)a[-1]) || a[-1] == '.' || a[-1] == '-'))
            a--;
        cr_assert(isdigit((unsigned char)*a) || *a == '-', "no value before %.40s", p - 10);
        digits_of(a, &value_significant, &value_places);
        /* Of 120 the last digit is the filling of a place, and so it is of 100. */
        if (places == 0 && significant > 2)
            cr_expect_eq((int)strspn(b + 2, "0"), significant - 2, "%.60s", a);
        else
            cr_expect_eq(significant, 2, "%.60s", a);
        cr_expect_eq(value_places, places, "%.60s", a);
        count++;
    }
    return count;
}

Test(report_page, numbers_have_two_digits_of_their_uncertainty)
{
    struct session *s = fixture_outcomes(false), *plain = fixture_session(false);
    char *page = page_output(s, OUTPUT_HTML), *other = page_output(plain, OUTPUT_HTML);
    cr_expect_gt(expect_rounded(page) + expect_rounded(other), 60);
    cr_expect_eq(
        expect_rounded("<td>118.2 N ± 1.7 N</td><td>-0.0000020 1/N ± 0.0000066 1/N</td><td>1230 N ± 120 N"),
        3);
    free(page);
    free(other);
    fixture_outcomes_free(s);
    fixture_session_free(plain);
}

static bool part_has(const struct answer_plain *part, const char *words)
{
    for (size_t i = 0; i < part->count; i++) {
        if (strstr(part->lines[i], words) != NULL)
            return true;
    }
    return false;
}

Test(report_page, plain_words_count_a_feeder_of_several_series_once)
{
    struct session *s = fixture_session(false);
    struct answer_plain parts[ANSWER_PLAIN_PARTS];
    struct err e = {0};
    snprintf(s->feeders[0].name, sizeof s->feeders[0].name, "gear-8mm (series 1)");
    snprintf(s->feeders[1].name, sizeof s->feeders[1].name, "gear-8mm (series 2)");
    s->series_count = 2;
    cr_assert_eq(answer_plain(s, parts, &e), ERR_OK);
    cr_expect(part_has(&parts[0], "2 filament feeders, in 2 series with 36 runs: gear-8mm and gear-fine."));
    cr_expect(part_has(&parts[0], "A feeder of the same name in another series is counted by itself below."));
    s->series_count = 1;
    answer_plain_free(parts);
    fixture_session_free(s);
}

Test(report_page, plain_words_say_who_how_much_how_sure_and_what_it_means)
{
    struct session *s = fixture_session(false);
    struct answer_plain parts[ANSWER_PLAIN_PARTS];
    struct err e = {0};
    for (size_t i = 0; i < s->comparison_count; i++) {
        s->comparisons[i].mean_a = 118.2;
        s->comparisons[i].mean_b = 80.4;
    }
    cr_assert_eq(answer_plain(s, parts, &e), ERR_OK);
    cr_expect(part_has(&parts[0], "3 filament feeders, in 36 runs: gear-8mm, gear-12mm and gear-fine."));
    cr_expect(part_has(&parts[1],
                       "At 10 mm/s gear-8mm pushes harder than gear-12mm, by 37.8 N ± 2.3 N, about 47 % "
                       "more."));
    cr_expect(
        part_has(&parts[1], "gear-8mm and gear-fine cannot be compared: nip preload: 40 N against 55 N"));
    cr_expect(part_has(&parts[2], "does not mean “the same”"));
    cr_expect(part_has(&parts[2], "simulated"));
    cr_expect(part_has(&parts[3], "The motor gave way: gear-8mm"));
    answer_plain_free(parts);
    /* More than twice as much reads better as so many times; and the second may be the harder one. */
    struct comparison *c = &s->comparisons[0];
    c->verdict = VERDICT_B_HIGHER;
    c->difference = quantity_from(-87.31, 0.71, 3, 4);
    c->mean_a = 42.2;
    c->mean_b = 129.51;
    cr_assert_eq(answer_plain(s, parts, &e), ERR_OK);
    cr_expect(part_has(&parts[1],
                       "gear-12mm pushes harder than gear-8mm, by 87.3 N ± 2.3 N, about 3.1 times as hard."));
    answer_plain_free(parts);
    c->verdict = VERDICT_NO_DIFFERENCE_SHOWN;
    c->difference = quantity_from(0.34, 0.87, 3, 4);
    cr_assert_eq(answer_plain(s, parts, &e), ERR_OK);
    cr_expect(part_has(&parts[1],
                       "gear-8mm and gear-12mm: no difference shown. They may push alike, or one of them "
                       "harder by up to about 3.1 N: these runs cannot tell."));
    answer_plain_free(parts);
    fixture_session_free(s);
}

Test(report_page, commands_name_every_series_and_every_option)
{
    struct session *s = fixture_session(false);
    char *page;
    free(s->series[0]->folder);
    s->series[0]->folder = strdup("/home/x/river/series/");
    s->margin = 0.235;
    s->accept[CONDITION_NIP_PRELOAD_N] = s->accept[CONDITION_MOTOR] = true;
    s->matters[0] = (struct plan_matter){"stall_force_n", 2.385};
    s->matter_count = 1;
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "nipbench-analyze verify series\n"), "%.300s",
                       strstr(page, "analyze verify"));
    cr_expect_not_null(strstr(page, "nipbench-analyze report --margin 23.5 --accept "), "%.300s",
                       strstr(page, "analyze report"));
    cr_expect_not_null(strstr(page, CONDITION_KINDS[CONDITION_NIP_PRELOAD_N].key));
    cr_expect_not_null(strstr(page, " --matters stall_force_n=2.385 series --out report\n"));
    cr_expect_not_null(strstr(page, "cp series/plan.yaml .\n"));
    cr_expect_not_null(strstr(page, "nipbench-capture run plan.yaml --port PORT --out new-series\n"));
    cr_expect_null(strstr(page, "/home/x"));
    free(page);
    /* Two of one name are told apart by the folders that they lie in. */
    struct series *both[] = {s->series[0], s->series[0]}, **own = s->series, second = *s->series[0];
    second.folder = "/home/x/lake/-series";
    both[1] = &second;
    s->series = both;
    s->series_count = 2;
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "nipbench-analyze verify \\\n    series \\\n    ./-series\n"), "%.300s",
                       strstr(page, "analyze verify"));
    free(page);
    second.folder = "/home/x/lake's/series";
    page = page_output(s, OUTPUT_HTML);
    cr_expect_not_null(strstr(page, "    river/series \\\n    &#39;lake&#39;\\&#39;&#39;s/series&#39;\n"),
                       "%.300s", strstr(page, "analyze verify"));
    free(page);
    s->series = own;
    s->series_count = 1;
    fixture_session_free(s);
}

Test(report_page, provenance_has_versions_options_seed_hash_and_the_plan)
{
    struct session *s = fixture_session(false);
    char *page;
    const char *provenance;
    free(s->series[0]->folder);
    s->series[0]->folder = strdup(scratch_path("bench"));
    mkdir(s->series[0]->folder, 0777);
    scratch_write("bench/plan.yaml", "title: </code></pre><script>alert(1)</script>\nseed: 4711\n");
    s->series[0]->plan.seed = 4711;
    snprintf(s->series[0]->package_hash, sizeof s->series[0]->package_hash, "sha256:%064d", 7);
    s->margin = 0.2;
    page = drawn_page(s);
    provenance = strstr(page, "<section id=\"provenance\">");
    cr_assert_not_null(provenance);
    cr_expect_not_null(strstr(provenance, "<td>nipbench-analyze " NIPBENCH_VERSION "</td>"));
    cr_expect_not_null(strstr(provenance, "<td>GNU Scientific Library "));
    cr_expect_not_null(strstr(provenance, "<td>gnuplot "));
    cr_expect_not_null(strstr(provenance, "<td>20 % (the default)</td>"));
    cr_expect_not_null(strstr(provenance, "<td>4711, "));
    cr_expect_not_null(strstr(provenance, s->series[0]->package_hash));
    cr_expect_not_null(strstr(provenance,
                              "title: &lt;/code&gt;&lt;/pre&gt;&lt;script&gt;alert(1)&lt;/script&gt;\n"
                              "seed: 4711\n</code></pre>"),
                       "%.400s", strstr(provenance, "<details>"));
    free(page);
    fixture_session_free(s);
}

#define COPIES 20
/* Hundreds of runs make no page that nobody can send. */
Test(report_page, a_run_more_takes_little)
{
    struct session *s = fixture_session(false);
    struct run_result *own = s->runs, *many;
    size_t count = s->run_count;
    char *page = page_output(s, OUTPUT_HTML), *large;
    many = calloc(count * COPIES, sizeof *many);
    cr_assert_not_null(many);
    for (size_t i = 0; i < count * COPIES; i++)
        many[i] = own[i % count];
    s->runs = many;
    s->run_count = count * COPIES;
    large = page_output(s, OUTPUT_HTML);
    cr_expect_lt(strlen(large) - strlen(page), 1500 * count * (COPIES - 1), "%zu bytes a run",
                 (strlen(large) - strlen(page)) / count / (COPIES - 1));
    s->runs = own;
    s->run_count = count;
    free(many);
    free(large);
    free(page);
    fixture_session_free(s);
}
