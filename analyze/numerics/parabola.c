#include "analyze/numerics/parabola.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>

enum err_code parabola_fit(const double *x, const double *y, size_t n, struct parabola *p, struct err *e)
{
    double low = INFINITY, high = -INFINITY, s1 = 0, s2 = 0, s3 = 0, s4 = 0, t0 = 0, t1 = 0, t2 = 0,
           square = 0;
    if (n < 4)
        return err_set(e, ERR_NO_ANSWER, "%zu points are too few for a parabola: 4 are needed", n);
    for (size_t i = 0; i < n; i++) {
        low = x[i] < low ? x[i] : low;
        high = x[i] > high ? x[i] : high;
    }
    p->centre = low + (high - low) / 2;
    p->per_scale = 2 / (high - low);
    if (!(high > low) || !isfinite(high - low) || !isfinite(p->per_scale))
        return err_set(e, ERR_NO_ANSWER, "the points of a parabola are all at one place, or not finite");
    for (size_t i = 0; i < n; i++) {
        double u = (x[i] - p->centre) * p->per_scale, uu = u * u;
        s1 += u;
        s2 += uu;
        s3 += uu * u;
        s4 += uu * uu;
        t0 += y[i];
        t1 += u * y[i];
        t2 += uu * y[i];
    }
    double matrix[9] = {(double)n, s1, s2, s1, s2, s3, s2, s3, s4}, right[3] = {t0, t1, t2};
    gsl_matrix_view m = gsl_matrix_view_array(matrix, 3, 3);
    gsl_vector_view b = gsl_vector_view_array(right, 3);
    gsl_vector_view c = gsl_vector_view_array(p->coefficients, 3);
    if (gsl_linalg_cholesky_decomp1(&m.matrix) != GSL_SUCCESS ||
        matrix[8] * matrix[8] < 1e-12 * s4 || /* the rest of u^2 beside 1 and u is all rounding */
        gsl_linalg_cholesky_solve(&m.matrix, &b.vector, &c.vector) != GSL_SUCCESS)
        return err_set(e, ERR_NO_ANSWER, "the points of a parabola are at fewer than three places");
    for (size_t i = 0; i < n; i++) {
        double r = y[i] - parabola_value(p, x[i]);
        square += r * r;
    }
    if (!isfinite(square))
        return err_set(e, ERR_NO_ANSWER, "the points of a parabola are not finite");
    p->residual_sd = sqrt(square / (double)(n - 3));
    return ERR_OK;
}

double parabola_slope(const struct parabola *p, double x)
{
    return (p->coefficients[1] + 2 * p->coefficients[2] * (x - p->centre) * p->per_scale) * p->per_scale;
}
