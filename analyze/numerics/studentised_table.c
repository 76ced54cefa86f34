#include "analyze/numerics/studentised_table.h"

#include "analyze/numerics/sd_average.h"
#include "analyze/numerics/studentised_range.h"

#include <gsl/gsl_chebyshev.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_roots.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

/* Pieces this short and series of this order leave less than the rounding of the logarithms themselves. */
#define PIECE          0.25
#define ORDER          15
#define DEGREES_ORDER  15
#define RANGE_MOST     50.0 /* past it the probability, exp(-r^2 / 4) or so, is near the smallest double */
#define PIECES         200  /* RANGE_MOST / PIECE */
#define DEGREES_PIECES 10   /* of 1 / degrees_of_freedom: 0 to 2^-9, to 2^-8 ... to 1 */
#define ITERATIONS_MAX 100

struct studentised_table {
    int k;
    double log_p;
    gsl_cheb_series *log_upper[PIECES];            /* of r */
    gsl_cheb_series *log_quantile[DEGREES_PIECES]; /* of 1 / degrees_of_freedom */
};

static double log_known(double r, void *context)
{
    const struct studentised_table *t = context;
    return log(studentised_range_known(r, t->k));
}

static double upper_known(const struct studentised_table *t, double r)
{
    return r < RANGE_MOST ? exp(gsl_cheb_eval(t->log_upper[(int)(r / PIECE)], r))
                          : studentised_range_known(r, t->k);
}

struct at {
    const struct studentised_table *table;
    double q, degrees_of_freedom;
};

static double upper_at(double s, void *context)
{
    const struct at *a = context;
    return upper_known(a->table, a->q * s);
}

double studentised_table_upper(const struct studentised_table *t, double q, double degrees_of_freedom)
{
    if (isnan(q) || !(degrees_of_freedom >= 1))
        return NAN;
    if (q <= 0)
        return 1;
    return isinf(q) ? 0 : fmin(1, sd_average(upper_at, &(struct at){t, q, 0}, degrees_of_freedom));
}

static double apart(double log_q, void *context)
{
    const struct at *a = context;
    return log(studentised_table_upper(a->table, exp(log_q), a->degrees_of_freedom)) - a->table->log_p;
}

/* The logarithm of the quantile for 1 / degrees_of_freedom, by the root. */
static double solved(double inverse, void *context)
{
    struct at a = {context, 0, inverse > 0 ? 1 / inverse : INFINITY};
    gsl_function f = {apart, &a};
    double low = log(1.0), high = log(4.0), root = NAN;
    gsl_root_fsolver *solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    if (solver == NULL)
        return NAN;
    while (low > -700 && apart(low, &a) < 0)
        low -= 1;
    while (high < 700 && apart(high, &a) > 0)
        high += 1;
    if (gsl_root_fsolver_set(solver, &f, low, high) == GSL_SUCCESS) {
        for (int i = 0; i < ITERATIONS_MAX && gsl_root_fsolver_iterate(solver) == GSL_SUCCESS; i++) {
            root = gsl_root_fsolver_root(solver);
            if (gsl_root_fsolver_x_upper(solver) - gsl_root_fsolver_x_lower(solver) < 1e-13)
                break;
        }
    }
    gsl_root_fsolver_free(solver);
    return root;
}

double studentised_table_quantile(const struct studentised_table *t, double degrees_of_freedom)
{
    double inverse = 1 / degrees_of_freedom;
    int exponent, piece;
    if (!(degrees_of_freedom >= 1))
        return NAN;
    /* inverse is from 2^(exponent - 1) on, below 2^exponent */
    frexp(inverse, &exponent);
    piece = inverse > 0 ? exponent + DEGREES_PIECES - 1 : 0;
    piece = piece < 0 ? 0 : piece < DEGREES_PIECES ? piece : DEGREES_PIECES - 1;
    return exp(gsl_cheb_eval(t->log_quantile[piece], inverse));
}

static void free_series(gsl_cheb_series *made)
{
    if (made != NULL)
        gsl_cheb_free(made);
}

static gsl_cheb_series *series(double (*f)(double x, void *context), struct studentised_table *t, double low,
                               double high, size_t order)
{
    gsl_function function = {f, t};
    gsl_cheb_series *made = gsl_cheb_alloc(order);
    if (made != NULL && gsl_cheb_init(made, &function, low, high) == GSL_SUCCESS)
        return made;
    free_series(made);
    return NULL;
}

void studentised_table_free(struct studentised_table *t)
{
    for (int i = 0; t != NULL && i < PIECES; i++)
        free_series(t->log_upper[i]);
    for (int i = 0; t != NULL && i < DEGREES_PIECES; i++)
        free_series(t->log_quantile[i]);
    free(t);
}

struct studentised_table *studentised_table_new(int k, double p)
{
    struct studentised_table *t = calloc(1, sizeof *t);
    bool made = t != NULL;
    if (t != NULL) {
        t->k = k;
        t->log_p = log(p);
    }
    for (int i = 0; made && i < PIECES; i++) {
        t->log_upper[i] = series(log_known, t, PIECE * i, PIECE * (i + 1), ORDER);
        made = t->log_upper[i] != NULL;
    }
    for (int i = 0; made && i < DEGREES_PIECES; i++) {
        t->log_quantile[i] = series(solved, t, i > 0 ? ldexp(1, i - DEGREES_PIECES) : 0,
                                    ldexp(1, i + 1 - DEGREES_PIECES), DEGREES_ORDER);
        made = t->log_quantile[i] != NULL;
    }
    if (!made) {
        studentised_table_free(t);
        return NULL;
    }
    return t;
}
