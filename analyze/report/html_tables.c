/* What was tested under which conditions, and what each speed gave. */
#include "analyze/report/report_html.h"

#include "analyze/report/answer.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Series named at the head of one column; more begin a column of their own. */
#define SERIES_SHOWN_MAX 24

static const struct run_record *first_run(const struct session *session, size_t feeder)
{
    for (size_t i = 0; i < session->run_count; i++) {
        if (session->runs[i].feeder == feeder && session->runs[i].series == session->feeders[feeder].series)
            return session->runs[i].record;
    }
    return NULL;
}

static void condition_cell(const struct conditions *c, size_t id, bool differs, FILE *out)
{
    char text[96];
    fprintf(out, "<td%s>", differs ? " class=\"differs\"" : "");
    if (!c->stated[id]) {
        fputs("<span class=\"dim\">not stated</span>", out);
    } else if (CONDITION_KINDS[id].is_number) {
        char number[48];
        snprintf(text, sizeof text, "%s %s", text_number(c->number[id], 6, number, sizeof number),
                 CONDITION_KINDS[id].symbol);
        text_html(out, text);
    } else {
        text_html(out, conditions_word(c, (enum condition_id)id));
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

/* Whether any test sets the condition itself, run by run. */
static bool set_by_tests(enum condition_id id)
{
    for (int kind = 0; kind < PLAN_TEST_KINDS; kind++) {
        if (plan_test_sets((enum plan_test_kind)kind, id))
            return true;
    }
    return false;
}

/* Feeders of one name in several series that are built alike and stand under the same conditions, as one
 * column. */
struct column {
    size_t feeder; /* the first of them */
    size_t series[SERIES_SHOWN_MAX], series_count;
};

/* Length of a feeder's name without the "(series 2)" that keeps it apart. */
static size_t base_length(const struct feeder_result *f)
{
    const char *start = strstr(f->name, " (series ");
    return start != NULL ? (size_t)(start - f->name) : strlen(f->name);
}

static bool same_base(const struct feeder_result *a, const struct feeder_result *b)
{
    return base_length(a) == base_length(b) && strncmp(a->name, b->name, base_length(a)) == 0;
}

#define BUILD_VALUES 5
/* What the first run says the feeder is; zeros without a run. */
static void build_values(const struct session *session, size_t feeder, double *values)
{
    const struct run_record *r = first_run(session, feeder);
    memset(values, 0, BUILD_VALUES * sizeof *values);
    if (r == NULL)
        return;
    const double found[BUILD_VALUES] = {r->drive_diameter_mm, r->reduction, r->teeth, r->full_steps_per_rev,
                                        r->microsteps};
    memcpy(values, found, sizeof found);
}

static bool same_column(const struct session *session, size_t a, size_t b)
{
    const struct feeder_result *fa = &session->feeders[a], *fb = &session->feeders[b];
    struct condition_difference found[CONDITION_COUNT];
    double exact[CONDITION_COUNT] = {0}, values_a[BUILD_VALUES], values_b[BUILD_VALUES];
    build_values(session, a, values_a);
    build_values(session, b, values_b);
    return same_base(fa, fb) && strcmp(fa->description, fb->description) == 0 &&
           memcmp(values_a, values_b, sizeof values_a) == 0 &&
           conditions_compare(&fa->conditions, &fb->conditions, exact, found) == 0;
}

/* Room for as many as there are feeders. Returns how many there are. */
static size_t find_columns(const struct session *session, struct column *columns)
{
    size_t count = 0;
    for (size_t i = 0; i < session->feeder_count; i++) {
        size_t j = 0;
        while (j < count &&
               !(columns[j].series_count < SERIES_SHOWN_MAX && same_column(session, columns[j].feeder, i)))
            j++;
        if (j == count)
            columns[count++] = (struct column){.feeder = i};
        columns[j].series[columns[j].series_count++] = session->feeders[i].series + 1;
    }
    return count;
}

/* "gear-8mm (series 1, 2, 5)". */
static void put_name(const struct session *session, const struct column *c, FILE *out)
{
    const struct feeder_result *f = &session->feeders[c->feeder];
    char base[FEEDER_NAME_MAX + 1];
    if (c->series_count == 1) {
        text_html(out, f->name);
        return;
    }
    snprintf(base, sizeof base, "%.*s", (int)base_length(f), f->name);
    text_html(out, base);
    for (size_t i = 0; i < c->series_count; i++)
        fprintf(out, "%s%zu", i == 0 ? " (series " : ", ", c->series[i]);
    fputs(")", out);
}

static void build_row(const struct session *session, const struct column *columns, size_t count,
                      const char *label, const char *unit, int which, FILE *out)
{
    fprintf(out, "<tr><th scope=\"row\">%s</th>", label);
    for (size_t i = 0; i < count; i++) {
        char text[80];
        double values[BUILD_VALUES];
        build_values(session, columns[i].feeder, values);
        fputs("<td>", out);
        text_html(out,
                  values[which] > 0 ? text_stated(values[which], unit, text, sizeof text) : "not stated");
        fputs("</td>", out);
    }
    fputs("</tr>\n", out);
}

static void condition_rows(const struct session *session, const struct column *columns, size_t count,
                           FILE *out)
{
    for (size_t id = 0; id < CONDITION_COUNT; id++) {
        bool stated = false;
        for (size_t i = 0; i < count; i++)
            stated = stated || session->feeders[columns[i].feeder].conditions.stated[id];
        /* What the tests set themselves stands with their runs; a row of nothing says nothing. */
        if (!stated && set_by_tests((enum condition_id)id))
            continue;
        fprintf(out, "<tr><th scope=\"row\">%s</th>", CONDITION_KINDS[id].label);
        for (size_t i = 0; i < count; i++) {
            bool differs[CONDITION_COUNT];
            differences_from_first(session, columns[i].feeder, differs);
            condition_cell(&session->feeders[columns[i].feeder].conditions, id, differs[id], out);
        }
        fputs("</tr>\n", out);
    }
}

static void notes_on_feeders(const struct session *session, FILE *out)
{
    for (size_t i = 0; i < session->feeder_count; i++) {
        char text[320];
        if (!answer_buckling(session, i, text, sizeof text))
            continue;
        fputs("<p class=\"flag\">", out);
        text_html(out, session->feeders[i].name);
        fputs(": ", out);
        text_html(out, text);
        fputs(".</p>\n", out);
    }
    for (size_t i = 0; i < session->feeder_count; i++) {
        if (!session->feeders[i].conditions_vary)
            continue;
        fputs("<p>The conditions of ", out);
        text_html(out, session->feeders[i].name);
        fputs(" changed between its runs; the table shows those of its first run.</p>\n", out);
    }
}

enum err_code html_feeders(const struct session *session, FILE *out, struct err *e)
{
    struct column *columns = calloc(session->feeder_count + 1, sizeof *columns);
    size_t count;
    if (columns == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the report");
    count = find_columns(session, columns);
    for (size_t i = 0; i < count; i++) {
        if (session->feeders[columns[i].feeder].description[0] == 0)
            continue;
        fputs("<p><strong>", out);
        put_name(session, &columns[i], out);
        fputs("</strong>: ", out);
        text_html(out, session->feeders[columns[i].feeder].description);
        fputs("</p>\n", out);
    }
    html_table_begin(out, "What each feeder is, and the conditions under which it was measured");
    fputs("<thead><tr><td></td>", out);
    for (size_t i = 0; i < count; i++) {
        fputs("<th scope=\"col\">", out);
        put_name(session, &columns[i], out);
        fputs("</th>", out);
    }
    fputs("</tr></thead>\n<tbody>\n", out);
    build_row(session, columns, count, "drive diameter, nominal", "mm", 0, out);
    build_row(session, columns, count, "reduction", "", 1, out);
    build_row(session, columns, count, "teeth", "", 2, out);
    build_row(session, columns, count, "full steps per motor turn", "", 3, out);
    build_row(session, columns, count, "microsteps", "", 4, out);
    condition_rows(session, columns, count, out);
    fputs("</tbody>\n", out);
    html_table_end(out);
    free(columns);
    fputs("<p class=\"dim small\">&#8220;Differs&#8221; marks a condition further from the first "
          "feeder&#8217;s than the "
          "plan&#8217;s tolerance, or a word that is not the same.</p>\n",
          out);
    notes_on_feeders(session, out);
    return ERR_OK;
}

void html_onset(FILE *out, const struct speed_point *point)
{
    html_quantity_k(out, &point->slip_onset_n, "N");
    if (point->slip_onset_n.present && point->no_onset_count > 0 && point->no_onset_count <= point->run_count)
        fprintf(out, " <span class=\"line dim small\">in %zu of %zu runs</span>",
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
        if (session->feeders[i].point_count == 0)
            continue;
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
