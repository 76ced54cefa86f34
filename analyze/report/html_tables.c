/* What was tested under which conditions, what each speed gave, and every single run. */
#include "analyze/report/report_html.h"

#include "analyze/report/answer.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

static const struct run_record *first_run(const struct session *session, size_t feeder)
{
    for (size_t i = 0; i < session->run_count; i++) {
        if (session->runs[i].feeder == feeder && session->runs[i].series == session->feeders[feeder].series)
            return session->runs[i].record;
    }
    return NULL;
}

/* UCUM units as people write them. */
static const char *unit_for_people(const char *ucum)
{
    if (strcmp(ucum, "Cel") == 0)
        return "°C";
    if (strcmp(ucum, "{ShoreD}") == 0)
        return "Shore D";
    return ucum;
}

static void condition_cell(const struct conditions *c, size_t id, bool differs, FILE *out)
{
    char text[96];
    fprintf(out, "<td%s>", differs ? " class=\"differs\"" : "");
    if (!c->stated[id]) {
        fputs("<span class=\"dim\">not stated</span>", out);
    } else if (CONDITION_KINDS[id].is_number) {
        char number[48];
        snprintf(text, sizeof text, "%s %s", text_number(c->number[id], 4, number, sizeof number),
                 unit_for_people(CONDITION_KINDS[id].unit));
        text_html(out, text);
    } else {
        text_html(out, c->word[id]);
    }
    fputs(differs ? " (differs)</td>" : "</td>", out);
}

/* Whether a feeder is beyond the tolerance from the first one in a condition; both plans' tolerances count.
 */
static void differences_from_first(const struct session *session, size_t feeder, bool *differs)
{
    struct condition_difference found[CONDITION_COUNT];
    double tolerance[CONDITION_COUNT];
    const struct feeder_result *a = &session->feeders[0], *b = &session->feeders[feeder];
    size_t count;
    memset(differs, 0, CONDITION_COUNT * sizeof *differs);
    for (size_t i = 0; i < CONDITION_COUNT; i++)
        tolerance[i] = fmin(session->series[a->series]->plan.tolerance[i],
                            session->series[b->series]->plan.tolerance[i]);
    count = conditions_compare(&a->conditions, &b->conditions, tolerance, found);
    for (size_t i = 0; i < count; i++)
        differs[found[i].id] = true;
}

static void build_row(const struct session *session, const char *label, const char *unit, int which,
                      FILE *out)
{
    fprintf(out, "<tr><th scope=\"row\">%s</th>", label);
    for (size_t i = 0; i < session->feeder_count; i++) {
        const struct run_record *r = first_run(session, i);
        char text[80];
        double value = 0;
        if (r != NULL) {
            const double values[] = {r->drive_diameter_mm, r->reduction, r->teeth, r->full_steps_per_rev,
                                     r->microsteps};
            value = values[which];
        }
        fputs("<td>", out);
        text_html(out, r != NULL && value > 0 ? text_measure(value, unit, text, sizeof text) : "not stated");
        fputs("</td>", out);
    }
    fputs("</tr>\n", out);
}

void html_feeders(const struct session *session, FILE *out)
{
    bool differs[PLAN_FEEDERS_MAX * 2][CONDITION_COUNT] = {{false}};
    size_t marked = sizeof differs / sizeof differs[0];
    for (size_t i = 0; i < session->feeder_count; i++) {
        if (session->feeders[i].description[0] == 0)
            continue;
        fputs("<p><strong>", out);
        text_html(out, session->feeders[i].name);
        fputs("</strong>: ", out);
        text_html(out, session->feeders[i].description);
        fputs("</p>\n", out);
    }
    for (size_t i = 1; i < session->feeder_count && i < marked; i++)
        differences_from_first(session, i, differs[i]);
    html_table_begin(out, "What each feeder is, and the conditions under which it was measured");
    fputs("<thead><tr><td></td>", out);
    for (size_t i = 0; i < session->feeder_count; i++) {
        fputs("<th scope=\"col\">", out);
        text_html(out, session->feeders[i].name);
        fputs("</th>", out);
    }
    fputs("</tr></thead>\n<tbody>\n", out);
    build_row(session, "drive diameter, nominal", "mm", 0, out);
    build_row(session, "reduction", "", 1, out);
    build_row(session, "teeth", "", 2, out);
    build_row(session, "full steps per motor turn", "", 3, out);
    build_row(session, "microsteps", "", 4, out);
    for (size_t id = 0; id < CONDITION_COUNT; id++) {
        fprintf(out, "<tr><th scope=\"row\">%s</th>", CONDITION_KINDS[id].label);
        for (size_t i = 0; i < session->feeder_count; i++)
            condition_cell(&session->feeders[i].conditions, id, i < marked && differs[i][id], out);
        fputs("</tr>\n", out);
    }
    fputs("</tbody>\n", out);
    html_table_end(out);
    fputs("<p class=\"dim small\">&#8220;Differs&#8221; marks a condition further from the first "
          "feeder&#8217;s than the "
          "plan&#8217;s tolerance, or a word that is not the same.</p>\n",
          out);
    for (size_t i = 0; i < session->feeder_count; i++) {
        if (!session->feeders[i].conditions_vary)
            continue;
        fputs("<p>The conditions of ", out);
        text_html(out, session->feeders[i].name);
        fputs(" changed between its runs; the table shows those of its first run.</p>\n", out);
    }
}

void html_onset(FILE *out, const struct speed_point *point)
{
    html_quantity_k(out, &point->slip_onset_n, "N");
    if (point->slip_onset_n.present && point->no_onset_count > 0 && point->no_onset_count <= point->run_count)
        fprintf(out, "<br/><span class=\"dim small\">in %zu of %zu runs</span>",
                point->run_count - point->no_onset_count, point->run_count);
}

void html_speeds(const struct session *session, FILE *out)
{
    char text[200];
    html_table_begin(out, "Means over runs, by feeder and speed");
    fputs("<thead><tr><th scope=\"col\">Feeder</th><th scope=\"col\" class=\"number\">Speed</th>"
          "<th scope=\"col\" class=\"number\">Stall force</th><th scope=\"col\" class=\"number\">Slip "
          "onset</th>"
          "<th scope=\"col\" class=\"number\">Motor torque</th><th scope=\"col\">What gave way</th>"
          "<th scope=\"col\" class=\"number\">Runs</th><th scope=\"col\" class=\"number\">Met a limit "
          "first</th>"
          "</tr></thead>\n<tbody>\n",
          out);
    for (size_t i = 0; i < session->feeder_count; i++) {
        for (size_t j = 0; j < session->feeders[i].point_count; j++) {
            const struct speed_point *point = &session->feeders[i].points[j];
            struct quantity torque = answer_motor_torque(point);
            fputs("<tr><th scope=\"row\">", out);
            text_html(out, session->feeders[i].name);
            fputs("</th><td class=\"number\">", out);
            text_html(out, text_measure(point->speed_mm_s, "mm/s", text, sizeof text));
            fputs("</td><td class=\"number\">", out);
            html_quantity_k(out, &point->stall_force_n, "N");
            fputs("</td><td class=\"number\">", out);
            html_onset(out, point);
            fputs("</td><td class=\"number\">", out);
            html_quantity_k(out, &torque, "N m");
            fputs("</td><td>", out);
            text_html(out, answer_limited(point, text, sizeof text));
            html_point_flags(out, point);
            fprintf(out, "</td><td class=\"number\">%zu</td><td class=\"number\">%zu</td></tr>\n",
                    point->run_count, point->censored_count);
        }
    }
    fputs("</tbody>\n", out);
    html_table_end(out);
    for (size_t i = 0; i < session->feeder_count; i++) {
        const struct torque_curve *curve = &session->feeders[i].torque_curve;
        fputs("<p class=\"small\">Torque curve of ", out);
        text_html(out, session->feeders[i].name);
        if (!curve->present) {
            fputs(": none, ", out);
            text_html(out, curve->why_not[0] != 0 ? curve->why_not : "there is too little to fit one to");
        } else {
            fprintf(out, ": model &#8220;%s&#8221;, chosen by AICc", TORQUE_MODEL_NAMES[curve->model]);
            for (int model = 0; model < TORQUE_MODELS; model++) {
                const char *glue = model == 0 ? " (" : ", ";
                if (isfinite(curve->aicc[model]))
                    fprintf(out, "%s%s %.1f", glue, TORQUE_MODEL_NAMES[model], curve->aicc[model]);
                else
                    fprintf(out, "%s%s not fitted", glue, TORQUE_MODEL_NAMES[model]);
            }
            fputs(")", out);
            if (curve->corner_speed_mm_s.present) {
                fputs("; corner speed ", out);
                html_quantity(out, &curve->corner_speed_mm_s, "mm/s");
            }
            if (curve->censored_count > 0)
                fprintf(out, "; %zu of the points are lower bounds", curve->censored_count);
            for (size_t j = 0; j < curve->flags.count; j++) {
                fputs("; <span class=\"flag\">", out);
                text_html(out, curve->flags.text[j]);
                fputs("</span>", out);
            }
        }
        fputs(".</p>\n", out);
    }
}

/* A list of sentences as one cell; they are foreign text. */
static void put_sentences(const char (*sentences)[160], size_t count, FILE *out)
{
    for (size_t i = 0; i < count; i++) {
        fputs(i > 0 ? "; " : "", out);
        text_html(out, sentences[i]);
    }
}

static void creep_cell(const struct push_result *push, FILE *out)
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
    const struct push_result *push = &run->push;
    char drift[48], noise[48];
    int decimals = text_decimals(push->noise_n);
    fprintf(out,
            "<tr><td colspan=\"8\" class=\"small\"><span class=\"dim\">zero drift %s N, noise %s N</span>",
            text_rounded(push->zero_drift_n, decimals + 1, drift, sizeof drift),
            text_rounded(push->noise_n, decimals, noise, sizeof noise));
    if (push->flag_count > 0) {
        fputs("; ", out);
        put_sentences((const char(*)[160])push->flags, push->flag_count, out);
    }
    if (run->record->ended != RUN_COMPLETE) {
        fputs("; ended: ", out);
        text_html(out, run->record->ended_why);
    }
    fputs("</td></tr>\n", out);
}

static void run_row(const struct session *session, const struct run_result *run, FILE *out)
{
    const struct run_record *r = run->record;
    const struct push_result *push = &run->push;
    char text[80];
    fprintf(out, "<tr%s><th scope=\"row\" class=\"number\"%s>", run->analysed ? " class=\"upper\"" : "",
            run->analysed ? " rowspan=\"2\"" : "");
    if (session->series_count > 1)
        fprintf(out, "%zu/", run->series + 1);
    fprintf(out, "%d</th><td class=\"keep\">", r->number);
    text_html(out, session->feeders[run->feeder].name);
    fputs("</td><td class=\"number\">", out);
    text_html(out, text_measure(r->speed_mm_s, "mm/s", text, sizeof text));
    fprintf(out, "</td><td class=\"number\">%d</td>", r->block);
    if (!run->analysed) {
        fputs("<td colspan=\"5\" class=\"wrap\">not analysed: ", out);
        text_html(out, run->why_not);
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

void html_runs(const struct session *session, FILE *out)
{
    html_table_begin(out,
                     "Every run, in the order of the series, with how quiet it was and what is odd about it");
    fprintf(out,
            "<thead><tr><th scope=\"col\" class=\"number\">%s</th><th scope=\"col\">Feeder</th>"
            "<th scope=\"col\" class=\"number\">Speed</th><th scope=\"col\" class=\"number\">Block</th>"
            "<th scope=\"col\">Limited by</th>"
            "<th scope=\"col\" class=\"number\">Stall force</th><th scope=\"col\" class=\"number\">Slip "
            "onset</th>"
            "<th scope=\"col\" class=\"number\">Creep for each 10 N</th>"
            "<th scope=\"col\" class=\"number\">Drops</th></tr></thead>\n<tbody>\n",
            session->series_count > 1 ? "Series/run" : "Run");
    for (size_t i = 0; i < session->run_count; i++)
        run_row(session, &session->runs[i], out);
    fputs("</tbody>\n", out);
    html_table_end(out);
}

static void evidence_of_run(const struct run_result *run, bool several_series, FILE *out)
{
    const struct push_result *push = &run->push;
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
    fputs(push->evidence_count > 0 ? ": " : "", out);
    put_sentences((const char(*)[160])push->evidence, push->evidence_count, out);
    fputs("</li>\n", out);
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
        fputs("<details>\n<summary>Evidence for each run of ", out);
        text_html(out, session->feeders[i].name);
        fputs("</summary>\n<ul class=\"small\">\n", out);
        size_t runs = 0;
        for (size_t j = 0; j < session->run_count; j++) {
            if (session->runs[j].analysed && session->runs[j].feeder == i) {
                evidence_of_run(&session->runs[j], session->series_count > 1, out);
                runs++;
            }
        }
        if (runs == 0)
            fputs("<li>no run could be analysed</li>\n", out);
        fputs("</ul>\n</details>\n", out);
    }
}
