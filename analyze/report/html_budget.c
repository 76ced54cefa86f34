/* What the intervals at the reference speed are made of, component by component, and everything in them that
 * somebody entered and nothing measured. */
#include "analyze/report/report_html.h"

#include "analyze/push_budget.h"
#include "analyze/report/answer.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The plan allows a diameter without its uncertainty, and then takes this share of it. */
#define DIAMETER_DEFAULT_SHARE 0.01

/* "alignment of the load axis, at most: 1 degrees, operator's estimate". */
static void put_estimate(const struct plan *plan, int id, FILE *out)
{
    const struct plan_estimate_kind *kind = &PLAN_ESTIMATE_KINDS[id];
    const struct plan_estimate *estimate = &plan->estimates[id];
    char value[80], text[240];
    snprintf(text, sizeof text, "%s: %s, %s", kind->label,
             text_measure(estimate->value, kind->unit, value, sizeof value),
             estimate->stated ? "operator's estimate" : "default estimate, not stated in the plan");
    text_html(out, text);
}

static void put_stated_calibration(const struct calibration *c, FILE *out)
{
    char text[320], gain[160];
    snprintf(text, sizeof text, "calibration of the load cell, stated on %s: %s, operator's estimate",
             c->date,
             text_with_uncertainty(c->coefficients[1], sqrt(fmax(0, c->covariance[1][1])), "counts/N", gain,
                                   sizeof gain));
    text_html(out, text);
}

/* A part of the calibration that is told apart from its fit. False: it is none. */
static bool put_part(const struct calibration *c, const char *name, FILE *out)
{
    char text[240], value[48];
    if (strcmp(name, PUSH_BUDGET_WEIGHTS_NAME) == 0)
        snprintf(text, sizeof text,
                 "%s %% of the force, from the tolerance stated for the weights of the calibration of %s, "
                 "operator's estimate",
                 text_number(100 * c->weights_relative, 2, value, sizeof value), c->date);
    else if (strcmp(name, PUSH_BUDGET_GRAVITY_NAME) == 0)
        snprintf(text, sizeof text,
                 "%s %% of the force, from the gravity taken where it was calibrated on %s, operator's "
                 "estimate",
                 text_number(100 * c->gravity_relative, 2, value, sizeof value), c->date);
    else if (strcmp(name, PUSH_BUDGET_REVERSIBILITY_NAME) == 0)
        snprintf(text, sizeof text,
                 "at most %s N either way, half the widest loop of rising and falling loads in the "
                 "calibration: a push rises, the fitted line lies between the two",
                 text_number(c->reversibility_n, 2, value, sizeof value));
    else
        return false;
    fputs("estimate (type B): ", out);
    text_html(out, text);
    return true;
}

static const struct calibration_feed *feed_of(const struct calibration *c, const char *feeder)
{
    for (size_t i = 0; i < c->feed_count; i++) {
        if (strcmp(c->feeds[i].feeder, feeder) == 0)
            return &c->feeds[i];
    }
    return NULL;
}

/* Where one component comes from, in words. */
static void put_origin(const struct series *series, const struct budget_component *c, FILE *out)
{
    for (int id = 0; id < PLAN_ESTIMATE_COUNT; id++) {
        if (strcmp(c->name, PUSH_BUDGET_ESTIMATE_NAMES[id]) == 0 && c->operator_estimate) {
            fputs("estimate (type B): ", out);
            put_estimate(&series->plan, id, out);
            return;
        }
    }
    if (put_part(&series->calibration, c->name, out))
        return;
    if (strcmp(c->name, PUSH_BUDGET_CALIBRATION_NAME) == 0 && c->operator_estimate) {
        fputs("estimate (type B): ", out);
        put_stated_calibration(&series->calibration, out);
    } else if (c->operator_estimate) {
        fputs("estimate (type B), operator&#39;s estimate", out);
    } else {
        fputs(c->type == BUDGET_TYPE_A ? "measured scatter (type A)" : "estimate (type B)", out);
    }
}

static void degrees_cell(double degrees_of_freedom, FILE *out)
{
    char text[48];
    if (isinf(degrees_of_freedom))
        fputs("<td class=\"number\">infinite</td>", out);
    else
        fprintf(out, "<td class=\"number\">%s</td>", text_number(degrees_of_freedom, 3, text, sizeof text));
}

static void share_cell(double share, FILE *out)
{
    if (share > 0 && share < 0.0005)
        fputs("<td class=\"number\">below 0.1 %</td>", out);
    else
        fprintf(out, "<td class=\"number\">%.1f %%</td>", 100 * share);
}

static void uncertainty_cell(double standard_uncertainty, const char *unit, FILE *out)
{
    char number[48], text[80];
    snprintf(text, sizeof text, "%s%s%s",
             text_rounded(standard_uncertainty, text_decimals(standard_uncertainty), number, sizeof number),
             unit[0] == 0 ? "" : " ", unit);
    fputs("<td class=\"number\">", out);
    text_html(out, text);
    fputs("</td>", out);
}

/* Text escaped for a caption. The caller frees; NULL without memory. */
static char *caption_of(const char *quantity, const struct feeder_result *feeder,
                        const struct speed_point *point, const struct quantity *q)
{
    char *caption = NULL, speed[64], value[TEXT_QUANTITY_SIZE];
    size_t length = 0;
    FILE *out = open_memstream(&caption, &length);
    if (out == NULL)
        return NULL;
    fprintf(out, "%s of ", quantity);
    text_html(out, feeder->name);
    fprintf(out,
            " at %s, mean over %zu run%s: ", text_measure(point->speed_mm_s, "mm/s", speed, sizeof speed),
            (size_t)q->n, q->n == 1 ? "" : "s");
    text_html(out, text_quantity_full(q, "N", value, sizeof value));
    if (fclose(out) == 0)
        return caption;
    free(caption);
    return NULL;
}

/* The components of one quantity, in its unit, and what they come to. */
static void budget_rows(const struct series *series, const struct quantity *q, const char *unit,
                        const struct budget *budget, FILE *out)
{
    for (size_t i = 0; i < budget->count; i++) {
        const struct budget_component *c = &budget->components[i];
        fputs("<tr><th scope=\"row\">", out);
        text_html(out, c->name);
        fputs("</th><td class=\"wrap\">", out);
        put_origin(series, c, out);
        fputs("</td>", out);
        uncertainty_cell(c->contribution, unit, out);
        share_cell(budget_share(budget, i), out);
        degrees_cell(c->degrees_of_freedom, out);
        fputs("</tr>\n", out);
    }
    fputs("<tr><th scope=\"row\">combined</th><td></td>", out);
    uncertainty_cell(q->standard_uncertainty, unit, out);
    fputs("<td></td>", out);
    degrees_cell(q->degrees_of_freedom, out);
    fputs("</tr>\n", out);
}

/* Of a force, so every contribution is in newtons. */
static enum err_code budget_table(const struct series *series, const char *quantity,
                                  const struct feeder_result *feeder, const struct speed_point *point,
                                  const struct quantity *q, const struct budget *budget, FILE *out,
                                  struct err *e)
{
    char *caption;
    if (!q->present || q->at_least || budget->count == 0)
        return ERR_OK;
    caption = caption_of(quantity, feeder, point, q);
    if (caption == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the report");
    html_table_begin(out, caption);
    free(caption);
    fputs("<thead><tr><th scope=\"col\">Component</th><th scope=\"col\">What it is</th>"
          "<th scope=\"col\" class=\"number\">Standard uncertainty</th>"
          "<th scope=\"col\" class=\"number\">Share of the variance</th>"
          "<th scope=\"col\" class=\"number\">Degrees of freedom</th></tr></thead>\n<tbody>\n",
          out);
    budget_rows(series, q, "N", budget, out);
    fputs("</tbody>\n", out);
    html_table_end(out);
    return ERR_OK;
}

enum err_code html_budgets(const struct session *session, FILE *out, struct err *e)
{
    enum err_code code = ERR_OK;
    fputs("<h3>Budgets at the reference speed</h3>\n", out);
    for (size_t i = 0; i < session->feeder_count && code == ERR_OK; i++) {
        const struct feeder_result *f = &session->feeders[i];
        const struct speed_point *point = answer_reference_point(f);
        const struct series *series = session->series[f->series];
        if (point == NULL || !point->stall_force_n.present || point->stall_force_n.at_least) {
            fputs("<p>", out);
            text_html(out, f->name);
            fputs(point != NULL && point->stall_force_n.present
                      ? ": only a lower bound of the stall force is known, so it has no budget.</p>\n"
                      : ": no stall force at this speed, so no budget.</p>\n",
                  out);
        }
        if (point == NULL)
            continue;
        code = budget_table(series, "Stall force", f, point, &point->stall_force_n, &point->stall_budget, out,
                            e);
        if (code == ERR_OK)
            code = budget_table(series, "Slip onset", f, point, &point->slip_onset_n, &point->onset_budget,
                                out, e);
    }
    return code;
}

static bool has_budget(const struct outcome_quantity *q)
{
    return q->q.present && !q->q.at_least && q->budget.count > 0;
}

/* The budgets of one outcome: one table, quantity after quantity. */
static void outcome_budget(const struct series *series, const struct outcome *o, FILE *out)
{
    html_table_begin(out, "Budgets of the quantities, one after another");
    fputs("<thead><tr><th scope=\"col\">Component</th><th scope=\"col\">What it is</th>"
          "<th scope=\"col\" class=\"number\">Standard uncertainty</th>"
          "<th scope=\"col\" class=\"number\">Share of the variance</th>"
          "<th scope=\"col\" class=\"number\">Degrees of freedom</th></tr></thead>\n",
          out);
    for (size_t i = 0; i < o->quantity_count; i++) {
        const struct outcome_quantity *q = &o->quantities[i];
        char value[TEXT_QUANTITY_SIZE];
        if (!has_budget(q))
            continue;
        fputs("<tbody>\n<tr><th scope=\"rowgroup\" colspan=\"5\">", out);
        text_html(out, q->label);
        fputs(q->setting[0] != 0 ? ", " : "", out);
        text_html(out, q->setting);
        fputs(": ", out);
        text_html(out, text_quantity_full(&q->q, text_unit(q->unit), value, sizeof value));
        fputs("</th></tr>\n", out);
        budget_rows(series, &q->q, text_unit(q->unit), &q->budget, out);
        fputs("</tbody>\n", out);
    }
    html_table_end(out);
}

void html_outcome_budgets(const struct session *session, FILE *out)
{
    bool any = false;
    for (size_t i = 0; i < session->feeder_count; i++) {
        const struct feeder_result *f = &session->feeders[i];
        for (size_t k = 0; k < f->outcome_count; k++) {
            const struct outcome *o = &f->outcomes[k];
            size_t budgets = 0;
            for (size_t j = 0; o->present && j < o->quantity_count; j++)
                budgets += has_budget(&o->quantities[j]);
            if (budgets == 0)
                continue;
            if (!any)
                fputs("<h3>Budgets of the other tests</h3>\n", out);
            any = true;
            fputs("<details>\n<summary>", out);
            text_html(out, answer_test_title(o->test));
            fputs(", ", out);
            text_html(out, f->name);
            fprintf(out, ": %zu budget%s</summary>\n", budgets, budgets == 1 ? "" : "s");
            outcome_budget(session->series[f->series], o, out);
            fputs("</details>\n", out);
        }
    }
}

/* The feeder's lever, where the feed was not measured. */
static void put_diameter(const struct plan_feeder *f, FILE *out)
{
    double standard = f->drive_diameter_standard_uncertainty_mm;
    bool as_default = fabs(standard - DIAMETER_DEFAULT_SHARE * f->drive_diameter_mm) <= 1e-9 * standard;
    char text[160];
    fputs("<li>drive diameter of ", out);
    text_html(out, f->name);
    fprintf(out, ": %s%s, operator&#39;s estimate</li>\n",
            text_with_uncertainty(f->drive_diameter_mm, standard, "mm", text, sizeof text),
            as_default ? " (1 % of it, as is taken where the plan states none)" : "");
}

static void put_feed(const struct calibration_feed *feed, FILE *out)
{
    char text[160];
    fputs("<li>feed of ", out);
    text_html(out, feed->feeder);
    fprintf(out, " for a microstep: %s, stated, operator&#39;s estimate</li>\n",
            text_with_uncertainty(feed->mm_per_microstep, feed->standard_uncertainty_mm_per_microstep, "mm",
                                  text, sizeof text));
}

static void estimates_of(const struct series *s, FILE *out)
{
    for (int id = 0; id < PLAN_ESTIMATE_COUNT; id++) {
        fputs("<li>", out);
        put_estimate(&s->plan, id, out);
        fputs("</li>\n", out);
    }
    if (strcmp(s->calibration.origin, "stated") == 0) {
        fputs("<li>", out);
        put_stated_calibration(&s->calibration, out);
        fputs("</li>\n", out);
    }
    for (size_t i = 0; i < s->calibration.estimate_count; i++) {
        fputs("<li>at the calibration: ", out);
        text_html(out, s->calibration.estimates[i]);
        fputs("</li>\n", out);
    }
    for (size_t i = 0; i < s->plan.feeder_count; i++) {
        const struct calibration_feed *feed = feed_of(&s->calibration, s->plan.feeders[i].name);
        if (feed == NULL)
            put_diameter(&s->plan.feeders[i], out);
        else if (isinf(feed->degrees_of_freedom))
            put_feed(feed, out);
    }
    if (s->calibration.encoder_mm_per_count != 0) {
        char text[160];
        fprintf(out, "<li>encoder, for a count: %s, operator&#39;s estimate</li>\n",
                text_with_uncertainty(s->calibration.encoder_mm_per_count,
                                      s->calibration.encoder_standard_uncertainty_mm_per_count, "mm", text,
                                      sizeof text));
    }
    fputs("<li>conditions: as the operator entered them; see <a href=\"#feeders\">the table of "
          "conditions</a></li>\n",
          out);
}

void html_estimates(const struct session *session, FILE *out)
{
    fputs("<h3>Estimates</h3>\n<p>These numbers were entered by somebody, or stand for what nobody entered; "
          "no run of the series measures them. They are taken as they are.</p>\n",
          out);
    for (size_t i = 0; i < session->series_count; i++) {
        if (session->series_count > 1) {
            fprintf(out, "<h4>Series %zu: ", i + 1);
            text_html(out, session->series[i]->title);
            fputs("</h4>\n", out);
        }
        fputs("<ul>\n", out);
        estimates_of(session->series[i], out);
        fputs("</ul>\n", out);
    }
}
