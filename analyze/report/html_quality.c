#include "analyze/report/html_quality.h"

#include "analyze/data_quality.h"
#include "analyze/report/report_html.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

/* Runs that are listed one by one; more are told by the table of feeders and by results.csv. */
#define RUNS_SHOWN_MAX 300

/* What a cell says; the same words as the sentences begin with. */
static const char *const WORDS[DATA_QUALITY_VERDICTS] = {"good", "cannot be told", "usable", "spoils"};

static void put_run_name(const struct session *session, size_t i, FILE *out)
{
    const struct run_result *run = &session->runs[i];
    fputs("run ", out);
    if (session->series_count > 1)
        fprintf(out, "%zu/", run->series + 1);
    fprintf(out, "%d (", run->record->number);
    text_html(out, session->feeders[run->feeder].name);
    fputs(")", out);
}

/* "12 of 75 runs usable, 3 cannot be told". */
static void put_counts(const struct data_quality_sum *sum, enum data_quality_aspect aspect, FILE *out)
{
    static const enum data_quality_verdict order[] = {DATA_QUALITY_SPOILS, DATA_QUALITY_USABLE,
                                                      DATA_QUALITY_UNKNOWN, DATA_QUALITY_GOOD};
    static const char *const words[DATA_QUALITY_VERDICTS] = {"good", "not to be told",
                                                             "usable with a reservation", "spoilt"};
    bool any = false;
    for (size_t k = 0; k < sizeof order / sizeof order[0]; k++) {
        size_t n = sum->count[aspect][order[k]];
        if (n == 0)
            continue;
        if (n == sum->runs)
            fprintf(out, "all %zu runs %s", n, words[order[k]]);
        else
            fprintf(out, "%s%zu%s %s", any ? ", " : "", n,
                    any      ? ""
                    : n == 1 ? " run"
                             : " runs",
                    words[order[k]]);
        any = true;
    }
}

static void aspect_item(const struct session *session, const struct data_quality_sum *sum,
                        enum data_quality_aspect aspect, FILE *out)
{
    const struct run_result *worst = &session->runs[sum->worst[aspect]];
    enum data_quality_verdict verdict = data_quality_worst(sum, aspect);
    struct data_quality quality[DATA_QUALITY_ASPECTS];
    data_quality_of_run(worst, session->series[worst->series], quality);
    fprintf(out, "<dt>%s: %s", DATA_QUALITY_KINDS[aspect].label, WORDS[verdict]);
    if (verdict == DATA_QUALITY_SPOILS)
        fprintf(out, " %zu run%s", sum->count[aspect][verdict], sum->count[aspect][verdict] == 1 ? "" : "s");
    fprintf(out, "%s</dt>\n<dd>", verdict == DATA_QUALITY_USABLE ? ", with a reservation" : "");
    put_counts(sum, aspect, out);
    fputs(sum->runs < 2 ? "; " : verdict == DATA_QUALITY_UNKNOWN ? "; the first, " : "; the worst, ", out);
    put_run_name(session, sum->worst[aspect], out);
    fputs(": ", out);
    text_html(out, data_quality_detail(&quality[aspect]));
    fputs(".</dd>\n<dd class=\"dim small\">How it is judged: ", out);
    text_html(out, DATA_QUALITY_KINDS[aspect].threshold);
    fputs("</dd>\n<dd class=\"small\">What helps: ", out);
    text_html(out, DATA_QUALITY_KINDS[aspect].remedy);
    fputs("</dd>\n", out);
}

static void table_head(const char *first, FILE *out)
{
    fprintf(out, "<thead><tr><th scope=\"col\">%s</th><th scope=\"col\" class=\"number\">Runs</th>", first);
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        fprintf(out, "<th scope=\"col\">%s</th>", DATA_QUALITY_KINDS[k].label);
    fputs("</tr></thead>\n<tbody>\n", out);
}

/* What of a run is worth a place in a table: the disturbance, and its share of the variance. */
static void put_number(const struct data_quality *q, FILE *out)
{
    char text[48];
    if ((isnan(q->value_n) && isnan(q->share)) || q->share == 0)
        return;
    fputs(" <span class=\"line dim small\">", out);
    if (!isnan(q->value_n) && q->value_n > 0 && q->value_n < 1e-4)
        fputs("below 0.0001 N", out);
    else if (!isnan(q->value_n))
        fprintf(out, "%s N", text_number(q->value_n, 2, text, sizeof text));
    if (!isnan(q->share)) {
        fputs(isnan(q->value_n) ? "" : ", ", out);
        if (q->share > 0 && q->share < 0.005)
            fputs("below 1 %", out);
        else
            fprintf(out, "%.0f %%", 100 * q->share);
    }
    fputs("</span>", out);
}

static void sum_row(const struct session *session, const char *name, const struct data_quality_sum *sum,
                    FILE *out)
{
    fputs("<tr><th scope=\"row\">", out);
    text_html(out, name);
    fprintf(out, "</th><td class=\"number\">%zu</td>", sum->runs);
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++) {
        enum data_quality_aspect aspect = (enum data_quality_aspect)k;
        enum data_quality_verdict verdict;
        struct data_quality quality[DATA_QUALITY_ASPECTS];
        const struct run_result *worst;
        if (sum->runs == 0) {
            fputs("<td class=\"dim\">no run</td>", out);
            continue;
        }
        verdict = data_quality_worst(sum, aspect);
        worst = &session->runs[sum->worst[k]];
        data_quality_of_run(worst, session->series[worst->series], quality);
        fprintf(out, "<td class=\"keep%s\">%s%s%s", verdict == DATA_QUALITY_SPOILS ? " differs" : "",
                verdict == DATA_QUALITY_USABLE ? "<strong>" : "", WORDS[verdict],
                verdict == DATA_QUALITY_USABLE ? "</strong>" : "");
        if (verdict != DATA_QUALITY_GOOD && sum->count[k][verdict] < sum->runs)
            fprintf(out, " (%zu)", sum->count[k][verdict]);
        put_number(&quality[k], out);
        fputs("</td>", out);
    }
    fputs("</tr>\n", out);
}

static void sum_tables(const struct session *session, const struct data_quality_sums *sums, FILE *out)
{
    fputs("<p class=\"small\">Below: the worst verdict of the runs, with how many have it where not all do; "
          "under it, of the worst run, the disturbance as a standard uncertainty and its share of the "
          "variance.</p>\n",
          out);
    html_table_begin(out, "Quality of the data by feeder");
    table_head("Feeder", out);
    for (size_t i = 0; i < session->feeder_count; i++)
        sum_row(session, session->feeders[i].name, &sums->feeders[i], out);
    fputs("</tbody>\n", out);
    html_table_end(out);
    if (session->series_count < 2)
        return;
    html_table_begin(out, "Quality of the data by series");
    table_head("Series", out);
    for (size_t i = 0; i < session->series_count; i++) {
        char name[PLAN_TEXT_MAX + 32];
        snprintf(name, sizeof name, "%zu: %s", i + 1, session->series[i]->title);
        sum_row(session, name, &sums->series[i], out);
    }
    fputs("</tbody>\n", out);
    html_table_end(out);
}

static bool worth_a_word(enum data_quality_verdict verdict)
{
    return verdict == DATA_QUALITY_USABLE || verdict == DATA_QUALITY_SPOILS;
}

/* Every run that is not good in something, and why. */
static void odd_runs(const struct session *session, FILE *out)
{
    struct data_quality quality[DATA_QUALITY_ASPECTS];
    size_t shown = 0, odd = 0;
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_result *run = &session->runs[i];
        bool any = false;
        if (!run->quality.present || run->record->repeated_by > 0)
            continue;
        data_quality_verdicts(run, session->series[run->series], quality);
        for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
            any = any || worth_a_word(quality[k].verdict);
        if (!any || ++odd > RUNS_SHOWN_MAX)
            continue;
        data_quality_of_run(run, session->series[run->series], quality);
        if (shown++ == 0)
            fputs("<details>\n<summary>Runs that are not good in all six, one by one</summary>\n<ul>\n", out);
        fputs("<li>", out);
        put_run_name(session, i, out);
        fputs("<ul>\n", out);
        for (int k = 0; k < DATA_QUALITY_ASPECTS; k++) {
            if (!worth_a_word(quality[k].verdict))
                continue;
            fprintf(out, "<li>%s: ", DATA_QUALITY_KINDS[k].label);
            text_html(out, quality[k].text);
            fputs("</li>\n", out);
        }
        fputs("</ul></li>\n", out);
    }
    if (shown > 0)
        fputs("</ul>\n", out);
    if (odd > shown)
        fprintf(out, "<p>And %zu more; <code>results.csv</code> has them all.</p>\n", odd - shown);
    if (shown > 0)
        fputs("</details>\n", out);
}

/* One line for who reads no further. */
static void headline(const struct data_quality_sum *sum, FILE *out)
{
    bool any = false;
    size_t unknown = 0;
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        unknown += sum->count[k][DATA_QUALITY_UNKNOWN];
    fprintf(out, "<p><strong>The data are good in all six respects that follow%s ",
            unknown > 0 ? ", as far as can be told," : "");
    if (sum->good == sum->runs)
        fprintf(out, "in all %zu runs.</strong>", sum->runs);
    else
        fprintf(out, "in %zu of %zu runs.</strong>", sum->good, sum->runs);
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++) {
        if (sum->count[k][DATA_QUALITY_UNKNOWN] == 0)
            continue;
        fprintf(out, "%s%s (%zu)",
                any ? ", " : " Not to be told in so many runs: ", DATA_QUALITY_KINDS[k].label,
                sum->count[k][DATA_QUALITY_UNKNOWN]);
        any = true;
    }
    fprintf(out, "%s</p>\n", any ? "." : "");
}

enum err_code html_quality(const struct session *session, FILE *out, struct err *e)
{
    struct data_quality_sums sums;
    enum err_code code = data_quality_sum_up(session, &sums, e);
    if (code != ERR_OK)
        return code;
    if (sums.session.runs == 0) {
        fputs("<p>No run was analysed.</p>\n", out);
        data_quality_free(&sums);
        return ERR_OK;
    }
    headline(&sums.session, out);
    fprintf(
        out,
        "<p>Are the readings themselves fit for these answers? A disturbance is held against what a result "
        "is uncertain by anyway: the noise of a reading or the standard uncertainty of the run's force, "
        "whichever is more (gaps and drift, which no averaging mends: the latter). Up to %.0f %% of the "
        "variance is <em>good</em>: it makes an interval at most "
        "5 %% longer. More than half <em>spoils</em>: it is then more than all else together. Between "
        "the two the data are <em>usable</em>, with the reason. No verdict takes a value away.</p>\n",
        100 * DATA_QUALITY_SHARE_GOOD);
    sum_tables(session, &sums, out);
    fputs("<dl>\n", out);
    for (int k = 0; k < DATA_QUALITY_ASPECTS; k++)
        aspect_item(session, &sums.session, (enum data_quality_aspect)k, out);
    fputs("</dl>\n<p class=\"small\">What helps is common practice, without a source.</p>\n", out);
    odd_runs(session, out);
    data_quality_free(&sums);
    return ERR_OK;
}
