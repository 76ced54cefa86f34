/* How the bent model is fitted: for each split of the sorted runs into below and past the onset, a straight
 * line below and a straight line of the excess past it meet at an onset, in closed form. The split of the
 * greatest likelihood starts a weighted fit of all four parameters, whose weights follow the two scatters
 * found from its residuals (iteratively reweighted, with degrees of freedom taken off). */
#include "analyze/numerics/creep_fit.h"

#include "analyze/numerics/linear_fit.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Forces that differ by less than this share of the greatest are one load of the ladder: a brake scatters. */
#define SAME_LOAD 0.05
/* How far below the last run under it an onset may be looked for, as a share of its force. */
#define ONSET_SLACK 0.02
/* Scatters below these are taken as these: data made by rule have none. */
#define SHARE_SD_LEAST 1e-7
#define GRIP_SD_LEAST  1e-5
#define GRIP_SD_START  0.01
/* Steps of the last fit, and the step in standard errors at which it has arrived. */
#define STEPS_MOST 100
#define STEP_DONE  1e-4
/* A fit that still swings by less than this is good enough to be used. */
#define STEP_ENOUGH 0.1
/* Steps that are taken whole, before they are shortened. */
#define STEPS_WHOLE 30
#define ROUNDING    1e-9
/* Runs that tell of the grip, below which its scatter, and so the onset, has no interval. */
#define GRIP_RUNS_LEAST 3.0
/* A run is past the onset for certain where its excess is so many scatters of the line below. */
#define EXCESS_SDS    6.0
#define LEFT_OUT_MOST 3u

struct row {
    double force_n, share, u;
};

struct context {
    const struct row *rows;
    size_t n;
    double share_sd, grip_sd;
};

static int by_force(const void *a, const void *b)
{
    double p = ((const struct row *)a)->force_n, q = ((const struct row *)b)->force_n;
    return p < q ? -1 : p > q;
}

/* Mean of max(0, d + sd * normal), its slope on d, and its variance. */
static double bent(double d, double sd, double *slope, double *variance)
{
    double z = sd > 0 ? d / sd : d > 0 ? INFINITY : -INFINITY;
    if (fabs(z) > 30) {
        *slope = d > 0;
        *variance = d > 0 ? sd * sd : 0;
        return fmax(0, d);
    }
    double density = gsl_ran_ugaussian_pdf(z), below = gsl_cdf_ugaussian_P(z);
    double mean = sd * (density + z * below);
    *slope = below;
    *variance = fmax(0, sd * sd * ((1 + z * z) * below + z * density) - mean * mean);
    return mean;
}

static double gross_per_n(const double *t)
{
    return (1 - t[CREEP_OFFSET] - t[CREEP_PER_N] * t[CREEP_GRIP]) / (t[CREEP_GRIP] - t[CREEP_ONSET]);
}

/* Rows 0 to n - 1 are shares, those after them stall forces. */
static bool evaluate(const struct context *c, const double *t, size_t i, double *value, double *slopes)
{
    double slope, variance, span = t[CREEP_GRIP] - t[CREEP_ONSET], gross = gross_per_n(t);
    if (!(span > 0) || !(t[CREEP_ONSET] > 0) || !(gross > 0))
        return false;
    memset(slopes, 0, CREEP_PARAMETERS * sizeof *slopes);
    if (i >= c->n) {
        *value = t[CREEP_GRIP];
        slopes[CREEP_GRIP] = 1;
        return true;
    }
    double f = c->rows[i].force_n;
    double mean = bent(f - t[CREEP_ONSET], c->grip_sd * f, &slope, &variance);
    *value = t[CREEP_OFFSET] + t[CREEP_PER_N] * f + gross * mean;
    slopes[CREEP_OFFSET] = 1 - mean / span;
    slopes[CREEP_PER_N] = f - mean * t[CREEP_GRIP] / span;
    slopes[CREEP_ONSET] = gross * (mean / span - slope);
    slopes[CREEP_GRIP] = -mean * (t[CREEP_PER_N] + gross) / span;
    return true;
}

/* A straight line of rows from to to - 1 on force, plain least squares; residual sum returned. */
static double line(const struct row *rows, size_t from, size_t to, double *intercept, double *slope)
{
    double n = (double)(to - from), mx = 0, my = 0, xx = 0, xy = 0, sum = 0;
    for (size_t i = from; i < to; i++) {
        mx += rows[i].force_n / n;
        my += rows[i].share / n;
    }
    for (size_t i = from; i < to; i++) {
        xx += (rows[i].force_n - mx) * (rows[i].force_n - mx);
        xy += (rows[i].force_n - mx) * (rows[i].share - my);
    }
    *slope = xx > 0 ? xy / xx : 0;
    *intercept = my - *slope * mx;
    for (size_t i = from; i < to; i++)
        sum += pow(rows[i].share - *intercept - *slope * rows[i].force_n, 2);
    return sum;
}

/* Different loads among the first n sorted rows. */
static size_t loads(const struct row *rows, size_t n)
{
    size_t count = n > 0;
    double last = n > 0 ? rows[0].force_n : 0;
    for (size_t i = 1; i < n; i++) {
        if (rows[i].force_n - last > SAME_LOAD * rows[n - 1].force_n) {
            count++;
            last = rows[i].force_n;
        }
    }
    return count;
}

/* Minus twice the log likelihood of the bent model, constants left out; the variance of each row's residual
 * that is due to the grip goes to *grip_part (as a share of the whole). */
static double deviance(const double *t, const struct context *c, const struct creep_fit_data *d,
                       double *residuals, double *grip_part)
{
    double sum = 0, slopes[CREEP_PARAMETERS], gross = gross_per_n(t);
    for (size_t i = 0; i < c->n + d->stalls; i++) {
        double value, variance, slope, own = 0, grip;
        if (!evaluate(c, t, i, &value, slopes))
            return INFINITY;
        if (i < c->n) {
            double f = c->rows[i].force_n;
            bent(f - t[CREEP_ONSET], c->grip_sd * f, &slope, &variance);
            own = c->share_sd * c->share_sd;
            grip = gross * gross * variance;
            residuals[i] = c->rows[i].share - value;
            sum += log(own + grip);
        } else {
            grip = pow(c->grip_sd * t[CREEP_GRIP], 2);
            residuals[i] = d->stall_n[i - c->n] - value;
            sum += log(grip * gross * gross); /* as a density of the share, as the others are */
        }
        sum += residuals[i] * residuals[i] / (own + grip);
        grip_part[i] = grip / (own + grip);
    }
    return sum;
}

/* The two scatters from the residuals: each residual counts for the grip by the share a of its variance that
 * the grip has. As the square of a residual is a of it grip on average, a^2 of the square stands against a in
 * the count. Two parameters are taken off the degrees of freedom of each. */
static void find_scatters(const double *t, struct context *c, const struct creep_fit_data *d,
                          const double *residuals, const double *grip_part, struct creep_fit *fit)
{
    double gross = gross_per_n(t), share = 0, share_n = 0, grip = 0, grip_n = 0;
    for (size_t i = 0; i < c->n + d->stalls; i++) {
        double unit = t[CREEP_GRIP], slope, variance;
        if (i < c->n) {
            double f = c->rows[i].force_n;
            bent(f - t[CREEP_ONSET], c->grip_sd * f, &slope, &variance);
            unit = gross * sqrt(variance) / c->grip_sd;
        }
        share += pow((1 - grip_part[i]) * residuals[i], 2);
        share_n += 1 - grip_part[i];
        if (unit > 0 && grip_part[i] > 0)
            grip += pow(grip_part[i] * residuals[i] / unit, 2);
        grip_n += grip_part[i];
    }
    fit->creep_degrees_of_freedom = share_n - 2;
    fit->grip_degrees_of_freedom = grip_n - 2;
    if (share_n > 2.5)
        c->share_sd = fmax(SHARE_SD_LEAST, sqrt(share / (share_n - 2)));
    if (grip_n > 2.5)
        c->grip_sd = fmax(GRIP_SD_LEAST, sqrt(grip / (grip_n - 2)));
}

/* Onset and grip for the split before row k, from the line below and the excess past it; false where they
 * make no sense. */
static bool split(const struct row *rows, size_t n, size_t k, const struct creep_fit_data *d, double *t,
                  double *share_sd)
{
    double sum = line(rows, 0, k, &t[CREEP_OFFSET], &t[CREEP_PER_N]);
    struct row *past = malloc((n - k + d->stalls) * sizeof *past);
    double intercept, slope;
    if (past == NULL)
        return false;
    for (size_t i = k; i < n; i++) {
        past[i - k] = rows[i];
        past[i - k].share -= t[CREEP_OFFSET] + t[CREEP_PER_N] * rows[i].force_n;
    }
    for (size_t i = 0; i < d->stalls; i++) {
        past[n - k + i].force_n = d->stall_n[i];
        past[n - k + i].share = 1 - t[CREEP_OFFSET] - t[CREEP_PER_N] * d->stall_n[i];
    }
    line(past, 0, n - k + d->stalls, &intercept, &slope);
    free(past);
    *share_sd = fmax(SHARE_SD_LEAST, sqrt(sum / fmax(1, (double)k - 2)));
    if (!(slope > 0))
        return false;
    t[CREEP_ONSET] = fmax(rows[k - 1].force_n * (1 - ONSET_SLACK), fmin(-intercept / slope, rows[k].force_n));
    /* s0 + c G + slope (G - onset) = 1 */
    t[CREEP_GRIP] = (1 - t[CREEP_OFFSET] + slope * t[CREEP_ONSET]) / (t[CREEP_PER_N] + slope);
    return t[CREEP_GRIP] > t[CREEP_ONSET];
}

/* From a start near the solution: steps of Gauss and Newton, the weights anew before each from the scatters
 * found by the one before. covariance is that of the last step. */
static bool polish(struct context *c, const struct creep_fit_data *d, double *t, double *room,
                   double covariance[CREEP_PARAMETERS][CREEP_PARAMETERS], struct creep_fit *fit)
{
    size_t rows = c->n + d->stalls;
    double *weights = room, *residuals = room + rows, *grip_part = residuals + rows;
    double *slopes = grip_part + rows, moved = INFINITY;
    for (int pass = 0; pass < STEPS_MOST && moved > STEP_DONE; pass++) {
        struct linear_fit l;
        struct err unused = {0};
        double gross = gross_per_n(t), next[CREEP_PARAMETERS], share = pass < STEPS_WHOLE ? 1 : 0.3;
        double share_sd = c->share_sd, grip_sd = c->grip_sd;
        if (isinf(deviance(t, c, d, residuals, grip_part)))
            return false;
        if (pass > 0)
            find_scatters(t, c, d, residuals, grip_part, fit);
        if (pass >= STEPS_WHOLE) {
            /* Runs at the onset itself can make steps and scatters swing to and fro: less of each. */
            c->share_sd = sqrt(c->share_sd * share_sd);
            c->grip_sd = sqrt(c->grip_sd * grip_sd);
        }
        for (size_t i = 0; i < rows; i++) {
            double slope, variance, value;
            evaluate(c, t, i, &value, slopes + i * CREEP_PARAMETERS);
            weights[i] = 1 / pow(c->grip_sd * t[CREEP_GRIP], 2);
            if (i < c->n) {
                double f = c->rows[i].force_n;
                bent(f - t[CREEP_ONSET], c->grip_sd * f, &slope, &variance);
                weights[i] = 1 / (c->share_sd * c->share_sd + gross * gross * variance);
            }
        }
        if (linear_fit(slopes, residuals, weights, rows, CREEP_PARAMETERS, true, &l, &unused) != ERR_OK)
            return false;
        do {
            for (int j = 0; j < CREEP_PARAMETERS; j++)
                next[j] = t[j] + share * l.coefficients[j];
            share /= 2;
        } while (share > 1e-3 && isinf(deviance(next, c, d, residuals, grip_part)));
        moved = 0;
        for (int j = 0; j < CREEP_PARAMETERS; j++) {
            if (fabs(next[j] - t[j]) > ROUNDING * fabs(t[j]))
                moved = fmax(moved, fabs(next[j] - t[j]) / l.standard_errors[j]);
            for (int k = 0; k < CREEP_PARAMETERS; k++)
                covariance[j][k] = l.covariance[j][k];
        }
        memcpy(t, next, sizeof next);
    }
    if (moved > STEP_ENOUGH || isinf(deviance(t, c, d, residuals, grip_part)))
        return false;
    find_scatters(t, c, d, residuals, grip_part, fit);
    return true;
}

/* Straight line through the first n sorted rows. */
static enum err_code straight(const struct row *rows, size_t n, struct creep_fit *fit, struct err *e)
{
    struct linear_fit l;
    double *x = malloc(4 * (n + 1) * sizeof *x), *y, *w;
    enum err_code code;
    if (x == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", n);
    y = x + 2 * n;
    w = y + n;
    for (size_t i = 0; i < n; i++) {
        x[2 * i] = 1;
        x[2 * i + 1] = rows[i].force_n;
        y[i] = rows[i].share;
        w[i] = n > 2 ? 1 : 1 / fmax(rows[i].u * rows[i].u, SHARE_SD_LEAST * SHARE_SD_LEAST);
    }
    code = linear_fit(x, y, w, n, 2, n == 2, &l, e);
    free(x);
    if (code != ERR_OK)
        return code;
    for (int i = 0; i < 2; i++) {
        fit->parameters[i] = l.coefficients[i];
        for (int j = 0; j < 2; j++)
            fit->covariance[i][j] = l.covariance[i][j];
    }
    fit->share_sd = l.residual_sd;
    fit->creep_degrees_of_freedom = n > 2 ? l.degrees_of_freedom : INFINITY;
    return ERR_OK;
}

/* Try the bent model; true where it is wanted, with fit filled. */
static bool try_bent(const struct row *rows, const struct creep_fit_data *d, struct creep_fit *fit)
{
    size_t n = d->n, count = n + d->stalls;
    double *room = malloc((3 + CREEP_PARAMETERS) * (count + 1) * sizeof *room), best = INFINITY;
    double best_t[CREEP_PARAMETERS], covariance[CREEP_PARAMETERS][CREEP_PARAMETERS];
    double *residuals, *grip_part;
    struct context c = {.rows = rows, .n = n}, best_c = c;
    bool wanted = false;
    if (room == NULL)
        return false;
    residuals = room + count;
    grip_part = residuals + count;
    for (size_t k = 3; k < n; k++) {
        double t[CREEP_PARAMETERS];
        if (loads(rows, k) < 2 || n - k + d->stalls < 2 || !split(rows, n, k, d, t, &c.share_sd))
            continue;
        c.grip_sd = GRIP_SD_START;
        for (int i = 0; i < 5; i++) {
            struct creep_fit unused;
            if (isinf(deviance(t, &c, d, residuals, grip_part)))
                break;
            find_scatters(t, &c, d, residuals, grip_part, &unused);
        }
        double here = deviance(t, &c, d, residuals, grip_part);
        if (here < best) {
            best = here;
            best_c = c;
            memcpy(best_t, t, sizeof t);
        }
    }
    if (!isinf(best) && polish(&best_c, d, best_t, room, covariance, fit)) {
        double unused[2], logs = log((double)n);
        double plain = (double)n * (log(fmax(line(rows, 0, n, &unused[0], &unused[1]) / (double)n,
                                             SHARE_SD_LEAST * SHARE_SD_LEAST)) +
                                    1) +
                       3 * logs;
        /* The stalled runs have grip and scatter of their own in either model: they count in neither. */
        struct creep_fit_data fed = *d;
        fed.stalls = 0;
        double with = deviance(best_t, &best_c, &fed, residuals, grip_part) + (d->stalls > 0 ? 4 : 6) * logs;
        fit->bic_gain = plain - with;
        wanted = fit->bic_gain > 0 && fit->grip_degrees_of_freedom > GRIP_RUNS_LEAST - 2.5;
        if (wanted) {
            memcpy(fit->parameters, best_t, sizeof best_t);
            for (int i = 0; i < CREEP_PARAMETERS; i++) {
                for (int j = 0; j < CREEP_PARAMETERS; j++)
                    fit->covariance[i][j] = covariance[i][j];
            }
            fit->share_sd = best_c.share_sd;
            fit->grip_sd = best_c.grip_sd;
            fit->onset_found = true;
        }
    }
    free(room);
    return wanted;
}

/* Runs at the top that stand far off the line of those below: past an onset, but too few to say where it is.
 */
static size_t leave_out_past(const struct row *rows, size_t n)
{
    size_t most = 0;
    for (size_t m = 1; m <= LEFT_OUT_MOST && n >= m + 3 && loads(rows, n - m) >= 2; m++) {
        double a, b, sum = line(rows, 0, n - m, &a, &b);
        double sd = fmax(SHARE_SD_LEAST, sqrt(sum / ((double)(n - m) - 2)));
        bool off = true;
        for (size_t i = n - m; i < n; i++)
            off = off && rows[i].share - a - b * rows[i].force_n > EXCESS_SDS * sd * sqrt(2.0);
        if (off)
            most = m;
    }
    return most;
}

enum err_code creep_fit(const struct creep_fit_data *d, struct creep_fit *fit, struct err *e)
{
    struct row *rows = malloc((d->n + 1) * sizeof *rows);
    enum err_code code;
    memset(fit, 0, sizeof *fit);
    fit->bic_gain = NAN;
    if (rows == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", d->n);
    for (size_t i = 0; i < d->n; i++) {
        rows[i] = (struct row){d->force_n[i], d->share[i], d->share_u[i]};
        if (!isfinite(rows[i].force_n) || !isfinite(rows[i].share)) {
            free(rows);
            return err_set(e, ERR_NO_ANSWER, "a force or lost share is not a number");
        }
    }
    qsort(rows, d->n, sizeof *rows, by_force);
    if (loads(rows, d->n) < 2) {
        free(rows);
        return err_set(e, ERR_NO_ANSWER,
                       "the feed went on at one load only: lost share against force needs "
                       "at least two");
    }
    if (try_bent(rows, d, fit)) {
        free(rows);
        return ERR_OK;
    }
    fit->left_out = leave_out_past(rows, d->n);
    if (fit->left_out > 0) {
        fit->above_n = rows[d->n - fit->left_out - 1].force_n;
        fit->below_n = rows[d->n - fit->left_out].force_n;
    }
    code = straight(rows, d->n - fit->left_out, fit, e);
    free(rows);
    return code;
}

double creep_fit_at(const struct creep_fit *fit, double force_n, double *standard_error)
{
    const double *t = fit->parameters;
    double slopes[CREEP_PARAMETERS] = {1, force_n}, value = t[CREEP_OFFSET] + t[CREEP_PER_N] * force_n,
           sum = 0;
    if (fit->onset_found) {
        const struct row row = {.force_n = force_n};
        struct context c = {.rows = &row, .n = 1, .grip_sd = 0};
        evaluate(&c, t, 0, &value, slopes);
    }
    for (int i = 0; i < CREEP_PARAMETERS; i++) {
        for (int j = 0; j < CREEP_PARAMETERS; j++)
            sum += slopes[i] * slopes[j] * fit->covariance[i][j];
    }
    if (standard_error != NULL)
        *standard_error = sqrt(fmax(0, sum));
    return value;
}
