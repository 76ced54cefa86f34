#include "analyze/numerics/difference.h"
#include "analyze/numerics/quantity.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Mean and sum of squared distances from it. The first value is taken off every other before anything is
 * summed, so that a large common part costs no digits, and the second pass takes off what rounding left of
 * the mean. */
static void shifted_sums(const double *values, size_t n, double *mean, double *squares)
{
    long double sum = 0, rest = 0, square = 0, centre;
    *mean = NAN;
    *squares = 0;
    if (n == 0)
        return;
    for (size_t i = 0; i < n; i++)
        sum += (long double)values[i] - values[0];
    centre = sum / (long double)n;
    for (size_t i = 0; i < n; i++) {
        long double distance = (long double)values[i] - values[0] - centre;
        rest += distance;
        square += distance * distance;
    }
    square -= rest * rest / (long double)n;
    *mean = (double)(values[0] + centre + rest / (long double)n);
    *squares = (double)(square > 0 ? square : 0);
}

void difference_mean_sd(const double *values, size_t n, double *mean, double *sd)
{
    double squares;
    shifted_sums(values, n, mean, &squares);
    *sd = n > 1 ? sqrt(squares / (double)(n - 1)) : 0;
}

static enum err_code check_group(const double *values, size_t n, const char *name, struct err *e)
{
    if (n < 2)
        return err_set(e, ERR_NO_ANSWER, "group %s has %zu value%s: a difference needs at least 2", name, n,
                       n == 1 ? "" : "s");
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(values[i]))
            return err_set(e, ERR_NO_ANSWER, "value %zu of group %s is not a finite number", i + 1, name);
    }
    return ERR_OK;
}

double difference_p_value(double mean, double standard_error, double degrees_of_freedom)
{
    double p;
    if (!(standard_error > 0) || !(degrees_of_freedom > 0))
        return NAN;
    /* The t distribution with very many degrees of freedom is the normal one, and cannot be evaluated as t.
     */
    p = degrees_of_freedom > 1e9 ? 2 * gsl_cdf_ugaussian_Q(fabs(mean / standard_error))
                                 : 2 * gsl_cdf_tdist_Q(fabs(mean / standard_error), degrees_of_freedom);
    return fmin(1, p);
}

static enum err_code fill_difference(double mean, double variance, double degrees_of_freedom,
                                     struct difference *d, struct err *e)
{
    double half;
    if (!(variance > 0) || !isfinite(variance) || !isfinite(mean))
        return err_set(e, ERR_NO_ANSWER,
                       "the values do not scatter at all, so a difference has no standard error");
    memset(d, 0, sizeof *d);
    d->mean = mean;
    d->standard_error = sqrt(variance);
    d->degrees_of_freedom = degrees_of_freedom;
    d->t = mean / d->standard_error;
    d->p_value = difference_p_value(mean, d->standard_error, degrees_of_freedom);
    half = quantity_t_975(degrees_of_freedom) * d->standard_error;
    d->low_95 = mean - half;
    d->high_95 = mean + half;
    if (!isfinite(d->p_value) || !isfinite(half))
        return err_set(e, ERR_NO_ANSWER,
                       "the t distribution with %g degrees of freedom could not be evaluated",
                       degrees_of_freedom);
    return ERR_OK;
}

/* Welch, Biometrika 34 (1947) 28-35; degrees of freedom by Satterthwaite, Biometrics Bulletin 2 (1946)
 * 110-114. */
enum err_code difference_welch(const double *a, size_t na, const double *b, size_t nb, struct difference *d,
                               struct err *e)
{
    double mean_a, mean_b, square_a, square_b, part_a, part_b, share;
    enum err_code code = check_group(a, na, "a", e);
    if (code == ERR_OK)
        code = check_group(b, nb, "b", e);
    if (code != ERR_OK)
        return code;
    shifted_sums(a, na, &mean_a, &square_a);
    shifted_sums(b, nb, &mean_b, &square_b);
    part_a = square_a / (double)(na - 1) / (double)na;
    part_b = square_b / (double)(nb - 1) / (double)nb;
    share = part_a /
            (part_a + part_b); /* shares, not squares of variances, so that tiny units do not underflow */
    return fill_difference(
        mean_a - mean_b, part_a + part_b,
        1 / (share * share / (double)(na - 1) + (1 - share) * (1 - share) / (double)(nb - 1)), d, e);
}

enum err_code difference_paired(const double *a, const double *b, size_t n, struct difference *d,
                                struct err *e)
{
    long double sum = 0, square = 0, first, centre, rest = 0;
    enum err_code code = check_group(a, n, "a", e);
    if (code == ERR_OK)
        code = check_group(b, n, "b", e);
    if (code != ERR_OK)
        return code;
    first = (long double)a[0] - b[0];
    for (size_t i = 0; i < n; i++)
        sum += (long double)a[i] - b[i] - first;
    centre = sum / (long double)n;
    for (size_t i = 0; i < n; i++) {
        long double distance = (long double)a[i] - b[i] - first - centre;
        rest += distance;
        square += distance * distance;
    }
    square -= rest * rest / (long double)n;
    return fill_difference((double)(first + centre), (double)(square / (long double)(n - 1) / (long double)n),
                           (double)(n - 1), d, e);
}

struct ranked {
    double p;
    size_t at;
};

static int by_p(const void *a, const void *b)
{
    const struct ranked *x = a, *y = b;
    if (x->p != y->p)
        return x->p < y->p ? -1 : 1;
    return x->at < y->at ? -1 : x->at > y->at;
}

/* Holm, Scand. J. Statist. 6 (1979) 65-70: sorted p values times n, n - 1, ... 1, each no smaller than the
 * one before it, at most 1. */
bool difference_holm(const double *p, size_t n, double *adjusted)
{
    struct ranked *ranked = malloc((n + 1) * sizeof *ranked);
    size_t present = 0;
    double running = 0;
    for (size_t i = 0; i < n; i++)
        adjusted[i] = NAN;
    if (ranked == NULL)
        return false;
    for (size_t i = 0; i < n; i++) {
        if (!isnan(p[i]))
            ranked[present++] = (struct ranked){p[i], i};
    }
    qsort(ranked, present, sizeof *ranked, by_p);
    for (size_t rank = 0; rank < present; rank++) {
        running = fmax(running, fmin(1, (double)(present - rank) * ranked[rank].p));
        adjusted[ranked[rank].at] = running;
    }
    free(ranked);
    return true;
}
