/* The likelihood is concave in coefficients / sigma and 1 / sigma (Olsen, Econometrica 46 (1978) 1211-1215),
 * so Newton steps that never lose find its one maximum. */
#include "analyze/numerics/censored_fit.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_sf_erf.h>
#include <math.h>
#include <string.h>

#define COLUMNS CENSORED_FIT_COLUMNS_MAX
static const double SIGMA_LEAST = CENSORED_FIT_SIGMA_LEAST;
static const double IMPOSSIBLE = -1e300;

double censored_fit_log_survival(double u, double *hazard, double *hazard_slope)
{
    gsl_sf_result rate, tail;
    if (gsl_sf_hazard_e(u, &rate) != GSL_SUCCESS || gsl_sf_log_erfc_e(u / M_SQRT2, &tail) != GSL_SUCCESS) {
        /* Below about -38 the hazard underflows: such a bound says nothing. */
        rate.val = u < 0 ? 0 : u;
        tail.val = u < 0 ? M_LN2 : -u * u / 2;
    }
    *hazard = rate.val;
    /* Far out the difference below would be all rounding; there the slope is 1 - 1 / u^2 + 6 / u^4 ... */
    *hazard_slope = u > 1e4 ? 1 - 1 / u / u : rate.val * (rate.val - u);
    return tail.val - M_LN2;
}

/* Log likelihood in v = (theta / sigma, 1 / sigma) with q linear parameters; gradient (q + 1) and minus the
 * second derivatives. */
static double likelihood(const struct censored_points *p, size_t q, const double *v, double *gradient,
                         double *curvature)
{
    double sum = 0;
    size_t all = q + 1;
    memset(gradient, 0, all * sizeof *gradient);
    memset(curvature, 0, all * all * sizeof *curvature);
    for (size_t i = 0; i < p->n; i++) {
        const double *x = p->columns + i * COLUMNS;
        double y = p->y[i], u = v[q] * y, slope = 1, rate, row[COLUMNS + 1];
        for (size_t j = 0; j < q; j++) {
            u -= x[j] * v[j];
            row[j] = x[j];
        }
        row[q] = -y;
        rate = u;
        if (p->at_least[i]) {
            sum += censored_fit_log_survival(u, &rate, &slope);
        } else {
            sum += log(v[q]) - u * u / 2 - M_LN2 / 2 - M_LNPI / 2;
            gradient[q] += 1 / v[q];
            curvature[q * all + q] += 1 / v[q] / v[q];
        }
        for (size_t j = 0; j < all; j++) {
            gradient[j] += rate * row[j];
            for (size_t k = 0; k < all; k++)
                curvature[j * all + k] += slope * row[j] * row[k];
        }
    }
    return sum;
}

/* Solve the symmetric positive definite system a x = b of order q; a is overwritten. False when it is not. */
static bool solve_definite(double *a, const double *b, double *x, size_t q)
{
    gsl_matrix_view matrix = gsl_matrix_view_array(a, q, q);
    gsl_vector_const_view right = gsl_vector_const_view_array(b, q);
    gsl_vector_view solution = gsl_vector_view_array(x, q);
    for (size_t j = 0; j < q; j++) {
        if (!(a[j * q + j] > 0))
            return false;
    }
    if (gsl_linalg_cholesky_decomp1(&matrix.matrix) != GSL_SUCCESS ||
        gsl_linalg_cholesky_solve(&matrix.matrix, &right.vector, &solution.vector) != GSL_SUCCESS)
        return false;
    for (size_t j = 0; j < q; j++) {
        if (!isfinite(x[j]))
            return false;
    }
    return true;
}

/* Least squares through the uncensored points, as a start. */
static bool start_uncensored(const struct censored_points *p, size_t q, double *v)
{
    size_t uncensored = 0;
    double normal[COLUMNS * COLUMNS] = {0}, right[COLUMNS] = {0}, theta[COLUMNS], squares = 0, sigma;
    for (size_t i = 0; i < p->n; i++) {
        const double *x = p->columns + i * COLUMNS;
        if (p->at_least[i])
            continue;
        for (size_t j = 0; j < q; j++) {
            right[j] += x[j] * p->y[i];
            for (size_t k = 0; k < q; k++)
                normal[j * q + k] += x[j] * x[k];
        }
    }
    if (!solve_definite(normal, right, theta, q))
        return false;
    for (size_t i = 0; i < p->n; i++) {
        double residual = p->y[i];
        for (size_t j = 0; j < q; j++)
            residual -= p->columns[i * COLUMNS + j] * theta[j];
        if (!p->at_least[i]) {
            squares += residual * residual;
            uncensored++;
        }
    }
    sigma = fmax(SIGMA_LEAST, sqrt(squares / (double)uncensored));
    for (size_t j = 0; j < q; j++)
        v[j] = theta[j] / sigma;
    v[q] = 1 / sigma;
    return true;
}

bool censored_fit(const struct censored_points *p, size_t q, double *theta, double *sigma,
                  double *log_likelihood)
{
    double v[COLUMNS + 1], gradient[COLUMNS + 1], curvature[(COLUMNS + 1) * (COLUMNS + 1)], value;
    if (!start_uncensored(p, q, v))
        return false;
    value = likelihood(p, q, v, gradient, curvature);
    for (int iteration = 0; iteration < 60; iteration++) {
        double step[COLUMNS + 1], gain = 0, length = 1;
        if (v[q] >= 0.999 / SIGMA_LEAST)
            break;
        if (!solve_definite(curvature, gradient, step, q + 1))
            return false;
        for (size_t j = 0; j <= q; j++)
            gain += step[j] * gradient[j];
        if (gain < 1e-11)
            break;
        for (;; length /= 2) {
            double next[COLUMNS + 1], next_value = IMPOSSIBLE;
            for (size_t j = 0; j <= q; j++)
                next[j] = v[j] + length * step[j];
            if (next[q] > 1 / SIGMA_LEAST) {
                for (size_t j = 0; j < q; j++)
                    next[j] /= next[q] * SIGMA_LEAST;
                next[q] = 1 / SIGMA_LEAST;
            }
            if (next[q] > 0)
                next_value = likelihood(p, q, next, gradient, curvature);
            if (next_value > value || (length == 1 && next_value > value - 1e-9 && gain < 1e-8)) {
                memcpy(v, next, sizeof v);
                value = next_value;
                break;
            }
            if (length < 1e-9) { /* at the maximum as far as rounding shows */
                likelihood(p, q, v, gradient, curvature);
                gain = 0;
                break;
            }
        }
        if (gain == 0)
            break;
    }
    for (size_t j = 0; j < q; j++)
        theta[j] = v[j] / v[q];
    *sigma = 1 / v[q];
    *log_likelihood = value;
    return isfinite(value);
}
