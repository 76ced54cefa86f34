#include "analyze/report/report_html.h"

#include "analyze/report/answer.h"
#include "analyze/report/calibration_used.h"
#include "analyze/report/html_quality.h"
#include "analyze/report/html_style.h"
#include "analyze/report/predict_show.h"
#include "analyze/report/text_format.h"

#include <stdlib.h>

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
        fprintf(out, " <span class=\"line dim small\">%s</span>", text);
}

void html_point_flags(FILE *out, const struct speed_point *point)
{
    char text[ANSWER_FLAG_SIZE];
    for (size_t i = 0; answer_point_flag(point, i, text, sizeof text) != NULL; i++) {
        fputs(" <span class=\"line flag\">", out);
        text_html(out, text);
        fputs("</span>", out);
    }
}

void html_note(FILE *out, const struct result_flags *flags)
{
    char text[ANSWER_NOTE_SIZE];
    if (flags == NULL || flags->count == 0)
        return;
    fputs(" <span class=\"line flag\">", out);
    text_html(out, answer_note(flags, text, sizeof text));
    fputs("</span>", out);
}

void html_table_begin(FILE *out, const char *caption)
{
    /* The box can be scrolled with the keyboard only when it can take the focus, and then it needs a name. */
    fprintf(out,
            "<div class=\"scroll\" tabindex=\"0\" role=\"group\" "
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
    fputs("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
          "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
          "<meta name=\"color-scheme\" content=\"light dark\">\n"
          "<meta name=\"generator\" content=\"nipbench-analyze " NIPBENCH_VERSION "\">\n"
          /* Even a text that slipped through the escaping could fetch or run nothing. Saving a file whose
           * bytes stand in the link itself is no fetch and needs no permission. */
          "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
          "'unsafe-inline'; base-uri 'none'; form-action 'none'\">\n"
          "<title>",
          out);
    fputs(session->simulated ? "SIMULATED DATA: " : "", out);
    title(session, out);
    fputs("</title>\n", out);
    html_style(out);
    fputs("</head>\n<body>\n<header>\n", out);
    if (session->simulated)
        fputs("<p class=\"simulated\">SIMULATED DATA. These numbers come from a simulated rig, not from a "
              "bench. They say "
              "nothing about any real feeder.</p>\n",
              out);
    fputs("<h1>", out);
    title(session, out);
    fputs("</h1>\n", out);
    if (calibration_used_any(session))
        fputs("<p>A calibration was used that is not the one in the series: see <a "
              "href=\"#uncertainty\">Uncertainty</a>.</p>\n",
              out);
    fputs("</header>\n<main>\n", out);
}

/* What the page has sections for. */
struct parts {
    bool pushes;     /* under the feeders' own conditions: points, curves */
    bool any_push;   /* of any test: a stall force, and what gave way */
    bool comparison; /* more than one feeder */
    bool prediction; /* a motor file was given */
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
    if (parts->prediction)
        fputs("<li><a href=\"#prediction\">Measured against the data sheet</a></li>\n", out);
    for (size_t i = 0; i < parts->test_count; i++) {
        char id[48];
        html_test_id(parts->tests[i], id, sizeof id);
        fprintf(out, "<li><a href=\"#%s\">", id);
        text_html(out, answer_test_title(parts->tests[i]));
        fputs("</a></li>\n", out);
    }
    fprintf(out,
            "%s<li><a href=\"#runs\">All runs</a></li>\n"
            "<li><a href=\"#quality\">Data quality</a></li>\n"
            "<li><a href=\"#method\">Method</a></li>\n"
            "<li><a href=\"#uncertainty\">Uncertainty</a></li>\n"
            "<li><a href=\"#repeat\">How to repeat this</a></li>\n"
            "<li><a href=\"#cautions\">Cautions</a></li>\n"
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
        code = html_figures_of(figures, FIGURE_DIFFERENCE, out, e);
        fputs("<h3>By feeder and speed</h3>\n", out);
        html_speeds(session, out);
        if (code == ERR_OK)
            code = html_figures_of(figures, FIGURE_STALL, out, e);
        if (code == ERR_OK && figure_stall_wanted(session, true))
            code = html_figures_of(figures, FIGURE_ONSET, out, e);
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
    code = html_figures_of(figures, FIGURE_PUSH, out, e);
    end_section(out);
    begin_section("torque-section", "Torque against speed", out);
    fputs("<p>Where the motor gave way, its torque is known; where the grip gave way first, the motor could "
          "do at least "
          "that much.</p>\n",
          out);
    if (code == ERR_OK)
        code = html_figures_of(figures, FIGURE_TORQUE, out, e);
    end_section(out);
    return code;
}

static enum err_code prediction_section(const struct session *session, const struct figures *figures,
                                        FILE *out, struct err *e)
{
    enum err_code code;
    begin_section("prediction", "Measured against the data sheet", out);
    code = html_prediction(session, figures, out, e);
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
        code = html_figures_of(figures, FIGURE_BUDGET, out, e);
    }
    html_outcome_budgets(session, out);
    if (code == ERR_OK)
        code = html_prediction_budgets(session, out, e);
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
    parts.prediction = html_prediction_wanted(session);
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
    if (code == ERR_OK && parts.prediction)
        code = prediction_section(session, figures, out, e);
    if (code == ERR_OK)
        code = html_outcomes(session, figures, out, e);
    if (code != ERR_OK)
        return code;
    if (parts.any_push) {
        begin_section("limited", "What gave way, and how that was told", out);
        html_evidence(session, out);
        end_section(out);
    }
    begin_section("runs", "All runs", out);
    html_runs(session, out);
    end_section(out);
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
    begin_section("repeat", "How to repeat this", out);
    html_repeat(session, out);
    end_section(out);
    begin_section("cautions", "Cautions", out);
    html_cautions(out);
    end_section(out);
    begin_section("provenance", "Provenance", out);
    html_provenance(session, figures, out);
    end_section(out);
    fputs("</main>\n<footer>\n<p>Made by nipbench-analyze " NIPBENCH_VERSION
          ". This page fetches nothing and runs nothing.</p>\n</footer>\n</body>\n</html>\n",
          out);
    return ERR_OK;
}
