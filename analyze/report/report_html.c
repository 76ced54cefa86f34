#include "analyze/report/report_html.h"

#include "analyze/report/answer.h"
#include "analyze/report/html_quality.h"
#include "analyze/report/text_format.h"

#include <stdlib.h>

static const char STYLE[] =
    ":root{color-scheme:light "
    "dark;--ink:#1d2328;--dim:#55606a;--page:#fcfcfb;--box:#f1f3f4;--line:#c9d0d6;--link:#00568a;"
    "--alarm:#b00020;--alarm-ink:#ffffff;--good:#005c43}\n"
    "@media "
    "(prefers-color-scheme:dark){:root{--ink:#e7eaec;--dim:#aab4bc;--page:#15191c;--box:#20262b;--line:#"
    "3c464e;"
    "--link:#7cc4f2;--alarm:#ff8a80;--alarm-ink:#1a0003;--good:#6fd6b0}}\n"
    "*{box-sizing:border-box}\n"
    "html{-webkit-text-size-adjust:100%}\n"
    "body{margin:0;background:var(--page);color:var(--ink);font:1rem/1.55 system-ui,-apple-system,'Segoe "
    "UI',Roboto,"
    "'Liberation Sans',Arial,sans-serif}\n"
    "main,header,footer{max-width:66rem;margin:0 auto;padding:0 1.25rem}\n"
    "header{padding-top:1.5rem}\n"
    "h1{font-size:1.5rem;line-height:1.25;margin:.25rem 0 .5rem}\n"
    "h2{font-size:1.25rem;margin:2.5rem 0 .75rem;padding-top:.75rem;border-top:1px solid var(--line)}\n"
    "#answer h2{border-top:0;margin-top:.75rem;padding-top:0}\n"
    "h3{font-size:1.05rem;margin:1.5rem 0 .5rem}\n"
    "p,li,dd{max-width:46rem}\n"
    "a{color:var(--link)}\n"
    ".dim{color:var(--dim)}\n"
    ".small{font-size:.875rem}\n"
    ".simulated{background:var(--alarm);color:var(--alarm-ink);padding:.6rem "
    "1rem;font-weight:600;border-radius:.25rem;"
    "margin:0 0 1rem;max-width:none}\n"
    ".headline{font-size:1.3rem;line-height:1.4;font-weight:600;margin:.5rem 0;max-width:54rem}\n"
    ".answers{padding:0;margin:.5rem 0 1rem;list-style:none}\n"
    ".answers li{margin:.5rem 0;padding:.35rem 0 .35rem .9rem;border-left:.3rem solid "
    "var(--line);max-width:54rem}\n"
    ".answers .shown{border-color:var(--good)}\n"
    ".answers .refused{border-color:var(--alarm)}\n"
    ".scroll{overflow-x:auto;margin:.75rem 0 1.25rem}\n"
    "table{border-collapse:collapse;font-variant-numeric:tabular-nums;font-size:.925rem}\n"
    "caption{text-align:left;color:var(--dim);font-size:.875rem;padding:0 0 .35rem}\n"
    "th,td{text-align:left;vertical-align:top;padding:.35rem 1.1rem .35rem 0;border-bottom:1px solid "
    "var(--line)}\n"
    "thead th{border-bottom:2px solid var(--line);vertical-align:bottom}\n"
    "th{font-weight:600}\n"
    "td.number,th.number{text-align:right;white-space:nowrap}\n"
    "thead th.number{white-space:normal}\n"
    "td.keep,tbody th{white-space:nowrap}\n"
    "td.wrap{min-width:16rem}\n"
    "tr.upper td{border-bottom:0;padding-bottom:0}\n"
    "tr.pair th{border-bottom:0;padding-bottom:0}\n"
    "tr.upper+tr td{padding-top:0}\n"
    ".note{position:sticky;left:0;max-width:min(46rem,calc(100vw - 3.5rem));white-space:normal}\n"
    "td.differs{font-weight:600;color:var(--alarm)}\n"
    ".flag{color:var(--alarm);font-size:.875rem;font-weight:400}\n"
    "figure{margin:1rem 0 1.5rem}\n"
    ".picture{background:#ffffff;border:1px solid "
    "var(--line);border-radius:.25rem;padding:.5rem;overflow-x:auto}\n"
    ".picture svg{display:block;width:100%;height:auto;min-width:34rem}\n"
    "figcaption{color:var(--dim);font-size:.875rem;margin-top:.4rem;max-width:54rem}\n"
    "code,pre{font-family:ui-monospace,'Liberation Mono',Menlo,Consolas,monospace;font-size:.875em}\n"
    "pre{background:var(--box);padding:.75rem 1rem;overflow-x:auto;border-radius:.25rem}\n"
    "code{overflow-wrap:anywhere}\n"
    ".formula{margin:.5rem 0 .75rem 1.5rem;font-family:Cambria,Georgia,'Liberation "
    "Serif',serif;font-size:1.05rem}\n"
    "dt{font-weight:600;margin-top:.9rem}\n"
    "dd{margin:.15rem 0 0 0}\n"
    "nav ul{padding:0;margin:.5rem 0;list-style:none;display:flex;flex-wrap:wrap;gap:.25rem "
    "1.1rem;font-size:.925rem}\n"
    "summary{cursor:pointer;font-weight:600}\n"
    "footer{padding-top:1rem;padding-bottom:2.5rem;color:var(--dim);font-size:.875rem}\n"
    "@media print{:root{--ink:#000;--dim:#333;--page:#fff;--box:#fff;--line:#999;--link:#000;--alarm:#b00020;"
    "--alarm-ink:#fff;--good:#005c43}body{font-size:10pt}nav{display:none}.scroll,.picture,pre{overflow:"
    "visible}"
    "figure,tr,pre{break-inside:avoid}h2,h3{break-after:avoid}.simulated{border:2px solid "
    "var(--alarm);background:none;"
    "color:var(--alarm)}main,header,footer{max-width:none;padding:0}}\n";

void html_quantity(FILE *out, const struct quantity *q, const char *unit)
{
    char text[TEXT_QUANTITY_SIZE];
    if (q->present)
        text_html(out, text_quantity(q, unit, text, sizeof text));
    else
        fputs("<span class=\"dim\">none</span>", out);
}

void html_quantity_k(FILE *out, const struct quantity *q, const char *unit)
{
    char text[48];
    html_quantity(out, q, unit);
    if (q->present && text_coverage(q, text, sizeof text)[0] != 0)
        fprintf(out, "<br/><span class=\"dim small\">%s</span>", text);
}

void html_point_flags(FILE *out, const struct speed_point *point)
{
    char text[ANSWER_FLAG_SIZE];
    for (size_t i = 0; answer_point_flag(point, i, text, sizeof text) != NULL; i++) {
        fputs("<br/><span class=\"flag\">", out);
        text_html(out, text);
        fputs("</span>", out);
    }
}

void html_note(FILE *out, const struct result_flags *flags)
{
    char text[ANSWER_NOTE_SIZE];
    if (flags == NULL || flags->count == 0)
        return;
    fputs("<br/><span class=\"flag\">", out);
    text_html(out, answer_note(flags, text, sizeof text));
    fputs("</span>", out);
}

void html_table_begin(FILE *out, const char *caption)
{
    /* The box can be scrolled with the keyboard only when it can take the focus, and then it needs a name. */
    fprintf(out,
            "<div class=\"scroll\" tabindex=\"0\" role=\"region\" "
            "aria-label=\"%s\">\n<table>\n<caption>%s</caption>\n",
            caption, caption);
}

void html_table_end(FILE *out)
{
    fputs("</table>\n</div>\n", out);
}

static void title(const struct session *session, FILE *out)
{
    const char *name = session->series_count > 0 ? session->series[0]->title : "";
    text_html(out, name[0] != 0 ? name : "Filament feeders compared");
    if (session->series_count > 1)
        fprintf(out, " and %zu more series", session->series_count - 1);
}

static void head(const struct session *session, FILE *out)
{
    fputs("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n"
          "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n"
          "<meta name=\"generator\" content=\"nipbench-analyze " NIPBENCH_VERSION "\"/>\n"
          /* Even a text that slipped through the escaping could fetch or run nothing. */
          "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
          "'unsafe-inline'\"/>\n<title>",
          out);
    fputs(session->simulated ? "SIMULATED DATA: " : "", out);
    title(session, out);
    fprintf(out, "</title>\n<style>\n%s</style>\n</head>\n<body>\n<header>\n", STYLE);
    if (session->simulated)
        fputs("<p class=\"simulated\">SIMULATED DATA. These numbers come from a simulated rig, not from a "
              "bench. They say "
              "nothing about any real feeder.</p>\n",
              out);
    fputs("<h1>", out);
    title(session, out);
    fputs("</h1>\n</header>\n<main>\n", out);
}

static enum err_code picture(const struct figures *figures, const struct figure *f, FILE *out, struct err *e)
{
    if (!figures->linked)
        return figure_put(figures->folder, f, out, e);
    fprintf(out, "<img src=\"figures/%s.svg\" alt=\"", f->name);
    text_html(out, f->description);
    fputs("\"/>", out);
    return ERR_OK;
}

enum err_code html_figure(const struct figures *figures, size_t i, FILE *out, struct err *e)
{
    const struct figure *f = &figures->figure[i];
    enum err_code code;
    if (!f->drawn)
        return ERR_OK;
    fputs("<figure>\n<div class=\"picture\">\n", out);
    code = picture(figures, f, out, e);
    if (code != ERR_OK)
        return code;
    fputs("\n</div>\n<figcaption>", out);
    text_html(out, f->description);
    fprintf(out,
            " Redraw it with <code>gnuplot figures/%s.gp</code>; its data are in <code>figures/%s.csv</code>."
            "</figcaption>\n</figure>\n",
            f->name, f->name);
    return ERR_OK;
}

/* Figures of a kind; in the order in which they were made. */
static enum err_code figures_of(const struct figures *figures, enum figure_kind kind, FILE *out,
                                struct err *e)
{
    enum err_code code = ERR_OK;
    bool any = false;
    for (size_t i = 0; figures != NULL && i < figures->count && code == ERR_OK; i++) {
        if (figures->figure[i].kind != kind || !figures->figure[i].drawn)
            continue;
        any = true;
        code = html_figure(figures, i, out, e);
    }
    if (!any)
        fputs("<p class=\"dim\">No figure was drawn here.</p>\n", out);
    return code;
}

/* What the page has sections for. */
struct parts {
    bool pushes;     /* under the feeders' own conditions: points, curves */
    bool any_push;   /* of any test: a stall force, and what gave way */
    bool comparison; /* more than one feeder */
    const char *tests[ANSWER_TESTS_MAX];
    size_t test_count;
};

static void contents(const struct parts *parts, FILE *out)
{
    fputs("<nav aria-label=\"Sections\">\n<ul>\n"
          "<li><a href=\"#feeders\">Feeders and conditions</a></li>\n",
          out);
    if (parts->comparison)
        fputs("<li><a href=\"#comparison\">Comparison</a></li>\n", out);
    if (parts->pushes)
        fputs("<li><a href=\"#pushes\">Push curves</a></li>\n"
              "<li><a href=\"#torque-section\">Torque against speed</a></li>\n",
              out);
    for (size_t i = 0; i < parts->test_count; i++) {
        char id[48];
        html_test_id(parts->tests[i], id, sizeof id);
        fprintf(out, "<li><a href=\"#%s\">", id);
        text_html(out, answer_test_title(parts->tests[i]));
        fputs("</a></li>\n", out);
    }
    fprintf(out,
            "<li><a href=\"#runs\">All runs</a></li>\n%s"
            "<li><a href=\"#quality\">Data quality</a></li>\n"
            "<li><a href=\"#method\">Method</a></li>\n"
            "<li><a href=\"#uncertainty\">Uncertainty</a></li>\n"
            "<li><a href=\"#cautions\">Cautions</a></li>\n"
            "<li><a href=\"#repeat\">How to repeat it</a></li>\n"
            "<li><a href=\"#provenance\">Provenance</a></li>\n"
            "</ul>\n</nav>\n",
            parts->any_push ? "<li><a href=\"#limited\">What gave way</a></li>\n" : "");
}

static void begin_section(const char *id, const char *heading, FILE *out)
{
    fprintf(out, "<section id=\"%s\">\n<h2>%s</h2>\n", id, heading);
}

static void end_section(FILE *out)
{
    fputs("</section>\n", out);
}

static enum err_code comparison_section(const struct session *session, const struct figures *figures,
                                        const struct parts *parts, FILE *out, struct err *e)
{
    enum err_code code;
    begin_section("comparison", "Comparison", out);
    code = html_comparisons(session, out, e);
    if (code != ERR_OK)
        return code;
    if (parts->pushes) {
        code = figures_of(figures, FIGURE_DIFFERENCE, out, e);
        fputs("<h3>By feeder and speed</h3>\n", out);
        html_speeds(session, out);
        if (code == ERR_OK)
            code = figures_of(figures, FIGURE_STALL, out, e);
        if (code == ERR_OK && figure_stall_wanted(session, true))
            code = figures_of(figures, FIGURE_ONSET, out, e);
    }
    end_section(out);
    return code;
}

static enum err_code push_sections(const struct figures *figures, FILE *out, struct err *e)
{
    enum err_code code;
    begin_section("pushes", "Push curves", out);
    fputs("<p>A push begins with no load. The blocked filament bends the fixture like a spring, so force "
          "rises with feed. What "
          "bends the curve away from a straight line is lost feed: creep from the first newton, and gross "
          "slip past the "
          "onset. A motor that loses step lets the force drop all at once, again and again.</p>\n",
          out);
    code = figures_of(figures, FIGURE_PUSH, out, e);
    end_section(out);
    begin_section("torque-section", "Torque against speed", out);
    fputs("<p>Where the motor gave way, its torque is known; where the grip gave way first, the motor could "
          "do at least "
          "that much.</p>\n",
          out);
    if (code == ERR_OK)
        code = figures_of(figures, FIGURE_TORQUE, out, e);
    end_section(out);
    return code;
}

static enum err_code uncertainty_section(const struct session *session, const struct figures *figures,
                                         const struct parts *parts, FILE *out, struct err *e)
{
    enum err_code code = ERR_OK;
    begin_section("uncertainty", "Uncertainty", out);
    html_uncertainty(session, out);
    if (parts->pushes) {
        code = html_budgets(session, out, e);
        if (code != ERR_OK)
            return code;
        code = figures_of(figures, FIGURE_BUDGET, out, e);
    }
    html_outcome_budgets(session, out);
    html_estimates(session, out);
    end_section(out);
    return code;
}

enum err_code report_html_write(const struct session *session, const struct figures *figures, FILE *out,
                                struct err *e)
{
    struct parts parts = {.pushes = answer_has_pushes(session), .any_push = html_any_push_run(session)};
    enum err_code code;
    parts.comparison = parts.pushes || session->feeder_count > 1;
    parts.test_count = answer_tests(session, parts.tests, ANSWER_TESTS_MAX);
    head(session, out);
    code = html_answer(session, out, e);
    if (code != ERR_OK)
        return code;
    contents(&parts, out);
    begin_section("feeders", "Feeders and conditions", out);
    code = html_feeders(session, out, e);
    if (code != ERR_OK)
        return code;
    end_section(out);
    if (parts.comparison)
        code = comparison_section(session, figures, &parts, out, e);
    if (code != ERR_OK)
        return code;
    if (parts.pushes)
        code = push_sections(figures, out, e);
    if (code == ERR_OK)
        code = html_outcomes(session, figures, out, e);
    if (code != ERR_OK)
        return code;
    begin_section("runs", "All runs", out);
    html_runs(session, out);
    end_section(out);
    if (parts.any_push) {
        begin_section("limited", "What gave way, and how that was told", out);
        html_evidence(session, out);
        end_section(out);
    }
    begin_section("quality", "Data quality", out);
    code = html_quality(session, out, e);
    if (code != ERR_OK)
        return code;
    end_section(out);
    begin_section("method", "Method", out);
    html_method(session, out);
    end_section(out);
    code = uncertainty_section(session, figures, &parts, out, e);
    if (code != ERR_OK)
        return code;
    begin_section("cautions", "Cautions", out);
    html_cautions(out);
    end_section(out);
    begin_section("repeat", "How to repeat it", out);
    html_repeat(session, out);
    end_section(out);
    begin_section("provenance", "Provenance", out);
    html_provenance(session, out);
    end_section(out);
    fputs("</main>\n<footer>\n<p>Made by nipbench-analyze " NIPBENCH_VERSION
          ". This page fetches nothing and runs nothing.</p>\n</footer>\n</body>\n</html>\n",
          out);
    return ERR_OK;
}
