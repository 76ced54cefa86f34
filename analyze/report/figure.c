#include "analyze/report/figure.h"

#include "analyze/report/figure_seen.h"
#include "analyze/report/text_format.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

const char *const FIGURE_COLOUR[FIGURE_COLOURS] = {"#0072B2", "#D55E00", "#009E73", "#CC79A7",
                                                   "#E69F00", "#56B4E9", "#000000"};

const char *figure_colour(size_t feeder)
{
    return FIGURE_COLOUR[feeder % FIGURE_COLOURS];
}

int figure_point_type(size_t feeder, bool filled)
{
    /* Circle, square, diamond, down triangle, pentagon, up triangle: gnuplot numbers the open ones, filled is
     * one more. */
    static const int open[] = {6, 4, 12, 10, 14, 8};
    return open[feeder % (sizeof open / sizeof open[0])] + (filled ? 1 : 0);
}

void figure_panel_place(FILE *script, const struct figure_panels *p, size_t i, const char *label)
{
    const double right = 0.985;
    size_t column = i % p->columns, line = i / p->columns;
    double wide = (right - p->left - p->gap_x * (double)(p->columns - 1)) / (double)p->columns;
    double tall = (p->top - p->bottom - p->gap_y * (double)(p->rows - 1)) / (double)p->rows;
    double x = p->left + (double)column * (wide + p->gap_x), y = p->top - (double)line * (tall + p->gap_y);
    fprintf(script,
            "set lmargin at screen %.5f\nset rmargin at screen %.5f\nset tmargin at screen %.5f\n"
            "set bmargin at screen %.5f\nset ylabel %s\n",
            x, x + wide, y, y - tall, column == 0 ? label : "''");
}

void figure_range(double low, double high, bool from_zero, double *axis_low, double *axis_high)
{
    double span, step;
    if (from_zero && low > 0)
        low = 0;
    if (!(high > low))
        high = low + (low != 0 ? fabs(low) * 0.1 : 1);
    span = high - low;
    step = pow(10, floor(log10(span))) / 10;
    *axis_high = ceil((high + 0.05 * span) / step) * step;
    *axis_low = from_zero && low == 0 ? 0 : floor((low - 0.05 * span) / step) * step;
}

void figure_begin(FILE *script, const struct session *session, const struct figure *figure, int width,
                  int height)
{
    char picture[FIGURE_NAME_SIZE];
    /* gnuplot's name of a picture takes no hyphen. */
    snprintf(picture, sizeof picture, "%s", figure->name);
    for (char *p = picture; *p != 0; p++) {
        if (*p == '-')
            *p = '_';
    }
    fprintf(
        script,
        "# Redraws %s.svg from %s.csv, both beside this script:\n"
        "#     gnuplot %s.gp\n"
        "# A gnuplot script is a program: read one before you run it if you do not know where it comes "
        "from.\n"
        "slash = 0\n"
        "if (exists('ARG0')) { do for [i = 1:strlen(ARG0)] { if (ARG0[i:i] eq '/') { slash = i } } }\n"
        "if (slash > 0) { cd ARG0[1:slash] }\n"
        "set encoding utf8\n"
        "set terminal svg noenhanced size %d,%d fixed font 'sans-serif,12' background '#ffffff' name '%s'\n"
        "set output '%s.svg'\n"
        "set datafile separator comma\n"
        "set border 3 linecolor '#444444'\n"
        "set tics nomirror out scale 0.6\n"
        "set grid linecolor '#dddddd' linetype 1 linewidth 0.5\n"
        "set key off\n"
        "set style fill solid 0.25 noborder\n"
        "set errorbars small\n",
        figure->name, figure->name, figure->name, width, height, picture, figure->name);
    fputs("set label 1 ", script);
    text_gnuplot(script, figure->title);
    fprintf(script, " at screen 0.01, screen %.4f left font 'sans-serif,14'\n", 1 - 18.0 / height);
    if (session->simulated)
        fprintf(script,
                "set label 2 'SIMULATED DATA' at screen 0.99, screen %.4f right font 'sans-serif,12' "
                "textcolor rgb "
                "'#B00020'\n",
                1 - 18.0 / height);
}

void figure_key_strip(FILE *script, double top)
{
    fprintf(script,
            "unset title\nunset xlabel\nunset ylabel\nunset tics\nunset grid\nunset border\nunset "
            "label\nunset arrow\n"
            "set lmargin at screen 0.02\nset rmargin at screen 0.98\n"
            "set bmargin at screen 0\nset tmargin at screen %.4f\n"
            "set xrange [0:1]\nset yrange [0:1]\n"
            "set key center center horizontal samplen 2 width 1\n"
            /* gnuplot wants one real curve; this one lies outside the range. */
            "plot -10 notitle",
            top);
}

void figure_key(FILE *script, const char *style, const char *text)
{
    fprintf(script, ", \\\n     keyentry with %s title ", style);
    text_gnuplot(script, text);
}

/* [a-z0-9-] of a feeder's name, for the file name only: foreign text names no file. */
static void slug(const char *name, char *buffer, size_t size)
{
    size_t n = 0;
    for (const char *p = name; *p != 0 && n + 1 < size && n < 40; p++) {
        char c = (char)tolower((unsigned char)*p);
        if (isascii(c) && isalnum((unsigned char)c))
            buffer[n++] = c;
        else if (n > 0 && buffer[n - 1] != '-')
            buffer[n++] = '-';
    }
    while (n > 0 && buffer[n - 1] == '-')
        n--;
    buffer[n] = 0;
}

typedef enum err_code figure_writer(const struct session *session, struct figure *figure, FILE *script,
                                    FILE *data);

static struct figure *list(struct figures *figures, enum figure_kind kind, size_t feeder, const char *name)
{
    struct figure *f = &figures->figure[figures->count++];
    f->kind = kind;
    f->feeder = feeder;
    snprintf(f->name, sizeof f->name, "%s", name);
    return f;
}

/* One figure for each chart of each outcome. Text of a test names no file as it is, as a feeder's does not.
 */
static void list_outcomes(const struct session *session, struct figures *figures, size_t feeder)
{
    const struct feeder_result *f = &session->feeders[feeder];
    char name[FIGURE_NAME_SIZE], test[24], chart[24], feeder_slug[48];
    slug(f->name, feeder_slug, sizeof feeder_slug);
    for (size_t i = 0; i < f->outcome_count; i++) {
        slug(f->outcomes[i].test, test, sizeof test);
        for (size_t j = 0; f->outcomes[i].present && j < f->outcomes[i].chart_count; j++) {
            if (!figure_outcome_wanted(&f->outcomes[i].charts[j]))
                continue;
            slug(f->outcomes[i].charts[j].name, chart, sizeof chart);
            /* The feeder's number and the chart's keep names apart that are cut or made alike. */
            snprintf(name, sizeof name, "test-%.18s-%u-%.20s-%u-%.24s", test, (unsigned)(j + 1) % 1000u,
                     chart, (unsigned)(feeder + 1) % 100000u, feeder_slug);
            for (size_t k = strlen(name); k > 0 && name[k - 1] == '-'; k--)
                name[k - 1] = 0;
            struct figure *figure = list(figures, FIGURE_OUTCOME, feeder, name);
            figure->outcome = i;
            figure->chart = j;
        }
    }
}

enum err_code figure_write(const struct session *session, struct figure *f, FILE *script, FILE *data,
                           struct err *e)
{
    static figure_writer *const writers[] = {figure_push,    figure_stall,      figure_stall,
                                             figure_torque,  figure_difference, figure_budget,
                                             figure_outcome, figure_prediction};
    enum err_code code = writers[f->kind](session, f, script, data);
    figure_seen(session, f);
    return code == ERR_OK ? ERR_OK : err_set(e, ERR_MEMORY, "out of memory for figure %s", f->name);
}

void figure_unmake(struct figure *figure)
{
    free(figure->script);
    free(figure->data);
    figure->script = figure->data = NULL;
    figure->script_length = figure->data_length = 0;
}

enum err_code figures_list(const struct session *session, struct figures *figures, struct err *e)
{
    char name[FIGURE_NAME_SIZE], feeder_slug[48];
    size_t charts = 0;
    figures->count = 0;
    for (size_t i = 0; i < session->feeder_count; i++) {
        for (size_t j = 0; j < session->feeders[i].outcome_count; j++)
            charts += session->feeders[i].outcomes[j].chart_count;
    }
    figures->figure = calloc(session->feeder_count + charts + 6, sizeof *figures->figure);
    if (figures->figure == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the figures");
    if (figure_difference_wanted(session))
        list(figures, FIGURE_DIFFERENCE, 0, "differences");
    if (figure_stall_wanted(session, false))
        list(figures, FIGURE_STALL, 0, "stall-force");
    if (figure_stall_wanted(session, true))
        list(figures, FIGURE_ONSET, 0, "slip-onset");
    for (size_t i = 0; i < session->feeder_count; i++) {
        if (!figure_push_wanted(session, i))
            continue;
        slug(session->feeders[i].name, feeder_slug, sizeof feeder_slug);
        snprintf(name, sizeof name, "push-%zu%s%s", i + 1, feeder_slug[0] != 0 ? "-" : "", feeder_slug);
        list(figures, FIGURE_PUSH, i, name);
    }
    if (figure_torque_wanted(session))
        list(figures, FIGURE_TORQUE, 0, "torque");
    if (figure_prediction_wanted(session))
        list(figures, FIGURE_PREDICTION, 0, "prediction");
    for (size_t i = 0; i < session->feeder_count; i++)
        list_outcomes(session, figures, i);
    if (figure_budget_wanted(session))
        list(figures, FIGURE_BUDGET, 0, "budget");
    return ERR_OK;
}

void figures_free(struct figures *figures)
{
    if (figures == NULL)
        return;
    for (size_t i = 0; i < figures->count; i++)
        figure_unmake(&figures->figure[i]);
    free(figures->figure);
    figures->figure = NULL;
    figures->count = 0;
}
