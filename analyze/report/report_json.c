#include "analyze/report/report_json.h"

#include "analyze/bench_test.h"
#include "analyze/report/answer.h"
#include "analyze/report/calibration_used.h"
#include "analyze/report/json_build.h"
#include "analyze/report/json_comparison.h"
#include "analyze/report/json_outcome.h"
#include "analyze/report/json_pieces.h"
#include "analyze/report/json_quality.h"
#include "analyze/report/predict_show.h"
#include "analyze/report/text_format.h"
#include "analyze/run_result.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Where a number comes from, component by component; null where there is no budget. */
static json_t *budget(struct json_build *b, const struct budget *of)
{
    json_t *array;
    if (of == NULL || of->count == 0)
        return json_null();
    array = json_array();
    for (size_t i = 0; i < of->count; i++) {
        const struct budget_component *c = &of->components[i];
        json_t *object = json_object();
        json_build_set(b, object, "name", json_build_text(c->name));
        json_build_set(b, object, "unit", json_build_text(c->unit));
        json_build_set(b, object, "standard_uncertainty", json_build_number(c->standard_uncertainty));
        json_build_set(b, object, "sensitivity", json_build_number(c->sensitivity));
        json_build_set(b, object, "contribution", json_build_number(c->contribution));
        json_build_set(b, object, "share", json_build_number(budget_share(of, i)));
        json_build_set(b, object, "degrees_of_freedom", json_build_number(c->degrees_of_freedom));
        json_build_set(b, object, "type", json_string(c->type == BUDGET_TYPE_A ? "A" : "B"));
        json_build_set(b, object, "operator_estimate", json_boolean(c->operator_estimate));
        json_build_append(b, array, object);
    }
    return array;
}

/* of: the budget of q; NULL when it has none. */
json_t *report_json_quantity(struct json_build *b, const struct quantity *q, const char *unit,
                             const struct budget *of)
{
    json_t *object;
    if (!q->present || !isfinite(q->value))
        return json_null();
    object = json_object();
    json_build_set(b, object, "value", json_build_number(q->value));
    json_build_set(b, object, "unit", json_build_text(unit));
    json_build_set(b, object, "standard_uncertainty",
                   q->at_least ? json_null() : json_build_number(q->standard_uncertainty));
    json_build_set(b, object, "low_95", q->at_least ? json_null() : json_build_number(q->low_95));
    json_build_set(b, object, "high_95", q->at_least ? json_null() : json_build_number(q->high_95));
    json_build_set(b, object, "censored", json_boolean(q->at_least));
    json_build_set(b, object, "n", json_build_count(q->n));
    json_build_set(b, object, "degrees_of_freedom",
                   q->at_least ? json_null() : json_build_number(q->degrees_of_freedom));
    json_build_set(b, object, "budget", budget(b, q->at_least ? NULL : of));
    return object;
}

/* Lists of sentences; rows of a two-dimensional array of char. */
json_t *report_json_sentences(struct json_build *b, const char *first, size_t row_size, size_t rows)
{
    json_t *array = json_array();
    for (size_t i = 0; i < rows; i++)
        json_build_append(b, array, json_build_text(first + i * row_size));
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
static json_t *estimates_object(struct json_build *b, const struct plan *plan)
{
    json_t *object = json_object();
    for (int i = 0; i < PLAN_ESTIMATE_COUNT; i++) {
        json_t *estimate = json_object();
        json_build_set(b, estimate, "label", json_string(PLAN_ESTIMATE_KINDS[i].label));
        json_build_set(b, estimate, "value", json_build_number(plan->estimates[i].value));
        json_build_set(b, estimate, "unit", json_string(PLAN_ESTIMATE_KINDS[i].unit));
        json_build_set(b, estimate, "stated", json_boolean(plan->estimates[i].stated));
        json_build_set(b, object, PLAN_ESTIMATE_KINDS[i].key, estimate);
    }
    return object;
}

static json_t *series_object(struct json_build *b, const struct session *session, size_t index,
                             const struct data_quality_sum *quality)
{
    const struct series *s = session->series[index];
    json_t *object = json_object();
    char name[256], seed[32];
    snprintf(name, sizeof name, "%s", last_part(s->folder));
    name[strcspn(name, "/")] = 0;
    /* A seed may need 64 bits, more than a JSON reader keeps exactly: it is text. */
    snprintf(seed, sizeof seed, "%llu", (unsigned long long)s->plan.seed);
    json_build_set(b, object, "series", json_build_count(index + 1));
    json_build_set(b, object, "folder", json_build_text(name));
    json_build_set(b, object, "title", json_build_text(s->title));
    json_build_set(b, object, "simulated", json_boolean(s->simulated));
    json_build_set(b, object, "runs", json_build_count(s->run_count));
    json_build_set(b, object, "plan_seed", json_string(seed));
    json_build_set(b, object, "licence", json_build_text(s->plan.licence));
    json_build_set(b, object, "package_hash", json_build_text(s->package_hash));
    json_build_set(b, object, "calibration_date", json_build_text(s->calibration.date));
    json_build_set(b, object, "calibration_origin", json_build_text(s->calibration.origin));
    json_build_set(b, object, "calibration_replaced", json_boolean(s->calibration_replaced));
    calibration_used_of_series(b, object, s);
    json_build_set(b, object, "estimates", estimates_object(b, &s->plan));
    json_build_set(b, object, "data_quality", json_quality_sum(b, session, quality));
    return object;
}

/* How finely a push was read. */
static json_t *sampling_object(struct json_build *b, const struct push_sampling *s, bool separate)
{
    json_t *object = json_object();
    bool known = s->force_n > 0;
    json_build_set(b, object, "interval_s", json_build_number(s->interval_s));
    json_build_set(b, object, "feed_per_reading_mm", json_build_number(s->feed_mm));
    json_build_set(b, object, "rise_per_reading_n", known ? json_build_number(s->force_n) : json_null());
    json_build_set(b, object, "resolved_to_n", known ? json_build_number(s->force_n / 2) : json_null());
    json_build_set(b, object, "readings_per_motor_cycle", json_build_number(s->cycle_readings));
    json_build_set(b, object, "readings_per_tooth_pitch",
                   s->pitch_mm > 0 ? json_build_number(s->pitch_readings) : json_null());
    json_build_set(b, object, "readings_on_rise", json_build_count(s->rise_readings));
    json_build_set(b, object, "coarse", json_boolean(s->coarse));
    json_build_set(b, object, "separate_instruments", json_boolean(separate));
    return object;
}

static json_t *texts(struct json_build *b, const struct run_texts *of_run, bool any)
{
    json_t *array = json_array();
    for (size_t i = 0; any && i < of_run->count; i++)
        json_build_append(b, array, json_build_text(run_text(of_run, i)));
    return array;
}

static json_t *run_object(struct json_build *b, const struct session *session, const struct run_result *run)
{
    const struct run_record *r = run->record;
    const struct run_push *push = &run->push;
    const struct quantity none = {.present = false};
    const struct budget stall = run_budget(&push->stall_budget), onset = run_budget(&push->onset_budget);
    bool push_kind = bench_test_is_push(r->test), ok = run->analysed && push_kind;
    json_t *object = json_object(), *probability;
    json_build_set(b, object, "run", json_integer(r->number));
    json_build_set(b, object, "series", json_build_count(run->series + 1));
    json_build_set(b, object, "feeder", json_build_text(session->feeders[run->feeder].name));
    json_build_set(b, object, "test", json_string(PLAN_TEST_NAMES[r->test]));
    json_build_set(b, object, "speed_mm_s", json_build_number(r->speed_mm_s));
    json_build_set(b, object, "limited_by", ok ? json_string(LIMITED_NAMES[push->limited_by]) : json_null());
    json_build_set(b, object, "stall_force_n",
                   report_json_quantity(b, ok ? &push->stall_force_n : &none, "N", &stall));
    json_build_set(b, object, "slip_onset_n",
                   report_json_quantity(b, ok ? &push->slip_onset_n : &none, "N", &onset));
    json_build_set(b, object, "block", json_integer(r->block));
    json_build_set(b, object, "order", json_integer(r->order));
    json_build_set(b, object, "start_time", json_build_text(r->start_time));
    json_build_set(b, object, "ended", json_string(RUN_END_NAMES[r->ended]));
    json_build_set(b, object, "analysed", json_boolean(run->analysed));
    json_build_set(b, object, "why_not", run->why_not == NULL ? json_null() : json_build_text(run->why_not));
    json_build_set(b, object, "creep_per_n",
                   report_json_quantity(b, ok ? &push->creep_per_n : &none, "1/N", NULL));
    json_build_set(b, object, "stiffness_n_per_mm",
                   report_json_quantity(b, ok ? &push->stiffness_n_per_mm : &none, "N/mm", NULL));
    json_build_set(b, object, "drop_period_mm",
                   report_json_quantity(b, ok ? &push->drop_period_mm : &none, "mm", NULL));
    json_build_set(b, object, "drops", ok ? json_build_count(push->event_count) : json_null());
    json_build_set(b, object, "settled", ok ? json_boolean(push->settled) : json_null());
    json_build_set(b, object, "greatest_force_n",
                   ok ? json_build_number(push->greatest_force_n) : json_null());
    json_build_set(b, object, "zero_drift_n",
                   run->analysed ? json_build_number(push->zero_drift_n) : json_null());
    json_build_set(b, object, "noise_n", run->analysed ? json_build_number(push->noise_n) : json_null());
    json_build_set(b, object, "with_encoder", ok ? json_boolean(push->with_encoder) : json_null());
    json_build_set(b, object, "sampling",
                   ok && push->sampling.interval_s > 0
                       ? sampling_object(b, &push->sampling, r->separate != NULL)
                       : json_null());
    probability = ok ? json_object() : json_null();
    for (int i = 0; ok && i < 3; i++) {
        static const char *const names[] = {"motor", "grip", "neither"};
        json_build_set(b, probability, names[i], json_build_number(push->probability[i]));
    }
    json_build_set(b, object, "probability", probability);
    json_build_set(b, object, "evidence", texts(b, &push->evidence, ok));
    json_build_set(b, object, "flags", texts(b, &push->flags, run->analysed));
    json_outcome_run(b, object, run);
    json_build_set(b, object, "data_quality", json_quality_run(b, session, run));
    return object;
}

static json_t *flags_of(struct json_build *b, const struct result_flags *flags)
{
    return report_json_sentences(b, flags->text[0], sizeof flags->text[0], flags->count);
}

/* Flags of both forces of a point, each with the force it is about. */
static json_t *point_flags(struct json_build *b, const struct speed_point *point)
{
    json_t *array = json_array();
    char buffer[ANSWER_FLAG_SIZE];
    for (size_t i = 0; point != NULL && answer_point_flag(point, i, buffer, sizeof buffer) != NULL; i++)
        json_build_append(b, array, json_build_text(buffer));
    return array;
}

static json_t *point_object(struct json_build *b, const struct speed_point *point)
{
    json_t *object = json_object(), *limited = json_object();
    struct quantity torque = answer_motor_torque(point);
    json_build_set(b, object, "speed_mm_s", json_build_number(point->speed_mm_s));
    json_build_set(b, object, "stall_force_n",
                   report_json_quantity(b, &point->stall_force_n, "N", &point->stall_budget));
    json_build_set(b, object, "slip_onset_n",
                   report_json_quantity(b, &point->slip_onset_n, "N", &point->onset_budget));
    json_build_set(b, object, "torque_nm", report_json_quantity(b, &torque, "N.m", &point->torque_budget));
    json_build_set(b, object, "runs", json_build_count(point->run_count));
    json_build_set(b, object, "censored_runs", json_build_count(point->censored_count));
    json_build_set(b, object, "runs_without_onset", json_build_count(point->no_onset_count));
    for (int i = 0; i < LIMITED_COUNT; i++)
        json_build_set(b, limited, LIMITED_NAMES[i], json_build_count(point->limited_count[i]));
    json_build_set(b, object, "limited_by", limited);
    json_build_set(b, object, "flags", point_flags(b, point));
    return object;
}

static json_t *curve_object(struct json_build *b, const struct torque_curve *curve)
{
    json_t *object, *aicc, *points;
    if (!curve->present)
        return json_null();
    object = json_object();
    aicc = json_object();
    points = json_array();
    json_build_set(b, object, "model", json_string(TORQUE_MODEL_NAMES[curve->model]));
    for (int i = 0; i < TORQUE_MODELS; i++)
        json_build_set(b, aicc, TORQUE_MODEL_NAMES[i], json_build_number(curve->aicc[i]));
    json_build_set(b, object, "aicc", aicc);
    json_build_set(b, object, "corner_speed_mm_s",
                   report_json_quantity(b, &curve->corner_speed_mm_s, "mm/s", NULL));
    json_build_set(b, object, "censored_points", json_build_count(curve->censored_count));
    json_build_set(b, object, "flags", flags_of(b, &curve->flags));
    for (size_t i = 0; i < CURVE_POINTS; i++) {
        json_t *point = json_object();
        json_build_set(b, point, "speed_mm_s", json_build_number(curve->speed_mm_s[i]));
        json_build_set(b, point, "torque_nm", json_build_number(curve->torque_nm[i]));
        json_build_set(b, point, "low_95_nm", json_build_number(curve->low_95_nm[i]));
        json_build_set(b, point, "high_95_nm", json_build_number(curve->high_95_nm[i]));
        json_build_append(b, points, point);
    }
    json_build_set(b, object, "points", points);
    return object;
}

static json_t *feeder_object(struct json_build *b, const struct session *session, size_t index,
                             const struct data_quality_sum *quality)
{
    const struct feeder_result *f = &session->feeders[index];
    char buckling[320];
    const struct quantity none = {.present = false};
    const struct speed_point *reference = answer_reference_point(f);
    json_t *object = json_object(), *points = json_array(), *tests = json_array();
    json_build_set(b, object, "feeder", json_build_text(f->name));
    json_build_set(b, object, "series", json_build_count(f->series + 1));
    json_build_set(b, object, "description",
                   f->description[0] != 0 ? json_build_text(f->description) : json_null());
    json_build_set(b, object, "speed_mm_s",
                   reference != NULL ? json_build_number(reference->speed_mm_s) : json_null());
    json_build_set(b, object, "stall_force_n",
                   report_json_quantity(b, reference != NULL ? &reference->stall_force_n : &none, "N",
                                        reference != NULL ? &reference->stall_budget : NULL));
    json_build_set(b, object, "slip_onset_n",
                   report_json_quantity(b, reference != NULL ? &reference->slip_onset_n : &none, "N",
                                        reference != NULL ? &reference->onset_budget : NULL));
    json_build_set(b, object, "conditions", conditions_to_json(&f->conditions));
    json_build_set(b, object, "conditions_vary", json_boolean(f->conditions_vary));
    json_build_set(b, object, "flags", point_flags(b, reference));
    for (size_t i = 0; i < f->point_count; i++)
        json_build_append(b, points, point_object(b, &f->points[i]));
    json_build_set(b, object, "points", points);
    json_build_set(b, object, "torque_curve", curve_object(b, &f->torque_curve));
    json_build_set(b, object, "torque_curve_why_not",
                   f->torque_curve.present ? json_null() : json_build_text(f->torque_curve.why_not));
    json_build_set(b, object, "buckling",
                   answer_buckling(session, index, buckling, sizeof buckling) ? json_build_text(buckling)
                                                                              : json_null());
    for (size_t i = 0; i < f->outcome_count; i++)
        json_build_append(b, tests, json_outcome(b, &f->outcomes[i]));
    json_build_set(b, object, "tests", tests);
    json_build_set(b, object, "data_quality", json_quality_sum(b, session, quality));
    return object;
}

/* What the items of lists are made of. */
struct report_json {
    const struct session *session;
    struct data_quality_sums quality;
    struct json_pieces *pieces;
    FILE *out;
    bool failed;
};

static json_t *series_item(struct json_build *b, const void *context, size_t i)
{
    const struct report_json *w = context;
    return series_object(b, w->session, i, &w->quality.series[i]);
}

static json_t *run_item(struct json_build *b, const void *context, size_t i)
{
    const struct report_json *w = context;
    return run_object(b, w->session, &w->session->runs[i]);
}

static json_t *feeder_item(struct json_build *b, const void *context, size_t i)
{
    const struct report_json *w = context;
    return feeder_object(b, w->session, i, &w->quality.feeders[i]);
}

static json_t *comparison_item(struct json_build *b, const void *context, size_t i)
{
    return json_comparison(b, ((const struct report_json *)context)->session, i);
}

static json_t *family_item(struct json_build *b, const void *context, size_t i)
{
    return json_comparison_family(b, ((const struct report_json *)context)->session, i);
}

/* All members, in the order of the file. */
static void add_members(struct json_build *b, struct json_pieces *p, const struct session *session)
{
    json_pieces_member(p, "schema", json_string(REPORT_JSON_SCHEMA));
    json_pieces_member(p, "program", json_string("nipbench-analyze " NIPBENCH_VERSION));
    json_pieces_member(p, "simulated", json_boolean(session->simulated));
    json_pieces_member(p, "reference_speed_mm_s", json_build_number(session->reference_speed_mm_s));
    json_pieces_member(p, "margin", json_build_number(session->margin));
    if (session->motor_count > 0)
        json_pieces_member(p, "motors", predict_json_motors(b, session));
    json_pieces_list(p, "series", series_item, session->series_count);
    json_pieces_list(p, "runs", run_item, session->run_count);
    json_pieces_list(p, "feeders", feeder_item, session->feeder_count);
    if (session->motor_count > 0)
        json_pieces_member(p, "predictions", predict_json_predictions(b, session));
    json_pieces_member(p, "accept", json_comparison_accept(b, session));
    json_pieces_member(p, "matters", json_comparison_matters(b, session));
    json_pieces_list(p, "comparisons", comparison_item, session->comparison_count);
    json_pieces_list(p, "families", family_item, session->family_count);
}

static enum err_code no_memory(struct err *e)
{
    return err_set(e, ERR_MEMORY, "out of memory for results.json");
}

enum err_code report_json_begin(const struct session *session, FILE *out, struct report_json **writer,
                                struct err *e)
{
    struct report_json *w = calloc(1, sizeof *w);
    struct json_build b = {false};
    enum err_code code;
    *writer = NULL;
    if (w == NULL)
        return no_memory(e);
    w->session = session;
    w->out = out;
    code = data_quality_sum_up(session, &w->quality, e);
    if (code == ERR_OK) {
        w->pieces = json_pieces_begin(w, out);
        if (w->pieces == NULL)
            code = no_memory(e);
    }
    if (w->pieces != NULL) {
        add_members(&b, w->pieces, session);
        w->failed = b.failed;
        *writer = w;
    } else {
        data_quality_free(&w->quality);
        free(w);
    }
    return code;
}

void report_json_work(struct report_json *writer)
{
    json_pieces_work(writer->pieces);
}

enum err_code report_json_end(struct report_json *writer, struct err *e)
{
    bool done = json_pieces_end(writer->pieces) && !writer->failed, written = ferror(writer->out) == 0;
    data_quality_free(&writer->quality);
    free(writer);
    if (!written)
        return err_set(e, ERR_SYSTEM, "results.json could not be written");
    return done ? ERR_OK : no_memory(e);
}

enum err_code report_json_write(const struct session *session, FILE *out, struct err *e)
{
    struct report_json *writer;
    enum err_code code = report_json_begin(session, out, &writer, e);
    return code == ERR_OK ? report_json_end(writer, e) : code;
}
