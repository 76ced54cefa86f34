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

/* Rows of the full model: base columns, H and its derivative with respect to the onset force. */
static void full_row(const struct slip_search *q, size_t i, double x_on, double f_on, double w_on,
                     double *row)
{
    memcpy(row, q->columns + i * q->p, q->p * sizeof *row);
    double beyond = q->x[i] - x_on;
    row[q->p] = beyond > 0 ? (q->w[i] - w_on) - f_on * beyond : 0;
    row[q->p + 1] = beyond > 0 ? -beyond : 0; /* times g, put in later */
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

static double residuals_base(const struct slip_search *q, const struct slip_search_normal *s, double *r)
{
    double sum = 0;
    for (size_t i = 0; i < q->n; i++) {
        r[i] = q->y[i] - slip_search_dot(q->columns + i * q->p, s->solution, q->p);
        sum += r[i] * r[i];
    }
    return sum;
}

/* Gauss-Newton on the full model from the onset found by the search; leaves the inverse normal matrix
 * (unscaled covariance) in `inverse` and the solution with the onset force in f_on. */
struct full {
    size_t p;
    double solution[SLIP_SEARCH_ALL_MAX];
    double inverse[SLIP_SEARCH_ALL_MAX * SLIP_SEARCH_ALL_MAX];
    double x_on, f_on;
    double residual_sum;
};

static bool fit_full(const struct slip_search *q, double index, struct full *full, double *r)
{
    size_t p = q->p + 2;
    double w_on = at_fraction(q->w, q->n, index);
    double g = 0;
    full->p = p;
    full->x_on = at_fraction(q->x, q->n, index);
    full->f_on = line_at(q->f, q->n, index, q->smooth_half) / q->f_scale;
    /* Pass 0 solves without the derivative column for g; pass 1 has it and gives the covariance. The onset
     * itself stays where the search put it: that is the least-squares place. */
    for (int pass = 0; pass < 2; pass++) {
        struct slip_search_normal s = {.p = pass == 0 ? p - 1 : p};
        double right[SLIP_SEARCH_ALL_MAX] = {0}, row[SLIP_SEARCH_ALL_MAX];
        for (size_t i = 0; i < q->n; i++) {
            full_row(q, i, full->x_on, full->f_on, w_on, row);
            row[p - 1] *= g;
            for (size_t j = 0; j < s.p; j++) {
                for (size_t k = 0; k <= j; k++)
                    s.matrix[j * s.p + k] += row[j] * row[k];
                right[j] += row[j] * q->y[i];
            }
        }
        for (size_t j = 0; j < q->p; j++) {
            s.matrix[j * s.p + j] += q->prior_weight[j];
            right[j] += q->prior_weight[j] * q->prior_mean[j];
        }
        for (size_t j = 0; j < s.p; j++) {
            for (size_t k = 0; k < j; k++)
                s.matrix[k * s.p + j] = s.matrix[j * s.p + k];
        }
        if (!slip_search_factor(&s))
            return false;
        if (pass == 0) {
            if (!slip_search_solve(&s, right, full->solution))
                return false;
            g = full->solution[p - 2];
            if (g == 0)
                return false;
            continue;
        }
        gsl_matrix_view m = gsl_matrix_view_array(s.matrix, p, p);
        if (gsl_linalg_cholesky_invert(&m.matrix) != GSL_SUCCESS)
            return false;
        memcpy(full->inverse, s.matrix, p * p * sizeof *full->inverse);
    }
    full->residual_sum = 0;
    for (size_t i = 0; i < q->n; i++) {
        double row[SLIP_SEARCH_ALL_MAX];
        full_row(q, i, full->x_on, full->f_on, w_on, row);
        r[i] = q->y[i] - slip_search_dot(row, full->solution, p - 1);
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

static void report_base(const struct slip_search *q, struct slip_search_normal *s, double variance,
                        double force_end, struct slip_onset *fit)
{
    gsl_matrix_view m = gsl_matrix_view_array(s->matrix, s->p, s->p);
    double per_n = 1 / q->f_scale;
    gsl_linalg_cholesky_invert(&m.matrix);
    double v_linear = variance * s->matrix[SLIP_SEARCH_LINEAR * s->p + SLIP_SEARCH_LINEAR];
    double v_w = variance * s->matrix[SLIP_SEARCH_W * s->p + SLIP_SEARCH_W];
    double v_both = variance * s->matrix[SLIP_SEARCH_LINEAR * s->p + SLIP_SEARCH_W];
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
    double c = -full->solution[SLIP_SEARCH_W] / k, g = -full->solution[at_h] / k; /* per f_scale */
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

/* The fit with the motor's limit taken as known (0: no lag). *misfit receives its penalised residual sum over
 * the variance of an independent residual. */
static enum err_code fit_with(const struct slip_onset_input *in, double motor_limit_n, struct slip_onset *fit,
                              double *misfit, struct err *e)
{
    struct slip_search q = {0};
    struct slip_search_normal base = {0};
    struct full full = {0};
    double *gain = NULL, *r = NULL;
    double base_sum = 0;
    enum err_code code;
    memset(fit, 0, sizeof *fit);
    fit->n = in->n;
    code = slip_search_set_up(in, motor_limit_n, &q, e);
    if (code != ERR_OK)
        goto out;
    gain = malloc(in->n * sizeof *gain);
    r = calloc(in->n, sizeof *r);
    if (gain == NULL || r == NULL) {
        code = err_set(e, ERR_MEMORY, "not enough memory for a loading of %zu samples", in->n);
        goto out;
    }
    /* Priors need the noise and the stiffness, and the noise needs a fit: three passes settle it. The first
     * pass has wide priors, so that its residuals are noise and not misfit. */
    double variance = 1e-6, gain_scaled = 1, c = 0, g = 0, found_mm[SLIP_ONSET_RIPPLES_MAX] = {0};
    for (int pass = 0; pass < 3; pass++) {
        slip_search_set_priors(in, &q, gain_scaled, found_mm, variance);
        slip_search_set_ripples(in, &q, c, g, full.f_on);
        if (!slip_search_fit_base(&q, &base, &base_sum)) {
            code = err_set(e, ERR_NO_ANSWER, "the loading does not determine stiffness and creep");
            goto out;
        }
        slip_search_gains(&q, &base, gain);
        double index = slip_search_refine(gain, q.n, variance);
        bool with_onset = index > 0 && fit_full(&q, index, &full, r);
        double sum = with_onset ? full.residual_sum : residuals_base(&q, &base, r);
        fit->correlation_length = correlation_length(r, q.n);
        variance = sum / (double)(q.n - q.p) * fit->correlation_length;
        if (!q.encoder)
            gain_scaled = with_onset ? full.solution[SLIP_SEARCH_LINEAR] : base.solution[SLIP_SEARCH_LINEAR];
        const double *solution = with_onset ? full.solution : base.solution;
        double k = q.encoder ? -1 : solution[SLIP_SEARCH_LINEAR];
        c = -solution[SLIP_SEARCH_W] / k;
        g = with_onset ? -full.solution[q.p] / k : 0;
        for (size_t i = 0; i < in->ripple_count; i++)
            found_mm[i] = hypot(solution[SLIP_SEARCH_REST + 2 * i], solution[SLIP_SEARCH_REST + 2 * i + 1]) /
                          gain_scaled * q.x_scale;
        if (pass < 2)
            continue;
        double independent = (double)q.n / fit->correlation_length;
        double plain = residuals_base(&q, &base, gain);
        /* The prior's share counts as misfit too: a base model that must bend its priors is not preferred. */
        plain = fmax(plain, base_sum);
        double whole = sum;
        for (size_t j = 0; with_onset && j < q.p; j++)
            whole += q.prior_weight[j] * gsl_pow_2(full.solution[j] - q.prior_mean[j]);
        fit->bic_gain =
            with_onset && independent > 8 ? independent * log(plain / whole) - 2 * log(independent) : 0;
        fit->onset_found =
            with_onset && fit->bic_gain > in->bic_gain_least && onset_is_gross(in, &q, &full, variance);
        if (!fit->onset_found)
            fit->bic_gain = fmin(fit->bic_gain, in->bic_gain_least);
        *misfit = whole * q.y_scale * q.y_scale;
        if (!fit->onset_found) {
            sum = residuals_base(&q, &base, r);
            fit->correlation_length = correlation_length(r, q.n);
            variance = sum / (double)(q.n - q.p) * fit->correlation_length;
            independent = (double)q.n / fit->correlation_length;
        }
        fit->residual_sd = sqrt(sum / (double)(q.n - q.p)) * q.y_scale;
        fit->degrees_of_freedom = fmax(1, independent - (double)q.p - (fit->onset_found ? 2 : 0));
        if (fit->onset_found) {
            report_full(in, &q, &full, variance, q.f[q.n - 1], fit);
            fit->onset_feed_mm = full.x_on * q.x_scale + in->feed_mm[0];
        } else {
            report_base(&q, &base, variance, q.f[q.n - 1], fit);
        }
    }
out:
    free(gain);
    free(r);
    slip_search_free(&q);
    return code;
}

/* Possible limits of the motor, each with its weight beforehand. */
#define LIMITS 9
struct limits {
    double motor_limit_n[LIMITS], weight[LIMITS];
};

/* Not known: the motor may be at any share of its limit at the greatest force, from idle to about to lose
 * step. */
static struct limits limits_unknown(const struct slip_onset_input *in)
{
    static const double shares[LIMITS] = {0.1, 0.35, 0.5, 0.6, 0.7, 0.8, 0.87, 0.93, 0.98};
    size_t window = in->n / 40 + 1;
    double sum = 0, greatest = 0;
    struct limits l;
    for (size_t i = 0; i < in->n; i++) {
        sum += in->force_n[i] - (i >= window ? in->force_n[i - window] : 0);
        if (i + 1 >= window)
            greatest = fmax(greatest, sum / (double)window);
    }
    for (size_t i = 0; i < LIMITS; i++) {
        l.motor_limit_n[i] = greatest / shares[i];
        l.weight[i] = 1;
    }
    return l;
}

/* Known within a standard uncertainty: a normal spread over two and a half of them either way. */
static struct limits limits_known(const struct slip_onset_input *in)
{
    struct limits l;
    for (size_t i = 0; i < LIMITS; i++) {
        double z = 2.5 * ((double)i - (LIMITS - 1) / 2.0) / ((LIMITS - 1) / 2.0);
        l.motor_limit_n[i] = in->motor_limit_n + z * in->motor_limit_standard_uncertainty_n;
        l.weight[i] = exp(-0.5 * z * z);
    }
    return l;
}

/* Mean of a value over the limits and its whole standard error: within each fit and between them. */
static void average(const double *weights, const double *values, const double *errors, double *mean,
                    double *error)
{
    double square = 0;
    *mean = 0;
    for (size_t i = 0; i < LIMITS; i++)
        *mean += weights[i] * values[i];
    for (size_t i = 0; i < LIMITS; i++)
        square += weights[i] * (gsl_pow_2(errors[i]) + gsl_pow_2(values[i] - *mean));
    *error = sqrt(square);
}

/* Every possible limit gets a fit and a weight by its likelihood; the answer is their average, so that not
 * knowing the motor's limit widens the interval by as much as it should. */
static enum err_code fit_over_limits(const struct slip_onset_input *in, const struct limits *limits,
                                     struct slip_onset *fit, struct err *e)
{
    struct slip_onset fits[LIMITS];
    double misfit[LIMITS], weights[LIMITS], values[LIMITS], errors[LIMITS], least = INFINITY, whole = 0;
    size_t best = 0;
    for (size_t i = 0; i < LIMITS; i++) {
        enum err_code code = fit_with(in, limits->motor_limit_n[i], &fits[i], &misfit[i], e);
        if (code != ERR_OK)
            return code;
        if (misfit[i] < least) {
            least = misfit[i];
            best = i;
        }
    }
    *fit = fits[best];
    double variance = gsl_pow_2(fit->residual_sd) * fit->correlation_length;
    for (size_t i = 0; i < LIMITS; i++) {
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
        for (size_t i = 0; i < LIMITS; i++) {
            if (!fits[i].onset_found && (fits[best].onset_found || misfit[i] < misfit[best]))
                best = i;
        }
        double gain = fit->bic_gain;
        *fit = fits[best];
        fit->bic_gain = gain;
        return ERR_OK;
    }
    whole = 0;
    for (size_t i = 0; i < LIMITS; i++) {
        /* Fits without an onset have no value to average; they drop out beside one that has it. */
        if (fits[i].onset_found != fit->onset_found)
            weights[i] = 0;
        whole += weights[i];
    }
    for (size_t i = 0; i < LIMITS; i++)
        weights[i] /= whole;
#define AVERAGE(value, error)                                                                                \
    for (size_t i = 0; i < LIMITS; i++) {                                                                    \
        values[i] = fits[i].value;                                                                           \
        errors[i] = fits[i].error;                                                                           \
    }                                                                                                        \
    average(weights, values, errors, &fit->value, &fit->error)
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
    if (in->full_step_mm > 0) {
        struct limits limits = in->motor_limit_n > 0 ? limits_known(in) : limits_unknown(in);
        return fit_over_limits(in, &limits, fit, e);
    }
    return fit_with(in, 0, fit, &misfit, e);
}
