#include "analyze/numerics/parabola.h"

#include "analyze/numerics/pair.h"

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

static inline double place(const double *x, size_t i)
{
    return x != NULL ? x[i] : (double)i;
}

static inline pair scaled_pair(const struct parabola *p, const double *x, size_t i)
{
    pair places = x != NULL ? pair_at(x + i) : (pair){(double)i, (double)(i + 1)};
    return (places - p->centre) * p->per_scale;
}

static struct sums sums_of(const struct parabola *p, const double *x, const double *y, size_t n)
{
    pair u1 = {0}, u2 = {0}, u3 = {0}, u4 = {0}, y0 = {0}, y1 = {0}, y2 = {0};
    struct sums sums;
    size_t i = 0;
    for (; i + 2 <= n; i += 2) {
        pair u = scaled_pair(p, x, i), v = pair_at(y + i) - y[0], uu = u * u;
        u1 += u;
        u2 += uu;
        u3 += uu * u;
        u4 += uu * uu;
        y0 += v;
        y1 += u * v;
        y2 += uu * v;
    }
    sums = (struct sums){
        .u = {(double)n, pair_sum(u1), pair_sum(u2), pair_sum(u3), pair_sum(u4)},
        .yu = {pair_sum(y0), pair_sum(y1), pair_sum(y2)},
    };
    if (i < n)
        add(&sums, (place(x, i) - p->centre) * p->per_scale, y[i] - y[0]);
    return sums;
}

/* Sum of the squared distances from the parabola. */
static double square_of(const struct parabola *p, const double *x, const double *y, size_t n)
{
    const double *c = p->coefficients;
    pair squares = {0};
    double last = 0;
    size_t i = 0;
    for (; i + 2 <= n; i += 2) {
        pair u = scaled_pair(p, x, i), r = pair_at(y + i) - (c[0] + u * (c[1] + u * c[2]));
        squares += r * r;
    }
    if (i < n)
        last = y[i] - parabola_value(p, place(x, i));
    return pair_sum(squares) + last * last;
}

/* Least and greatest of the x. Two chains of each: no comparison waits for the one before. */
static void find_ends(const double *x, size_t n, double *low, double *high)
{
    double lows[2] = {INFINITY, INFINITY}, highs[2] = {-INFINITY, -INFINITY};
    for (size_t i = 0; i + 2 <= n; i += 2) {
        for (size_t k = 0; k < 2; k++) {
            lows[k] = x[i + k] < lows[k] ? x[i + k] : lows[k];
            highs[k] = x[i + k] > highs[k] ? x[i + k] : highs[k];
        }
    }
    *low = fmin(x[n - 1], fmin(lows[0], lows[1]));
    *high = fmax(x[n - 1], fmax(highs[0], highs[1]));
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
    double low = 0, high = (double)n - 1, square;
    memset(p, 0, sizeof *p);
    if (n < terms)
        return err_set(e, ERR_NO_ANSWER, "%zu points are too few for a %s: %zu are needed", n, name, terms);
    if (x != NULL)
        find_ends(x, n, &low, &high);
    p->centre = low + (high - low) / 2;
    p->per_scale = 2 / (high - low);
    if (!(high > low) || !isfinite(high - low) || !isfinite(p->per_scale))
        return err_set(e, ERR_NO_ANSWER, "the points of a %s are all at one place, or not finite", name);
    struct sums sums = sums_of(p, x, y, n);
    if (!solve(&sums, terms, p))
        return err_set(e, ERR_NO_ANSWER, "the points of a %s are at fewer than %zu places", name, terms);
    p->coefficients[0] += y[0];
    square = square_of(p, x, y, n);
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
