#include "analyze/numerics/studentised_table.h"

#include "analyze/numerics/sd_average.h"
#include "analyze/numerics/studentised_range.h"

#include <gsl/gsl_chebyshev.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_roots.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

/* Pieces this short and series of this order leave less than the rounding of the logarithms themselves, up to
 * 128 means. */
#define PIECE          0.5
#define ORDER          15
#define DEGREES_ORDER  15
#define RANGE_MOST     50.0 /* past it the probability, exp(-r^2 / 4) or so, is near the smallest double */
#define PIECES         100  /* RANGE_MOST / PIECE */
#define DEGREES_PIECES 10   /* of 1 / degrees_of_freedom: 0 to 2^-9, to 2^-8 ... to 1 */
#define QUANTILES_FEW  4    /* of a piece are found one by one: a series takes sixteen */
#define ITERATIONS_MAX 100
#define MEANS_MOST     128 /* of which tables are kept */

struct studentised_table {
    double p;
    struct studentised_known *known;
    gsl_cheb_series *log_flat[PIECES];             /* of r; NULL: not needed yet */
    gsl_cheb_series *log_quantile[DEGREES_PIECES]; /* of 1 / degrees_of_freedom; NULL: not needed yet */
    int asked[DEGREES_PIECES];                     /* quantiles before there is a series */
};

/* Of the upper tail times exp(r^2 / 4), which its far end goes like: a logarithm that is small keeps more
 * digits of what it is the logarithm of. */
static double log_flat(double r, void *context)
{
    const struct studentised_table *t = context;
    return r * r / 4 + log(studentised_known_upper(t->known, r));
}

/* A series that is not there yet is made; NULL without memory. */
static const gsl_cheb_series *series(gsl_cheb_series **at, double (*f)(double x, void *context),
                                     struct studentised_table *t, double low, double high, size_t order)
{
    gsl_function function = {f, t};
    if (*at == NULL) {
        gsl_cheb_series *made = gsl_cheb_alloc(order);
        if (made != NULL && gsl_cheb_init(made, &function, low, high) == GSL_SUCCESS)
            *at = made;
        else if (made != NULL)
            gsl_cheb_free(made);
    }
    return *at;
}

static double upper_known(struct studentised_table *t, double r)
{
    int i = r < RANGE_MOST ? (int)(r / PIECE) : -1;
    const gsl_cheb_series *made =
        i < 0 ? NULL : series(&t->log_flat[i], log_flat, t, PIECE * i, PIECE * (i + 1), ORDER);
    return made != NULL ? exp(gsl_cheb_eval(made, r) - r * r / 4) : studentised_known_upper(t->known, r);
}

struct at {
    struct studentised_table *table;
    double q, degrees_of_freedom, log_p;
};

static double upper_at(double s, void *context)
{
    const struct at *a = context;
    return upper_known(a->table, a->q * s);
}

double studentised_table_upper(struct studentised_table *t, double q, double degrees_of_freedom)
{
    if (isnan(q) || !(degrees_of_freedom >= 1))
        return NAN;
    if (q <= 0)
        return 1;
    return isinf(q) ? 0 : fmin(1, sd_average(upper_at, &(struct at){.table = t, .q = q}, degrees_of_freedom));
}

static double apart(double log_q, void *context)
{
    const struct at *a = context;
    return log(studentised_table_upper(a->table, exp(log_q), a->degrees_of_freedom)) - a->log_p;
}

/* The logarithm of a quantile, by the root. */
static double solve(struct studentised_table *t, double p, double degrees_of_freedom)
{
    struct at a = {t, 0, degrees_of_freedom, log(p)};
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

static double log_quantile(double inverse, void *context)
{
    struct studentised_table *t = context;
    return solve(t, t->p, inverse > 0 ? 1 / inverse : INFINITY);
}

double studentised_table_quantile(struct studentised_table *t, double degrees_of_freedom)
{
    double inverse = 1 / degrees_of_freedom;
    const gsl_cheb_series *made;
    int exponent, piece;
    if (!(degrees_of_freedom >= 1))
        return NAN;
    /* inverse is from 2^(exponent - 1) on, below 2^exponent */
    frexp(inverse, &exponent);
    piece = inverse > 0 ? exponent + DEGREES_PIECES - 1 : 0;
    piece = piece < 0 ? 0 : piece < DEGREES_PIECES ? piece : DEGREES_PIECES - 1;
    if (t->log_quantile[piece] == NULL && t->asked[piece]++ < QUANTILES_FEW)
        return exp(log_quantile(inverse, t));
    made = series(&t->log_quantile[piece], log_quantile, t, piece > 0 ? ldexp(1, piece - DEGREES_PIECES) : 0,
                  ldexp(1, piece + 1 - DEGREES_PIECES), DEGREES_ORDER);
    return exp(made != NULL ? gsl_cheb_eval(made, inverse) : log_quantile(inverse, t));
}

static void free_series(gsl_cheb_series *made)
{
    if (made != NULL)
        gsl_cheb_free(made);
}

void studentised_table_free(struct studentised_table *t)
{
    for (int i = 0; t != NULL && i < PIECES; i++)
        free_series(t->log_flat[i]);
    for (int i = 0; t != NULL && i < DEGREES_PIECES; i++)
        free_series(t->log_quantile[i]);
    if (t != NULL)
        studentised_known_free(t->known);
    free(t);
}

struct studentised_table *studentised_table_new(int k, double p)
{
    struct studentised_table *t = calloc(1, sizeof *t);
    if (t == NULL)
        return NULL;
    t->p = p;
    t->known = studentised_known_new(k);
    if (t->known == NULL) {
        free(t);
        return NULL;
    }
    return t;
}

struct studentised_tables {
    double p;
    struct studentised_table *of[MEANS_MOST + 1]; /* NULL: not asked for yet */
};

struct studentised_tables *studentised_tables_new(double p)
{
    struct studentised_tables *tables = calloc(1, sizeof *tables);
    if (tables != NULL)
        tables->p = p;
    return tables;
}

void studentised_tables_free(struct studentised_tables *tables)
{
    for (int k = 0; tables != NULL && k <= MEANS_MOST; k++)
        studentised_table_free(tables->of[k]);
    free(tables);
}

static struct studentised_table *table_of(struct studentised_tables *tables, int k)
{
    if (tables == NULL || k < 2 || k > MEANS_MOST)
        return NULL;
    if (tables->of[k] == NULL)
        tables->of[k] = studentised_table_new(k, tables->p);
    return tables->of[k];
}

double studentised_tables_upper(struct studentised_tables *tables, double q, int k, double degrees_of_freedom)
{
    struct studentised_table *t = table_of(tables, k);
    return t != NULL ? studentised_table_upper(t, q, degrees_of_freedom)
                     : studentised_range_upper(q, k, degrees_of_freedom);
}

double studentised_tables_quantile(struct studentised_tables *tables, double p, int k,
                                   double degrees_of_freedom)
{
    struct studentised_table *t = table_of(tables, k);
    if (t == NULL || !(p > 0) || !(p < 1) || !(degrees_of_freedom >= 1))
        return studentised_range_quantile(p, k, degrees_of_freedom);
    return p == t->p ? studentised_table_quantile(t, degrees_of_freedom)
                     : exp(solve(t, p, degrees_of_freedom));
}
