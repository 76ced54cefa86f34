#include "analyze/report/calibrate_json.h"

#include "analyze/report/json_build.h"
#include "analyze/report/text_format.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

/* Text, or null where there is none. */
static json_t *text_or_null(const char *value)
{
    return value[0] == 0 ? json_null() : json_build_text(value);
}

static json_t *numbers(struct json_build *b, const double *values, size_t n)
{
    json_t *array = json_array();
    for (size_t i = 0; i < n; i++)
        json_build_append(b, array, json_build_number(values[i]));
    return array;
}

#define COEFFICIENTS_MAX (CALIBRATION_FIT_DEGREE_MAX + 1)

static json_t *matrix(struct json_build *b, const double (*values)[COEFFICIENTS_MAX], size_t n)
{
    json_t *array = json_array();
    for (size_t i = 0; i < n; i++)
        json_build_append(b, array, numbers(b, values[i], n));
    return array;
}

static json_t *sentences(struct json_build *b, const struct calibrate_sentences *list)
{
    json_t *array = json_array();
    for (size_t i = 0; i < list->count; i++)
        json_build_append(b, array, text_or_null(list->text[i]));
    return array;
}

static json_t *test(struct json_build *b, const struct calibration_test *t)
{
    json_t *object;
    if (!t->present)
        return json_null();
    object = json_object();
    json_build_set(b, object, "f", json_build_number(t->f));
    json_build_set(b, object, "numerator_degrees_of_freedom",
                   json_build_number(t->numerator_degrees_of_freedom));
    json_build_set(b, object, "denominator_degrees_of_freedom",
                   json_build_number(t->denominator_degrees_of_freedom));
    json_build_set(b, object, "p_value", json_build_number(t->p_value));
    return object;
}

static json_t *characteristic(struct json_build *b, const struct calibration_characteristic *c)
{
    json_t *object;
    if (!c->present)
        return json_null();
    object = json_object();
    json_build_set(b, object, "percent_of_full_scale", json_build_number(c->percent));
    json_build_set(b, object, "load_n", json_build_number(c->load_n));
    return object;
}

static json_t *quantity(struct json_build *b, const struct quantity *q, const char *unit)
{
    json_t *object;
    if (!q->present)
        return json_null();
    object = json_object();
    json_build_set(b, object, "value", json_build_number(q->value));
    json_build_set(b, object, "unit", json_string(unit));
    json_build_set(b, object, "standard_uncertainty", json_build_number(q->standard_uncertainty));
    json_build_set(b, object, "low_95", json_build_number(q->low_95));
    json_build_set(b, object, "high_95", json_build_number(q->high_95));
    json_build_set(b, object, "censored", json_false());
    json_build_set(b, object, "n", json_build_count(q->n));
    return object;
}

static json_t *head(struct json_build *b, const char *kind, const struct readings_note *note,
                    const struct calibrate_filed *filed)
{
    json_t *root = json_object();
    json_build_set(b, root, "schema", json_string("nipbench-calibrate-1"));
    json_build_set(b, root, "kind", json_string(kind));
    json_build_set(b, root, "simulated", json_boolean(note->simulated));
    json_build_set(b, root, "rig_serial", text_or_null(note->rig_serial));
    json_build_set(b, root, "written_to",
                   filed->dry_run || filed->unchanged ? json_null() : text_or_null(filed->path));
    json_build_set(b, root, "kept_as", text_or_null(filed->kept_as));
    return root;
}

static enum err_code put(struct json_build *b, json_t *root, FILE *out, struct err *e)
{
    bool failed = b->failed ||
                  json_dumpf(root, out, JSON_INDENT(2) | JSON_PRESERVE_ORDER | JSON_REAL_PRECISION(17)) != 0;
    json_decref(root);
    if (failed)
        return err_set(e, ERR_MEMORY, "the results cannot be written as JSON: no memory, or no room");
    fputs("\n", out);
    return ERR_OK;
}

static void set_fit(struct json_build *b, json_t *root, const struct calibrate_force *result)
{
    const struct calibration_fit *fit = &result->fit;
    size_t p = (size_t)fit->degree + 1;
    json_t *alone = json_object();
    json_build_set(b, root, "degree", json_integer(fit->degree));
    json_build_set(b, root, "degree_asked",
                   result->degree_asked == CALIBRATION_FIT_DEGREE_AUTO ? json_string("auto")
                                                                       : json_integer(result->degree_asked));
    json_build_set(b, root, "degree_why", text_or_null(result->degree_why));
    json_build_set(b, root, "coefficients", numbers(b, fit->coefficients, p));
    json_build_set(b, root, "standard_errors", numbers(b, result->standard_errors, p));
    json_build_set(b, root, "covariance", matrix(b, result->covariance, p));
    json_build_set(b, root, "residual_sd", json_build_number(fit->residual_sd));
    json_build_set(b, root, "degrees_of_freedom", json_build_number(fit->degrees_of_freedom));
    json_build_set(b, root, "n", json_build_count(fit->n));
    json_build_set(b, root, "loads", json_build_count(fit->loads));
    json_build_set(b, root, "load_low_n", json_build_number(fit->load_low_n));
    json_build_set(b, root, "load_high_n", json_build_number(fit->load_high_n));
    json_build_set(b, alone, "standard_errors", numbers(b, fit->standard_errors, p));
    json_build_set(b, alone, "covariance", matrix(b, fit->covariance, p));
    json_build_set(b, root, "fit_alone", alone);
    json_build_set(b, root, "weights_relative_standard_uncertainty",
                   result->weights.known ? json_build_number(result->weights.relative) : json_null());
    json_build_set(b, root, "gravity_relative_standard_uncertainty",
                   result->gravity.known ? json_build_number(result->gravity.relative) : json_null());
    json_build_set(b, root, "curvature", test(b, &fit->curvature));
    json_build_set(b, root, "lack_of_fit", test(b, &fit->lack_of_fit));
    json_build_set(b, root, "replication_sd",
                   fit->replicated ? json_build_number(fit->replication_sd) : json_null());
    json_build_set(b, root, "replication_degrees_of_freedom",
                   fit->replicated ? json_build_number(fit->replication_degrees_of_freedom) : json_null());
}

static json_t *iso_376_terms(struct json_build *b, const struct calibration_fit *fit)
{
    json_t *terms = json_object();
    json_build_set(b, terms, "full_scale_counts", json_build_number(fit->full_scale_counts));
    json_build_set(b, terms, "repeatability", characteristic(b, &fit->repeatability));
    json_build_set(b, terms, "reversibility", characteristic(b, &fit->hysteresis));
    json_build_set(b, terms, "zero_return", characteristic(b, &fit->zero_return));
    json_build_set(b, terms, "linearity_deviation", characteristic(b, &fit->non_linearity));
    json_build_set(b, terms, "interpolation_deviation", characteristic(b, &fit->interpolation));
    return terms;
}

enum err_code calibrate_json_force(const struct readings *r, const struct readings_note *note,
                                   const struct calibrate_force *result, const struct calibrate_filed *filed,
                                   FILE *out, struct err *e)
{
    struct json_build b = {false};
    json_t *root = head(&b, "force", note, filed), *residuals = json_array();
    json_build_set(&b, root, "date", text_or_null(result->calibration.date));
    set_fit(&b, root, result);
    json_build_set(&b, root, "iso_376_terms", iso_376_terms(&b, &result->fit));
    json_build_set(&b, root, "operator_estimates", sentences(&b, &result->estimates));
    json_build_set(&b, root, "not_known", sentences(&b, &result->unknown));
    json_build_set(&b, root, "warnings", sentences(&b, &result->warnings));
    for (size_t i = 0; i < r->n; i++)
        json_build_append(
            &b, residuals,
            json_build_number(calibration_fit_residual(&result->fit, r->load_n[i], r->reading_counts[i])));
    json_build_set(&b, root, "residuals_counts", residuals);
    return put(&b, root, out, e);
}

enum err_code calibrate_json_feed(const struct readings *r, const struct readings_note *note,
                                  const struct calibrate_feed *results, const struct calibrate_filed *filed,
                                  FILE *out, struct err *e)
{
    struct json_build b = {false};
    json_t *root = head(&b, "feed", note, filed), *feeders = json_array(), *residuals = json_array();
    json_build_set(&b, root, "date", text_or_null(note->date));
    for (size_t k = 0; k < r->feeder_count; k++) {
        const struct calibrate_feed *f = &results[k];
        json_t *feeder = json_object();
        json_build_set(&b, feeder, "feeder", text_or_null(f->feeder));
        json_build_set(&b, feeder, "n", json_build_count(f->n));
        json_build_set(&b, feeder, "lengths", json_build_count(f->lengths));
        json_build_set(&b, feeder, "mm_per_microstep", quantity(&b, &f->mm_per_microstep, "mm"));
        json_build_set(&b, feeder, "offset_forward_mm", quantity(&b, &f->offset_mm[0], "mm"));
        json_build_set(&b, feeder, "offset_backward_mm", quantity(&b, &f->offset_mm[1], "mm"));
        json_build_set(&b, feeder, "drive_diameter_mm", quantity(&b, &f->drive_diameter_mm, "mm"));
        json_build_set(&b, feeder, "nominal_drive_diameter_mm", json_build_number(f->nominal_diameter_mm));
        json_build_set(&b, feeder, "residual_sd_mm", json_build_number(f->residual_sd_mm));
        json_build_set(&b, feeder, "length_sd_mm", json_build_number(f->reading_sd_mm));
        json_build_set(&b, feeder, "degrees_of_freedom", json_build_number(f->degrees_of_freedom));
        json_build_set(&b, feeder, "operator_estimates", sentences(&b, &f->estimates));
        json_build_set(&b, feeder, "not_known", sentences(&b, &f->unknown));
        json_build_set(&b, feeder, "warnings", sentences(&b, &f->warnings));
        json_build_append(&b, feeders, feeder);
    }
    json_build_set(&b, root, "feeders", feeders);
    for (size_t i = 0; i < r->n; i++)
        json_build_append(&b, residuals, json_build_number(results[r->feeder[i]].residual_mm[i]));
    json_build_set(&b, root, "residuals_mm", residuals);
    return put(&b, root, out, e);
}
