#include "analyze/numerics/bootstrap.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TAIL        0.025
#define UNITS_MOST  0x7fffffffUL
#define DRAWS_LEAST 40 /* so that there is a draw beyond either end */
/* A pivot of the normal equations below this share of its diagonal is nothing: without rounding it would be
 * at least one over the feeders times the blocks, or 0. */
#define PIVOT_LEAST 1e-9

enum err_code bootstrap_draw(size_t n, size_t draws, unsigned long seed, uint32_t *index, struct err *e)
{
    gsl_rng *rng;
    uint32_t surplus;
    if (n == 0 || n > UNITS_MOST)
        return err_set(e, ERR_CALLER, "%zu units cannot be drawn from", n);
    rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (rng == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to draw from %zu units", n);
    gsl_rng_set(rng, seed);
    /* Of the products that fall on one unit there are one too many for some; those are drawn again. */
    surplus = (uint32_t)(((uint64_t)1 << 32) % n);
    for (size_t i = 0; i < draws * n; i++) {
        uint64_t product = (uint64_t)gsl_rng_get(rng) * n;
        while ((uint32_t)product < surplus)
            product = (uint64_t)gsl_rng_get(rng) * n;
        index[i] = (uint32_t)(product >> 32);
    }
    gsl_rng_free(rng);
    return ERR_OK;
}

/* All are taken about the first value, so that what they have in common costs no digits. */
void bootstrap_means(const double *values, size_t n, const uint32_t *index, size_t draws, double *means)
{
    double about = NAN;
    bool all = true;
    for (size_t i = 0; i < n; i++) {
        about = isnan(about) ? values[i] : about;
        all = all && !isnan(values[i]);
    }
    for (size_t d = 0; d < draws; d++) {
        const uint32_t *row = index + d * n;
        double sum = 0;
        size_t count = n;
        if (all) {
            for (size_t i = 0; i < n; i++)
                sum += values[row[i]] - about;
        } else {
            count = 0;
            for (size_t i = 0; i < n; i++) {
                bool is = !isnan(values[row[i]]);
                sum += is ? values[row[i]] - about : 0;
                count += is;
            }
        }
        means[d] = count > 0 ? about + sum / (double)count : NAN;
    }
}

/* What is fitted again and again: the normal equations of the feeders beyond the first one, once the blocks
 * are eliminated from them. */
struct additive {
    const double *values;
    size_t groups, blocks;
    size_t *times; /* how often each block stands in the draw */
    gsl_matrix *normal;
    gsl_vector *right, *solution;
};

static void add_block(struct additive *a, size_t block)
{
    const double times = (double)a->times[block];
    double sum = 0;
    size_t k = 0;
    for (size_t g = 0; g < a->groups; g++) {
        double value = a->values[g * a->blocks + block];
        sum += isnan(value) ? 0 : value;
        k += !isnan(value);
    }
    for (size_t g = 0; k > 1 && g < a->groups; g++) {
        double value = a->values[g * a->blocks + block];
        if (g == 0 || isnan(value))
            continue;
        *gsl_vector_ptr(a->right, g - 1) += times * (value - sum / (double)k);
        *gsl_matrix_ptr(a->normal, g - 1, g - 1) += times;
        for (size_t h = 1; h < a->groups; h++) {
            if (!isnan(a->values[h * a->blocks + block]))
                *gsl_matrix_ptr(a->normal, g - 1, h - 1) -= times / (double)k;
        }
    }
}

/* Whether the draw connects all feeders; the solution then holds what each has beyond the first. */
static bool solve(struct additive *a)
{
    double diagonal = 0;
    for (size_t i = 0; i < a->groups - 1; i++)
        diagonal = fmax(diagonal, gsl_matrix_get(a->normal, i, i));
    if (!(diagonal > 0) || gsl_linalg_cholesky_decomp1(a->normal) != GSL_SUCCESS)
        return false;
    for (size_t i = 0; i < a->groups - 1; i++) {
        double root = gsl_matrix_get(a->normal, i, i);
        if (!(root * root > PIVOT_LEAST * diagonal))
            return false;
    }
    return gsl_linalg_cholesky_solve(a->normal, a->right, a->solution) == GSL_SUCCESS;
}

enum err_code bootstrap_additive(const double *values, size_t groups, size_t blocks, const uint32_t *index,
                                 size_t draws, double *effects, struct err *e)
{
    struct additive a = {.values = values, .groups = groups, .blocks = blocks};
    enum err_code code = ERR_OK;
    if (groups < 2 || blocks == 0)
        return err_set(e, ERR_CALLER, "%zu feeders in %zu blocks", groups, blocks);
    a.times = calloc(blocks, sizeof *a.times);
    a.normal = gsl_matrix_alloc(groups - 1, groups - 1);
    a.right = gsl_vector_alloc(groups - 1);
    a.solution = gsl_vector_alloc(groups - 1);
    if (a.times == NULL || a.normal == NULL || a.right == NULL || a.solution == NULL)
        code = err_set(e, ERR_MEMORY, "not enough memory to resample %zu feeders", groups);
    for (size_t d = 0; code == ERR_OK && d < draws; d++) {
        bool connected;
        memset(a.times, 0, blocks * sizeof *a.times);
        for (size_t i = 0; i < blocks; i++)
            a.times[index[d * blocks + i]]++;
        gsl_matrix_set_zero(a.normal);
        gsl_vector_set_zero(a.right);
        for (size_t i = 0; i < blocks; i++) {
            if (a.times[i] > 0)
                add_block(&a, i);
        }
        connected = solve(&a);
        for (size_t g = 0; g < groups; g++)
            effects[g * draws + d] = !connected ? NAN : g == 0 ? 0 : gsl_vector_get(a.solution, g - 1);
    }
    free(a.times);
    gsl_matrix_free(a.normal);
    gsl_vector_free(a.right);
    gsl_vector_free(a.solution);
    return code;
}

/* Between the order statistics below and above place p (n + 1), of which the one below is the k-th. */
static double between(double below, double above, double p, size_t k, size_t n)
{
    double low, high;
    if ((double)k == p * (double)(n + 1))
        return below;
    low = gsl_cdf_ugaussian_Pinv((double)k / (double)(n + 1));
    high = gsl_cdf_ugaussian_Pinv((double)(k + 1) / (double)(n + 1));
    return below + (gsl_cdf_ugaussian_Pinv(p) - low) / (high - low) * (above - below);
}

/* The k-th of n numbers (k from 1), which then stands in its place with all smaller ones before it, and the
 * one that follows. */
static void neighbours(double *numbers, size_t n, size_t k, double *at, double *next)
{
    *at = gsl_stats_select(numbers, 1, n, k - 1);
    *next = numbers[k];
    for (size_t i = k + 1; i < n; i++)
        *next = fmin(*next, numbers[i]);
}

struct bootstrap_interval bootstrap_percentile(const double *a, const double *b, size_t draws, double *room)
{
    struct bootstrap_interval interval = {.low_95 = NAN, .high_95 = NAN};
    size_t n = 0, low, high;
    double below, above;
    for (size_t d = 0; d < draws; d++) {
        double difference = b != NULL ? a[d] - b[d] : a[d];
        room[n] = difference;
        n += isfinite(difference) != 0;
    }
    interval.draws = n;
    if (n < DRAWS_LEAST || 10 * n < 9 * draws)
        return interval;
    low = (size_t)(TAIL * (double)(n + 1));
    high = (size_t)((1 - TAIL) * (double)(n + 1));
    neighbours(room, n, low, &below, &above);
    interval.low_95 = between(below, above, TAIL, low, n);
    /* What is below the lower end is out of the way now. */
    neighbours(room + low, n - low, high - low, &below, &above);
    interval.high_95 = between(below, above, 1 - TAIL, high, n);
    interval.present = true;
    return interval;
}
