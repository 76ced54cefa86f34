#include "analyze/numerics/variance_split.h"

#include <float.h>
#include <gsl/gsl_blas.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { FACTORS_MAX = VARIANCE_SPLIT_FACTORS_MAX };

/* A pivot below this share of the values in the fullest level is none: the sums are of whole numbers, and
 * even a chain of a thousand levels leaves pivots far above. */
static const double RANK_TOLERANCE = 1e-10;
/* Weights of mean squares below this are rounding: those of a layout are ratios of counts. */
static const double WEIGHT_TOLERANCE = 1e-9;
/* An interval by fewer degrees of freedom reaches up to over a thousand times the variance: it says nothing.
 */
static const double LEAST_DEGREES = 1;
/* Values are not told apart below this many units of their last digit. */
static const double LAST_DIGITS = 4;

/* What the first factors can explain: all vectors that are sums of a number per level. A factor whose levels
 * follow from those of another brings nothing and is left out, so that nested factors come down to the means
 * of the finest. Of the rest, the widest is taken out by its means; the others follow by the equations of
 * what these leave, factored. */
struct space {
    size_t n, rank;
    const size_t *wide; /* level of each value in the widest; NULL: all in one */
    size_t levels;      /* of it */
    size_t *start;      /* levels + 1 places in order[]: its values, level by level */
    size_t *order;
    size_t parts; /* the others */
    const struct variance_factor *part[FACTORS_MAX];
    size_t offset[FACTORS_MAX + 1]; /* of a part's levels among the columns */
    gsl_matrix *factored;           /* L and, on its diagonal, D, of which the first `solved` count */
    size_t solved;
    size_t *place; /* of each column among them; SIZE_MAX: it is not */
    double *count, *more;
    size_t *touched, *more_touched; /* as many as columns, or as levels of any factor */
};

static void space_free(struct space *s)
{
    free(s->start);
    free(s->order);
    free(s->place);
    free(s->count);
    free(s->more);
    free(s->touched);
    free(s->more_touched);
    gsl_matrix_free(s->factored);
    memset(s, 0, sizeof *s);
}

static size_t columns_of(const struct space *s)
{
    return s->offset[s->parts];
}

static size_t wide_level(const struct space *s, size_t i)
{
    return s->wide == NULL ? 0 : s->wide[i];
}

/* Does the level of one factor follow from that of the other, in these values? */
static bool follows(const struct variance_factor *coarse, const struct variance_factor *fine, size_t n)
{
    size_t seen[VARIANCE_SPLIT_LEVELS_MAX];
    for (size_t l = 0; l < fine->levels; l++)
        seen[l] = SIZE_MAX;
    for (size_t i = 0; i < n; i++) {
        size_t *at = &seen[fine->level[i]];
        if (*at == SIZE_MAX)
            *at = coarse->level[i];
        else if (*at != coarse->level[i])
            return false;
    }
    return true;
}

static size_t levels_met(const struct variance_factor *f, size_t n)
{
    bool met[VARIANCE_SPLIT_LEVELS_MAX] = {false};
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        count += !met[f->level[i]];
        met[f->level[i]] = true;
    }
    return count;
}

/* Which of the first factors are needed, and which of these is the widest. */
static void choose_parts(struct space *s, const struct variance_factor *factors, size_t count)
{
    const struct variance_factor *widest = NULL;
    size_t most = 0;
    for (size_t f = 0; f < count; f++) {
        bool needed = true;
        for (size_t g = 0; needed && g < count; g++)
            needed = g == f || !follows(&factors[f], &factors[g], s->n) ||
                     (g > f && follows(&factors[g], &factors[f], s->n));
        if (needed)
            s->part[s->parts++] = &factors[f];
    }
    for (size_t j = 0; j < s->parts; j++) {
        size_t met = levels_met(s->part[j], s->n);
        if (met > most) {
            most = met;
            widest = s->part[j];
        }
    }
    s->wide = widest == NULL ? NULL : widest->level;
    s->levels = widest == NULL ? 1 : widest->levels;
    s->rank = widest == NULL ? 1 : most;
    for (size_t j = 0, to = 0; j < s->parts; j++) {
        if (s->part[j] != widest)
            s->part[to++] = s->part[j];
    }
    s->parts -= widest != NULL;
    for (size_t j = 0; j < s->parts; j++)
        s->offset[j + 1] = s->offset[j] + s->part[j]->levels;
}

static void sort_values(struct space *s)
{
    for (size_t i = 0; i < s->n; i++)
        s->start[wide_level(s, i) + 1]++;
    for (size_t l = 0; l < s->levels; l++)
        s->start[l + 1] += s->start[l];
    for (size_t i = s->n; i-- > 0;)
        s->order[--s->start[wide_level(s, i) + 1]] = i;
    /* Each start has moved down one place: to where the level before it ends. */
    for (size_t l = 0; l < s->levels; l++)
        s->start[l] = s->start[l + 1];
    s->start[s->levels] = s->n;
}

/* How often each level of a part occurs in level b of the widest, added to count[]; touched[] has those that
 * do. */
static size_t count_levels(const struct space *s, size_t b, const size_t *level, size_t offset, double *count,
                           size_t *touched, size_t used)
{
    for (size_t k = s->start[b]; k < s->start[b + 1]; k++) {
        size_t column = offset + level[s->order[k]];
        if (count[column] == 0)
            touched[used++] = column;
        count[column]++;
    }
    return used;
}

static size_t count_columns(const struct space *s, size_t b)
{
    size_t used = 0;
    for (size_t j = 0; j < s->parts; j++)
        used = count_levels(s, b, s->part[j]->level, s->offset[j], s->count, s->touched, used);
    return used;
}

static double values_in(const struct space *s, size_t b)
{
    return (double)(s->start[b + 1] - s->start[b]);
}

/* The equations of the parts, each less its means over the widest, factored with the greatest pivot first, so
 * that what they do not tell apart comes last. */
static bool factor_equations(struct space *s)
{
    gsl_permutation *permutation = gsl_permutation_alloc(columns_of(s));
    double fullest = 0;
    if (permutation == NULL)
        return false;
    for (size_t i = 0; i < s->n; i++) {
        for (size_t j = 0; j < s->parts; j++) {
            for (size_t k = 0; k < s->parts; k++)
                ++*gsl_matrix_ptr(s->factored, s->offset[j] + s->part[j]->level[i],
                                  s->offset[k] + s->part[k]->level[i]);
        }
    }
    for (size_t a = 0; a < columns_of(s); a++)
        fullest = fmax(fullest, gsl_matrix_get(s->factored, a, a));
    for (size_t b = 0; b < s->levels; b++) {
        size_t used = count_columns(s, b);
        for (size_t a = 0; a < used; a++) {
            for (size_t c = 0; c < used; c++)
                *gsl_matrix_ptr(s->factored, s->touched[a], s->touched[c]) -=
                    s->count[s->touched[a]] * s->count[s->touched[c]] / values_in(s, b);
        }
        for (size_t a = 0; a < used; a++)
            s->count[s->touched[a]] = 0;
    }
    bool done = gsl_linalg_pcholesky_decomp(s->factored, permutation) == GSL_SUCCESS;
    for (size_t a = 0; a < columns_of(s); a++)
        s->place[a] = SIZE_MAX;
    while (s->solved < columns_of(s) &&
           gsl_matrix_get(s->factored, s->solved, s->solved) > RANK_TOLERANCE * fullest) {
        s->place[gsl_permutation_get(permutation, s->solved)] = s->solved;
        s->solved++;
    }
    s->rank += s->solved;
    gsl_permutation_free(permutation);
    return done;
}

/* The space of the first factors; of none, that of the mean. */
static enum err_code space_make(struct space *s, size_t n, const struct variance_factor *factors,
                                size_t count, struct err *e)
{
    size_t room;
    memset(s, 0, sizeof *s);
    s->n = n;
    choose_parts(s, factors, count);
    room = columns_of(s) + VARIANCE_SPLIT_LEVELS_MAX;
    s->start = calloc(s->levels + 1, sizeof *s->start);
    s->order = calloc(n, sizeof *s->order);
    s->place = calloc(room, sizeof *s->place);
    s->count = calloc(room, sizeof *s->count);
    s->more = calloc(room, sizeof *s->more);
    s->touched = calloc(room, sizeof *s->touched);
    s->more_touched = calloc(room, sizeof *s->more_touched);
    s->factored = columns_of(s) > 0 ? gsl_matrix_calloc(columns_of(s), columns_of(s)) : NULL;
    if (s->start == NULL || s->order == NULL || s->place == NULL || s->count == NULL || s->more == NULL ||
        s->touched == NULL || s->more_touched == NULL || (columns_of(s) > 0 && s->factored == NULL))
        return err_set(e, ERR_MEMORY, "not enough memory to split the variance of %zu values", n);
    sort_values(s);
    if (s->factored != NULL && !factor_equations(s))
        return err_set(e, ERR_MEMORY, "not enough memory to split the variance of %zu values", n);
    return ERR_OK;
}

/* Trace of Z' P Z, Z the columns of a factor and P the projection on the space: what a variance of one of
 * that factor brings to the sum of squares of the space. */
static enum err_code space_trace(const struct space *s, const struct variance_factor *g, double *trace,
                                 struct err *e)
{
    gsl_matrix *left = s->solved > 0 ? gsl_matrix_calloc(s->solved, g->levels) : NULL;
    long double sum = 0;
    if (s->solved > 0 && left == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory to split the variance of %zu values", s->n);
    for (size_t i = 0; left != NULL && i < s->n; i++) {
        for (size_t j = 0; j < s->parts; j++) {
            size_t row = s->place[s->offset[j] + s->part[j]->level[i]];
            if (row != SIZE_MAX)
                ++*gsl_matrix_ptr(left, row, g->level[i]);
        }
    }
    for (size_t b = 0; b < s->levels; b++) {
        size_t used = left == NULL ? 0 : count_columns(s, b);
        size_t met = count_levels(s, b, g->level, 0, s->more, s->more_touched, 0);
        for (size_t c = 0; c < met; c++) {
            double own = s->more[s->more_touched[c]] / values_in(s, b);
            sum += (long double)own * s->more[s->more_touched[c]];
            for (size_t a = 0; a < used; a++) {
                size_t row = s->place[s->touched[a]];
                if (row != SIZE_MAX)
                    *gsl_matrix_ptr(left, row, s->more_touched[c]) -= s->count[s->touched[a]] * own;
            }
        }
        for (size_t a = 0; a < used; a++)
            s->count[s->touched[a]] = 0;
        for (size_t c = 0; c < met; c++)
            s->more[s->more_touched[c]] = 0;
    }
    if (left != NULL) {
        gsl_matrix_const_view lower = gsl_matrix_const_submatrix(s->factored, 0, 0, s->solved, s->solved);
        gsl_blas_dtrsm(CblasLeft, CblasLower, CblasNoTrans, CblasUnit, 1, &lower.matrix, left);
        for (size_t k = 0; k < s->solved; k++) {
            for (size_t c = 0; c < g->levels; c++)
                sum += (long double)gsl_matrix_get(left, k, c) * gsl_matrix_get(left, k, c) /
                       gsl_matrix_get(s->factored, k, k);
        }
    }
    gsl_matrix_free(left);
    *trace = (double)sum;
    return ERR_OK;
}

/* y less its means over the widest. */
static void sweep_wide(const struct space *s, double *y)
{
    for (size_t b = 0; b < s->levels; b++) {
        long double sum = 0;
        for (size_t k = s->start[b]; k < s->start[b + 1]; k++)
            sum += y[s->order[k]];
        for (size_t k = s->start[b]; k < s->start[b + 1]; k++)
            y[s->order[k]] = (double)(y[s->order[k]] - sum / values_in(s, b));
    }
}

/* y less its projection on the space. work: n. */
static bool sweep(const struct space *s, double *y, double *work)
{
    gsl_vector *right;
    sweep_wide(s, y);
    if (s->solved == 0)
        return true;
    gsl_matrix_const_view lower = gsl_matrix_const_submatrix(s->factored, 0, 0, s->solved, s->solved);
    right = gsl_vector_calloc(s->solved);
    if (right == NULL)
        return false;
    for (size_t i = 0; i < s->n; i++) {
        for (size_t j = 0; j < s->parts; j++) {
            size_t row = s->place[s->offset[j] + s->part[j]->level[i]];
            if (row != SIZE_MAX)
                *gsl_vector_ptr(right, row) += y[i];
        }
    }
    gsl_blas_dtrsv(CblasLower, CblasNoTrans, CblasUnit, &lower.matrix, right);
    for (size_t k = 0; k < s->solved; k++)
        *gsl_vector_ptr(right, k) /= gsl_matrix_get(s->factored, k, k);
    gsl_blas_dtrsv(CblasLower, CblasTrans, CblasUnit, &lower.matrix, right);
    for (size_t i = 0; i < s->n; i++) {
        work[i] = 0;
        for (size_t j = 0; j < s->parts; j++) {
            size_t row = s->place[s->offset[j] + s->part[j]->level[i]];
            work[i] += row != SIZE_MAX ? gsl_vector_get(right, row) : 0;
        }
    }
    sweep_wide(s, work);
    for (size_t i = 0; i < s->n; i++)
        y[i] -= work[i];
    gsl_vector_free(right);
    return true;
}

/* Sums of squares, and how much of each variance they are expected to hold. */
struct table {
    double held[FACTORS_MAX][FACTORS_MAX]; /* of factor g in the sum of squares of f, g at f or after it */
    double traces[FACTORS_MAX];            /* of the space before */
    size_t rank;
    double *rest, *before, *work; /* values less what the space explains; n each */
    long double nothing;          /* a sum of squares that is rounding only */
};

/* The sum of squares of factor f, and its expectation. */
static enum err_code add_factor(struct table *t, const struct variance_factor *factors, size_t count,
                                size_t f, size_t n, struct variance_component *c, struct err *e)
{
    struct space s;
    long double square = 0;
    enum err_code code = space_make(&s, n, factors, f + 1, e);
    memcpy(t->before, t->rest, n * sizeof *t->rest);
    for (size_t g = f; code == ERR_OK && g < count; g++) {
        double trace = (double)n; /* of the factor itself, which the space holds */
        if (g > f)
            code = space_trace(&s, &factors[g], &trace, e);
        t->held[f][g] = trace - t->traces[g];
        t->traces[g] = trace;
    }
    if (code == ERR_OK && !sweep(&s, t->rest, t->work))
        code = err_set(e, ERR_MEMORY, "not enough memory to split the variance of %zu values", n);
    if (code == ERR_OK) {
        for (size_t i = 0; i < n; i++) {
            long double step = (long double)t->before[i] - t->rest[i];
            square += step * step;
        }
        c->degrees_of_freedom = (double)(s.rank - t->rank);
        c->square = square > t->nothing ? (double)square : 0;
        c->present = s.rank > t->rank;
        t->rank = s.rank;
    }
    space_free(&s);
    return code;
}

static void interval(struct variance_component *c)
{
    double scaled = c->variance_degrees_of_freedom * c->variance;
    if (!(c->variance > 0) || c->variance_degrees_of_freedom < LEAST_DEGREES)
        return;
    c->low_95 = scaled / gsl_cdf_chisq_Qinv(0.025, c->variance_degrees_of_freedom);
    c->high_95 = scaled / gsl_cdf_chisq_Pinv(0.025, c->variance_degrees_of_freedom);
}

/* The variance of factor f from its mean square and those after it, and its F: which sum of these has the
 * expectation that its own has without that variance. */
static void estimate(const struct table *t, struct variance_component *components, size_t count, size_t f)
{
    struct variance_component *c = &components[f];
    const struct variance_component *residual = &components[count];
    double weight[FACTORS_MAX + 1] = {0}, others = 0, squares = 0, own;
    weight[count] = 1;
    for (size_t h = f + 1; h < count; h++) {
        double missing = t->held[f][h] / c->degrees_of_freedom;
        if (!components[h].present)
            continue;
        for (size_t g = f + 1; g < h; g++)
            missing -= weight[g] != 0 ? weight[g] * t->held[g][h] / components[g].degrees_of_freedom : 0;
        weight[h] = missing / (t->held[h][h] / components[h].degrees_of_freedom);
        if (fabs(weight[h]) < WEIGHT_TOLERANCE)
            weight[h] = 0;
        weight[count] -= weight[h];
    }
    if (fabs(weight[count]) < WEIGHT_TOLERANCE)
        weight[count] = 0;
    for (size_t g = f + 1; g <= count; g++) {
        double term = weight[g] != 0 ? weight[g] * components[g].mean_square : 0;
        others += term;
        squares += term != 0 ? term * term / components[g].degrees_of_freedom : 0;
    }
    own = c->mean_square * c->mean_square / c->degrees_of_freedom;
    c->variance = (c->mean_square - others) / (t->held[f][f] / c->degrees_of_freedom);
    c->variance_degrees_of_freedom = (c->mean_square - others) * (c->mean_square - others) / (own + squares);
    interval(c);
    if (!(others > 0) || !(residual->mean_square > 0))
        return;
    c->f = c->mean_square / others;
    c->f_degrees_of_freedom = others * others / squares;
    c->p_value = gsl_cdf_fdist_Q(c->f, c->degrees_of_freedom, c->f_degrees_of_freedom);
}

/* The values about their mean, and what in them is rounding. */
static enum err_code centre(const double *values, size_t n, struct table *t, double *mean, struct err *e)
{
    long double sum = 0, digit;
    double greatest = 0;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(values[i]))
            return err_set(e, ERR_NO_ANSWER, "value %zu of %zu is not a finite number", i + 1, n);
        sum += (long double)values[i] - values[0];
        greatest = fmax(greatest, fabs(values[i]));
    }
    for (size_t i = 0; i < n; i++)
        t->rest[i] = (double)((long double)values[i] - values[0] - sum / (long double)n);
    *mean = (double)(values[0] + sum / (long double)n);
    digit = (long double)LAST_DIGITS * DBL_EPSILON * greatest;
    t->nothing = (long double)n * digit * digit;
    t->rank = 1;
    return ERR_OK;
}

static enum err_code fill(const double *values, size_t n, const struct variance_factor *factors, size_t count,
                          struct table *t, struct variance_split *r, struct err *e)
{
    struct variance_component *residual = &r->components[count];
    long double square = 0, total = 0;
    struct space mean_only;
    enum err_code code = centre(values, n, t, &r->mean, e);
    if (code != ERR_OK)
        return code;
    code = space_make(&mean_only, n, NULL, 0, e);
    for (size_t g = 0; code == ERR_OK && g < count; g++)
        code = space_trace(&mean_only, &factors[g], &t->traces[g], e);
    space_free(&mean_only);
    for (size_t f = 0; code == ERR_OK && f < count; f++)
        code = add_factor(t, factors, count, f, n, &r->components[f], e);
    if (code != ERR_OK)
        return code;
    if (n <= t->rank)
        return err_set(
            e, ERR_NO_ANSWER,
            "%zu values leave nothing for their own scatter beside %zu effects: something has to be "
            "repeated",
            n, t->rank);
    for (size_t i = 0; i < n; i++)
        square += (long double)t->rest[i] * t->rest[i];
    residual->present = true;
    residual->degrees_of_freedom = (double)(n - t->rank);
    residual->square = square > t->nothing ? (double)square : 0;
    for (size_t f = 0; f <= count; f++) {
        total += r->components[f].square;
        r->components[f].mean_square =
            r->components[f].present ? r->components[f].square / r->components[f].degrees_of_freedom : NAN;
        if (!r->components[f].present)
            r->components[f].square = NAN;
    }
    if (!isfinite((double)total))
        return err_set(e, ERR_NO_ANSWER, "the values are too great for their squares to be added");
    if (total == 0)
        return err_set(e, ERR_NO_ANSWER, "the values do not scatter at all; there is no variance to split");
    return ERR_OK;
}

static enum err_code check_call(size_t n, const struct variance_factor *factors, size_t count, struct err *e)
{
    if (count > FACTORS_MAX)
        return err_set(e, ERR_CALLER, "%zu factors; at most %d can be told apart", count, FACTORS_MAX);
    for (size_t f = 0; f < count; f++) {
        if (factors[f].levels < 1 || factors[f].levels > VARIANCE_SPLIT_LEVELS_MAX)
            return err_set(e, ERR_CALLER, "%s: %zu levels; it may have 1 to %d", factors[f].name,
                           factors[f].levels, VARIANCE_SPLIT_LEVELS_MAX);
        for (size_t i = 0; i < n; i++) {
            if (factors[f].level[i] >= factors[f].levels)
                return err_set(e, ERR_CALLER, "%s: value %zu is of level %zu of %zu", factors[f].name, i + 1,
                               factors[f].level[i] + 1, factors[f].levels);
        }
    }
    if (n < 2)
        return err_set(e, ERR_NO_ANSWER, "%zu value%s; a variance needs two", n, n == 1 ? "" : "s");
    return ERR_OK;
}

enum err_code variance_split(const double *values, size_t n, const struct variance_factor *factors,
                             size_t count, struct variance_split *result, struct err *e)
{
    struct table t = {0};
    struct variance_component *c = result->components;
    enum err_code code = check_call(n, factors, count, e);
    memset(result, 0, sizeof *result);
    if (code != ERR_OK)
        return code;
    result->count = count + 1;
    for (size_t f = 0; f <= count; f++)
        c[f].variance = c[f].variance_degrees_of_freedom = c[f].sd = c[f].share = c[f].low_95 = c[f].high_95 =
            c[f].f = c[f].f_degrees_of_freedom = c[f].p_value = NAN;
    t.rest = malloc(n * sizeof *t.rest);
    t.before = malloc(n * sizeof *t.before);
    t.work = malloc(n * sizeof *t.work);
    if (t.rest == NULL || t.before == NULL || t.work == NULL)
        code = err_set(e, ERR_MEMORY, "not enough memory to split the variance of %zu values", n);
    else
        code = fill(values, n, factors, count, &t, result, e);
    free(t.rest);
    free(t.before);
    free(t.work);
    if (code != ERR_OK)
        return code;
    c[count].variance = c[count].mean_square;
    c[count].variance_degrees_of_freedom = c[count].degrees_of_freedom;
    interval(&c[count]);
    for (size_t f = count; f-- > 0;) {
        if (c[f].present)
            estimate(&t, c, count, f);
    }
    for (size_t f = 0; f <= count; f++)
        result->total_variance += c[f].present ? fmax(0, c[f].variance) : 0;
    for (size_t f = 0; f <= count; f++) {
        if (c[f].present) {
            c[f].sd = sqrt(fmax(0, c[f].variance));
            c[f].share = fmax(0, c[f].variance) / result->total_variance;
        }
    }
    return ERR_OK;
}
