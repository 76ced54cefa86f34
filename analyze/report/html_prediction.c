/* What feeders should push by their motors' data sheets, beside what was measured: the section of the page,
 * the budgets of the predicted forces, how it is worked out, and the motor files with what stands in them. */
#include "analyze/report/predict_show.h"

#include "analyze/report/report_html.h"
#include "analyze/report/text_format.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#define MOTOR_LINES_MAX 4000

bool html_prediction_wanted(const struct session *session)
{
    return session->prediction_count > 0;
}

static void put_causes(const struct prediction *p, FILE *out)
{
    const struct predict_verdict *v = &p->verdict;
    if (v->differing == 0)
        return;
    if (!predict_has_causes(p)) {
        fputs("<p>No single cause explains half of the difference.</p>\n", out);
        return;
    }
    fputs("<p>Likely causes, those first that fit the measured forces best:</p>\n<ol>\n", out);
    for (size_t i = 0; i < v->cause_count; i++) {
        char what[sizeof v->causes[i].what];
        snprintf(what, sizeof what, "%s", v->causes[i].what);
        what[0] = (char)toupper((unsigned char)what[0]);
        fputs("<li>", out);
        text_html(out, what);
        fprintf(out, " (explains %.0f %% of the squared differences). <span class=\"line\">To tell: ",
                100 * v->causes[i].explained);
        text_html(out, v->causes[i].measure);
        fputs(".</span></li>\n", out);
    }
    fputs("</ol>\n", out);
}

static void put_finding(const struct session *session, const struct prediction *p, FILE *out)
{
    const struct feeder_result *f = &session->feeders[p->feeder];
    char words[PREDICT_WORDS_SIZE];
    fputs("<h3>", out);
    text_html(out, p->name);
    if (session->series_count > 1 && session->series[f->series]->title[0] != 0) {
        fputs(" <span class=\"line dim small\">", out);
        text_html(out, session->series[f->series]->title);
        fputs("</span>", out);
    }
    fputs("</h3>\n<p>", out);
    predict_verdict(p, words, sizeof words);
    words[0] = (char)toupper((unsigned char)words[0]);
    text_html(out, words);
    fputs("</p>\n", out);
    if (predict_bounds(p, words, sizeof words)[0] != 0) {
        fputs("<p>", out);
        text_html(out, words);
        fputs("</p>\n", out);
    }
    put_causes(p, out);
}

/* The value, and its interval on a line of its own. */
static void value_cell(const struct quantity *q, FILE *out)
{
    char text[TEXT_QUANTITY_SIZE];
    fputs("<td class=\"number\">", out);
    if (!q->present || q->at_least) {
        html_quantity(out, q, "N");
    } else {
        text_html(out,
                  text_rounded(q->value, text_decimals((q->high_95 - q->low_95) / 2), text, sizeof text));
        fputs(" N <span class=\"line dim small\">", out);
        text_html(out, text_interval(q, "N", text, sizeof text));
        fputs("</span>", out);
    }
    fputs("</td>", out);
}

static void measured_rows(const struct prediction *p, FILE *out)
{
    char text[80];
    for (size_t i = 0; i < p->measured_count; i++) {
        const struct predict_measured *m = &p->measured[i];
        struct quantity q = m->bound ? quantity_at_least(m->force_n.value) : m->force_n;
        fputs("<tr><th scope=\"row\">", out);
        text_html(out, p->name);
        fputs("</th><td class=\"number\">", out);
        text_html(out, text_measure(m->speed_mm_s, "mm/s", text, sizeof text));
        fputs("</td>", out);
        value_cell(&q, out);
        value_cell(&m->predicted.force_n, out);
        value_cell(&m->difference_n, out);
        fprintf(out, "<td%s>%s</td><td>%s</td></tr>\n", m->differs ? " class=\"differs\"" : "",
                predict_judgement(m), predict_limit(&m->predicted));
    }
}

static void measured_table(const struct session *session, FILE *out)
{
    html_table_begin(out, "Push force measured and predicted, by feeder and speed");
    fputs("<thead><tr><th scope=\"col\">Feeder</th><th scope=\"col\" class=\"number\">Speed</th>"
          "<th scope=\"col\" class=\"number\">Measured</th><th scope=\"col\" class=\"number\">Predicted</th>"
          "<th scope=\"col\" class=\"number\">Difference</th>"
          "<th scope=\"col\">Verdict</th><th scope=\"col\">Motor limited by</th></tr></thead>\n"
          "<tbody>\n",
          out);
    for (size_t i = 0; i < session->prediction_count; i++)
        measured_rows(&session->predictions[i], out);
    fputs("</tbody>\n", out);
    html_table_end(out);
    fputs("<p class=\"dim small\">With each value stands its 95 % interval. The difference is measured minus "
          "predicted, with the joint interval of the two. What limits the motor there is by its data "
          "sheet.</p>\n",
          out);
}

/* Feeders that have a motor and were not pushed at any speed: one sentence for all of them. */
static void put_not_measured(const struct session *session, bool all, FILE *out)
{
    bool first = true;
    for (size_t i = 0; i < session->prediction_count; i++) {
        if (session->predictions[i].measured_count > 0)
            continue;
        fputs(first ? "<p class=\"small dim\">Nothing was measured that a motor&#8217;s force can be held "
                      "against, no blocked push of which it is clear what gave way: "
                    : ", ",
              out);
        first = false;
        text_html(out, session->predictions[i].name);
    }
    fputs(first ? "" : ".</p>\n", out);
    if (all)
        fputs("<p>A speed sweep would tell: <code>nipbench-analyze predict</code> says meanwhile what the "
              "motor file alone predicts.</p>\n",
              out);
}

enum err_code html_prediction(const struct session *session, const struct figures *figures, FILE *out,
                              struct err *e)
{
    enum err_code code = ERR_OK;
    bool invented = false, any = figure_prediction_wanted(session);
    for (size_t i = 0; i < session->motor_count; i++)
        invented = invented || (session->motors[i].motor.simulated && !session->simulated);
    if (invented)
        fputs("<p class=\"simulated\">A motor file says that its motor is SIMULATED, while the series are "
              "not: their difference says nothing about any real motor.</p>\n",
              out);
    fputs("<p>What each feeder should push by its motor&#8217;s data sheet, the driver&#8217;s setting, the "
          "supply, the reduction and the drive diameter, held against what was measured. They differ where "
          "the difference is more than the joint 95 % interval of the two allows. <a href=\"#method\">How "
          "this is worked out</a>; <a href=\"#motors\">what stands in the motor file</a>.</p>\n",
          out);
    for (size_t i = 0; i < session->prediction_count; i++) {
        if (session->predictions[i].measured_count > 0)
            put_finding(session, &session->predictions[i], out);
    }
    if (any)
        measured_table(session, out);
    put_not_measured(session, !any, out);
    if (any)
        code = html_figures_of(figures, FIGURE_PREDICTION, out, e);
    return code;
}

/* "0.3677 N m, 10 % either way". */
static char *tolerance_text(const struct predict_motor *m, int input, char *buffer, size_t size)
{
    char value[80], percent[48];
    text_stated(m->values[input], PREDICT_INPUT_KINDS[input].unit, value, sizeof value);
    if (m->tolerance_percent[input] > 0)
        snprintf(buffer, size, "%s, %s %% either way", value,
                 text_number(m->tolerance_percent[input], 3, percent, sizeof percent));
    else
        snprintf(buffer, size, "%s, taken as exact", value);
    return buffer;
}

/* Of which input a component is. */
static int input_of(const struct budget_component *c)
{
    int i = 0;
    while (i < PREDICT_INPUTS - 1 && strcmp(PREDICT_INPUT_KINDS[i].label, c->name) != 0)
        i++;
    return i;
}

static void component_row(const struct predict_motor *motor, const struct prediction *p,
                          const struct budget *budget, size_t i, FILE *out)
{
    const struct budget_component *c = &budget->components[i];
    int input = input_of(c);
    char text[240], number[48];
    fputs("<tr><th scope=\"row\">", out);
    text_html(out, c->name);
    fputs("</th><td class=\"wrap\">", out);
    fputs(c->type == BUDGET_TYPE_A ? "measured scatter (type A): " : "estimate (type B): ", out);
    if (input == PREDICT_DRIVE_DIAMETER_MM && p->drive.diameter_relative > 0)
        text_with_uncertainty(p->drive.drive_diameter_mm, c->standard_uncertainty, "mm", text, sizeof text);
    else
        tolerance_text(motor, input, text, sizeof text);
    text_html(out, text);
    fprintf(out, "</td><td class=\"number\">%s N</td>", predict_newtons(budget, i, number, sizeof number));
    if (budget_share(budget, i) < 0.0005)
        fputs("<td class=\"number\">below 0.1 %</td>", out);
    else
        fprintf(out, "<td class=\"number\">%.1f %%</td>", 100 * budget_share(budget, i));
    fprintf(out, "<td class=\"number\">%s</td></tr>\n", predict_degrees(c, text, sizeof text));
}

static enum err_code budget_rows(const struct predict_motor *motor, const struct prediction *p,
                                 const struct predict_force *f, FILE *out, struct err *e)
{
    struct budget budget;
    char text[TEXT_QUANTITY_SIZE], speed[80];
    double u = f->force_n.standard_uncertainty;
    enum err_code code = predict_budget(motor, &p->drive, f->speed_mm_s, &budget, e);
    if (code != ERR_OK)
        return code;
    fprintf(out, "<tbody>\n<tr><th scope=\"rowgroup\" colspan=\"5\">predicted at %s, limited by the %s: ",
            text_measure(f->speed_mm_s, "mm/s", speed, sizeof speed), predict_limit(f));
    text_html(out, text_quantity(&f->force_n, "N", text, sizeof text));
    fputs("</th></tr>\n", out);
    for (size_t i = 0; i < budget.count; i++)
        component_row(motor, p, &budget, i, out);
    fprintf(out,
            "<tr><th scope=\"row\">all together</th><td class=\"wrap\">by Monte Carlo</td>"
            "<td class=\"number\">%s N</td><td></td><td></td></tr>\n</tbody>\n",
            text_rounded(u, text_decimals(u), text, sizeof text));
    return ERR_OK;
}

enum err_code html_prediction_budgets(const struct session *session, FILE *out, struct err *e)
{
    enum err_code code = ERR_OK;
    if (!figure_prediction_wanted(session))
        return ERR_OK;
    fputs("<h3>Budgets of the predicted forces</h3>\n"
          "<p>Each row is what the tolerance of one number alone makes of the force. All together they are "
          "drawn at once (Monte Carlo, JCGM 101): where set current and supply voltage limit much alike, "
          "that is not the root of the sum of squares.</p>\n",
          out);
    for (size_t i = 0; i < session->prediction_count && code == ERR_OK; i++) {
        const struct prediction *p = &session->predictions[i];
        if (p->measured_count == 0)
            continue;
        fputs("<details>\n<summary>Predicted push force, ", out);
        text_html(out, p->name);
        fprintf(out, ": %zu budget%s</summary>\n", p->measured_count, p->measured_count == 1 ? "" : "s");
        html_table_begin(out, "Budgets of the predicted force, speed after speed");
        fputs("<thead><tr><th scope=\"col\">Component</th><th scope=\"col\">What it is</th>"
              "<th scope=\"col\" class=\"number\">Standard uncertainty</th>"
              "<th scope=\"col\" class=\"number\">Share of the variance</th>"
              "<th scope=\"col\" class=\"number\">Degrees of freedom</th></tr></thead>\n",
              out);
        for (size_t k = 0; k < p->measured_count && code == ERR_OK; k++)
            code = budget_rows(&session->motors[p->motor].motor, p, &p->measured[k].predicted, out, e);
        html_table_end(out);
        fputs("</details>\n", out);
    }
    return code;
}

static void row(const char *label, const char *text, FILE *out)
{
    fprintf(out, "<tr><th scope=\"row\">%s</th><td>", label);
    text_html(out, text);
    fputs("</td></tr>\n", out);
}

static void value_rows(const struct predict_motor *m, FILE *out)
{
    char text[240], number[48];
    for (int i = 0; i < PREDICT_INPUTS; i++) {
        if (i == PREDICT_DRIVE_DIAMETER_MM)
            continue;
        tolerance_text(m, i, text, sizeof text);
        if (i == PREDICT_SET_CURRENT_A)
            snprintf(text + strlen(text), sizeof text - strlen(text), ", %s value",
                     m->current_is_rms ? "rms" : "peak");
        row(PREDICT_INPUT_KINDS[i].label, text, out);
    }
    snprintf(text, sizeof text, "%d", m->full_steps_per_rev);
    row("full steps of a motor turn", text, out);
    snprintf(text, sizeof text, "%s Wb", text_number(predict_flux_linkage_wb(m), 4, number, sizeof number));
    row("flux linkage that follows", text, out);
    row("reduction and drive diameter", "those of each series, not of this file", out);
}

/* The file itself, line by line. */
static void file_text(const struct prediction_motor *m, size_t i, FILE *out)
{
    const char *at = m->text;
    fputs("<details>\n<summary>The motor file ", out);
    text_html(out, m->file);
    fprintf(out, "</summary>\n<pre tabindex=\"0\" role=\"group\" aria-label=\"Motor file %zu\"><code>",
            i + 1);
    for (int n = 0; n < MOTOR_LINES_MAX && *at != 0; n++) {
        size_t length = strcspn(at, "\n");
        char *line = strndup(at, length);
        if (line == NULL)
            break;
        text_html(out, line);
        free(line);
        fputc('\n', out);
        at += length + (at[length] != 0);
    }
    fputs("</code></pre>\n</details>\n", out);
}

void html_prediction_motors(const struct session *session, FILE *out)
{
    if (session->motor_count == 0)
        return;
    fputs("<section id=\"motors\">\n<h3>Motor files</h3>\n", out);
    for (size_t i = 0; i < session->motor_count; i++) {
        const struct prediction_motor *m = &session->motors[i];
        char caption[64] = "The motor file";
        bool first = true;
        if (session->motor_count > 1)
            snprintf(caption, sizeof caption, "Motor file %zu of %zu", i + 1, session->motor_count);
        html_table_begin(out, caption);
        fputs("<tbody>\n<tr><th scope=\"row\">File</th><td><code>", out);
        text_html(out, m->file);
        fputs("</code></td></tr>\n<tr><th scope=\"row\">SHA-256</th><td><code>", out);
        text_html(out, m->hash);
        fputs("</code></td></tr>\n", out);
        if (m->motor.name[0] != 0)
            row("Motor", m->motor.name, out);
        row("Data", m->motor.simulated ? "simulated" : "as somebody entered them from a data sheet", out);
        fputs("<tr><th scope=\"row\">Motor of</th><td>", out);
        for (size_t k = 0; k < session->prediction_count; k++) {
            if (session->predictions[k].motor != i)
                continue;
            fputs(first ? "" : ", ", out);
            first = false;
            text_html(out, session->predictions[k].name);
        }
        fputs("</td></tr>\n", out);
        value_rows(&m->motor, out);
        fputs("</tbody>\n", out);
        html_table_end(out);
        file_text(m, i, out);
    }
    fputs("</section>\n", out);
}

void html_prediction_method(FILE *out)
{
    fputs("<dt>Predicted push force</dt>\n"
          "<dd><div class=\"formula\"><var>F</var> = 2 <var>i</var> <var>&#951;</var> <var>T</var> / "
          "<var>D</var></div>"
          "with <var>&#951;</var> the stated efficiency and <var>T</var> the lesser of two torques: at the "
          "set current <var>p</var> <var>&#968;</var> <var>I</var>, with <var>p</var> rotor teeth (a "
          "quarter of the full steps), flux linkage <var>&#968;</var> and sinusoidal phase currents of peak "
          "<var>I</var>; and at speed, where the supply limits, the pull-out torque of a two-phase hybrid "
          "stepper"
          "<div class=\"formula\"><var>T</var> = <var>p</var> <var>&#968;</var> (<var>V</var> / "
          "<var>Z</var> &#8722; <var>&#969;</var> <var>&#968;</var> <var>R</var> / "
          "<var>Z</var><sup>2</sup>), <var>Z</var><sup>2</sup> = <var>R</var><sup>2</sup> + "
          "<var>&#969;</var><sup>2</sup> <var>L</var><sup>2</sup></div>"
          "with <var>V</var> = 4/&#960; of the supply voltage and <var>&#969;</var> the electrical angular "
          "frequency. A data sheet&#8217;s holding torque, with both phases at the rated current, is the "
          "root of 2 times <var>p</var> <var>&#968;</var> times that current, which gives "
          "<var>&#968;</var>. Every number may be off by its tolerance, any error within it being as "
          "likely; the drive diameter by its own uncertainty. Where measured and predicted differ, each "
          "number is multiplied by the factor with which the predicted forces fit the measured ones best, "
          "and those that fit best are the likely causes. Where grip or a limit gave way first, the measured "
          "force is a lower bound and can contradict from above only.</dd>\n",
          out);
}
