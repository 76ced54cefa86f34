/* Where the numbers come from: programs, packages with their hashes, plans, calibrations, options. */
#include "analyze/report/report_html.h"

#include "analyze/report/calibration_used.h"
#include "analyze/report/predict_show.h"
#include "analyze/report/text_format.h"
#include "datasets/format/kept.h"
#include "datasets/format/series_calibration.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PLAN_LINES_MAX 4000 /* far more than a plan that can be run */

static void provenance_row(const char *label, const char *text, FILE *out)
{
    if (text[0] == 0)
        return;
    fprintf(out, "<tr><th scope=\"row\">%s</th><td>", label);
    text_html(out, text);
    fputs("</td></tr>\n", out);
}

static void calibration_rows(const struct calibration *c, FILE *out)
{
    char text[400], value[160], low[48], high[48];
    if (c->degree < 1)
        return;
    snprintf(
        text, sizeof text, "%s on %s, degree %d, gain %s, range %s N to %s N", c->origin, c->date, c->degree,
        text_with_uncertainty(c->coefficients[1], sqrt(fmax(0, c->covariance[1][1])), "counts/N", value,
                              sizeof value),
        text_number(c->load_low_n, 4, low, sizeof low), text_number(c->load_high_n, 4, high, sizeof high));
    provenance_row("Load cell calibration", text, out);
    for (size_t i = 0; i < c->feed_count; i++) {
        const struct calibration_feed *f = &c->feeds[i];
        snprintf(text, sizeof text, "%s: %s", f->feeder,
                 text_with_uncertainty(f->mm_per_microstep, f->standard_uncertainty_mm_per_microstep,
                                       "mm for a microstep", value, sizeof value));
        provenance_row("Feed calibration", text, out);
    }
}

/* A calibration that was used in the place of the one in the series, and where it is kept. */
static void other_calibration_rows(const struct session *session, size_t i, FILE *out)
{
    char name[CALIBRATION_USED_NAME_SIZE];
    if (session->series[i]->other == NULL)
        return;
    calibration_used_name(session->series[i]->other->hash, name, sizeof name);
    fputs("<tr><th scope=\"row\">Not the calibration in the series</th><td>", out);
    calibration_used_html(session, i, out);
    fprintf(out,
            "</td></tr>\n<tr><th scope=\"row\">Kept beside this page as</th><td><code>%s</code></td></tr>\n",
            name);
}

/* Programs and libraries that the numbers and pictures come from. */
static void versions(const struct figures *figures, FILE *out)
{
    char gnuplot[64] = "", numerics[64];
    for (size_t i = 0; figures != NULL && i < figures->count && gnuplot[0] == 0; i++) {
        if (figures->figure[i].drawn)
            figure_drawn_by(figures->folder, &figures->figure[i], gnuplot, sizeof gnuplot);
    }
    html_table_begin(out, "Programs and libraries");
    fputs("<tbody>\n", out);
    provenance_row("Analysis", "nipbench-analyze " NIPBENCH_VERSION, out);
    provenance_row("Numerics", quantity_numerics_version(numerics, sizeof numerics), out);
    provenance_row("Figures", gnuplot[0] != 0 ? gnuplot : "none drawn", out);
    fputs("</tbody>\n", out);
    html_table_end(out);
}

/* What the caller of the report chose. */
static void options(const struct session *session, FILE *out)
{
    char text[80], number[48];
    html_table_begin(out, "Options of this report");
    fputs("<tbody>\n", out);
    snprintf(text, sizeof text, "%s %%%s", text_number(100 * session->margin, 4, number, sizeof number),
             session->margin == SESSION_MARGIN ? " (the default)" : "");
    provenance_row("Margin of operating charts", text, out);
    if (session->reference_speed_mm_s > 0)
        provenance_row("Reference speed",
                       text_stated(session->reference_speed_mm_s, "mm/s", text, sizeof text), out);
    fputs("<tr><th scope=\"row\">Conditions that may differ</th><td>", out);
    bool any = false;
    for (size_t id = 0; id < CONDITION_COUNT; id++) {
        if (session->accept[id])
            fprintf(out, "%s%s", any ? ", " : "", CONDITION_KINDS[id].label);
        any = any || session->accept[id];
    }
    fputs(any ? "</td></tr>\n" : "none beyond the plans&#8217; tolerances</td></tr>\n", out);
    fputs("<tr><th scope=\"row\">Differences that matter</th><td>", out);
    for (size_t i = 0; i < session->matter_count; i++) {
        fputs(i > 0 ? ", " : "", out);
        text_html(out, session->matters[i].quantity);
        fprintf(out, " %s", text_number(session->matters[i].difference, 6, number, sizeof number));
    }
    fputs(session->matter_count > 0 ? "</td></tr>\n" : "as the plans state them, if they do</td></tr>\n",
          out);
    fputs("</tbody>\n", out);
    html_table_end(out);
}

/* The plan as run: the file itself, line by line. */
static void plan_as_run(const struct session *session, size_t i, FILE *out)
{
    char path[4096], *line = NULL;
    size_t size = 0;
    ssize_t got;
    FILE *in = NULL;
    if ((size_t)snprintf(path, sizeof path, "%s/plan.yaml", session->series[i]->folder) < sizeof path)
        in = fopen(path, "re");
    if (in == NULL)
        return;
    fputs("<details>\n<summary>The plan as run, plan.yaml of ", out);
    html_folder(session, i, out);
    fprintf(out,
            "</summary>\n<pre tabindex=\"0\" role=\"group\" aria-label=\"Plan as run, series %zu\"><code>",
            i + 1);
    for (int n = 0; n < PLAN_LINES_MAX && (got = getline(&line, &size, in)) >= 0; n++) {
        while (got > 0 && (line[got - 1] == '\n' || line[got - 1] == '\r'))
            line[--got] = 0;
        text_html(out, line);
        fputc('\n', out);
    }
    free(line);
    fclose(in);
    fputs("</code></pre>\n</details>\n", out);
}

void html_provenance(const struct session *session, const struct figures *figures, FILE *out)
{
    versions(figures, out);
    options(session, out);
    for (size_t i = 0; i < session->series_count; i++) {
        const struct series *s = session->series[i];
        char text[PLAN_TEXT_MAX + PLAN_NAME_MAX + 8], caption[64] = "The series";
        if (session->series_count > 1)
            snprintf(caption, sizeof caption, "Series %zu of %zu", i + 1, session->series_count);
        html_table_begin(out, caption);
        fputs("<tbody>\n<tr><th scope=\"row\">Folder</th><td><code>", out);
        html_folder(session, i, out);
        fputs("</code></td></tr>\n<tr><th scope=\"row\">Package hash</th><td><code>", out);
        text_html(out, s->package_hash);
        fputs("</code></td></tr>\n", out);
        provenance_row("Title", s->title, out);
        provenance_row("Description", s->plan.description, out);
        provenance_row("Data", s->simulated ? "simulated" : "measured", out);
        provenance_row("Licence", s->plan.licence, out);
        snprintf(text, sizeof text, "%llu, %d block%s", (unsigned long long)s->plan.seed, s->plan.blocks,
                 s->plan.blocks == 1 ? "" : "s");
        provenance_row("Plan seed", text, out);
        for (size_t j = 0; j < s->plan.contributor_count; j++) {
            const struct plan_contributor *c = &s->plan.contributors[j];
            snprintf(text, sizeof text, "%s%s%s%s", c->title, c->role[0] != 0 ? " (" : "", c->role,
                     c->role[0] != 0 ? ")" : "");
            provenance_row("Contributor", text, out);
        }
        if (s->run_count > 0) {
            const struct run_record *first = &s->runs[0], *last = &s->runs[s->run_count - 1];
            provenance_row("First run", first->start_time, out);
            provenance_row("Last run", last->start_time, out);
            provenance_row("Rig serial", kept_text_or_empty(first->rig_serial), out);
            provenance_row("Rig firmware", kept_text_or_empty(first->rig_firmware), out);
        }
        calibration_rows(&s->calibration, out);
        other_calibration_rows(session, i, out);
        if (s->calibration_replaced)
            provenance_row("Calibration replaced",
                           s->other != NULL
                               ? "calibration.json in the series is not the one that the package lists"
                               : "calibration.json is not the one that the package lists: these forces come "
                                 "from another calibration than the one recorded with the runs",
                           out);
        fputs("</tbody>\n", out);
        html_table_end(out);
        plan_as_run(session, i, out);
    }
    html_prediction_motors(session, out);
}
