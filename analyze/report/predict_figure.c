/* Predicted push force against speed with its band, one panel for each feeder, and what was measured over it.
 */
#include "analyze/report/predict_show.h"

#include "analyze/report/text_format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WIDTH        960
#define PANEL_HEIGHT 290
#define HEAD_HEIGHT  40
#define FOOT_HEIGHT  88
#define COLUMNS_MAX  3

struct extent {
    double speed_mm_s, force_n;
    bool measured, bound;
};

static void row(FILE *data, const char *kind, size_t feeder, double mm_s, double force, double low,
                double high, struct extent *extent)
{
    fprintf(data, "%s,%zu,", kind, feeder + 1);
    text_csv_number(data, mm_s);
    fputc(',', data);
    text_csv_number(data, force);
    fputc(',', data);
    text_csv_number(data, low);
    fputc(',', data);
    text_csv_number(data, high);
    fputc('\n', data);
    extent->speed_mm_s = fmax(extent->speed_mm_s, mm_s);
    extent->force_n = fmax(extent->force_n, isfinite(high) ? high : force);
}

static void rows(FILE *data, const struct predict_feeder *f, size_t i, struct extent *extent)
{
    for (size_t k = 0; k < PREDICT_CURVE_POINTS; k++) {
        const struct quantity *q = &f->curve[k].force_n;
        if (q->present)
            row(data, "predicted", i, f->curve[k].speed_mm_s, q->value, q->low_95, q->high_95, extent);
    }
    for (size_t k = 0; k < f->measured_count; k++) {
        const struct predict_measured *m = &f->measured[k];
        row(data, m->bound ? "bound" : "measured", i, m->speed_mm_s, m->force_n.value,
            m->bound ? NAN : m->force_n.low_95, m->bound ? NAN : m->force_n.high_95, extent);
        extent->bound = extent->bound || m->bound;
        extent->measured = extent->measured || !m->bound;
    }
}

static void panel(FILE *script, const char *name, const struct predict_feeder *f, size_t i)
{
    const char *colour = figure_colour(0), *marks = figure_colour(1);
    bool measured = false, bound = false;
    for (size_t k = 0; k < f->measured_count; k++) {
        bound = bound || f->measured[k].bound;
        measured = measured || !f->measured[k].bound;
    }
    fputs("set title ", script);
    text_gnuplot(script, f->name[0] != 0 ? f->name : "drive of the motor file");
    fputs(" font 'sans-serif,11' offset 0,-0.5\n", script);
    fprintf(
        script,
        "which = %zu\n"
        "plot '%s.csv' using (pick('predicted', $3)):5:6 title '95 %% interval of the prediction' with "
        "filledcurves linecolor rgb '%s' fillstyle solid 0.2 noborder, \\\n"
        "     '' using (pick('predicted', $3)):4 title 'predicted' with lines linecolor rgb '%s' linewidth "
        "1.5",
        i + 1, name, colour, colour);
    if (measured)
        fprintf(
            script,
            ", \\\n     '' using (pick('measured', $3)):4:5:6 title 'measured' with yerrorbars pointtype 7 "
            "pointsize 0.8 linewidth 1.5 linecolor rgb '%s'",
            marks);
    if (bound)
        fprintf(
            script,
            ", \\\n     '' using (pick('bound', $3)):4 title 'at least' with points pointtype 6 pointsize "
            "0.8 linewidth 1.5 linecolor rgb '%s', \\\n     '' using (pick('bound', $3)):4:(0):(arrow) "
            "title 'at least' with vectors head size screen 0.006,25 filled linewidth 1.2 linecolor rgb "
            "'%s'",
            marks, marks);
    fputc('\n', script);
}

static void write_script(const struct predict_answer *answer, struct figure *figure, FILE *script, FILE *data)
{
    const struct session marked = {.simulated = answer->simulated};
    size_t count = answer->feeder_count, columns = count < COLUMNS_MAX ? count : COLUMNS_MAX;
    size_t lines = (count + columns - 1) / columns;
    int height = HEAD_HEIGHT + (int)lines * PANEL_HEIGHT + FOOT_HEIGHT;
    struct extent extent = {0, 0, false, false};
    double low, high, left, right;
    const struct figure_panels grid = {.columns = columns,
                                       .rows = lines,
                                       .left = 0.08,
                                       .gap_x = 0.05,
                                       .gap_y = 60.0 / height,
                                       .top = 1 - (HEAD_HEIGHT + 22.0) / height,
                                       .bottom = (FOOT_HEIGHT + 4.0) / height};
    fputs("kind,feeder_index,speed_mm_s,push_force_n,low_95_n,high_95_n\n", data);
    for (size_t i = 0; i < count; i++)
        rows(data, &answer->feeders[i], i, &extent);
    figure_range(0, extent.force_n * (extent.bound ? 1.08 : 1), true, &low, &high);
    figure_range(0, extent.speed_mm_s, true, &left, &right);
    figure_begin(script, &marked, figure, WIDTH, height);
    fprintf(script,
            "arrow = %.6g\n"
            "pick(kind, x) = (strcol(1) eq kind && int(column(2)) == which) ? x : NaN\n"
            "set multiplot\nset xrange [0:%.6g]\nset yrange [%.6g:%.6g]\n"
            "set label 3 'commanded feed speed (mm/s)' at screen 0.52, screen %.5f center\n",
            0.07 * (high - low), right, low, high, 42.0 / height);
    for (size_t i = 0; i < count; i++) {
        figure_panel_place(script, &grid, i, "'push force (N)' offset 1,0");
        panel(script, figure->name, &answer->feeders[i], i);
        if (i == 0)
            fputs("unset label 1\nunset label 2\nunset label 3\n", script);
    }
    figure_key_strip(script, 26.0 / height);
    figure_key(script, "lines linewidth 2 linecolor rgb '#0072B2'", "predicted from the data sheet");
    figure_key(script, "boxes linecolor rgb '#0072B2'", "its 95 % interval");
    if (extent.measured)
        figure_key(script, "points pointtype 7 pointsize 0.8 linecolor rgb '#D55E00'", "measured");
    if (extent.bound)
        figure_key(script, "points pointtype 6 pointsize 0.8 linecolor rgb '#D55E00'",
                   "at least: grip or a limit gave way (arrow)");
    fputs("\nunset multiplot\n", script);
}

enum err_code predict_figure_build(const struct predict_answer *answer, struct figure *figure, struct err *e)
{
    FILE *script, *data;
    bool lost;
    memset(figure, 0, sizeof *figure);
    snprintf(figure->name, sizeof figure->name, "prediction");
    snprintf(figure->title, sizeof figure->title, "Push force predicted from the motor's data sheet");
    snprintf(
        figure->description, sizeof figure->description,
        "One panel for each feeder. Line with band: push force by data sheet, driver setting, reduction and "
        "drive diameter, with the 95 %% interval that their tolerances leave. Filled marks with bars: "
        "measured, mean over runs with its 95 %% interval. Open marks with an arrow: lower bounds, where "
        "grip or a limit gave way before the motor did.");
    script = open_memstream(&figure->script, &figure->script_length);
    data = open_memstream(&figure->data, &figure->data_length);
    if (script != NULL && data != NULL)
        write_script(answer, figure, script, data);
    lost = script == NULL || data == NULL || ferror(script) != 0 || ferror(data) != 0;
    lost = (script != NULL && fclose(script) != 0) || lost;
    lost = (data != NULL && fclose(data) != 0) || lost;
    return lost ? err_set(e, ERR_MEMORY, "out of memory for the figure") : ERR_OK;
}
