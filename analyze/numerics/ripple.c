#include "analyze/numerics/ripple.h"

#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/spectrum.h"
#include "analyze/numerics/staircase.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double PI = 3.14159265358979323846;

/* Samples fitted one by one; more are averaged in blocks, and the sines' shrinking by that is put back. */
#define POINTS_MOST 24000u
/* Independent residuals make a length of 1 give or take 0.2; only what is beyond is taken as correlation. */
#define CORRELATION_SHOWN 1.4
/* Residuals that have so much more of the variance that the encoder's counts make hold noise of their own. */
#define NOISE_SHOWN 0.1
/* Counts beat with the samples where they make so many times the variance of spread noise of their size. */
#define BEAT_TIMES 9.0

double ripple_amplitude_of_power(double power, double sd)
{
    return sqrt(2 * fmax(0, power)) * sd;
}

/* Where the square of an amplitude is no more than the variance u^2 that is taken off it, so that 0 is left,
 * the mean of that square is this part of u^2 (exponential with mean 2, below 1): 2 - 1 / (sqrt(e) - 1). */
#define CLIPPED_MEAN 0.45851
/* Amplitudes of so many uncertainties are averaged as they are; of weaker ones the squares, whose noise is
 * known. */
#define STRONG 4.0
/* Halvings by which a limit of the noncentrality is found. */
#define SEARCH_STEPS 36

/* P(chi-square >= power) with degrees 2 count and that noncentrality: the Poisson mixture of central ones
 * (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 2, ch. 29). */
static double noncentral_q(double power, double count, double noncentrality)
{
    double sum = 0, half = noncentrality / 2;
    unsigned most = (unsigned)(half + 12 * sqrt(half) + 30);
    for (unsigned j = 0; j <= most; j++)
        sum += gsl_ran_poisson_pdf(j, half) * gsl_cdf_chisq_Q(power, 2 * count + 2 * j);
    return sum;
}

/* The noncentrality at which so much power or more has that probability; 0 where none has. */
static double noncentrality_at(double power, double count, double probability)
{
    double low = 0, high = power + 60;
    if (noncentral_q(power, count, 0) >= probability)
        return 0;
    for (int i = 0; i < SEARCH_STEPS; i++) {
        double middle = (low + high) / 2;
        if (noncentral_q(power, count, middle) < probability)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}

struct ripple_joined ripple_join(const double *amplitudes, const double *standard_uncertainties, size_t n,
                                 double noise_p)
{
    struct ripple_joined j = {0};
    double sum = 0, power = 0, weight = 0, variance = 0, count = (double)n;
    for (size_t i = 0; i < n; i++) {
        double u2 = standard_uncertainties[i] * standard_uncertainties[i];
        double a2 = amplitudes[i] * amplitudes[i];
        sum += amplitudes[i] / count;
        power += a2 > 0 ? a2 / u2 + 1 : CLIPPED_MEAN;
        weight += 1 / u2;
        variance += u2 / (count * count);
    }
    double needed = gsl_cdf_chisq_Qinv(noise_p, 2 * count);
    j.stands_out = power > needed;
    j.level = sqrt(needed / weight);
    j.weak = sum <= STRONG * sqrt(count / weight);
    if (!j.weak) {
        j.amplitude = sum;
        j.standard_uncertainty = sqrt(variance);
        return j;
    }
    /* Of squares in units of their variance: a chi-square with 2 degrees for each run, and noncentral by the
     * square of the amplitude times the weight. */
    double left = fmax(0, power - 2 * count);
    j.amplitude = sqrt(left / weight);
    j.standard_uncertainty = left > 0 ? sqrt((count + left) / (weight * left)) : sqrt(1 / weight);
    j.low_95 = sqrt(noncentrality_at(power, count, 0.025) / weight);
    j.high_95 = sqrt(noncentrality_at(power, count, 0.975) / weight);
    return j;
}

/* What the mean of size samples that far apart leaves of a sine. */
static double left_of(double order, double spacing, size_t size)
{
    double half = PI * order * spacing;
    return size > 1 && half > 0 ? sin(half * (double)size) / ((double)size * sin(half)) : 1;
}

/* variances: of all coefficients. */
static void read_sine(const struct linear_fit *fit, const double *variances, size_t column, double left,
                      struct ripple_sine *s)
{
    double a = fit->coefficients[column], b = fit->coefficients[column + 1];
    double variance = (variances[column] + variances[column + 1]) / 2;
    double square = a * a + b * b;
    s->raw_amplitude = sqrt(square) / left;
    s->phase_rad = atan2(b, a);
    /* Noise across the sine makes it seem longer, by half its variance over the amplitude; near 0 by more. */
    s->amplitude = sqrt(fmax(0, square - variance)) / left;
    s->standard_uncertainty = sqrt(variance) / left;
}

/* How each row of a fit came about, for reading it again. */
struct rows {
    const struct ripple_input *in;
    const struct linear_fit *line;
    size_t samples_per_row;
    double middle;
};

/* Where the filament is at each sample, in counts, by the line and those sines as fitted that are not left
 * out. */
static void find_positions(const struct rows *r, const bool *left_out, double *positions)
{
    const struct ripple_input *in = r->in;
    const double *c = r->line->coefficients;
    for (size_t i = 0; i < r->line->n * r->samples_per_row; i++) {
        double x = in->turns[i], fitted = c[0] + c[1] * (x - r->middle);
        for (size_t k = 0; k < in->order_count; k++) {
            if (!left_out[k])
                fitted += c[2 + 2 * k] * sin(2 * PI * in->orders[k] * x) +
                          c[3 + 2 * k] * cos(2 * PI * in->orders[k] * x);
        }
        positions[i] = (in->per_turn * x - fitted) / in->count;
    }
}

/* Sines that the counts may have made: their beat is at this order, and the sine is less than a count. */
static bool find_made(const struct rows *r, const struct staircase_input *stairs,
                      const struct staircase *rounded, bool *made)
{
    bool any = false;
    for (size_t k = 0; k < r->in->order_count; k++) {
        size_t j = 2 + 2 * k;
        double amplitude = hypot(r->line->coefficients[j], r->line->coefficients[j + 1]);
        double beat = rounded->covariance[j][j] + rounded->covariance[j + 1][j + 1];
        double spread = rounded->variance * (stairs->inverse[j][j] + stairs->inverse[j + 1][j + 1]);
        made[k] = amplitude < r->in->count && beat > BEAT_TIMES * spread;
        any = any || made[k];
    }
    return any;
}

/* What rounding does, in counts, and the variance of noise beside it, in the unit of error. */
static enum err_code take_rounding(const struct rows *r, struct staircase_input *stairs,
                                   double residual_variance, struct staircase *rounded, double *noise,
                                   struct err *e)
{
    double unit = r->in->count * r->in->count;
    bool left_out[RIPPLE_ORDERS_MAX] = {false};
    double *positions = malloc(r->line->n * r->samples_per_row * sizeof *positions);
    struct staircase other;
    if (positions == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", r->in->n);
    find_positions(r, left_out, positions);
    stairs->positions = positions;
    enum err_code code = staircase_rounding(stairs, rounded, e);
    *noise = residual_variance - rounded->variance * unit;
    if (code == ERR_OK && *noise > NOISE_SHOWN * rounded->variance * unit) {
        /* Means of several samples hide noise that each of them has. */
        stairs->dither = sqrt(*noise * (double)r->samples_per_row / unit);
        code = staircase_rounding(stairs, rounded, e);
    }
    *noise = fmax(0, *noise);
    if (code == ERR_OK && find_made(r, stairs, rounded, left_out)) {
        find_positions(r, left_out, positions);
        code = staircase_rounding(stairs, &other, e);
        for (size_t j = 0; code == ERR_OK && j < r->line->p; j++)
            rounded->covariance[j][j] = fmax(rounded->covariance[j][j], other.covariance[j][j]);
    }
    free(positions);
    return code;
}

/* The variances of the coefficients: what the encoder's counts make of the motion as fitted, and noise beside
 * them, by how far residuals scatter by more than that. */
static enum err_code find_variances(const struct rows *r, const double *rows, const double *residuals,
                                    struct ripple *fit, double *variances, struct err *e)
{
    const struct linear_fit *line = r->line;
    double noise = line->residual_sd * line->residual_sd, unit = r->in->count * r->in->count;
    double between = staircase_between(residuals, line->n);
    struct staircase_input stairs = {
        .n = line->n, .p = line->p, .samples_per_row = r->samples_per_row, .rows = rows};
    struct staircase rounded = {0};
    for (size_t j = 0; j < line->p; j++) {
        for (size_t k = 0; k < line->p; k++)
            stairs.inverse[j][k] = noise > 0 ? line->covariance[j][k] / noise : 0;
    }
    if (r->in->count > 0) {
        enum err_code code = take_rounding(r, &stairs, noise, &rounded, &noise, e);
        if (code != ERR_OK)
            return code;
    }
    double expected = rounded.between * unit + noise;
    bool hang_together = between > CORRELATION_SHOWN * expected;
    fit->correlation_length = hang_together && expected > 0 ? between / expected : 1;
    if (hang_together)
        noise = between - rounded.between * unit;
    for (size_t j = 0; j < line->p; j++)
        variances[j] = rounded.covariance[j][j] * unit + noise * stairs.inverse[j][j];
    return ERR_OK;
}

enum err_code ripple_fit(const struct ripple_input *in, struct ripple *fit, struct err *e)
{
    size_t size = in->n / POINTS_MOST + 1, n = in->n / size, p = 2 + 2 * in->order_count;
    struct linear_fit line;
    double *room, *turns, *error, *residuals;
    double variances[LINEAR_FIT_COLUMNS_MAX] = {0};
    enum err_code code;
    memset(fit, 0, sizeof *fit);
    if (in->n < 30)
        return err_set(e, ERR_NO_ANSWER, "fewer than 30 samples");
    if (in->order_count > RIPPLE_ORDERS_MAX)
        return err_set(e, ERR_CALLER, "more than %d orders", RIPPLE_ORDERS_MAX);
    room = calloc(n * (p + 3), sizeof *room);
    if (room == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", n);
    turns = room + n * p;
    error = turns + n;
    residuals = error + n;
    for (size_t i = 0; i < n * size; i++) {
        turns[i / size] += in->turns[i] / (double)size;
        error[i / size] += in->error[i] / (double)size;
    }
    double spacing = (in->turns[in->n - 1] - in->turns[0]) / (double)(in->n - 1);
    double middle = (turns[0] + turns[n - 1]) / 2;
    for (size_t i = 0; i < n; i++) {
        double *row = room + i * p;
        row[0] = 1;
        row[1] = turns[i] - middle;
        for (size_t k = 0; k < in->order_count; k++) {
            row[2 + 2 * k] = sin(2 * PI * in->orders[k] * turns[i]);
            row[3 + 2 * k] = cos(2 * PI * in->orders[k] * turns[i]);
        }
    }
    code = linear_fit(room, error, NULL, n, p, false, &line, e);
    if (code == ERR_OK) {
        for (size_t i = 0; i < n; i++) {
            residuals[i] = error[i];
            for (size_t j = 0; j < p; j++)
                residuals[i] -= line.coefficients[j] * room[i * p + j];
        }
        struct rows rows = {in, &line, size, middle};
        code = find_variances(&rows, room, residuals, fit, variances, e);
    }
    if (code == ERR_OK) {
        fit->n = in->n;
        fit->residual_sd = line.residual_sd;
        fit->degrees_of_freedom = fmax(1, (double)n / fit->correlation_length - (double)p);
        fit->slope = line.coefficients[1];
        fit->slope_standard_error = sqrt(variances[1]);
        fit->intercept = line.coefficients[0] - line.coefficients[1] * middle;
        /* Correlated samples are as good as so many fewer: the level is that of a series thinned to them. */
        size_t stride = (size_t)ceil(fit->correlation_length), thin = n / stride;
        for (size_t i = 0; i < thin; i++)
            turns[i] = turns[i * stride];
        double power =
            thin >= 8 ? spectrum_false_alarm_level(in->false_alarm, turns, thin, in->order_most) : 1;
        /* Power is the share of the scatter with the sine in it: p / (1 - p) of what is left without. */
        fit->level = ripple_amplitude_of_power(power / fmax(1e-9, 1 - power), fit->residual_sd);
        for (size_t k = 0; k < in->order_count; k++) {
            fit->sines[k].order = in->orders[k];
            read_sine(&line, variances, 2 + 2 * k, left_of(in->orders[k], spacing, size), &fit->sines[k]);
            fit->sines[k].stands_out = fit->sines[k].raw_amplitude > fit->level;
        }
    }
    free(room);
    return code;
}
