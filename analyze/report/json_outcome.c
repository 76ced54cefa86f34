#include "analyze/report/json_outcome.h"

#include "analyze/bench_test.h"
#include "analyze/report/chart_thin.h"
#include "analyze/report/run_settings.h"

#include <stdlib.h>

/* A spectrum or a loop may have tens of thousands of points, which the figure's own data hold as far as they
 * can be seen; here it is kept to this many stretches. */
#define STRETCHES 200

/* Which points of a row to write. The caller frees; NULL (b has failed) without memory. */
static bool *kept(struct json_build *b, const double *x, const double *y, size_t n)
{
    bool *keep = malloc(n + 1);
    if (keep == NULL)
        b->failed = true;
    else
        chart_thin(x, y, n, STRETCHES, keep);
    return keep;
}

static json_t *points_array(struct json_build *b, const struct outcome_group *g)
{
    json_t *array = json_array();
    bool *keep = kept(b, g->x, g->y, g->point_count);
    for (size_t i = 0; keep != NULL && i < g->point_count; i++) {
        json_t *point;
        if (!keep[i])
            continue;
        point = json_object();
        json_build_set(b, point, "x", json_build_number(g->x[i]));
        json_build_set(b, point, "y", json_build_number(g->y[i]));
        json_build_set(b, point, "low", json_build_number(g->y_low[i]));
        json_build_set(b, point, "high", json_build_number(g->y_high[i]));
        json_build_set(b, point, "at_least", json_boolean(g->at_least != NULL && g->at_least[i]));
        json_build_append(b, array, point);
    }
    free(keep);
    return array;
}

static json_t *curve_array(struct json_build *b, const struct outcome_group *g)
{
    json_t *array = json_array();
    bool *keep = kept(b, g->curve_x, g->curve_y, g->curve_count);
    for (size_t i = 0; keep != NULL && i < g->curve_count; i++) {
        json_t *point;
        if (!keep[i])
            continue;
        point = json_object();
        json_build_set(b, point, "x", json_build_number(g->curve_x[i]));
        json_build_set(b, point, "y", json_build_number(g->curve_y[i]));
        json_build_set(b, point, "low", json_build_number(g->curve_low[i]));
        json_build_set(b, point, "high", json_build_number(g->curve_high[i]));
        json_build_append(b, array, point);
    }
    free(keep);
    return array;
}

static json_t *chart_object(struct json_build *b, const struct outcome_chart *chart)
{
    json_t *object = json_object(), *groups = json_array(), *marks = json_array();
    json_build_set(b, object, "name", json_build_text(chart->name));
    json_build_set(b, object, "title", json_build_text(chart->title));
    json_build_set(b, object, "description", json_build_text(chart->description));
    json_build_set(b, object, "x_label", json_build_text(chart->x_label));
    json_build_set(b, object, "y_label", json_build_text(chart->y_label));
    for (size_t i = 0; i < chart->mark_count; i++) {
        json_t *mark = json_object();
        json_build_set(b, mark, "x", json_build_number(chart->marks[i].at_x));
        json_build_set(b, mark, "text", json_build_text(chart->marks[i].text));
        json_build_append(b, marks, mark);
    }
    json_build_set(b, object, "marks", marks);
    json_build_set(b, object, "level_y", json_build_number(chart->level_y));
    for (size_t i = 0; i < chart->group_count; i++) {
        json_t *group = json_object();
        json_build_set(b, group, "name", json_build_text(chart->groups[i].name));
        json_build_set(b, group, "points", points_array(b, &chart->groups[i]));
        json_build_set(b, group, "curve", curve_array(b, &chart->groups[i]));
        json_build_append(b, groups, group);
    }
    json_build_set(b, object, "groups", groups);
    return object;
}

json_t *json_outcome(struct json_build *b, const struct outcome *o)
{
    json_t *object = json_object(), *quantities = json_array(), *charts = json_array();
    json_build_set(b, object, "test", json_build_text(o->test));
    json_build_set(b, object, "present", json_boolean(o->present));
    json_build_set(b, object, "why_not", o->present ? json_null() : json_build_text(o->why_not));
    json_build_set(b, object, "runs", json_build_count(o->run_count));
    json_build_set(b, object, "used_runs", json_build_count(o->used_count));
    for (size_t i = 0; o->present && i < o->quantity_count; i++) {
        const struct outcome_quantity *q = &o->quantities[i];
        json_t *entry = json_object();
        json_build_set(b, entry, "key", json_build_text(q->key));
        json_build_set(b, entry, "setting", q->setting[0] != 0 ? json_build_text(q->setting) : json_null());
        json_build_set(b, entry, "label", json_build_text(q->label));
        json_build_set(b, entry, "quantity", report_json_quantity(b, &q->q, q->unit, &q->budget));
        json_build_append(b, quantities, entry);
    }
    json_build_set(b, object, "quantities", quantities);
    json_build_set(b, object, "sentences",
                   report_json_sentences(b, o->sentences[0], sizeof o->sentences[0],
                                         o->present ? o->sentence_count : 0));
    json_build_set(b, object, "warnings",
                   report_json_sentences(b, o->warnings[0], sizeof o->warnings[0], o->warning_count));
    for (size_t i = 0; o->present && i < o->chart_count; i++)
        json_build_append(b, charts, chart_object(b, &o->charts[i]));
    json_build_set(b, object, "charts", charts);
    return object;
}

void json_outcome_run(struct json_build *b, json_t *object, const struct run_result *run)
{
    const struct run_record *r = run->record;
    json_t *quantities = bench_test_is_push(r->test) ? json_null() : json_object();
    for (int i = 0; i < RUN_SETTINGS; i++) {
        double value;
        json_build_set(b, object, RUN_SETTING_KINDS[i].key,
                       run_settings_number(r, i, &value) ? json_build_number(value) : json_null());
    }
    json_build_set(b, object, "repeat", r->repeat > 0 ? json_integer(r->repeat) : json_null());
    json_build_set(b, object, "cleaned", r->repeat > 0 ? json_boolean(r->cleaned) : json_null());
    json_build_set(b, object, "fed_mm", run->analysed ? json_build_number(run->fed_mm) : json_null());
    for (size_t i = 0; json_is_object(quantities) && run->analysed && i < run->quantity_count; i++) {
        const struct run_quantity *q = &run->quantities[i];
        json_build_set(b, quantities, q->key, report_json_quantity(b, &q->q, q->unit, NULL));
    }
    json_build_set(b, object, "quantities", quantities);
}
