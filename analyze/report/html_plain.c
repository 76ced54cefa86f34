/* The answer in plain words, for a reader who knows neither the trade nor statistics. */
#include "analyze/report/report_html.h"

#include "analyze/report/answer_plain.h"
#include "analyze/report/text_format.h"

enum err_code html_plain(const struct session *session, FILE *out, struct err *e)
{
    struct answer_plain parts[ANSWER_PLAIN_PARTS];
    enum err_code code = answer_plain(session, parts, e);
    if (code == ERR_OK) {
        fputs("<h3>In plain words</h3>\n<dl class=\"plain\">\n", out);
        for (size_t i = 0; i < ANSWER_PLAIN_PARTS; i++) {
            if (parts[i].count == 0)
                continue;
            fprintf(out, "<dt>%s</dt>\n<dd>", parts[i].question);
            for (size_t k = 0; k < parts[i].count; k++) {
                fputs("<p>", out);
                text_html(out, parts[i].lines[k]);
                fputs("</p>", out);
            }
            fputs("</dd>\n", out);
        }
        fputs("</dl>\n", out);
    }
    answer_plain_free(parts);
    return code;
}
