#include "analyze/numerics/additive_fit.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Singular values below this share of the greatest are none: columns of zeros, ones and places are either
 * independent or they are not. */
#define RANK_TOLERANCE 1e-9

static bool has_blocks(const struct additive_data *d, bool with_blocks)
{
    return with_blocks && d->block != NULL && d->blocks > 1;
}

size_t additive_columns(const struct additive_data *d, bool with_groups, bool with_blocks,
                        bool with_covariate)
{
    return (with_groups ? d->groups : 1) + (has_blocks(d, with_blocks) ? d->blocks - 1 : 0) +
           (with_covariate && d->covariate != NULL ? 1 : 0);
}

static double mean_covariate(const struct additive_data *d)
{
    double sum = 0;
    for (size_t i = 0; i < d->n; i++)
        sum += d->covariate[i];
    return sum / (double)d->n;
}

void additive_row(const struct additive_data *d, size_t i, bool with_groups, bool with_blocks,
                  bool with_covariate, double *row)
{
    size_t at = with_groups ? d->groups : 1, columns = additive_columns(d, with_groups, with_blocks, false);
    memset(row, 0, columns * sizeof *row);
    row[with_groups ? d->group[i] : 0] = 1;
    if (has_blocks(d, with_blocks)) {
        for (size_t j = 0; j < d->blocks - 1; j++)
            row[at + j] = d->block[i] == d->blocks - 1 ? -1 : d->block[i] == j;
    }
    if (with_covariate && d->covariate != NULL)
        row[columns] = d->covariate[i] - mean_covariate(d);
}

void additive_fit_free(struct additive_fit *fit)
{
    free(fit->coefficients);
    gsl_matrix_free(fit->covariance);
    memset(fit, 0, sizeof *fit);
}

/* The value about which all others are taken, so that no digits are lost in what they have in common. */
static double middle(const struct additive_data *d)
{
    long double sum = 0;
    for (size_t i = 0; i < d->n; i++)
        sum += (long double)d->value[i] - d->value[0];
    return d->value[0] + (double)(sum / (long double)d->n);
}

/* The weights are all 1: with weights GSL leaves the residual variance out of the covariance. The
 * decomposition that gives the answer tells the rank too. */
static enum err_code solve(const struct additive_data *d, gsl_matrix *x, gsl_vector *y, gsl_vector *weights,
                           gsl_vector *c, gsl_multifit_linear_workspace *work, struct additive_fit *fit,
                           double *residuals, struct err *e)
{
    double ignored;
    int status;
    gsl_vector_set_all(weights, 1);
    status = gsl_multifit_wlinear_tsvd(x, weights, y, RANK_TOLERANCE, c, fit->covariance, &ignored,
                                       &fit->rank, work);
    if (status == GSL_SUCCESS && fit->rank < fit->columns)
        return err_set(e, ERR_NO_ANSWER, "the values do not tell all effects apart");
    if (status != GSL_SUCCESS || !isfinite(ignored))
        return err_set(e, ERR_NO_ANSWER, "least squares came to no answer: %s", gsl_strerror(status));
    long double square = 0;
    for (size_t i = 0; i < d->n; i++) {
        long double fitted = 0;
        for (size_t j = 0; j < fit->columns; j++)
            fitted += (long double)gsl_matrix_get(x, i, j) * gsl_vector_get(c, j);
        double residual = (double)(gsl_vector_get(y, i) - fitted);
        square += (long double)residual * residual;
        if (residuals != NULL)
            residuals[i] = residual;
    }
    fit->residual_square = (double)square;
    return ERR_OK;
}

enum err_code additive_fit(const struct additive_data *d, bool with_groups, bool with_blocks,
                           bool with_covariate, struct additive_fit *fit, double *residuals, struct err *e)
{
    size_t p = additive_columns(d, with_groups, with_blocks, with_covariate);
    gsl_matrix *x;
    gsl_vector *y, *weights, *c;
    gsl_multifit_linear_workspace *work;
    enum err_code code;
    memset(fit, 0, sizeof *fit);
    fit->columns = p;
    if (d->n < p)
        return err_set(e, ERR_NO_ANSWER, "%zu values cannot tell %zu effects", d->n, p);
    x = gsl_matrix_alloc(d->n, p);
    y = gsl_vector_alloc(d->n);
    weights = gsl_vector_alloc(d->n);
    c = gsl_vector_alloc(p);
    work = gsl_multifit_linear_alloc(d->n, p);
    fit->covariance = gsl_matrix_alloc(p, p);
    fit->coefficients = malloc((p + 1) * sizeof *fit->coefficients);
    if (x == NULL || y == NULL || weights == NULL || c == NULL || work == NULL || fit->covariance == NULL ||
        fit->coefficients == NULL) {
        code = err_set(e, ERR_MEMORY, "not enough memory to fit %zu values", d->n);
    } else {
        double about = middle(d);
        for (size_t i = 0; i < d->n; i++) {
            additive_row(d, i, with_groups, with_blocks, with_covariate, gsl_matrix_ptr(x, i, 0));
            gsl_vector_set(y, i, d->value[i] - about);
        }
        code = solve(d, x, y, weights, c, work, fit, residuals, e);
        for (size_t j = 0; code == ERR_OK && j < p; j++)
            fit->coefficients[j] = gsl_vector_get(c, j) + (j < (with_groups ? d->groups : 1) ? about : 0);
    }
    gsl_matrix_free(x);
    gsl_vector_free(y);
    gsl_vector_free(weights);
    gsl_vector_free(c);
    gsl_multifit_linear_free(work);
    if (code != ERR_OK)
        additive_fit_free(fit);
    return code;
}
