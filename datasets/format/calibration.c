#include "datasets/format/calibration.h"

#include "datasets/format/file_bytes.h"
#include "datasets/format/json_strict.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SCHEMA "nipbench-calibration-1"
/* No load cell of a bench rig carries more; it also keeps the square of a load far from overflow. */
#define LOAD_MAX_N   1e9
#define COUNTS_MAX   1e12
#define RELATIVE_MAX 0.5
/* What rounding to a dozen digits may do to a covariance; far below any real fault. */
#define CORRELATION_SLACK 1e-6

static double slope_counts_per_n(const struct calibration *c, double load_n)
{
    double slope = c->coefficients[1];
    if (c->degree == 2)
        slope += 2.0 * c->coefficients[2] * load_n;
    return slope;
}

/* Symmetric, and positive semidefinite as every covariance is: on the scale of correlations, each
 * off-diagonal within one and, for three coefficients, the determinant not negative. */
static const char *covariance_fault(const struct calibration *c)
{
    size_t n = (size_t)c->degree + 1;
    double r[CALIBRATION_DEGREE_MAX + 1][CALIBRATION_DEGREE_MAX + 1];
    for (size_t i = 0; i < n; i++) {
        if (c->covariance[i][i] < 0)
            return "has a negative variance";
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            double scale = sqrt(c->covariance[i][i]) * sqrt(c->covariance[j][j]);
            if (scale == 0 && c->covariance[i][j] != 0)
                return "has a covariance beside a zero variance";
            r[i][j] = scale == 0 ? (i == j ? 1.0 : 0.0) : c->covariance[i][j] / scale;
        }
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < i; j++) {
            if (fabs(r[i][j] - r[j][i]) > CORRELATION_SLACK)
                return "is not symmetric";
            if (fabs(r[i][j]) > 1 + CORRELATION_SLACK)
                return "is not positive semidefinite";
        }
    }
    if (n == 3 &&
        1 + 2 * r[0][1] * r[0][2] * r[1][2] - r[0][1] * r[0][1] - r[0][2] * r[0][2] - r[1][2] * r[1][2] <
            -CORRELATION_SLACK)
        return "is not positive semidefinite";
    return NULL;
}

/* Everything that the types alone do not say. */
static enum err_code check(const struct calibration *c, const char *path, struct err *e)
{
    double slope_low;
    double slope_high;
    const char *fault = covariance_fault(c);
    if (strcmp(c->origin, "stated") != 0 && strcmp(c->origin, "fitted") != 0)
        return err_set_at(e, ERR_FILE, path, 0, 0, "origin: '%s' is neither stated nor fitted", c->origin);
    if (fault != NULL)
        return err_set_at(e, ERR_FILE, path, 0, 0, "force.covariance: %s", fault);
    if (!(c->load_low_n < c->load_high_n))
        return err_set_at(e, ERR_FILE, path, 0, 0, "force: load_low_n must be below load_high_n");
    /* A reading that turns back within the range belongs to two loads. From no load up it must be one-to-one.
     */
    slope_low = slope_counts_per_n(c, fmin(0, c->load_low_n));
    slope_high = slope_counts_per_n(c, fmax(0, c->load_high_n));
    if (!(slope_low * slope_high > 0))
        return err_set_at(
            e, ERR_FILE, path, 0, 0,
            "force.coefficients: the slope must not be zero or change its sign within the load range");
    for (size_t i = 0; i < c->feed_count; i++) {
        for (size_t j = 0; j < i; j++) {
            if (strcmp(c->feeds[i].feeder, c->feeds[j].feeder) == 0)
                return err_set_at(e, ERR_FILE, path, 0, 0, "feeds: '%s' occurs twice", c->feeds[i].feeder);
        }
    }
    return ERR_OK;
}

static enum err_code read_force(const struct json_place *p, struct calibration *c, struct err *e)
{
    static const char *const known[] = {
        "degree",     "coefficients", "covariance", "residual_sd_counts", "degrees_of_freedom",
        "load_low_n", "load_high_n"};
    const json_t *rows;
    int64_t degree = 0;
    enum err_code code = json_strict_whole(p, "degree", 1, CALIBRATION_DEGREE_MAX, &degree, e);
    size_t n = (size_t)degree + 1;
    c->degree = (int)degree;
    if (code == ERR_OK)
        code = json_strict_numbers(p, "coefficients", n, c->coefficients, e);
    if (code == ERR_OK)
        code = json_strict_child(p, "covariance", JSON_ARRAY, &rows, e);
    if (code == ERR_OK && json_array_size(rows) != n)
        code = err_set_at(e, ERR_FILE, p->file, 0, 0, "force.covariance: must hold %zu rows, not %zu", n,
                          json_array_size(rows));
    for (size_t i = 0; code == ERR_OK && i < n; i++) {
        /* A row is looked up as if it were an entry, so that the message names it. */
        json_t *row = json_pack("{s:O}", "row", json_array_get(rows, i));
        const struct json_place place = {row, p->file, "force.covariance."};
        code = row == NULL ? err_set_at(e, ERR_MEMORY, p->file, 0, 0, "no memory to read it")
                           : json_strict_numbers(&place, "row", n, c->covariance[i], e);
        json_decref(row);
    }
    for (size_t i = 0; code == ERR_OK && i < n; i++) {
        if (fabs(c->coefficients[i]) > COUNTS_MAX)
            code = err_set_at(e, ERR_FILE, p->file, 0, 0, "force.coefficients: %g is outside -%g to %g",
                              c->coefficients[i], COUNTS_MAX, COUNTS_MAX);
    }
    if (code == ERR_OK)
        code = json_strict_number(p, "residual_sd_counts", 0, COUNTS_MAX, &c->residual_sd_counts, e);
    if (code == ERR_OK)
        code = json_strict_number_or_infinity(p, "degrees_of_freedom", 1, 1e12, &c->degrees_of_freedom, e);
    if (code == ERR_OK)
        code = json_strict_number(p, "load_low_n", -LOAD_MAX_N, LOAD_MAX_N, &c->load_low_n, e);
    if (code == ERR_OK)
        code = json_strict_number(p, "load_high_n", -LOAD_MAX_N, LOAD_MAX_N, &c->load_high_n, e);
    return code != ERR_OK ? code : json_strict_finish(p, known, sizeof known / sizeof known[0], e);
}

static enum err_code read_encoder(const struct json_place *root, struct calibration *c, struct err *e)
{
    static const char *const known[] = {"mm_per_count", "standard_uncertainty_mm_per_count"};
    const json_t *encoder = json_object_get(root->object, "encoder");
    struct json_place p = {encoder, root->file, "encoder."};
    enum err_code code;
    if (json_is_null(encoder))
        return ERR_OK;
    code = json_strict_child(root, "encoder", JSON_OBJECT, &encoder, e);
    /* Negative where forward feed counts down. */
    if (code == ERR_OK)
        code = json_strict_number(&p, "mm_per_count", -100, 100, &c->encoder_mm_per_count, e);
    if (code == ERR_OK && c->encoder_mm_per_count == 0)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0,
                          "encoder.mm_per_count: must not be 0; without an encoder write \"encoder\": null");
    if (code == ERR_OK)
        code = json_strict_number(&p, "standard_uncertainty_mm_per_count", 0, 100,
                                  &c->encoder_standard_uncertainty_mm_per_count, e);
    return code != ERR_OK ? code : json_strict_finish(&p, known, 2, e);
}

static enum err_code read_feed(const struct json_place *p, struct calibration_feed *feed, struct err *e)
{
    static const char *const known[] = {"feeder", "mm_per_microstep", "standard_uncertainty_mm_per_microstep",
                                        "degrees_of_freedom"};
    enum err_code code = json_strict_text(p, "feeder", feed->feeder, sizeof feed->feeder, e);
    if (code == ERR_OK)
        code = json_strict_number(p, "mm_per_microstep", 1e-9, 100, &feed->mm_per_microstep, e);
    if (code == ERR_OK)
        code = json_strict_number(p, "standard_uncertainty_mm_per_microstep", 0, 100,
                                  &feed->standard_uncertainty_mm_per_microstep, e);
    if (code == ERR_OK)
        code = json_strict_number_or_infinity(p, "degrees_of_freedom", 1, 1e12, &feed->degrees_of_freedom, e);
    return code != ERR_OK ? code : json_strict_finish(p, known, sizeof known / sizeof known[0], e);
}

static enum err_code read_feeds(const struct json_place *root, struct calibration *c, struct err *e)
{
    const json_t *feeds;
    enum err_code code = json_strict_child(root, "feeds", JSON_ARRAY, &feeds, e);
    if (code == ERR_OK && json_array_size(feeds) > CALIBRATION_FEEDS_MAX)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0, "feeds: %zu are too many; at most %d are allowed",
                          json_array_size(feeds), CALIBRATION_FEEDS_MAX);
    for (size_t i = 0; code == ERR_OK && i < json_array_size(feeds); i++) {
        const struct json_place p = {json_array_get(feeds, i), root->file, "feeds[]."};
        code = read_feed(&p, &c->feeds[i], e);
        c->feed_count = i + 1;
    }
    return code;
}

/* Files of before these were told apart have no such object. */
static enum err_code read_parts(const struct json_place *root, struct calibration *c, struct err *e)
{
    static const char *const known[] = {"weights_relative", "gravity_relative", "reversibility_n",
                                        "estimates"};
    struct json_place p = {NULL, root->file, "parts."};
    const json_t *estimates;
    enum err_code code;
    if (json_object_get(root->object, "parts") == NULL)
        return ERR_OK;
    code = json_strict_child(root, "parts", JSON_OBJECT, &p.object, e);
    if (code == ERR_OK)
        code = json_strict_number(&p, "weights_relative", 0, RELATIVE_MAX, &c->weights_relative, e);
    if (code == ERR_OK)
        code = json_strict_number(&p, "gravity_relative", 0, RELATIVE_MAX, &c->gravity_relative, e);
    if (code == ERR_OK && (c->weights_relative == RELATIVE_MAX || c->gravity_relative == RELATIVE_MAX))
        code = err_set_at(e, ERR_FILE, root->file, 0, 0,
                          "parts: weights_relative and gravity_relative must be below %g", RELATIVE_MAX);
    if (code == ERR_OK)
        code = json_strict_number(&p, "reversibility_n", 0, LOAD_MAX_N, &c->reversibility_n, e);
    if (code == ERR_OK)
        code = json_strict_child(&p, "estimates", JSON_ARRAY, &estimates, e);
    if (code == ERR_OK && json_array_size(estimates) > CALIBRATION_ESTIMATES_MAX)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0,
                          "parts.estimates: %zu are too many; at most %d are allowed",
                          json_array_size(estimates), CALIBRATION_ESTIMATES_MAX);
    for (size_t i = 0; code == ERR_OK && i < json_array_size(estimates); i++) {
        /* As with a row of the covariance. */
        json_t *entry = json_pack("{s:O}", "sentence", json_array_get(estimates, i));
        const struct json_place place = {entry, root->file, "parts.estimates."};
        code = entry == NULL
                   ? err_set_at(e, ERR_MEMORY, root->file, 0, 0, "no memory to read it")
                   : json_strict_text(&place, "sentence", c->estimates[i], sizeof c->estimates[i], e);
        c->estimate_count = i + 1;
        json_decref(entry);
    }
    return code != ERR_OK ? code : json_strict_finish(&p, known, sizeof known / sizeof known[0], e);
}

static enum err_code read_root(const struct json_place *root, struct calibration *c, struct err *e)
{
    static const char *const known[] = {"schema", "date",    "origin", "rig_serial",
                                        "force",  "encoder", "feeds",  "parts"};
    struct json_place force = {NULL, root->file, "force."};
    char schema[64];
    enum err_code code = json_strict_text(root, "schema", schema, sizeof schema, e);
    if (code == ERR_OK && strcmp(schema, SCHEMA) != 0)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0, "schema: '%s' is not known; this program reads %s",
                          schema, SCHEMA);
    if (code == ERR_OK)
        code = json_strict_time(root, "date", c->date, sizeof c->date, e);
    if (code == ERR_OK)
        code = json_strict_text(root, "origin", c->origin, sizeof c->origin, e);
    if (code == ERR_OK)
        code = json_strict_text(root, "rig_serial", c->rig_serial, sizeof c->rig_serial, e);
    if (code == ERR_OK)
        code = json_strict_child(root, "force", JSON_OBJECT, &force.object, e);
    if (code == ERR_OK)
        code = read_force(&force, c, e);
    if (code == ERR_OK)
        code = read_encoder(root, c, e);
    if (code == ERR_OK)
        code = read_feeds(root, c, e);
    if (code == ERR_OK)
        code = read_parts(root, c, e);
    if (code == ERR_OK)
        code = json_strict_finish(root, known, sizeof known / sizeof known[0], e);
    return code != ERR_OK ? code : check(c, root->file, e);
}

enum err_code calibration_parse(const char *bytes, size_t length, const char *file, struct calibration *c,
                                struct err *e)
{
    json_t *json;
    enum err_code code = json_strict_parse(bytes, length, file, 0, &json, e);
    memset(c, 0, sizeof *c);
    if (code != ERR_OK)
        return code;
    code = json_is_object(json) ? read_root(&(struct json_place){json, file, ""}, c, e)
                                : err_set_at(e, ERR_FILE, file, 0, 0, "must hold a JSON object");
    json_decref(json);
    return code;
}

enum err_code calibration_read(const char *path, struct calibration *c, struct err *e)
{
    char *bytes;
    size_t length;
    enum err_code code = file_bytes_read(path, CALIBRATION_BYTES_MAX, &bytes, &length, e);
    memset(c, 0, sizeof *c);
    if (code != ERR_OK)
        return code;
    code = calibration_parse(bytes, length, path, c, e);
    free(bytes);
    return code;
}

static json_t *numbers_to_json(const double *values, size_t n)
{
    json_t *array = json_array();
    for (size_t i = 0; i < n; i++) {
        if (json_array_append_new(array, json_real(values[i])) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

static json_t *covariance_to_json(const struct calibration *c)
{
    size_t n = (size_t)c->degree + 1;
    json_t *array = json_array();
    for (size_t i = 0; i < n; i++) {
        if (json_array_append_new(array, numbers_to_json(c->covariance[i], n)) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

static json_t *feeds_to_json(const struct calibration *c)
{
    json_t *array = json_array();
    for (size_t i = 0; i < c->feed_count; i++) {
        const struct calibration_feed *f = &c->feeds[i];
        json_t *feed =
            json_pack("{s:s, s:f, s:f, s:o}", "feeder", f->feeder, "mm_per_microstep", f->mm_per_microstep,
                      "standard_uncertainty_mm_per_microstep", f->standard_uncertainty_mm_per_microstep,
                      "degrees_of_freedom", json_strict_real_or_null(f->degrees_of_freedom));
        if (json_array_append_new(array, feed) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

static json_t *parts_to_json(const struct calibration *c)
{
    json_t *estimates = json_array();
    for (size_t i = 0; i < c->estimate_count; i++) {
        if (json_array_append_new(estimates, json_string(c->estimates[i])) != 0) {
            json_decref(estimates);
            return NULL;
        }
    }
    return json_pack("{s:f, s:f, s:f, s:o}", "weights_relative", c->weights_relative, "gravity_relative",
                     c->gravity_relative, "reversibility_n", c->reversibility_n, "estimates", estimates);
}

enum err_code calibration_write(const char *path, const struct calibration *c, struct err *e)
{
    struct calibration again = {0};
    json_t *encoder;
    json_t *root;
    enum err_code code;
    if (c->degree < 1 || c->degree > CALIBRATION_DEGREE_MAX || c->feed_count > CALIBRATION_FEEDS_MAX ||
        c->estimate_count > CALIBRATION_ESTIMATES_MAX)
        return err_set_at(e, ERR_CALLER, path, 0, 0,
                          "a calibration of degree %d with %zu feeds and %zu estimates cannot be written",
                          c->degree, c->feed_count, c->estimate_count);
    encoder = c->encoder_mm_per_count == 0 ? json_null()
                                           : json_pack("{s:f, s:f}", "mm_per_count", c->encoder_mm_per_count,
                                                       "standard_uncertainty_mm_per_count",
                                                       c->encoder_standard_uncertainty_mm_per_count);
    root = json_pack(
        "{s:s, s:s, s:s, s:s, s:{s:i, s:o, s:o, s:f, s:o, s:f, s:f}, s:o, s:o, s:o}", "schema", SCHEMA,
        "date", c->date, "origin", c->origin, "rig_serial", c->rig_serial, "force", "degree", c->degree,
        "coefficients", numbers_to_json(c->coefficients, (size_t)c->degree + 1), "covariance",
        covariance_to_json(c), "residual_sd_counts", c->residual_sd_counts, "degrees_of_freedom",
        json_strict_real_or_null(c->degrees_of_freedom), "load_low_n", c->load_low_n, "load_high_n",
        c->load_high_n, "encoder", encoder, "feeds", feeds_to_json(c), "parts", parts_to_json(c));
    /* What could not be read back is not written. */
    code = root == NULL ? ERR_OK : read_root(&(struct json_place){root, path, ""}, &again, e);
    if (code == ERR_OK)
        code = json_strict_write(path, root, e);
    json_decref(root);
    return code;
}

double calibration_curved_force_n(const struct calibration *c, double counts, double zero_counts)
{
    double a = c->coefficients[2], b = c->coefficients[1], above_zero = counts - zero_counts, inside;
    inside = b * b + 4 * a * above_zero;
    /* The root of a L^2 + b L = d that goes to d / b as a goes to 0, in the form that loses no digits. Past
     * the turning point no load gives the reading, and the load of the turning point stands for it. */
    if (inside <= 0)
        return -b / (2 * a);
    return 2 * above_zero / (b + copysign(sqrt(inside), b));
}

double calibration_counts(const struct calibration *c, double load_n, double zero_counts)
{
    double a = c->degree == 2 ? c->coefficients[2] : 0;
    return zero_counts + load_n * (c->coefficients[1] + load_n * a);
}

/* From b L + a L^2 = d at fixed d: dL/db = -L / (b + 2 a L), dL/da = -L^2 / (b + 2 a L); then the law of
 * propagation of uncertainty (JCGM 100:2008, 5.2.2). */
double calibration_uncertainty_n(const struct calibration *c, double force_n)
{
    double slope = slope_counts_per_n(c, force_n);
    double to_b = force_n / slope;
    double to_a = force_n * force_n / slope;
    double variance = to_b * to_b * c->covariance[1][1];
    if (c->degree == 2)
        variance +=
            to_a * to_a * c->covariance[2][2] + to_b * to_a * (c->covariance[1][2] + c->covariance[2][1]);
    return sqrt(fmax(0, variance));
}
