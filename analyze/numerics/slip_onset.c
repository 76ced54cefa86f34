#include "analyze/numerics/slip_onset.h"

#include "analyze/numerics/slip_search.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_math.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SAMPLES_LEAST 30u
/* Gross slip must lose at least this share of the feed by the end of the loading, over creep. */
#define GROSS_SHARE_LEAST 0.05
/* From this share on nothing else can be meant. */
#define GROSS_SHARE_PLAIN 0.3

double slip_onset_lag_mm(double full_step_mm, double force_n, double motor_limit_n)
{
    double u = force_n / motor_limit_n;
    if (u > 1)
        u = 1;
    if (u < -1)
        u = -1;
    return full_step_mm * M_2_PI * asin(u);
}

/* Integrated autocorrelation of the residuals: sum of correlations until they fall below twice their own
 * noise (window rule after Sokal, Monte Carlo Methods in Statistical Mechanics, 1996: window at 5 correlation
 * lengths). */
static double correlation_length(const double *r, size_t n)
{
    double variance = 0, length = 1;
    for (size_t i = 0; i < n; i++)
        variance += r[i] * r[i];
    if (variance <= 0)
        return 1;
    for (size_t lag = 1; lag < n / 4; lag++) {
        double sum = 0;
        for (size_t i = lag; i < n; i++)
            sum += r[i] * r[i - lag];
        length += 2 * sum / variance;
        if ((double)lag >= 5 * fmax(1, length) || (double)lag > 2000)
            break;
    }
    return fmax(1, length);
}

static double at_fraction(const double *values, size_t n, double index)
{
    size_t i = (size_t)index;
    if (i + 1 >= n)
        return values[n - 1];
    double part = index - (double)i;
    return values[i] * (1 - part) + values[i + 1] * part;
}

/* Value at a fractional index of a straight line through the raw samples around it: less noise than one
 * smoothed value. */
static double line_at(const double *values, size_t n, double index, size_t half)
{
    size_t centre = (size_t)(index + 0.5);
    size_t low = centre > half ? centre - half : 0;
    size_t high = centre + half < n ? centre + half : n - 1;
    double su = 0, suu = 0, sv = 0, suv = 0, count = (double)(high - low + 1);
    for (size_t i = low; i <= high; i++) {
        double u = (double)i - index;
        su += u;
        suu += u * u;
        sv += values[i];
        suv += u * values[i];
    }
    double d = count * suu - su * su;
    return d > 0 ? (suu * sv - su * suv) / d : sv / count;
}

/* The model with an onset at a fractional index: p base coefficients, then that of H, then the onset force.
 */
struct full {
    size_t p;
    double solution[SLIP_SEARCH_WIDTH];                        /* of the base columns */
    double g;                                                  /* coefficient of H */
    double inverse[SLIP_SEARCH_ALL_MAX * SLIP_SEARCH_ALL_MAX]; /* of the normal matrix: unscaled covariance */
    double x_on, f_on;
    double residual_sum;
};

/* Sums over the samples past the onset of H and of its derivative D by the onset force (without its factor
 * g), with each other, with the base columns and with y. */
struct border {
    double h[SLIP_SEARCH_WIDTH], d[SLIP_SEARCH_WIDTH];
    double hh, hd, dd, hy;
};

static void take_border(const struct slip_search *q, const struct full *full, double w_on, double *onset_row,
                        struct border *b)
{
    memset(b, 0, sizeof *b);
    for (size_t i = 0; i < q->n; i++) {
        const double *row = q->columns + i * SLIP_SEARCH_WIDTH;
        double beyond = q->x[i] - full->x_on, h;
        onset_row[i] = 0;
        if (beyond <= 0)
            continue;
        h = (q->w[i] - w_on) - full->f_on * beyond;
        onset_row[i] = h;
        for (size_t j = 0; j < SLIP_SEARCH_WIDTH; j++) {
            b->h[j] += h * row[j];
            b->d[j] -= beyond * row[j];
        }
        b->hh += h * h;
        b->hd -= h * beyond;
        b->dd += beyond * beyond;
        b->hy += h * q->y[i];
    }
}

static bool covariance(const struct slip_search_normal *base, const struct border *b, struct full *full)
{
    size_t p = full->p, at_h = p - 2, at_on = p - 1;
    double g = full->g, *matrix = full->inverse;
    for (size_t j = 0; j < at_h; j++) {
        memcpy(matrix + j * p, base->matrix[j], base->p * sizeof *matrix);
        matrix[j * p + at_h] = matrix[at_h * p + j] = b->h[j];
        matrix[j * p + at_on] = matrix[at_on * p + j] = g * b->d[j];
    }
    matrix[at_h * p + at_h] = b->hh;
    matrix[at_h * p + at_on] = matrix[at_on * p + at_h] = g * b->hd;
    matrix[at_on * p + at_on] = g * g * b->dd;
    gsl_matrix_view m = gsl_matrix_view_array(matrix, p, p);
    return gsl_linalg_cholesky_decomp1(&m.matrix) == GSL_SUCCESS &&
           gsl_linalg_cholesky_invert(&m.matrix) == GSL_SUCCESS;
}

/* The fit with the onset where the search put it, which is its least-squares place: the base fit bordered by
 * H. r receives the residuals. with_covariance: of all parameters, the onset force among them. */
static bool fit_full(const struct slip_search *q, const struct slip_search_normal *base, double index,
                     bool with_covariance, struct full *full, double *r)
{
    double w_on = at_fraction(q->w, q->n, index);
    double reduced[SLIP_SEARCH_WIDTH], g;
    struct border b;
    full->p = q->p + 2;
    full->x_on = at_fraction(q->x, q->n, index);
    full->f_on = line_at(q->f, q->n, index, q->smooth_half) / q->f_scale;
    take_border(q, full, w_on, r, &b);
    slip_search_reduce(base, b.h, reduced);
    g = (b.hy - slip_search_dot(reduced, base->reduced)) / (b.hh - slip_search_dot(reduced, reduced));
    if (!isfinite(g) || g == 0)
        return false;
    slip_search_expand(base, reduced, full->solution);
    for (size_t j = 0; j < SLIP_SEARCH_WIDTH; j++)
        full->solution[j] = base->solution[j] - g * full->solution[j];
    full->g = g;
    if (with_covariance && !covariance(base, &b, full))
        return false;
    full->residual_sum = 0;
    for (size_t i = 0; i < q->n; i++) {
        r[i] = q->y[i] - slip_search_dot(q->columns + i * SLIP_SEARCH_WIDTH, full->solution) - g * r[i];
        full->residual_sum += r[i] * r[i];
    }
    return true;
}

/* Standard error of a function with gradient d of the parameters. */
static double propagate(const struct full *full, const double *d, double variance)
{
    double sum = 0;
    for (size_t j = 0; j < full->p; j++) {
        for (size_t k = 0; k < full->p; k++)
            sum += d[j] * d[k] * full->inverse[j * full->p + k];
    }
    return sqrt(fmax(0, sum * variance));
}

static void report_base(const struct slip_search *q, const struct slip_search_normal *s, double variance,
                        double force_end, struct slip_onset *fit)
{
    /* Elements of the inverse normal matrix L'^-1 L^-1. */
    const double *linear = s->inverse_factor[SLIP_SEARCH_LINEAR], *by_w = s->inverse_factor[SLIP_SEARCH_W];
    double per_n = 1 / q->f_scale, v_linear = variance * slip_search_dot(linear, linear);
    double v_w = variance * slip_search_dot(by_w, by_w), v_both = variance * slip_search_dot(linear, by_w);
    double w = s->solution[SLIP_SEARCH_W], k = s->solution[SLIP_SEARCH_LINEAR];
    if (q->encoder) {
        fit->creep_per_n = w * per_n;
        fit->creep_standard_error_per_n = sqrt(v_w) * per_n;
    } else {
        fit->stiffness_n_per_mm = k * q->f_scale / q->x_scale;
        fit->stiffness_standard_error_n_per_mm = sqrt(v_linear) * q->f_scale / q->x_scale;
        fit->creep_per_n = -w / k * per_n;
        fit->creep_standard_error_per_n =
            sqrt(fmax(0, v_w + w * w / (k * k) * v_linear - 2 * w / k * v_both)) / fabs(k) * per_n;
    }
    fit->lost_share_end = fit->creep_per_n * force_end;
}

/* Variance of the force read at the onset, scaled: where the onset lies comes from the lost feed, but what
 * force that is is read off the smoothed force there. */
static double reading_variance(const struct slip_onset_input *in, const struct slip_search *q)
{
    double square = 0, product = 0;
    for (size_t i = 0; i < q->n; i++)
        square += gsl_pow_2((in->force_n[i] - q->f[i]) / q->f_scale);
    for (size_t i = 1; i < q->n; i++)
        product += (in->force_n[i] - q->f[i]) * (in->force_n[i - 1] - q->f[i - 1]) / gsl_pow_2(q->f_scale);
    double correlation = square > 0 ? fmax(0, fmin(0.95, product / square)) : 0;
    double independent = (double)(2 * q->smooth_half + 1) * (1 - correlation) / (1 + correlation);
    return square / (double)q->n / fmax(1, independent);
}

static void report_full(const struct slip_onset_input *in, const struct slip_search *q,
                        const struct full *full, double variance, double force_end, struct slip_onset *fit)
{
    size_t p = full->p, at_h = p - 2, at_on = p - 1;
    double k = q->encoder ? -1 : full->solution[SLIP_SEARCH_LINEAR];
    double c = -full->solution[SLIP_SEARCH_W] / k, g = -full->g / k; /* per f_scale */
    double d[SLIP_SEARCH_ALL_MAX] = {0};
    fit->onset_n = full->f_on * q->f_scale;
    d[at_on] = q->f_scale;
    fit->onset_standard_error_n = propagate(full, d, variance);
    if (q->encoder)
        fit->onset_standard_error_n =
            hypot(fit->onset_standard_error_n, q->f_scale * sqrt(reading_variance(in, q)));
    fit->creep_per_n = c / q->f_scale;
    fit->gross_slip_per_n = g / q->f_scale;
    memset(d, 0, sizeof d);
    d[SLIP_SEARCH_W] = -1 / k / q->f_scale;
    if (!q->encoder)
        d[SLIP_SEARCH_LINEAR] = -c / k / q->f_scale;
    fit->creep_standard_error_per_n = propagate(full, d, variance);
    if (!q->encoder) {
        fit->stiffness_n_per_mm = k * q->f_scale / q->x_scale;
        memset(d, 0, sizeof d);
        d[SLIP_SEARCH_LINEAR] = q->f_scale / q->x_scale;
        fit->stiffness_standard_error_n_per_mm = propagate(full, d, variance);
    }
    /* Settling level S = (1 + g F_on) / (c + g), and its gradient through c, g and F_on. */
    double settle = (1 + g * full->f_on) / (c + g);
    double by_c = -settle / (c + g), by_g = (full->f_on - settle) / (c + g), by_on = g / (c + g);
    fit->settle_n = settle * q->f_scale;
    memset(d, 0, sizeof d);
    d[SLIP_SEARCH_W] = by_c * -1 / k * q->f_scale;
    d[at_h] = by_g * -1 / k * q->f_scale;
    d[at_on] = by_on * q->f_scale;
    if (!q->encoder)
        d[SLIP_SEARCH_LINEAR] = (by_c * -c / k + by_g * -g / k) * q->f_scale;
    fit->settle_standard_error_n = propagate(full, d, variance);
    fit->lost_share_end =
        fit->creep_per_n * force_end + fit->gross_slip_per_n * fmax(0, force_end - fit->onset_n);
}

/* Whether what begins at the onset can be gross slip: past it feed is lost by a share that matters, and the
 * creep before it is not negative beyond its uncertainty. A curvature that fails this is something else:
 * runout, or a load angle not quite allowed for. */
static bool onset_is_gross(const struct slip_onset_input *in, const struct slip_search *q,
                           const struct full *full, double variance)
{
    struct slip_onset fit = {0};
    double force_end = q->f[q->n - 1];
    report_full(in, q, full, variance, force_end, &fit);
    double share = fit.gross_slip_per_n * (force_end - fit.onset_n);
    if (share > GROSS_SHARE_PLAIN)
        return true;
    return share > GROSS_SHARE_LEAST && fit.creep_per_n > -2 * fit.creep_standard_error_per_n;
}

/* What one fit hands to the next of the same loading: noise and stiffness, which the expectations of the
 * ripples need, and what of a ripple the nip passes on. */
struct start {
    bool known;
    double variance, gain, c, g, f_on;
    double found_mm[SLIP_ONSET_RIPPLES_MAX];
};
static const struct start START = {.variance = 1e-6, .gain = 1};

/* Passes of the first fit of a loading: the first of them has wide expectations, so that its residuals are
 * noise and not misfit. A fit that starts from another limit's needs no more than one: it moves by little. */
#define PASSES_FIRST 3
#define PASSES_NEXT  1

/* Work space of the fits of one loading. */
struct bench {
    struct slip_search q;
    struct slip_search_normal base;
    struct full full;
    double *gain, *r;
};

/* One pass: base fit, search, fit with onset (false: none); start is brought up to date. *sum receives the
 * residual sum of the better of the two. */
static enum err_code pass_over(const struct slip_onset_input *in, struct bench *b, struct start *start,
                               bool last, bool *with_onset, double *sum, struct slip_onset *fit,
                               struct err *e)
{
    struct slip_search *q = &b->q;
    slip_search_set_priors(in, q, start->gain, start->found_mm, start->variance);
    slip_search_set_ripples(in, q, start->c, start->g, start->f_on);
    if (!slip_search_fit_base(q, &b->base))
        return err_set(e, ERR_NO_ANSWER, "the loading does not determine stiffness and creep");
    slip_search_gains(q, &b->base, SLIP_SEARCH_NEAR * start->variance, b->gain);
    double index = slip_search_refine(b->gain, q->n, start->variance);
    *with_onset = index > 0 && fit_full(q, &b->base, index, last, &b->full, b->r);
    *sum = *with_onset ? b->full.residual_sum : slip_search_base_residuals(q, &b->base, b->r);
    fit->correlation_length = correlation_length(b->r, q->n);
    start->variance = *sum / (double)(q->n - q->p) * fit->correlation_length;
    const double *solution = *with_onset ? b->full.solution : b->base.solution;
    if (!q->encoder)
        start->gain = solution[SLIP_SEARCH_LINEAR];
    double k = q->encoder ? -1 : solution[SLIP_SEARCH_LINEAR];
    start->c = -solution[SLIP_SEARCH_W] / k;
    start->g = *with_onset ? -b->full.g / k : 0;
    start->f_on = b->full.f_on;
    for (size_t i = 0; i < in->ripple_count; i++)
        start->found_mm[i] =
            hypot(solution[SLIP_SEARCH_REST + 2 * i], solution[SLIP_SEARCH_REST + 2 * i + 1]) / start->gain *
            q->x_scale;
    return ERR_OK;
}

/* The fit with the motor's limit taken as known (0: no lag), from *start, which is brought up to date.
 * *misfit receives its penalised residual sum over the variance of an independent residual. */
static enum err_code fit_with(const struct slip_onset_input *in, double motor_limit_n, struct bench *b,
                              struct start *start, struct slip_onset *fit, double *misfit, struct err *e)
{
    struct slip_search *q = &b->q;
    int passes = start->known ? PASSES_NEXT : PASSES_FIRST;
    bool with_onset = false;
    double sum = 0;
    memset(fit, 0, sizeof *fit);
    fit->n = in->n;
    slip_search_set_limit(in, motor_limit_n, q);
    for (int pass = 0; pass < passes; pass++) {
        enum err_code code = pass_over(in, b, start, pass + 1 == passes, &with_onset, &sum, fit, e);
        if (code != ERR_OK)
            return code;
    }
    start->known = true;
    double variance = start->variance, independent = (double)q->n / fit->correlation_length;
    double plain = with_onset ? slip_search_base_residuals(q, &b->base, b->gain) : sum;
    /* The prior's share counts as misfit too: a base model that must bend its priors is not preferred. */
    plain += slip_search_prior_misfit(q, b->base.solution);
    double whole = sum + (with_onset ? slip_search_prior_misfit(q, b->full.solution) : 0);
    fit->bic_gain =
        with_onset && independent > 8 ? independent * log(plain / whole) - 2 * log(independent) : 0;
    fit->onset_found =
        with_onset && fit->bic_gain > in->bic_gain_least && onset_is_gross(in, q, &b->full, variance);
    if (!fit->onset_found)
        fit->bic_gain = fmin(fit->bic_gain, in->bic_gain_least);
    *misfit = whole * q->y_scale * q->y_scale;
    if (!fit->onset_found && with_onset) {
        sum = slip_search_base_residuals(q, &b->base, b->r);
        fit->correlation_length = correlation_length(b->r, q->n);
        variance = sum / (double)(q->n - q->p) * fit->correlation_length;
        independent = (double)q->n / fit->correlation_length;
    }
    fit->residual_sd = sqrt(sum / (double)(q->n - q->p)) * q->y_scale;
    fit->degrees_of_freedom = fmax(1, independent - (double)q->p - (fit->onset_found ? 2 : 0));
    if (fit->onset_found) {
        report_full(in, q, &b->full, variance, q->f[q->n - 1], fit);
        fit->onset_feed_mm = b->full.x_on * q->x_scale + in->feed_mm[0];
    } else {
        report_base(q, &b->base, variance, q->f[q->n - 1], fit);
    }
    return ERR_OK;
}

/* Possible limits of the motor, each with its weight beforehand. */
#define LIMITS_MAX 6
struct limits {
    size_t count;
    double motor_limit_n[LIMITS_MAX], weight[LIMITS_MAX]; /* weight: the greatest is 1 */
};

/* Not known: the motor may be at any share of its limit at the greatest force, from idle to about to lose
 * step. */
static struct limits limits_unknown(const struct slip_onset_input *in)
{
    /* Far below its limit the motor lags in proportion to the force, as a softer end would let it: shares up
     * to one half tell little apart. */
    static const double shares[LIMITS_MAX] = {0.25, 0.55, 0.75, 0.87, 0.93, 0.98};
    static const double weights[LIMITS_MAX] = {1, 1, 1, 0.5, 0.5, 0.5};
    size_t window = in->n / 40 + 1;
    double sum = 0, greatest = 0;
    struct limits l = {.count = LIMITS_MAX};
    for (size_t i = 0; i < in->n; i++) {
        sum += in->force_n[i] - (i >= window ? in->force_n[i - window] : 0);
        if (i + 1 >= window)
            greatest = fmax(greatest, sum / (double)window);
    }
    for (size_t i = 0; i < LIMITS_MAX; i++) {
        l.motor_limit_n[i] = greatest / shares[i];
        l.weight[i] = weights[i];
    }
    return l;
}

/* Known within a standard uncertainty: the nodes and weights of Gauss-Hermite quadrature over a normal
 * spread, exact for polynomials up to the fifth degree (Abramowitz and Stegun, Handbook of Mathematical
 * Functions, table 25.10, n = 3; nodes times sqrt(2)). */
static struct limits limits_known(const struct slip_onset_input *in)
{
    static const double nodes[] = {-1.7320508075688773, 0, 1.7320508075688773};
    static const double weights[] = {1 / 6.0, 2 / 3.0, 1 / 6.0};
    struct limits l = {.count = sizeof nodes / sizeof nodes[0]};
    for (size_t i = 0; i < l.count; i++) {
        l.motor_limit_n[i] = in->motor_limit_n + nodes[i] * in->motor_limit_standard_uncertainty_n;
        l.weight[i] = weights[i] / weights[l.count / 2];
    }
    return l;
}

/* Mean of a value over the limits and its whole standard error: within each fit and between them. */
static void average(size_t count, const double *weights, const double *values, const double *errors,
                    double *mean, double *error)
{
    double square = 0;
    *mean = 0;
    for (size_t i = 0; i < count; i++)
        *mean += weights[i] * values[i];
    for (size_t i = 0; i < count; i++)
        square += weights[i] * (gsl_pow_2(errors[i]) + gsl_pow_2(values[i] - *mean));
    *error = sqrt(square);
}

/* Every possible limit gets a fit and a weight by its likelihood; the answer is their average, so that not
 * knowing the motor's limit widens the interval by as much as it should. */
static enum err_code fit_over_limits(const struct slip_onset_input *in, const struct limits *limits,
                                     struct bench *b, struct slip_onset *fit, struct err *e)
{
    struct slip_onset fits[LIMITS_MAX] = {0};
    struct start start = START;
    double misfit[LIMITS_MAX] = {0}, weights[LIMITS_MAX], values[LIMITS_MAX], errors[LIMITS_MAX];
    double least = INFINITY, whole = 0;
    size_t best = 0;
    for (size_t i = 0; i < limits->count; i++) {
        enum err_code code = fit_with(in, limits->motor_limit_n[i], b, &start, &fits[i], &misfit[i], e);
        if (code != ERR_OK)
            return code;
        if (misfit[i] < least) {
            least = misfit[i];
            best = i;
        }
    }
    *fit = fits[best];
    double variance = gsl_pow_2(fit->residual_sd) * fit->correlation_length;
    for (size_t i = 0; i < limits->count; i++) {
        weights[i] = limits->weight[i] * exp(-0.5 * (misfit[i] - least) / variance);
        whole += weights[i];
        /* An onset must be wanted whatever the motor's limit may be: the least gain among the likely ones
         * counts. */
        if (misfit[i] - least < 4 * variance && limits->weight[i] > 0.1)
            fit->bic_gain = fmin(fit->bic_gain, fits[i].bic_gain);
    }
    bool found = fit->bic_gain > in->bic_gain_least;
    if (!found && fit->onset_found) {
        /* Answer from the likeliest fit that does without. */
        for (size_t i = 0; i < limits->count; i++) {
            if (!fits[i].onset_found && (fits[best].onset_found || misfit[i] < misfit[best]))
                best = i;
        }
        double gain = fit->bic_gain;
        *fit = fits[best];
        fit->bic_gain = gain;
        return ERR_OK;
    }
    whole = 0;
    for (size_t i = 0; i < limits->count; i++) {
        /* Fits without an onset have no value to average; they drop out beside one that has it. */
        if (fits[i].onset_found != fit->onset_found)
            weights[i] = 0;
        whole += weights[i];
    }
    for (size_t i = 0; i < limits->count; i++)
        weights[i] /= whole;
#define AVERAGE(value, error)                                                                                \
    for (size_t i = 0; i < limits->count; i++) {                                                             \
        values[i] = fits[i].value;                                                                           \
        errors[i] = fits[i].error;                                                                           \
    }                                                                                                        \
    average(limits->count, weights, values, errors, &fit->value, &fit->error)
    AVERAGE(onset_n, onset_standard_error_n);
    AVERAGE(creep_per_n, creep_standard_error_per_n);
    AVERAGE(settle_n, settle_standard_error_n);
    AVERAGE(stiffness_n_per_mm, stiffness_standard_error_n_per_mm);
#undef AVERAGE
    return ERR_OK;
}

enum err_code slip_onset_fit(const struct slip_onset_input *in, struct slip_onset *fit, struct err *e)
{
    double misfit;
    memset(fit, 0, sizeof *fit);
    if (in->n < SAMPLES_LEAST)
        return err_set(e, ERR_NO_ANSWER,
                       "a loading of %zu samples is too short for slip onset: %u are needed", in->n,
                       SAMPLES_LEAST);
    for (size_t i = 0; i < in->n; i++) {
        if (!isfinite(in->feed_mm[i]) || !isfinite(in->force_n[i]) ||
            (in->lost_mm != NULL && !isfinite(in->lost_mm[i])))
            return err_set(e, ERR_NO_ANSWER, "sample %zu of the loading is not finite", i);
    }
    struct bench b = {0};
    enum err_code code = slip_search_set_up(in, &b.q, e);
    b.gain = malloc(2 * in->n * sizeof *b.gain);
    b.r = b.gain != NULL ? b.gain + in->n : NULL;
    if (code == ERR_OK && b.gain == NULL)
        code = err_set(e, ERR_MEMORY, "not enough memory for a loading of %zu samples", in->n);
    if (code == ERR_OK && in->full_step_mm > 0) {
        struct limits limits = in->motor_limit_n > 0 ? limits_known(in) : limits_unknown(in);
        code = fit_over_limits(in, &limits, &b, fit, e);
    } else if (code == ERR_OK) {
        struct start start = START;
        code = fit_with(in, 0, &b, &start, fit, &misfit, e);
    }
    free(b.gain);
    slip_search_free(&b.q);
    return code;
}
