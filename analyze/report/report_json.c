#include "analyze/report/report_json.h"

#include "analyze/report/answer.h"
#include "analyze/report/text_format.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

/* Every reference is handed on at once; a NULL anywhere sets failed, and the whole is then given up. */
struct builder {
    bool failed;
};

static void set(struct builder *b, json_t *object, const char *key, json_t *value)
{
    if (value == NULL || json_object_set_new(object, key, value) != 0)
        b->failed = true;
}

static void append(struct builder *b, json_t *array, json_t *value)
{
    if (value == NULL || json_array_append_new(array, value) != 0)
        b->failed = true;
}

static json_t *number(double value)
{
    /* json_real refuses what is not finite; minus zero is one more way to write 0. */
    return isfinite(value) ? json_real(value == 0 ? 0.0 : value) : json_null();
}

static json_t *text(const char *value)
{
    char clean[1024];
    return json_string(text_clean(value, clean, sizeof clean));
}

static json_t *count(size_t value)
{
    return json_integer((json_int_t)value);
}

/* Where a number comes from, component by component; null where there is no budget. */
static json_t *budget(struct builder *b, const struct budget *of)
{
    json_t *array;
    if (of == NULL || of->count == 0)
        return json_null();
    array = json_array();
    for (size_t i = 0; i < of->count; i++) {
        const struct budget_component *c = &of->components[i];
        json_t *object = json_object();
        set(b, object, "name", text(c->name));
        set(b, object, "unit", text(c->unit));
        set(b, object, "standard_uncertainty", number(c->standard_uncertainty));
        set(b, object, "sensitivity", number(c->sensitivity));
        set(b, object, "contribution", number(c->contribution));
        set(b, object, "share", number(budget_share(of, i)));
        set(b, object, "degrees_of_freedom", number(c->degrees_of_freedom));
        set(b, object, "type", json_string(c->type == BUDGET_TYPE_A ? "A" : "B"));
        set(b, object, "operator_estimate", json_boolean(c->operator_estimate));
        append(b, array, object);
    }
    return array;
}

/* of: the budget of q; NULL when it has none. */
static json_t *quantity(struct builder *b, const struct quantity *q, const char *unit,
                        const struct budget *of)
{
    json_t *object;
    if (!q->present || !isfinite(q->value))
        return json_null();
    object = json_object();
    set(b, object, "value", number(q->value));
    set(b, object, "unit", json_string(unit));
    set(b, object, "standard_uncertainty", q->at_least ? json_null() : number(q->standard_uncertainty));
    set(b, object, "low_95", q->at_least ? json_null() : number(q->low_95));
    set(b, object, "high_95", q->at_least ? json_null() : number(q->high_95));
    set(b, object, "censored", json_boolean(q->at_least));
    set(b, object, "n", count(q->n));
    set(b, object, "degrees_of_freedom", q->at_least ? json_null() : number(q->degrees_of_freedom));
    set(b, object, "budget", budget(b, q->at_least ? NULL : of));
    return object;
}

/* Lists of sentences; rows of a two-dimensional array of char. */
static json_t *sentences(struct builder *b, const char *first, size_t row_size, size_t rows)
{
    json_t *array = json_array();
    for (size_t i = 0; i < rows; i++)
        append(b, array, text(first + i * row_size));
    return array;
}

static const char *last_part(const char *path)
{
    const char *slash = path;
    for (const char *p = path; *p != 0; p++) {
        if (*p == '/' && p[1] != 0)
            slash = p + 1;
    }
    return slash;
}

/* The estimates that the plan states, or their defaults. */
static json_t *estimates_object(struct builder *b, const struct plan *plan)
{
    json_t *object = json_object();
    for (int i = 0; i < PLAN_ESTIMATE_COUNT; i++) {
        json_t *estimate = json_object();
        set(b, estimate, "label", json_string(PLAN_ESTIMATE_KINDS[i].label));
        set(b, estimate, "value", number(plan->estimates[i].value));
        set(b, estimate, "unit", json_string(PLAN_ESTIMATE_KINDS[i].unit));
        set(b, estimate, "stated", json_boolean(plan->estimates[i].stated));
        set(b, object, PLAN_ESTIMATE_KINDS[i].key, estimate);
    }
    return object;
}

static json_t *series_object(struct builder *b, size_t number_of_series, const struct series *s)
{
    json_t *object = json_object();
    char name[256], seed[32];
    snprintf(name, sizeof name, "%s", last_part(s->folder));
    name[strcspn(name, "/")] = 0;
    /* A seed may need 64 bits, more than a JSON reader keeps exactly: it is text. */
    snprintf(seed, sizeof seed, "%llu", (unsigned long long)s->plan.seed);
    set(b, object, "series", count(number_of_series));
    set(b, object, "folder", text(name));
    set(b, object, "title", text(s->title));
    set(b, object, "simulated", json_boolean(s->simulated));
    set(b, object, "runs", count(s->run_count));
    set(b, object, "plan_seed", json_string(seed));
    set(b, object, "licence", text(s->plan.licence));
    set(b, object, "package_hash", text(s->package_hash));
    set(b, object, "calibration_date", text(s->calibration.date));
    set(b, object, "calibration_origin", text(s->calibration.origin));
    set(b, object, "calibration_replaced", json_boolean(s->calibration_replaced));
    set(b, object, "estimates", estimates_object(b, &s->plan));
    return object;
}

static json_t *run_object(struct builder *b, const struct session *session, const struct run_result *run)
{
    const struct run_record *r = run->record;
    const struct push_result *push = &run->push;
    const struct quantity none = {.present = false};
    bool ok = run->analysed;
    json_t *object = json_object(), *probability;
    set(b, object, "run", json_integer(r->number));
    set(b, object, "series", count(run->series + 1));
    set(b, object, "feeder", text(session->feeders[run->feeder].name));
    set(b, object, "test", json_string(PLAN_TEST_NAMES[r->test]));
    set(b, object, "speed_mm_s", number(r->speed_mm_s));
    set(b, object, "limited_by", ok ? json_string(LIMITED_NAMES[push->limited_by]) : json_null());
    set(b, object, "stall_force_n", quantity(b, ok ? &push->stall_force_n : &none, "N", &push->stall_budget));
    set(b, object, "slip_onset_n", quantity(b, ok ? &push->slip_onset_n : &none, "N", &push->onset_budget));
    set(b, object, "block", json_integer(r->block));
    set(b, object, "order", json_integer(r->order));
    set(b, object, "start_time", text(r->start_time));
    set(b, object, "ended", json_string(RUN_END_NAMES[r->ended]));
    set(b, object, "analysed", json_boolean(ok));
    set(b, object, "why_not", ok ? json_null() : text(run->why_not));
    set(b, object, "creep_per_n", quantity(b, ok ? &push->creep_per_n : &none, "1/N", NULL));
    set(b, object, "stiffness_n_per_mm", quantity(b, ok ? &push->stiffness_n_per_mm : &none, "N/mm", NULL));
    set(b, object, "drop_period_mm", quantity(b, ok ? &push->drop_period_mm : &none, "mm", NULL));
    set(b, object, "drops", ok ? count(push->event_count) : json_null());
    set(b, object, "settled", ok ? json_boolean(push->settled) : json_null());
    set(b, object, "greatest_force_n", ok ? number(push->greatest_force_n) : json_null());
    set(b, object, "zero_drift_n", ok ? number(push->zero_drift_n) : json_null());
    set(b, object, "noise_n", ok ? number(push->noise_n) : json_null());
    set(b, object, "with_encoder", ok ? json_boolean(push->with_encoder) : json_null());
    probability = ok ? json_object() : json_null();
    for (int i = 0; ok && i < 3; i++) {
        static const char *const names[] = {"motor", "grip", "neither"};
        set(b, probability, names[i], number(push->probability[i]));
    }
    set(b, object, "probability", probability);
    set(b, object, "evidence",
        sentences(b, push->evidence[0], sizeof push->evidence[0], ok ? push->evidence_count : 0));
    set(b, object, "flags", sentences(b, push->flags[0], sizeof push->flags[0], ok ? push->flag_count : 0));
    return object;
}

static json_t *flags_of(struct builder *b, const struct result_flags *flags)
{
    return sentences(b, flags->text[0], sizeof flags->text[0], flags->count);
}

/* Flags of both forces of a point, each with the force it is about. */
static json_t *point_flags(struct builder *b, const struct speed_point *point)
{
    json_t *array = json_array();
    char buffer[ANSWER_FLAG_SIZE];
    for (size_t i = 0; point != NULL && answer_point_flag(point, i, buffer, sizeof buffer) != NULL; i++)
        append(b, array, text(buffer));
    return array;
}

static json_t *point_object(struct builder *b, const struct speed_point *point)
{
    json_t *object = json_object(), *limited = json_object();
    struct quantity torque = answer_motor_torque(point);
    set(b, object, "speed_mm_s", number(point->speed_mm_s));
    set(b, object, "stall_force_n", quantity(b, &point->stall_force_n, "N", &point->stall_budget));
    set(b, object, "slip_onset_n", quantity(b, &point->slip_onset_n, "N", &point->onset_budget));
    set(b, object, "torque_nm", quantity(b, &torque, "N.m", &point->torque_budget));
    set(b, object, "runs", count(point->run_count));
    set(b, object, "censored_runs", count(point->censored_count));
    set(b, object, "runs_without_onset", count(point->no_onset_count));
    for (int i = 0; i < LIMITED_COUNT; i++)
        set(b, limited, LIMITED_NAMES[i], count(point->limited_count[i]));
    set(b, object, "limited_by", limited);
    set(b, object, "flags", point_flags(b, point));
    return object;
}

static json_t *curve_object(struct builder *b, const struct torque_curve *curve)
{
    json_t *object, *aicc, *points;
    if (!curve->present)
        return json_null();
    object = json_object();
    aicc = json_object();
    points = json_array();
    set(b, object, "model", json_string(TORQUE_MODEL_NAMES[curve->model]));
    for (int i = 0; i < TORQUE_MODELS; i++)
        set(b, aicc, TORQUE_MODEL_NAMES[i], number(curve->aicc[i]));
    set(b, object, "aicc", aicc);
    set(b, object, "corner_speed_mm_s", quantity(b, &curve->corner_speed_mm_s, "mm/s", NULL));
    set(b, object, "censored_points", count(curve->censored_count));
    set(b, object, "flags", flags_of(b, &curve->flags));
    for (size_t i = 0; i < CURVE_POINTS; i++) {
        json_t *point = json_object();
        set(b, point, "speed_mm_s", number(curve->speed_mm_s[i]));
        set(b, point, "torque_nm", number(curve->torque_nm[i]));
        set(b, point, "low_95_nm", number(curve->low_95_nm[i]));
        set(b, point, "high_95_nm", number(curve->high_95_nm[i]));
        append(b, points, point);
    }
    set(b, object, "points", points);
    return object;
}

static json_t *feeder_object(struct builder *b, const struct feeder_result *f)
{
    const struct quantity none = {.present = false};
    const struct speed_point *reference = answer_reference_point(f);
    json_t *object = json_object(), *points = json_array();
    set(b, object, "feeder", text(f->name));
    set(b, object, "description", f->description[0] != 0 ? text(f->description) : json_null());
    set(b, object, "speed_mm_s", reference != NULL ? number(reference->speed_mm_s) : json_null());
    set(b, object, "stall_force_n",
        quantity(b, reference != NULL ? &reference->stall_force_n : &none, "N",
                 reference != NULL ? &reference->stall_budget : NULL));
    set(b, object, "slip_onset_n",
        quantity(b, reference != NULL ? &reference->slip_onset_n : &none, "N",
                 reference != NULL ? &reference->onset_budget : NULL));
    set(b, object, "conditions", conditions_to_json(&f->conditions));
    set(b, object, "conditions_vary", json_boolean(f->conditions_vary));
    set(b, object, "flags", point_flags(b, reference));
    for (size_t i = 0; i < f->point_count; i++)
        append(b, points, point_object(b, &f->points[i]));
    set(b, object, "points", points);
    set(b, object, "torque_curve", curve_object(b, &f->torque_curve));
    set(b, object, "torque_curve_why_not",
        f->torque_curve.present ? json_null() : text(f->torque_curve.why_not));
    return object;
}

static json_t *comparison_object(struct builder *b, const struct session *session, const struct comparison *c)
{
    json_t *object = json_object();
    set(b, object, "quantity", text(c->quantity));
    set(b, object, "a", text(session->feeders[c->a].name));
    set(b, object, "b", text(session->feeders[c->b].name));
    set(b, object, "speed_mm_s", number(c->speed_mm_s));
    set(b, object, "difference", quantity(b, &c->difference, "N", &c->budget));
    set(b, object, "p_value", c->has_p_value ? number(c->p_value) : json_null());
    set(b, object, "p_value_unadjusted", c->has_p_value ? number(c->p_value_unadjusted) : json_null());
    set(b, object, "by_blocks", json_boolean(c->by_blocks));
    set(b, object, "verdict", json_string(VERDICT_NAMES[c->verdict]));
    set(b, object, "reasons", sentences(b, c->reasons[0], sizeof c->reasons[0], c->reason_count));
    set(b, object, "flags", flags_of(b, &c->flags));
    return object;
}

static json_t *document(struct builder *b, const struct session *session)
{
    json_t *root = json_object(), *series = json_array(), *runs = json_array(), *feeders = json_array(),
           *comparisons = json_array();
    set(b, root, "schema", json_string(REPORT_JSON_SCHEMA));
    set(b, root, "program", json_string("nipbench-analyze " NIPBENCH_VERSION));
    set(b, root, "simulated", json_boolean(session->simulated));
    set(b, root, "reference_speed_mm_s", number(session->reference_speed_mm_s));
    for (size_t i = 0; i < session->series_count; i++)
        append(b, series, series_object(b, i + 1, session->series[i]));
    for (size_t i = 0; i < session->run_count; i++)
        append(b, runs, run_object(b, session, &session->runs[i]));
    for (size_t i = 0; i < session->feeder_count; i++)
        append(b, feeders, feeder_object(b, &session->feeders[i]));
    for (size_t i = 0; i < session->comparison_count; i++)
        append(b, comparisons, comparison_object(b, session, &session->comparisons[i]));
    set(b, root, "series", series);
    set(b, root, "runs", runs);
    set(b, root, "feeders", feeders);
    set(b, root, "comparisons", comparisons);
    return root;
}

enum err_code report_json_write(const struct session *session, FILE *out, struct err *e)
{
    struct builder b = {false};
    json_t *root = document(&b, session);
    int rc = b.failed || root == NULL ? -1 : json_dumpf(root, out, JSON_INDENT(1) | JSON_REAL_PRECISION(12));
    json_decref(root);
    if (b.failed)
        return err_set(e, ERR_MEMORY, "out of memory for results.json");
    if (rc != 0 || fputc('\n', out) == EOF)
        return err_set(e, ERR_SYSTEM, "results.json could not be written");
    return ERR_OK;
}
