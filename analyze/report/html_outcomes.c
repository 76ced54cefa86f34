/* What each kind of test came to: its headline for the first screen, and a section with findings, numbers
 * side by side and figures. The tests are not told apart here. */
#include "analyze/report/report_html.h"

#include "analyze/report/answer.h"
#include "analyze/report/predict_show.h"
#include "analyze/report/text_format.h"

#include <string.h>

void html_test_id(const char *test, char *buffer, size_t size)
{
    size_t n = (size_t)snprintf(buffer, size, "test-");
    snprintf(buffer + n, size - n, "%s", test);
    for (char *p = buffer + n; *p != 0; p++) {
        if (strchr("abcdefghijklmnopqrstuvwxyz0123456789-", *p) == NULL)
            *p = '-';
    }
}

/* A finding as a sentence: with a full stop, and the feeder's name before it unless it is in there. */
static void put_finding(const struct feeder_result *f, const char *text, FILE *out)
{
    size_t length = strlen(text);
    if (strstr(text, f->name) == NULL) {
        fputs("<strong>", out);
        text_html(out, f->name);
        fputs("</strong>: ", out);
    }
    text_html(out, text);
    fputs(length > 0 && strchr(".!?", text[length - 1]) != NULL ? "" : ".", out);
}

static void headline_of(const struct session *session, const char *test, FILE *out)
{
    char id[48];
    html_test_id(test, id, sizeof id);
    for (size_t i = 0; i < session->feeder_count; i++) {
        const struct outcome *o = answer_outcome(&session->feeders[i], test);
        if (o == NULL || !o->present || o->sentence_count == 0)
            continue;
        fprintf(out, "<li class=\"alike\"><a href=\"#%s\">", id);
        text_html(out, answer_test_title(test));
        fputs("</a>: ", out);
        put_finding(&session->feeders[i], o->sentences[0], out);
        if (o->warning_count > 0)
            fprintf(out, " <span class=\"flag\">%zu warning%s, see there.</span>", o->warning_count,
                    o->warning_count == 1 ? "" : "s");
        fputs("</li>\n", out);
    }
}

/* Whether the motors did what their data sheets say. */
static void headline_of_prediction(const struct session *session, FILE *out)
{
    char words[PREDICT_WORDS_SIZE];
    for (size_t i = 0; i < session->prediction_count; i++) {
        const struct prediction *p = &session->predictions[i];
        if (p->measured_count == 0)
            continue;
        fputs("<li class=\"alike\"><a href=\"#prediction\">Measured against the data sheet</a>: <strong>",
              out);
        text_html(out, p->name);
        fputs("</strong>: ", out);
        text_html(out, predict_verdict(p, words, sizeof words));
        fputs("</li>\n", out);
    }
}

/* How far the printing may go comes first: the other tests are steps to it. */
void html_headlines(const struct session *session, FILE *out)
{
    const char *tests[ANSWER_TESTS_MAX];
    size_t count = answer_tests(session, tests, ANSWER_TESTS_MAX);
    bool any = figure_prediction_wanted(session);
    for (size_t i = 0; i < session->feeder_count; i++) {
        for (size_t k = 0; k < session->feeders[i].outcome_count; k++)
            any = any || (session->feeders[i].outcomes[k].present &&
                          session->feeders[i].outcomes[k].sentence_count > 0);
    }
    if (!any)
        return;
    fputs("<ul class=\"answers\">\n", out);
    headline_of(session, "operating-chart", out);
    for (size_t i = 0; i < count; i++) {
        if (strcmp(tests[i], "operating-chart") != 0)
            headline_of(session, tests[i], out);
    }
    headline_of_prediction(session, out);
    fputs("</ul>\n", out);
}

static void put_warnings(const struct outcome *o, FILE *out)
{
    for (size_t i = 0; i < o->warning_count; i++) {
        fputs("<li class=\"flag\">Warning: ", out);
        text_html(out, o->warnings[i]);
        fputs(".</li>\n", out);
    }
}

static void put_feeder_head(const struct session *session, size_t feeder, FILE *out)
{
    const struct feeder_result *f = &session->feeders[feeder];
    text_html(out, f->name);
    if (session->series_count > 1 && session->series[f->series]->title[0] != 0) {
        fputs(" <span class=\"line dim small\">", out);
        text_html(out, session->series[f->series]->title);
        fputs("</span>", out);
    }
}

static void findings(const struct session *session, size_t feeder, const struct outcome *o, FILE *out)
{
    fputs("<h3>", out);
    put_feeder_head(session, feeder, out);
    fputs("</h3>\n", out);
    if (!o->present) {
        if (o->run_count > 0)
            fprintf(out, "<p>No answer from %zu run%s: ", o->run_count, o->run_count == 1 ? "" : "s");
        else
            fputs("<p>No answer: ", out);
        text_html(out, o->why_not[0] != 0 ? o->why_not : "no reason was given");
        fputs(".</p>\n", out);
    }
    if (o->warning_count == 0 && (!o->present || o->sentence_count == 0))
        return;
    fputs("<ul>\n", out);
    for (size_t i = 0; o->present && i < o->sentence_count; i++) {
        size_t length = strlen(o->sentences[i]);
        fputs("<li>", out);
        text_html(out, o->sentences[i]);
        fputs(length > 0 && strchr(".!?", o->sentences[i][length - 1]) != NULL ? "</li>\n" : ".</li>\n", out);
    }
    put_warnings(o, out);
    fputs("</ul>\n", out);
}

/* The rows of a table: every key and setting that any feeder has, in the order in which they come; found: any
 * feeder has a value of it. */
#define ROWS_MAX 160
struct rows {
    const struct outcome_quantity *row[ROWS_MAX];
    bool found[ROWS_MAX];
    size_t count;
};

static void find_rows(const struct session *session, const char *test, struct rows *rows)
{
    memset(rows, 0, sizeof *rows);
    for (size_t i = 0; i < session->feeder_count; i++) {
        const struct outcome *o = answer_outcome(&session->feeders[i], test);
        for (size_t k = 0; o != NULL && o->present && k < o->quantity_count; k++) {
            const struct outcome_quantity *q = &o->quantities[k];
            size_t j = 0;
            while (j < rows->count &&
                   (strcmp(rows->row[j]->key, q->key) != 0 || strcmp(rows->row[j]->setting, q->setting) != 0))
                j++;
            if (j == rows->count && j < ROWS_MAX)
                rows->row[rows->count++] = q;
            if (j < ROWS_MAX)
                rows->found[j] = rows->found[j] || q->q.present;
        }
    }
}

static void put_row(const struct session *session, const char *test, const struct outcome_quantity *row,
                    FILE *out)
{
    fputs("<tr><th scope=\"row\">", out);
    text_html(out, row->label[0] != 0 ? row->label : row->key);
    if (row->setting[0] != 0) {
        fputs(" <span class=\"line dim small\">", out);
        text_html(out, row->setting);
        fputs("</span>", out);
    }
    fputs("</th>", out);
    for (size_t i = 0; i < session->feeder_count; i++) {
        const struct outcome *o = answer_outcome(&session->feeders[i], test);
        const struct outcome_quantity *q;
        if (o == NULL || !o->present)
            continue;
        q = outcome_find(o, row->key, row->setting);
        fputs("<td class=\"number\">", out);
        if (q == NULL)
            fputs("<span class=\"dim\">not given</span>", out);
        else
            html_quantity_k(out, &q->q, text_unit(q->unit));
        fputs("</td>", out);
    }
    fputs("</tr>\n", out);
}

/* What no feeder has a value of takes a sentence, not rows that say "none" all along. */
static void put_not_found(const struct rows *rows, FILE *out)
{
    bool first = true;
    for (size_t i = 0; i < rows->count; i++) {
        const struct outcome_quantity *row = rows->row[i];
        if (rows->found[i])
            continue;
        fputs(first ? "<p class=\"small dim\">Not to be told from these runs: " : ", ", out);
        first = false;
        text_html(out, row->label[0] != 0 ? row->label : row->key);
        fputs(row->setting[0] != 0 ? " " : "", out);
        text_html(out, row->setting);
    }
    fputs(first ? "" : ".</p>\n", out);
}

static void numbers(const struct session *session, const char *test, FILE *out)
{
    struct rows rows;
    bool any = false;
    find_rows(session, test, &rows);
    for (size_t i = 0; i < rows.count; i++)
        any = any || rows.found[i];
    if (!any) {
        put_not_found(&rows, out);
        return;
    }
    html_table_begin(out, "What it comes to, by feeder");
    fputs("<thead><tr><th scope=\"col\">Quantity</th>", out);
    for (size_t i = 0; i < session->feeder_count; i++) {
        const struct outcome *o = answer_outcome(&session->feeders[i], test);
        if (o == NULL || !o->present)
            continue;
        fputs("<th scope=\"col\" class=\"number\">", out);
        put_feeder_head(session, i, out);
        fprintf(out, " <span class=\"line dim small\">%zu of %zu runs</span></th>", o->used_count,
                o->run_count);
    }
    fputs("</tr></thead>\n<tbody>\n", out);
    for (size_t i = 0; i < rows.count; i++) {
        if (rows.found[i])
            put_row(session, test, rows.row[i], out);
    }
    fputs("</tbody>\n", out);
    html_table_end(out);
    put_not_found(&rows, out);
}

/* Chart by chart, so that the feeders' pictures of the same thing stand together. */
static enum err_code pictures(const struct session *session, const struct figures *figures, const char *test,
                              FILE *out, struct err *e)
{
    enum err_code code = ERR_OK;
    for (size_t chart = 0; chart < OUTCOME_CHARTS_MAX; chart++) {
        for (size_t i = 0; figures != NULL && i < figures->count && code == ERR_OK; i++) {
            const struct figure *f = &figures->figure[i];
            if (f->kind == FIGURE_OUTCOME && f->chart == chart &&
                strcmp(session->feeders[f->feeder].outcomes[f->outcome].test, test) == 0)
                code = html_figure(figures, i, out, e);
        }
    }
    return code;
}

static enum err_code section(const struct session *session, const struct figures *figures, const char *test,
                             FILE *out, struct err *e)
{
    enum err_code code;
    char id[48];
    html_test_id(test, id, sizeof id);
    fprintf(out, "<section id=\"%s\">\n<h2>", id);
    text_html(out, answer_test_title(test));
    fputs("</h2>\n", out);
    for (size_t i = 0; i < ANSWER_TESTS; i++) {
        if (strcmp(ANSWER_TESTS_KNOWN[i].name, test) == 0)
            fprintf(out, "<p>%s <a href=\"#method\">How this is worked out</a>.</p>\n",
                    ANSWER_TESTS_KNOWN[i].about);
    }
    for (size_t i = 0; i < session->feeder_count; i++) {
        const struct outcome *o = answer_outcome(&session->feeders[i], test);
        if (o != NULL)
            findings(session, i, o, out);
    }
    numbers(session, test, out);
    code = pictures(session, figures, test, out, e);
    fputs("</section>\n", out);
    return code;
}

enum err_code html_outcomes(const struct session *session, const struct figures *figures, FILE *out,
                            struct err *e)
{
    enum err_code code = ERR_OK;
    const char *tests[ANSWER_TESTS_MAX];
    size_t count = answer_tests(session, tests, ANSWER_TESTS_MAX);
    for (size_t i = 0; i < count && code == ERR_OK; i++)
        code = section(session, figures, tests[i], out, e);
    return code;
}
