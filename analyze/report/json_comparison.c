#include "analyze/report/json_comparison.h"

#include "analyze/comparison.h"
#include "analyze/report/answer_family.h"
#include "analyze/report/json_outcome.h"

#include <math.h>

/* Quantities of pushes have no test, those of a test no speed. */
static void put_question(struct json_build *b, json_t *object, const char *test, const char *setting,
                         const char *unit, double speed_mm_s)
{
    json_build_set(b, object, "test", test[0] != 0 ? json_build_text(test) : json_null());
    json_build_set(b, object, "setting",
                   test[0] != 0 && setting[0] != 0 ? json_build_text(setting) : json_null());
    json_build_set(b, object, "unit", json_build_text(test[0] != 0 ? unit : "N"));
    json_build_set(b, object, "speed_mm_s", test[0] == 0 ? json_build_number(speed_mm_s) : json_null());
}

static json_t *simultaneous_interval(struct json_build *b, const struct comparison *c)
{
    json_t *object;
    if (!c->has_p_value || !isfinite(c->family_low_95))
        return json_null();
    object = json_object();
    json_build_set(b, object, "low", json_build_number(c->family_low_95));
    json_build_set(b, object, "high", json_build_number(c->family_high_95));
    return object;
}

/* The percentile bootstrap of the difference: how wide runs, or blocks, alone make it. */
static json_t *resampled_interval(struct json_build *b, const struct comparison *c)
{
    json_t *object;
    if (!c->resampled.present)
        return json_null();
    object = json_object();
    json_build_set(b, object, "low", json_build_number(c->resampled.low_95));
    json_build_set(b, object, "high", json_build_number(c->resampled.high_95));
    json_build_set(b, object, "resampled", json_string(c->by_blocks ? "blocks" : "runs"));
    json_build_set(b, object, "draws", json_build_count(c->resampled.draws));
    json_build_set(b, object, "few", json_boolean(answer_resampled_few(c)));
    return object;
}

static json_t *sentences(struct json_build *b, const struct text_list *list)
{
    json_t *array = json_array();
    for (size_t i = 0; i < list->count; i++)
        json_build_append(b, array, json_build_text(text_list_at(list, i)));
    return array;
}

/* What more repeats would bring; null where nothing can be said. */
static void put_sizes(struct json_build *b, json_t *object, const struct comparison *c)
{
    json_build_set(b, object, "wanted_difference",
                   c->wanted_difference > 0 ? json_build_number(c->wanted_difference) : json_null());
    json_build_set(b, object, "wanted_repeats",
                   c->wanted_repeats > 0 ? json_integer(c->wanted_repeats) : json_null());
    json_build_set(b, object, "seen_difference", json_build_number(c->seen_difference));
}

json_t *json_comparison(struct json_build *b, const struct session *session, size_t index)
{
    const struct comparison *c = &session->comparisons[index];
    const char *unit = c->test[0] != 0 ? c->unit : "N";
    json_t *object = json_object();
    struct budget budget;
    comparison_budget(session, c, &budget);
    json_build_set(b, object, "quantity", json_build_text(c->quantity));
    json_build_set(b, object, "a", json_build_text(session->feeders[c->a].name));
    json_build_set(b, object, "b", json_build_text(session->feeders[c->b].name));
    put_question(b, object, c->test, c->setting, c->unit, c->speed_mm_s);
    json_build_set(b, object, "difference", report_json_quantity(b, &c->difference, unit, &budget));
    json_build_set(b, object, "simultaneous_95", simultaneous_interval(b, c));
    json_build_set(b, object, "resampled_95", resampled_interval(b, c));
    json_build_set(b, object, "p_value", c->has_p_value ? json_build_number(c->p_value) : json_null());
    json_build_set(b, object, "p_value_family",
                   c->has_p_value ? json_build_number(c->p_value_family) : json_null());
    json_build_set(b, object, "p_value_unadjusted",
                   c->has_p_value ? json_build_number(c->p_value_unadjusted) : json_null());
    json_build_set(b, object, "method", c->method != NULL ? json_build_text(c->method) : json_null());
    json_build_set(b, object, "by_blocks", json_boolean(c->by_blocks));
    json_build_set(b, object, "shown", json_boolean(c->shown));
    json_build_set(b, object, "matters", json_build_number(c->matters));
    json_build_set(b, object, "equivalence_p_value",
                   c->has_equivalence_p_value ? json_build_number(c->equivalence_p_value) : json_null());
    put_sizes(b, object, c);
    json_build_set(b, object, "family",
                   c->has_p_value && c->family < session->family_count ? json_build_count(c->family + 1)
                                                                       : json_null());
    json_build_set(b, object, "verdict", json_string(VERDICT_NAMES[c->verdict]));
    json_build_set(b, object, "reasons", sentences(b, &c->reasons));
    json_build_set(b, object, "accepted", sentences(b, &c->accepted));
    json_build_set(b, object, "flags", sentences(b, &c->flags));
    return object;
}

static json_t *test_object(struct json_build *b, const struct anova_test *test)
{
    json_t *object;
    if (!test->present)
        return json_null();
    object = json_object();
    json_build_set(b, object, "f", json_build_number(test->f));
    json_build_set(b, object, "degrees_of_freedom", json_build_number(test->n1));
    json_build_set(b, object, "residual_degrees_of_freedom", json_build_number(test->n2));
    json_build_set(b, object, "p_value", json_build_number(test->p_value));
    return object;
}

static json_t *design_object(struct json_build *b, const struct design_result *d)
{
    json_t *object = json_object();
    json_build_set(b, object, "method", json_string(DESIGN_METHOD_NAMES[d->method]));
    json_build_set(b, object, "by_blocks", json_boolean(d->by_blocks));
    json_build_set(b, object, "blocks", d->by_blocks ? json_build_count(d->blocks) : json_null());
    json_build_set(b, object, "incomplete", json_boolean(d->incomplete));
    json_build_set(b, object, "values", json_build_count(d->values));
    json_build_set(b, object, "lower_bounds", json_build_count(d->censored));
    json_build_set(b, object, "residual_sd", json_build_number(d->residual_sd));
    json_build_set(b, object, "degrees_of_freedom",
                   isfinite(d->residual_sd) ? json_build_number(d->degrees_of_freedom) : json_null());
    json_build_set(b, object, "any_difference", test_object(b, &d->feeders));
    json_build_set(b, object, "block_effect", test_object(b, &d->block));
    json_build_set(b, object, "order_effect", test_object(b, &d->order));
    json_build_set(b, object, "order_slope",
                   d->order.present ? json_build_number(d->order_slope) : json_null());
    json_build_set(b, object, "unequal_scatter", test_object(b, &d->scatter));
    return object;
}

json_t *json_comparison_family(struct json_build *b, const struct session *session, size_t index)
{
    const struct comparison_family *f = &session->families[index];
    json_t *object = json_object(), *ranking = json_array();
    json_build_set(b, object, "quantity", json_build_text(f->quantity));
    put_question(b, object, f->test, f->setting, f->unit, f->speed_mm_s);
    for (size_t i = 0; i < f->count; i++) {
        json_t *member = json_object();
        json_build_set(b, member, "feeder", json_build_text(session->feeders[f->members[i]].name));
        json_build_set(b, member, "value", json_build_number(f->value[i]));
        json_build_set(b, member, "group",
                       f->letters[i][0] != 0 ? json_build_text(f->letters[i]) : json_null());
        json_build_append(b, ranking, member);
    }
    json_build_set(b, object, "ranking", ranking);
    json_build_set(b, object, "design", f->designed ? design_object(b, &f->design) : json_null());
    return object;
}

json_t *json_comparison_accept(struct json_build *b, const struct session *session)
{
    json_t *accept = json_array();
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        if (session->accept[i])
            json_build_append(b, accept, json_string(CONDITION_KINDS[i].key));
    }
    return accept;
}

json_t *json_comparison_matters(struct json_build *b, const struct session *session)
{
    json_t *matters = json_object();
    for (size_t i = 0; i < session->matter_count; i++)
        json_build_set(b, matters, session->matters[i].quantity,
                       json_build_number(session->matters[i].difference));
    return matters;
}
