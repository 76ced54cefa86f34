#include "analyze/numerics/trend_groups.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Sum of t (t - 1) (2 t + 5) and of t (t - 1) / 2 over the ties of sorted values. */
static double ties_of(const double *sorted, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n;) {
        size_t t = 1;
        while (i + t < n && sorted[i + t] == sorted[i])
            t++;
        sum += (double)t * (double)(t - 1) * (double)(2 * t + 5);
        i += t;
    }
    return sum;
}

/* One stretch after another: their S, its variance, and the slopes of their pairs. */
struct sums {
    double s, variance;
    bool ties;
    size_t pairs, groups;
    double *slopes;
    double *probability; /* of the inversions of all stretches so far; NULL: not exact */
    size_t most;         /* inversions there can be so far */
};

/* Variance of S with ties in x and in y, their higher terms included (Kendall, Rank Correlation Methods). */
static double variance_of_s(double *x, double *y, size_t n, bool *ties)
{
    double m = (double)n, total = m * (m - 1) * (2 * m + 5), tie_x, tie_y;
    gsl_sort(x, 1, n);
    gsl_sort(y, 1, n);
    tie_x = ties_of(x, n);
    tie_y = ties_of(y, n);
    *ties = *ties || tie_x > 0 || tie_y > 0;
    double variance = (total - tie_x - tie_y) / 18;
    if (tie_x > 0 && tie_y > 0) {
        double pairs_x = 0, pairs_y = 0, triples_x = 0, triples_y = 0;
        for (int side = 0; side < 2; side++) {
            const double *v = side == 0 ? x : y;
            for (size_t i = 0; i < n;) {
                size_t t = 1;
                while (i + t < n && v[i + t] == v[i])
                    t++;
                *(side == 0 ? &pairs_x : &pairs_y) += (double)t * (double)(t - 1);
                *(side == 0 ? &triples_x : &triples_y) += (double)t * (double)(t - 1) * ((double)t - 2);
                i += t;
            }
        }
        variance += pairs_x * pairs_y / (2 * m * (m - 1));
        if (n > 2)
            variance += triples_x * triples_y / (9 * m * (m - 1) * (m - 2));
    }
    return fmax(0, variance);
}

/* The number of inversions of k more numbers in random order, added to the distribution so far: one number
 * after another adds a uniform 0 to j - 1. */
static void convolve(struct sums *q, size_t k, double *room)
{
    for (size_t j = 2; j <= k; j++) {
        double running = 0;
        memcpy(room, q->probability, (q->most + 1) * sizeof *room);
        for (size_t i = 0; i < q->most + j; i++) {
            if (i <= q->most)
                running += room[i];
            if (i >= j)
                running -= room[i - j];
            q->probability[i] = fmax(0, running) / (double)j;
        }
        q->most += j - 1;
    }
}

static void add_group(struct sums *q, double *x, double *y, size_t n, double *room)
{
    size_t before = q->pairs;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < i; j++) {
            double dx = x[i] - x[j], dy = y[i] - y[j];
            if (dx == 0)
                continue;
            q->slopes[q->pairs++] = dy / dx;
            q->s += (dy > 0) - (dy < 0) == 0 ? 0 : ((dy > 0) == (dx > 0) ? 1 : -1);
        }
    }
    if (q->pairs == before)
        return;
    q->groups++;
    q->variance += variance_of_s(x, y, n, &q->ties);
    if (q->probability != NULL)
        convolve(q, n, room);
}

static double at_most(const struct sums *q, double inversions)
{
    double sum = 0;
    for (size_t i = 0; i <= q->most && (double)i <= inversions; i++)
        sum += q->probability[i];
    return fmin(1, sum);
}

static void set_interval(struct trend_groups *t, const struct sums *q)
{
    double width = gsl_cdf_ugaussian_Pinv(0.5 + t->confidence / 2) * sqrt(q->variance);
    double nearest = floor(((double)t->pairs - width) / 2 + 0.5);
    size_t rank = nearest > 0 ? (size_t)nearest : 0;
    t->coverage = t->confidence;
    /* With few pairs the approximation gives up before the exact distribution has to. */
    if (t->exact && rank == 0 && t->pairs > 1)
        rank = 1;
    for (; t->exact && rank > 0; rank--) {
        t->coverage = 1 - 2 * at_most(q, (double)(rank - 1));
        if (t->coverage >= t->confidence)
            break;
    }
    t->low = t->near_low = -INFINITY;
    t->high = t->near_high = INFINITY;
    if (rank == 0) {
        t->coverage = 1;
        return;
    }
    t->low = t->near_low = q->slopes[rank - 1];
    t->high = t->near_high = q->slopes[t->pairs - rank];
    double next = t->exact ? 1 - 2 * at_most(q, (double)rank) : t->coverage;
    if (next < t->confidence && 2 * (rank + 1) <= t->pairs) {
        double part = (t->coverage - t->confidence) / (t->coverage - next);
        t->near_low += part * (q->slopes[rank] - t->near_low);
        t->near_high += part * (q->slopes[t->pairs - rank - 1] - t->near_high);
    }
}

static enum err_code check(const double *x, const double *y, size_t n, double confidence, struct err *e)
{
    if (!(confidence > 0 && confidence < 1))
        return err_set(e, ERR_CALLER, "a confidence of %g is outside 0 to 1", confidence);
    if (n < 3 || n > TREND_GROUPS_POINTS_MAX)
        return err_set(e, ERR_NO_ANSWER, "a trend takes 3 to %d points, not %zu", TREND_GROUPS_POINTS_MAX, n);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]) || !isfinite(y[i]))
            return err_set(e, ERR_NO_ANSWER, "point %zu of the trend is not a finite number", i + 1);
    }
    return ERR_OK;
}

/* Collect the stretch that point i is the first of; 0 when an earlier point is of the same. */
static size_t collect(const double *x, const double *y, const size_t *group, size_t n, size_t i, double *gx,
                      double *gy)
{
    size_t count = 0;
    for (size_t j = 0; j < i; j++) {
        if (group[j] == group[i])
            return 0;
    }
    for (size_t j = i; j < n; j++) {
        if (group[j] == group[i]) {
            gx[count] = x[j];
            gy[count++] = y[j];
        }
    }
    return count;
}

enum err_code trend_groups(const double *x, const double *y, const size_t *group, size_t n, double confidence,
                           struct trend_groups *trend, struct err *e)
{
    struct sums q = {0};
    enum err_code code;
    memset(trend, 0, sizeof *trend);
    code = check(x, y, n, confidence, e);
    if (code != ERR_OK)
        return code;
    double *gx = malloc(2 * n * sizeof *gx), *room = calloc(TREND_GROUPS_EXACT_PAIRS + 1, sizeof *room);
    double *probability = calloc(TREND_GROUPS_EXACT_PAIRS + 1, sizeof *probability);
    size_t pairs = 0;
    q.slopes = malloc(n * (n - 1) / 2 * sizeof *q.slopes);
    if (gx == NULL || room == NULL || probability == NULL || q.slopes == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory for a trend of %zu points", n);
        goto out;
    }
    for (size_t i = 0; i < n; i++) {
        size_t count = collect(x, y, group, n, i, gx, gx + n);
        pairs += count * (count > 0 ? count - 1 : 0) / 2;
    }
    if (pairs <= TREND_GROUPS_EXACT_PAIRS) {
        probability[0] = 1;
        q.probability = probability;
    }
    for (size_t i = 0; i < n; i++) {
        size_t count = collect(x, y, group, n, i, gx, gx + n);
        if (count > 1)
            add_group(&q, gx, gx + n, count, room);
    }
    trend->n = n;
    trend->confidence = confidence;
    trend->groups = q.groups;
    trend->pairs = q.pairs;
    if (q.pairs == 0) {
        code = err_set(e, ERR_NO_ANSWER,
                       "no stretch has two points with different x: there is no trend to find");
        goto out;
    }
    trend->exact = q.probability != NULL && !q.ties;
    gsl_sort(q.slopes, 1, q.pairs);
    trend->slope = gsl_stats_median_from_sorted_data(q.slopes, 1, q.pairs);
    trend->s = q.s;
    if (trend->exact)
        trend->p_value = fmin(1, 2 * at_most(&q, ((double)q.pairs - fabs(q.s)) / 2));
    else if (q.variance > 0) /* with the correction for S being whole */
        trend->p_value = 2 * gsl_cdf_ugaussian_Q(fmax(0, fabs(q.s) - 1) / sqrt(q.variance));
    else
        trend->p_value = 1;
    set_interval(trend, &q);
out:
    free(gx);
    free(room);
    free(probability);
    free(q.slopes);
    return code;
}
