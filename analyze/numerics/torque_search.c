/* How it works. Speeds are divided by a middle speed and torques by the largest, and the pull-out curve is
 * written as P(r) = alpha / sqrt(s) - beta r / s,   s = 1 - phi + phi r^2,   0 < phi < 1, which is A / z - B
 * w / z^2 with r = w / w_middle and phi = (w_middle tau)^2 / (1 + (w_middle tau)^2): a bounded shape and two
 * linear parameters, so that the ridge along which A and tau grow together is no ridge any more. P falls
 * wherever it is positive.
 *
 * For a held phi the rest is a censored linear regression, whose likelihood is concave in theta / sigma and 1
 * / sigma (Olsen, Econometrica 46 (1978) 1211-1215): Newton steps from anywhere find its one maximum. Where
 * the flat part ends is found as for a broken line: for each gap between neighbouring speeds the flat and the
 * falling part are free, and if they do not meet inside the gap its best is on one of its two speeds, where
 * T0 = P. All gaps and speeds are tried. What is left is one search over phi. */
#include "analyze/numerics/torque_search.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_min.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Half of chi-squared (0.95, 1 degree of freedom): a flat part must better the logarithm of the likelihood by
 * this. Otherwise the noise of the slowest points would now and then be taken for one, and would promise to
 * know torques that nobody saw. */
static const double FLAT_PART_WANTED = 1.92;

double torque_search_shape(double phi, double r)
{
    return 1 - phi + phi * r * r;
}

double torque_search_falling(const struct torque_search_answer *a, double r)
{
    double s = torque_search_shape(a->phi, r);
    return a->alpha / sqrt(s) - a->beta * r / s;
}

static void keep_better(struct torque_search_answer *best, const struct torque_search_answer *candidate)
{
    if (candidate->log_likelihood > best->log_likelihood && candidate->t0 > 0 && candidate->alpha > 0)
        *best = *candidate;
}

static bool fit_columns(const struct torque_search *p, size_t q, double *theta, double *sigma,
                        double *log_likelihood)
{
    struct censored_points points = {p->columns, p->y, p->at_least, p->n};
    return censored_fit(&points, q, theta, sigma, log_likelihood);
}

/* One candidate: flat up to speed number `gap` - 1, falling from `gap` on. beta is left out when with_beta is
 * false. */
static void try_gap(struct torque_search *p, size_t gap, double phi, bool with_beta,
                    struct torque_search_answer *best)
{
    double theta[CENSORED_FIT_COLUMNS_MAX] = {0};
    struct torque_search_answer a = {.phi = phi, .flat_count = p->speeds[gap].first};
    for (size_t i = 0; i < p->n; i++) {
        double *x = p->columns + i * CENSORED_FIT_COLUMNS_MAX, r = p->points[i].r,
               s = torque_search_shape(phi, r);
        bool flat = i < a.flat_count;
        double scale = p->points[i].scale;
        x[0] = flat ? 1 / scale : 0;
        x[1] = flat ? 0 : 1 / sqrt(s) / scale;
        x[2] = flat ? 0 : -r / s / scale;
    }
    if (!fit_columns(p, with_beta ? 3 : 2, theta, &a.sigma, &a.log_likelihood))
        return;
    a.t0 = theta[0];
    a.alpha = theta[1];
    a.beta = theta[2];
    if (a.beta < 0)
        try_gap(p, gap, phi, false, best);
    else if (torque_search_falling(&a, p->speeds[gap - 1].r) >= a.t0 &&
             torque_search_falling(&a, p->speeds[gap].r) <= a.t0)
        keep_better(best, &a);
}

bool torque_search_held(struct torque_search *p, double corner, double phi, bool with_beta,
                        struct torque_search_answer *a)
{
    double theta[CENSORED_FIT_COLUMNS_MAX] = {0};
    *a = (struct torque_search_answer){.phi = phi, .tied = true};
    for (size_t i = 0; i < p->n; i++) {
        double *x = p->columns + i * CENSORED_FIT_COLUMNS_MAX, r = fmax(p->points[i].r, corner);
        double s = torque_search_shape(phi, r), scale = p->points[i].scale;
        x[0] = 1 / sqrt(s) / scale;
        x[1] = -r / s / scale;
    }
    if (!fit_columns(p, with_beta ? 2 : 1, theta, &a->sigma, &a->log_likelihood))
        return false;
    a->alpha = theta[0];
    a->beta = theta[1];
    a->t0 = torque_search_falling(a, corner);
    return a->beta >= 0 || torque_search_held(p, corner, phi, false, a);
}

/* One candidate: the corner on speed number `knot`. */
static void try_knot(struct torque_search *p, size_t knot, double phi, struct torque_search_answer *best)
{
    struct torque_search_answer a;
    if (!torque_search_held(p, p->speeds[knot].r, phi, true, &a))
        return;
    a.knot = knot;
    keep_better(best, &a);
}

size_t torque_search_speeds_from(const struct torque_search *p, size_t speed)
{
    return speed < p->speed_count ? p->speeds[speed].speeds_from : 0;
}

/* For the minimiser: minus the best log likelihood at this shape. */
static double minus_profile(double phi, void *problem)
{
    struct torque_search *p = problem;
    struct torque_search_answer best = {.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE};
    for (size_t k = 0; k < p->corners_tried; k++) {
        if (k > 0 && p->speeds[k - 1].uncensored_to > 0 && torque_search_speeds_from(p, k) >= 3)
            try_gap(p, k, phi, true, &best);
        if (torque_search_speeds_from(p, k + 1) + (p->speeds[k].uncensored_to > 0) >= 3)
            try_knot(p, k, phi, &best);
    }
    keep_better(&p->best, &best);
    return -best.log_likelihood;
}

/* Refine a bracket low < middle < high with the least value at middle. */
static void refine_shape(struct torque_search *p, double low, double middle, double high)
{
    gsl_function f = {minus_profile, p};
    gsl_min_fminimizer *minimiser = gsl_min_fminimizer_alloc(gsl_min_fminimizer_brent);
    if (minimiser == NULL)
        return; /* p->best still holds the best of the grid */
    if (gsl_min_fminimizer_set(minimiser, &f, middle, low, high) == GSL_SUCCESS) {
        for (int i = 0; i < 60; i++) {
            if (gsl_min_fminimizer_iterate(minimiser) != GSL_SUCCESS)
                break;
            low = gsl_min_fminimizer_x_lower(minimiser);
            high = gsl_min_fminimizer_x_upper(minimiser);
            if (gsl_min_test_interval(low, high, 1e-10, 1e-10) == GSL_SUCCESS)
                break;
        }
    }
    gsl_min_fminimizer_free(minimiser);
}

const double TORQUE_SEARCH_SHAPES[TORQUE_SEARCH_SHAPE_COUNT] = {TORQUE_SEARCH_PHI_LOW,
                                                                .003,
                                                                .01,
                                                                .03,
                                                                .07,
                                                                .15,
                                                                .25,
                                                                .37,
                                                                .5,
                                                                .63,
                                                                .75,
                                                                .85,
                                                                .92,
                                                                .96,
                                                                .98,
                                                                .99,
                                                                .996,
                                                                .999,
                                                                TORQUE_SEARCH_PHI_HIGH};

/* The profile may have more than one hill: a grid finds them, and every hill within reach of the best is
 * climbed. */
static void search_shape(struct torque_search *p)
{
    const double *grid = TORQUE_SEARCH_SHAPES;
    enum { COUNT = TORQUE_SEARCH_SHAPE_COUNT };
    double value[COUNT], least = INFINITY;
    for (size_t i = 0; i < COUNT; i++) {
        value[i] = minus_profile(grid[i], p);
        least = fmin(least, value[i]);
    }
    for (size_t i = 0; i < COUNT; i++) {
        double left = grid[i > 0 ? i - 1 : 0], right = grid[i + 1 < COUNT ? i + 1 : i], middle = grid[i];
        if (value[i] > least + 5 || (i > 0 && value[i - 1] < value[i]) ||
            (i + 1 < COUNT && value[i + 1] < value[i]))
            continue;
        /* On an edge of the range, go halfway towards it until a point inside is better than the edge. */
        for (int halving = 0; halving < 20 && (i == 0 || i + 1 == COUNT); halving++) {
            middle = left / 2 + right / 2;
            if (minus_profile(middle, p) < value[i])
                break;
            *(i == 0 ? &right : &left) = middle;
        }
        refine_shape(p, left, middle, right);
    }
}

/* Where the corner is on a speed of the points, those points are taken as flat when the rest still determines
 * the falling part, else as falling when something below determines the flat part, else T0 follows from the
 * falling part alone. */
static void settle_corner(const struct torque_search *p, struct torque_search_answer *a)
{
    size_t k = a->knot;
    if (!a->tied || k == 0)
        return;
    if (p->speeds[k].uncensored_to > 0 && torque_search_speeds_from(p, k + 1) >= 3) {
        a->tied = false;
        a->flat_count = p->speeds[k + 1].first;
    } else if (p->speeds[k - 1].uncensored_to > 0 && torque_search_speeds_from(p, k) >= 3) {
        a->tied = false;
        a->flat_count = p->speeds[k].first;
    }
}

static int compare_points(const void *a, const void *b)
{
    const struct torque_search_point *p = a, *q = b;
    if (p->r != q->r)
        return p->r < q->r ? -1 : 1;
    if (p->y != q->y)
        return p->y < q->y ? -1 : 1;
    return (int)p->at_least - (int)q->at_least;
}

void torque_search_pull_out(struct torque_search *p)
{
    struct torque_search_answer without_flat;
    p->best.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE;
    p->corners_tried = 1;
    search_shape(p);
    without_flat = p->best;
    p->corners_tried = p->speed_count;
    search_shape(p);
    if (p->best.log_likelihood < without_flat.log_likelihood + FLAT_PART_WANTED)
        p->best = without_flat;
    settle_corner(p, &p->best);
}

void torque_search_line(struct torque_search *p, size_t parameters)
{
    double theta[CENSORED_FIT_COLUMNS_MAX] = {0};
    p->best = (struct torque_search_answer){.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE};
    for (size_t i = 0; i < p->n; i++) {
        double *x = p->columns + i * CENSORED_FIT_COLUMNS_MAX;
        x[0] = 1 / p->points[i].scale;
        x[1] = -p->points[i].r / p->points[i].scale;
    }
    if (!fit_columns(p, parameters, theta, &p->best.sigma, &p->best.log_likelihood))
        p->best.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE;
    p->best.t0 = theta[0];
    p->best.alpha = theta[1];
}

/* Scale, sort and count. */
static void arrange(struct torque_search *p, const double *w_rad_s, const double *torque_nm,
                    const bool *at_least, const double *scale)
{
    double low = INFINITY, high = 0;
    p->largest_nm = 0;
    for (size_t i = 0; i < p->n; i++) {
        p->largest_nm = fmax(p->largest_nm, fabs(torque_nm[i]));
        high = fmax(high, w_rad_s[i]);
        if (w_rad_s[i] > 0)
            low = fmin(low, w_rad_s[i]);
    }
    p->largest_nm = p->largest_nm > 0 ? p->largest_nm : 1;
    p->middle_rad_s = high > 0 ? sqrt(low) * sqrt(high) : 1;
    for (size_t i = 0; i < p->n; i++) {
        p->points[i].r = w_rad_s[i] / p->middle_rad_s;
        p->points[i].y = torque_nm[i] / p->largest_nm;
        p->points[i].at_least = at_least != NULL && at_least[i];
        p->points[i].scale = scale != NULL ? scale[i] : 1;
        if (!p->points[i].at_least)
            p->log_scales += log(p->points[i].scale);
        p->uncensored += !p->points[i].at_least;
    }
    qsort(p->points, p->n, sizeof *p->points, compare_points);
    for (size_t i = 0, seen = 0; i < p->n; i++) {
        p->y[i] = p->points[i].y / p->points[i].scale;
        p->at_least[i] = p->points[i].at_least;
        if (i == 0 || p->points[i].r != p->points[i - 1].r) {
            p->speeds[p->speed_count].r = p->points[i].r;
            p->speeds[p->speed_count++].first = i;
        }
        seen += !p->points[i].at_least;
        p->speeds[p->speed_count - 1].uncensored_to = seen;
    }
    for (size_t k = p->speed_count; k-- > 0;) {
        size_t below = k > 0 ? p->speeds[k - 1].uncensored_to : 0;
        p->speeds[k].speeds_from = torque_search_speeds_from(p, k + 1) + (p->speeds[k].uncensored_to > below);
    }
}

enum err_code torque_search_begin(struct torque_search *p, const double *w_rad_s, const double *torque_nm,
                                  const bool *at_least, const double *scale, size_t n, struct err *e)
{
    memset(p, 0, sizeof *p);
    p->n = n;
    p->best.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE;
    p->points = calloc(n + 1, sizeof *p->points);
    p->speeds = calloc(n + 1, sizeof *p->speeds);
    p->columns = calloc((n + 1) * CENSORED_FIT_COLUMNS_MAX, sizeof *p->columns);
    p->y = calloc(n + 1, sizeof *p->y);
    p->at_least = calloc(n + 1, sizeof *p->at_least);
    if (p->points == NULL || p->speeds == NULL || p->columns == NULL || p->y == NULL || p->at_least == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", n);
    arrange(p, w_rad_s, torque_nm, at_least, scale);
    return ERR_OK;
}

void torque_search_end(struct torque_search *p)
{
    free(p->at_least);
    free(p->y);
    free(p->columns);
    free(p->speeds);
    free(p->points);
    memset(p, 0, sizeof *p);
}
