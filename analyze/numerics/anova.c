#include "analyze/numerics/anova.h"

#include "analyze/numerics/additive_fit.h"

#include <float.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Residuals below so many units in the last place of the greatest value are none: a difference that is the
 * same in every block then has no error of its own, only that of its subtraction. */
#define ROUNDING 8

static struct anova_test f_test(double f, double n1, double n2)
{
    struct anova_test t = {.f = f, .n1 = n1, .n2 = n2};
    t.present = isfinite(f) && n1 > 0 && n2 > 0;
    t.p_value = t.present ? gsl_cdf_fdist_Q(f, n1, n2) : NAN;
    return t;
}

/* Sums of one group about the first value of all, which takes out what all have in common. */
struct group_sums {
    size_t n;
    long double sum, square; /* of the distances from that value; then square about the group's own mean */
    long double mean;        /* distance of the mean */
};

static void sum_groups(const double *values, const size_t *group, size_t n, size_t groups,
                       struct group_sums *sums)
{
    long double rest;
    for (size_t i = 0; i < n; i++) {
        sums[group[i]].n++;
        sums[group[i]].sum += (long double)values[i] - values[0];
    }
    for (size_t g = 0; g < groups; g++) {
        sums[g].mean = sums[g].n > 0 ? sums[g].sum / (long double)sums[g].n : 0;
        sums[g].sum = 0;
    }
    /* Second pass: squares about the mean, with the correction for what the mean lost. */
    for (size_t i = 0; i < n; i++) {
        struct group_sums *s = &sums[group[i]];
        rest = (long double)values[i] - values[0] - s->mean;
        s->sum += rest;
        s->square += rest * rest;
    }
    for (size_t g = 0; g < groups; g++) {
        if (sums[g].n > 0)
            sums[g].square -= sums[g].sum * sums[g].sum / (long double)sums[g].n;
    }
}

/* Welch's test of means whose groups scatter each in their own way. */
static struct anova_test welch(const struct group_sums *sums, size_t groups)
{
    long double weights = 0, mean = 0, square = 0, share = 0;
    double k = (double)groups;
    for (size_t g = 0; g < groups; g++) {
        long double w;
        if (sums[g].n < 2 || !(sums[g].square > 0))
            return (struct anova_test){.p_value = NAN};
        w = (long double)sums[g].n / (sums[g].square / (long double)(sums[g].n - 1));
        weights += w;
        mean += w * sums[g].mean;
    }
    mean /= weights;
    for (size_t g = 0; g < groups; g++) {
        long double w = (long double)sums[g].n / (sums[g].square / (long double)(sums[g].n - 1));
        square += w * (sums[g].mean - mean) * (sums[g].mean - mean);
        share += (1 - w / weights) * (1 - w / weights) / (long double)(sums[g].n - 1);
    }
    return f_test((double)(square / (k - 1) / (1 + 2 * (k - 2) / (k * k - 1) * share)), k - 1,
                  (double)((k * k - 1) / (3 * share)));
}

enum err_code anova_one_way(const double *values, const size_t *group, size_t n, size_t groups,
                            struct anova_one_way *result, struct err *e)
{
    struct group_sums *sums = calloc(groups + 1, sizeof *sums);
    long double total = 0, between = 0, within = 0;
    memset(result, 0, sizeof *result);
    if (sums == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu groups", groups);
    sum_groups(values, group, n, groups, sums);
    for (size_t g = 0; g < groups; g++) {
        total += (long double)sums[g].n * sums[g].mean;
        within += sums[g].square;
        if (sums[g].n == 0) {
            free(sums);
            return err_set(e, ERR_NO_ANSWER, "group %zu has no value", g + 1);
        }
    }
    total /= (long double)n;
    for (size_t g = 0; g < groups; g++)
        between += (long double)sums[g].n * (sums[g].mean - total) * (sums[g].mean - total);
    result->welch = welch(sums, groups);
    free(sums);
    if (groups < 2 || n <= groups)
        return err_set(e, ERR_NO_ANSWER, "%zu values in %zu groups leave nothing for their scatter", n,
                       groups);
    if (!(within > 0))
        return err_set(e, ERR_NO_ANSWER,
                       "the values do not scatter at all, so a difference has no standard error");
    result->between_square = (double)between;
    result->within_square = (double)within;
    result->residual_sd = (double)sqrtl(within / (long double)(n - groups));
    result->test =
        f_test((double)(between / (long double)(groups - 1) / (within / (long double)(n - groups))),
               (double)(groups - 1), (double)(n - groups));
    return ERR_OK;
}

struct anova_test anova_equal_scatter(const double *values, const size_t *group, size_t n, size_t groups)
{
    struct anova_test none = {.p_value = NAN}, t = none;
    struct group_sums *sums = calloc(groups + 1, sizeof *sums);
    double square = 0, logs = 0, inverse = 0, degrees = 0, statistic;
    bool enough = sums != NULL && groups > 1 && n > 0;
    if (enough)
        sum_groups(values, group, n, groups, sums);
    for (size_t g = 0; enough && g < groups; g++) {
        double own = (double)sums[g].n - 1;
        enough = sums[g].n >= 3 && sums[g].square > 0;
        square += (double)sums[g].square;
        logs += own * log((double)sums[g].square / own);
        inverse += 1 / own;
        degrees += own;
    }
    free(sums);
    if (!enough)
        return none;
    statistic =
        (degrees * log(square / degrees) - logs) / (1 + (inverse - 1 / degrees) / (3 * ((double)groups - 1)));
    t.n1 = (double)groups - 1;
    t.n2 = INFINITY;
    t.f = fmax(0, statistic) / t.n1;
    t.p_value = gsl_cdf_chisq_Q(fmax(0, statistic), t.n1);
    t.present = isfinite(t.p_value);
    return t;
}

/* The two orthonormal contrasts of each block that is whole, into one and two; returns how many. */
static size_t block_contrasts(const double *values, const size_t *group, const size_t *block, size_t n,
                              size_t blocks, double *one, double *two)
{
    size_t count = 0;
    for (size_t b = 0; b < blocks; b++) {
        double x[3] = {NAN, NAN, NAN};
        for (size_t i = 0; i < n; i++) {
            if (block[i] == b && group[i] < 3)
                x[group[i]] = values[i];
        }
        if (isnan(x[0] + x[1] + x[2]))
            continue;
        one[count] = (x[0] - x[1]) / sqrt(2);
        two[count++] = (x[0] + x[1] - 2 * x[2]) / sqrt(6);
    }
    return count;
}

struct anova_test anova_equal_differences(const double *values, const size_t *group, const size_t *block,
                                          size_t n, size_t blocks)
{
    struct anova_test t = {.p_value = NAN};
    double *one = malloc((blocks + 1) * sizeof *one), *two = malloc((blocks + 1) * sizeof *two);
    size_t count =
        one == NULL || two == NULL ? 0 : block_contrasts(values, group, block, n, blocks, one, two);
    if (count >= 3) {
        double a = gsl_stats_variance(one, 1, count), b = gsl_stats_variance(two, 1, count),
               c = gsl_stats_covariance(one, 1, two, 1, count), half = (a + b) / 2,
               w = (a * b - c * c) / (half * half);
        t.n1 = 2;
        t.n2 = INFINITY;
        t.f = -((double)count - 2) * log(fmin(1, fmax(w, 1e-300))) / t.n1;
        t.p_value = gsl_cdf_chisq_Q(t.n1 * t.f, t.n1);
        t.present = half > 0 && isfinite(t.f);
    }
    free(one);
    free(two);
    return t;
}

/* What a model loses when some columns are left out, and its F. */
static void test_without(const struct additive_fit *full, size_t n, size_t columns, double square_without,
                         struct anova_test *test, double *square)
{
    double degrees = (double)n - (double)full->columns, variance = full->residual_square / degrees;
    *square = fmax(0, square_without - full->residual_square);
    if (full->columns > columns)
        *test = f_test(*square / (double)(full->columns - columns) / variance,
                       (double)(full->columns - columns), degrees);
}

/* The same of the model with these columns alone. */
static enum err_code test_against(const struct additive_data *d, bool groups, bool blocks,
                                  const struct additive_fit *full, struct anova_test *test, double *square,
                                  struct err *e)
{
    struct additive_fit reduced;
    enum err_code code = additive_fit(d, groups, blocks, false, &reduced, NULL, e);
    if (code != ERR_OK)
        return code;
    test_without(full, d->n, reduced.columns, reduced.residual_square, test, square);
    additive_fit_free(&reduced);
    return ERR_OK;
}

static bool scatters(const double *values, size_t n, double residual_square)
{
    double greatest = 0;
    for (size_t i = 0; i < n; i++)
        greatest = fmax(greatest, fabs(values[i]));
    return sqrt(residual_square / (double)n) > ROUNDING * DBL_EPSILON * greatest;
}

/* The whole model. Its degrees of freedom are told even where nothing scatters; fit is to be freed after
 * ERR_OK.
 */
static enum err_code fit_all(const struct additive_data *d, struct additive_fit *full,
                             double *degrees_of_freedom, double *residuals, struct err *e)
{
    enum err_code code;
    if (d->groups > ANOVA_GROUPS_MAX)
        return err_set(e, ERR_NO_ANSWER, "%zu groups cannot be compared at a time", d->groups);
    code = additive_fit(d, true, true, true, full, residuals, e);
    if (code != ERR_OK)
        return code;
    *degrees_of_freedom = (double)d->n - (double)full->columns;
    if (d->n <= full->columns)
        code = err_set(e, ERR_NO_ANSWER, "%zu values leave nothing for their scatter beside %zu effects",
                       d->n, full->columns);
    else if (!scatters(d->value, d->n, full->residual_square))
        code = err_set(e, ERR_NO_ANSWER,
                       "the values do not scatter at all, so a difference has no standard error");
    if (code != ERR_OK)
        additive_fit_free(full);
    return code;
}

enum err_code anova_blocks(const double *values, const size_t *group, const size_t *block, size_t n,
                           size_t groups, size_t blocks, struct anova_blocks *result, double *residuals,
                           struct err *e)
{
    const struct additive_data d = {values, NULL, group, block, n, groups, blocks};
    struct additive_fit full;
    enum err_code code;
    memset(result, 0, sizeof *result);
    result->groups_test.p_value = result->blocks_test.p_value = NAN;
    code = fit_all(&d, &full, &result->degrees_of_freedom, residuals, e);
    if (code != ERR_OK)
        return code;
    result->residual_square = full.residual_square;
    result->residual_sd = sqrt(full.residual_square / result->degrees_of_freedom);
    for (size_t i = 0; i < groups; i++) {
        result->effect[i] = full.coefficients[i];
        for (size_t j = 0; j < groups; j++)
            result->covariance[i][j] = gsl_matrix_get(full.covariance, i, j);
    }
    code = test_against(&d, false, true, &full, &result->groups_test, &result->group_square, e);
    if (code == ERR_OK && blocks > 1)
        code = test_against(&d, true, false, &full, &result->blocks_test, &result->block_square, e);
    additive_fit_free(&full);
    return code;
}

enum err_code anova_covariate(const double *values, const size_t *group, const size_t *block,
                              const double *covariate, size_t n, size_t groups, size_t blocks,
                              double square_without, struct anova_covariate *result, struct err *e)
{
    const struct additive_data d = {values, covariate, group, block, n, groups, blocks};
    struct additive_fit full;
    double degrees_of_freedom, square;
    enum err_code code;
    *result = (struct anova_covariate){.test.p_value = NAN, .slope = NAN, .standard_error = NAN};
    code = fit_all(&d, &full, &degrees_of_freedom, NULL, e);
    if (code != ERR_OK)
        return code;
    if (isnan(square_without))
        code = test_against(&d, true, true, &full, &result->test, &square, e);
    else
        test_without(&full, n, full.columns - 1, square_without, &result->test, &square);
    result->slope = full.coefficients[full.columns - 1];
    result->standard_error = sqrt(full.residual_square / degrees_of_freedom *
                                  gsl_matrix_get(full.covariance, full.columns - 1, full.columns - 1));
    additive_fit_free(&full);
    return code;
}
