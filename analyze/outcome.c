#include "analyze/outcome.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void outcome_init(struct outcome *o, const char *test)
{
    memset(o, 0, sizeof *o);
    snprintf(o->test, sizeof o->test, "%s", test);
}

static void free_group(struct outcome_group *g)
{
    free(g->x);
    free(g->y);
    free(g->y_low);
    free(g->y_high);
    free(g->at_least);
    free(g->curve_x);
    free(g->curve_y);
    free(g->curve_low);
    free(g->curve_high);
}

void outcome_free(struct outcome *o)
{
    if (o == NULL)
        return;
    for (size_t i = 0; i < o->chart_count; i++) {
        for (size_t j = 0; j < o->charts[i].group_count; j++)
            free_group(&o->charts[i].groups[j]);
        free(o->charts[i].groups);
    }
    free(o->charts);
    free(o->quantities);
    memset(o, 0, sizeof *o);
}

/* Whether text fits whole; it is copied either way. */
static bool copy_text(char *into, size_t size, const char *text)
{
    int length = snprintf(into, size, "%s", text != NULL ? text : "");
    return length >= 0 && (size_t)length < size;
}

enum err_code outcome_add(struct outcome *o, const char *key, const char *setting, const char *label,
                          const char *unit, const struct quantity *q, const struct budget *budget,
                          bool compared, struct err *e)
{
    struct outcome_quantity *more;
    if (o->quantity_count == OUTCOME_QUANTITIES_MAX)
        return err_set(e, ERR_CALLER, "%s: more than %d quantities", o->test, OUTCOME_QUANTITIES_MAX);
    if (outcome_find(o, key, setting != NULL ? setting : "") != NULL)
        return err_set(e, ERR_CALLER, "%s: the quantity %s is there already", o->test, key);
    more = realloc(o->quantities, (o->quantity_count + 1) * sizeof *more);
    if (more == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the results of %s", o->test);
    o->quantities = more;
    more += o->quantity_count;
    memset(more, 0, sizeof *more);
    if (!copy_text(more->key, sizeof more->key, key) ||
        !copy_text(more->setting, sizeof more->setting, setting) ||
        !copy_text(more->label, sizeof more->label, label) || !copy_text(more->unit, sizeof more->unit, unit))
        return err_set(e, ERR_CALLER, "%s: a text of the quantity %s is too long", o->test, key);
    more->q = *q;
    if (budget != NULL)
        more->budget = *budget;
    more->compared = compared;
    o->quantity_count++;
    return ERR_OK;
}

const struct outcome_quantity *outcome_find(const struct outcome *o, const char *key, const char *setting)
{
    for (size_t i = 0; i < o->quantity_count; i++) {
        if (strcmp(o->quantities[i].key, key) == 0 &&
            (setting == NULL || strcmp(o->quantities[i].setting, setting) == 0))
            return &o->quantities[i];
    }
    return NULL;
}

void outcome_say(struct outcome *o, const char *format, ...)
{
    va_list arguments;
    if (o->sentence_count >= OUTCOME_SENTENCES_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(o->sentences[o->sentence_count++], sizeof o->sentences[0], format, arguments);
    va_end(arguments);
}

void outcome_warn(struct outcome *o, const char *format, ...)
{
    va_list arguments;
    if (o->warning_count >= OUTCOME_SENTENCES_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(o->warnings[o->warning_count++], sizeof o->warnings[0], format, arguments);
    va_end(arguments);
}

struct outcome_chart *outcome_add_chart(struct outcome *o, const char *name)
{
    struct outcome_chart *more;
    if (o->chart_count == OUTCOME_CHARTS_MAX)
        return NULL;
    more = realloc(o->charts, (o->chart_count + 1) * sizeof *more);
    if (more == NULL)
        return NULL;
    o->charts = more;
    more += o->chart_count++;
    memset(more, 0, sizeof *more);
    snprintf(more->name, sizeof more->name, "%s", name);
    more->level_y = NAN;
    return more;
}

static double *nan_row(size_t n)
{
    double *row = malloc((n + 1) * sizeof *row);
    for (size_t i = 0; row != NULL && i < n; i++)
        row[i] = NAN;
    return row;
}

struct outcome_group *outcome_add_group(struct outcome_chart *chart, const char *name, size_t points,
                                        size_t curve_points)
{
    struct outcome_group *more, g = {.point_count = points, .curve_count = curve_points};
    if (chart->group_count == OUTCOME_GROUPS_MAX)
        return NULL;
    more = realloc(chart->groups, (chart->group_count + 1) * sizeof *more);
    if (more == NULL)
        return NULL;
    chart->groups = more;
    snprintf(g.name, sizeof g.name, "%s", name);
    g.x = nan_row(points);
    g.y = nan_row(points);
    g.y_low = nan_row(points);
    g.y_high = nan_row(points);
    g.at_least = calloc(points + 1, sizeof *g.at_least);
    g.curve_x = nan_row(curve_points);
    g.curve_y = nan_row(curve_points);
    g.curve_low = nan_row(curve_points);
    g.curve_high = nan_row(curve_points);
    if (g.x == NULL || g.y == NULL || g.y_low == NULL || g.y_high == NULL || g.at_least == NULL ||
        g.curve_x == NULL || g.curve_y == NULL || g.curve_low == NULL || g.curve_high == NULL) {
        free_group(&g);
        return NULL;
    }
    more += chart->group_count++;
    *more = g;
    return more;
}

void outcome_mark_x(struct outcome_chart *chart, double at_x, const char *text)
{
    if (chart->mark_count == OUTCOME_MARKS_MAX)
        return;
    chart->marks[chart->mark_count].at_x = at_x;
    snprintf(chart->marks[chart->mark_count++].text, sizeof chart->marks[0].text, "%s", text);
}
