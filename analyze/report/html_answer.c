/* What came out: the first screen in plain words, and the table of comparisons. */
#include "analyze/report/report_html.h"

#include "analyze/report/answer.h"
#include "analyze/report/answer_family.h"
#include "analyze/report/text_format.h"

#include <stdlib.h>
#include <string.h>

#define SENTENCES_MAX 6 /* what fits a first screen; the table holds all */

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
        all += answer_is_headline(session, &session->comparisons[i]);
    for (size_t pass = 0; pass < 3; pass++) {
        for (size_t i = 0; i < session->comparison_count && written < SENTENCES_MAX; i++) {
            const struct comparison *c = &session->comparisons[i];
            struct result_flags flags;
            char *sentence;
            if (!answer_is_headline(session, c) || strcmp(class_of(c), order[pass]) != 0)
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
            flags = answer_flags(c);
            html_note(out, &flags);
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
        /* Feeders that were not pushed at all are told of by their tests. */
        if (f->point_count == 0)
            continue;
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

static bool any_answer(const struct session *session)
{
    for (size_t i = 0; i < session->feeder_count; i++) {
        for (size_t k = 0; k < session->feeders[i].outcome_count; k++) {
            if (session->feeders[i].outcomes[k].present)
                return true;
        }
    }
    return false;
}

enum err_code html_answer(const struct session *session, FILE *out, struct err *e)
{
    const struct result_flags *flags = NULL;
    char *hardest = answer_hardest(session, &flags);
    bool pushes = answer_has_pushes(session);
    enum err_code code = ERR_OK;
    fputs("<section id=\"answer\">\n<h2>The answer</h2>\n", out);
    if (hardest != NULL) {
        fputs("<p class=\"headline\">", out);
        text_html(out, hardest);
        html_note(out, flags);
        fputs("</p>\n", out);
    }
    if (pushes)
        code = sentences(session, hardest != NULL, out, e);
    free(hardest);
    if (code != ERR_OK)
        return code;
    html_headlines(session, out);
    code = html_plain(session, out, e);
    if (code != ERR_OK)
        return code;
    if (!pushes) {
        if (!any_answer(session))
            fputs("<p class=\"headline\">None of the tests came to an answer; their sections say why.</p>\n",
                  out);
        fputs("<p class=\"dim small\">± is half the width of the 95 % interval, <var>k</var> times the "
              "standard "
              "uncertainty. No push into a blocked end at the feeders&#8217; own conditions was made, so "
              "there is no "
              "stall force here. <a href=\"#method\">How these are worked out</a>.</p>\n</section>\n",
              out);
        return ERR_OK;
    }
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

/* How a pair was judged, with what else was asked of it. */
static void row_method(const struct comparison *c, FILE *out)
{
    char text[TEXT_QUANTITY_SIZE], p[64];
    text_html(out, c->method != NULL ? c->method : "");
    if (!c->has_equivalence_p_value)
        return;
    fputs("; equivalence within ", out);
    text_html(out, text_measure(c->matters, answer_unit(c), text, sizeof text));
    fputs(": ", out);
    text_html(out, text_p_value(c->equivalence_p_value, p, sizeof p));
    if (c->verdict == VERDICT_EQUIVALENT && c->shown)
        fputs(" (they differ, but by less than matters)", out);
}

/* How the pair was judged, what more repeats would bring, and what it rests on that it had better not: under
 * it, over the whole width. */
static void row_notes(const struct session *session, const struct comparison *c, FILE *out)
{
    char text[ANSWER_ACCEPTED_SIZE];
    fprintf(out, "<tr><td colspan=\"%d\" class=\"small wrap\"><div class=\"note\"><span class=\"dim\">",
            c->test[0] == 0 ? 6 : 5);
    row_method(c, out);
    fputs(".", out);
    if (answer_resampled(c, text, sizeof text)[0] != 0) {
        fputs(" ", out);
        text_html(out, text);
        fputs(answer_resampled_few(c) ? " (few: too narrow).</span>" : ".</span>", out);
    } else {
        fputs("</span>", out);
    }
    if (answer_among(session, c, text, sizeof text)[0] != 0) {
        fputs(" ", out);
        text_html(out, text);
        fputs(".", out);
    }
    if (answer_settle(c, text, sizeof text)[0] != 0) {
        fputs(" ", out);
        text_html(out, text);
        fputs(".", out);
    }
    if (answer_accepted(c, text, sizeof text)[0] != 0) {
        fputs(" <span class=\"flag\">", out);
        text_html(out, text);
        fputs(".</span>", out);
    }
    for (size_t i = 0; i < c->flags.count; i++) {
        fputs(i > 0 ? "; " : " <span class=\"flag\">", out);
        text_html(out, text_list_at(&c->flags, i));
    }
    fputs(c->flags.count > 0 ? ".</span></div></td></tr>\n" : "</div></td></tr>\n", out);
}

static void comparison_row(const struct session *session, const struct comparison *c, FILE *out)
{
    char text[TEXT_QUANTITY_SIZE];
    bool judged = c->verdict != VERDICT_NOT_COMPARABLE;
    struct quantity together = answer_simultaneous(session, c);
    fputs(judged ? "<tr class=\"upper pair\"><th scope=\"row\">" : "<tr><th scope=\"row\">", out);
    text_html(out, session->feeders[c->a].name);
    /* Two long names side by side leave no room for the rest of the table. */
    fputs(strlen(session->feeders[c->a].name) + strlen(session->feeders[c->b].name) > 28
              ? " <span class=\"line\">against</span> "
              : " against ",
          out);
    text_html(out, session->feeders[c->b].name);
    fputs("</th><td>", out);
    text_html(out, answer_quantity(session, c));
    answer_where(c, text, sizeof text);
    /* A test may have no settings at all, so they get no column of their own. */
    if (c->test[0] == 0)
        fputs("</td><td class=\"number\">", out);
    else if (text[0] != 0)
        fputs(" <span class=\"line dim small\">", out);
    text_html(out, text);
    fputs(c->test[0] != 0 && text[0] != 0 ? "</span>" : "", out);
    fputs("</td><td class=\"keep\">", out);
    text_html(out, answer_verdict(session, c, text, sizeof text));
    if (judged) {
        fputs("</td><td class=\"number\">", out);
        html_quantity_k(out, &c->difference, answer_unit(c));
        if (together.present) {
            fputs(" <span class=\"line dim small\">together ", out);
            text_html(out, text_interval(&together, answer_unit(c), text, sizeof text));
            fputs("</span>", out);
        }
        fputs("</td><td class=\"number\">", out);
        text_html(out, c->has_p_value ? text_p_value(c->p_value, text, sizeof text) : "");
    } else {
        fputs("</td><td colspan=\"2\" class=\"wrap\">", out);
    }
    for (size_t i = 0; !judged && i < c->reasons.count; i++) {
        fputs(i > 0 ? "; " : "", out);
        text_html(out, text_list_at(&c->reasons, i));
    }
    fputs("</td></tr>\n", out);
    if (judged)
        row_notes(session, c, out);
}

/* The comparisons of one test as a table; of pushes at one speed where test is "". */
static void comparison_table(const struct session *session, const char *test, FILE *out)
{
    size_t count = 0;
    for (size_t i = 0; i < session->comparison_count; i++)
        count += strcmp(session->comparisons[i].test, test) == 0;
    if (count == 0)
        return;
    if (test[0] != 0) {
        fputs("<h3>", out);
        text_html(out, answer_test_title(test));
        fputs("</h3>\n", out);
    }
    html_table_begin(out, test[0] == 0 ? "Every pair of feeders, quantity and speed"
                                       : "Every pair of feeders and quantity of this test");
    fprintf(out,
            "<thead><tr><th scope=\"col\">Pair</th><th scope=\"col\">Quantity</th>%s<th "
            "scope=\"col\">Verdict</th><th scope=\"col\" class=\"number\">Difference</th>"
            "<th scope=\"col\" class=\"number\">Adjusted p</th></tr></thead>\n<tbody>\n",
            test[0] == 0 ? "<th scope=\"col\" class=\"number\">Speed</th>" : "");
    for (size_t i = 0; i < session->comparison_count; i++) {
        if (strcmp(session->comparisons[i].test, test) == 0)
            comparison_row(session, &session->comparisons[i], out);
    }
    fputs("</tbody>\n", out);
    html_table_end(out);
}

/* What the resampled intervals are, where there are any. */
static void put_resampled(const struct session *session, FILE *out)
{
    bool any = false, few = false;
    for (size_t i = 0; i < session->comparison_count; i++) {
        const struct comparison *c = &session->comparisons[i];
        any = any || c->resampled.present;
        few = few || (c->resampled.present && answer_resampled_few(c));
    }
    if (!any)
        return;
    fprintf(
        out,
        " &#8220;Resampled&#8221; is a plain check: the same mean difference over %d draws of the runs (of "
        "whole "
        "blocks where the pair was compared within blocks) with replacement, without the 2.5 %% at either "
        "end. It "
        "takes no shape of the scatter for granted and leaves the calibration out; no verdict rests on it.",
        BOOTSTRAP_DRAWS);
    if (few)
        fprintf(out, " Of fewer than %d it is too narrow to mean much.", BOOTSTRAP_UNITS_FEW);
}

/* The line under the tables that says what their columns mean. */
static void explain(const struct session *session, FILE *out)
{
    bool families = false;
    for (size_t i = 0; i < session->family_count; i++)
        families = families || session->families[i].count > 2;
    fputs("<p class=\"dim small\">± is half the 95 % interval of the pair alone.", out);
    if (families)
        fputs(" &#8220;Together&#8221; is its interval such that all pairs of feeders measured alike hold "
              "at once with 95 %.",
              out);
    put_resampled(session, out);
    fputs(" <a href=\"#method\">How pairs are judged</a>.</p>\n", out);
}

enum err_code html_comparisons(const struct session *session, FILE *out, struct err *e)
{
    const char *tests[ANSWER_TESTS_MAX];
    size_t count;
    enum err_code code;
    if (session->comparison_count == 0) {
        fputs("<p>There was no pair of feeders to compare.</p>\n", out);
        return ERR_OK;
    }
    fputs("<p>Two feeders are compared only where their conditions agree within the tolerances that the plan "
          "states. A "
          "difference is the first feeder&#8217;s value minus the second&#8217;s. &#8220;No difference "
          "shown&#8221; does not "
          "mean that there is none: it means that these runs cannot tell it from zero; the interval says how "
          "large it may "
          "yet be.</p>\n",
          out);
    code = html_ranking(session, out, e);
    if (code != ERR_OK)
        return code;
    fputs("<h3>Pairs</h3>\n", out);
    comparison_table(session, "", out);
    count = answer_tests(session, tests, ANSWER_TESTS_MAX);
    for (size_t i = 0; i < count; i++)
        comparison_table(session, tests[i], out);
    explain(session, out);
    return ERR_OK;
}
