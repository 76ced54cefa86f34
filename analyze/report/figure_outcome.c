/* One chart of what a test came to for one feeder: points with their intervals, lower bounds, fitted curves
 * with bands, marks across and a level along. The chart says what it is; nothing here knows the tests. */
#include "analyze/report/chart_thin.h"
#include "analyze/report/figure.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WIDTH       960
#define HEIGHT      330 /* of the plot itself, in pixels */
#define HEAD_HEIGHT 34
#define MARK_HEIGHT 15 /* one row of the texts above the plot */
#define AXIS_HEIGHT 56
#define KEY_HEIGHT  19 /* one row of the key */
#define LEFT        78
#define RIGHT       22
/* Pixels of a character of the key and of the marks, with some to spare: gnuplot only guesses. */
#define CHARACTER 6.6
/* Long rows of points are thinned to so many stretches: what is between the extremes of one is not to be
 * seen. */
#define PLOT_COLUMNS (WIDTH - LEFT - RIGHT)

/* Bytes that a point takes in the picture, about, and bytes for all of them: a picture stays under 300 KB. */
#define LINE_BYTES   15
#define BAND_BYTES   30
#define POINT_BYTES  150
#define BAR_BYTES    420
#define BOUND_BYTES  450
#define POINTS_BYTES 210000

struct extent {
    double x_low, x_high, y_low, y_high;
};

/* What a chart has of each layer, by group. */
struct layers {
    bool bar[OUTCOME_GROUPS_MAX], point[OUTCOME_GROUPS_MAX], bound[OUTCOME_GROUPS_MAX],
        curve[OUTCOME_GROUPS_MAX], band[OUTCOME_GROUPS_MAX];
    bool any_bar, any_bound, any_band;
};

static bool can_draw(const struct outcome_chart *chart, double x, double y)
{
    return isfinite(x) && isfinite(y) && (!chart->x_log || x > 0) && (!chart->y_log || y > 0);
}

bool figure_outcome_wanted(const struct outcome_chart *chart)
{
    for (size_t i = 0; i < chart->group_count; i++) {
        const struct outcome_group *g = &chart->groups[i];
        for (size_t k = 0; k < g->point_count; k++) {
            if (can_draw(chart, g->x[k], g->y[k]))
                return true;
        }
        for (size_t k = 0; k < g->curve_count; k++) {
            if (can_draw(chart, g->curve_x[k], g->curve_y[k]))
                return true;
        }
    }
    return false;
}

static void widen_x(struct extent *e, double x)
{
    e->x_low = fmin(e->x_low, x);
    e->x_high = fmax(e->x_high, x);
}

static void widen_y(struct extent *e, const struct outcome_chart *chart, double y)
{
    if (!isfinite(y) || (chart->y_log && y <= 0))
        return;
    e->y_low = fmin(e->y_low, y);
    e->y_high = fmax(e->y_high, y);
}

static void row(FILE *data, const char *kind, size_t group, const char *name, double x, double y, double low,
                double high)
{
    fprintf(data, "%s,%zu,", kind, group + 1);
    text_csv_plain(data, name);
    const double numbers[] = {x, y, low, high};
    for (size_t i = 0; i < 4; i++) {
        fputc(',', data);
        text_csv_number(data, numbers[i]);
    }
    fputc('\n', data);
}

/* What the points and the curve of a group take, thinned to so many stretches. */
static double bytes_of(const struct outcome_chart *chart, const struct outcome_group *g, size_t stretches)
{
    double bytes = 0, band = 0, kept = CHART_THIN_KEPT_MAX * (double)stretches;
    for (size_t i = 0; i < g->point_count; i++) {
        if (g->at_least != NULL && g->at_least[i])
            bytes += BOUND_BYTES;
        else if (isfinite(g->y_low[i]) && isfinite(g->y_high[i]))
            bytes += BAR_BYTES;
        else
            bytes += chart->path ? LINE_BYTES : POINT_BYTES;
    }
    for (size_t i = 0; i < g->curve_count; i++)
        band += isfinite(g->curve_low[i]) ? LINE_BYTES + BAND_BYTES : LINE_BYTES;
    return bytes * fmin(1, kept / fmax(1, (double)g->point_count)) +
           band * fmin(1, kept / fmax(1, (double)g->curve_count));
}

/* Into how many stretches rows are thinned: no more than there are pixels, and fewer where there are many
 * groups. */
static size_t stretches_of(const struct outcome_chart *chart)
{
    size_t stretches = PLOT_COLUMNS;
    for (;; stretches = stretches * 3 / 4) {
        double bytes = 0;
        for (size_t i = 0; i < chart->group_count; i++)
            bytes += bytes_of(chart, &chart->groups[i], stretches);
        if (bytes <= POINTS_BYTES || stretches <= 4)
            return stretches;
    }
}

static enum err_code point_rows(FILE *data, const struct outcome_chart *chart, size_t at, size_t stretches,
                                struct extent *extent, struct layers *has)
{
    const struct outcome_group *g = &chart->groups[at];
    bool *keep = malloc(g->point_count + 1);
    if (keep == NULL)
        return ERR_MEMORY;
    chart_thin(g->x, g->y, g->point_count, stretches, keep);
    for (size_t i = 0; i < g->point_count; i++) {
        double low = g->y_low[i], high = g->y_high[i];
        bool bound = g->at_least != NULL && g->at_least[i], bar = !bound && isfinite(low) && isfinite(high);
        if (!keep[i] || !can_draw(chart, g->x[i], g->y[i]))
            continue;
        row(data,
            bound ? "bound"
            : bar ? "bar"
                  : "point",
            at, g->name, g->x[i], g->y[i], bar ? low : NAN, bar ? high : NAN);
        has->bound[at] |= bound;
        has->bar[at] |= bar;
        has->point[at] |= !bound && !bar;
        has->any_bound |= bound;
        has->any_bar |= bar;
        widen_x(extent, g->x[i]);
        widen_y(extent, chart, g->y[i]);
        if (bar) {
            widen_y(extent, chart, low);
            widen_y(extent, chart, high);
        }
    }
    free(keep);
    return ERR_OK;
}

static enum err_code curve_rows(FILE *data, const struct outcome_chart *chart, size_t at, size_t stretches,
                                struct extent *extent, struct layers *has)
{
    const struct outcome_group *g = &chart->groups[at];
    bool *keep = malloc(g->curve_count + 1);
    if (keep == NULL)
        return ERR_MEMORY;
    chart_thin(g->curve_x, g->curve_y, g->curve_count, stretches, keep);
    for (size_t i = 0; i < g->curve_count; i++) {
        double low = g->curve_low[i], high = g->curve_high[i];
        bool band = isfinite(low) && isfinite(high);
        if (!keep[i] || !can_draw(chart, g->curve_x[i], g->curve_y[i]))
            continue;
        row(data, "curve", at, g->name, g->curve_x[i], g->curve_y[i], low, high);
        has->curve[at] = true;
        has->band[at] |= band;
        has->any_band |= band;
        widen_x(extent, g->curve_x[i]);
        widen_y(extent, chart, g->curve_y[i]);
        if (band) {
            widen_y(extent, chart, low);
            widen_y(extent, chart, high);
        }
    }
    free(keep);
    return ERR_OK;
}

static void log_range(double low, double high, double *axis_low, double *axis_high)
{
    double room = fmax(0.05 * log10(high / low), 0.04);
    *axis_low = pow(10, log10(low) - room);
    *axis_high = pow(10, log10(high) + room);
}

static void range(bool is_log, bool from_zero, double *low, double *high)
{
    double axis_low, axis_high;
    if (is_log)
        log_range(*low, *high, &axis_low, &axis_high);
    else
        figure_range(*low, *high, from_zero, &axis_low, &axis_high);
    *low = axis_low;
    *high = axis_high;
}

/* Where a value stands along an axis, 0 to 1. */
static double along(bool is_log, double low, double high, double value)
{
    return is_log ? log(value / low) / log(high / low) : (value - low) / (high - low);
}

/* Lowest row above the plot on which the text of a mark touches no other; the texts before it are placed. */
static size_t row_of_mark(const double *middle, const double *half, const size_t *rows, size_t i)
{
    for (size_t r = 0;; r++) {
        bool free_row = true;
        for (size_t k = 0; k < i; k++)
            free_row = free_row && (rows[k] != r || fabs(middle[k] - middle[i]) > half[k] + half[i]);
        if (free_row)
            return r;
    }
}

/* Columns of a string as it is shown, for a guess at its width. */
static size_t characters(const char *text)
{
    size_t n = 0;
    for (const char *p = text; *p != 0; p++)
        n += ((unsigned char)*p & 0xC0) != 0x80;
    return n;
}

struct marks {
    size_t count, rows;
    double x[OUTCOME_MARKS_MAX], middle[OUTCOME_MARKS_MAX]; /* on the axis; pixels from the left */
    size_t row[OUTCOME_MARKS_MAX];
    const char *text[OUTCOME_MARKS_MAX];
};

static void place_marks(const struct outcome_chart *chart, const struct extent *axis, struct marks *m)
{
    double half[OUTCOME_MARKS_MAX];
    memset(m, 0, sizeof *m);
    for (size_t i = 0; i < chart->mark_count; i++) {
        double x = chart->marks[i].at_x;
        if (!isfinite(x) || x < axis->x_low || x > axis->x_high || (chart->x_log && x <= 0))
            continue;
        size_t at = m->count++;
        m->x[at] = x;
        m->text[at] = chart->marks[i].text;
        half[at] = (double)characters(m->text[at]) * CHARACTER / 2 + 5;
        m->middle[at] = LEFT + PLOT_COLUMNS * along(chart->x_log, axis->x_low, axis->x_high, x);
        m->middle[at] = fmax(half[at], fmin(WIDTH - half[at], m->middle[at]));
        m->row[at] = row_of_mark(m->middle, half, m->row, at);
        m->rows = m->row[at] + 1 > m->rows ? m->row[at] + 1 : m->rows;
    }
}

static void put_marks(FILE *script, const struct marks *m, int height)
{
    for (size_t i = 0; i < m->count; i++) {
        double up = HEAD_HEIGHT + ((double)(m->rows - m->row[i]) - 0.5) * MARK_HEIGHT;
        fprintf(
            script,
            "set arrow %zu from first %.8g, graph 0 to first %.8g, graph 1 nohead dashtype 3 linewidth 1.2 "
            "linecolor rgb '#666666'\nset label %zu ",
            i + 1, m->x[i], m->x[i], i + 10);
        text_gnuplot(script, m->text[i]);
        fprintf(script, " at screen %.5f, screen %.5f center font 'sans-serif,11' textcolor rgb '#444444'\n",
                m->middle[i] / WIDTH, 1 - up / height);
    }
}

/* A group's own colour; the only one of a chart has the feeder's, as in the other figures. */
static size_t looks_of(const struct outcome_chart *chart, const struct figure *figure, size_t group)
{
    return chart->group_count == 1 ? figure->feeder : group;
}

/* The second cue of a line beside its colour, where there are several: the first is drawn through, the others
 * have dashes of their own. gnuplot's words for the style of a line; "" for none. */
static const char *dash_of(const struct outcome_chart *chart, size_t group)
{
    static const char *const dashes[] = {"",
                                         " dashtype (9,4)",
                                         " dashtype (3,3)",
                                         " dashtype (12,4,3,4)",
                                         " dashtype (18,5)",
                                         " dashtype (9,3,3,3,3,3)"};
    return chart->group_count == 1 ? "" : dashes[group % (sizeof dashes / sizeof dashes[0])];
}

static void plot_group(FILE *script, const struct outcome_chart *chart, const struct figure *figure, size_t i,
                       const struct layers *has, bool *first)
{
    const char *colour = figure_colour(looks_of(chart, figure, i));
    size_t look = looks_of(chart, figure, i);
#define NEXT (*first ? (*first = false, "plot ") : ", \\\n     ")
    if (has->band[i])
        fprintf(
            script,
            "%s'%s.csv' using (pick('curve', %zu, $4)):6:7 with filledcurves linecolor rgb '%s' fillstyle "
            "solid 0.2 noborder",
            NEXT, figure->name, i + 1, colour);
    if (has->curve[i])
        fprintf(script,
                "%s'%s.csv' using (pick('curve', %zu, $4)):5 with lines linecolor rgb '%s' linewidth 1.5%s",
                NEXT, figure->name, i + 1, colour, dash_of(chart, i));
    if (has->point[i] && chart->path)
        fprintf(script,
                "%s'%s.csv' using (pick('point', %zu, $4)):5 with lines linecolor rgb '%s' linewidth 1.1%s",
                NEXT, figure->name, i + 1, colour, dash_of(chart, i));
    else if (has->point[i] && chart->stems)
        fprintf(
            script,
            "%s'%s.csv' using (pick('point', %zu, $4)):5 with impulses linecolor rgb '%s' linewidth 1.3%s",
            NEXT, figure->name, i + 1, colour, dash_of(chart, i));
    else if (has->point[i])
        fprintf(
            script,
            "%s'%s.csv' using (pick('point', %zu, $4)):5 with points pointtype %d pointsize 0.6 linewidth "
            "1.2 linecolor rgb '%s'",
            NEXT, figure->name, i + 1, figure_point_type(look, true), colour);
    if (has->bar[i])
        fprintf(script,
                "%s'%s.csv' using (pick('bar', %zu, $4)):5:6:7 with yerrorbars pointtype %d pointsize 0.8 "
                "linewidth 1.4 linecolor rgb '%s'",
                NEXT, figure->name, i + 1, figure_point_type(look, true), colour);
    if (has->bound[i])
        fprintf(
            script,
            "%s'%s.csv' using (pick('bound', %zu, $4)):5 with points pointtype %d pointsize 0.8 linewidth "
            "1.4 linecolor rgb '%s', \\\n     '' using (pick('bound', %zu, $4)):5:(0):(arrow($5)) with "
            "vectors head size screen 0.006,25 filled linewidth 1.2 linecolor rgb '%s'",
            NEXT, figure->name, i + 1, figure_point_type(look, false), colour, i + 1, colour);
#undef NEXT
}

static void key_of_group(FILE *script, const struct outcome_chart *chart, const struct figure *figure,
                         size_t i, const struct layers *has)
{
    char style[160];
    size_t look = looks_of(chart, figure, i);
    bool marks = (has->point[i] && !chart->path && !chart->stems) || has->bar[i] || has->bound[i];
    bool lines = has->curve[i] || (has->point[i] && (chart->path || chart->stems));
    if (!marks && !lines)
        return;
    snprintf(style, sizeof style, "%s pointtype %d pointsize 0.8 linewidth 1.5%s linecolor rgb '%s'",
             !lines  ? "points"
             : marks ? "linespoints"
                     : "lines",
             figure_point_type(look, has->bar[i] || has->point[i]), lines ? dash_of(chart, i) : "",
             figure_colour(look));
    if (!marks)
        snprintf(style, sizeof style, "lines linewidth 1.5%s linecolor rgb '%s'", dash_of(chart, i),
                 figure_colour(look));
    figure_key(script, style, chart->groups[i].name[0] != 0 ? chart->groups[i].name : "measured");
}

/* Entries of the key and the longest of them, for the room it takes. */
static size_t key_rows(const struct outcome_chart *chart, const struct layers *has, size_t *columns)
{
    size_t entries = chart->group_count + has->any_bar + has->any_bound + has->any_band,
           longest = has->any_bound ? 16 : 14;
    if (isfinite(chart->level_y)) {
        entries++;
        longest = characters(chart->level_text);
    }
    for (size_t i = 0; i < chart->group_count; i++) {
        size_t length = characters(chart->groups[i].name);
        longest = length > longest ? length : longest;
    }
    *columns = (size_t)(0.86 * WIDTH / ((double)longest * CHARACTER + 60));
    *columns = *columns > entries ? entries : *columns;
    *columns = *columns < 1 ? 1 : *columns;
    return (entries + *columns - 1) / *columns;
}

static void put_axes(FILE *script, const struct outcome_chart *chart, const struct extent *axis)
{
    fprintf(script, "set xrange [%.8g:%.8g]\nset yrange [%.8g:%.8g]\nset xlabel ", axis->x_low, axis->x_high,
            axis->y_low, axis->y_high);
    text_gnuplot(script, chart->x_label);
    fputs("\nset ylabel ", script);
    text_gnuplot(script, chart->y_label);
    fputs(" offset 0.5,0\n", script);
    if (chart->x_log)
        fputs("set logscale x\n", script);
    if (chart->y_log)
        fputs("set logscale y\n", script);
    if (!chart->y_log && axis->y_low < 0 && axis->y_high > 0)
        fputs("set arrow 90 from graph 0, first 0 to graph 1, first 0 nohead linewidth 0.8 linecolor rgb "
              "'#888888'\n",
              script);
    if (isfinite(chart->level_y) && chart->level_y >= axis->y_low && chart->level_y <= axis->y_high)
        fprintf(
            script,
            "set arrow 91 from graph 0, first %.8g to graph 1, first %.8g nohead dashtype 2 linewidth 1.4 "
            "linecolor rgb '#444444'\n",
            chart->level_y, chart->level_y);
}

static void put_script(FILE *script, const struct session *session, const struct outcome_chart *chart,
                       const struct figure *figure, const struct extent *axis, const struct layers *has)
{
    struct marks marks;
    size_t columns, rows = key_rows(chart, has, &columns);
    bool first = true;
    double key = (double)rows * KEY_HEIGHT + 6, top, bottom;
    int height;
    place_marks(chart, axis, &marks);
    height = HEAD_HEIGHT + (int)marks.rows * MARK_HEIGHT + HEIGHT + AXIS_HEIGHT + (int)key;
    top = 1 - (HEAD_HEIGHT + (double)marks.rows * MARK_HEIGHT + 2) / height;
    bottom = (AXIS_HEIGHT + key) / height;
    figure_begin(script, session, figure, WIDTH, height);
    fprintf(
        script,
        "pick(kind, group, x) = (strcol(1) eq kind && int(column(2)) == group) ? x : NaN\n"
        "set multiplot\nset lmargin at screen %.5f\nset rmargin at screen %.5f\nset tmargin at screen %.5f\n"
        "set bmargin at screen %.5f\n",
        (double)LEFT / WIDTH, 1 - (double)RIGHT / WIDTH, top, bottom);
    if (chart->y_log)
        fprintf(script, "arrow(y) = y * %.6g\n", pow(axis->y_high / axis->y_low, 0.07) - 1);
    else
        fprintf(script, "arrow(y) = %.6g\n", 0.07 * (axis->y_high - axis->y_low));
    put_axes(script, chart, axis);
    put_marks(script, &marks, height);
    for (size_t i = 0; i < chart->group_count; i++)
        plot_group(script, chart, figure, i, has, &first);
    fputs("\nunset logscale\n", script);
    fprintf(script, "set key maxcols %zu\n", columns);
    figure_key_strip(script, key / height);
    for (size_t i = 0; i < chart->group_count; i++)
        key_of_group(script, chart, figure, i, has);
    if (has->any_bar)
        /* gnuplot's own sample of a bar lies flat, like that of a curve. */
        figure_key(script, "points pointtype '|' linecolor rgb '#444444'", "95 % interval");
    if (has->any_bound)
        figure_key(script, "points pointtype 6 pointsize 0.8 linecolor rgb '#444444'", "at least (arrow)");
    if (has->any_band)
        figure_key(script, "boxes linecolor rgb '#444444'", "95 % band");
    if (isfinite(chart->level_y))
        figure_key(script, "lines dashtype 2 linewidth 1.4 linecolor rgb '#444444'", chart->level_text);
    fputs("\nunset multiplot\n", script);
}

enum err_code figure_outcome(const struct session *session, struct figure *figure, FILE *script, FILE *data)
{
    const struct feeder_result *f = &session->feeders[figure->feeder];
    const struct outcome_chart *chart = &f->outcomes[figure->outcome].charts[figure->chart];
    struct extent axis = {INFINITY, -INFINITY, INFINITY, -INFINITY};
    struct layers has = {0};
    size_t stretches = stretches_of(chart);
    enum err_code code = ERR_OK;
    snprintf(figure->title, sizeof figure->title, "%s: %s", f->name, chart->title);
    snprintf(figure->description, sizeof figure->description, "%s: %s%s", f->name,
             chart->description[0] != 0 ? chart->description : chart->title,
             chart->description[0] != 0 && chart->description[strlen(chart->description) - 1] == '.' ? ""
                                                                                                     : ".");
    fputs("kind,group_index,group,x,y,low,high\n", data);
    for (size_t i = 0; i < chart->group_count && code == ERR_OK; i++) {
        code = curve_rows(data, chart, i, stretches, &axis, &has);
        if (code == ERR_OK)
            code = point_rows(data, chart, i, stretches, &axis, &has);
    }
    if (code != ERR_OK)
        return code;
    if (isfinite(chart->level_y))
        widen_y(&axis, chart, chart->level_y);
    for (size_t i = 0; i < chart->mark_count; i++) {
        if (isfinite(chart->marks[i].at_x) && (!chart->x_log || chart->marks[i].at_x > 0))
            widen_x(&axis, chart->marks[i].at_x);
    }
    if (has.any_bound)
        axis.y_high =
            chart->y_log
                ? axis.y_high * pow(axis.y_high / axis.y_low, 0.08)
                : axis.y_high + 0.08 * (axis.y_high - fmin(axis.y_low, chart->y_from_zero ? 0 : axis.y_low));
    /* Stems stand on the axis: without zero their length would mean nothing. */
    range(chart->x_log, chart->x_from_zero, &axis.x_low, &axis.x_high);
    range(chart->y_log, chart->y_from_zero || chart->stems, &axis.y_low, &axis.y_high);
    put_script(script, session, chart, figure, &axis, &has);
    return ERR_OK;
}
