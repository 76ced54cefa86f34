#include "analyze/calibrate.h"

#include "analyze/numerics/budget.h"
#include "analyze/numerics/linear_fit.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MG_PER_KG 1e6
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

/* Whether the note names a key among the operator's estimates. */
static bool is_estimate(const struct readings_note *note, const char *key)
{
    for (size_t i = 0; i < note->estimate_count; i++) {
        if (strcmp(note->estimates[i], key) == 0)
            return true;
    }
    return false;
}

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
        calibrate_sentences_add(list, "the loads, as marked on the weights and hung");
    if (is_estimate(note, "gravity") && !isnan(note->gravity_m_s2)) {
        if (isnan(note->gravity_standard_uncertainty_m_s2))
            calibrate_sentences_add(list, "gravity: %.6g m/s2 (%s)", note->gravity_m_s2,
                                    note->gravity_origin);
        else
            calibrate_sentences_add(list, "gravity: %.6g m/s2 (%s), standard uncertainty %.2g m/s2",
                                    note->gravity_m_s2, note->gravity_origin,
                                    note->gravity_standard_uncertainty_m_s2);
    }
    if (is_estimate(note, "density_kg_m3") && !isnan(note->density_kg_m3))
        calibrate_sentences_add(list, "density of the weights: %g kg/m3", note->density_kg_m3);
    if (is_estimate(note, "air_density_kg_m3") && !isnan(note->air_density_kg_m3))
        calibrate_sentences_add(list, "density of the air: %g kg/m3", note->air_density_kg_m3);
    if (is_estimate(note, "tolerance_mg") && !isnan(note->tolerance_mg))
        calibrate_sentences_add(list, "tolerance of each load: %g mg either way", note->tolerance_mg);
    if (is_estimate(note, "tolerance_relative") && !isnan(note->tolerance_relative))
        calibrate_sentences_add(list, "tolerance of each load: %g %% of it either way",
                                100 * note->tolerance_relative);
    for (size_t i = 0; i < note->estimate_count; i++) {
        static const char *const KNOWN[] = {
            "loads", "gravity", "density_kg_m3", "air_density_kg_m3", "tolerance_mg", "tolerance_relative"};
        size_t k = 0;
        while (k < sizeof KNOWN / sizeof KNOWN[0] && strcmp(KNOWN[k], note->estimates[i]) != 0)
            k++;
        if (k == sizeof KNOWN / sizeof KNOWN[0])
            calibrate_sentences_add(list, "%s", note->estimates[i]);
    }
}

static void list_force_unknown(const struct readings_note *note, const struct calibrate_force *result,
                               struct calibrate_sentences *list)
{
    if (!note->present)
        calibrate_sentences_add(list, "how the weights were hung: there is no note beside the readings");
    if (!result->weights.known)
        calibrate_sentences_add(
            list, "the tolerance of the weights: the uncertainty is that of the readings alone");
    if (!isnan(note->gravity_m_s2) && !result->gravity.known)
        calibrate_sentences_add(list, "the uncertainty of gravity: it is not in what is stated here");
    if (isnan(note->gravity_m_s2) && !note->present)
        calibrate_sentences_add(list, "with what gravity and air buoyancy the loads were worked out");
    if (isnan(note->counts_min) || isnan(note->counts_max))
        calibrate_sentences_add(
            list, "the converter's range: only readings that stand still can show that it was met");
    if (note->date[0] == 0)
        calibrate_sentences_add(list,
                                "when it was weighed: the calibration is dated %s, when it was worked out",
                                result->calibration.date);
    if (note->rig_serial[0] == 0)
        calibrate_sentences_add(list, "on which rig: any rig may use it");
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
        calibrate_sentences_add(
            list,
            "The load cell reads differently with falling loads: at %.4g N a rising force may be off by %.2g "
            "N, "
            "which the standard uncertainties here do not cover. Leave the rows of falling loads out, and "
            "weigh "
            "again with rising ones.",
            h->load_n, half_n);
    else if (fabs(h->percent) > HYSTERESIS_PERCENT)
        calibrate_sentences_add(
            list, "The load cell reads differently with falling loads; the fit takes that for scatter.");
}

static void list_force_warnings(const struct readings_note *note, const struct calibrate_force *result,
                                struct calibrate_sentences *list)
{
    const struct calibration_fit *fit = &result->fit;
    if (note->interrupted)
        calibrate_sentences_add(list, "The weighing was broken off: not all loads of every cycle are in it.");
    if (fit->degrees_of_freedom < CALIBRATE_FEW_DEGREES_OF_FREEDOM)
        calibrate_sentences_add(
            list, "With %g degrees of freedom the scatter itself is badly known: weigh more often.",
            fit->degrees_of_freedom);
    if (fit->lack_of_fit.present && fit->lack_of_fit.p_value < SIGNIFICANT)
        calibrate_sentences_add(
            list,
            "The polynomial misses some loads by more than their readings scatter: F(%g, %g) = %.4g, p = "
            "%.2g.",
            fit->lack_of_fit.numerator_degrees_of_freedom, fit->lack_of_fit.denominator_degrees_of_freedom,
            fit->lack_of_fit.f, fit->lack_of_fit.p_value);
    if (fit->degree == 1 && fit->curvature.present && fit->curvature.p_value < SIGNIFICANT)
        calibrate_sentences_add(
            list, "The readings bend: --degree 2 would fit better, F(1, %g) = %.4g, p = %.2g.",
            fit->curvature.denominator_degrees_of_freedom, fit->curvature.f, fit->curvature.p_value);
    warn_of_hysteresis(result, list);
    if (fit->zero_return.present && fabs(fit->zero_return.percent) > ZERO_PERCENT)
        calibrate_sentences_add(
            list, "It does not return to its zero: let it warm up, look for what rubs, and weigh again.");
    if (fit->load_low_n > 0.1 * fit->load_high_n)
        calibrate_sentences_add(list, "The lightest load is %.4g N: forces below it are extrapolated.",
                                fit->load_low_n);
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
