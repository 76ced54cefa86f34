#include "analyze/calibrate_feed.h"

#include "analyze/numerics/budget.h"
#include "analyze/numerics/linear_fit.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

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
    calibrate_sentences_add(&result->estimates, "the measured lengths, as read off by the operator");
    if (!isnan(result->nominal_diameter_mm))
        calibrate_sentences_add(&result->estimates, "nominal drive diameter: %g mm",
                                result->nominal_diameter_mm);
    if (!isnan(note->resolution_mm))
        calibrate_sentences_add(&result->estimates, "division of the rule or caliper: %g mm",
                                note->resolution_mm);
    else
        calibrate_sentences_add(
            &result->unknown,
            "the division of the rule or caliper: only the scatter is in what is stated here");
    calibrate_sentences_add(&result->unknown, "the rule's own error: it is not in what is stated here");
    if (!d->present)
        calibrate_sentences_add(&result->unknown,
                                "full steps, microsteps and reduction: no drive diameter can be given");
    if (note->interrupted)
        calibrate_sentences_add(&result->warnings,
                                "The measurement was broken off: not all lengths are in it.");
    if (result->degrees_of_freedom < CALIBRATE_FEW_DEGREES_OF_FREEDOM)
        calibrate_sentences_add(
            &result->warnings,
            "With %g degrees of freedom the scatter itself is badly known: measure more often.",
            result->degrees_of_freedom);
    if (result->resolution_rules)
        calibrate_sentences_add(
            &result->warnings,
            "The lengths scatter less than the division lets one see: the division sets the uncertainty.");
    if (d->present && !isnan(result->nominal_diameter_mm) &&
        fabs(d->value / result->nominal_diameter_mm - 1) > 0.1)
        calibrate_sentences_add(
            &result->warnings,
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

enum err_code calibrate_feed_put(struct calibration *c, const struct calibration_feed *feed, struct err *e)
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
