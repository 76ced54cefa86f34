/* Differences between feeders with their intervals: one line for each comparison that could be made. */
#include "analyze/report/answer_family.h"
#include "analyze/report/figure.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

#define WIDTH       960
#define ROWS_MAX    48 /* more than these do not fit one picture; the table holds all */
#define ROW_HEIGHT  26
#define HEAD_HEIGHT 48
#define FOOT_HEIGHT 108 /* with a key of up to two lines */

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

/* Kinds of rows, as the data name them; each has its mark. */
enum kind { SHOWN, NOT_SHOWN, EQUIVALENT, KINDS };
static const struct {
    const char *name, *text, *colour;
    int point_type;
} KIND[KINDS] = {{"shown", "difference shown", "#0072B2", 7},
                 {"not_shown", "no difference shown", "#666666", 6},
                 {"equivalent", "equivalent", "#009E73", 13}};

static enum kind kind_of(const struct comparison *c)
{
    if (c->verdict == VERDICT_EQUIVALENT)
        return EQUIVALENT;
    return c->verdict == VERDICT_NO_DIFFERENCE_SHOWN ? NOT_SHOWN : SHOWN;
}

static void label(const struct session *session, const struct comparison *c, char *buffer, size_t size)
{
    char speed[64];
    snprintf(buffer, size, "%s - %s, %s, %s%s", session->feeders[c->a].name, session->feeders[c->b].name,
             strcmp(c->quantity, "slip_onset_n") == 0 ? "slip onset" : "stall force",
             text_measure(c->speed_mm_s, "mm/s", speed, sizeof speed),
             c->accepted.count > 0 ? " (accepted)" : "");
}

/* The interval that holds together with those of all pairs of the family; of two feeders it is their own. */
static void interval(const struct session *session, const struct comparison *c, double *low, double *high)
{
    struct quantity together = answer_simultaneous(session, c);
    *low = together.present ? together.low_95 : c->difference.low_95;
    *high = together.present ? together.high_95 : c->difference.high_95;
}

static void row(FILE *data, const struct session *session, const struct comparison *c, size_t at)
{
    double low, high;
    interval(session, c, &low, &high);
    fprintf(data, "%zu,%s,%s,", at, KIND[kind_of(c)].name,
            strcmp(c->quantity, "slip_onset_n") == 0 ? "slip_onset_n" : "stall_force_n");
    text_csv_plain(data, session->feeders[c->a].name);
    fputc(',', data);
    text_csv_plain(data, session->feeders[c->b].name);
    const double numbers[] = {c->speed_mm_s,
                              c->difference.value,
                              c->difference.low_95,
                              c->difference.high_95,
                              low,
                              high,
                              c->matters > 0 ? c->matters : NAN};
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        fputc(',', data);
        text_csv_number(data, numbers[i]);
    }
    fputc('\n', data);
}

/* What the rows rest on that had to be accepted, each once, as far as the description has room. */
static void describe_accepted(const struct session *session, const size_t *rows, size_t count, char *buffer,
                              size_t size)
{
    char text[ANSWER_ACCEPTED_SIZE];
    size_t used = strlen(buffer);
    for (size_t i = 0; i < count; i++) {
        answer_accepted(&session->comparisons[rows[i]], text, sizeof text);
        if (text[0] != 0 && strstr(buffer, text) == NULL && used + strlen(text) + 3 < size)
            used += (size_t)snprintf(buffer + used, size - used, " %s.", text);
    }
}

/* Marks of one kind: the pair's own interval thick and pale, so that an open mark shows on it, that of all
 * pairs together thin. */
static void layer(FILE *script, const char *name, enum kind kind, bool first)
{
    fprintf(script,
            "%s'%s.csv' using 8:(pick('%s', $1)):($9 - $8):(0) title 'pair alone' with vectors nohead "
            "linewidth 5 linecolor rgb '#A0%s'",
            first ? "plot " : ", \\\n     ", name, KIND[kind].name, KIND[kind].colour + 1);
    fprintf(script,
            ", \\\n     '' using 7:(pick('%s', $1)):10:11 title '%s' with xerrorbars pointtype %d "
            "pointsize 0.8 linewidth 1.3 linecolor rgb '%s'",
            KIND[kind].name, KIND[kind].text, KIND[kind].point_type, KIND[kind].colour);
}

/* Short dashes to both sides of zero: the smallest difference that matters. */
static void matters_layer(FILE *script)
{
    for (int side = -1; side <= 1; side += 2)
        fprintf(
            script,
            ", \\\n     '' using (%d * $12):($1 - 0.4):(0):(0.8) title 'what matters' with vectors nohead "
            "linewidth 1.5 dashtype 2 linecolor rgb '#D55E00'",
            side);
}

/* What the rows of the picture have in common. */
struct extent {
    double low, high;
    size_t longest; /* bytes of the longest label */
    bool has[KINDS], matters;
};

static struct extent put_rows(const struct session *session, const size_t *rows, size_t count, FILE *data)
{
    struct extent x = {0, 0, 0, {false}, false};
    char text[256];
    fputs("row,kind,quantity,feeder_a,feeder_b,speed_mm_s,difference_n,low_95_n,high_95_n,"
          "low_together_n,high_together_n,matters_n\n",
          data);
    for (size_t i = 0; i < count; i++) {
        const struct comparison *c = &session->comparisons[rows[i]];
        double low, high;
        row(data, session, c, i + 1);
        interval(session, c, &low, &high);
        label(session, c, text, sizeof text);
        x.longest = strlen(text) > x.longest ? strlen(text) : x.longest;
        x.low = fmin(x.low, fmin(low, c->difference.low_95));
        x.high = fmax(x.high, fmax(high, c->difference.high_95));
        x.has[kind_of(c)] = true;
        x.matters = x.matters || c->matters > 0;
        if (c->matters > 0) {
            x.low = fmin(x.low, -c->matters);
            x.high = fmax(x.high, c->matters);
        }
    }
    return x;
}

static void describe(const struct session *session, const size_t *rows, size_t count, size_t all,
                     const struct extent *x, struct figure *figure)
{
    char some[80] = "";
    if (count < all)
        snprintf(some, sizeof some, " The first %zu of %zu comparisons are drawn.", count, all);
    snprintf(figure->title, sizeof figure->title, "Differences between feeders");
    snprintf(
        figure->description, sizeof figure->description,
        "Each mark is the first feeder's value minus the second's. Thick bar: 95 %% interval of the pair "
        "alone. Thin bar: the interval that holds together with those of all pairs of feeders measured "
        "alike. Filled circles: a difference is shown. Open circles: no difference shown. Diamonds: "
        "equivalent.%s Pairs that are not comparable have no mark.%s",
        x->matters ? " Dashes: the smallest difference that matters." : "", some);
    describe_accepted(session, rows, count, figure->description, sizeof figure->description);
}

enum err_code figure_difference(const struct session *session, struct figure *figure, FILE *script,
                                FILE *data)
{
    size_t rows[ROWS_MAX], all, count = choose(session, rows, &all);
    int height = HEAD_HEIGHT + (int)count * ROW_HEIGHT + FOOT_HEIGHT;
    struct extent x = put_rows(session, rows, count, data);
    double axis_low, axis_high, left;
    bool first = true;
    char text[256];
    describe(session, rows, count, all, &x, figure);
    figure_range(x.low, x.high, false, &axis_low, &axis_high);
    /* gnuplot only guesses how wide text is: 7 pixels a character with some to spare. */
    left = fmin(0.62, (24 + 7 * (double)x.longest) / WIDTH);
    figure_begin(script, session, figure, WIDTH, height);
    fprintf(
        script,
        "pick(kind, y) = strcol(2) eq kind ? y : NaN\n"
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
    fputs(")\n", script);
    for (enum kind kind = 0; kind < KINDS; kind++) {
        if (x.has[kind])
            layer(script, figure->name, kind, first);
        first = first && !x.has[kind];
    }
    if (x.matters)
        matters_layer(script);
    fputc('\n', script);
    figure_key_strip(script, 50.0 / height);
    for (enum kind kind = 0; kind < KINDS; kind++) {
        char style[96];
        snprintf(style, sizeof style, "points pointtype %d pointsize 1 linecolor rgb '%s'",
                 KIND[kind].point_type, KIND[kind].colour);
        if (x.has[kind])
            figure_key(script, style, KIND[kind].text);
    }
    if (x.matters)
        figure_key(script, "lines linewidth 1.5 dashtype 2 linecolor rgb '#D55E00'",
                   "smallest difference that matters");
    fputs("\nunset multiplot\n", script);
    return ERR_OK;
}
