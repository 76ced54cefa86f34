/* Push force against commanded feed: one panel for each run of a feeder at the reference speed. */
#include "analyze/bench_test.h"
#include "analyze/report/figure.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

#define PANELS_MAX        16 /* more runs than this are in the table only */
#define PANEL_COLUMNS_MAX 5
#define TRACE_POINTS_MAX  2400 /* of all panels together: keeps a picture under 300 KB */
#define EVENTS_MAX        300  /* of all panels together */
#define GRID_PANELS_MAX   8
#define WIDTH             960
#define PANEL_HEIGHT      240
#define HEAD_HEIGHT       40
#define FOOT_HEIGHT       88

static bool same_speed(double a, double b)
{
    return fabs(a - b) <= 1e-6 * fabs(b);
}

static bool wanted_run(const struct session *session, size_t feeder, const struct run_result *run)
{
    return run->analysed && bench_test_is_plain_push(run->record->test) && run->push.picture.n > 1 &&
           run->feeder == feeder && same_speed(run->record->speed_mm_s, session->reference_speed_mm_s);
}

static size_t wanted_runs(const struct session *session, size_t feeder)
{
    size_t count = 0;
    for (size_t i = 0; i < session->run_count; i++)
        count += wanted_run(session, feeder, &session->runs[i]);
    return count;
}

bool figure_push_wanted(const struct session *session, size_t feeder)
{
    return wanted_runs(session, feeder) > 0;
}

static void row(FILE *data, size_t panel, const struct run_result *run, const char *kind, double feed_mm,
                double low_n, double high_n)
{
    fprintf(data, "%zu,%d,%s,", panel, run->record->number, kind);
    text_csv_number(data, feed_mm);
    fputc(',', data);
    text_csv_number(data, low_n);
    fputc(',', data);
    text_csv_number(data, high_n);
    fputc('\n', data);
}

/* Picture columns joined by twos, fours and so on until at most limit are left; each keeps its least and
 * greatest. */
static void trace_rows(FILE *data, size_t panel, const struct run_result *run, size_t limit)
{
    const struct push_picture *picture = &run->push.picture;
    size_t join = (picture->n + limit - 1) / limit;
    for (size_t i = 0; i < picture->n; i += join) {
        double low = picture->force_low_n[i], high = picture->force_high_n[i];
        for (size_t j = i; j < i + join && j < picture->n; j++) {
            low = fmin(low, picture->force_low_n[j]);
            high = fmax(high, picture->force_high_n[j]);
        }
        row(data, panel, run, "trace", picture->feed_mm[i], low, high);
    }
}

/* Where the push first reaches force_n, for the place of a mark. The last column when it never does. */
static double feed_at(const struct push_picture *picture, double force_n)
{
    size_t i = 0;
    while (i + 1 < picture->n && (picture->force_low_n[i] + picture->force_high_n[i]) / 2 < force_n)
        i++;
    return picture->feed_mm[i];
}

struct panel {
    bool onset, drops, stall, bound;
};

static struct panel panel_rows(FILE *data, size_t panel, const struct run_result *run, size_t trace_limit,
                               size_t event_stride)
{
    const struct push_result *push = &run->push;
    const struct push_picture *picture = &push->picture;
    const struct quantity *stall = &push->stall_force_n, *onset = &push->slip_onset_n;
    struct panel has = {false, false, false, false};
    trace_rows(data, panel, run, trace_limit);
    for (size_t i = 0; i < push->event_count; i += event_stride) {
        row(data, panel, run, "drop", push->events[i].feed_mm, push->events[i].trough_n,
            push->events[i].peak_n);
        has.drops = true;
    }
    if (onset->present && !onset->at_least) {
        row(data, panel, run, "onset", feed_at(picture, onset->value), onset->low_95, onset->high_95);
        has.onset = true;
    }
    if (stall->present) {
        bool bound = stall->at_least;
        double low = bound ? stall->value : stall->low_95, high = bound ? stall->value : stall->high_95;
        row(data, panel, run, "stall", picture->feed_mm[0], low, high);
        row(data, panel, run, "stall", picture->feed_mm[picture->n - 1], low, high);
        has.stall = !bound;
        has.bound = bound;
    }
    return has;
}

/* One plot command of several layers, each a selection of the rows of one panel and kind. */
static void panel_plot(FILE *script, const char *name, size_t panel, struct panel has)
{
    fprintf(script, "which = %zu\n", panel);
    fprintf(script,
            "plot '%s.csv' using (pick('trace', $4)):5:6 title 'least to greatest reading' with filledcurves "
            "linecolor rgb '#56B4E9' fillstyle "
            "solid "
            "0.6 noborder, \\\n"
            "     '' using (pick('trace', $4)):(($5 + $6) / 2) title 'force' with lines linecolor rgb "
            "'#0072B2' linewidth 1",
            name);
    if (has.stall)
        fputs(", \\\n     '' using (pick('stall', $4)):5:6 title 'stall force, 95 % interval' with "
              "filledcurves linecolor rgb '#000000' fillstyle "
              "solid 0.15 "
              "noborder, \\\n"
              "     '' using (pick('stall', $4)):(($5 + $6) / 2) title 'stall force' with lines linecolor "
              "rgb '#000000' dashtype 2",
              script);
    if (has.bound)
        fputs(", \\\n     '' using (pick('stall', $4)):5 title 'at least' with lines linecolor rgb '#CC79A7' "
              "linewidth 2 "
              "dashtype 3",
              script);
    if (has.drops)
        fputs(", \\\n     '' using (pick('drop', $4)):6 title 'drops' with points pointtype 11 pointsize "
              "0.45 linecolor "
              "rgb '#000000'",
              script);
    if (has.onset)
        fputs(", \\\n     '' using (pick('onset', $4)):(($5 + $6) / 2):5:6 title 'slip onset' with "
              "yerrorbars pointtype 13 "
              "pointsize 0.9 "
              "linewidth 1.5 linecolor rgb '#D55E00'",
              script);
    fputc('\n', script);
}

static void panel_title(FILE *script, const struct run_result *run)
{
    char title[300], force[TEXT_QUANTITY_SIZE];
    const struct quantity *stall = &run->push.stall_force_n;
    snprintf(title, sizeof title, "run %d%s%s", run->record->number, stall->present ? ": " : "",
             stall->present ? text_quantity(stall, "N", force, sizeof force) : "");
    fputs("set title ", script);
    text_gnuplot(script, title);
    fputs(" font 'sans-serif,11' offset 0,-0.5\n", script);
}

static void describe(const struct session *session, struct figure *figure, size_t runs, size_t panels)
{
    char speed[64], some[80] = "";
    text_measure(session->reference_speed_mm_s, "mm/s", speed, sizeof speed);
    if (panels < runs)
        snprintf(some, sizeof some, " The first %zu of %zu runs are drawn.", panels, runs);
    snprintf(figure->title, sizeof figure->title, "%s: push force against commanded feed at %s",
             session->feeders[figure->feeder].name, speed);
    snprintf(figure->description, sizeof figure->description,
             "One panel for each run. Blue: force, with the band from the least to the greatest reading in "
             "each pixel "
             "column. Black triangles: drops, drawn at the peak before the drop. Dashed line with band: "
             "stall force of the "
             "run with its 95 %% interval. Dotted line: lower bound, where a limit ended the run before it "
             "stalled. Orange "
             "diamond: slip onset with its 95 %% interval.%s",
             some);
}

/* Highest and farthest point of all panels, so that they share their axes. */
static void extent(const struct session *session, size_t feeder, double *force_n, double *feed_mm,
                   double *low_n)
{
    size_t panels = 0;
    for (size_t i = 0; i < session->run_count && panels < PANELS_MAX; i++) {
        const struct push_picture *picture = &session->runs[i].push.picture;
        if (!wanted_run(session, feeder, &session->runs[i]))
            continue;
        panels++;
        *feed_mm = fmax(*feed_mm, picture->feed_mm[picture->n - 1]);
        for (size_t j = 0; j < picture->n; j++) {
            *force_n = fmax(*force_n, picture->force_high_n[j]);
            *low_n = fmin(*low_n, picture->force_low_n[j]);
        }
    }
}

static size_t count_events(const struct session *session, size_t feeder)
{
    size_t events = 0, panels = 0;
    for (size_t i = 0; i < session->run_count && panels < PANELS_MAX; i++) {
        if (!wanted_run(session, feeder, &session->runs[i]))
            continue;
        panels++;
        events += session->runs[i].push.event_count;
    }
    return events;
}

/* As many columns as leave the fewest places empty. */
static size_t count_columns(size_t panels)
{
    size_t best = PANEL_COLUMNS_MAX;
    if (panels <= PANEL_COLUMNS_MAX)
        return panels;
    for (size_t columns = PANEL_COLUMNS_MAX - 1; columns >= 3; columns--) {
        if ((columns - panels % columns) % columns < (best - panels % best) % best)
            best = columns;
    }
    return best;
}

enum err_code figure_push(const struct session *session, struct figure *figure, FILE *script, FILE *data)
{
    size_t runs = wanted_runs(session, figure->feeder), panels = runs < PANELS_MAX ? runs : PANELS_MAX;
    size_t columns = panels > 0 ? count_columns(panels) : 1, rows = (panels + columns - 1) / columns;
    size_t trace_limit = TRACE_POINTS_MAX / (panels > 0 ? panels : 1),
           event_stride = 1 + count_events(session, figure->feeder) / EVENTS_MAX;
    int height = HEAD_HEIGHT + (int)rows * PANEL_HEIGHT + FOOT_HEIGHT;
    double top = 0, low = 0, feed = 0, axis_low, axis_high;
    struct panel any = {false, false, false, false};
    size_t panel = 0;
    describe(session, figure, runs, panels);
    extent(session, figure->feeder, &top, &feed, &low);
    figure_range(low, top, true, &axis_low, &axis_high);
    figure_begin(script, session, figure, WIDTH, height);
    fprintf(script,
            "# panel, run: which run a row belongs to; kind: trace (least and greatest force of a pixel "
            "column), drop (force "
            "after\n# and before it), onset and stall (95 %% interval). Rows of one kind and panel are "
            "picked by this:\n"
            "pick(kind, feed) = (int(column(1)) == which && strcol(3) eq kind) ? feed : NaN\n"
            "set multiplot\nset xrange [0:%.6g]\nset yrange [%.6g:%.6g]\n",
            feed > 0 ? feed : 1, axis_low, axis_high);
    /* Every grid line changes the pen, which costs more bytes than the curves once there are many panels. */
    if (panels > GRID_PANELS_MAX)
        fputs("unset grid\n", script);
    fputs("panel,run,kind,feed_mm,force_low_n,force_high_n\n", data);
    const struct figure_panels grid = {.columns = columns,
                                       .rows = rows,
                                       .left = 0.072,
                                       .gap_x = 0.04,
                                       .gap_y = 60.0 / height,
                                       .top = 1 - (HEAD_HEIGHT + 20.0) / height,
                                       .bottom = (FOOT_HEIGHT + 2.0) / height};
    for (size_t i = 0; i < session->run_count && panel < panels; i++) {
        const struct run_result *run = &session->runs[i];
        struct panel has;
        if (!wanted_run(session, figure->feeder, run))
            continue;
        has = panel_rows(data, panel + 1, run, trace_limit, event_stride);
        figure_panel_place(script, &grid, panel, "'push force (N)' offset 1,0");
        panel_title(script, run);
        if (panel == 0)
            fprintf(script, "set label 3 'commanded feed (mm)' at screen 0.52, screen %.5f center\n",
                    42.0 / height);
        panel_plot(script, figure->name, panel + 1, has);
        if (panel == 0)
            fputs("unset label 1\nunset label 2\nunset label 3\n", script);
        any.onset |= has.onset;
        any.drops |= has.drops;
        any.stall |= has.stall;
        any.bound |= has.bound;
        panel++;
    }
    figure_key_strip(script, 26.0 / height);
    figure_key(script, "lines linecolor rgb '#0072B2' linewidth 2", "force");
    if (any.stall)
        figure_key(script, "lines linecolor rgb '#000000' dashtype 2", "stall force");
    if (any.bound)
        figure_key(script, "lines linecolor rgb '#CC79A7' linewidth 2 dashtype 3", "at least");
    if (any.drops)
        figure_key(script, "points pointtype 11 pointsize 0.6 linecolor rgb '#000000'", "drop");
    if (any.onset)
        figure_key(script, "points pointtype 13 pointsize 0.9 linecolor rgb '#D55E00'", "slip onset");
    fputs("\nunset multiplot\n", script);
    return ERR_OK;
}
