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

#include "analyze/numerics/hill.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Half of chi-squared (0.95, 1 degree of freedom): a flat part must better the logarithm of the likelihood by
 * this. Otherwise the noise of the slowest points would now and then be taken for one, and would promise to
 * know torques that nobody saw. */
static const double FLAT_PART_WANTED = 1.92;
/* Hills whose highest shape of the grid is less likely than the best by this are not climbed; a summit is
 * found when the logarithm of the likelihood has no more than this to rise. */
static const double HILL_WANTED = 5, RISE = 1e-8;
static const double PRECISE = 1e-5;
static const double SETTLING = 0.0003; /* of log(phi / (1 - phi)) */
#define FINER 3 /* steps from one shape of the grid to the next where it is looked at again */

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
    size_t known_rows = 0;
    for (size_t i = 0; i < p->row_count; i++)
        known_rows += !p->at_least[i];
    struct censored_points points = {.columns = p->columns,
                                     .y = p->y,
                                     .at_least = p->at_least,
                                     .n = p->row_count,
                                     .more = p->uncensored - known_rows,
                                     .squares = p->squares,
                                     .likely = p->likely};
    return censored_fit(&points, q, theta, sigma, log_likelihood);
}

/* One candidate: flat up to speed number `gap` - 1, falling from `gap` on. beta is left out when with_beta is
 * false. */
static void try_gap(struct torque_search *p, size_t gap, double phi, bool with_beta,
                    struct torque_search_answer *best)
{
    double theta[CENSORED_FIT_COLUMNS_MAX] = {0};
    struct torque_search_answer a = {.phi = phi, .flat_count = p->speeds[gap].first};
    for (size_t i = 0; i < p->row_count; i++) {
        double *x = p->columns + i * CENSORED_FIT_COLUMNS_MAX, r = p->rows[i].r, root = p->rows[i].root,
               s = torque_search_shape(phi, r);
        bool flat = i < p->speeds[gap].first_row;
        x[0] = flat ? root : 0;
        x[1] = flat ? 0 : root / sqrt(s);
        x[2] = flat ? 0 : -r * root / s;
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
    for (size_t i = 0; i < p->row_count; i++) {
        double *x = p->columns + i * CENSORED_FIT_COLUMNS_MAX, r = fmax(p->rows[i].r, corner);
        double s = torque_search_shape(phi, r), root = p->rows[i].root;
        x[0] = root / sqrt(s);
        x[1] = -r * root / s;
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

static bool gap_counts(const struct torque_search *p, size_t k)
{
    return k > 0 && p->speeds[k - 1].uncensored_to > 0 && torque_search_speeds_from(p, k) >= 3;
}

static bool knot_counts(const struct torque_search *p, size_t k)
{
    return torque_search_speeds_from(p, k + 1) + (p->speeds[k].uncensored_to > 0) >= 3;
}

/* The best log likelihood at this shape; into p->best what is better than that. */
static double profile(struct torque_search *p, double phi)
{
    struct torque_search_answer best = {.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE};
    for (size_t k = 0; k < p->corners_tried; k++) {
        if (gap_counts(p, k))
            try_gap(p, k, phi, true, &best);
        if (knot_counts(p, k))
            try_knot(p, k, phi, &best);
    }
    keep_better(&p->best, &best);
    return best.log_likelihood;
}

static void add_speed(struct torque_search_falling_sums *f, double weight, double mean, double x, double z)
{
    double wx = weight * x, wz = weight * z, wy = weight * mean;
    f->xx += wx * x;
    f->xz += wx * z;
    f->zz += wz * z;
    f->xy += wx * mean;
    f->zy += wz * mean;
    f->yy += wy * mean;
}

/* Residual sum of y = alpha x - beta z with beta not below 0; INFINITY where the points do not determine it
 * or alpha is not above 0. */
static double falling_residual(const struct torque_search_falling_sums *f, double *alpha, double *beta)
{
    double determinant = f->xx * f->zz - f->xz * f->xz;
    if (!(determinant > 1e-15 * f->xx * f->zz))
        return INFINITY;
    *alpha = (f->xy * f->zz - f->zy * f->xz) / determinant;
    *beta = (f->xy * f->xz - f->zy * f->xx) / determinant;
    if (*beta < 0) {
        *alpha = f->xy / f->xx;
        *beta = 0;
    }
    return *alpha > 0 ? f->yy - *alpha * f->xy + *beta * f->zy : INFINITY;
}

/* Sums do where no point is a bound, and no point lies so near the curve that rounding of the sums hides it.
 */
static bool sums_do(const struct torque_search *p)
{
    return p->uncensored == p->n && !p->precise;
}

/* A candidate: its corner on speed number k, or in the gap below that. */
struct candidate {
    double residual;
    size_t k;
    bool gap;
};

/* The best of all gaps and knots where no point is a bound, from sums that run from the top speed down. */
static struct candidate best_by_sums(const struct torque_search *p, double phi)
{
    struct torque_search_falling_sums *from = p->from;
    struct candidate best = {.residual = INFINITY};
    from[p->speed_count] = (struct torque_search_falling_sums){0};
    for (size_t k = p->speed_count; k-- > 0;) {
        const struct torque_search_speed *speed = &p->speeds[k];
        double s = torque_search_shape(phi, speed->r);
        from[k] = from[k + 1];
        add_speed(&from[k], speed->weight, speed->mean, 1 / sqrt(s), speed->r / s);
    }
    for (size_t k = 0; k < p->corners_tried; k++) {
        const struct torque_search_speed *speed = &p->speeds[k], *below = k > 0 ? speed - 1 : NULL;
        double s = torque_search_shape(phi, speed->r), x = 1 / sqrt(s), z = speed->r / s, alpha, beta,
               residual;
        /* What the flat part leaves only grows with the points on it. */
        if (below != NULL && below->squares_to >= best.residual)
            break;
        if (below != NULL && gap_counts(p, k) && below->mean_to > 0) {
            double s_below = torque_search_shape(phi, below->r);
            residual = falling_residual(&from[k], &alpha, &beta) + below->squares_to;
            if (residual < best.residual && alpha * x - beta * z <= below->mean_to &&
                alpha / sqrt(s_below) - beta * below->r / s_below >= below->mean_to)
                best = (struct candidate){residual, k, true};
        }
        if (knot_counts(p, k) && speed->squares_to < best.residual) {
            struct torque_search_falling_sums held = from[k + 1];
            add_speed(&held, speed->weight_to, speed->mean_to, x, z);
            residual = falling_residual(&held, &alpha, &beta) + speed->squares_to;
            if (residual < best.residual && alpha * x - beta * z > 0)
                best = (struct candidate){residual, k, false};
        }
    }
    return best;
}

static double profile_by_sums(const struct torque_search *p, double phi)
{
    struct candidate best = best_by_sums(p, phi);
    double m = (double)p->uncensored, squares = fmax(0, best.residual) + p->squares;
    double sigma = fmax(CENSORED_FIT_SIGMA_LEAST, sqrt(squares / m));
    if (!(best.residual < INFINITY))
        return TORQUE_SEARCH_IMPOSSIBLE;
    return -m * (log(sigma) + M_LN2 / 2 + log(M_PI) / 2) - squares / sigma / sigma / 2;
}

/* The candidate from the points themselves, in which less cancels than in the sums. */
static struct torque_search_answer try_candidate(struct torque_search *p, const struct candidate *c,
                                                 double phi)
{
    struct torque_search_answer answer = {.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE};
    if (c->residual < INFINITY && c->gap)
        try_gap(p, c->k, phi, true, &answer);
    else if (c->residual < INFINITY)
        try_knot(p, c->k, phi, &answer);
    return answer;
}

static double from_logit(double logit)
{
    return logit < 0 ? exp(logit) / (1 + exp(logit)) : 1 / (1 + exp(-logit));
}

static double height_of_shape(double logit, void *search)
{
    struct torque_search *p = search;
    double phi = from_logit(logit);
    return sums_do(p) ? profile_by_sums(p, phi) : profile(p, phi);
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

/* The summit at `top`, as far as the sums showed it, into p->best: one more parabola from the points
 * themselves. */
static void settle_shape(struct torque_search *p, double top)
{
    struct torque_search_answer at, left, right, better;
    struct candidate c;
    double fall_left, fall_right;
    if (!sums_do(p)) {
        profile(p, from_logit(top));
        return;
    }
    c = best_by_sums(p, from_logit(top));
    at = try_candidate(p, &c, from_logit(top));
    if (at.log_likelihood <= TORQUE_SEARCH_IMPOSSIBLE) {
        profile(p, from_logit(top));
        return;
    }
    keep_better(&p->best, &at);
    left = try_candidate(p, &c, from_logit(top - SETTLING));
    right = try_candidate(p, &c, from_logit(top + SETTLING));
    fall_left = at.log_likelihood - left.log_likelihood;
    fall_right = at.log_likelihood - right.log_likelihood;
    if (left.log_likelihood <= TORQUE_SEARCH_IMPOSSIBLE || right.log_likelihood <= TORQUE_SEARCH_IMPOSSIBLE ||
        !(fall_left + fall_right > 0) || !(fabs(fall_left - fall_right) < 8 * (fall_left + fall_right)))
        return;
    top += SETTLING / 2 * (fall_left - fall_right) / (fall_left + fall_right);
    better = try_candidate(p, &c, fmin(TORQUE_SEARCH_PHI_HIGH, fmax(TORQUE_SEARCH_PHI_LOW, from_logit(top))));
    keep_better(&p->best, &better);
}

/* Climbs what summits there are between two neighbours of a shape of the grid: as many as the corner has gaps
 * to lie in, where the points are precise. */
static void climb_between(const struct hill *hill, const double logit[3], const double value[3], double *top,
                          double *top_value)
{
    enum { COUNT = 2 * FINER + 1 };
    double x[COUNT], y[COUNT];
    size_t n = 0;
    for (size_t i = 0; i < 2; i++) {
        for (int k = 0; k < FINER && logit[i] < logit[i + 1]; k++) {
            x[n] = logit[i] + (logit[i + 1] - logit[i]) * k / FINER;
            y[n] = k == 0 ? value[i] : hill->height(x[n], hill->context);
            n++;
        }
    }
    x[n] = logit[2];
    y[n++] = value[2];
    for (size_t i = 0; i < n; i++) {
        size_t left = i > 0 ? i - 1 : i, right = i + 1 < n ? i + 1 : i;
        double at = x[i], height = y[i];
        if (y[left] > height || y[right] > height)
            continue;
        hill_climb(hill, x[left], y[left], x[right], y[right], RISE, &at, &height);
        if (height > *top_value) {
            *top = at;
            *top_value = height;
        }
    }
}

/* Log likelihood at which the points are by PRECISE of the largest torque off the curve. */
static double precise_height(const struct torque_search *p)
{
    return -(double)p->uncensored * (log(PRECISE) + M_LN2 / 2 + log(M_PI) / 2 + 0.5);
}

/* The profile may have more than one hill: a grid finds them, and every hill that may be the best is climbed,
 * over log(phi / (1 - phi)), in which shapes are spread evenly. */
static void search_shape(struct torque_search *p)
{
    enum { COUNT = TORQUE_SEARCH_SHAPE_COUNT };
    const struct hill hill = {height_of_shape, p};
    double value[COUNT], logit[COUNT], highest = -INFINITY, top = 0, top_value = -INFINITY;
    for (size_t i = 0; i < COUNT; i++) {
        logit[i] = log(TORQUE_SEARCH_SHAPES[i] / (1 - TORQUE_SEARCH_SHAPES[i]));
        value[i] = height_of_shape(logit[i], p);
        highest = fmax(highest, value[i]);
    }
    if (sums_do(p) && highest > precise_height(p)) {
        p->precise = true;
        search_shape(p);
        return;
    }
    for (size_t i = 0; i < COUNT; i++) {
        size_t left = i > 0 ? i - 1 : i, right = i + 1 < COUNT ? i + 1 : i;
        /* What lies between two shapes of the grid may be by as much above them as they are apart. */
        double more = fmax(value[i] - value[left], value[i] - value[right]);
        if (value[i] + more < highest - HILL_WANTED || value[left] > value[i] || value[right] > value[i])
            continue;
        climb_between(&hill, (const double[]){logit[left], logit[i], logit[right]},
                      (const double[]){value[left], value[i], value[right]}, &top, &top_value);
    }
    settle_shape(p, top);
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

double torque_search_likeliest(struct torque_search *p)
{
    struct torque_search_answer *a = &p->best;
    size_t gap = 1;
    double low, high;
    a->log_likelihood = TORQUE_SEARCH_IMPOSSIBLE;
    p->corners_tried = p->speed_count;
    search_shape(p);
    if (a->log_likelihood <= TORQUE_SEARCH_IMPOSSIBLE || a->tied)
        return p->speeds[a->knot].r;
    while (gap + 1 < p->speed_count && p->speeds[gap].first != a->flat_count)
        gap++;
    low = p->speeds[gap - 1].r;
    high = p->speeds[gap].r;
    for (int i = 0; i < 60 && high - low > 1e-15 * high; i++) {
        double middle = low / 2 + high / 2;
        *(torque_search_falling(a, middle) > a->t0 ? &low : &high) = middle;
    }
    return low / 2 + high / 2;
}

void torque_search_line(struct torque_search *p, size_t parameters)
{
    double theta[CENSORED_FIT_COLUMNS_MAX] = {0};
    p->best = (struct torque_search_answer){.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE};
    for (size_t i = 0; i < p->row_count; i++) {
        double *x = p->columns + i * CENSORED_FIT_COLUMNS_MAX;
        x[0] = p->rows[i].root;
        x[1] = -p->rows[i].r * p->rows[i].root;
    }
    if (!fit_columns(p, parameters, theta, &p->best.sigma, &p->best.log_likelihood))
        p->best.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE;
    p->best.t0 = theta[0];
    p->best.alpha = theta[1];
}

/* Points mostly come in order of speed: then few of them have far to go. */
static void sort_points(struct torque_search_point *points, size_t n)
{
    size_t moves = 0;
    for (size_t i = 1; i < n; i++) {
        struct torque_search_point point = points[i];
        size_t j = i;
        for (; j > 0 && moves < 8 * n && compare_points(&point, &points[j - 1]) < 0; j--, moves++)
            points[j] = points[j - 1];
        points[j] = point;
    }
    if (moves >= 8 * n)
        qsort(points, n, sizeof *points, compare_points);
}

/* Rows of one speed, whose points end before `to`. */
static void fill_rows(struct torque_search *p, size_t k, size_t to)
{
    struct torque_search_speed *speed = &p->speeds[k];
    double weights = 0, mean = 0;
    speed->first_row = p->row_count;
    for (size_t i = speed->first; i < to; i++) {
        double root = 1 / p->points[i].scale;
        if (p->points[i].at_least)
            continue;
        weights += root * root;
        mean += root * root * p->points[i].y;
    }
    mean = speed->known > 0 ? mean / weights : 0;
    speed->weight = weights;
    speed->mean = mean;
    speed->weight_to = weights + (k > 0 ? speed[-1].weight_to : 0);
    if (k > 0) {
        double apart = mean - speed[-1].mean_to,
               share = speed->weight_to > 0 ? weights / speed->weight_to : 0;
        speed->mean_to = speed[-1].mean_to + share * apart;
        speed->squares_to = speed[-1].squares_to + speed[-1].weight_to * share * apart * apart;
    } else {
        speed->mean_to = mean;
    }
    if (speed->known > 0) {
        p->rows[p->row_count] = (struct torque_search_row){speed->r, sqrt(weights)};
        p->y[p->row_count++] = mean * sqrt(weights);
    }
    for (size_t i = speed->first; i < to; i++) {
        double root = 1 / p->points[i].scale, off = (p->points[i].y - mean) * root;
        if (!p->points[i].at_least) {
            p->squares += off * off;
            continue;
        }
        p->rows[p->row_count] = (struct torque_search_row){speed->r, root};
        p->at_least[p->row_count] = true;
        p->likely[p->row_count] = NAN;
        p->y[p->row_count++] = p->points[i].y * root;
    }
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
        if (scale != NULL && !p->points[i].at_least)
            p->log_scales += log(scale[i]);
        p->uncensored += !p->points[i].at_least;
    }
    sort_points(p->points, p->n);
    for (size_t i = 0, seen = 0; i < p->n; i++) {
        struct torque_search_speed *speed;
        if (i == 0 || p->points[i].r != p->points[i - 1].r)
            p->speeds[p->speed_count++] = (struct torque_search_speed){.r = p->points[i].r, .first = i};
        speed = &p->speeds[p->speed_count - 1];
        speed->known += !p->points[i].at_least;
        seen += !p->points[i].at_least;
        speed->uncensored_to = seen;
    }
    for (size_t k = 0; k < p->speed_count; k++)
        fill_rows(p, k, k + 1 < p->speed_count ? p->speeds[k + 1].first : p->n);
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
    p->rows = calloc(n + 1, sizeof *p->rows);
    p->likely = calloc(n + 1, sizeof *p->likely);
    p->from = calloc(n + 1, sizeof *p->from);
    p->columns = calloc((n + 1) * CENSORED_FIT_COLUMNS_MAX, sizeof *p->columns);
    p->y = calloc(n + 1, sizeof *p->y);
    p->at_least = calloc(n + 1, sizeof *p->at_least);
    if (p->points == NULL || p->speeds == NULL || p->rows == NULL || p->likely == NULL || p->from == NULL ||
        p->columns == NULL || p->y == NULL || p->at_least == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", n);
    arrange(p, w_rad_s, torque_nm, at_least, scale);
    return ERR_OK;
}

void torque_search_end(struct torque_search *p)
{
    free(p->at_least);
    free(p->y);
    free(p->columns);
    free(p->from);
    free(p->likely);
    free(p->rows);
    free(p->speeds);
    free(p->points);
    memset(p, 0, sizeof *p);
}
