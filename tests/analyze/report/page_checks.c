#include "tests/analyze/report/page_checks.h"

#include "analyze/report/compare_text.h"
#include "analyze/report/report_csv.h"
#include "analyze/report/report_html.h"
#include "analyze/report/report_json.h"
#include "analyze/report/svg_inline.h"

#include <criterion/criterion.h>
#include <stdlib.h>
#include <string.h>

/* One output of a session in memory. The caller frees. */
char *page_output(const struct session *s, enum output what)
{
    char *text = NULL;
    size_t length = 0;
    struct err e = {0};
    FILE *out = open_memstream(&text, &length);
    enum err_code code = ERR_OK;
    cr_assert_not_null(out);
    if (what == OUTPUT_JSON)
        code = report_json_write(s, out, &e);
    else if (what == OUTPUT_CSV)
        report_csv_write(s, out);
    else if (what == OUTPUT_HTML)
        code = report_html_write(s, NULL, out, &e);
    else
        code = compare_text_write(s, 0, out, &e);
    fclose(out);
    cr_assert_eq(code, ERR_OK, "%s", e.text);
    return text;
}

enum err_code page_figure(const struct session *s, struct figure *f, struct err *e)
{
    FILE *script, *data;
    enum err_code code;
    figure_unmake(f);
    script = open_memstream(&f->script, &f->script_length);
    data = open_memstream(&f->data, &f->data_length);
    cr_assert(script != NULL && data != NULL);
    code = figure_write(s, f, script, data, e);
    cr_assert(fclose(script) == 0 && fclose(data) == 0);
    return code;
}

enum err_code page_figures(const struct session *s, struct figures *figures, struct err *e)
{
    enum err_code code = figures_list(s, figures, e);
    for (size_t i = 0; code == ERR_OK && i < figures->count; i++)
        code = page_figure(s, &figures->figure[i], e);
    return code;
}

size_t page_count(const char *text, const char *word)
{
    size_t n = 0;
    for (const char *p = strstr(text, word); p != NULL; p = strstr(p + strlen(word), word))
        n++;
    return n;
}

/* The page is also XML: the checker of pictures reads the body when it is wrapped as one. Tables, lists and
 * the like are only elements to it; every id is put through the same set as in the page. */
void page_expect_well_formed(const char *page)
{
    const char *body = strstr(page, "<main>"), *end = strstr(page, "</main>");
    char *wrapped = NULL, *unused = NULL;
    size_t length = 0, unused_length = 0;
    struct err e = {0};
    FILE *out = open_memstream(&wrapped, &length), *sink = open_memstream(&unused, &unused_length);
    cr_assert(body != NULL && end != NULL);
    /* Links and inner pictures are what a picture may not have: rename them. */
    fputs("<svg>", out);
    for (const char *p = body; p < end; p++) {
        if (strncmp(p, "<a ", 3) == 0) {
            fputs("<span ", out);
            p += 2;
        } else if (strncmp(p, "<svg ", 5) == 0) {
            fputs("<g ", out);
            p += 4;
        } else if (strncmp(p, "</svg>", 6) == 0) {
            fputs("</g>", out);
            p += 5;
        } else if (strncmp(p, " href=\"data:", 12) == 0) {
            fputs(" title=\"data:", out);
            p += 11;
        } else if (strncmp(p, "</a>", 4) == 0) {
            fputs("</span>", out);
            p += 3;
        } else {
            fputc(*p, out);
        }
    }
    fputs("</main></svg>", out);
    fclose(out);
    cr_expect_eq(svg_inline(wrapped, strlen(wrapped), "x", "", "", sink, NULL, &e), ERR_OK, "%s", e.text);
    fclose(sink);
    free(wrapped);
    free(unused);
}

static int by_text(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

/* Every id="..." of a page occurs once, and every reference has its target. Returns how many ids there are.
 */
size_t page_expect_unique_ids(const char *page)
{
    char **ids = NULL;
    size_t n = 0;
    for (const char *p = page; (p = strstr(p, " id=")) != NULL;) {
        char quote = p[4];
        char **more = realloc(ids, (n + 1) * sizeof *ids);
        cr_assert_not_null(more);
        ids = more;
        ids[n++] = strndup(p + 5, (size_t)(strchr(p + 5, quote) - (p + 5)));
        p += 5;
    }
    qsort(ids, n, sizeof *ids, by_text);
    for (size_t i = 1; i < n; i++)
        cr_expect_str_neq(ids[i - 1], ids[i], "id used twice");
    for (const char *p = page; (p = strstr(p, "href=")) != NULL; p += 6) {
        char *target;
        /* Bytes in the link itself are no reference. */
        if (strncmp(p, "href=\"data:", 11) == 0)
            continue;
        cr_expect_eq(p[6], '#', "a reference out of the page: %.40s", p);
        target = strndup(p + 7, strcspn(p + 7, "\"'"));
        cr_expect_not_null(bsearch(&target, ids, n, sizeof *ids, by_text), "nothing is called %s", target);
        free(target);
    }
    for (size_t i = 0; i < n; i++)
        free(ids[i]);
    free(ids);
    return n;
}
