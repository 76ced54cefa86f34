#include "analyze/numerics/censored_normal.h"

#include "analyze/numerics/additive_fit.h"
#include "analyze/numerics/censored_fit.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define ITERATIONS_MAX 200
#define HALVINGS_MAX   60
/* Of the step, in units in which coefficients and scatter are about 1. */
#define CONVERGED      1e-11
#define FLAT           1e-14 /* of the likelihood: a rise that rounding hides */
#define GREATEST_MEAN  1e4   /* standard deviations from the middle: past that a mean runs away */
#define LOG_SQRT_2PI   0.91893853320467274178
#define UNCENSORED_MIN 3

/* The likelihood in the parameters gamma = beta / sigma and theta = 1 / sigma, in which it has one summit
 * only (Olsen, Econometrica 46 (1978) 1211-1215). theta is the last of p + 1 parameters. */
struct model {
    const struct additive_data *data;
    const bool *at_least;
    double about, scale; /* y = (value - about) / scale */
    size_t p;
    double *rows; /* n rows of p columns */
};

static double y_of(const struct model *m, size_t i)
{
    return (m->data->value[i] - m->about) / m->scale;
}

/* Logarithm of the likelihood; gradient and minus the Hessian, where they are asked for. */
static double likelihood(const struct model *m, const double *at, gsl_vector *gradient,
                         gsl_matrix *information)
{
    double sum = 0, theta = at[m->p];
    if (gradient != NULL) {
        gsl_vector_set_zero(gradient);
        gsl_matrix_set_zero(information);
    }
    for (size_t i = 0; i < m->data->n; i++) {
        const double *row = &m->rows[i * m->p];
        double y = y_of(m, i), u = theta * y, hazard = 0, slope = 1, first;
        for (size_t j = 0; j < m->p; j++)
            u -= row[j] * at[j];
        if (m->at_least[i]) {
            sum += censored_fit_log_survival(u, &hazard, &slope);
            first = -hazard;
        } else {
            sum += log(theta) - u * u / 2 - LOG_SQRT_2PI;
            first = -u;
        }
        if (gradient == NULL)
            continue;
        /* du / d gamma_j = -row[j], du / d theta = y. */
        for (size_t j = 0; j <= m->p; j++) {
            double dj = j < m->p ? -row[j] : y;
            *gsl_vector_ptr(gradient, j) += first * dj;
            for (size_t k = 0; k <= m->p; k++)
                *gsl_matrix_ptr(information, j, k) += slope * dj * (k < m->p ? -row[k] : y);
        }
        if (!m->at_least[i]) {
            *gsl_vector_ptr(gradient, m->p) += 1 / theta;
            *gsl_matrix_ptr(information, m->p, m->p) += 1 / (theta * theta);
        }
    }
    return sum;
}

/* Newton's step, its greatest part and what it promises: twice the rise. */
static bool newton_step(const struct model *m, const double *at, const gsl_vector *gradient,
                        gsl_matrix *information, gsl_vector *step, double *longest, double *promised)
{
    *longest = *promised = 0;
    if (gsl_linalg_cholesky_decomp1(information) != GSL_SUCCESS ||
        gsl_linalg_cholesky_solve(information, gradient, step) != GSL_SUCCESS)
        return false;
    for (size_t j = 0; j <= m->p; j++) {
        *longest = fmax(*longest, fabs(gsl_vector_get(step, j)) / (1 + fabs(at[j])));
        *promised += gsl_vector_get(gradient, j) * gsl_vector_get(step, j);
    }
    return true;
}

/* Newton's steps, halved until the likelihood rises. Near the summit it is flat to its last digit, and only
 * the step itself still says where the summit is: the last one is taken whole. False when there is no summit.
 * trial: room for p + 1 parameters. */
static bool climb(const struct model *m, double *at, double *trial, double *best, gsl_vector *gradient,
                  gsl_matrix *information, gsl_vector *step)
{
    double now = likelihood(m, at, gradient, information);
    for (int i = 0; i < ITERATIONS_MAX; i++) {
        double longest, promised, factor = 1;
        bool last, rose = false;
        if (!newton_step(m, at, gradient, information, step, &longest, &promised))
            return false;
        last = longest < sqrt(CONVERGED) && promised <= FLAT * (1 + fabs(now));
        for (int halving = 0; halving < HALVINGS_MAX && !rose; halving++, factor /= 2) {
            for (size_t j = 0; j <= m->p; j++)
                trial[j] = at[j] + factor * gsl_vector_get(step, j);
            rose = trial[m->p] > 0 && (last || likelihood(m, trial, NULL, NULL) >= now);
        }
        if (!rose)
            return false;
        memcpy(at, trial, (m->p + 1) * sizeof *at);
        for (size_t j = 0; j < m->p; j++) {
            if (!(fabs(at[j]) < GREATEST_MEAN * (1 + at[m->p])))
                return false;
        }
        now = likelihood(m, at, gradient, information);
        if (last || longest < CONVERGED) {
            *best = now;
            return isfinite(now);
        }
    }
    return false;
}

static enum err_code refuse_few(const bool *at_least, const size_t *group, size_t n, size_t groups,
                                struct err *e)
{
    for (size_t g = 0; g < groups; g++) {
        size_t all = 0, known = 0;
        for (size_t i = 0; i < n; i++) {
            all += group[i] == g;
            known += group[i] == g && !at_least[i];
        }
        if (known < UNCENSORED_MIN || 2 * known < all)
            return err_set(
                e, ERR_NO_ANSWER,
                "of feeder %zu of the comparison %zu of %zu values are known, the others only as \"at "
                "least\": %d, and half of all, are needed",
                g + 1, known, all, UNCENSORED_MIN);
    }
    return ERR_OK;
}

/* Means are beta = gamma / theta: their covariance by the delta method, with the scatter corrected. */
static bool fill(const struct model *m, const double *at, size_t groups, size_t known,
                 gsl_matrix *information, struct censored_normal *r)
{
    double theta = at[m->p], factor;
    r->sigma = m->scale / theta;
    r->degrees_of_freedom = (double)known - (double)m->p;
    factor = sqrt((double)known / r->degrees_of_freedom);
    r->sigma_corrected = r->sigma * factor;
    if (gsl_linalg_cholesky_decomp1(information) != GSL_SUCCESS ||
        gsl_linalg_cholesky_invert(information) != GSL_SUCCESS)
        return false;
    for (size_t i = 0; i < groups; i++) {
        r->mean[i] = m->about + m->scale * at[i] / theta;
        for (size_t j = 0; j < groups; j++) {
            double by_gamma = gsl_matrix_get(information, i, j) / (theta * theta),
                   by_both = gsl_matrix_get(information, i, m->p) * -at[j] / pow(theta, 3) +
                             gsl_matrix_get(information, j, m->p) * -at[i] / pow(theta, 3),
                   by_theta = gsl_matrix_get(information, m->p, m->p) * at[i] * at[j] / pow(theta, 4);
            r->covariance[i][j] = (by_gamma + by_both + by_theta) * m->scale * m->scale * factor * factor;
        }
    }
    return true;
}

static enum err_code maximise(struct model *m, size_t groups, size_t known, struct censored_normal *r,
                              struct err *e)
{
    double *at = calloc(m->p + 1, sizeof *at), *trial = calloc(m->p + 1, sizeof *trial), best = 0;
    gsl_vector *gradient = gsl_vector_alloc(m->p + 1), *step = gsl_vector_alloc(m->p + 1);
    gsl_matrix *information = gsl_matrix_alloc(m->p + 1, m->p + 1);
    enum err_code code = ERR_OK;
    if (at == NULL || trial == NULL || gradient == NULL || step == NULL || information == NULL) {
        code = err_set(e, ERR_MEMORY, "not enough memory for %zu values", m->data->n);
    } else {
        at[m->p] = 1;
        if (!climb(m, at, trial, &best, gradient, information, step) ||
            !fill(m, at, groups, known, information, r))
            code = err_set(e, ERR_NO_ANSWER,
                           "too many values are only known as \"at least\": the likelihood has no maximum");
        r->log_likelihood = best - (double)known * log(m->scale);
    }
    free(at);
    free(trial);
    gsl_vector_free(gradient);
    gsl_vector_free(step);
    gsl_matrix_free(information);
    return code;
}

enum err_code censored_normal(const double *values, const bool *at_least, const size_t *group,
                              const size_t *block, size_t n, size_t groups, size_t blocks,
                              struct censored_normal *result, struct err *e)
{
    const struct additive_data data = {values, NULL, group, block, n, groups, blocks};
    struct model m = {.data = &data, .at_least = at_least};
    struct additive_fit start;
    size_t known = 0;
    enum err_code code;
    memset(result, 0, sizeof *result);
    if (groups < 1 || groups > CENSORED_NORMAL_GROUPS_MAX)
        return err_set(e, ERR_NO_ANSWER,
                       "%zu feeders are too many where values are only known as \"at least\"", groups);
    code = refuse_few(at_least, group, n, groups, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0; i < n; i++)
        known += !at_least[i];
    m.p = additive_columns(&data, true, true, false);
    if (known <= m.p)
        return err_set(e, ERR_NO_ANSWER,
                       "%zu values that are known cannot tell %zu effects and their scatter", known, m.p);
    /* As if the bounds were values: only for where to begin, and in which units. */
    code = additive_fit(&data, true, true, false, &start, NULL, e);
    if (code != ERR_OK)
        return code;
    m.about = start.coefficients[0];
    m.scale = sqrt(start.residual_square / (double)(n - m.p));
    additive_fit_free(&start);
    if (!(m.scale > 0))
        return err_set(e, ERR_NO_ANSWER,
                       "the values do not scatter at all, so a difference has no standard error");
    m.rows = malloc((n * m.p + 1) * sizeof *m.rows);
    if (m.rows == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu values", n);
    for (size_t i = 0; i < n; i++)
        additive_row(&data, i, true, true, false, &m.rows[i * m.p]);
    code = maximise(&m, groups, known, result, e);
    free(m.rows);
    return code;
}
