/* Feeders that were compared at once: who is ahead, who cannot be told apart, and what the design shows. */
#include "analyze/report/report_html.h"

#include "analyze/report/answer_family.h"
#include "analyze/report/text_format.h"

#include <stdlib.h>

static void members(const struct session *session, size_t family, FILE *out)
{
    const struct comparison_family *f = &session->families[family];
    char text[TEXT_QUANTITY_SIZE];
    for (size_t i = 0; i < f->count; i++) {
        size_t n = answer_family_values(f, i);
        fprintf(out, "<tr><td class=\"number\">%zu</td><td>", i + 1);
        text_html(out, session->feeders[f->members[i]].name);
        fputs("</td><td class=\"number\">", out);
        text_html(out, answer_family_value(session, family, i, text, sizeof text));
        fputs("</td><td><strong>", out);
        text_html(out, f->letters[i]);
        fputs("</strong></td><td class=\"number\">", out);
        if (n > 0)
            fprintf(out, "%zu", n);
        fputs("</td></tr>\n", out);
    }
}

static enum err_code one(const struct session *session, size_t family, FILE *out, struct err *e)
{
    const struct comparison_family *f = &session->families[family];
    const char *accepted[ANSWER_FAMILY_ACCEPTED_MAX];
    char about[ANSWER_ABOUT_SIZE];
    size_t count = answer_family_accepted(session, family, accepted, ANSWER_FAMILY_ACCEPTED_MAX);
    char *design = answer_design(f);
    if (design == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the report");
    fputs("<tbody>\n<tr><th colspan=\"5\" scope=\"rowgroup\">", out);
    text_html(out, answer_family_about(session, f, about, sizeof about));
    fputs("</th></tr>\n", out);
    members(session, family, out);
    fputs("<tr><td colspan=\"5\" class=\"dim small wrap\"><div class=\"note\">", out);
    text_html(out, design);
    free(design);
    fputs(".", out);
    for (size_t i = 0; i < count; i++) {
        fputs(i == 0 ? " <span class=\"flag\">Accepted: " : "; ", out);
        text_html(out, accepted[i]);
    }
    fputs(count > 0 ? ".</span></div></td></tr>\n</tbody>\n" : "</div></td></tr>\n</tbody>\n", out);
    return ERR_OK;
}

enum err_code html_ranking(const struct session *session, FILE *out, struct err *e)
{
    enum err_code code = ERR_OK;
    bool any = false;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < session->family_count && code == ERR_OK; i++) {
            const struct comparison_family *f = &session->families[i];
            if (f->count == 0 || answer_family_is_headline(session, f) != (pass == 0))
                continue;
            if (!any) {
                fputs("<h3>Ranking</h3>\n<p>Feeders that were measured alike, the highest first. Two that "
                      "share a letter were not shown to differ. A mean is adjusted for the blocks that its "
                      "feeder was run in.</p>\n",
                      out);
                html_table_begin(out, "Ranking with groups, and the checks of each design");
                fputs("<thead><tr><th scope=\"col\" class=\"number\">Place</th><th "
                      "scope=\"col\">Feeder</th>"
                      "<th scope=\"col\" class=\"number\">Mean</th><th scope=\"col\">Group</th>"
                      "<th scope=\"col\" class=\"number\">Values</th></tr></thead>\n",
                      out);
            }
            any = true;
            code = one(session, i, out, e);
        }
    }
    if (any)
        html_table_end(out);
    return code;
}
