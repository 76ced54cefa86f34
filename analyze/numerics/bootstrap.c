#include "analyze/numerics/bootstrap.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TAIL       0.025
#define UNITS_MOST 0x7fffffffUL
/* Few enough that a rejection of a number of 16 bits is rare. */
#define HALF_UNITS_MOST 4096
/* The ends of a 95 % interval are looked for beyond so many standard deviations from the mean, where about a
 * fifteenth of the draws lies on either side; anywhere else where there are too few. */
#define ENDS_SDS    1.5
#define DRAWS_LEAST 40 /* so that there is a draw beyond either end */
/* A pivot of the normal equations below this share of its diagonal is nothing: without rounding it would be
 * at least one over the feeders times the blocks, or 0. */
#define PIVOT_LEAST 1e-9

/* A number of `bits` bits falls on one of n units as n times it divided by 2^bits. Of these products there is
 * one too many for some units; those are not taken. False: draw again. */
static inline bool fall(uint32_t number, unsigned bits, size_t n, uint32_t *unit)
{
    uint64_t product = (uint64_t)number * n, rest = product & (((uint64_t)1 << bits) - 1);
    *unit = (uint32_t)(product >> bits);
    return rest >= ((uint64_t)1 << bits) % n;
}

enum err_code bootstrap_draw(size_t n, size_t draws, unsigned long seed, uint32_t *index, struct err *e)
{
    gsl_rng *rng;
    size_t i = 0, count = draws * n;
    if (n == 0 || n > UNITS_MOST)
        return err_set(e, ERR_CALLER, "%zu units cannot be drawn from", n);
    rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (rng == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to draw from %zu units", n);
    gsl_rng_set(rng, seed);
    while (i < count) {
        uint32_t number = (uint32_t)gsl_rng_get(rng);
        if (n > HALF_UNITS_MOST) {
            i += fall(number, 32, n, &index[i]);
            continue;
        }
        /* Half of a number is enough for one of few units. */
        i += fall(number & 0xffff, 16, n, &index[i]);
        if (i < count)
            i += fall(number >> 16, 16, n, &index[i]);
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

/* Numbers below `cut` to the front; returns how many. */
static size_t part(double *numbers, size_t n, double cut)
{
    size_t below = 0;
    for (size_t i = 0; i < n; i++) {
        double number = numbers[i];
        numbers[i] = numbers[below];
        numbers[below] = number;
        below += number < cut;
    }
    return below;
}

struct bootstrap_interval bootstrap_percentile(const double *a, const double *b, size_t draws, double *room)
{
    struct bootstrap_interval interval = {.low_95 = NAN, .high_95 = NAN};
    size_t n = 0, low, high, apart;
    double below, above, sum = 0, square = 0, mean, sd;
    for (size_t d = 0; d < draws; d++) {
        double difference = b != NULL ? a[d] - b[d] : a[d], beyond;
        room[n] = difference;
        beyond = difference - room[0];
        if (!isfinite(difference))
            continue;
        sum += beyond;
        square += beyond * beyond;
        n++;
    }
    interval.draws = n;
    if (n < DRAWS_LEAST || 10 * n < 9 * draws)
        return interval;
    mean = room[0] + sum / (double)n;
    sd = sqrt(fmax(0, square / (double)n - sum / (double)n * (sum / (double)n)));
    low = (size_t)(TAIL * (double)(n + 1));
    high = (size_t)((1 - TAIL) * (double)(n + 1));
    /* Both numbers of an end must lie on the same side of where it is parted. */
    apart = part(room, n, mean - ENDS_SDS * sd);
    neighbours(room, apart > low ? apart : n, low, &below, &above);
    interval.low_95 = between(below, above, TAIL, low, n);
    /* What is below the lower end is out of the way now. */
    apart = low + part(room + low, n - low, mean + ENDS_SDS * sd);
    apart = apart < high ? apart : low;
    neighbours(room + apart, n - apart, high - apart, &below, &above);
    interval.high_95 = between(below, above, 1 - TAIL, high, n);
    interval.present = true;
    return interval;
}
