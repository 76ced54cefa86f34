/* Push force against commanded feed: one panel for each run of a feeder at the reference speed. */
#include "analyze/picture_share.h"
#include "analyze/report/figure.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

#define PANELS_MAX        PICTURE_SHARE_PANELS_MAX
#define PANEL_COLUMNS_MAX 5
#define EVENTS_MAX        200 /* of all panels together */
#define GRID_PANELS_MAX   8
#define WIDTH             960
#define PANEL_HEIGHT      240
#define HEAD_HEIGHT       40
#define FOOT_HEIGHT       88

static bool wanted_run(const struct session *session, size_t feeder, const struct run_result *run)
{
    return run->analysed && run->feeder == feeder && picture_share_wanted(session, run);
}

static bool drawn_run(const struct session *session, size_t feeder, const struct run_result *run)
{
    return wanted_run(session, feeder, run) && run->push.picture != NULL && run->push.picture->n > 1;
}

typedef bool run_test(const struct session *session, size_t feeder, const struct run_result *run);

static size_t count_runs(const struct session *session, size_t feeder, run_test *is)
{
    size_t count = 0;
    for (size_t i = 0; i < session->run_count; i++)
        count += is(session, feeder, &session->runs[i]);
    return count;
}

bool figure_push_wanted(const struct session *session, size_t feeder)
{
    return count_runs(session, feeder, drawn_run) > 0;
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

static size_t trace_rows(FILE *data, size_t panel, const struct run_result *run)
{
    const struct run_picture *p = run->push.picture;
    for (size_t i = 0; i < p->n; i++)
        row(data, panel, run, "trace", p->feed_mm[i], p->force_low_n[i], p->force_high_n[i]);
    return p->n;
}

/* Rows of the CSV, counted from 0 without its head: from the first on, and none where there are none. gnuplot
 * finds rows by their number many times faster than by what stands in them. */
struct rows {
    size_t first, count;
};

struct panel {
    struct rows trace, drops, onset, stall;
    bool bound; /* stall holds a lower bound */
};

static struct panel panel_rows(FILE *data, size_t panel, const struct run_result *run, size_t event_stride,
                               size_t *next)
{
    const struct run_push *push = &run->push;
    const struct run_picture *picture = push->picture;
    const struct quantity *stall = &push->stall_force_n, *onset = &push->slip_onset_n;
    struct panel has = {0};
    has.trace = (struct rows){*next, trace_rows(data, panel, run)};
    *next += has.trace.count;
    has.drops.first = *next;
    for (size_t i = 0; i < picture->event_count; i += event_stride, has.drops.count++)
        row(data, panel, run, "drop", picture->events[i].feed_mm, picture->events[i].trough_n,
            picture->events[i].peak_n);
    *next += has.drops.count;
    if (onset->present && !onset->at_least) {
        row(data, panel, run, "onset", picture->feed_onset_mm, onset->low_95, onset->high_95);
        has.onset = (struct rows){(*next)++, 1};
    }
    if (stall->present) {
        bool bound = stall->at_least;
        double low = bound ? stall->value : stall->low_95, high = bound ? stall->value : stall->high_95;
        row(data, panel, run, "stall", picture->feed_mm[0], low, high);
        row(data, panel, run, "stall", picture->feed_end_mm, low, high);
        has.stall = (struct rows){*next, 2};
        *next += 2;
        has.bound = bound;
    }
    return has;
}

/* Those rows of the figure's own file; the first one of a plot names it. */
static void put_rows(FILE *script, const char *name, struct rows rows)
{
    if (name != NULL)
        fprintf(script, "plot '%s.csv'", name);
    else
        fputs(", \\\n     ''", script);
    fprintf(script, " every ::%zu::%zu using ", rows.first, rows.first + rows.count - 1);
}

/* One plot command of several layers, each a stretch of rows. */
static void panel_plot(FILE *script, const char *name, struct panel has)
{
    put_rows(script, name, has.trace);
    fputs("4:5:6 title 'least to greatest reading' with filledcurves linecolor rgb '#56B4E9' fillstyle solid "
          "0.6 noborder",
          script);
    put_rows(script, NULL, has.trace);
    fputs("4:(($5 + $6) / 2) title 'force' with lines linecolor rgb '#0072B2' linewidth 1", script);
    if (has.stall.count > 0 && !has.bound) {
        put_rows(script, NULL, has.stall);
        fputs("4:5:6 title 'stall force, 95 % interval' with filledcurves linecolor rgb '#000000' fillstyle "
              "solid 0.15 noborder",
              script);
        put_rows(script, NULL, has.stall);
        fputs("4:(($5 + $6) / 2) title 'stall force' with lines linecolor rgb '#000000' dashtype 2", script);
    }
    if (has.bound) {
        put_rows(script, NULL, has.stall);
        fputs("4:5 title 'at least' with lines linecolor rgb '#CC79A7' linewidth 2 dashtype 3", script);
    }
    if (has.drops.count > 0) {
        put_rows(script, NULL, has.drops);
        fputs("4:6 title 'drops' with points pointtype 11 pointsize 0.45 linecolor rgb '#000000'", script);
    }
    if (has.onset.count > 0) {
        put_rows(script, NULL, has.onset);
        fputs("4:(($5 + $6) / 2):5:6 title 'slip onset' with yerrorbars pointtype 13 pointsize 0.9 linewidth "
              "1.5 linecolor rgb '#D55E00'",
              script);
    }
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
             "One panel for each run. Line: force, with the band from the least to the greatest reading in "
             "each pixel "
             "column. Triangles: drops, drawn at the peak before the drop. Dashed line with band: "
             "stall force of the "
             "run with its 95 %% interval. Dotted line: lower bound, where a limit ended the run before it "
             "stalled. "
             "Diamond: slip onset with its 95 %% interval.%s",
             some);
}

/* Highest and farthest point of all panels, so that they share their axes. */
static void extent(const struct session *session, size_t feeder, double *force_n, double *feed_mm,
                   double *low_n)
{
    size_t panels = 0;
    for (size_t i = 0; i < session->run_count && panels < PANELS_MAX; i++) {
        const struct run_picture *picture = session->runs[i].push.picture;
        if (!drawn_run(session, feeder, &session->runs[i]))
            continue;
        panels++;
        *feed_mm = fmax(*feed_mm, picture->feed_end_mm);
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
        if (!drawn_run(session, feeder, &session->runs[i]))
            continue;
        panels++;
        events += session->runs[i].push.picture->event_count;
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
    size_t runs = count_runs(session, figure->feeder, wanted_run),
           drawn = count_runs(session, figure->feeder, drawn_run),
           panels = drawn < PANELS_MAX ? drawn : PANELS_MAX;
    size_t columns = panels > 0 ? count_columns(panels) : 1, rows = (panels + columns - 1) / columns;
    size_t event_stride = 1 + count_events(session, figure->feeder) / EVENTS_MAX;
    int height = HEAD_HEIGHT + (int)rows * PANEL_HEIGHT + FOOT_HEIGHT;
    double top = 0, low = 0, feed = 0, axis_low, axis_high;
    struct {
        bool onset, drops, stall, bound;
    } any = {false, false, false, false};
    size_t panel = 0, next = 0;
    describe(session, figure, runs, panels);
    extent(session, figure->feeder, &top, &feed, &low);
    figure_range(low, top, true, &axis_low, &axis_high);
    figure_begin(script, session, figure, WIDTH, height);
    fprintf(script,
            "# panel, run: which run a row belongs to; kind: trace (least and greatest force of a pixel "
            "column), drop (force "
            "after\n# and before it), onset and stall (95 %% interval). Rows of one kind and panel stand "
            "together and are\n# named by their numbers, the first row under the head being 0.\n"
            "set datafile columnheaders\n"
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
        if (!drawn_run(session, figure->feeder, run))
            continue;
        has = panel_rows(data, panel + 1, run, event_stride, &next);
        figure_panel_place(script, &grid, panel, "'push force (N)' offset 1,0");
        panel_title(script, run);
        if (panel == 0)
            fprintf(script, "set label 3 'commanded feed (mm)' at screen 0.52, screen %.5f center\n",
                    42.0 / height);
        panel_plot(script, figure->name, has);
        if (panel == 0)
            fputs("unset label 1\nunset label 2\nunset label 3\n", script);
        any.onset |= has.onset.count > 0;
        any.drops |= has.drops.count > 0;
        any.stall |= has.stall.count > 0 && !has.bound;
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
