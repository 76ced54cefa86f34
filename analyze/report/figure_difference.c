/* Differences between feeders with their intervals: one line for each comparison that could be made. */
#include "analyze/report/figure.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

#define WIDTH       960
#define ROWS_MAX    48 /* more than these do not fit one picture; the table holds all */
#define ROW_HEIGHT  26
#define HEAD_HEIGHT 48
#define FOOT_HEIGHT 86

static bool drawable(const struct comparison *c)
{
    const struct quantity *d = &c->difference;
    return c->test[0] == 0 && c->verdict != VERDICT_NOT_COMPARABLE && d->present && !d->at_least &&
           isfinite(d->low_95) && isfinite(d->high_95);
}

bool figure_difference_wanted(const struct session *session)
{
    for (size_t i = 0; i < session->comparison_count; i++) {
        if (drawable(&session->comparisons[i]))
            return true;
    }
    return false;
}

static bool at_reference(const struct session *session, const struct comparison *c)
{
    return fabs(c->speed_mm_s - session->reference_speed_mm_s) <= 1e-6 * fabs(session->reference_speed_mm_s);
}

/* Indices of the comparisons to draw: those at the reference speed first, then the others, each in the
 * session's order. */
static size_t choose(const struct session *session, size_t *rows, size_t *drawable_count)
{
    size_t count = 0;
    *drawable_count = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < session->comparison_count; i++) {
            const struct comparison *c = &session->comparisons[i];
            if (!drawable(c) || at_reference(session, c) != (pass == 0))
                continue;
            ++*drawable_count;
            if (count < ROWS_MAX)
                rows[count++] = i;
        }
    }
    return count;
}

static const char *kind(const struct comparison *c)
{
    return c->verdict == VERDICT_A_HIGHER || c->verdict == VERDICT_B_HIGHER ? "shown" : "not_shown";
}

static void label(const struct session *session, const struct comparison *c, char *buffer, size_t size)
{
    char speed[64];
    snprintf(buffer, size, "%s - %s, %s, %s", session->feeders[c->a].name, session->feeders[c->b].name,
             strcmp(c->quantity, "slip_onset_n") == 0 ? "slip onset" : "stall force",
             text_measure(c->speed_mm_s, "mm/s", speed, sizeof speed));
}

static void row(FILE *data, const struct session *session, const struct comparison *c, size_t at)
{
    fprintf(data, "%zu,%s,%s,", at, kind(c),
            strcmp(c->quantity, "slip_onset_n") == 0 ? "slip_onset_n" : "stall_force_n");
    text_csv_plain(data, session->feeders[c->a].name);
    fputc(',', data);
    text_csv_plain(data, session->feeders[c->b].name);
    fputc(',', data);
    text_csv_number(data, c->speed_mm_s);
    fputc(',', data);
    text_csv_number(data, c->difference.value);
    fputc(',', data);
    text_csv_number(data, c->difference.low_95);
    fputc(',', data);
    text_csv_number(data, c->difference.high_95);
    fputc('\n', data);
}

enum err_code figure_difference(const struct session *session, struct figure *figure, FILE *script,
                                FILE *data)
{
    size_t rows[ROWS_MAX], all, longest = 0, count = choose(session, rows, &all);
    int height = HEAD_HEIGHT + (int)count * ROW_HEIGHT + FOOT_HEIGHT;
    double low = 0, high = 0, axis_low, axis_high, left;
    bool shown = false, not_shown = false;
    char text[256], some[80] = "";
    if (count < all)
        snprintf(some, sizeof some, " The first %zu of %zu comparisons are drawn.", count, all);
    snprintf(figure->title, sizeof figure->title, "Differences between feeders");
    snprintf(figure->description, sizeof figure->description,
             "Each mark is the first feeder's value minus the second's, with its 95 %% interval. Filled "
             "marks: a difference is "
             "shown. Open marks: no difference shown. Pairs that are not comparable have no mark.%s",
             some);
    fputs("row,kind,quantity,feeder_a,feeder_b,speed_mm_s,difference_n,low_95_n,high_95_n\n", data);
    for (size_t i = 0; i < count; i++) {
        const struct comparison *c = &session->comparisons[rows[i]];
        bool is_shown = strcmp(kind(c), "shown") == 0;
        row(data, session, c, i + 1);
        label(session, c, text, sizeof text);
        longest = strlen(text) > longest ? strlen(text) : longest;
        low = fmin(low, c->difference.low_95);
        high = fmax(high, c->difference.high_95);
        shown |= is_shown;
        not_shown |= !is_shown;
    }
    figure_range(low, high, false, &axis_low, &axis_high);
    /* gnuplot only guesses how wide text is: 7 pixels a character with some to spare. */
    left = fmin(0.62, (24 + 7 * (double)longest) / WIDTH);
    figure_begin(script, session, figure, WIDTH, height);
    fprintf(
        script,
        "pick(kind, x) = strcol(2) eq kind ? x : NaN\n"
        "set multiplot\nset lmargin at screen %.4f\nset rmargin at screen 0.985\nset tmargin at screen %.4f\n"
        "set bmargin at screen %.4f\nset xrange [%.6g:%.6g]\nset yrange [%zu.5:0.5]\nset grid noytics\n"
        "set xlabel 'difference (N)'\n"
        "set arrow 1 from first 0, graph 0 to first 0, graph 1 nohead linecolor rgb '#444444' linewidth 1.2\n"
        "set ytics (",
        left, 1 - (double)HEAD_HEIGHT / height, (double)FOOT_HEIGHT / height, axis_low, axis_high, count);
    for (size_t i = 0; i < count; i++) {
        label(session, &session->comparisons[rows[i]], text, sizeof text);
        fputs(i > 0 ? ", \\\n    " : "", script);
        text_gnuplot(script, text);
        fprintf(script, " %zu", i + 1);
    }
    fputs(")\nplot ", script);
    if (shown)
        fprintf(script,
                "'%s.csv' using (pick('shown', $7)):1:8:9 title 'difference shown' with xerrorbars pointtype "
                "7 pointsize 0.8 "
                "linewidth 1.8 "
                "linecolor rgb '#0072B2'%s",
                figure->name, not_shown ? ", \\\n     " : "");
    if (not_shown)
        fprintf(script,
                "'%s.csv' using (pick('not_shown', $7)):1:8:9 title 'no difference shown' with xerrorbars "
                "pointtype 6 pointsize 0.8 "
                "linewidth "
                "1.5 linecolor rgb '#666666'",
                figure->name);
    fputc('\n', script);
    figure_key_strip(script, 30.0 / height);
    if (shown)
        figure_key(script, "points pointtype 7 pointsize 0.8 linecolor rgb '#0072B2'", "difference shown");
    if (not_shown)
        figure_key(script, "points pointtype 6 pointsize 0.8 linecolor rgb '#666666'", "no difference shown");
    fputs("\nunset multiplot\n", script);
    return ERR_OK;
}
