#include "analyze/numerics/bench_consistency.h"

#include <float.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_roots.h>
#include <gsl/gsl_spline.h>
#include <math.h>
#include <string.h>

/* 1.96 sqrt(2), rounded as ISO 5725-6 has it: two values differ by more than this many standard deviations in
 * 5 % of cases. */
static const double LIMIT_FACTOR = 2.8;

static bool is_level(double level)
{
    return level > 0 && level < 1;
}

/* For one cell of n values against the p - 1 others, s_i^2 / (mean of the others' s^2) is an F; with it,
 * C = s_i^2 / sum s^2 = F / (F + p - 1). */
static double variance_share(size_t p, double n, double upper)
{
    double others = (double)p - 1, f;
    if (p < 2 || !(n >= 2) || !isfinite(n) || !is_level(upper))
        return NAN;
    f = gsl_cdf_fdist_Qinv(upper, n - 1, others * (n - 1));
    return f / (f + others);
}

double bench_cochran_critical(size_t p, double n, double level)
{
    return variance_share(p, n, level / (double)p);
}

/* k^2 = s_i^2 / (sum s^2 / p). */
double bench_mandel_k_critical(size_t p, double n, double level)
{
    return sqrt((double)p * variance_share(p, n, level));
}

/* Distance of one of p values from their mean, over their standard deviation, that is passed upwards with
 * this probability: with Student's t of p - 2 degrees of freedom it is (p - 1) t / sqrt(p (t^2 + p - 2)). */
static double distance_critical(size_t p, double upper)
{
    double all = (double)p, t;
    if (p < 3 || !is_level(upper))
        return NAN;
    t = gsl_cdf_tdist_Qinv(upper, all - 2);
    return (all - 1) / sqrt(all * (1 + (all - 2) / (t * t)));
}

double bench_mandel_h_critical(size_t p, double level)
{
    return is_level(level) ? distance_critical(p, level / 2) : NAN;
}

double bench_grubbs_critical(size_t p, double level)
{
    return is_level(level) ? distance_critical(p, level / 2 / (double)p) : NAN;
}

/* Grubbs' test of two. Which statistic to expect of normal values, exactly:
 *
 * Let the two be the first two of p values. Of the k = p - 2 others, S^2 is the sum of squares about their
 * mean and m = (greatest - mean) / S. With a, b the distances of the two from that mean, the sum of squares
 * of all is S^2 + r^2, r^2 = (a - b)^2 / 2 + (1 - 2/p) (a + b)^2 / 2: the squares of two independent standard
 * normal values r cos(t), r sin(t). The statistic is w^2 = S^2 / (S^2 + r^2), and the two are above all
 * others where min(a, b) > m S, that is, m < x g(t) with x = r / S = sqrt(1/w^2 - 1) and g = (sqrt(p / (p -
 * 2)) cos(t) - |sin(t)|) / sqrt(2). r, S, t and m are independent, w has the density (p - 3) w^(p-4), t is
 * uniform, and any of p (p - 1) / 2 pairs may be the two. So
 *
 *     P(w^2 < c) = p (p - 1) / 2  Int_0^sqrt(c) (p - 3) w^(p-4) A(w) dw
 *     A(w) = 1/pi Int_0^pi F_k(x(w) g(t)) dt
 *
 * where F_k is the distribution of m. It follows from that of k - 1 values, as Grubbs (Annals of Mathematical
 * Statistics 21 (1950) 27-58, from memory) has it: write m = sqrt((k - 1) / k) sin(f). One value of k is at f
 * with the density C cos(f)^(k-3), and is the greatest where the others, about their own mean, stay below f'
 * with sin(f') = sqrt(k / (k - 2)) tan(f). Where that is above 1, they do so always, and F_k is in closed
 * form; below, it is integrated over f', where it is smooth. For k = 2, f = pi/2. */

enum { NODES = 2049, POINTS = 48, ITERATIONS_MAX = 100 };

struct two_extremes {
    size_t p;
    double level;
    double at[NODES], below[NODES]; /* F_k by f' */
    gsl_spline *spline;
    gsl_interp_accel *near;
    gsl_integration_glfixed_table *points;
};

/* F_k at the angle f, from the table of F_k. */
static double greatest_below(const struct two_extremes *w, double k, double f)
{
    double rise = tan(f), sine = sqrt(k / (k - 2)) * rise;
    if (sine >= 1)
        return 1 - k * gsl_cdf_tdist_Q(sqrt(k - 2) * rise, k - 2);
    return sine > 0 ? gsl_spline_eval(w->spline, asin(sine), w->near) : 0;
}

/* The table of F_k from that of F_(k-1). */
static bool next_table(struct two_extremes *w, double k)
{
    double slope[NODES], a = sqrt((k - 2) / k);
    double factor = k * exp(lgamma((k - 1) / 2) - lgamma((k - 2) / 2)) / sqrt(M_PI);
    for (int i = 0; i < NODES; i++) {
        double tangent = a * sin(w->at[i]), square = 1 + tangent * tangent;
        slope[i] = factor * a * cos(w->at[i]) * pow(square, (1 - k) / 2) * greatest_below(w, k - 1, w->at[i]);
    }
    if (gsl_spline_init(w->spline, w->at, slope, NODES) != GSL_SUCCESS)
        return false;
    w->below[0] = 0;
    for (int i = 1; i < NODES; i++)
        w->below[i] = w->below[i - 1] + gsl_spline_eval_integ(w->spline, w->at[i - 1], w->at[i], w->near);
    return gsl_spline_init(w->spline, w->at, w->below, NODES) == GSL_SUCCESS;
}

static bool fill_table(struct two_extremes *w)
{
    for (int i = 0; i < NODES; i++) {
        w->at[i] = M_PI / 2 * i / (NODES - 1);
        w->below[i] = 0;
    }
    /* Of three values F is in closed form or 0. */
    if (gsl_spline_init(w->spline, w->at, w->below, NODES) != GSL_SUCCESS)
        return false;
    for (size_t k = 4; k + 2 <= w->p; k++) {
        if (!next_table(w, (double)k))
            return false;
    }
    return true;
}

/* A(w). */
static double two_above(const struct two_extremes *w, double root)
{
    double p = (double)w->p, k = p - 2, x = sqrt(1 / (root * root) - 1), sum;
    double reach = sqrt(p / k + 1), turn = atan(sqrt(k / p)); /* g = reach cos(t + turn) / sqrt(2) */
    /* m at its greatest, where the closed form ends, and at its least; then the angles there. */
    double ends[] = {sqrt((k - 1) / k), sqrt((k - 2) / (2 * k)), 1 / sqrt(k * (k - 1))};
    for (size_t i = 0; i < 3; i++)
        ends[i] = ends[i] < x * reach / M_SQRT2 ? fmax(0, acos(M_SQRT2 * ends[i] / x / reach) - turn) : 0;
    sum = ends[0];
    for (size_t i = 1; k > 2 && i < 3; i++) {
        for (size_t j = 0; ends[i] > ends[i - 1] && j < POINTS; j++) {
            double t, weight, m;
            gsl_integration_glfixed_point(ends[i - 1], ends[i], j, &t, &weight, w->points);
            m = x * reach * cos(t + turn) / M_SQRT2;
            sum += weight * greatest_below(w, k, asin(fmin(1, m * sqrt(k / (k - 1)))));
        }
    }
    return sum / M_PI;
}

static double two_apart(double c, void *context)
{
    struct two_extremes *w = context;
    double p = (double)w->p, sum = 0;
    for (size_t j = 0; c > 0 && j < POINTS; j++) {
        double root, weight;
        gsl_integration_glfixed_point(0, sqrt(c), j, &root, &weight, w->points);
        sum += weight * (p - 3) * pow(root, p - 4) * two_above(w, root);
    }
    return p * (p - 1) / 2 * sum - w->level / 2;
}

static double two_critical(struct two_extremes *w)
{
    gsl_function f = {two_apart, w};
    gsl_root_fsolver *solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    double root = NAN;
    bool done = false;
    if (solver == NULL)
        return NAN;
    if (gsl_root_fsolver_set(solver, &f, 0, 1) == GSL_SUCCESS) {
        for (int i = 0; i < ITERATIONS_MAX && !done; i++) {
            if (gsl_root_fsolver_iterate(solver) != GSL_SUCCESS)
                break;
            root = gsl_root_fsolver_root(solver);
            done = gsl_root_test_interval(gsl_root_fsolver_x_lower(solver), gsl_root_fsolver_x_upper(solver),
                                          0, 1e-8) == GSL_SUCCESS;
        }
    }
    gsl_root_fsolver_free(solver);
    return done ? root : NAN;
}

double bench_grubbs_double_critical(size_t p, double level)
{
    struct two_extremes w = {.p = p, .level = level};
    double found = NAN;
    if (p < 4 || p > BENCH_CONSISTENCY_MAX || !is_level(level))
        return NAN;
    w.spline = gsl_spline_alloc(gsl_interp_cspline, NODES);
    w.near = gsl_interp_accel_alloc();
    w.points = gsl_integration_glfixed_table_alloc(POINTS);
    if (w.spline != NULL && w.near != NULL && w.points != NULL && fill_table(&w))
        found = two_critical(&w);
    gsl_spline_free(w.spline);
    gsl_interp_accel_free(w.near);
    if (w.points != NULL)
        gsl_integration_glfixed_table_free(w.points);
    return found;
}

static enum bench_mark mark_above(double statistic, double critical_5, double critical_1)
{
    return statistic > critical_1 ? BENCH_OUTLIER : statistic > critical_5 ? BENCH_STRAGGLER : BENCH_SOUND;
}

/* What the cells come to. Means are less the first of all values, so that what all have in common takes no
 * digits. */
struct cell_sums {
    long double means[BENCH_CONSISTENCY_MAX];
    long double mean, weighted_mean; /* of the means, each counted once, and by n */
    long double square;              /* of the means about their mean */
    long double between, within;     /* n times squares of the means about m; squares within cells */
    double degrees;                  /* within cells */
    size_t with_sd;                  /* cells with two values or more */
};

/* Means and sds, each cell about its own first value. */
static enum err_code sum_cells(const double *values, const size_t *bench, size_t n,
                               struct bench_consistency *r, struct cell_sums *s, struct err *e)
{
    double first[BENCH_CONSISTENCY_MAX];
    long double means[BENCH_CONSISTENCY_MAX] = {0}, squares[BENCH_CONSISTENCY_MAX] = {0}, rest;
    for (size_t i = 0; i < n; i++) {
        size_t g = bench[i];
        if (g >= r->benches)
            return err_set(e, ERR_CALLER, "value %zu is of bench %zu of %zu", i + 1, g + 1, r->benches);
        if (!isfinite(values[i]))
            return err_set(e, ERR_NO_ANSWER, "value %zu of %zu is not a finite number", i + 1, n);
        if (r->cells[g].n++ == 0)
            first[g] = values[i];
        means[g] += (long double)values[i] - first[g];
    }
    for (size_t g = 0; g < r->benches; g++) {
        if (r->cells[g].n == 0)
            return err_set(e, ERR_NO_ANSWER, "bench %zu has no value", g + 1);
        means[g] /= (long double)r->cells[g].n;
        s->means[g] = (long double)first[g] - values[0] + means[g];
        r->cells[g].mean = (double)(first[g] + means[g]);
    }
    for (size_t i = 0; i < n; i++) {
        rest = (long double)values[i] - first[bench[i]] - means[bench[i]];
        squares[bench[i]] += rest * rest;
    }
    for (size_t g = 0; g < r->benches; g++) {
        long double own = (long double)r->cells[g].n;
        r->cells[g].sd = own > 1 ? (double)sqrtl(squares[g] / (own - 1)) : NAN;
        s->within += own > 1 ? squares[g] : 0;
        s->degrees += (double)own - 1;
        s->with_sd += own > 1;
    }
    return ERR_OK;
}

static void sum_means(const double *values, size_t n, const struct bench_consistency *r, struct cell_sums *s)
{
    long double all = (long double)n, benches = (long double)r->benches, spread = 0, noise;
    for (size_t i = 0; i < n; i++)
        spread = fmaxl(spread, fabsl((long double)values[i] - values[0]));
    for (size_t g = 0; g < r->benches; g++) {
        s->mean += s->means[g] / benches;
        s->weighted_mean += s->means[g] * (long double)r->cells[g].n / all;
    }
    for (size_t g = 0; g < r->benches; g++) {
        long double apart = s->means[g] - s->mean, weighted = s->means[g] - s->weighted_mean;
        s->square += apart * apart;
        s->between += (long double)r->cells[g].n * weighted * weighted;
    }
    /* The same values in another order: their means differ in the last digit of the sum, which is nothing. */
    noise = 16 * LDBL_EPSILON * spread;
    if (s->square <= benches * noise * noise)
        s->square = s->between = 0;
}

static size_t commonest_n(const struct bench_consistency *r)
{
    size_t best = 0, best_cells = 0;
    for (size_t g = 0; g < r->benches; g++) {
        size_t n = r->cells[g].n, cells = 0;
        for (size_t j = 0; j < r->benches; j++)
            cells += r->cells[j].n == n;
        if (n > 1 && (cells > best_cells || (cells == best_cells && n < best))) {
            best = n;
            best_cells = cells;
        }
    }
    return best;
}

/* Mandel's h and k, and Cochran's test of the greatest sd. */
static void check_scatter(struct bench_consistency *r, const struct cell_sums *s)
{
    double common = (double)r->common_n;
    long double squares = 0, share;
    for (size_t g = 0; g < r->benches; g++)
        squares += r->cells[g].n > 1 ? (long double)r->cells[g].sd * r->cells[g].sd : 0;
    r->h_critical_5 = bench_mandel_h_critical(r->benches, 0.05);
    r->h_critical_1 = bench_mandel_h_critical(r->benches, 0.01);
    r->k_critical_5 = bench_mandel_k_critical(s->with_sd, common, 0.05);
    r->k_critical_1 = bench_mandel_k_critical(s->with_sd, common, 0.01);
    r->cochran.critical_5 = bench_cochran_critical(s->with_sd, common, 0.05);
    r->cochran.critical_1 = bench_cochran_critical(s->with_sd, common, 0.01);
    r->cochran.present = s->with_sd > 1 && squares > 0;
    r->cochran.statistic = r->cochran.present ? 0 : NAN;
    for (size_t g = 0; g < r->benches; g++) {
        struct bench_cell *c = &r->cells[g];
        c->h = r->sd_of_means > 0 ? (double)(s->means[g] - s->mean) / r->sd_of_means : NAN;
        c->h_mark = mark_above(fabs(c->h), r->h_critical_5, r->h_critical_1);
        share = c->n > 1 && squares > 0 ? c->sd * (c->sd / squares) : NAN;
        c->k = (double)sqrtl(share * (long double)s->with_sd);
        c->k_mark = mark_above(c->k, r->k_critical_5, r->k_critical_1);
        if (r->cochran.present && share > r->cochran.statistic) {
            r->cochran.statistic = (double)share;
            r->cochran.bench = g;
        }
    }
    r->cochran.mark = mark_above(r->cochran.statistic, r->cochran.critical_5, r->cochran.critical_1);
}

/* Of the means, times sign: the greatest. */
static struct bench_check grubbs_of_one(const struct bench_consistency *r, const struct cell_sums *s,
                                        int sign)
{
    struct bench_check c = {.statistic = NAN,
                            .critical_5 = bench_grubbs_critical(r->benches, 0.05),
                            .critical_1 = bench_grubbs_critical(r->benches, 0.01)};
    c.present = r->benches > 2 && r->sd_of_means > 0;
    if (!c.present)
        return c;
    for (size_t g = 1; g < r->benches; g++) {
        if (sign * s->means[g] > sign * s->means[c.bench])
            c.bench = g;
    }
    c.statistic = sign * (double)(s->means[c.bench] - s->mean) / r->sd_of_means;
    c.mark = mark_above(c.statistic, c.critical_5, c.critical_1);
    return c;
}

/* Of the two greatest means, times sign, of which the greatest is known. */
static struct bench_check grubbs_of_two(const struct bench_consistency *r, const struct cell_sums *s,
                                        const struct bench_check *one, int sign)
{
    struct bench_check c = {.statistic = NAN, .bench = one->bench, .other = one->bench == 0 ? 1 : 0};
    long double sum = 0, square = 0;
    c.critical_5 = bench_grubbs_double_critical(r->benches, 0.05);
    c.critical_1 = bench_grubbs_double_critical(r->benches, 0.01);
    c.present = isfinite(c.critical_5) && isfinite(c.critical_1) && r->sd_of_means > 0;
    if (!c.present)
        return c;
    for (size_t g = 0; g < r->benches; g++) {
        if (g != c.bench && sign * s->means[g] > sign * s->means[c.other])
            c.other = g;
    }
    for (size_t g = 0; g < r->benches; g++)
        sum += g == c.bench || g == c.other ? 0 : s->means[g];
    sum /= (long double)(r->benches - 2);
    for (size_t g = 0; g < r->benches; g++) {
        long double apart = s->means[g] - sum;
        square += g == c.bench || g == c.other ? 0 : apart * apart;
    }
    c.statistic = (double)(square / s->square);
    c.mark = mark_above(-c.statistic, -c.critical_5, -c.critical_1);
    return c;
}

enum err_code bench_consistency(const double *values, const size_t *bench, size_t n, size_t benches,
                                struct bench_consistency *result, struct err *e)
{
    struct cell_sums s = {0};
    double all = (double)n, squares_of_n = 0;
    long double between;
    enum err_code code;
    memset(result, 0, sizeof *result);
    if (benches < 2 || benches > BENCH_CONSISTENCY_MAX)
        return err_set(e, ERR_CALLER, "%zu benches; 2 to %d can be held against each other", benches,
                       BENCH_CONSISTENCY_MAX);
    result->benches = benches;
    result->values = n;
    code = sum_cells(values, bench, n, result, &s, e);
    if (code != ERR_OK)
        return code;
    if (s.with_sd == 0)
        return err_set(e, ERR_NO_ANSWER,
                       "no bench has two values, so nothing says how far one bench repeats itself");
    sum_means(values, n, result, &s);
    if (s.within == 0 && s.square == 0)
        return err_set(e, ERR_NO_ANSWER, "all values are the same; there is no scatter to split");
    for (size_t g = 0; g < benches; g++)
        squares_of_n += (double)result->cells[g].n * (double)result->cells[g].n;
    result->mean = (double)(values[0] + s.weighted_mean);
    result->sd_of_means = (double)sqrtl(s.square / (long double)(benches - 1));
    result->effective_n = (all - squares_of_n / all) / ((double)benches - 1);
    result->repeatability_sd = (double)sqrtl(s.within / s.degrees);
    between = (s.between / (long double)(benches - 1) - s.within / s.degrees) / result->effective_n;
    result->between_clamped = between < 0;
    result->between_sd = (double)sqrtl(fmaxl(0, between));
    result->reproducibility_sd = hypot(result->repeatability_sd, result->between_sd);
    result->repeatability_limit = LIMIT_FACTOR * result->repeatability_sd;
    result->reproducibility_limit = LIMIT_FACTOR * result->reproducibility_sd;
    if (!isfinite(result->reproducibility_limit) || !isfinite(result->sd_of_means))
        return err_set(e, ERR_NO_ANSWER, "the values are too great to be worked with");
    result->common_n = commonest_n(result);
    check_scatter(result, &s);
    result->grubbs_low = grubbs_of_one(result, &s, -1);
    result->grubbs_high = grubbs_of_one(result, &s, 1);
    result->grubbs_two_low = grubbs_of_two(result, &s, &result->grubbs_low, -1);
    result->grubbs_two_high = grubbs_of_two(result, &s, &result->grubbs_high, 1);
    return ERR_OK;
}
