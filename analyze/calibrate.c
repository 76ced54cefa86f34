#include "analyze/calibrate.h"

#include "analyze/numerics/budget.h"
#include "analyze/numerics/linear_fit.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MG_PER_KG 1e6
/* Fewer readings than this leave the scatter itself badly known. */
#define FEW_DEGREES_OF_FREEDOM 5
/* A lack of fit, or hysteresis, that is worth a word. */
#define SIGNIFICANT        0.05
#define HYSTERESIS_PERCENT 0.5
/* Hysteresis whose half is this many standard uncertainties of the calibration is not covered by them. */
#define HYSTERESIS_NOT_COVERED 2
/* Two weights count as exchanged when the reading goes back by this share of full scale while the load goes
 * on, and the scatter is so many times less with the two in each other's place. */
#define BACKWARD_SHARE   0.02
#define EXCHANGED_BETTER 5
#define ZERO_PERCENT     0.1

static void say(struct calibrate_sentences *list, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void say(struct calibrate_sentences *list, const char *format, ...)
{
    va_list arguments;
    if (list->count == CALIBRATE_SENTENCES_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(list->text[list->count++], CALIBRATE_SENTENCE_SIZE, format, arguments);
    va_end(arguments);
}

/* Whether the note names a key among the operator's estimates. */
static bool is_estimate(const struct readings_note *note, const char *key)
{
    for (size_t i = 0; i < note->estimate_count; i++) {
        if (strcmp(note->estimates[i], key) == 0)
            return true;
    }
    return false;
}

/* ---- load cell ---- */

/* Tolerance of the weight behind a load, as half a width in newtons. NAN: not stated. */
static double tolerance_n(const struct readings_note *note, double load_n)
{
    if (load_n == 0)
        return isnan(note->tolerance_relative) && isnan(note->tolerance_mg) ? NAN : 0;
    if (!isnan(note->tolerance_relative))
        return note->tolerance_relative * fabs(load_n);
    return note->tolerance_mg / MG_PER_KG * note->gravity_m_s2;
}

/* What the coefficients would change by if every load were off by its own error[i] newtons, all at once and
 * in step: the reading is then taken for a load that it does not belong to, so that the fitted curve moves by
 * slope times error, and the fit of that curve is the change. For errors in proportion to the loads, e L, it
 * is exactly (0, e b1, 2 e b2): a gain that is off by e. */
static enum err_code shift_of(const struct readings *r, const struct calibration_fit *fit,
                              const double *error_n, double *shift, struct err *e)
{
    struct linear_fit change;
    double *counts = calloc(r->n, sizeof *counts);
    enum err_code code;
    if (counts == NULL)
        return err_set(e, ERR_MEMORY, "no memory for %zu readings", r->n);
    for (size_t i = 0; i < r->n; i++)
        counts[i] = (fit->coefficients[1] + 2 * fit->coefficients[2] * r->load_n[i]) * error_n[i];
    code = linear_fit_polynomial(r->load_n, counts, NULL, r->n, fit->degree, true, true, &change, e);
    for (size_t j = 0; code == ERR_OK && j < change.p; j++)
        shift[j] = change.coefficients[j];
    free(counts);
    return code;
}

/* Weights and gravity are the same in every reading, so what they may be off by does not average out and is
 * not in the scatter. Each is one unknown, common to all loads; the tolerance of the weights is taken to be
 * off the same way in all of them, which is right for weights of one make and cautious for others. The
 * covariance of the coefficients gets shift * shift' for each (JCGM 100:2008, 5.2.2 and F.1.2.3), so that
 * whatever is worked out from the coefficients carries it: for a relative uncertainty u, a force F then has u
 * F beside the fit's own. */
static enum err_code add_shared(const struct readings *r, const double *error_n, double relative,
                                struct calibrate_force *result, struct calibrate_shared *shared,
                                struct err *e)
{
    double shift[CALIBRATION_FIT_DEGREE_MAX + 1] = {0};
    const struct calibration_fit *fit = &result->fit;
    double greatest_n = fabs(fit->load_high_n) > fabs(fit->load_low_n) ? fit->load_high_n : fit->load_low_n;
    enum err_code code = shift_of(r, &result->fit, error_n, shift, e);
    if (code != ERR_OK)
        return code;
    for (int i = 0; i <= result->fit.degree; i++) {
        for (int j = 0; j <= result->fit.degree; j++)
            result->covariance[i][j] += shift[i] * shift[j];
    }
    shared->known = true;
    shared->relative = relative;
    shared->carried = fabs((shift[1] + shift[2] * greatest_n) /
                           (fit->coefficients[1] + 2 * fit->coefficients[2] * greatest_n));
    return ERR_OK;
}

static enum err_code add_weights_and_gravity(const struct readings *r, const struct readings_note *note,
                                             struct calibrate_force *result, struct err *e)
{
    const struct calibration_fit *fit = &result->fit;
    double greatest_n = fmax(fabs(fit->load_low_n), fabs(fit->load_high_n));
    double gravity_relative = note->gravity_standard_uncertainty_m_s2 / note->gravity_m_s2;
    double *error_n = calloc(r->n, sizeof *error_n);
    enum err_code code = ERR_OK;
    if (error_n == NULL)
        return err_set(e, ERR_MEMORY, "no memory for %zu readings", r->n);
    /* A tolerance in mg says nothing of loads that were stated in newtons. */
    if (!isnan(tolerance_n(note, greatest_n))) {
        for (size_t i = 0; i < r->n; i++)
            error_n[i] = copysign(budget_rectangular(tolerance_n(note, r->load_n[i])), r->load_n[i]);
        code = add_shared(r, error_n, budget_rectangular(tolerance_n(note, greatest_n)) / greatest_n, result,
                          &result->weights, e);
    }
    if (code == ERR_OK && !isnan(gravity_relative)) {
        for (size_t i = 0; i < r->n; i++)
            error_n[i] = gravity_relative * r->load_n[i];
        code = add_shared(r, error_n, gravity_relative, result, &result->gravity, e);
    }
    free(error_n);
    return code;
}

static void explain_degree(struct calibrate_force *result)
{
    const struct calibration_fit *fit = &result->fit;
    const struct calibration_test *t = &fit->curvature;
    char *why = result->degree_why;
    const size_t size = sizeof result->degree_why;
    if (result->degree_asked != CALIBRATION_FIT_DEGREE_AUTO)
        snprintf(why, size, "as asked for");
    else if (t->present)
        snprintf(why, size, "a quadratic term %s: F(1, %g) = %.4g, p = %.2g, against the 5 %% level",
                 fit->degree == 2 ? "is called for" : "is not called for", t->denominator_degrees_of_freedom,
                 t->f, t->p_value);
    else if (fit->degree == 2)
        snprintf(why, size, "a quadratic goes through every reading, a straight line does not");
    else if (fit->loads < 4)
        snprintf(why, size, "%zu different loads are too few to tell a curve from a straight line",
                 fit->loads);
    else
        snprintf(why, size, "a straight line goes through every reading");
}

static void list_force_estimates(const struct readings_note *note, struct calibrate_sentences *list)
{
    if (is_estimate(note, "loads"))
        say(list, "the loads, as marked on the weights and hung");
    if (is_estimate(note, "gravity") && !isnan(note->gravity_m_s2)) {
        if (isnan(note->gravity_standard_uncertainty_m_s2))
            say(list, "gravity: %.6g m/s2 (%s)", note->gravity_m_s2, note->gravity_origin);
        else
            say(list, "gravity: %.6g m/s2 (%s), standard uncertainty %.2g m/s2", note->gravity_m_s2,
                note->gravity_origin, note->gravity_standard_uncertainty_m_s2);
    }
    if (is_estimate(note, "density_kg_m3") && !isnan(note->density_kg_m3))
        say(list, "density of the weights: %g kg/m3", note->density_kg_m3);
    if (is_estimate(note, "air_density_kg_m3") && !isnan(note->air_density_kg_m3))
        say(list, "density of the air: %g kg/m3", note->air_density_kg_m3);
    if (is_estimate(note, "tolerance_mg") && !isnan(note->tolerance_mg))
        say(list, "tolerance of each load: %g mg either way", note->tolerance_mg);
    if (is_estimate(note, "tolerance_relative") && !isnan(note->tolerance_relative))
        say(list, "tolerance of each load: %g %% of it either way", 100 * note->tolerance_relative);
    for (size_t i = 0; i < note->estimate_count; i++) {
        static const char *const KNOWN[] = {
            "loads", "gravity", "density_kg_m3", "air_density_kg_m3", "tolerance_mg", "tolerance_relative"};
        size_t k = 0;
        while (k < sizeof KNOWN / sizeof KNOWN[0] && strcmp(KNOWN[k], note->estimates[i]) != 0)
            k++;
        if (k == sizeof KNOWN / sizeof KNOWN[0])
            say(list, "%s", note->estimates[i]);
    }
}

static void list_force_unknown(const struct readings_note *note, const struct calibrate_force *result,
                               struct calibrate_sentences *list)
{
    if (!note->present)
        say(list, "how the weights were hung: there is no note beside the readings");
    if (!result->weights.known)
        say(list, "the tolerance of the weights: the uncertainty is that of the readings alone");
    if (!isnan(note->gravity_m_s2) && !result->gravity.known)
        say(list, "the uncertainty of gravity: it is not in what is stated here");
    if (isnan(note->gravity_m_s2) && !note->present)
        say(list, "with what gravity and air buoyancy the loads were worked out");
    if (isnan(note->counts_min) || isnan(note->counts_max))
        say(list, "the converter's range: only readings that stand still can show that it was met");
    if (note->date[0] == 0)
        say(list, "when it was weighed: the calibration is dated %s, when it was worked out",
            result->calibration.date);
    if (note->rig_serial[0] == 0)
        say(list, "on which rig: any rig may use it");
}

/* Half of the widest loop between rising and falling loads. */
static double reversibility_n(const struct calibration_fit *fit)
{
    const struct calibration_characteristic *h = &fit->hysteresis;
    double slope = fit->coefficients[1] + 2 * fit->coefficients[2] * h->load_n;
    return h->present ? fabs(h->percent / 100 * fit->full_scale_counts / slope) / 2 : 0;
}

/* The curve lies between the loads put on and those taken off. A push is a load put on, so it is off by half
 * the difference each time; the fit takes that for scatter, which many readings would make small. */
static void warn_of_hysteresis(const struct calibrate_force *result, struct calibrate_sentences *list)
{
    const struct calibration_fit *fit = &result->fit;
    const struct calibration_characteristic *h = &fit->hysteresis;
    double half_n = reversibility_n(fit);
    if (!h->present)
        return;
    if (half_n > HYSTERESIS_NOT_COVERED * calibration_uncertainty_n(&result->calibration, h->load_n))
        say(list,
            "The load cell reads differently with falling loads: at %.4g N a rising force may be off by %.2g "
            "N, "
            "which the standard uncertainties here do not cover. Leave the rows of falling loads out, and "
            "weigh "
            "again with rising ones.",
            h->load_n, half_n);
    else if (fabs(h->percent) > HYSTERESIS_PERCENT)
        say(list, "The load cell reads differently with falling loads; the fit takes that for scatter.");
}

static void list_force_warnings(const struct readings_note *note, const struct calibrate_force *result,
                                struct calibrate_sentences *list)
{
    const struct calibration_fit *fit = &result->fit;
    if (note->interrupted)
        say(list, "The weighing was broken off: not all loads of every cycle are in it.");
    if (fit->degrees_of_freedom < FEW_DEGREES_OF_FREEDOM)
        say(list, "With %g degrees of freedom the scatter itself is badly known: weigh more often.",
            fit->degrees_of_freedom);
    if (fit->lack_of_fit.present && fit->lack_of_fit.p_value < SIGNIFICANT)
        say(list,
            "The polynomial misses some loads by more than their readings scatter: F(%g, %g) = %.4g, p = "
            "%.2g.",
            fit->lack_of_fit.numerator_degrees_of_freedom, fit->lack_of_fit.denominator_degrees_of_freedom,
            fit->lack_of_fit.f, fit->lack_of_fit.p_value);
    if (fit->degree == 1 && fit->curvature.present && fit->curvature.p_value < SIGNIFICANT)
        say(list, "The readings bend: --degree 2 would fit better, F(1, %g) = %.4g, p = %.2g.",
            fit->curvature.denominator_degrees_of_freedom, fit->curvature.f, fit->curvature.p_value);
    warn_of_hysteresis(result, list);
    if (fit->zero_return.present && fabs(fit->zero_return.percent) > ZERO_PERCENT)
        say(list, "It does not return to its zero: let it warm up, look for what rubs, and weigh again.");
    if (fit->load_low_n > 0.1 * fit->load_high_n)
        say(list, "The lightest load is %.4g N: forces below it are extrapolated.", fit->load_low_n);
}

/* What the covariance does not tell apart. */
static void fill_parts(const struct calibrate_force *result, struct calibration *c)
{
    c->weights_relative = result->weights.known ? result->weights.carried : 0;
    c->gravity_relative = result->gravity.known ? result->gravity.carried : 0;
    c->reversibility_n = reversibility_n(&result->fit);
    for (size_t i = 0; i < result->estimates.count && i < CALIBRATION_ESTIMATES_MAX; i++) {
        const char *text = result->estimates.text[i];
        memcpy(c->estimates[i], text, strnlen(text, CALIBRATION_ESTIMATE_SIZE - 1)); /* zeroed behind it */
        c->estimate_count = i + 1;
    }
}

static void fill_calibration(const struct readings_note *note, const char *today,
                             struct calibrate_force *result)
{
    const struct calibration_fit *fit = &result->fit;
    struct calibration *c = &result->calibration;
    memset(c, 0, sizeof *c);
    snprintf(c->date, sizeof c->date, "%s", note->date[0] != 0 ? note->date : today);
    snprintf(c->origin, sizeof c->origin, "fitted");
    snprintf(c->rig_serial, sizeof c->rig_serial, "%s", note->rig_serial);
    c->degree = fit->degree;
    for (int i = 0; i <= fit->degree; i++) {
        c->coefficients[i] = fit->coefficients[i];
        memcpy(c->covariance[i], result->covariance[i], sizeof c->covariance[i]);
    }
    c->residual_sd_counts = fit->residual_sd;
    c->degrees_of_freedom = fit->degrees_of_freedom;
    c->load_low_n = fit->load_low_n;
    c->load_high_n = fit->load_high_n;
    fill_parts(result, c);
}

/* Scatter about the curve when readings i - 1 and i change loads. */
static enum err_code scatter_exchanged(const struct readings *r, int degree, size_t i, double *scatter,
                                       struct err *e)
{
    struct linear_fit fit;
    double *load_n = malloc(r->n * sizeof *load_n);
    enum err_code code;
    if (load_n == NULL)
        return err_set(e, ERR_MEMORY, "no memory for %zu readings", r->n);
    memcpy(load_n, r->load_n, r->n * sizeof *load_n);
    load_n[i - 1] = r->load_n[i];
    load_n[i] = r->load_n[i - 1];
    code = linear_fit_polynomial(load_n, r->reading_counts, NULL, r->n, degree, true, false, &fit, e);
    *scatter = code == ERR_OK ? fit.residual_sd : NAN;
    free(load_n);
    return code;
}

/* Two weights that were hung in each other's place. Where there are few loads, no scatter is left that would
 * tell them for wrong; but the reading then goes back while the load goes on, and they fit far better the
 * other way round. */
static enum err_code check_exchanged(const struct readings *r, const struct calibration_fit *fit,
                                     struct err *e)
{
    for (size_t i = 1; i < r->n; i++) {
        double more_n = r->load_n[i] - r->load_n[i - 1], scatter;
        double more_counts = r->reading_counts[i] - r->reading_counts[i - 1];
        enum err_code code;
        if (r->cycle[i] != r->cycle[i - 1] || r->direction[i] != r->direction[i - 1] ||
            !(more_n * more_counts * fit->coefficients[1] < 0) ||
            !(fabs(more_counts) > BACKWARD_SHARE * fit->full_scale_counts))
            continue;
        code = scatter_exchanged(r, fit->degree, i, &scatter, e);
        if (code != ERR_OK)
            return code;
        if (scatter * EXCHANGED_BETTER < fit->residual_sd)
            return err_set(e, ERR_FILE,
                           "readings %zu and %zu: from %g to %g N the reading goes back from %g to %g, and "
                           "they would fit the other way round: were two weights exchanged? Correct load_n, "
                           "or take those rows out, or weigh again",
                           i, i + 1, r->load_n[i - 1], r->load_n[i], r->reading_counts[i - 1],
                           r->reading_counts[i]);
    }
    return ERR_OK;
}

enum err_code calibrate_force(const struct readings *r, const struct readings_note *note, int degree,
                              const char *today, struct calibrate_force *result, struct err *e)
{
    struct calibration_readings weighed = {.n = r->n,
                                           .load_n = r->load_n,
                                           .reading_counts = r->reading_counts,
                                           .direction = r->direction,
                                           .cycle = r->cycle};
    enum err_code code;
    memset(result, 0, sizeof *result);
    result->degree_asked = degree;
    if (!isnan(note->counts_min) && !isnan(note->counts_max)) {
        weighed.reading_low_counts = note->counts_min;
        weighed.reading_high_counts = note->counts_max;
    }
    code = calibration_fit(&weighed, degree, &result->fit, e);
    if (code == ERR_OK)
        code = check_exchanged(r, &result->fit, e);
    if (code != ERR_OK)
        return code;
    memcpy(result->covariance, result->fit.covariance, sizeof result->covariance);
    code = add_weights_and_gravity(r, note, result, e);
    if (code != ERR_OK)
        return code;
    for (int i = 0; i <= result->fit.degree; i++)
        result->standard_errors[i] = result->weights.known || result->gravity.known
                                         ? sqrt(result->covariance[i][i])
                                         : result->fit.standard_errors[i];
    explain_degree(result);
    list_force_estimates(note, &result->estimates);
    fill_calibration(note, today, result);
    list_force_unknown(note, result, &result->unknown);
    list_force_warnings(note, result, &result->warnings);
    return ERR_OK;
}

/* ---- feed ---- */

static bool same_length(const struct readings *r, size_t i, size_t j)
{
    return fabs(r->commanded_steps[i] - r->commanded_steps[j]) < 0.5;
}

static int compare_numbers(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Rows of one feeder: how many, how many different lengths, which directions, and the median of mm per
 * microstep. */
static enum err_code survey_feed(const struct readings *r, struct calibrate_feed *result, size_t feeder,
                                 double *median, struct err *e)
{
    double *ratios = calloc(r->n, sizeof *ratios);
    if (ratios == NULL)
        return err_set(e, ERR_MEMORY, "no memory for %zu lengths", r->n);
    for (size_t i = 0; i < r->n; i++) {
        size_t j = 0;
        if (r->feeder[i] != feeder)
            continue;
        while (j < i && (r->feeder[j] != feeder || !same_length(r, i, j)))
            j++;
        result->lengths += j == i;
        result->has_direction[r->direction[i] > 0 ? 0 : 1] = true;
        ratios[result->n++] = r->measured_mm[i] / r->commanded_steps[i];
    }
    qsort(ratios, result->n, sizeof *ratios, compare_numbers);
    *median = result->n == 0 ? NAN : (ratios[(result->n - 1) / 2] + ratios[result->n / 2]) / 2;
    free(ratios);
    return ERR_OK;
}

/* What a mistake of this factor usually is; "" for none of the known ones. */
static const char *slip_of(double factor)
{
    static const struct {
        double factor;
        const char *text;
    } SLIPS[] = {{0.1, " (were centimetres written for millimetres?)"},
                 {1 / 25.4, " (were inches written for millimetres?)"},
                 {10, " (is a decimal point missing?)"}};
    for (size_t i = 0; i < sizeof SLIPS / sizeof SLIPS[0]; i++) {
        if (fabs(factor / SLIPS[i].factor - 1) < 0.1)
            return SLIPS[i].text;
    }
    return "";
}

/* A length that is off by more than 20 % and more than 1 mm from the others' common scale is no scatter and
 * no lost motion but a slip of the pen. */
static enum err_code check_lengths(const struct readings *r, size_t feeder, double median, struct err *e)
{
    for (size_t i = 0; i < r->n; i++) {
        double expected_mm = median * r->commanded_steps[i];
        double off_mm = r->measured_mm[i] - expected_mm;
        if (r->feeder[i] == feeder && fabs(off_mm) > 1 && fabs(off_mm) > 0.2 * expected_mm)
            return err_set_at(
                e, ERR_FILE, NULL, (int64_t)i + 2, 0,
                "%g mm for %.0f microsteps, but by the other lengths it should be about %.4g mm%s: "
                "correct it, or take the row out, or measure again",
                r->measured_mm[i], r->commanded_steps[i], expected_mm,
                slip_of(r->measured_mm[i] / expected_mm));
    }
    return ERR_OK;
}

/* Least squares of length on microsteps, with a column of its own for each direction that occurs. */
static enum err_code fit_feed(const struct readings *r, size_t feeder, struct calibrate_feed *result,
                              struct linear_fit *fit, struct err *e)
{
    size_t offsets = (size_t)result->has_direction[0] + (size_t)result->has_direction[1];
    size_t p = offsets + 1, n = 0;
    double *x = calloc(result->n * p, sizeof *x), *y = calloc(result->n, sizeof *y);
    enum err_code code;
    if (x == NULL || y == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory for %zu lengths", result->n);
    } else {
        for (size_t i = 0; i < r->n; i++) {
            if (r->feeder[i] != feeder)
                continue;
            x[n * p + (offsets == 2 && r->direction[i] < 0 ? 1 : 0)] = 1;
            x[n * p + offsets] = r->commanded_steps[i];
            y[n++] = r->measured_mm[i];
        }
        code = linear_fit(x, y, NULL, n, p, true, fit, e);
    }
    free(x);
    free(y);
    return code;
}

/* With weights of 1 the covariance of the fit is that of readings with a standard deviation of 1. */
static struct quantity feed_quantity(const struct calibrate_feed *result, const struct linear_fit *fit,
                                     size_t i)
{
    return quantity_from(fit->coefficients[i], result->reading_sd_mm * fit->standard_errors[i],
                         result->degrees_of_freedom, result->n);
}

/* How many lengths of this feeder differ in microsteps or direction. */
static size_t different_moves(const struct readings *r, size_t feeder)
{
    size_t count = 0;
    for (size_t i = 0; i < r->n; i++) {
        size_t j = 0;
        while (j < i &&
               (r->feeder[j] != feeder || r->direction[j] != r->direction[i] || !same_length(r, i, j)))
            j++;
        count += r->feeder[i] == feeder && j == i;
    }
    return count;
}

static void fill_feed(const struct readings *r, const struct readings_note *note, size_t feeder,
                      const struct linear_fit *fit, struct calibrate_feed *result)
{
    /* A reading of a rule is rounded to its division: evenly spread over it (JCGM 100:2008, F.2.2.1). */
    double rounding_mm = isnan(note->resolution_mm) ? 0 : budget_rectangular(note->resolution_mm / 2);
    size_t slope = fit->p - 1, next = 0;
    result->degrees_of_freedom = fit->degrees_of_freedom;
    result->residual_sd_mm = sqrt(fit->residual_sum / fit->degrees_of_freedom);
    result->resolution_rules = result->residual_sd_mm < rounding_mm;
    result->reading_sd_mm = result->residual_sd_mm;
    /* Lengths that scatter by less than the rounding are rounded alike each time the same move is repeated:
     * only different moves average it. */
    if (result->resolution_rules)
        result->reading_sd_mm = rounding_mm * sqrt((double)result->n / (double)different_moves(r, feeder));
    result->mm_per_microstep = feed_quantity(result, fit, slope);
    for (int d = 0; d < 2; d++)
        result->offset_mm[d] =
            result->has_direction[d] ? feed_quantity(result, fit, next++) : quantity_absent();
    for (size_t i = 0; i < r->n; i++) {
        size_t offset = r->direction[i] < 0 && slope == 2 ? 1 : 0;
        result->residual_mm[i] = r->feeder[i] != feeder
                                     ? NAN
                                     : r->measured_mm[i] - fit->coefficients[offset] -
                                           fit->coefficients[slope] * r->commanded_steps[i];
    }
}

static void fill_diameter(const struct readings_note *note, struct calibrate_feed *result)
{
    const struct quantity *feed = &result->mm_per_microstep;
    bool ours = note->feeder[0] == 0 || strcmp(note->feeder, result->feeder) == 0;
    /* One turn of the gear is pi D of filament and full steps * microsteps * reduction microsteps. */
    double mm_per_mm = note->full_steps_per_rev * note->microsteps * note->reduction / M_PI;
    result->drive_diameter_mm =
        ours && !isnan(mm_per_mm)
            ? quantity_from(feed->value * mm_per_mm, feed->standard_uncertainty * mm_per_mm,
                            feed->degrees_of_freedom, feed->n)
            : quantity_absent();
    result->nominal_diameter_mm = ours ? note->drive_diameter_mm : NAN;
}

static void tell_feed(const struct readings_note *note, struct calibrate_feed *result)
{
    const struct quantity *d = &result->drive_diameter_mm;
    say(&result->estimates, "the measured lengths, as read off by the operator");
    if (!isnan(result->nominal_diameter_mm))
        say(&result->estimates, "nominal drive diameter: %g mm", result->nominal_diameter_mm);
    if (!isnan(note->resolution_mm))
        say(&result->estimates, "division of the rule or caliper: %g mm", note->resolution_mm);
    else
        say(&result->unknown,
            "the division of the rule or caliper: only the scatter is in what is stated here");
    say(&result->unknown, "the rule's own error: it is not in what is stated here");
    if (!d->present)
        say(&result->unknown, "full steps, microsteps and reduction: no drive diameter can be given");
    if (note->interrupted)
        say(&result->warnings, "The measurement was broken off: not all lengths are in it.");
    if (result->degrees_of_freedom < FEW_DEGREES_OF_FREEDOM)
        say(&result->warnings,
            "With %g degrees of freedom the scatter itself is badly known: measure more often.",
            result->degrees_of_freedom);
    if (result->resolution_rules)
        say(&result->warnings,
            "The lengths scatter less than the division lets one see: the division sets the uncertainty.");
    if (d->present && !isnan(result->nominal_diameter_mm) &&
        fabs(d->value / result->nominal_diameter_mm - 1) > 0.1)
        say(&result->warnings,
            "The effective diameter is %+.0f %% off the nominal one: check full steps, microsteps and "
            "reduction.",
            100 * (d->value / result->nominal_diameter_mm - 1));
}

enum err_code calibrate_feed(const struct readings *r, const struct readings_note *note, size_t feeder,
                             struct calibrate_feed *result, struct err *e)
{
    struct linear_fit fit;
    double median = NAN;
    enum err_code code;
    memset(result, 0, sizeof *result);
    snprintf(result->feeder, sizeof result->feeder, "%s", r->feeders[feeder]);
    code = survey_feed(r, result, feeder, &median, e);
    if (code == ERR_OK && result->lengths < 2)
        code =
            err_set(e, ERR_NO_ANSWER,
                    "feeder %s: all %zu moves are of one length, which does not tell feed from lost motion: "
                    "measure at least two lengths",
                    result->feeder, result->n);
    if (code == ERR_OK &&
        result->n <= 1 + (size_t)result->has_direction[0] + (size_t)result->has_direction[1])
        code = err_set(e, ERR_NO_ANSWER,
                       "feeder %s: %zu lengths leave nothing to tell the scatter by: measure them again",
                       result->feeder, result->n);
    if (code == ERR_OK)
        code = check_lengths(r, feeder, median, e);
    if (code == ERR_OK)
        code = fit_feed(r, feeder, result, &fit, e);
    if (code != ERR_OK)
        return code;
    fill_feed(r, note, feeder, &fit, result);
    if (!(result->mm_per_microstep.low_95 > 0))
        return err_set(e, ERR_NO_ANSWER,
                       "feeder %s: the lengths do not follow the microsteps: %.3g mm per microstep with a "
                       "standard uncertainty of %.3g is not told from none; check the rows and measure again",
                       result->feeder, result->mm_per_microstep.value,
                       result->mm_per_microstep.standard_uncertainty);
    fill_diameter(note, result);
    tell_feed(note, result);
    snprintf(result->calibration.feeder, sizeof result->calibration.feeder, "%s", result->feeder);
    result->calibration.mm_per_microstep = result->mm_per_microstep.value;
    result->calibration.standard_uncertainty_mm_per_microstep = result->mm_per_microstep.standard_uncertainty;
    result->calibration.degrees_of_freedom = result->degrees_of_freedom;
    return ERR_OK;
}

enum err_code calibrate_put_feed(struct calibration *c, const struct calibration_feed *feed, struct err *e)
{
    size_t i = 0;
    while (i < c->feed_count && strcmp(c->feeds[i].feeder, feed->feeder) != 0)
        i++;
    if (i == CALIBRATION_FEEDS_MAX)
        return err_set(e, ERR_FILE, "the calibration has the feeds of %d feeders already, and no room for %s",
                       CALIBRATION_FEEDS_MAX, feed->feeder);
    c->feeds[i] = *feed;
    c->feed_count += i == c->feed_count;
    return ERR_OK;
}
