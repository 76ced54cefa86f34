#include "analyze/numerics/parabola.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>

/* Sums over the points: of powers of u, and of y times powers of u; y counted from the first. */
struct sums {
    double u[5], yu[3];
};

static inline void add(struct sums *s, double u, double y)
{
    double uu = u * u;
    s->u[1] += u;
    s->u[2] += uu;
    s->u[3] += uu * u;
    s->u[4] += uu * uu;
    s->yu[0] += y;
    s->yu[1] += u * y;
    s->yu[2] += uu * y;
}

/* Coefficients and inverse; false where the points do not determine them. */
static bool solve(const struct sums *s, size_t terms, struct parabola *p)
{
    double matrix[9], right[3];
    gsl_matrix_view m = gsl_matrix_view_array(matrix, terms, terms);
    gsl_vector_view b = gsl_vector_view_array(right, terms);
    gsl_vector_view c = gsl_vector_view_array(p->coefficients, terms);
    for (size_t j = 0; j < terms; j++) {
        right[j] = s->yu[j];
        for (size_t k = 0; k < terms; k++)
            matrix[j * terms + k] = s->u[j + k];
    }
    if (gsl_linalg_cholesky_decomp1(&m.matrix) != GSL_SUCCESS)
        return false;
    /* What the last power has beside the lower ones may be all rounding. */
    double rest = matrix[terms * terms - 1];
    if (rest * rest < 1e-12 * s->u[2 * (terms - 1)] ||
        gsl_linalg_cholesky_solve(&m.matrix, &b.vector, &c.vector) != GSL_SUCCESS ||
        gsl_linalg_cholesky_invert(&m.matrix) != GSL_SUCCESS)
        return false;
    for (size_t j = 0; j < terms; j++)
        memcpy(p->inverse[j], matrix + j * terms, terms * sizeof *matrix);
    return true;
}

enum err_code parabola_fit(const double *x, const double *y, size_t n, int degree, struct parabola *p,
                           struct err *e)
{
    size_t terms = (size_t)degree + 1;
    const char *name = degree == 2 ? "parabola" : "straight line";
    double low = x != NULL ? INFINITY : 0, high = x != NULL ? -INFINITY : (double)n - 1, square = 0;
    struct sums sums = {.u = {(double)n}};
    memset(p, 0, sizeof *p);
    if (n < terms)
        return err_set(e, ERR_NO_ANSWER, "%zu points are too few for a %s: %zu are needed", n, name, terms);
    for (size_t i = 0; i < n && x != NULL; i++) {
        low = x[i] < low ? x[i] : low;
        high = x[i] > high ? x[i] : high;
    }
    p->centre = low + (high - low) / 2;
    p->per_scale = 2 / (high - low);
    if (!(high > low) || !isfinite(high - low) || !isfinite(p->per_scale))
        return err_set(e, ERR_NO_ANSWER, "the points of a %s are all at one place, or not finite", name);
    if (x != NULL) {
        for (size_t i = 0; i < n; i++)
            add(&sums, (x[i] - p->centre) * p->per_scale, y[i] - y[0]);
    } else {
        for (size_t i = 0; i < n; i++)
            add(&sums, ((double)i - p->centre) * p->per_scale, y[i] - y[0]);
    }
    if (!solve(&sums, terms, p))
        return err_set(e, ERR_NO_ANSWER, "the points of a %s are at fewer than %zu places", name, terms);
    p->coefficients[0] += y[0];
    for (size_t i = 0; i < n; i++) {
        double r = y[i] - parabola_value(p, x != NULL ? x[i] : (double)i);
        square += r * r;
    }
    if (!isfinite(square))
        return err_set(e, ERR_NO_ANSWER, "the points of a %s are not finite", name);
    p->residual_sd = n > terms ? sqrt(square / (double)(n - terms)) : 0;
    return ERR_OK;
}

double parabola_slope(const struct parabola *p, double x)
{
    return (p->coefficients[1] + 2 * p->coefficients[2] * (x - p->centre) * p->per_scale) * p->per_scale;
}

double parabola_relative_sd(const struct parabola *p, double x)
{
    double u = (x - p->centre) * p->per_scale, variance = 0, left = 1;
    for (int j = 0; j < 3; j++, left *= u)
        variance += left * (p->inverse[j][0] + u * (p->inverse[j][1] + u * p->inverse[j][2]));
    return sqrt(fmax(0, variance));
}
