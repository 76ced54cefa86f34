#include "analyze/report/calibrate_json.h"

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
    return isfinite(value) ? json_real(value == 0 ? 0.0 : value) : json_null();
}

static json_t *text(const char *value)
{
    char clean[1200];
    return value[0] == 0 ? json_null() : json_string(text_clean(value, clean, sizeof clean));
}

static json_t *count(size_t value)
{
    return json_integer((json_int_t)value);
}

static json_t *numbers(struct builder *b, const double *values, size_t n)
{
    json_t *array = json_array();
    for (size_t i = 0; i < n; i++)
        append(b, array, number(values[i]));
    return array;
}

#define COEFFICIENTS_MAX (CALIBRATION_FIT_DEGREE_MAX + 1)

static json_t *matrix(struct builder *b, const double (*values)[COEFFICIENTS_MAX], size_t n)
{
    json_t *array = json_array();
    for (size_t i = 0; i < n; i++)
        append(b, array, numbers(b, values[i], n));
    return array;
}

static json_t *sentences(struct builder *b, const struct calibrate_sentences *list)
{
    json_t *array = json_array();
    for (size_t i = 0; i < list->count; i++)
        append(b, array, text(list->text[i]));
    return array;
}

static json_t *test(struct builder *b, const struct calibration_test *t)
{
    json_t *object;
    if (!t->present)
        return json_null();
    object = json_object();
    set(b, object, "f", number(t->f));
    set(b, object, "numerator_degrees_of_freedom", number(t->numerator_degrees_of_freedom));
    set(b, object, "denominator_degrees_of_freedom", number(t->denominator_degrees_of_freedom));
    set(b, object, "p_value", number(t->p_value));
    return object;
}

static json_t *characteristic(struct builder *b, const struct calibration_characteristic *c)
{
    json_t *object;
    if (!c->present)
        return json_null();
    object = json_object();
    set(b, object, "percent_of_full_scale", number(c->percent));
    set(b, object, "load_n", number(c->load_n));
    return object;
}

static json_t *quantity(struct builder *b, const struct quantity *q, const char *unit)
{
    json_t *object;
    if (!q->present)
        return json_null();
    object = json_object();
    set(b, object, "value", number(q->value));
    set(b, object, "unit", json_string(unit));
    set(b, object, "standard_uncertainty", number(q->standard_uncertainty));
    set(b, object, "low_95", number(q->low_95));
    set(b, object, "high_95", number(q->high_95));
    set(b, object, "censored", json_false());
    set(b, object, "n", count(q->n));
    return object;
}

static json_t *head(struct builder *b, const char *kind, const struct readings_note *note,
                    const struct calibrate_filed *filed)
{
    json_t *root = json_object();
    set(b, root, "schema", json_string("nipbench-calibrate-1"));
    set(b, root, "kind", json_string(kind));
    set(b, root, "simulated", json_boolean(note->simulated));
    set(b, root, "rig_serial", text(note->rig_serial));
    set(b, root, "written_to", filed->dry_run || filed->unchanged ? json_null() : text(filed->path));
    set(b, root, "kept_as", text(filed->kept_as));
    return root;
}

static enum err_code put(struct builder *b, json_t *root, FILE *out, struct err *e)
{
    bool failed = b->failed ||
                  json_dumpf(root, out, JSON_INDENT(2) | JSON_PRESERVE_ORDER | JSON_REAL_PRECISION(17)) != 0;
    json_decref(root);
    if (failed)
        return err_set(e, ERR_MEMORY, "the results cannot be written as JSON: no memory, or no room");
    fputs("\n", out);
    return ERR_OK;
}

static void set_fit(struct builder *b, json_t *root, const struct calibrate_force *result)
{
    const struct calibration_fit *fit = &result->fit;
    size_t p = (size_t)fit->degree + 1;
    json_t *alone = json_object();
    set(b, root, "degree", json_integer(fit->degree));
    set(b, root, "degree_asked",
        result->degree_asked == CALIBRATION_FIT_DEGREE_AUTO ? json_string("auto")
                                                            : json_integer(result->degree_asked));
    set(b, root, "degree_why", text(result->degree_why));
    set(b, root, "coefficients", numbers(b, fit->coefficients, p));
    set(b, root, "standard_errors", numbers(b, result->standard_errors, p));
    set(b, root, "covariance", matrix(b, result->covariance, p));
    set(b, root, "residual_sd", number(fit->residual_sd));
    set(b, root, "degrees_of_freedom", number(fit->degrees_of_freedom));
    set(b, root, "n", count(fit->n));
    set(b, root, "loads", count(fit->loads));
    set(b, root, "load_low_n", number(fit->load_low_n));
    set(b, root, "load_high_n", number(fit->load_high_n));
    set(b, alone, "standard_errors", numbers(b, fit->standard_errors, p));
    set(b, alone, "covariance", matrix(b, fit->covariance, p));
    set(b, root, "fit_alone", alone);
    set(b, root, "weights_relative_standard_uncertainty",
        result->weights.known ? number(result->weights.relative) : json_null());
    set(b, root, "gravity_relative_standard_uncertainty",
        result->gravity.known ? number(result->gravity.relative) : json_null());
    set(b, root, "curvature", test(b, &fit->curvature));
    set(b, root, "lack_of_fit", test(b, &fit->lack_of_fit));
    set(b, root, "replication_sd", fit->replicated ? number(fit->replication_sd) : json_null());
    set(b, root, "replication_degrees_of_freedom",
        fit->replicated ? number(fit->replication_degrees_of_freedom) : json_null());
}

static json_t *iso_376_terms(struct builder *b, const struct calibration_fit *fit)
{
    json_t *terms = json_object();
    set(b, terms, "full_scale_counts", number(fit->full_scale_counts));
    set(b, terms, "repeatability", characteristic(b, &fit->repeatability));
    set(b, terms, "reversibility", characteristic(b, &fit->hysteresis));
    set(b, terms, "zero_return", characteristic(b, &fit->zero_return));
    set(b, terms, "linearity_deviation", characteristic(b, &fit->non_linearity));
    set(b, terms, "interpolation_deviation", characteristic(b, &fit->interpolation));
    return terms;
}

enum err_code calibrate_json_force(const struct readings *r, const struct readings_note *note,
                                   const struct calibrate_force *result, const struct calibrate_filed *filed,
                                   FILE *out, struct err *e)
{
    struct builder b = {false};
    json_t *root = head(&b, "force", note, filed), *residuals = json_array();
    set(&b, root, "date", text(result->calibration.date));
    set_fit(&b, root, result);
    set(&b, root, "iso_376_terms", iso_376_terms(&b, &result->fit));
    set(&b, root, "operator_estimates", sentences(&b, &result->estimates));
    set(&b, root, "not_known", sentences(&b, &result->unknown));
    set(&b, root, "warnings", sentences(&b, &result->warnings));
    for (size_t i = 0; i < r->n; i++)
        append(&b, residuals,
               number(calibration_fit_residual(&result->fit, r->load_n[i], r->reading_counts[i])));
    set(&b, root, "residuals_counts", residuals);
    return put(&b, root, out, e);
}

enum err_code calibrate_json_feed(const struct readings *r, const struct readings_note *note,
                                  const struct calibrate_feed *results, const struct calibrate_filed *filed,
                                  FILE *out, struct err *e)
{
    struct builder b = {false};
    json_t *root = head(&b, "feed", note, filed), *feeders = json_array(), *residuals = json_array();
    set(&b, root, "date", text(note->date));
    for (size_t k = 0; k < r->feeder_count; k++) {
        const struct calibrate_feed *f = &results[k];
        json_t *feeder = json_object();
        set(&b, feeder, "feeder", text(f->feeder));
        set(&b, feeder, "n", count(f->n));
        set(&b, feeder, "lengths", count(f->lengths));
        set(&b, feeder, "mm_per_microstep", quantity(&b, &f->mm_per_microstep, "mm"));
        set(&b, feeder, "offset_forward_mm", quantity(&b, &f->offset_mm[0], "mm"));
        set(&b, feeder, "offset_backward_mm", quantity(&b, &f->offset_mm[1], "mm"));
        set(&b, feeder, "drive_diameter_mm", quantity(&b, &f->drive_diameter_mm, "mm"));
        set(&b, feeder, "nominal_drive_diameter_mm", number(f->nominal_diameter_mm));
        set(&b, feeder, "residual_sd_mm", number(f->residual_sd_mm));
        set(&b, feeder, "length_sd_mm", number(f->reading_sd_mm));
        set(&b, feeder, "degrees_of_freedom", number(f->degrees_of_freedom));
        set(&b, feeder, "operator_estimates", sentences(&b, &f->estimates));
        set(&b, feeder, "not_known", sentences(&b, &f->unknown));
        set(&b, feeder, "warnings", sentences(&b, &f->warnings));
        append(&b, feeders, feeder);
    }
    set(&b, root, "feeders", feeders);
    for (size_t i = 0; i < r->n; i++)
        append(&b, residuals, number(results[r->feeder[i]].residual_mm[i]));
    set(&b, root, "residuals_mm", residuals);
    return put(&b, root, out, e);
}
