/* Every single run, and how it was told what gave way in a push. */
#include "analyze/bench_test.h"
#include "analyze/report/answer.h"
#include "analyze/report/report_html.h"
#include "analyze/report/run_settings.h"
#include "analyze/report/text_format.h"
#include "analyze/run_result.h"
#include "datasets/format/kept.h"

#include <string.h>

/* A list of sentences as one cell; they are foreign text. */
static void put_sentences(const struct run_texts *sentences, FILE *out)
{
    for (size_t i = 0; i < sentences->count; i++) {
        fputs(i > 0 ? "; " : "", out);
        text_html(out, run_text(sentences, i));
    }
}

static void creep_cell(const struct run_push *push, FILE *out)
{
    struct quantity percent = push->creep_per_n;
    /* A share of feed per newton is a small number: per cent of feed for each 10 N reads better. */
    percent.value *= 1000;
    percent.standard_uncertainty *= 1000;
    percent.low_95 *= 1000;
    percent.high_95 *= 1000;
    html_quantity(out, &percent, "%");
}

/* How quiet the run was, then what is odd about it: a line of its own under the numbers. */
static void quality_row(const struct run_result *run, FILE *out)
{
    const struct run_push *push = &run->push;
    char drift[48], noise[48];
    int decimals = text_decimals(push->noise_n);
    fprintf(out,
            "<tr><td colspan=\"8\" class=\"small\"><span class=\"dim\">zero drift %s N, noise %s N</span>",
            text_rounded(push->zero_drift_n, decimals + 1, drift, sizeof drift),
            text_rounded(push->noise_n, decimals, noise, sizeof noise));
    if (push->flags.count > 0) {
        fputs("; ", out);
        put_sentences(&push->flags, out);
    }
    if (run->record->ended != RUN_COMPLETE) {
        fputs("; ended: ", out);
        text_html(out, kept_text_or_empty(run->record->ended_why));
    }
    fputs("</td></tr>\n", out);
}

/* What the test set for a push, on lines of their own: "preload 45 N". */
static void put_settings(const struct run_record *r, FILE *out)
{
    for (int k = 0; k < RUN_SETTINGS; k++) {
        double value;
        char text[80];
        if (!run_settings_varied(r, k) || !run_settings_number(r, k, &value))
            continue;
        fprintf(out, " <span class=\"line dim small\">%s ", RUN_SETTING_KINDS[k].label);
        text_html(out, text_measure(value, text_unit(RUN_SETTING_KINDS[k].unit), text, sizeof text));
        fputs("</span>", out);
    }
    if (r->repeat > 0)
        fprintf(out, " <span class=\"line dim small\">push %d%s</span>", r->repeat,
                r->cleaned ? ", cleaned" : "");
}

static void run_row(const struct session *session, const struct run_result *run, FILE *out)
{
    const struct run_record *r = run->record;
    const struct run_push *push = &run->push;
    char text[80];
    fprintf(out, "<tr%s><th scope=\"row\" class=\"number\"%s>", run->analysed ? " class=\"upper\"" : "",
            run->analysed ? " rowspan=\"2\"" : "");
    if (session->series_count > 1)
        fprintf(out, "%zu/", run->series + 1);
    fprintf(out, "%d</th><td class=\"keep\">", r->number);
    text_html(out, session->feeders[run->feeder].name);
    fputs("</td><td class=\"number\">", out);
    text_html(out, text_measure(r->speed_mm_s, "mm/s", text, sizeof text));
    put_settings(r, out);
    fprintf(out, "</td><td class=\"number\">%d</td>", r->block);
    if (!run->analysed) {
        fputs("<td colspan=\"5\" class=\"wrap\">not analysed: ", out);
        text_html(out, run->why_not != NULL ? run->why_not : "");
        fputs("</td></tr>\n", out);
        return;
    }
    fprintf(out, "<td class=\"keep\">%s</td><td class=\"number\">",
            push->limited_by == LIMITED_LIMIT     ? "set limit"
            : push->limited_by == LIMITED_UNCLEAR ? "not clear"
                                                  : LIMITED_NAMES[push->limited_by]);
    html_quantity_k(out, &push->stall_force_n, "N");
    fputs("</td><td class=\"number\">", out);
    html_quantity_k(out, &push->slip_onset_n, "N");
    fputs("</td><td class=\"number\">", out);
    creep_cell(push, out);
    fprintf(out, "</td><td class=\"number\">%zu</td></tr>\n", push->event_count);
    quality_row(run, out);
}

/* Runs of a kind in the session. */
static size_t count_of(const struct session *session, enum plan_test_kind kind)
{
    size_t n = 0;
    for (size_t i = 0; i < session->run_count; i++)
        n += session->runs[i].record->test == kind;
    return n;
}

/* What the table of one kind of test has columns for: the settings that it goes through, and the quantities
 * that any of its runs has. */
struct run_columns_of {
    bool setting[RUN_SETTINGS], repeat;
    const struct run_quantity *quantity[RUN_QUANTITIES_MAX];
    size_t quantity_count;
    bool speed;
};

static void find_columns(const struct session *session, enum plan_test_kind kind, struct run_columns_of *c)
{
    memset(c, 0, sizeof *c);
    c->speed = kind != PLAN_MELT_PUSH;
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_result *run = &session->runs[i];
        if (run->record->test != kind)
            continue;
        for (int k = 0; k < RUN_SETTINGS; k++)
            c->setting[k] = c->setting[k] || run_settings_varied(run->record, k);
        c->repeat = c->repeat || run->record->repeat > 0;
        for (size_t k = 0; run->analysed && k < run->quantity_count; k++) {
            size_t j = 0;
            while (j < c->quantity_count && strcmp(c->quantity[j]->key, run->quantities[k].key) != 0)
                j++;
            if (j == c->quantity_count && j < RUN_QUANTITIES_MAX)
                c->quantity[c->quantity_count++] = &run->quantities[k];
        }
    }
}

static const struct run_quantity *quantity_of(const struct run_result *run, const char *key)
{
    for (size_t k = 0; k < run->quantity_count; k++) {
        if (strcmp(run->quantities[k].key, key) == 0)
            return &run->quantities[k];
    }
    return NULL;
}

static size_t columns_in(const struct run_columns_of *c)
{
    size_t n = 3 + c->speed + c->repeat + c->quantity_count;
    for (int k = 0; k < RUN_SETTINGS; k++)
        n += c->setting[k];
    return n;
}

static void put_label(const char *label, FILE *out)
{
    fputs("<th scope=\"col\" class=\"number\">", out);
    text_html(out, label);
    fputs("</th>", out);
}

static void test_head(const struct session *session, const struct run_columns_of *c, FILE *out)
{
    fprintf(out,
            "<thead><tr><th scope=\"col\" class=\"number\">%s</th><th scope=\"col\">Feeder</th>"
            "<th scope=\"col\" class=\"number\">Block</th>",
            session->series_count > 1 ? "Series/run" : "Run");
    if (c->speed)
        put_label("Speed", out);
    for (int k = 0; k < RUN_SETTINGS; k++) {
        if (c->setting[k])
            put_label(RUN_SETTING_KINDS[k].label, out);
    }
    if (c->repeat)
        put_label("Push", out);
    for (size_t k = 0; k < c->quantity_count; k++)
        put_label(c->quantity[k]->label, out);
    fputs("</tr></thead>\n<tbody>\n", out);
}

static void measure_cell(double value, const char *unit, FILE *out)
{
    char text[80];
    fputs("<td class=\"number\">", out);
    text_html(out, text_measure(value, unit, text, sizeof text));
    fputs("</td>", out);
}

/* How quiet the run was and what is odd about it, when there is something; else nothing. */
static bool run_is_odd(const struct run_result *run)
{
    return !run->analysed || run->push.flags.count > 0 || run->record->ended != RUN_COMPLETE;
}

static void test_row(const struct session *session, const struct run_result *run,
                     const struct run_columns_of *c, FILE *out)
{
    const struct run_record *r = run->record;
    bool odd = run_is_odd(run);
    fprintf(out, "<tr%s><th scope=\"row\" class=\"number\"%s>", odd ? " class=\"upper\"" : "",
            odd ? " rowspan=\"2\"" : "");
    if (session->series_count > 1)
        fprintf(out, "%zu/", run->series + 1);
    fprintf(out, "%d</th><td class=\"keep\">", r->number);
    text_html(out, session->feeders[run->feeder].name);
    fprintf(out, "</td><td class=\"number\">%d</td>", r->block);
    if (c->speed)
        measure_cell(r->speed_mm_s, "mm/s", out);
    for (int k = 0; k < RUN_SETTINGS; k++) {
        double value;
        if (!c->setting[k])
            continue;
        if (run_settings_number(r, k, &value))
            measure_cell(value, text_unit(RUN_SETTING_KINDS[k].unit), out);
        else
            fputs("<td class=\"number dim\">not stated</td>", out);
    }
    if (c->repeat)
        fprintf(out, "<td class=\"number\">%d%s</td>", r->repeat, r->cleaned ? ", cleaned" : "");
    for (size_t k = 0; k < c->quantity_count; k++) {
        const struct run_quantity *q = run->analysed ? quantity_of(run, c->quantity[k]->key) : NULL;
        fputs("<td class=\"number\">", out);
        if (q != NULL)
            html_quantity(out, &q->q, text_unit(q->unit));
        fputs("</td>", out);
    }
    fputs("</tr>\n", out);
    if (!odd)
        return;
    fprintf(out, "<tr><td colspan=\"%zu\" class=\"small\">", columns_in(c) - 1);
    if (!run->analysed) {
        fputs("not analysed: ", out);
        text_html(out, run->why_not != NULL ? run->why_not : "");
    } else {
        put_sentences(&run->push.flags, out);
    }
    if (run->analysed && r->ended != RUN_COMPLETE) {
        fputs(run->push.flags.count > 0 ? "; ended: " : "ended: ", out);
        text_html(out, kept_text_or_empty(r->ended_why));
    }
    fputs("</td></tr>\n", out);
}

/* Runs of a test that is no push: many, so folded away. */
static void test_runs(const struct session *session, enum plan_test_kind kind, FILE *out)
{
    struct run_columns_of columns;
    size_t count = count_of(session, kind);
    char caption[160];
    if (count == 0)
        return;
    find_columns(session, kind, &columns);
    fprintf(out, "<details>\n<summary>%s: %zu run%s</summary>\n", answer_test_title(PLAN_TEST_NAMES[kind]),
            count, count == 1 ? "" : "s");
    snprintf(caption, sizeof caption, "Every run of %s, in the order of the series", PLAN_TEST_NAMES[kind]);
    html_table_begin(out, caption);
    test_head(session, &columns, out);
    for (size_t i = 0; i < session->run_count; i++) {
        if (session->runs[i].record->test == kind)
            test_row(session, &session->runs[i], &columns, out);
    }
    fputs("</tbody>\n", out);
    html_table_end(out);
    fputs("</details>\n", out);
}

/* Whether a run stands in the table of pushes of that kind; PLAN_TEST_KINDS: of those under the feeders' own
 * conditions. */
static bool in_push_table(const struct run_result *run, enum plan_test_kind kind)
{
    if (kind == PLAN_TEST_KINDS)
        return bench_test_is_plain_push(run->record->test);
    return run->record->test == kind;
}

static void push_runs(const struct session *session, enum plan_test_kind kind, FILE *out)
{
    size_t count = 0;
    for (size_t i = 0; i < session->run_count; i++)
        count += in_push_table(&session->runs[i], kind);
    if (count == 0)
        return;
    if (kind != PLAN_TEST_KINDS)
        fprintf(out, "<details>\n<summary>%s: %zu push%s</summary>\n",
                answer_test_title(PLAN_TEST_NAMES[kind]), count, count == 1 ? "" : "es");
    html_table_begin(
        out, "Every push, in the order of the series, with how quiet it was and what is odd about it");
    fprintf(out,
            "<thead><tr><th scope=\"col\" class=\"number\">%s</th><th scope=\"col\">Feeder</th>"
            "<th scope=\"col\" class=\"number\">Speed</th><th scope=\"col\" class=\"number\">Block</th>"
            "<th scope=\"col\">Limited by</th>"
            "<th scope=\"col\" class=\"number\">Stall force</th><th scope=\"col\" class=\"number\">Slip "
            "onset</th>"
            "<th scope=\"col\" class=\"number\">Creep for each 10 N</th>"
            "<th scope=\"col\" class=\"number\">Drops</th></tr></thead>\n<tbody>\n",
            session->series_count > 1 ? "Series/run" : "Run");
    for (size_t i = 0; i < session->run_count; i++) {
        if (in_push_table(&session->runs[i], kind))
            run_row(session, &session->runs[i], out);
    }
    fputs("</tbody>\n", out);
    html_table_end(out);
    if (kind != PLAN_TEST_KINDS)
        fputs("</details>\n", out);
}

void html_runs(const struct session *session, FILE *out)
{
    push_runs(session, PLAN_TEST_KINDS, out);
    for (int kind = 0; kind < PLAN_TEST_KINDS; kind++) {
        if (!bench_test_is_push((enum plan_test_kind)kind))
            test_runs(session, (enum plan_test_kind)kind, out);
        else if (!bench_test_is_plain_push((enum plan_test_kind)kind))
            push_runs(session, (enum plan_test_kind)kind, out);
    }
}

bool html_any_push_run(const struct session *session)
{
    for (size_t i = 0; i < session->run_count; i++) {
        if (bench_test_is_push(session->runs[i].record->test))
            return true;
    }
    return false;
}

static void evidence_of_run(const struct run_result *run, bool several_series, FILE *out)
{
    const struct run_push *push = &run->push;
    fputs("<li>", out);
    if (several_series)
        fprintf(out, "series %zu, ", run->series + 1);
    fprintf(out, "run %d: <strong>%s</strong>", run->record->number,
            push->limited_by == LIMITED_LIMIT     ? "set limit"
            : push->limited_by == LIMITED_UNCLEAR ? "not clear"
                                                  : LIMITED_NAMES[push->limited_by]);
    if (push->limited_by != LIMITED_LIMIT)
        fprintf(out, " (probabilities: motor %.3f, grip %.3f, neither %.3f)", push->probability[0],
                push->probability[1], push->probability[2]);
    fputs(push->evidence.count > 0 ? ": " : "", out);
    put_sentences(&push->evidence, out);
    fputs("</li>\n", out);
}

static bool feeder_has_push(const struct session *session, size_t feeder)
{
    for (size_t i = 0; i < session->run_count; i++) {
        if (session->runs[i].feeder == feeder && session->runs[i].series == session->feeders[feeder].series &&
            bench_test_is_push(session->runs[i].record->test))
            return true;
    }
    return false;
}

void html_evidence(const struct session *session, FILE *out)
{
    fputs("<p>A motor that loses step falls back by whole electrical cycles, each worth four full steps of "
          "feed, and takes hold "
          "again: the drops all have that size and recur at it. Teeth that shear the filament let go at the "
          "tooth pitch or at "
          "no period, and the gear keeps turning; often the force just levels off. Each run is weighed "
          "between motor, grip and "
          "neither; a side is named only when it holds at least nine tenths of the probability, otherwise "
          "the answer is "
          "&#8220;not clear&#8221;. A run that met a force, travel or time limit first was stopped by the "
          "limit, whatever "
          "would have given way later.</p>\n",
          out);
    for (size_t i = 0; i < session->feeder_count; i++) {
        if (!feeder_has_push(session, i))
            continue;
        fputs("<details>\n<summary>Evidence for each run of ", out);
        text_html(out, session->feeders[i].name);
        fputs("</summary>\n<ul class=\"small\">\n", out);
        size_t runs = 0;
        for (size_t j = 0; j < session->run_count; j++) {
            if (session->runs[j].analysed && session->runs[j].feeder == i &&
                bench_test_is_push(session->runs[j].record->test)) {
                evidence_of_run(&session->runs[j], session->series_count > 1, out);
                runs++;
            }
        }
        if (runs == 0)
            fputs("<li>no run could be analysed</li>\n", out);
        fputs("</ul>\n</details>\n", out);
    }
}
