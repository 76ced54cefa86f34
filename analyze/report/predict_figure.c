/* Predicted push force against speed with its band, one panel for each feeder, and what was measured over it:
 * the marks, and the curve fitted to them. */
#include "analyze/report/predict_show.h"

#include "analyze/report/text_format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WIDTH           960
#define PANEL_HEIGHT    290
#define HEAD_HEIGHT     40
#define KEY_HEIGHT      46 /* two lines of it */
#define FOOT_HEIGHT     108
#define COLUMNS_MAX     3
#define GRID_PANELS_MAX 6  /* every grid line changes the pen, which costs bytes */
#define PANELS_MAX      16 /* more feeders than these are in the tables only: a picture stays under 300 KB */

/* One feeder's panel. */
struct panel {
    const struct prediction *p;
    const struct predict_force *curve;
    size_t curve_count;
    size_t fitted_stride; /* every how many-th point of the fitted curve is drawn */
};

struct layers {
    bool measured, bound, fitted;
};

struct extent {
    double speed_mm_s, force_n;
    struct layers has;
};

static void row(FILE *data, const char *kind, size_t i, const struct panel *panel, double mm_s, double force,
                double low, double high, struct extent *extent)
{
    fprintf(data, "%s,%zu,", kind, i + 1);
    text_csv_plain(data, panel->p->name);
    fputc(',', data);
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

static struct layers rows(FILE *data, const struct panel *panel, size_t i, struct extent *extent)
{
    struct layers has = {false, false, false};
    for (size_t k = 0; k < panel->curve_count; k++) {
        const struct quantity *q = &panel->curve[k].force_n;
        if (q->present)
            row(data, "predicted", i, panel, panel->curve[k].speed_mm_s, q->value, q->low_95, q->high_95,
                extent);
    }
    for (size_t k = 0; panel->p->fitted != NULL && k < CURVE_POINTS; k += panel->fitted_stride) {
        struct quantity q = prediction_fitted_n(panel->p, k);
        if (q.present)
            row(data, "fitted", i, panel, panel->p->fitted->speed_mm_s[k], q.value, q.low_95, q.high_95,
                extent);
        has.fitted = has.fitted || q.present;
    }
    for (size_t k = 0; k < panel->p->measured_count; k++) {
        const struct predict_measured *m = &panel->p->measured[k];
        row(data, m->bound ? "bound" : "measured", i, panel, m->speed_mm_s, m->force_n.value,
            m->bound ? NAN : m->force_n.low_95, m->bound ? NAN : m->force_n.high_95, extent);
        has.bound = has.bound || m->bound;
        has.measured = has.measured || !m->bound;
    }
    extent->has.bound = extent->has.bound || has.bound;
    extent->has.measured = extent->has.measured || has.measured;
    extent->has.fitted = extent->has.fitted || has.fitted;
    return has;
}

static void put_panel(FILE *script, const char *name, const struct panel *panel, size_t i, struct layers has)
{
    const char *colour = figure_colour(0), *marks = figure_colour(1);
    fputs("set title ", script);
    text_gnuplot(script, panel->p->name[0] != 0 ? panel->p->name : "drive of the motor file");
    fputs(" font 'sans-serif,11' offset 0,-0.5\n", script);
    fprintf(
        script,
        "which = %zu\n"
        "plot '%s.csv' using (pick('predicted', $4)):6:7 title '95 %% interval of the prediction' with "
        "filledcurves linecolor rgb '%s' fillstyle solid 0.2 noborder, \\\n"
        "     '' using (pick('predicted', $4)):5 title 'predicted' with lines linecolor rgb '%s' linewidth "
        "1.5",
        i + 1, name, colour, colour);
    if (has.fitted)
        fprintf(
            script,
            ", \\\n     '' using (pick('fitted', $4)):6:7 title '95 %% band of the fitted curve' with "
            "filledcurves linecolor rgb '%s' fillstyle solid 0.2 noborder, \\\n"
            "     '' using (pick('fitted', $4)):5 title 'fitted to the measured' with lines linecolor rgb "
            "'%s' linewidth 1.5 dashtype 2",
            marks, marks);
    if (has.measured)
        fprintf(
            script,
            ", \\\n     '' using (pick('measured', $4)):5:6:7 title 'measured' with yerrorbars pointtype 7 "
            "pointsize 0.8 linewidth 1.5 linecolor rgb '%s'",
            marks);
    if (has.bound)
        fprintf(
            script,
            ", \\\n     '' using (pick('bound', $4)):5 title 'at least' with points pointtype 6 pointsize "
            "0.8 linewidth 1.5 linecolor rgb '%s', \\\n     '' using (pick('bound', $4)):5:(0):(arrow) "
            "title 'at least' with vectors head size screen 0.006,25 filled linewidth 1.2 linecolor rgb "
            "'%s'",
            marks, marks);
    fputc('\n', script);
}

static void describe(struct figure *figure, struct layers has)
{
    snprintf(figure->description, sizeof figure->description,
             "One panel for each feeder. Line with band: push force by data sheet, driver setting, reduction "
             "and drive diameter, with the 95 %% interval that their tolerances leave.%s%s%s",
             has.measured ? " Filled marks with bars: measured, mean over runs with its 95 % interval." : "",
             has.fitted ? " Dashed line with band: the torque curve fitted to the pushes, as a push force, "
                          "with its 95 % band."
                        : "",
             has.bound ? " Open marks with an arrow: lower bounds, where grip or a limit gave way before the "
                         "motor did."
                       : "");
}

static enum err_code write_script(const struct session *marked, const struct panel *panels, size_t count,
                                  struct figure *figure, FILE *script, FILE *data)
{
    size_t columns = count < COLUMNS_MAX ? count : COLUMNS_MAX;
    size_t lines = (count + columns - 1) / columns, plot_length = 0;
    int height = HEAD_HEIGHT + (int)lines * PANEL_HEIGHT + FOOT_HEIGHT;
    struct extent extent = {0, 0, {false, false, false}};
    double low, high, left, right;
    char *plot_text = NULL;
    FILE *plots = open_memstream(&plot_text, &plot_length);
    const struct figure_panels grid = {.columns = columns,
                                       .rows = lines,
                                       .left = 0.08,
                                       .gap_x = 0.05,
                                       .gap_y = 60.0 / height,
                                       .top = 1 - (HEAD_HEIGHT + 22.0) / height,
                                       .bottom = (FOOT_HEIGHT + 4.0) / height};
    if (plots == NULL)
        return ERR_MEMORY;
    fputs("kind,feeder_index,feeder,speed_mm_s,push_force_n,low_95_n,high_95_n\n", data);
    for (size_t i = 0; i < count; i++) {
        struct layers has = rows(data, &panels[i], i, &extent);
        figure_panel_place(plots, &grid, i, "'push force (N)' offset 1,0");
        put_panel(plots, figure->name, &panels[i], i, has);
        if (i == 0)
            fputs("unset label 1\nunset label 2\nunset label 3\n", plots);
    }
    if (fclose(plots) != 0) {
        free(plot_text);
        return ERR_MEMORY;
    }
    describe(figure, extent.has);
    figure_range(0, extent.force_n * (extent.has.bound ? 1.08 : 1), true, &low, &high);
    figure_range(0, extent.speed_mm_s, true, &left, &right);
    figure_begin(script, marked, figure, WIDTH, height);
    fprintf(script,
            "arrow = %.6g\n"
            "pick(kind, x) = (strcol(1) eq kind && int(column(2)) == which) ? x : NaN\n"
            "set multiplot\nset xrange [0:%.6g]\nset yrange [%.6g:%.6g]\n"
            "set label 3 'commanded feed speed (mm/s)' at screen 0.52, screen %.5f center\n",
            0.07 * (high - low), right, low, high, (KEY_HEIGHT + 16.0) / height);
    if (count > GRID_PANELS_MAX)
        fputs("unset grid\n", script);
    fwrite(plot_text, 1, plot_length, script);
    free(plot_text);
    figure_key_strip(script, (double)KEY_HEIGHT / height);
    figure_key(script, "lines linewidth 2 linecolor rgb '#0072B2'", "predicted from the data sheet");
    figure_key(script, "boxes linecolor rgb '#0072B2'", "its 95 % interval");
    if (extent.has.measured)
        figure_key(script, "points pointtype 7 pointsize 0.8 linecolor rgb '#D55E00'", "measured");
    if (extent.has.fitted) {
        figure_key(script, "lines linewidth 2 dashtype 2 linecolor rgb '#D55E00'", "curve fitted to it");
        figure_key(script, "boxes linecolor rgb '#D55E00'", "its 95 % band");
    }
    if (extent.has.bound)
        figure_key(script, "points pointtype 6 pointsize 0.8 linecolor rgb '#D55E00'",
                   extent.has.fitted ? "at least (arrow)" : "at least: grip or a limit gave way (arrow)");
    fputs("\nunset multiplot\n", script);
    return ERR_OK;
}

static void put_title(struct figure *figure)
{
    snprintf(figure->title, sizeof figure->title, "Push force predicted from the motor's data sheet");
}

enum err_code predict_figure_build(const struct predict_answer *answer, struct figure *figure, struct err *e)
{
    const struct session marked = {.simulated = answer->simulated};
    struct panel *panels = calloc(answer->feeder_count + 1, sizeof *panels);
    FILE *script, *data;
    bool lost;
    memset(figure, 0, sizeof *figure);
    snprintf(figure->name, sizeof figure->name, "prediction");
    put_title(figure);
    script = open_memstream(&figure->script, &figure->script_length);
    data = open_memstream(&figure->data, &figure->data_length);
    lost = script == NULL || data == NULL || panels == NULL;
    for (size_t i = 0; !lost && i < answer->feeder_count; i++)
        panels[i] = (struct panel){&answer->feeders[i].p, answer->feeders[i].curve, PREDICT_CURVE_POINTS, 1};
    lost = lost || write_script(&marked, panels, answer->feeder_count, figure, script, data) != ERR_OK ||
           ferror(script) != 0 || ferror(data) != 0;
    lost = (script != NULL && fclose(script) != 0) || lost;
    lost = (data != NULL && fclose(data) != 0) || lost;
    free(panels);
    return lost ? err_set(e, ERR_MEMORY, "out of memory for the figure") : ERR_OK;
}

static size_t panels_wanted(const struct session *session)
{
    size_t count = 0;
    for (size_t i = 0; i < session->prediction_count; i++)
        count += session->predictions[i].measured_count > 0;
    return count;
}

bool figure_prediction_wanted(const struct session *session)
{
    return prediction_any_measured(session);
}

/* A little past the fastest push of all, at that many speeds. Feeders of one motor and drive share a curve.
 */
static enum err_code work_out(const struct session *session, struct panel *panels, size_t n, double top_mm_s,
                              struct predict_force *curve)
{
    struct panel *panel = &panels[n];
    const struct prediction *p = panel->p;
    enum err_code code = ERR_OK;
    for (size_t k = 0; k < n; k++) {
        if (panels[k].p->motor == p->motor && memcmp(&panels[k].p->drive, &p->drive, sizeof p->drive) == 0) {
            panel->curve = panels[k].curve;
            return ERR_OK;
        }
    }
    for (size_t i = 0; i < panel->curve_count && code == ERR_OK; i++)
        code = predict_at(&session->motors[p->motor].motor, &p->drive,
                          top_mm_s * (double)i / (double)(panel->curve_count - 1), &curve[i], NULL);
    panel->curve = curve;
    return code;
}

enum err_code figure_prediction(const struct session *session, struct figure *figure, FILE *script,
                                FILE *data)
{
    size_t feeders = panels_wanted(session), count = feeders < PANELS_MAX ? feeders : PANELS_MAX, n = 0;
    /* With these no picture has more than 1000 places on its curves; 1, 2 and 4 keep the last of a fitted
     * one. Each place of a predicted curve is a Monte Carlo of its own. */
    size_t stride = count <= 4 ? 1 : count <= 8 ? 2 : 4, points = count <= 8 ? 41 : 31;
    struct panel *panels = calloc(count + 1, sizeof *panels);
    struct predict_force *curves = calloc(count * points + 1, sizeof *curves);
    enum err_code code = panels != NULL && curves != NULL ? ERR_OK : ERR_MEMORY;
    double top_mm_s = 0;
    size_t length;
    put_title(figure);
    for (size_t i = 0; i < session->prediction_count; i++) {
        const struct prediction *p = &session->predictions[i];
        if (p->measured_count > 0)
            top_mm_s = fmax(top_mm_s, p->measured[p->measured_count - 1].speed_mm_s);
    }
    for (size_t i = 0; i < session->prediction_count && n < count && code == ERR_OK; i++) {
        if (session->predictions[i].measured_count == 0)
            continue;
        panels[n] = (struct panel){&session->predictions[i], NULL, points, stride};
        code = work_out(session, panels, n, 1.05 * top_mm_s, &curves[n * points]);
        n++;
    }
    if (code == ERR_OK)
        code = write_script(session, panels, n, figure, script, data);
    length = strlen(figure->description);
    if (count < feeders)
        snprintf(figure->description + length, sizeof figure->description - length,
                 " The first %zu of %zu feeders are drawn.", count, feeders);
    free(panels);
    free(curves);
    return code;
}
