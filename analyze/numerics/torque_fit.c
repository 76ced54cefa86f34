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
#include "analyze/numerics/torque_fit.h"

#include "analyze/numerics/censored_fit.h"

#include <gsl/gsl_eigen.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_matrix.h>
#include <gsl/gsl_min.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Shape limits: w tau of the middle speed from 1e-4 (no inductance seen) to 100 (no resistance seen). */
static const double PHI_LOW = 1e-8, PHI_HIGH = 1 - 1e-4;
static const double IMPOSSIBLE = -1e300;
/* Half of chi-squared (0.95, 1 degree of freedom): a flat part must better the logarithm of the likelihood by
 * this. Otherwise the noise of the slowest points would now and then be taken for one, and would promise to
 * know torques that nobody saw. */
static const double FLAT_PART_WANTED = 1.92;
#define ALL_MAX (TORQUE_FIT_PARAMETERS_MAX + 1)

struct point {
    double r, y; /* speed and torque, scaled */
    bool at_least;
};

struct speed {
    double r;
    size_t first;         /* its first point */
    size_t uncensored_to; /* uncensored points at this speed and below */
    size_t speeds_from;   /* speeds from this one on that have an uncensored point */
};

/* Scaled answer. flat_count points lie on the flat part; tied: T0 is P at speed number knot. */
struct answer {
    double log_likelihood, sigma;
    double t0, alpha, beta, phi; /* for the linear models: t0, and alpha the droop over the middle speed */
    size_t flat_count, knot;
    bool tied;
};

struct problem {
    struct point *points;
    struct speed *speeds;
    double *columns; /* n rows of CENSORED_FIT_COLUMNS_MAX */
    double *y;       /* as in points */
    bool *at_least;
    size_t n, speed_count, uncensored;
    size_t corners_tried; /* speeds up to which a corner is looked for: 1 means no flat part */
    double middle_rad_s, largest_nm;
    struct answer best; /* of all phi tried so far */
};

/* ---- the pull-out curve at a held shape
 * -------------------------------------------------------------------------------------- */

static double shape(double phi, double r)
{
    return 1 - phi + phi * r * r;
}

static double pull_out(const struct answer *a, double r)
{
    double s = shape(a->phi, r);
    return a->alpha / sqrt(s) - a->beta * r / s;
}

static void keep_better(struct answer *best, const struct answer *candidate)
{
    if (candidate->log_likelihood > best->log_likelihood && candidate->t0 > 0 && candidate->alpha > 0)
        *best = *candidate;
}

static bool fit_columns(const struct problem *p, size_t q, double *theta, double *sigma,
                        double *log_likelihood)
{
    struct censored_points points = {p->columns, p->y, p->at_least, p->n};
    return censored_fit(&points, q, theta, sigma, log_likelihood);
}

/* One candidate: flat up to speed number `gap` - 1, falling from `gap` on. beta is left out when with_beta is
 * false. */
static void try_gap(struct problem *p, size_t gap, double phi, bool with_beta, struct answer *best)
{
    double theta[CENSORED_FIT_COLUMNS_MAX] = {0};
    struct answer a = {.phi = phi, .flat_count = p->speeds[gap].first};
    for (size_t i = 0; i < p->n; i++) {
        double *x = p->columns + i * CENSORED_FIT_COLUMNS_MAX, r = p->points[i].r, s = shape(phi, r);
        bool flat = i < a.flat_count;
        x[0] = flat ? 1 : 0;
        x[1] = flat ? 0 : 1 / sqrt(s);
        x[2] = flat ? 0 : -r / s;
    }
    if (!fit_columns(p, with_beta ? 3 : 2, theta, &a.sigma, &a.log_likelihood))
        return;
    a.t0 = theta[0];
    a.alpha = theta[1];
    a.beta = theta[2];
    if (a.beta < 0)
        try_gap(p, gap, phi, false, best);
    else if (pull_out(&a, p->speeds[gap - 1].r) >= a.t0 && pull_out(&a, p->speeds[gap].r) <= a.t0)
        keep_better(best, &a);
}

/* One candidate: the corner on speed number `knot`, so that the model is P at the greater of r and that
 * speed. */
static void try_knot(struct problem *p, size_t knot, double phi, bool with_beta, struct answer *best)
{
    double theta[CENSORED_FIT_COLUMNS_MAX] = {0};
    struct answer a = {.phi = phi, .knot = knot, .tied = true};
    for (size_t i = 0; i < p->n; i++) {
        double *x = p->columns + i * CENSORED_FIT_COLUMNS_MAX, r = fmax(p->points[i].r, p->speeds[knot].r),
               s = shape(phi, r);
        x[0] = 1 / sqrt(s);
        x[1] = -r / s;
    }
    if (!fit_columns(p, with_beta ? 2 : 1, theta, &a.sigma, &a.log_likelihood))
        return;
    a.alpha = theta[0];
    a.beta = theta[1];
    a.t0 = pull_out(&a, p->speeds[knot].r);
    if (a.beta < 0)
        try_knot(p, knot, phi, false, best);
    else
        keep_better(best, &a);
}

static size_t speeds_from(const struct problem *p, size_t speed)
{
    return speed < p->speed_count ? p->speeds[speed].speeds_from : 0;
}

/* For the minimiser: minus the best log likelihood at this shape. */
static double minus_profile(double phi, void *problem)
{
    struct problem *p = problem;
    struct answer best = {.log_likelihood = IMPOSSIBLE};
    for (size_t k = 0; k < p->corners_tried; k++) {
        if (k > 0 && p->speeds[k - 1].uncensored_to > 0 && speeds_from(p, k) >= 3)
            try_gap(p, k, phi, true, &best);
        if (speeds_from(p, k + 1) + (p->speeds[k].uncensored_to > 0) >= 3)
            try_knot(p, k, phi, true, &best);
    }
    keep_better(&p->best, &best);
    return -best.log_likelihood;
}

/* Refine a bracket low < middle < high with the least value at middle. */
static void refine_shape(struct problem *p, double low, double middle, double high)
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

/* The profile may have more than one hill: a grid finds them, and every hill within reach of the best is
 * climbed. */
static void search_shape(struct problem *p)
{
    static const double grid[] = {PHI_LOW, .003, .01, .03, .07, .15, .25,  .37,  .5,      .63,
                                  .75,     .85,  .92, .96, .98, .99, .996, .999, PHI_HIGH};
    enum { COUNT = sizeof grid / sizeof grid[0] };
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

/* ---- observed information ---- */

/* Slopes of the scaled model at r against its parameters (t0, alpha, beta, phi) and, for the falling part,
 * the second derivatives, all of which have phi in them: second[k] is that of parameter k and phi. */
static double model_slopes(const struct problem *p, enum torque_fit_model model, const struct answer *a,
                           size_t i, double *slope, double *second)
{
    double r = p->points[i].r, s, ds, c, c1, c2;
    memset(slope, 0, TORQUE_FIT_PARAMETERS_MAX * sizeof *slope);
    memset(second, 0, TORQUE_FIT_PARAMETERS_MAX * sizeof *second);
    if (model != TORQUE_FIT_PULL_OUT || (!a->tied && i < a->flat_count)) {
        slope[0] = 1;
        slope[1] = model == TORQUE_FIT_DROOP ? -r : 0;
        return a->t0 + slope[1] * a->alpha;
    }
    if (a->tied)
        r = fmax(r, p->speeds[a->knot].r);
    s = shape(a->phi, r);
    ds = r * r - 1;
    c = 1 / sqrt(s);
    c1 = -ds / 2 * c / s;
    c2 = r * ds / s / s;
    slope[1] = c;
    slope[2] = -r / s;
    slope[3] = a->alpha * c1 + a->beta * c2;
    second[1] = c1;
    second[2] = c2;
    second[3] = a->alpha * 0.75 * ds * ds * c / s / s - a->beta * 2 * r * ds * ds / s / s / s;
    return a->alpha * c - a->beta * r / s;
}

/* Minus the second derivatives of the log likelihood against (t0, alpha, beta, phi, log sigma). */
static void information(const struct problem *p, enum torque_fit_model model, const struct answer *a,
                        bool curved, double matrix[ALL_MAX][ALL_MAX])
{
    const size_t last = ALL_MAX - 1;
    memset(matrix, 0, sizeof(double) * ALL_MAX * ALL_MAX);
    for (size_t i = 0; i < p->n; i++) {
        double slope[TORQUE_FIT_PARAMETERS_MAX], second[TORQUE_FIT_PARAMETERS_MAX], u, rate, rate_slope = 1;
        u = rate = (p->points[i].y - model_slopes(p, model, a, i, slope, second)) / a->sigma;
        if (p->points[i].at_least)
            censored_fit_log_survival(u, &rate, &rate_slope);
        for (size_t j = 0; j < last; j++) {
            double cross = (rate_slope * u + rate) * slope[j] / a->sigma;
            for (size_t k = 0; k < last; k++)
                matrix[j][k] += rate_slope * slope[j] * slope[k] / a->sigma / a->sigma;
            if (curved) {
                matrix[j][3] -= rate * second[j] / a->sigma;
                matrix[3][j] -= j == 3 ? 0 : rate * second[j] / a->sigma;
            }
            matrix[j][last] += cross;
            matrix[last][j] += cross;
        }
        matrix[last][last] += (rate_slope * u + rate) * u;
    }
}

/* Inverse of the rows and columns in use, after scaling to a unit diagonal. Directions in which the points
 * say nothing (eigenvalue 0 to rounding) are left out when `cut`; otherwise they make it fail. */
static bool invert_information(double matrix[ALL_MAX][ALL_MAX], const bool *used, bool cut,
                               double inverse[ALL_MAX][ALL_MAX])
{
    double packed[ALL_MAX * ALL_MAX], value[ALL_MAX], vector[ALL_MAX * ALL_MAX], scale[ALL_MAX];
    size_t place[ALL_MAX], q = 0;
    gsl_matrix_view a, v;
    gsl_vector_view w;
    gsl_eigen_symmv_workspace *workspace;
    int status;
    memset(inverse, 0, sizeof(double) * ALL_MAX * ALL_MAX);
    for (size_t j = 0; j < ALL_MAX; j++) {
        if (used[j])
            place[q++] = j;
    }
    for (size_t j = 0; j < q; j++) {
        if (!(matrix[place[j]][place[j]] > 0))
            return false;
        scale[j] = 1 / sqrt(matrix[place[j]][place[j]]);
    }
    for (size_t j = 0; j < q; j++) {
        for (size_t k = 0; k < q; k++)
            packed[j * q + k] = matrix[place[j]][place[k]] * scale[j] * scale[k];
    }
    a = gsl_matrix_view_array(packed, q, q);
    v = gsl_matrix_view_array(vector, q, q);
    w = gsl_vector_view_array(value, q);
    workspace = gsl_eigen_symmv_alloc(q);
    if (workspace == NULL)
        return false;
    status = gsl_eigen_symmv(&a.matrix, &w.vector, &v.matrix, workspace);
    gsl_eigen_symmv_free(workspace);
    if (status != GSL_SUCCESS)
        return false;
    for (size_t k = 0; k < q; k++) {
        if (!(value[k] > 1e-12)) {
            if (!cut)
                return false;
            continue;
        }
        for (size_t i = 0; i < q; i++) {
            for (size_t j = 0; j < q; j++)
                inverse[place[i]][place[j]] +=
                    vector[i * q + k] * vector[j * q + k] / value[k] * scale[i] * scale[j];
        }
    }
    return true;
}

/* ---- from the scaled answer to torques and speeds ---- */

/* Where the corner is on a speed of the points, those points are taken as flat when the rest still determines
 * the falling part, else as falling when something below determines the flat part, else T0 follows from the
 * falling part alone. */
static void settle_corner(const struct problem *p, struct answer *a)
{
    size_t k = a->knot;
    if (!a->tied || k == 0)
        return;
    if (p->speeds[k].uncensored_to > 0 && speeds_from(p, k + 1) >= 3) {
        a->tied = false;
        a->flat_count = p->speeds[k + 1].first;
    } else if (p->speeds[k - 1].uncensored_to > 0 && speeds_from(p, k) >= 3) {
        a->tied = false;
        a->flat_count = p->speeds[k].first;
    }
}

static enum err_code fill_covariance(const struct problem *p, const struct answer *a, struct torque_fit *fit,
                                     struct err *e)
{
    double matrix[ALL_MAX][ALL_MAX], inverse[ALL_MAX][ALL_MAX],
        back[TORQUE_FIT_PARAMETERS_MAX][TORQUE_FIT_PARAMETERS_MAX] = {{0}};
    double widen = (double)p->uncensored / fit->degrees_of_freedom, y = p->largest_nm, w = p->middle_rad_s;
    bool used[ALL_MAX] = {false};
    used[ALL_MAX - 1] = a->sigma > 10 * CENSORED_FIT_SIGMA_LEAST;
    if (fit->model == TORQUE_FIT_PULL_OUT) {
        double z2 = 1 / (1 - a->phi), z = sqrt(z2);
        fit->parameters[0] = y * a->t0;
        fit->parameters[1] = y * a->alpha * z;
        fit->parameters[2] = y * a->beta * z2 / w;
        fit->parameters[3] = sqrt(a->phi * z2) / w;
        used[0] = !a->tied;
        used[1] = used[2] = used[3] = true;
        back[0][0] = y;
        back[1][1] = y * z;
        back[1][3] = y * a->alpha * z * z2 / 2;
        back[2][2] = y * z2 / w;
        back[2][3] = y * a->beta * z2 * z2 / w;
        back[3][3] = z2 * z2 / 2 / sqrt(a->phi * z2) / w;
        if (a->tied) {
            double second[TORQUE_FIT_PARAMETERS_MAX], slope[TORQUE_FIT_PARAMETERS_MAX];
            model_slopes(p, fit->model, a, p->speeds[a->knot].first, slope, second);
            for (size_t j = 1; j < TORQUE_FIT_PARAMETERS_MAX; j++)
                back[0][j] = y * slope[j];
        }
    } else {
        fit->parameters[0] = y * a->t0;
        fit->parameters[1] = y * a->alpha / w;
        for (size_t j = 0; j < fit->p; j++) {
            used[j] = true;
            back[j][j] = j == 0 ? y : y / w;
        }
    }
    /* The observed information need not be positive when the shape is at a limit: then without the curvature
     * of the model, which always is. */
    information(p, fit->model, a, true, matrix);
    if (!invert_information(matrix, used, false, inverse)) {
        information(p, fit->model, a, false, matrix);
        if (!invert_information(matrix, used, true, inverse))
            return err_set(e, ERR_NO_ANSWER,
                           "the points do not determine the uncertainty of the torque curve");
    }
    for (size_t i = 0; i < fit->p; i++) {
        for (size_t j = 0; j < fit->p; j++) {
            for (size_t k = 0; k < TORQUE_FIT_PARAMETERS_MAX; k++) {
                for (size_t l = 0; l < TORQUE_FIT_PARAMETERS_MAX; l++)
                    fit->covariance[i][j] += widen * back[i][k] * inverse[k][l] * back[j][l];
            }
        }
    }
    return ERR_OK;
}

static enum err_code fit_points(struct problem *p, enum torque_fit_model model, struct torque_fit *fit,
                                struct err *e)
{
    double parameters, n = (double)p->n;
    p->best.log_likelihood = IMPOSSIBLE;
    if (model == TORQUE_FIT_PULL_OUT) {
        struct answer without_flat;
        p->corners_tried = 1;
        search_shape(p);
        without_flat = p->best;
        p->corners_tried = p->speed_count;
        search_shape(p);
        if (p->best.log_likelihood < without_flat.log_likelihood + FLAT_PART_WANTED)
            p->best = without_flat;
    } else {
        double theta[CENSORED_FIT_COLUMNS_MAX] = {0};
        for (size_t i = 0; i < p->n; i++) {
            p->columns[i * CENSORED_FIT_COLUMNS_MAX] = 1;
            p->columns[i * CENSORED_FIT_COLUMNS_MAX + 1] = -p->points[i].r;
        }
        if (!fit_columns(p, fit->p, theta, &p->best.sigma, &p->best.log_likelihood))
            p->best.log_likelihood = IMPOSSIBLE;
        p->best.t0 = theta[0];
        p->best.alpha = theta[1];
    }
    if (p->best.log_likelihood <= IMPOSSIBLE)
        return err_set(e, ERR_NO_ANSWER, "the points do not determine the %s torque curve",
                       model == TORQUE_FIT_PULL_OUT ? "pull-out"
                       : model == TORQUE_FIT_DROOP  ? "drooping"
                                                    : "constant");
    settle_corner(p, &p->best);
    fit->flat_part_seen = model == TORQUE_FIT_PULL_OUT && !p->best.tied;
    fit->degrees_of_freedom = (double)(p->uncensored - fit->p);
    fit->scatter_nm = p->largest_nm * p->best.sigma * sqrt((double)p->uncensored / fit->degrees_of_freedom);
    fit->log_likelihood = p->best.log_likelihood - (double)p->uncensored * log(p->largest_nm);
    parameters = (double)fit->p + 1;
    fit->aicc =
        2 * parameters - 2 * fit->log_likelihood + 2 * parameters * (parameters + 1) / (n - parameters - 1);
    return fill_covariance(p, &p->best, fit, e);
}

static int compare_points(const void *a, const void *b)
{
    const struct point *p = a, *q = b;
    if (p->r != q->r)
        return p->r < q->r ? -1 : 1;
    if (p->y != q->y)
        return p->y < q->y ? -1 : 1;
    return (int)p->at_least - (int)q->at_least;
}

/* Scale, sort and count. */
static void arrange(struct problem *p, const double *w_rad_s, const double *torque_nm, const bool *at_least)
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
        p->uncensored += !p->points[i].at_least;
    }
    qsort(p->points, p->n, sizeof *p->points, compare_points);
    for (size_t i = 0, seen = 0; i < p->n; i++) {
        p->y[i] = p->points[i].y;
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
        p->speeds[k].speeds_from = speeds_from(p, k + 1) + (p->speeds[k].uncensored_to > below);
    }
}

enum err_code torque_fit(enum torque_fit_model model, const double *w_rad_s, const double *torque_nm,
                         const bool *at_least, size_t n, struct torque_fit *fit, struct err *e)
{
    static const size_t counts[TORQUE_FIT_MODELS] = {1, 2, 4};
    struct problem p = {.n = n};
    enum err_code code;
    if ((int)model < 0 || model >= TORQUE_FIT_MODELS)
        return err_set(e, ERR_CALLER, "there is no torque model %d", (int)model);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(w_rad_s[i]) || !isfinite(torque_nm[i]) || w_rad_s[i] < 0)
            return err_set(e, ERR_NO_ANSWER,
                           "point %zu of the torque curve is not a finite number, or its speed is negative",
                           i + 1);
    }
    memset(fit, 0, sizeof *fit);
    fit->model = model;
    fit->p = counts[model];
    if (n < fit->p + 3)
        return err_set(e, ERR_NO_ANSWER,
                       "%zu points are too few for a torque curve of %zu parameters: it takes %zu", n, fit->p,
                       fit->p + 3);
    p.points = calloc(n, sizeof *p.points);
    p.speeds = calloc(n, sizeof *p.speeds);
    p.columns = calloc(n * CENSORED_FIT_COLUMNS_MAX, sizeof *p.columns);
    p.y = calloc(n, sizeof *p.y);
    p.at_least = calloc(n, sizeof *p.at_least);
    if (p.points == NULL || p.speeds == NULL || p.columns == NULL || p.y == NULL || p.at_least == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", n);
        goto out;
    }
    arrange(&p, w_rad_s, torque_nm, at_least);
    fit->low_rad_s = p.points[0].r * p.middle_rad_s;
    fit->high_rad_s = p.points[n - 1].r * p.middle_rad_s;
    if (p.uncensored < fit->p + 1 || p.speeds[0].speeds_from < fit->p) {
        code = err_set(e, ERR_NO_ANSWER,
                       "only %zu points at %zu speeds are more than lower bounds: a torque curve of %zu "
                       "parameters takes %zu at %zu",
                       p.uncensored, p.speeds[0].speeds_from, fit->p, fit->p + 1, fit->p);
        goto out;
    }
    code = fit_points(&p, model, fit, e);
out:
    free(p.at_least);
    free(p.y);
    free(p.columns);
    free(p.speeds);
    free(p.points);
    return code;
}

/* ---- reading the fitted curve ---- */

/* A / z - B w / z^2 with its slopes against A, B, tau (slope[1] to [3]) and w. */
static double pull_out_at(const struct torque_fit *fit, double w, double *slope, double *slope_w)
{
    double a = fit->parameters[1], b = fit->parameters[2], tau = fit->parameters[3];
    double z2 = 1 + w * w * tau * tau, z = sqrt(z2);
    slope[0] = 0;
    slope[1] = 1 / z;
    slope[2] = -w / z2;
    slope[3] = -a * w * w * tau / z2 / z + 2 * b * w * w * w * tau / z2 / z2;
    *slope_w = -a * w * tau * tau / z2 / z - b / z2 + 2 * b * w * w * tau * tau / z2 / z2;
    return a / z - b * w / z2;
}

static double error_of(const struct torque_fit *fit, const double *slope)
{
    double variance = 0;
    for (size_t i = 0; i < fit->p; i++) {
        for (size_t j = 0; j < fit->p; j++)
            variance += slope[i] * fit->covariance[i][j] * slope[j];
    }
    return sqrt(fmax(0, variance));
}

double torque_fit_at(const struct torque_fit *fit, double w_rad_s, double *standard_error_nm)
{
    double slope[TORQUE_FIT_PARAMETERS_MAX] = {1}, slope_w, value = fit->parameters[0];
    if (fit->model == TORQUE_FIT_DROOP) {
        slope[1] = -w_rad_s;
        value -= fit->parameters[1] * w_rad_s;
    } else if (fit->model == TORQUE_FIT_PULL_OUT) {
        double falling[TORQUE_FIT_PARAMETERS_MAX];
        double limit = pull_out_at(fit, w_rad_s, falling, &slope_w);
        if (limit < value) {
            value = limit;
            memcpy(slope, falling, sizeof slope);
        }
    }
    if (standard_error_nm != NULL)
        *standard_error_nm = error_of(fit, slope);
    return value;
}

bool torque_fit_corner(const struct torque_fit *fit, double *w_rad_s, double *standard_error_rad_s)
{
    double slope[TORQUE_FIT_PARAMETERS_MAX], slope_w, low = fit->low_rad_s, high = fit->high_rad_s;
    /* P falls wherever it is positive, so that a change of side shows one corner. */
    if (fit->model != TORQUE_FIT_PULL_OUT || !fit->flat_part_seen ||
        pull_out_at(fit, low, slope, &slope_w) <= fit->parameters[0] ||
        pull_out_at(fit, high, slope, &slope_w) >= fit->parameters[0])
        return false;
    for (int i = 0; i < 200 && high - low > 1e-14 * high; i++) {
        double middle = low / 2 + high / 2;
        *(pull_out_at(fit, middle, slope, &slope_w) > fit->parameters[0] ? &low : &high) = middle;
    }
    *w_rad_s = low / 2 + high / 2;
    pull_out_at(fit, *w_rad_s, slope, &slope_w);
    slope[0] = -1; /* d w = (d T0 - d P) / P'(w) */
    *standard_error_rad_s = error_of(fit, slope) / fabs(slope_w);
    return true;
}
