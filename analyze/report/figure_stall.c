/* Stall force, or slip onset, of every run as a dot beside the mean with its interval, by feeder and speed.
 */
#include "analyze/bench_test.h"
#include "analyze/report/figure.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WIDTH           960
#define PLOT_HEIGHT     436
#define KEY_LINE_HEIGHT 20
#define SPEED_SHARE     0.8 /* of the room between two speeds, used by the feeders side by side */
#define SPEEDS_MAX      128
/* Marks of runs in the whole picture, which keep it under 300 KB beside the means; a lower bound with its
 * arrow counts as two. */
#define MARKS_MAX 700

/* Speeds of all feeders in rising order. */
struct speeds {
    double mm_s[SPEEDS_MAX];
    size_t count;
};

static void add_speed(struct speeds *speeds, double mm_s)
{
    size_t i = 0;
    while (i < speeds->count && speeds->mm_s[i] < mm_s * (1 - 1e-6))
        i++;
    if ((i < speeds->count && speeds->mm_s[i] <= mm_s * (1 + 1e-6)) || speeds->count == SPEEDS_MAX)
        return;
    memmove(&speeds->mm_s[i + 1], &speeds->mm_s[i], (speeds->count - i) * sizeof speeds->mm_s[0]);
    speeds->mm_s[i] = mm_s;
    speeds->count++;
}

static const struct quantity *of_point(const struct speed_point *point, bool onset)
{
    return onset ? &point->slip_onset_n : &point->stall_force_n;
}

static struct speeds all_speeds(const struct session *session, bool onset)
{
    struct speeds speeds = {.count = 0};
    for (size_t i = 0; i < session->feeder_count; i++) {
        for (size_t j = 0; j < session->feeders[i].point_count; j++) {
            if (of_point(&session->feeders[i].points[j], onset)->present)
                add_speed(&speeds, session->feeders[i].points[j].speed_mm_s);
        }
    }
    return speeds;
}

bool figure_stall_wanted(const struct session *session, bool onset)
{
    return all_speeds(session, onset).count > 0;
}

/* Place on the axis: speeds at 1, 2, 3 ..., feeders side by side around them; runs left of the mean. */
static double place(const struct session *session, const struct speeds *speeds, double mm_s, size_t feeder,
                    double side)
{
    double slot = SPEED_SHARE / (double)session->feeder_count;
    size_t i = 0;
    while (i + 1 < speeds->count && speeds->mm_s[i] < mm_s * (1 - 1e-6))
        i++;
    return (double)i + 1 - SPEED_SHARE / 2 + slot * ((double)feeder + 0.5 + 0.18 * side);
}

/* Runs of neighbouring blocks a little apart, so that dots of one height do not hide each other. */
static double spread(int block)
{
    return -1 + 0.3 * (block % 5 - 2);
}

static void row(FILE *data, const struct session *session, size_t feeder, const char *kind, double at,
                double mm_s, const struct quantity *q)
{
    bool bound = q->at_least;
    fprintf(data, "%s,%zu,", kind, feeder + 1);
    text_csv_plain(data, session->feeders[feeder].name);
    fputc(',', data);
    text_csv_number(data, mm_s);
    fputc(',', data);
    text_csv_number(data, at);
    fputc(',', data);
    text_csv_number(data, q->value);
    fputc(',', data);
    text_csv_number(data, bound ? NAN : q->low_95);
    fputc(',', data);
    text_csv_number(data, bound ? NAN : q->high_95);
    fputc('\n', data);
}

struct extent {
    double low, high;
};

static void widen(struct extent *extent, const struct quantity *q)
{
    double low = q->at_least || !isfinite(q->low_95) ? q->value : q->low_95;
    double high = q->at_least || !isfinite(q->high_95) ? q->value : q->high_95;
    extent->low = fmin(extent->low, low);
    extent->high = fmax(extent->high, high);
}

struct valued {
    double value;
    size_t run;
};

static int by_value(const void *a, const void *b)
{
    const struct valued *p = a, *q = b;
    if (p->value != q->value)
        return p->value < q->value ? -1 : 1;
    return p->run < q->run ? -1 : p->run > q->run;
}

static const struct quantity *of_run(const struct session *session, size_t i, bool onset)
{
    const struct run_result *run = &session->runs[i];
    const struct quantity *q = onset ? &run->push.slip_onset_n : &run->push.stall_force_n;
    /* Pushes of tests that set conditions anew, or wear the gear, have charts of their own. */
    return run->analysed && q->present && bench_test_is_plain_push(run->record->test) ? q : NULL;
}

/* Of very many runs of one feeder at one speed so many marks stay, evenly by rank: the least and the greatest
 * are among them. */
static void thin_group(struct valued *group, size_t n, size_t most, bool *drawn)
{
    qsort(group, n, sizeof *group, by_value);
    for (size_t rank = 0; rank < n; rank++)
        drawn[group[rank].run] =
            n <= most || rank == 0 || rank * (most - 1) / (n - 1) != (rank - 1) * (most - 1) / (n - 1);
}

/* Which runs have a mark. Returns how many do; runs: of how many. */
static size_t choose_marks(const struct session *session, const struct speeds *speeds, bool onset,
                           bool *drawn, struct valued *room, size_t *runs)
{
    size_t cost = 0, groups = 0, count = 0;
    *runs = 0;
    for (size_t i = 0; i < session->run_count; i++) {
        const struct quantity *q = of_run(session, i, onset);
        drawn[i] = q != NULL;
        *runs += drawn[i];
        cost += q == NULL ? 0 : q->at_least ? 2 : 1;
    }
    for (size_t f = 0; f < session->feeder_count; f++)
        groups += session->feeders[f].point_count;
    for (size_t at = 0; cost > MARKS_MAX && at < session->feeder_count * speeds->count * 2; at++) {
        size_t feeder = at / 2 / speeds->count, n = 0, most = MARKS_MAX / 2 / (groups > 0 ? groups : 1);
        double mm_s = speeds->mm_s[at / 2 % speeds->count];
        for (size_t i = 0; i < session->run_count; i++) {
            const struct quantity *q = of_run(session, i, onset);
            if (q != NULL && session->runs[i].feeder == feeder && q->at_least == (at % 2 == 1) &&
                fabs(session->runs[i].record->speed_mm_s - mm_s) <= 1e-6 * mm_s)
                room[n++] = (struct valued){q->value, i};
        }
        thin_group(room, n, most > 2 ? most : 2, drawn);
    }
    for (size_t i = 0; i < session->run_count; i++)
        count += drawn[i];
    return count;
}

/* What one feeder has to show; a layer without rows would make gnuplot complain. */
struct layers {
    bool run, run_bound, mean, mean_bound;
};

static struct layers feeder_rows(FILE *data, const struct session *session, const struct speeds *speeds,
                                 size_t feeder, bool onset, const bool *drawn, struct extent *extent)
{
    const struct feeder_result *f = &session->feeders[feeder];
    struct layers has = {false, false, false, false};
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_result *run = &session->runs[i];
        const struct quantity *q = of_run(session, i, onset);
        if (q == NULL || run->feeder != feeder || !drawn[i])
            continue;
        struct extent value = {q->value, q->value};
        row(data, session, feeder, q->at_least ? "run_bound" : "run",
            place(session, speeds, run->record->speed_mm_s, feeder, spread(run->record->block)),
            run->record->speed_mm_s, q);
        extent->low = fmin(extent->low, value.low);
        extent->high = fmax(extent->high, value.high);
        *(q->at_least ? &has.run_bound : &has.run) = true;
    }
    for (size_t j = 0; j < f->point_count; j++) {
        const struct speed_point *point = &f->points[j];
        const struct quantity *q = of_point(point, onset);
        if (!q->present)
            continue;
        row(data, session, feeder, q->at_least ? "mean_bound" : "mean",
            place(session, speeds, point->speed_mm_s, feeder, 1), point->speed_mm_s, q);
        widen(extent, q);
        *(q->at_least ? &has.mean_bound : &has.mean) = true;
    }
    return has;
}

static void feeder_layers(FILE *script, const char *name, size_t feeder, struct layers has, bool *first)
{
    const char *colour = figure_colour(feeder);
    struct {
        bool wanted;
        const char *kind, *title, *columns, *style;
        double size;
        bool filled;
    } layers[] = {{has.run, "run", "run", "6", "points", 0.45, true},
                  {has.run_bound, "run_bound", "run, at least", "6", "points", 0.45, false},
                  {has.mean, "mean", "mean of runs", "6:7:8", "yerrorbars", 0.9, true},
                  {has.mean_bound, "mean_bound", "mean of runs, at least", "6", "points", 0.9, false}};
    for (size_t i = 0; i < sizeof layers / sizeof layers[0]; i++) {
        if (!layers[i].wanted)
            continue;
        fprintf(script,
                "%s'%s.csv' using (pick('%s', %zu, $5)):%s title '%s' with %s pointtype %d pointsize %.2f "
                "linewidth 1.5 "
                "linecolor rgb '%s'",
                *first ? "plot " : ", \\\n     ", name, layers[i].kind, feeder + 1, layers[i].columns,
                layers[i].title, layers[i].style, figure_point_type(feeder, layers[i].filled), layers[i].size,
                colour);
        *first = false;
        /* A lower bound carries an arrow that points to where the true value lies. */
        if (!layers[i].filled)
            fprintf(script,
                    ", \\\n     '' using (pick('%s', %zu, $5)):6:(0):(arrow) title 'at least' with vectors "
                    "head size screen "
                    "0.006,25 filled linewidth 1.2 linecolor rgb '%s'",
                    layers[i].kind, feeder + 1, colour);
    }
}

static void speed_tics(FILE *script, const struct speeds *speeds)
{
    char number[64];
    fputs("set xtics (", script);
    for (size_t i = 0; i < speeds->count; i++)
        fprintf(script, "%s'%s' %zu", i > 0 ? ", " : "",
                text_number(speeds->mm_s[i], 4, number, sizeof number), i + 1);
    fputs(")\n", script);
}

/* Lines that gnuplot breaks the key into: it gives every entry the room of the longest. */
static size_t key_lines(const struct session *session, size_t feeders)
{
    size_t longest = 0, in_line;
    for (size_t i = 0; i < feeders; i++)
        longest = strlen(session->feeders[i].name) > longest ? strlen(session->feeders[i].name) : longest;
    in_line = (size_t)(0.9 * WIDTH) / (8 * longest + 50);
    return in_line > 0 ? (feeders + in_line - 1) / in_line : feeders;
}

enum err_code figure_stall(const struct session *session, struct figure *figure, FILE *script, FILE *data)
{
    bool onset = figure->kind == FIGURE_ONSET;
    struct speeds speeds = all_speeds(session, onset);
    struct layers has[PLAN_FEEDERS_MAX * 8] = {{false, false, false, false}};
    size_t feeders = session->feeder_count < sizeof has / sizeof has[0] ? session->feeder_count
                                                                        : sizeof has / sizeof has[0];
    struct extent extent = {INFINITY, -INFINITY};
    double axis_low, axis_high, top;
    int key_height = KEY_LINE_HEIGHT * (1 + (int)key_lines(session, feeders)),
        height = PLOT_HEIGHT + key_height;
    bool first = true, bounds = false;
    bool *drawn = malloc(session->run_count + 1);
    struct valued *room = malloc((session->run_count + 1) * sizeof *room);
    size_t runs = 0, marks = 0, length;
    if (drawn != NULL && room != NULL)
        marks = choose_marks(session, &speeds, onset, drawn, room, &runs);
    free(room);
    if (drawn == NULL || room == NULL) {
        free(drawn);
        return ERR_MEMORY;
    }
    top = (double)key_height / height;
    snprintf(figure->title, sizeof figure->title, "%s of every run, beside the mean of its feeder and speed",
             onset ? "Slip onset" : "Stall force");
    snprintf(figure->description, sizeof figure->description,
             "Small marks: runs. Large marks with bars: mean over runs with its 95 %% interval. Open marks "
             "with an arrow: "
             "lower bounds, from runs that met a limit before they stalled.%s",
             onset ? " Runs in which no onset was found have no mark." : "");
    length = strlen(figure->description);
    if (marks < runs)
        snprintf(figure->description + length, sizeof figure->description - length,
                 " %zu of %zu runs have a mark; at each speed the least and the greatest are among them.",
                 marks, runs);
    fprintf(data, "kind,feeder_index,feeder,speed_mm_s,place,%s,low_95_n,high_95_n\n",
            onset ? "slip_onset_n" : "stall_force_n");
    for (size_t i = 0; i < feeders; i++) {
        has[i] = feeder_rows(data, session, &speeds, i, onset, drawn, &extent);
        bounds |= has[i].run_bound || has[i].mean_bound;
    }
    free(drawn);
    /* Room for the arrows of lower bounds. */
    if (bounds)
        extent.high += 0.08 * (extent.high - extent.low);
    figure_range(extent.low, extent.high, extent.low < 0.4 * extent.high, &axis_low, &axis_high);
    figure_begin(script, session, figure, WIDTH, height);
    fprintf(script,
            "arrow = %.6g\n"
            "pick(kind, feeder, x) = (strcol(1) eq kind && int(column(2)) == feeder) ? x : NaN\n"
            "set multiplot\nset lmargin at screen 0.085\nset rmargin at screen 0.985\n"
            "set tmargin at screen %.4f\nset bmargin at screen %.4f\n"
            "set xrange [0.5:%.1f]\nset yrange [%.6g:%.6g]\nset grid noxtics\n"
            "set xlabel 'commanded feed speed (mm/s)'\nset ylabel '%s (N)'\n",
            0.055 * (axis_high - axis_low), 1 - 40.0 / height, top + 48.0 / height,
            (double)speeds.count + 0.5, axis_low, axis_high, onset ? "slip onset" : "stall force");
    speed_tics(script, &speeds);
    for (size_t i = 0; i < feeders; i++)
        feeder_layers(script, figure->name, i, has[i], &first);
    fputc('\n', script);
    figure_key_strip(script, top);
    for (size_t i = 0; i < feeders; i++) {
        char style[120];
        if (!has[i].run && !has[i].run_bound && !has[i].mean && !has[i].mean_bound)
            continue;
        snprintf(style, sizeof style, "points pointtype %d pointsize 0.9 linecolor rgb '%s'",
                 figure_point_type(i, true), figure_colour(i));
        figure_key(script, style, session->feeders[i].name);
    }
    fputs("\nunset multiplot\n", script);
    return ERR_OK;
}
