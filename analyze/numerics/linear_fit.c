/* How it works. Columns are centred (on the constant column, when there is one) and scaled in long double; a
 * polynomial is set up in Chebyshev polynomials of centred and scaled x, which keeps the columns nearly
 * orthogonal. A QR decomposition with column pivoting in double gives a first answer, which is refined with
 * residuals formed in long double on the augmented system r + A b = y, A' r = 0 (Bjorck, BIT 7 (1967)
 * 257-278; Higham, Accuracy and Stability of Numerical Algorithms, 2nd ed., 20.5). That leaves the
 * coefficients as good as the input allows, also when the residuals are large. A small matrix then carries
 * them back to the columns the caller asked for. */
#include "analyze/numerics/linear_fit.h"

#include <float.h>
#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define COLUMNS LINEAR_FIT_COLUMNS_MAX

/* Each step gains about 15 - log10(condition) digits; long double is full after three or four for any fit
 * worth having. */
static const int REFINEMENTS_MAX = 12;

/* The working problem. Row-major, n rows of p. */
struct work {
    size_t n, p;
    long double *columns;               /* n p: weighted, centred, scaled */
    long double *response;              /* n: weighted */
    long double *residual;              /* n: weighted */
    long double back[COLUMNS][COLUMNS]; /* asked-for coefficient = back * working coefficient */
    long double coefficients[COLUMNS];
    long double inverse_r[COLUMNS][COLUMNS]; /* factor F with inverse(A'A) = F F' */
    gsl_matrix *qr;
    gsl_vector *tau, *norm, *rhs;
    gsl_permutation *permutation;
};

static void work_free(struct work *w)
{
    free(w->columns);
    free(w->response);
    free(w->residual);
    gsl_matrix_free(w->qr);
    gsl_vector_free(w->tau);
    gsl_vector_free(w->norm);
    gsl_vector_free(w->rhs);
    gsl_permutation_free(w->permutation);
}

static enum err_code work_allocate(struct work *w, size_t n, size_t p, struct err *e)
{
    memset(w, 0, sizeof *w);
    w->n = n;
    w->p = p;
    w->columns = calloc(n * p, sizeof *w->columns);
    w->response = calloc(n, sizeof *w->response);
    w->residual = calloc(n, sizeof *w->residual);
    w->qr = gsl_matrix_alloc(n, p);
    w->tau = gsl_vector_alloc(p);
    w->norm = gsl_vector_alloc(p);
    w->rhs = gsl_vector_alloc(n);
    w->permutation = gsl_permutation_alloc(p);
    if (w->columns == NULL || w->response == NULL || w->residual == NULL || w->qr == NULL || w->tau == NULL ||
        w->norm == NULL || w->rhs == NULL || w->permutation == NULL) {
        work_free(w);
        return err_set(e, ERR_MEMORY, "no memory for a fit of %zu points", n);
    }
    return ERR_OK;
}

static enum err_code check_input(const double *x, size_t x_count, const double *y, const double *weights,
                                 size_t n, size_t p, struct err *e)
{
    if (n < p)
        return err_set(e, ERR_NO_ANSWER, "%zu points cannot determine %zu coefficients", n, p);
    for (size_t i = 0; i < x_count; i++) {
        if (!isfinite(x[i]))
            return err_set(e, ERR_NO_ANSWER, "point %zu has an x that is not a finite number",
                           i / (x_count / n) + 1);
    }
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(y[i]))
            return err_set(e, ERR_NO_ANSWER, "point %zu has a y that is not a finite number", i + 1);
        if (weights != NULL && !(isfinite(weights[i]) && weights[i] > 0))
            return err_set(e, ERR_NO_ANSWER, "point %zu has a weight that is not a finite number above 0",
                           i + 1);
    }
    return ERR_OK;
}

/* Weight the rows, then scale every column by a power of two (exact) to a largest entry between 1/2 and 1. */
static void weight_and_scale(struct work *w, const double *y, const double *weights)
{
    for (size_t i = 0; i < w->n; i++) {
        long double root = weights != NULL ? sqrtl(weights[i]) : 1;
        w->response[i] = root * y[i];
        for (size_t j = 0; j < w->p; j++)
            w->columns[i * w->p + j] *= root;
    }
    for (size_t j = 0; j < w->p; j++) {
        long double largest = 0;
        int exponent = 0;
        for (size_t i = 0; i < w->n; i++)
            largest = fmaxl(largest, fabsl(w->columns[i * w->p + j]));
        if (largest > 0)
            frexpl(largest, &exponent);
        for (size_t i = 0; i < w->n; i++)
            w->columns[i * w->p + j] = ldexpl(w->columns[i * w->p + j], -exponent);
        for (size_t i = 0; i < w->p; i++)
            w->back[i][j] = ldexpl(w->back[i][j], -exponent);
    }
}

static enum err_code decompose(struct work *w, struct err *e)
{
    int sign;
    double first;
    for (size_t i = 0; i < w->n; i++) {
        for (size_t j = 0; j < w->p; j++)
            gsl_matrix_set(w->qr, i, j, (double)w->columns[i * w->p + j]);
    }
    if (gsl_linalg_QRPT_decomp(w->qr, w->tau, w->permutation, &sign, w->norm) != GSL_SUCCESS)
        return err_set(e, ERR_NO_ANSWER, "the fit of %zu points could not be decomposed", w->n);
    first = fabs(gsl_matrix_get(w->qr, 0, 0));
    for (size_t j = 0; j < w->p; j++) {
        if (!(fabs(gsl_matrix_get(w->qr, j, j)) > first * 16 * DBL_EPSILON))
            return err_set(
                e, ERR_NO_ANSWER,
                "the points do not determine the %zu coefficients: only %zu of them are independent", w->p,
                j);
    }
    return ERR_OK;
}

/* F = P inverse(R), column by column by back substitution. */
static void invert_r(struct work *w)
{
    for (size_t k = 0; k < w->p; k++) {
        long double column[COLUMNS] = {0};
        for (size_t i = k + 1; i-- > 0;) {
            long double sum = i == k ? 1 : 0;
            for (size_t j = i + 1; j <= k; j++)
                sum -= (long double)gsl_matrix_get(w->qr, i, j) * column[j];
            column[i] = sum / (long double)gsl_matrix_get(w->qr, i, i);
        }
        for (size_t i = 0; i < w->p; i++)
            w->inverse_r[gsl_permutation_get(w->permutation, i)][k] = column[i];
    }
}

/* One refinement step: solve d r + A d b = f, A' d r = g for f = y - r - A b and g = -A' r. Returns the size
 * of the change of the fitted values, relative to those themselves; negative when GSL refuses. */
static double refine(struct work *w)
{
    size_t n = w->n, p = w->p;
    long double g[COLUMNS] = {0}, h[COLUMNS] = {0}, step[COLUMNS] = {0};
    long double change = 0, size = 0;
    for (size_t i = 0; i < n; i++) {
        long double fitted = 0;
        for (size_t j = 0; j < p; j++) {
            fitted += w->columns[i * p + j] * w->coefficients[j];
            g[j] -= w->columns[i * p + j] * w->residual[i];
        }
        gsl_vector_set(w->rhs, i, (double)(w->response[i] - w->residual[i] - fitted));
    }
    if (gsl_linalg_QR_QTvec(w->qr, w->tau, w->rhs) != GSL_SUCCESS)
        return -1;
    for (size_t k = 0; k < p; k++) { /* h = inverse(R') P' g = F' g */
        for (size_t j = 0; j < p; j++)
            h[k] += w->inverse_r[j][k] * g[j];
    }
    for (size_t j = 0; j < p; j++) {
        for (size_t k = 0; k < p; k++)
            step[j] += w->inverse_r[j][k] * ((long double)gsl_vector_get(w->rhs, k) - h[k]);
    }
    for (size_t j = 0; j < p; j++) {
        change = fmaxl(change, fabsl(step[j]));
        w->coefficients[j] += step[j];
        size = fmaxl(size, fabsl(w->coefficients[j]));
    }
    for (size_t k = 0; k < p; k++)
        gsl_vector_set(w->rhs, k, (double)h[k]);
    if (gsl_linalg_QR_Qvec(w->qr, w->tau, w->rhs) != GSL_SUCCESS)
        return -1;
    for (size_t i = 0; i < n; i++)
        w->residual[i] += gsl_vector_get(w->rhs, i);
    return size > 0 ? (double)(change / size) : 0;
}

static enum err_code solve(struct work *w, struct err *e)
{
    double last = INFINITY;
    enum err_code code = decompose(w, e);
    if (code != ERR_OK)
        return code;
    invert_r(w);
    for (int i = 0; i < REFINEMENTS_MAX; i++) {
        double change = refine(w);
        if (!(change >= 0))
            return err_set(e, ERR_NO_ANSWER, "the fit of %zu points could not be solved", w->n);
        if (change < LDBL_EPSILON || (i > 1 && change > last / 2))
            break;
        last = change;
    }
    return ERR_OK;
}

/* Carry the working answer back to the columns asked for. */
static enum err_code fill_fit(const struct work *w, bool known_variances, struct linear_fit *fit,
                              struct err *e)
{
    size_t p = w->p;
    long double factor[COLUMNS][COLUMNS] = {{0}};
    long double sum = 0, variance;
    memset(fit, 0, sizeof *fit);
    fit->n = w->n;
    fit->p = p;
    fit->known_variances = known_variances;
    for (size_t i = 0; i < w->n; i++)
        sum += w->residual[i] * w->residual[i];
    fit->residual_sum = (double)sum;
    fit->degrees_of_freedom = (double)(w->n - p);
    fit->residual_sd = w->n > p ? (double)sqrtl(sum / (long double)(w->n - p)) : 0;
    variance = known_variances ? 1 : w->n > p ? sum / (long double)(w->n - p) : NAN;
    for (size_t i = 0; i < p; i++) {
        long double coefficient = 0;
        for (size_t j = 0; j < p; j++) {
            coefficient += w->back[i][j] * w->coefficients[j];
            for (size_t k = 0; k < p; k++)
                factor[i][k] += w->back[i][j] * w->inverse_r[j][k];
        }
        fit->coefficients[i] = (double)coefficient;
        if (!isfinite(fit->coefficients[i]))
            return err_set(e, ERR_NO_ANSWER, "coefficient %zu of the fit is too large for a number", i + 1);
    }
    for (size_t i = 0; i < p; i++) {
        for (size_t j = 0; j < p; j++) {
            long double product = 0;
            for (size_t k = 0; k < p; k++)
                product += factor[i][k] * factor[j][k];
            fit->covariance[i][j] = (double)(variance * product);
            if (i == j)
                fit->standard_errors[i] = (double)sqrtl(variance * product);
        }
    }
    return ERR_OK;
}

/* Index of a column whose entries are all the same and not 0, or p. */
static size_t constant_column(const double *x, size_t n, size_t p)
{
    for (size_t j = 0; j < p; j++) {
        size_t i = 0;
        while (i < n && x[i * p + j] == x[j])
            i++;
        if (i == n && x[j] != 0)
            return j;
    }
    return p;
}

enum err_code linear_fit(const double *x, const double *y, const double *weights, size_t n, size_t p,
                         bool known_variances, struct linear_fit *fit, struct err *e)
{
    struct work w;
    size_t constant;
    enum err_code code;
    if (p < 1 || p > COLUMNS)
        return err_set(e, ERR_CALLER, "a linear fit takes 1 to %d columns, not %zu", COLUMNS, p);
    code = check_input(x, n * p, y, weights, n, p, e);
    if (code != ERR_OK)
        return code;
    code = work_allocate(&w, n, p, e);
    if (code != ERR_OK)
        return code;
    constant = constant_column(x, n, p);
    for (size_t j = 0; j < p; j++) {
        long double sum = 0;
        double centre = 0;
        if (constant < p && j != constant) {
            for (size_t i = 0; i < n; i++)
                sum += x[i * p + j];
            centre = (double)(sum / (long double)n);
        }
        for (size_t i = 0; i < n; i++)
            w.columns[i * p + j] = (long double)x[i * p + j] - centre;
        w.back[j][j] = 1;
        if (constant < p && j != constant)
            w.back[constant][j] = -(long double)centre / x[constant];
    }
    weight_and_scale(&w, y, weights);
    code = solve(&w, e);
    if (code == ERR_OK)
        code = fill_fit(&w, known_variances, fit, e);
    work_free(&w);
    return code;
}

/* Chebyshev polynomials T_0 to T_(p-1) of u = (x - centre) / half, times x when the fit goes through the
 * origin: their values into the working columns and their coefficients in powers of x into back. */
static void set_up_polynomial(struct work *w, const double *x, double centre, double half, bool intercept)
{
    size_t p = w->p;
    for (size_t i = 0; i < w->n; i++) {
        long double u = ((long double)x[i] - centre) / half;
        long double *row = w->columns + i * p;
        long double factor = intercept ? 1 : x[i];
        for (size_t k = 0; k < p; k++)
            row[k] = k == 0 ? factor : k == 1 ? u * factor : 2 * u * row[k - 1] - row[k - 2];
    }
    for (size_t k = 0; k < p; k++) {
        long double step = k == 1 ? 1 : 2;
        if (k == 0) {
            w->back[0][0] = 1;
            continue;
        }
        for (size_t power = 0; power <= k; power++) {
            long double value = -(long double)centre / half * w->back[power][k - 1];
            if (power > 0)
                value += w->back[power - 1][k - 1] / half;
            w->back[power][k] = step * value - (k > 1 ? w->back[power][k - 2] : 0);
        }
    }
}

enum err_code linear_fit_polynomial(const double *x, const double *y, const double *weights, size_t n,
                                    int degree, bool intercept, bool known_variances, struct linear_fit *fit,
                                    struct err *e)
{
    struct work w;
    size_t p;
    double low, high, centre, half;
    enum err_code code;
    if (degree < (intercept ? 0 : 1) || degree >= COLUMNS)
        return err_set(e, ERR_CALLER, "a polynomial fit takes degree %d to %d, not %d", intercept ? 0 : 1,
                       COLUMNS - 1, degree);
    p = (size_t)degree + (intercept ? 1 : 0);
    code = check_input(x, n, y, weights, n, p, e);
    if (code != ERR_OK)
        return code;
    code = work_allocate(&w, n, p, e);
    if (code != ERR_OK)
        return code;
    low = high = x[0];
    for (size_t i = 1; i < n; i++) {
        low = fmin(low, x[i]);
        high = fmax(high, x[i]);
    }
    centre = low / 2 + high / 2;
    half = high / 2 - low / 2;
    if (!(half > 0))
        half = 1;
    set_up_polynomial(&w, x, centre, half, intercept);
    weight_and_scale(&w, y, weights);
    code = solve(&w, e);
    if (code == ERR_OK)
        code = fill_fit(&w, known_variances, fit, e);
    work_free(&w);
    return code;
}
