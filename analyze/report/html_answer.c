/* What came out: the first screen in plain words, and the table of comparisons. */
#include "analyze/report/report_html.h"

#include "analyze/report/answer.h"
#include "analyze/report/text_format.h"

#include <stdlib.h>
#include <string.h>

#define SENTENCES_MAX 6 /* what fits a first screen; the table holds all */

static bool headline_comparison(const struct session *session, const struct comparison *c)
{
    return strcmp(c->quantity, "stall_force_n") == 0 && answer_at_reference(session, c->speed_mm_s);
}

static const char *class_of(const struct comparison *c)
{
    if (c->verdict == VERDICT_NOT_COMPARABLE)
        return "refused";
    return c->verdict == VERDICT_A_HIGHER || c->verdict == VERDICT_B_HIGHER ? "shown" : "alike";
}

/* Sentences in the order in which they matter: differences shown first, then none shown, then pairs that
 * cannot be judged. */
static enum err_code sentences(const struct session *session, bool headline_done, FILE *out, struct err *e)
{
    static const char *const order[] = {"shown", "alike", "refused"};
    size_t written = 0, all = 0;
    for (size_t i = 0; i < session->comparison_count; i++)
        all += headline_comparison(session, &session->comparisons[i]);
    for (size_t pass = 0; pass < 3; pass++) {
        for (size_t i = 0; i < session->comparison_count && written < SENTENCES_MAX; i++) {
            const struct comparison *c = &session->comparisons[i];
            char *sentence;
            if (!headline_comparison(session, c) || strcmp(class_of(c), order[pass]) != 0)
                continue;
            sentence = answer_sentence(session, c);
            if (sentence == NULL)
                return err_set(e, ERR_MEMORY, "out of memory for the report");
            if (written == 0 && !headline_done)
                fputs("<p class=\"headline\">", out);
            else if (written == (headline_done ? 0u : 1u))
                fputs("<ul class=\"answers\">\n", out);
            if (written > 0 || headline_done)
                fprintf(out, "<li class=\"%s\">", class_of(c));
            text_html(out, sentence);
            html_note(out, &c->flags);
            fputs(written == 0 && !headline_done ? "</p>\n" : "</li>\n", out);
            free(sentence);
            written++;
        }
    }
    if (written > (headline_done ? 0u : 1u))
        fputs("</ul>\n", out);
    if (written < all)
        fprintf(out,
                "<p>These are %zu of %zu pairs; <a href=\"#comparison\">the table</a> has them all.</p>\n",
                written, all);
    if (all == 0)
        fputs(session->feeder_count < 2
                  ? "<p class=\"headline\">One feeder was measured, so there is nothing to compare."
                    "</p>\n"
                  : "<p class=\"headline\">No two feeders were pushed at the reference speed, so none "
                    "can be compared there.</p>\n",
              out);
    return ERR_OK;
}

static void glance(const struct session *session, FILE *out)
{
    char speed[64], caption[160], limited[200];
    text_measure(session->reference_speed_mm_s, "mm/s", speed, sizeof speed);
    snprintf(caption, sizeof caption, "Each feeder at %s, mean over its runs", speed);
    html_table_begin(out, caption);
    fputs("<thead><tr><th scope=\"col\">Feeder</th><th scope=\"col\" class=\"number\">Stall force</th>"
          "<th scope=\"col\" class=\"number\">Slip onset</th><th scope=\"col\">What gave way</th>"
          "<th scope=\"col\" class=\"number\">Runs</th></tr></thead>\n<tbody>\n",
          out);
    for (size_t i = 0; i < session->feeder_count; i++) {
        const struct feeder_result *f = &session->feeders[i];
        const struct speed_point *point = answer_reference_point(f);
        fputs("<tr><th scope=\"row\">", out);
        text_html(out, f->name);
        fputs("</th>", out);
        if (point == NULL || point->run_count == 0) {
            fputs("<td colspan=\"4\" class=\"dim\">not measured at this speed</td></tr>\n", out);
            continue;
        }
        fputs("<td class=\"number\">", out);
        html_quantity_k(out, &point->stall_force_n, "N");
        fputs("</td><td class=\"number\">", out);
        html_onset(out, point);
        fputs("</td><td>", out);
        text_html(out, answer_limited(point, limited, sizeof limited));
        html_point_flags(out, point);
        fprintf(out, "</td><td class=\"number\">%zu</td></tr>\n", point->run_count);
    }
    fputs("</tbody>\n", out);
    html_table_end(out);
}

enum err_code html_answer(const struct session *session, FILE *out, struct err *e)
{
    const struct result_flags *flags = NULL;
    char *hardest = answer_hardest(session, &flags);
    enum err_code code;
    fputs("<section id=\"answer\">\n<h2>The answer</h2>\n", out);
    if (hardest != NULL) {
        fputs("<p class=\"headline\">", out);
        text_html(out, hardest);
        html_note(out, flags);
        fputs("</p>\n", out);
    }
    code = sentences(session, hardest != NULL, out, e);
    free(hardest);
    if (code != ERR_OK)
        return code;
    glance(session, out);
    fputs("<p class=\"dim small\">± is half the width of the 95 % interval, <var>k</var> times the standard "
          "uncertainty. Stall force is the push force at "
          "which feed stops; "
          "slip onset is the force past which the gear loses more feed than steady creep; &#8220;none&#8221; "
          "means that no "
          "such slip was found before the push ended. <a href=\"#method\">How these are worked "
          "out</a>.</p>\n</section>\n",
          out);
    return ERR_OK;
}

static void comparison_row(const struct session *session, const struct comparison *c, FILE *out)
{
    char text[TEXT_QUANTITY_SIZE];
    bool flagged = c->flags.count > 0;
    /* What the pair rests on that it had better not goes under it, over the whole width. */
    fprintf(out, "<tr%s><th scope=\"row\"%s>", flagged ? " class=\"upper\"" : "",
            flagged ? " rowspan=\"2\"" : "");
    text_html(out, session->feeders[c->a].name);
    fputs(" against ", out);
    text_html(out, session->feeders[c->b].name);
    fprintf(out, "</th><td class=\"keep\">%s</td><td class=\"number\">", answer_quantity(c));
    text_html(out, text_measure(c->speed_mm_s, "mm/s", text, sizeof text));
    fputs("</td><td class=\"keep\">", out);
    text_html(out, answer_verdict(session, c, text, sizeof text));
    if (c->verdict == VERDICT_NOT_COMPARABLE) {
        fputs("</td><td colspan=\"3\" class=\"wrap\">", out);
    } else {
        fputs("</td><td class=\"number\">", out);
        html_quantity_k(out, &c->difference, "N");
        fputs("</td><td class=\"number\">", out);
        text_html(out, c->has_p_value ? text_p_value(c->p_value, text, sizeof text) : "");
        fprintf(out, "</td><td>%s%s", c->by_blocks ? "paired by block" : "Welch",
                c->reason_count > 0 ? "; " : "");
    }
    for (size_t i = 0; i < c->reason_count; i++) {
        fputs(i > 0 ? "; " : "", out);
        text_html(out, c->reasons[i]);
    }
    fputs("</td></tr>\n", out);
    if (!flagged)
        return;
    fputs("<tr><td colspan=\"6\" class=\"flag\">", out);
    for (size_t i = 0; i < c->flags.count; i++) {
        fputs(i > 0 ? "; " : "", out);
        text_html(out, c->flags.text[i]);
    }
    fputs("</td></tr>\n", out);
}

void html_comparisons(const struct session *session, FILE *out)
{
    if (session->comparison_count == 0) {
        fputs("<p>There was no pair of feeders to compare.</p>\n", out);
        return;
    }
    fputs("<p>Two feeders are compared only where their conditions agree within the tolerances that the plan "
          "states. A "
          "difference is the first feeder&#8217;s value minus the second&#8217;s. &#8220;No difference "
          "shown&#8221; does not "
          "mean that there is none: it means that these runs cannot tell it from zero; the interval says how "
          "large it may "
          "yet be.</p>\n",
          out);
    html_table_begin(out, "Every pair of feeders, quantity and speed");
    fputs("<thead><tr><th scope=\"col\">Pair</th><th scope=\"col\">Quantity</th><th scope=\"col\" "
          "class=\"number\">Speed</th>"
          "<th scope=\"col\">Verdict</th><th scope=\"col\" class=\"number\">Difference</th>"
          "<th scope=\"col\" class=\"number\">Adjusted p</th><th scope=\"col\">Test, or "
          "reason</th></tr></thead>\n<tbody>\n",
          out);
    for (size_t i = 0; i < session->comparison_count; i++)
        comparison_row(session, &session->comparisons[i], out);
    fputs("</tbody>\n", out);
    html_table_end(out);
}
