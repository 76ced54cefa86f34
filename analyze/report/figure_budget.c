/* The uncertainty budget of each feeder's stall force at the reference speed: a bar for each component. */
#include "analyze/report/figure.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WIDTH       960
#define ROWS_MAX    72 /* more than these do not fit one picture; the tables hold all */
#define ROW_HEIGHT  22
#define HEAD_HEIGHT 48
#define FOOT_HEIGHT 56

/* Sorts of bars; colour, pattern and the dashes of the border tell them apart. */
enum sort { SORT_A, SORT_B, SORT_OPERATOR, SORT_COMBINED, SORTS };
static const struct {
    const char *key, *title, *fill, *colour, *dash;
} SORT[SORTS] = {
    {"type_a", "measured scatter (A)", "solid 0.9 border", "#0072B2", "solid"},
    {"type_b", "estimate (B)", "pattern 4 border", "#009E73", "(6,2)"},
    {"operator", "operator's estimate (B)", "pattern 5 border", "#D55E00", "(2,2)"},
    {"combined", "combined", "empty border", "#000000", "(12,3)"},
};

static enum sort sort_of(const struct budget_component *c)
{
    return c->operator_estimate ? SORT_OPERATOR : c->type == BUDGET_TYPE_A ? SORT_A : SORT_B;
}

static const struct speed_point *drawable(const struct feeder_result *f)
{
    const struct speed_point *point = f->reference < f->point_count ? &f->points[f->reference] : NULL;
    if (point == NULL || !point->stall_force_n.present || point->stall_force_n.at_least ||
        point->stall_budget.count == 0)
        return NULL;
    return point;
}

bool figure_budget_wanted(const struct session *session)
{
    for (size_t i = 0; i < session->feeder_count; i++) {
        if (drawable(&session->feeders[i]) != NULL)
            return true;
    }
    return false;
}

/* Rows of a group: its heading, a bar for each component, the combined one. */
static size_t rows_of(const struct speed_point *point)
{
    return point->stall_budget.count + 2;
}

static void row(FILE *data, size_t at, enum sort sort, const char *feeder, const char *component,
                double contribution_n, double share)
{
    char shown[48];
    fprintf(data, "%zu,%s,", at, SORT[sort].key);
    text_csv_plain(data, feeder);
    fputc(',', data);
    text_csv_plain(data, component);
    fputc(',', data);
    text_csv_number(data, contribution_n);
    fputc(',', data);
    text_csv_number(data, share);
    fprintf(data, ",%s\n", text_rounded(contribution_n, text_decimals(contribution_n), shown, sizeof shown));
}

struct drawing {
    size_t feeders, all, rows, longest;
    double greatest_n;
    bool has[SORTS];
};

static void tic(FILE *tics, const char *text, size_t at)
{
    text_gnuplot(tics, text);
    fprintf(tics, " %zu", at);
}

/* The feeder and its result, over its bars. */
static void heading(FILE *headings, const struct feeder_result *f, const struct quantity *stall, size_t at)
{
    char value[TEXT_QUANTITY_SIZE], text[FEEDER_NAME_MAX + TEXT_QUANTITY_SIZE + 4];
    snprintf(text, sizeof text, "%s: %s", f->name, text_quantity_full(stall, "N", value, sizeof value));
    fprintf(headings, "set label %zu ", at + 10);
    text_gnuplot(headings, text);
    fprintf(headings, " at graph 0, first %zu left offset 0.6,0 front\n", at);
}

/* The rows of one feeder, into the data, the list of labels, and the headings. */
static void group(const struct feeder_result *f, const struct speed_point *point, struct drawing *d,
                  FILE *tics, FILE *headings, FILE *data)
{
    const struct budget *b = &point->stall_budget;
    size_t at = d->rows + 1;
    heading(headings, f, &point->stall_force_n, at++);
    for (size_t i = 0; i < b->count; i++, at++) {
        const struct budget_component *c = &b->components[i];
        d->has[sort_of(c)] = true;
        d->longest = strlen(c->name) > d->longest ? strlen(c->name) : d->longest;
        row(data, at, sort_of(c), f->name, c->name, c->contribution, budget_share(b, i));
        fputs(d->rows == 0 && i == 0 ? "" : ", \\\n    ", tics);
        tic(tics, c->name, at);
    }
    d->has[SORT_COMBINED] = true;
    d->greatest_n = fmax(d->greatest_n, point->stall_force_n.standard_uncertainty);
    row(data, at, SORT_COMBINED, f->name, "combined", point->stall_force_n.standard_uncertainty, 1);
    fputs(", \\\n    ", tics);
    tic(tics, "combined", at);
    d->rows += rows_of(point);
}

static void describe(const struct session *session, const struct drawing *d, struct figure *figure)
{
    char speed[64], some[80] = "";
    if (d->feeders < d->all)
        snprintf(some, sizeof some, " The first %zu of %zu feeders are drawn.", d->feeders, d->all);
    snprintf(figure->title, sizeof figure->title, "Uncertainty budget of the stall force at %s",
             text_measure(session->reference_speed_mm_s, "mm/s", speed, sizeof speed));
    snprintf(figure->description, sizeof figure->description,
             "What each component brings to the standard uncertainty of the mean stall force. Their squares "
             "add up to the square of the combined one, so the longest bar decides nearly alone. An "
             "operator's estimate is "
             "one that plan or calibration states, or the default where the plan states none.%s",
             some);
}

static void layers(FILE *script, const struct figure *figure, const struct drawing *d)
{
    bool first = true;
    for (int i = 0; i < SORTS; i++) {
        if (!d->has[i])
            continue;
        fprintf(script, "%s'%s.csv' using (pick('%s', 0.5*$5)):1:(0):5:($1-0.36):($1+0.36) title ",
                first ? "plot " : ", \\\n     ", figure->name, SORT[i].key);
        text_gnuplot(script, SORT[i].title);
        fprintf(script, " with boxxyerror linecolor rgb '%s' linewidth 1.2 dashtype %s fillstyle %s",
                SORT[i].colour, SORT[i].dash, SORT[i].fill);
        first = false;
    }
    fprintf(script,
            ", \\\n     '%s.csv' using 5:1:(strcol(7).' N') skip 1 title 'value' with labels left offset "
            "0.6,0\n",
            figure->name);
}

enum err_code figure_budget(const struct session *session, struct figure *figure, FILE *script, FILE *data)
{
    struct drawing d = {.longest = strlen("combined")};
    char *tic_text = NULL, *heading_text = NULL;
    size_t tic_length = 0, heading_length = 0;
    FILE *tics = open_memstream(&tic_text, &tic_length);
    FILE *headings = open_memstream(&heading_text, &heading_length);
    double axis_low, axis_high, left;
    int height, sorts = 0, key_height;
    bool lost = tics == NULL || headings == NULL;
    fputs("row,sort,feeder,component,contribution_n,share_of_variance,shown_n\n", data);
    for (size_t i = 0; i < session->feeder_count && !lost; i++) {
        const struct speed_point *point = drawable(&session->feeders[i]);
        if (point == NULL)
            continue;
        /* In the session's order up to the first that has no room. */
        if (d.feeders == d.all && d.rows + rows_of(point) <= ROWS_MAX) {
            d.feeders++;
            group(&session->feeders[i], point, &d, tics, headings, data);
        }
        d.all++;
    }
    lost |= tics != NULL && fclose(tics) != 0;
    lost |= headings != NULL && fclose(headings) != 0;
    if (lost) {
        free(tic_text);
        free(heading_text);
        return ERR_MEMORY;
    }
    for (int i = 0; i < SORTS; i++)
        sorts += d.has[i];
    /* gnuplot breaks a key of four into two lines. */
    key_height = sorts > 3 ? 48 : 30;
    height = HEAD_HEIGHT + (int)d.rows * ROW_HEIGHT + FOOT_HEIGHT + key_height;
    describe(session, &d, figure);
    figure_range(0, 1.08 * d.greatest_n, true, &axis_low, &axis_high);
    /* gnuplot only guesses how wide text is: 7 pixels a character with some to spare. */
    left = fmin(0.5, (24 + 7 * (double)d.longest) / WIDTH);
    figure_begin(script, session, figure, WIDTH, height);
    fprintf(script,
            "pick(sort, x) = strcol(2) eq sort ? x : NaN\n"
            "set multiplot\nset lmargin at screen %.4f\nset rmargin at screen 0.985\n"
            "set tmargin at screen %.4f\nset bmargin at screen %.4f\n"
            "set xrange [0:%.6g]\nset yrange [%zu.5:0.5]\nset grid noytics\n"
            "set xlabel 'contribution to the standard uncertainty (N)'\nset ytics (%s)\n%s",
            left, 1 - (double)HEAD_HEIGHT / height, (double)(FOOT_HEIGHT + key_height) / height, axis_high,
            d.rows, tic_text, heading_text);
    free(tic_text);
    free(heading_text);
    layers(script, figure, &d);
    figure_key_strip(script, (double)key_height / height);
    for (int i = 0; i < SORTS; i++) {
        char style[160];
        if (!d.has[i])
            continue;
        snprintf(style, sizeof style, "boxes linecolor rgb '%s' dashtype %s fillstyle %s", SORT[i].colour,
                 SORT[i].dash, SORT[i].fill);
        figure_key(script, style, SORT[i].title);
    }
    fputs("\nunset multiplot\n", script);
    return ERR_OK;
}
