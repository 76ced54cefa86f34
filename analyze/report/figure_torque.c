/* Motor torque against speed: one panel for each feeder with its points, its curve and the curve's band. */
#include "analyze/report/figure.h"

#include "analyze/report/answer.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WIDTH             960
#define PANEL_HEIGHT      270
#define HEAD_HEIGHT       40
#define FOOT_HEIGHT       88
#define PANEL_COLUMNS_MAX 3
#define PANELS_MAX        16 /* more feeders than these are in the tables only: a picture stays under 300 KB */
#define GRID_PANELS_MAX   6  /* every grid line changes the pen, which costs bytes */
#define CURVE_ROWS_MAX    1000 /* of all panels together */

static bool has_point(const struct speed_point *point)
{
    return point->torque_nm.present && isfinite(point->torque_nm.value);
}

static bool has_panel(const struct feeder_result *feeder)
{
    for (size_t i = 0; i < feeder->point_count; i++) {
        if (has_point(&feeder->points[i]))
            return true;
    }
    return false;
}

/* One speed gives no curve to look at. */
bool figure_torque_wanted(const struct session *session)
{
    for (size_t i = 0; i < session->feeder_count; i++) {
        size_t points = 0;
        for (size_t j = 0; j < session->feeders[i].point_count; j++)
            points += has_point(&session->feeders[i].points[j]);
        if (points > 1)
            return true;
    }
    return false;
}

struct extent {
    double speed_mm_s, torque_nm;
};

static void row(FILE *data, const struct session *session, size_t feeder, const char *kind, double mm_s,
                double torque, double low, double high, struct extent *extent)
{
    fprintf(data, "%s,%zu,", kind, feeder + 1);
    text_csv_plain(data, session->feeders[feeder].name);
    fputc(',', data);
    text_csv_number(data, mm_s);
    fputc(',', data);
    text_csv_number(data, torque);
    fputc(',', data);
    text_csv_number(data, low);
    fputc(',', data);
    text_csv_number(data, high);
    fputc('\n', data);
    extent->speed_mm_s = fmax(extent->speed_mm_s, mm_s);
    extent->torque_nm = fmax(extent->torque_nm, torque);
}

struct layers {
    bool curve, point, bound;
};

static struct layers feeder_rows(FILE *data, const struct session *session, size_t feeder, size_t stride,
                                 struct extent *extent)
{
    const struct feeder_result *f = &session->feeders[feeder];
    const struct torque_curve *curve = &f->torque_curve;
    struct layers has = {curve->present, false, false};
    for (size_t i = 0; curve->present && i < CURVE_POINTS; i += stride)
        row(data, session, feeder, "curve", curve->speed_mm_s[i], curve->torque_nm[i], curve->low_95_nm[i],
            curve->high_95_nm[i], extent);
    for (size_t i = 0; i < f->point_count; i++) {
        struct quantity bounded = answer_motor_torque(&f->points[i]);
        const struct quantity *torque = &bounded;
        if (!has_point(&f->points[i]))
            continue;
        if (torque->at_least) {
            row(data, session, feeder, "bound", f->points[i].speed_mm_s, torque->value, NAN, NAN, extent);
            has.bound = true;
        } else {
            row(data, session, feeder, "point", f->points[i].speed_mm_s, torque->value, torque->low_95,
                torque->high_95, extent);
            if (isfinite(torque->high_95))
                extent->torque_nm = fmax(extent->torque_nm, torque->high_95);
            has.point = true;
        }
    }
    return has;
}

static void panel_title(FILE *script, const struct feeder_result *feeder)
{
    const struct torque_curve *curve = &feeder->torque_curve;
    char title[300];
    snprintf(title, sizeof title, "%s: %s", feeder->name,
             curve->present ? TORQUE_MODEL_NAMES[curve->model] : "no curve fitted");
    fputs("set title ", script);
    text_gnuplot(script, title);
    fputs(" font 'sans-serif,11' offset 0,-0.5\n", script);
}

static void panel_plot(FILE *script, const char *name, size_t feeder, struct layers has)
{
    const char *colour = figure_colour(feeder), *comma = "plot ";
    fprintf(script, "which = %zu\n", feeder + 1);
    if (has.curve) {
        fprintf(script,
                "%s'%s.csv' using (pick('curve', $4)):6:7 title '95 %% band' with filledcurves linecolor rgb "
                "'%s' fillstyle "
                "solid 0.2 noborder"
                ", \\\n     '' using (pick('curve', $4)):5 title 'fitted curve' with lines linecolor rgb "
                "'%s' linewidth 1.5",
                comma, name, colour, colour);
        comma = ", \\\n     ";
    }
    if (has.point) {
        fprintf(script,
                "%s'%s.csv' using (pick('point', $4)):5:6:7 title 'mean of runs' with yerrorbars pointtype "
                "%d pointsize 0.8 "
                "linewidth 1.5 "
                "linecolor rgb '%s'",
                comma, name, figure_point_type(feeder, true), colour);
        comma = ", \\\n     ";
    }
    if (has.bound)
        fprintf(script,
                "%s'%s.csv' using (pick('bound', $4)):5 title 'at least' with points pointtype %d pointsize "
                "0.8 linewidth 1.5 "
                "linecolor rgb "
                "'%s', \\\n     '' using (pick('bound', $4)):5:(0):(arrow) title 'at least' with vectors "
                "head size screen "
                "0.006,25 filled "
                "linewidth 1.2 linecolor rgb '%s'",
                comma, name, figure_point_type(feeder, false), colour, colour);
    fputc('\n', script);
}

/* The corner speed as a dashed line; it belongs to one panel only. */
static void corner(FILE *script, const struct feeder_result *feeder)
{
    const struct quantity *speed = &feeder->torque_curve.corner_speed_mm_s;
    fputs("unset arrow\n", script);
    if (feeder->torque_curve.present && speed->present && !speed->at_least && isfinite(speed->value))
        fprintf(script,
                "set arrow 1 from first %.6g, graph 0 to first %.6g, graph 1 nohead dashtype 3 linecolor rgb "
                "'#666666'\n",
                speed->value, speed->value);
}

enum err_code figure_torque(const struct session *session, struct figure *figure, FILE *script, FILE *data)
{
    struct extent extent = {0, 0};
    struct layers any = {false, false, false};
    size_t feeders = 0, panels, panel = 0, columns, rows, stride, length;
    int height;
    double axis_low, axis_high, right_low, right;
    FILE *plots;
    char *plot_text = NULL;
    size_t plot_length = 0;
    for (size_t i = 0; i < session->feeder_count; i++)
        feeders += has_panel(&session->feeders[i]);
    panels = feeders < PANELS_MAX ? feeders : PANELS_MAX;
    /* The last point of a curve stays: 120 is a multiple of 1, 2 and 3. */
    stride = panels * CURVE_POINTS > 2 * CURVE_ROWS_MAX ? 3 : panels * CURVE_POINTS > CURVE_ROWS_MAX ? 2 : 1;
    columns = panels < 1 ? 1 : panels < PANEL_COLUMNS_MAX ? panels : PANEL_COLUMNS_MAX;
    rows = (panels + columns - 1) / columns;
    height = HEAD_HEIGHT + (int)rows * PANEL_HEIGHT + FOOT_HEIGHT;
    snprintf(figure->title, sizeof figure->title, "Motor torque against speed");
    snprintf(figure->description, sizeof figure->description,
             "One panel for each feeder. Line with band: fitted curve and its 95 %% confidence band. Filled "
             "marks with bars: "
             "mean over the runs at one speed with its 95 %% interval. Open marks with an arrow: lower "
             "bounds, where the grip "
             "or a limit gave way before the motor did. Dotted upright line: corner speed, above which the "
             "supply voltage "
             "limits the torque.");
    length = strlen(figure->description);
    if (panels < feeders)
        snprintf(figure->description + length, sizeof figure->description - length,
                 " The first %zu of %zu feeders are drawn.", panels, feeders);
    plots = open_memstream(&plot_text, &plot_length);
    if (plots == NULL)
        return ERR_MEMORY;
    fputs("kind,feeder_index,feeder,speed_mm_s,torque_nm,low_95_nm,high_95_nm\n", data);
    const struct figure_panels grid = {.columns = columns,
                                       .rows = rows,
                                       .left = 0.08,
                                       .gap_x = 0.05,
                                       .gap_y = 60.0 / height,
                                       .top = 1 - (HEAD_HEIGHT + 22.0) / height,
                                       .bottom = (FOOT_HEIGHT + 4.0) / height};
    for (size_t i = 0; i < session->feeder_count && panel < panels; i++) {
        struct layers has;
        if (!has_panel(&session->feeders[i]))
            continue;
        has = feeder_rows(data, session, i, stride, &extent);
        figure_panel_place(plots, &grid, panel, "'motor torque (N m)' offset 1,0");
        panel_title(plots, &session->feeders[i]);
        corner(plots, &session->feeders[i]);
        panel_plot(plots, figure->name, i, has);
        if (panel == 0)
            fputs("unset label 1\nunset label 2\nunset label 3\n", plots);
        any.curve |= has.curve;
        any.point |= has.point;
        any.bound |= has.bound;
        panel++;
    }
    if (fclose(plots) != 0)
        return ERR_MEMORY;
    figure_range(0, extent.torque_nm * (any.bound ? 1.08 : 1), true, &axis_low, &axis_high);
    figure_range(0, extent.speed_mm_s, true, &right_low, &right);
    figure_begin(script, session, figure, WIDTH, height);
    fprintf(script,
            "arrow = %.6g\n"
            "pick(kind, x) = (strcol(1) eq kind && int(column(2)) == which) ? x : NaN\n"
            "set multiplot\nset xrange [0:%.6g]\nset yrange [%.6g:%.6g]\n"
            "set label 3 'commanded feed speed (mm/s)' at screen 0.52, screen %.5f center\n",
            0.07 * (axis_high - axis_low), right, axis_low, axis_high, 42.0 / height);
    if (panels > GRID_PANELS_MAX)
        fputs("unset grid\n", script);
    fwrite(plot_text, 1, plot_length, script);
    free(plot_text);
    figure_key_strip(script, 26.0 / height);
    figure_key(script, "points pointtype 7 pointsize 0.8 linecolor rgb '#444444'", "mean of runs");
    if (any.bound)
        figure_key(script, "points pointtype 6 pointsize 0.8 linecolor rgb '#444444'", "at least (arrow)");
    if (any.curve) {
        figure_key(script, "lines linewidth 2 linecolor rgb '#444444'", "fitted curve");
        figure_key(script, "boxes linecolor rgb '#444444'", "95 % band");
    }
    fputs("\nunset multiplot\n", script);
    return ERR_OK;
}
