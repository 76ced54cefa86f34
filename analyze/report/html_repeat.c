/* What it takes to work this page out again from the data, and to measure the data again: the commands, to be
 * typed as they stand. */
#include "analyze/report/report_html.h"

#include "analyze/prediction.h"
#include "analyze/report/calibration_used.h"
#include "analyze/report/text_format.h"
#include "datasets/format/series_calibration.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PATH_PARTS_MAX 4

/* The last parts of a path, with what follows them. */
static const char *last_parts(const char *path, int parts)
{
    const char *p = path + strlen(path);
    while (p > path && p[-1] == '/')
        p--;
    for (int part = 0; p > path; p--) {
        if (p[-1] == '/' && ++part == parts)
            break;
    }
    return p;
}

static bool same_end(const char *a, const char *b)
{
    size_t n = strlen(a), m = strlen(b);
    while (n > 0 && a[n - 1] == '/')
        n--;
    while (m > 0 && b[m - 1] == '/')
        m--;
    return n == m && memcmp(a, b, n) == 0;
}

/* How many parts of their paths tell the series apart. */
static int parts_needed(const struct session *session)
{
    for (int parts = 1; parts < PATH_PARTS_MAX; parts++) {
        bool alike = false;
        for (size_t i = 0; i < session->series_count; i++) {
            for (size_t k = 0; k < i; k++)
                alike = alike || same_end(last_parts(session->series[i]->folder, parts),
                                          last_parts(session->series[k]->folder, parts));
        }
        if (!alike)
            return parts;
    }
    return PATH_PARTS_MAX;
}

/* Text as a word of a shell, in quotes where it needs them. */
static void put_word(const char *text, size_t length, FILE *out)
{
    char word[1200];
    size_t n = 0;
    bool plain = length > 0;
    for (size_t i = 0; i < length; i++)
        plain = plain && strchr("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._/-=,",
                                text[i]) != NULL;
    if (!plain)
        word[n++] = '\'';
    for (size_t i = 0; i < length && n + 6 < sizeof word; i++) {
        if (text[i] == '\'') {
            memcpy(word + n, "'\\''", 4);
            n += 4;
        } else {
            word[n++] = text[i];
        }
    }
    if (!plain)
        word[n++] = '\'';
    word[n] = 0;
    text_html(out, word);
}

void html_folder(const struct session *session, size_t i, FILE *out)
{
    const char *name = last_parts(session->series[i]->folder, parts_needed(session));
    size_t length = strlen(name);
    while (length > 0 && name[length - 1] == '/')
        length--;
    /* A name that begins with a hyphen would be taken for an option. */
    if (name[0] == '-')
        fputs("./", out);
    put_word(name, length, out);
}

/* A number in the fewest digits that read back as it; scale is what it is divided by when it is read. */
static char *shortest(double value, double scale, char *buffer, size_t size)
{
    for (int digits = 3; digits <= 17; digits++) {
        snprintf(buffer, size, "%.*g", digits, value * scale);
        if (strtod(buffer, NULL) / scale == value)
            break;
    }
    return buffer;
}

/* The options that change a number, as far as they are not the defaults. */
static void put_options(const struct session *session, FILE *out)
{
    char text[80 + sizeof session->matters[0].quantity], number[48];
    bool any = false;
    if (session->margin != SESSION_MARGIN)
        fprintf(out, " --margin %s", shortest(session->margin, 100, number, sizeof number));
    for (size_t id = 0; id < CONDITION_COUNT; id++) {
        if (!session->accept[id])
            continue;
        fprintf(out, "%s%s", any ? "," : " --accept ", CONDITION_KINDS[id].key);
        any = true;
    }
    for (size_t i = 0; i < session->matter_count; i++) {
        snprintf(text, sizeof text, "%s=%s", session->matters[i].quantity,
                 shortest(session->matters[i].difference, 1, number, sizeof number));
        fputs(" --matters ", out);
        put_word(text, strlen(text), out);
    }
    for (size_t i = 0; i < session->motor_count; i++) {
        const struct prediction_motor *m = &session->motors[i];
        char motor[sizeof m->feeder + sizeof m->file + 4];
        /* A file whose own name holds = would be taken for a feeder's. */
        snprintf(motor, sizeof motor, "%s%s%s", m->feeder,
                 m->feeder[0] != 0              ? "="
                 : strchr(m->file, '=') != NULL ? "./"
                                                : "",
                 m->file);
        fputs(" --motor ", out);
        put_word(motor, strlen(motor), out);
    }
}

/* The calibrations that were not those in the series, as the report keeps them. */
static void put_calibrations(const struct session *session, FILE *out)
{
    for (size_t i = 0; i < session->series_count; i++) {
        char name[CALIBRATION_USED_NAME_SIZE];
        if (session->series[i]->other == NULL ||
            !calibration_used_name(session->series[i]->other->hash, name, sizeof name))
            continue;
        fputs(session->series_count > 1 ? " \\\n    --calibration " : " --calibration ", out);
        if (session->series_count > 1) {
            html_folder(session, i, out);
            fputc('=', out);
        }
        fprintf(out, "report/%s", name);
    }
}

/* One series stands in the line of its command, several each in one of their own. */
static void put_command(const struct session *session, const char *words, bool options, const char *ending,
                        FILE *out)
{
    fprintf(out, "nipbench-analyze %s", words);
    if (options) {
        put_options(session, out);
        put_calibrations(session, out);
    }
    for (size_t i = 0; i < session->series_count; i++) {
        fputs(session->series_count > 1 ? " \\\n    " : " ", out);
        html_folder(session, i, out);
    }
    fprintf(out, "%s%s\n", session->series_count > 1 && ending[0] != 0 ? " \\\n   " : "", ending);
}

/* A command to be copied; the box takes the focus so that the keyboard can scroll it. */
static void begin_commands(const char *label, FILE *out)
{
    fprintf(out, "<pre tabindex=\"0\" role=\"group\" aria-label=\"%s\"><code>", label);
}

void html_repeat(const struct session *session, FILE *out)
{
    fputs(
        "<h3>Work it out again</h3>\n<p>In the folder that holds the series: check that no byte of them has "
        "changed, work out this page again, and hold the published numbers against the data. With the same "
        "versions of the programs (<a href=\"#provenance\">provenance</a>) the result is the same to the "
        "last byte, with any number of threads.</p>\n",
        out);
    if (calibration_used_any(session))
        fputs("<p>A calibration was used that is not the one in the series. It stands beside this page, "
              "under a name by its hash, and goes where this page goes. The folder of this page is called "
              "<code>report</code> below.</p>\n",
              out);
    if (session->motor_count > 0)
        fputs("<p>The <a href=\"#motors\">motor files</a> are written out with the provenance, and stand to "
              "the byte in <code>results.json</code> under <code>motors</code>.</p>\n",
              out);
    begin_commands("Commands that work this report out again", out);
    put_command(session, "verify", false, "", out);
    put_command(session, "report", true, " --out report", out);
    put_command(session, "report", false, " --check report/results.json", out);
    fputs("</code></pre>\n<h3>Measure it again</h3>\n<p>With the plan of the series, which it holds as "
          "<code>plan.yaml</code>, and a calibration of the rig it is to be measured with: PORT is that "
          "rig&#8217;s, LOADS the weights hung from its load cell. The order of the runs "
          "follows from the plan&#8217;s seed alone.</p>\n",
          out);
    begin_commands("Commands that measure it again", out);
    fputs("cp ", out);
    html_folder(session, 0, out);
    fputs("/plan.yaml .\n"
          "nipbench-capture weigh --port PORT --loads LOADS --out readings.csv\n"
          "nipbench-analyze calibrate readings.csv\n"
          "nipbench-capture run plan.yaml --port PORT --out new-series\n"
          "nipbench-analyze report new-series --out new-report</code></pre>\n",
          out);
    html_table_begin(out, "Plans");
    fputs("<thead><tr><th scope=\"col\">Series</th><th scope=\"col\">Title</th><th scope=\"col\" "
          "class=\"number\">Plan seed"
          "</th><th scope=\"col\" class=\"number\">Blocks</th><th scope=\"col\" class=\"number\">Runs</th>"
          "<th scope=\"col\" class=\"number\">Sample rate</th><th scope=\"col\" class=\"number\">Force "
          "limit</th></tr></thead>"
          "\n<tbody>\n",
          out);
    for (size_t i = 0; i < session->series_count; i++) {
        const struct series *s = session->series[i];
        char text[64];
        fputs("<tr><th scope=\"row\">", out);
        html_folder(session, i, out);
        fputs("</th><td>", out);
        text_html(out, s->title);
        fprintf(out,
                "</td><td class=\"number\">%llu</td><td class=\"number\">%d</td><td class=\"number\">%zu</td>"
                "<td class=\"number\">",
                (unsigned long long)s->plan.seed, s->plan.blocks, s->run_count);
        text_html(out, text_stated(s->plan.sample_rate_hz, "Hz", text, sizeof text));
        fputs("</td><td class=\"number\">", out);
        text_html(out, text_stated(s->plan.force_limit_n, "N", text, sizeof text));
        fputs("</td></tr>\n", out);
    }
    fputs("</tbody>\n", out);
    html_table_end(out);
    fputs("<p>Each figure is a gnuplot script beside its data, in <code>figures/</code>; every number is in "
          "<code>results.json</code>, and one row for each run in <code>results.csv</code>.</p>\n",
          out);
}
