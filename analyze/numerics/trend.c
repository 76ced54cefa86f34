#include "analyze/numerics/trend.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Variance of Kendall's S for independent y and x with ties: (n (n-1) (2n+5) - sum t (t-1) (2t+5)) / 18.
 * Takes x sorted. */
static double variance_of_s(const double *sorted_x, size_t n, bool *ties)
{
    double total = (double)n * (double)(n - 1) * (double)(2 * n + 5);
    *ties = false;
    for (size_t i = 0; i < n;) {
        size_t t = 1;
        while (i + t < n && sorted_x[i + t] == sorted_x[i])
            t++;
        *ties = *ties || t > 1;
        total -= (double)t * (double)(t - 1) * (double)(2 * t + 5);
        i += t;
    }
    return total / 18;
}

/* Probability that a random order of n different numbers has at most `most` inversions. The distribution for
 * k numbers is that for k - 1 with a uniform number of 0 to k - 1 added (Kendall, Rank Correlation Methods).
 */
static double inversions_at_most(size_t n, size_t most)
{
    enum { SIZE = TREND_EXACT_POINTS * (TREND_EXACT_POINTS - 1) / 2 + 1 };
    double probability[SIZE] = {1}, before[SIZE], sum = 0;
    for (size_t k = 2; k <= n; k++) {
        double running = 0;
        memcpy(before, probability, sizeof before);
        for (size_t i = 0; i < SIZE; i++) {
            running += before[i];
            if (i >= k)
                running -= before[i - k];
            probability[i] = fmax(0, running) / (double)k;
        }
    }
    for (size_t i = 0; i <= most && i < SIZE; i++)
        sum += probability[i];
    return sum;
}

/* The interval goes from the rank-th least slope to the rank-th greatest; 0: there is none. Of two inversion
 * counts that are equally good the true slope is outside when fewer than rank slopes lie beyond it. */
static void set_interval(struct trend *t, const double *sorted_slopes, double variance, bool ties)
{
    double width = gsl_cdf_ugaussian_Pinv(0.5 + t->confidence / 2) * sqrt(variance);
    double nearest = floor(((double)t->pairs - width) / 2 + 0.5);
    size_t rank = nearest > 0 ? (size_t)nearest : 0;
    t->exact = !ties && t->n <= TREND_EXACT_POINTS;
    t->coverage = t->confidence;
    for (; t->exact && rank > 0; rank--) {
        t->coverage = 1 - 2 * inversions_at_most(t->n, rank - 1);
        if (t->coverage >= t->confidence)
            break;
    }
    t->low = -INFINITY;
    t->high = INFINITY;
    if (rank == 0) {
        t->coverage = 1;
        return;
    }
    t->low = sorted_slopes[rank - 1];
    t->high = sorted_slopes[t->pairs - rank];
}

enum err_code trend_theil_sen(const double *x, const double *y, size_t n, double confidence,
                              struct trend *trend, struct err *e)
{
    double *slopes, *scratch, variance;
    bool ties;
    memset(trend, 0, sizeof *trend);
    if (!(confidence > 0 && confidence < 1))
        return err_set(e, ERR_CALLER, "a confidence of %g is outside 0 to 1", confidence);
    if (n < 3 || n > TREND_POINTS_MAX)
        return err_set(e, ERR_NO_ANSWER, "a trend takes 3 to %d points, not %zu", TREND_POINTS_MAX, n);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]) || !isfinite(y[i]))
            return err_set(e, ERR_NO_ANSWER, "point %zu of the trend is not a finite number", i + 1);
    }
    slopes = calloc(n * (n - 1) / 2, sizeof *slopes);
    scratch = calloc(n, sizeof *scratch);
    if (slopes == NULL || scratch == NULL) {
        free(slopes);
        free(scratch);
        return err_set(e, ERR_MEMORY, "no memory for a trend of %zu points", n);
    }
    trend->n = n;
    trend->confidence = confidence;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < i; j++) {
            if (x[i] != x[j])
                slopes[trend->pairs++] = (y[i] - y[j]) / (x[i] - x[j]);
        }
    }
    if (trend->pairs > 0) {
        gsl_sort(slopes, 1, trend->pairs);
        trend->slope = gsl_stats_median_from_sorted_data(slopes, 1, trend->pairs);
        memcpy(scratch, x, n * sizeof *scratch);
        gsl_sort(scratch, 1, n);
        variance = variance_of_s(scratch, n, &ties);
        set_interval(trend, slopes, variance, ties);
        for (size_t i = 0; i < n; i++)
            scratch[i] = y[i] - trend->slope * x[i];
        gsl_sort(scratch, 1, n);
        trend->intercept = gsl_stats_median_from_sorted_data(scratch, 1, n);
    }
    free(slopes);
    free(scratch);
    if (trend->pairs == 0)
        return err_set(e, ERR_NO_ANSWER, "all %zu points have the same x: there is no trend to find", n);
    return ERR_OK;
}
