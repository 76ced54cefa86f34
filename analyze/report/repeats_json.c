#include "analyze/report/repeats_show.h"

#include "analyze/report/calibration_used.h"
#include "analyze/report/json_build.h"

#include <math.h>

/* Amounts are in the unit of the plan ("unit"), as the difference is. */

static json_t *number_with_interval(struct json_build *b, double value, double low_95, double high_95)
{
    json_t *o = json_object();
    json_build_set(b, o, "value", json_build_number(value));
    json_build_set(b, o, "low_95", json_build_number(low_95));
    json_build_set(b, o, "high_95", json_build_number(high_95));
    return o;
}

static json_t *repeats(int count)
{
    return count > 0 ? json_integer(count) : json_null();
}

/* null: more than repeats_most. */
static json_t *count(struct json_build *b, const struct repeats_plan *p, const struct repeats_count *c)
{
    json_t *o = json_object();
    json_build_set(b, o, "value", repeats(c->value));
    json_build_set(b, o, "low_95", repeats(c->low_95));
    json_build_set(b, o, "high_95", repeats(c->high_95));
    json_build_set(b, o, "runs", repeats(c->value * p->feeders));
    return o;
}

static json_t *scatter(struct json_build *b, const struct repeats_answer *a, const struct repeats_scatter *s)
{
    json_t *o = json_object(), *pair = NULL;
    json_build_set(b, o, "sd", json_build_number(s->sd));
    json_build_set(b, o, "low_95", json_build_number(s->low_95));
    json_build_set(b, o, "high_95", json_build_number(s->high_95));
    json_build_set(b, o, "degrees_of_freedom", json_build_number(s->degrees_of_freedom));
    json_build_set(b, o, "stated", json_boolean(isinf(s->degrees_of_freedom)));
    if (s->own) {
        pair = json_array();
        json_build_append(b, pair, json_build_text(a->session->feeders[s->a].name));
        json_build_append(b, pair, json_build_text(a->session->feeders[s->b].name));
    }
    json_build_set(b, o, "of_pair", pair != NULL ? pair : json_null());
    return o;
}

static json_t *table(struct json_build *b, const struct repeats_plan *p)
{
    json_t *array = json_array();
    for (size_t i = 0; i < p->row_count; i++) {
        json_t *o = json_object();
        json_build_set(b, o, "repeats", json_integer(p->rows[i].repeats));
        json_build_set(b, o, "power_percent", json_build_number(100 * p->rows[i].power));
        json_build_set(b, o, "difference_found", json_build_number(p->rows[i].found));
        json_build_set(b, o, "equivalence_power_percent",
                       json_build_number(100 * p->rows[i].equivalence_power));
        json_build_append(b, array, o);
    }
    return array;
}

static json_t *present(struct json_build *b, const struct repeats_plan *p)
{
    json_t *o;
    if (p->present == 0)
        return json_null();
    o = json_object();
    json_build_set(b, o, "repeats", json_integer(p->present));
    json_build_set(b, o, "difference_found",
                   number_with_interval(b, p->found.value, p->found.low_95, p->found.high_95));
    json_build_set(b, o, "equivalence_margin",
                   number_with_interval(b, p->margin.value, p->margin.low_95, p->margin.high_95));
    return o;
}

static void set_answer(struct json_build *b, json_t *o, const struct repeats_answer *a,
                       const struct repeats_plan *p)
{
    bool whole = p->difference > 0;
    json_build_set(b, o, "method", p->method != NULL ? json_build_text(p->method) : json_null());
    json_build_set(b, o, "run_in_blocks", a->session != NULL ? json_boolean(p->run_by_blocks) : json_null());
    json_build_set(b, o, "values", json_build_count(p->values));
    json_build_set(b, o, "lower_bounds", json_build_count(p->lower_bounds));
    json_build_set(b, o, "scatter", scatter(b, a, &p->run_scatter));
    json_build_set(b, o, "planned_scatter", scatter(b, a, &p->scatter));
    json_build_set(b, o, "planned_design", json_build_text(p->blocks ? "blocks" : "groups"));
    json_build_set(b, o, "planned_feeders", json_integer(p->feeders));
    json_build_set(b, o, "difference", json_build_number(p->difference));
    json_build_set(b, o, "difference_matters", json_boolean(whole && p->matters));
    json_build_set(b, o, "repeats_to_find", whole ? count(b, p, &p->find) : json_null());
    json_build_set(b, o, "repeats_to_call_equivalent", whole ? count(b, p, &p->alike) : json_null());
    json_build_set(b, o, "present", present(b, p));
    json_build_set(b, o, "table", table(b, p));
}

static json_t *plan(struct json_build *b, const struct repeats_answer *a, const struct repeats_plan *p)
{
    json_t *o = json_object(), *feeders = json_array();
    for (size_t i = 0; i < p->count; i++)
        json_build_append(b, feeders, json_build_text(a->session->feeders[p->members[i]].name));
    json_build_set(b, o, "quantity", a->session != NULL ? json_build_text(a->quantity) : json_null());
    json_build_set(b, o, "unit", a->session != NULL ? json_build_text("N") : json_null());
    json_build_set(b, o, "speed_mm_s", json_build_number(p->speed_mm_s));
    json_build_set(b, o, "feeders", feeders);
    json_build_set(b, o, "answered", json_boolean(p->answered));
    json_build_set(b, o, "why_not", p->answered ? json_null() : json_build_text(p->why_not));
    if (p->answered)
        set_answer(b, o, a, p);
    return o;
}

static json_t *effort(struct json_build *b, const struct repeats_effort *e)
{
    json_t *o;
    if (!e->present)
        return json_null();
    o = json_object();
    json_build_set(b, o, "runs", json_build_count(e->runs));
    json_build_set(b, o, "feed_mm", json_build_number(e->feed_mm));
    json_build_set(b, o, "recording_s", json_build_number(e->recording_s));
    return o;
}

enum err_code repeats_json_write(const struct repeats_answer *answer, FILE *out, struct err *e)
{
    struct json_build b = {false};
    json_t *root = json_object(), *plans = json_array();
    int status;
    json_build_set(&b, root, "schema", json_build_text("nipbench-repeats-1"));
    json_build_set(&b, root, "simulated",
                   json_boolean(answer->session != NULL && answer->session->simulated));
    calibration_used_of_session(&b, root, answer->session);
    json_build_set(&b, root, "power_percent", json_build_number(100 * answer->aim.power));
    json_build_set(&b, root, "level_percent", json_build_number(100 * answer->aim.level));
    json_build_set(&b, root, "repeats_most", json_integer(POWER_REPEATS_MAX));
    json_build_set(&b, root, "questions_adjusted_together",
                   json_build_count(answer->session != NULL ? answer->session->adjusted_count : 0));
    json_build_set(&b, root, "one_block_of_the_plan", effort(&b, &answer->effort));
    for (size_t i = 0; i < answer->plan_count; i++)
        json_build_append(&b, plans, plan(&b, answer, &answer->plans[i]));
    json_build_set(&b, root, "plans", plans);
    status = b.failed ? -1 : json_dumpf(root, out, JSON_INDENT(2) | JSON_REAL_PRECISION(10));
    json_decref(root);
    if (b.failed)
        return err_set(e, ERR_MEMORY, "out of memory for the results");
    if (status != 0 || fputc('\n', out) == EOF)
        return err_set(e, ERR_SYSTEM, "the results could not be written");
    return ERR_OK;
}
