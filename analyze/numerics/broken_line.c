/* How it works (Hudson, J. Am. Stat. Assoc. 61 (1966) 1097-1129). With the points split between two
 * neighbouring distinct x, the least-squares line of each side is free; where the two meet inside the gap,
 * that meeting is the best breakpoint of the gap. Where they meet outside it, the residual sum has no minimum
 * inside the gap and the best of it is one of its two knots. So the minimum over all breakpoints is among the
 * meetings and the knots, and each of these has a closed form in running sums.
 *
 * Few of them need be worked out. A break anywhere in a stretch of points leaves the points before it on one
 * line and those after it on another, so that their two free lines leave at most what any such break leaves:
 * a stretch for which that is more than the best break so far holds no better one. Sums over short blocks
 * rule out nearly all points block by block; the rest are ruled out, or worked out, one by one. The answer is
 * that of all gaps and knots. */
#include "analyze/numerics/broken_line.h"

#include <float.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

/* Distances from one straight line below this part of the range of y are rounding. */
static const double STRAIGHT = 1e-13;
/* A stretch is ruled out only when it is worse by more than rounding: by this part of what the straight line
 * leaves. */
static const long double ROUNDING = 1e-12L;
/* The line taken off fits the points when that much of what is left would go with a better one. */
static const long double WELL_OFF = 1e6L;
static const int LINES_OFF_MAX = 3;

#define BLOCK         64  /* points: fewer mean more blocks to look at, more a bound that rules out less */
#define LANES         4   /* sums that run side by side, since one addition need not wait for another then */
#define REFERENCE_MAX 256 /* points looked at for the line that is taken off */
#define BUCKET_POINTS 2   /* of a bucket, where x is spread evenly */
#define INSERTION_MAX 16  /* points of one bucket that are sorted by insertion */

struct point {
    double x, y;
};

/* Sums over points: u is x and z the distance of y from a line, both scaled. A line taken off changes no
 * residual sum, and leaves sums in which little cancels. */
struct sums {
    long double n, u, z, uu, uz, zz;
};

/* Points sorted by x. Scales are powers of two, so that scaling is exact. */
struct search {
    const double *x, *y;
    size_t n;
    double centre, middle;          /* of x and of y */
    double x_scale, y_scale, range; /* range of y */
    double level, slope;            /* the line that is taken off, in scaled units */
    struct sums *up_to;             /* up_to[b]: points before number b * BLOCK; the last: all */
    size_t blocks;
    long double straight; /* residual sum of one straight line */
};

/* A breakpoint: on the x of point number `last`, the last one of the left side, or in the gap after it. */
struct found {
    long double residual;
    size_t last;
    bool inside;
};

/* ---- sorted points ---- */

/* Whether each point is finite, and the ends of x and y. in_order: by x; ties_in_order: of points with the
 * same x the lower comes first, so that rounding does not depend on the order of the input. */
struct ends {
    double x_low, x_high, y_low, y_high;
    bool finite, in_order, ties_in_order;
};

static struct ends ends_of(const double *x, const double *y, size_t n)
{
    struct ends ends = {.x_low = x[0], .x_high = x[0], .y_low = y[0], .y_high = y[0]};
    double nothing = 0, x_before = x[0], y_before = y[0];
    size_t disorder = 0, ties = 0;
    for (size_t i = 0; i < n; i++) {
        double u = x[i], v = y[i];
        nothing += (u + v) * 0; /* not a number as soon as one of them is none, or their sum */
        ends.x_low = u < ends.x_low ? u : ends.x_low;
        ends.x_high = u > ends.x_high ? u : ends.x_high;
        ends.y_low = v < ends.y_low ? v : ends.y_low;
        ends.y_high = v > ends.y_high ? v : ends.y_high;
        disorder += u < x_before;
        ties += (size_t)(u == x_before) & (size_t)(v < y_before);
        x_before = u;
        y_before = v;
    }
    ends.finite = nothing == 0;
    ends.in_order = disorder == 0;
    ends.ties_in_order = ties == 0;
    return ends;
}

static int compare_points(const void *a, const void *b)
{
    const struct point *p = a, *q = b;
    if (p->x != q->x)
        return p->x < q->x ? -1 : 1;
    return p->y < q->y ? -1 : p->y > q->y;
}

/* False without memory for many. */
static bool sort_many(double *x, double *y, size_t n)
{
    struct point *points = malloc(n * sizeof *points);
    if (points == NULL)
        return false;
    for (size_t i = 0; i < n; i++)
        points[i] = (struct point){x[i], y[i]};
    qsort(points, n, sizeof *points, compare_points);
    for (size_t i = 0; i < n; i++) {
        x[i] = points[i].x;
        y[i] = points[i].y;
    }
    free(points);
    return true;
}

static bool sort_few(double *x, double *y, size_t n)
{
    if (n > INSERTION_MAX)
        return sort_many(x, y, n);
    for (size_t i = 1; i < n; i++) {
        double u = x[i], v = y[i];
        size_t j = i;
        for (; j > 0 && (u < x[j - 1] || (u == x[j - 1] && v < y[j - 1])); j--) {
            x[j] = x[j - 1];
            y[j] = y[j - 1];
        }
        x[j] = u;
        y[j] = v;
    }
    return true;
}

/* ---- sums ---- */

static void add(struct sums *s, long double u, long double z)
{
    s->n += 1;
    s->u += u;
    s->z += z;
    s->uu += u * u;
    s->uz += u * z;
    s->zz += z * z;
}

static struct sums sums_minus(const struct sums *a, const struct sums *b)
{
    return (struct sums){a->n - b->n, a->u - b->u, a->z - b->z, a->uu - b->uu, a->uz - b->uz, a->zz - b->zz};
}

static double scaled_x(const struct search *s, double x)
{
    return (x - s->centre) * s->x_scale;
}

/* Sums over points from `from` up to but not including `to`: u counted from `origin`, z from level + slope u.
 */
static struct sums sums_over(const struct search *s, size_t from, size_t to, double origin, double level,
                             double slope)
{
    struct sums all = {.n = (long double)(to - from)};
    while (from < to) {
        double lanes[5][LANES] = {{0}};
        size_t stop = to - from > 16 * BLOCK ? from + 16 * BLOCK : to;
        for (; from + LANES <= stop; from += LANES) {
            for (size_t l = 0; l < LANES; l++) {
                double u = (s->x[from + l] - s->centre) * s->x_scale - origin;
                double z = (s->y[from + l] - s->middle) * s->y_scale - (level + slope * u);
                lanes[0][l] += u;
                lanes[1][l] += z;
                lanes[2][l] += u * u;
                lanes[3][l] += u * z;
                lanes[4][l] += z * z;
            }
        }
        for (size_t l = 0; from < stop; from++, l++) {
            double u = (s->x[from] - s->centre) * s->x_scale - origin;
            double z = (s->y[from] - s->middle) * s->y_scale - (level + slope * u);
            lanes[0][l] += u;
            lanes[1][l] += z;
            lanes[2][l] += u * u;
            lanes[3][l] += u * z;
            lanes[4][l] += z * z;
        }
        for (size_t l = 0; l < LANES; l++) {
            all.u += lanes[0][l];
            all.z += lanes[1][l];
            all.uu += lanes[2][l];
            all.uz += lanes[3][l];
            all.zz += lanes[4][l];
        }
    }
    return all;
}

/* Residual sum of the least-squares line z = intercept + slope u, which is returned too. Needs two distinct
 * u. */
static long double line_of_sums(const struct sums *s, long double *intercept, long double *slope)
{
    long double mean = s->u / s->n;
    long double uu = s->uu - s->u * mean, uz = s->uz - s->z * mean, zz = s->zz - s->z * s->z / s->n;
    *slope = uz / uu;
    *intercept = (s->z - *slope * s->u) / s->n;
    return zz - uz * *slope;
}

/* The same residual sum alone: 0 where there is but one u or none. */
static long double residual_of_line(const struct sums *s)
{
    long double nuu = s->n * s->uu - s->u * s->u, nuz = s->n * s->uz - s->z * s->u;
    return nuu > 0 ? (s->n * s->zz - s->z * s->z - nuz * nuz / nuu) / s->n : 0;
}

/* The best lines through (at, level) on both sides, in closed form. */
struct hinge {
    long double level, slope[2], residual;
};

/* With sums taken about `at`, the slope of a side is (uz - level u) / uu, and the level is that of least
 * residual sum, which is infinite where a side does not determine its slope. */
static struct hinge hinge_at(const struct sums *left, const struct sums *right, long double at)
{
    struct hinge h = {.residual = INFINITY};
    long double weight = 0, moment = 0, total = 0, by_level[2], fixed[2];
    for (int side = 0; side < 2; side++) {
        const struct sums *s = side == 0 ? left : right;
        long double u = s->u - s->n * at, uu = s->uu - at * (2 * s->u - s->n * at), uz = s->uz - at * s->z;
        if (!(uu > 0))
            return h;
        by_level[side] = u / uu;
        fixed[side] = uz / uu;
        weight += s->n - u * by_level[side];
        moment += s->z - u * fixed[side];
        total += s->zz - uz * fixed[side];
    }
    h.level = moment / weight;
    for (int side = 0; side < 2; side++)
        h.slope[side] = fixed[side] - h.level * by_level[side];
    h.residual = total - moment * h.level;
    return h;
}

/* ---- the search ---- */

/* A line near the points: through the middles of their lower and upper halves, of a sample of them. */
static void choose_line_off(struct search *s)
{
    double u[2] = {0}, z[2] = {0}, n[2] = {0};
    size_t step = s->n / REFERENCE_MAX + 1;
    for (size_t i = 0; i < s->n; i += step) {
        int half = i >= s->n / 2;
        u[half] += scaled_x(s, s->x[i]);
        z[half] += (s->y[i] - s->middle) * s->y_scale;
        n[half]++;
    }
    s->slope =
        u[1] / n[1] - u[0] / n[0] > 1e-6 ? (z[1] / n[1] - z[0] / n[0]) / (u[1] / n[1] - u[0] / n[0]) : 0;
    s->level = z[0] / n[0] - s->slope * (u[0] / n[0]);
}

/* Sums up to each block. The line that is taken off is bettered until what is left is not mostly its fault.
 */
static void fill_sums(struct search *s)
{
    const struct sums *all = &s->up_to[s->blocks];
    choose_line_off(s);
    for (int i = 0; i < LINES_OFF_MAX; i++) {
        struct sums running = {0};
        long double level, slope;
        for (size_t b = 0; b < s->blocks; b++) {
            size_t from = b * BLOCK, to = s->n - from > BLOCK ? from + BLOCK : s->n;
            struct sums more = sums_over(s, from, to, 0, s->level, s->slope);
            s->up_to[b] = running;
            running = (struct sums){running.n + more.n,   running.u + more.u,   running.z + more.z,
                                    running.uu + more.uu, running.uz + more.uz, running.zz + more.zz};
        }
        s->up_to[s->blocks] = running;
        s->straight = line_of_sums(all, &level, &slope);
        if (s->straight * WELL_OFF > all->zz)
            break;
        s->level += (double)level;
        s->slope += (double)slope;
    }
    s->straight = fmaxl(s->straight, 0);
}

static void keep_better(struct found *best, long double residual, size_t last, bool inside)
{
    if (residual < best->residual)
        *best = (struct found){residual, last, inside};
}

/* Both candidates that have point number `last` as the last one of the left side. */
static void try_split(const struct search *s, size_t last, const struct sums *left, struct found *best)
{
    const struct sums *all = &s->up_to[s->blocks];
    double here = s->x[last], after = s->x[last + 1];
    struct sums right = sums_minus(all, left);
    long double a, b, c, d, residual, meeting;
    keep_better(best, hinge_at(left, &right, scaled_x(s, here)).residual, last, false);
    if (!(after < s->x[s->n - 1]))
        return;
    residual = line_of_sums(left, &a, &b) + line_of_sums(&right, &c, &d);
    meeting = (a - c) / (d - b);
    if (b != d && meeting > scaled_x(s, here) && meeting < scaled_x(s, after))
        keep_better(best, residual, last, true);
}

/* Whether a break may have point number `last` as the last one of its left side: the last of its x, with
 * other x on both sides. */
static bool is_split(const struct search *s, size_t last)
{
    return last + 1 < s->n && s->x[last] < s->x[last + 1] && s->x[last] > s->x[0];
}

/* Best breakpoint. */
static struct found find_breakpoint(const struct search *s)
{
    const struct sums *all = &s->up_to[s->blocks];
    struct found best = {.residual = INFINITY};
    long double margin = ROUNDING * s->straight;
    for (size_t b = 1; b < s->blocks; b++) {
        if (is_split(s, b * BLOCK - 1))
            try_split(s, b * BLOCK - 1, &s->up_to[b], &best);
    }
    for (size_t b = 0; b < s->blocks; b++) {
        struct sums left = s->up_to[b], right = sums_minus(all, &s->up_to[b + 1]);
        size_t to = s->n - b * BLOCK > BLOCK ? (b + 1) * BLOCK : s->n;
        if (residual_of_line(&left) + residual_of_line(&right) > best.residual + margin)
            continue;
        for (size_t i = b * BLOCK; i < to; i++) {
            double u = scaled_x(s, s->x[i]);
            add(&left, u, (s->y[i] - s->middle) * s->y_scale - (s->level + s->slope * u));
            if (!is_split(s, i))
                continue;
            right = sums_minus(all, &left);
            if (residual_of_line(&left) + residual_of_line(&right) <= best.residual + margin)
                try_split(s, i, &left, &best);
        }
    }
    return best;
}

/* ---- the answer ---- */

/* One side of the break: its line in scaled units and what the standard errors take. */
struct side {
    long double n, origin, level, slope; /* z = level + slope (u - origin) */
    long double mean, spread;            /* of u */
};

/* Lines that the search gave, bettered by what they leave: sums over distances from a line that fits lose no
 * digits. Returns the residual sum. */
static long double better_free(const struct search *s, size_t from, size_t to, struct side *side)
{
    struct sums left = sums_over(s, from, to, (double)side->origin, (double)side->level, (double)side->slope);
    long double level, slope, residual = line_of_sums(&left, &level, &slope);
    side->origin = (double)side->origin;
    side->level = (double)side->level + level;
    side->slope = (double)side->slope + slope;
    side->n = left.n;
    side->mean = side->origin + left.u / left.n;
    side->spread = left.uu - left.u * left.u / left.n;
    return residual;
}

static long double better_hinge(const struct search *s, size_t left_count, struct side sides[2])
{
    struct sums sums[2];
    struct hinge change;
    for (int k = 0; k < 2; k++) {
        sides[k].level = (double)sides[0].level;
        sides[k].slope = (double)sides[k].slope;
        sums[k] = sums_over(s, k == 0 ? 0 : left_count, k == 0 ? left_count : s->n, (double)sides[k].origin,
                            (double)sides[k].level, (double)sides[k].slope);
        sides[k].n = sums[k].n;
        sides[k].mean = sides[k].origin + sums[k].u / sums[k].n;
        sides[k].spread = sums[k].uu - sums[k].u * sums[k].u / sums[k].n;
    }
    change = hinge_at(&sums[0], &sums[1], 0);
    for (int k = 0; k < 2; k++) {
        sides[k].level += change.level;
        sides[k].slope += change.slope[k];
    }
    return change.residual;
}

/* Lines of both sides, with the full precision of the points. Returns the residual sum. */
static long double fit_sides(const struct search *s, const struct found *best, struct side sides[2])
{
    struct sums sums[2] = {{0}};
    size_t left_count = best->last + 1;
    long double unit, intercept;
    sums[0] = sums_over(s, 0, left_count, 0, s->level, s->slope);
    sums[1] = sums_minus(&s->up_to[s->blocks], &sums[0]);
    if (!best->inside) {
        double here = scaled_x(s, s->x[best->last]);
        struct hinge h = hinge_at(&sums[0], &sums[1], here);
        for (int k = 0; k < 2; k++)
            sides[k] = (struct side){.origin = here,
                                     .level = h.level + s->level + s->slope * (long double)here,
                                     .slope = h.slope[k] + s->slope};
        return better_hinge(s, left_count, sides);
    }
    unit = 0;
    for (int k = 0; k < 2; k++) {
        struct side *side = &sides[k];
        side->origin = (double)(sums[k].u / sums[k].n);
        line_of_sums(&sums[k], &intercept, &side->slope);
        side->slope += s->slope;
        side->level = intercept + s->level + side->slope * side->origin;
        unit += better_free(s, k == 0 ? 0 : left_count, k == 0 ? left_count : s->n, side);
    }
    return unit;
}

/* Linearised standard errors: with columns 1, x, max(0, x - breakpoint) and the step 1 at x > breakpoint, the
 * two sides are free lines, so the gap between them at the breakpoint has the variance of two predictions
 * (Muggeo, Stat. Med. 22 (2003) 3055). In scaled units but for sd. */
static long double gap_variance(const struct side sides[2], long double at)
{
    long double gap = 0;
    for (int k = 0; k < 2; k++)
        gap += 1 / sides[k].n + (at - sides[k].mean) * (at - sides[k].mean) / sides[k].spread;
    return gap;
}

static enum err_code no_break(struct err *e)
{
    return err_set(e, ERR_NO_ANSWER, "the points lie on one straight line: there is no break to find");
}

/* Where the knot is the last but one, its right side has but one x beyond it: the knot then counts to the
 * right in the standard errors. */
static void count_knot_to_the_right(const struct search *s, size_t last, struct side sides[2])
{
    size_t first = last;
    while (first > 0 && s->x[first - 1] == s->x[last])
        first--;
    for (int k = 0; k < 2; k++) {
        struct sums sums =
            sums_over(s, k == 0 ? 0 : first, k == 0 ? first : s->n, (double)sides[k].mean, 0, 0);
        sides[k].n = sums.n;
        sides[k].mean = (double)sides[k].mean + sums.u / sums.n;
        sides[k].spread = sums.uu - sums.u * sums.u / sums.n;
    }
}

static enum err_code fill_fit(const struct search *s, const struct found *best, struct broken_line *fit,
                              struct err *e)
{
    struct side sides[2] = {{0}};
    long double residual = fmaxl(0, fit_sides(s, best, sides)), at, sd, n = (long double)s->n;
    long double back = (long double)s->x_scale / s->y_scale; /* of slopes */
    long double bend = sides[1].slope - sides[0].slope, rounding;
    memset(fit, 0, sizeof *fit);
    at = sides[0].origin;
    if (best->inside)
        at = sides[1].origin +
             (sides[0].level + sides[0].slope * (sides[1].origin - sides[0].origin) - sides[1].level) / bend;
    else if (!(s->x[best->last + 1] < s->x[s->n - 1]))
        count_knot_to_the_right(s, best->last, sides);
    sd = sqrtl(residual / (n - 4));
    fit->n = s->n;
    fit->degrees_of_freedom = (double)s->n - 4;
    fit->breakpoint = best->inside ? (double)(s->centre + at / s->x_scale) : s->x[best->last];
    fit->left_slope = (double)(sides[0].slope * back);
    fit->right_slope = (double)(sides[1].slope * back);
    fit->intercept = (double)(s->middle + (sides[0].level - sides[0].slope * sides[0].origin) / s->y_scale -
                              sides[0].slope * back * s->centre);
    fit->residual_sum = (double)(residual / s->y_scale / s->y_scale);
    fit->residual_sd = (double)(sd / s->y_scale);
    fit->breakpoint_standard_error = (double)(sd * sqrtl(gap_variance(sides, at)) / fabsl(bend) / s->x_scale);
    fit->left_slope_standard_error = (double)(sd / sqrtl(sides[0].spread) * back);
    fit->right_slope_standard_error = (double)(sd / sqrtl(sides[1].spread) * back);
    /* Straight: two coefficients and the scatter; broken: two more. What is left is rounding at the least. */
    rounding = DBL_EPSILON * s->range * s->y_scale;
    fit->bic_gain = (double)(n * logl(s->straight / fmaxl(residual, n * rounding * rounding)) - 2 * logl(n));
    if (!isfinite(fit->breakpoint) || !isfinite(fit->breakpoint_standard_error))
        return no_break(e);
    return ERR_OK;
}

/* The power of two that brings a length to between 1/2 and 1, as far as that is a number. */
static double scale_of(double length)
{
    int exponent = 0;
    if (length > 0)
        frexp(length, &exponent);
    return ldexp(1, exponent > -1000 ? -exponent : 1000);
}

static enum err_code fit_sorted(struct search *s, struct broken_line *fit, struct err *e)
{
    struct found best = {.residual = INFINITY};
    size_t distinct = 1;
    for (size_t i = 1; i < s->n && distinct < 5; i++)
        distinct += s->x[i] != s->x[i - 1];
    if (distinct < 5)
        return err_set(e, ERR_NO_ANSWER,
                       "a broken line needs points at 5 or more different x, these have %zu", distinct);
    s->blocks = (s->n - 1) / BLOCK + 1;
    s->up_to = malloc((s->blocks + 1) * sizeof *s->up_to);
    if (s->up_to == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a broken line through %zu points", s->n);
    fill_sums(s);
    if (!(sqrtl(s->straight / (long double)s->n) <= STRAIGHT * s->range * s->y_scale))
        best = find_breakpoint(s);
    enum err_code code = best.residual < INFINITY ? fill_fit(s, &best, fit, e) : no_break(e);
    free(s->up_to);
    return code;
}

/* ---- points out of order ---- */

/* Points that are in order but for those of the same x, into x and y. False without memory, as below. */
static bool sort_ties(const struct search *s, double *x, double *y)
{
    memcpy(x, s->x, s->n * sizeof *x);
    memcpy(y, s->y, s->n * sizeof *y);
    for (size_t i = 0, from = 0; i < s->n; i++) {
        if (i + 1 < s->n && x[i + 1] == x[i])
            continue;
        if (!sort_few(x + from, y + from, i + 1 - from))
            return false;
        from = i + 1;
    }
    return true;
}

/* Points in any order: shared out to one bucket for every few of them, so that each is then sorted in the
 * cache. That takes a time in proportion to their number where x is spread fairly evenly, and in no case more
 * than sorting them all. */
static bool sort_all(const struct search *s, const struct ends *ends, double *x, double *y)
{
    size_t last = s->n / BUCKET_POINTS;
    double low = scaled_x(s, ends->x_low), factor = (double)last / (scaled_x(s, ends->x_high) - low);
    size_t *starts = calloc(last + 2, sizeof *starts);
    bool well = starts != NULL;
    factor = isfinite(factor) ? factor : 0;
    for (size_t i = 0; well && i < s->n; i++)
        starts[(size_t)((scaled_x(s, s->x[i]) - low) * factor) + 1]++;
    for (size_t b = 0; well && b <= last; b++)
        starts[b + 1] += starts[b];
    for (size_t i = 0; well && i < s->n; i++) {
        size_t at = starts[(size_t)((scaled_x(s, s->x[i]) - low) * factor)]++;
        x[at] = s->x[i];
        y[at] = s->y[i];
    }
    for (size_t b = 0, from = 0; well && b <= last; b++) { /* starts[b] is now where bucket b ends */
        well = sort_few(x + from, y + from, starts[b] - from);
        from = starts[b];
    }
    free(starts);
    return well;
}

static enum err_code fit_unsorted(struct search *s, const struct ends *ends, struct broken_line *fit,
                                  struct err *e)
{
    double *x = malloc(2 * s->n * sizeof *x), *y = x != NULL ? x + s->n : NULL;
    enum err_code code;
    if (x == NULL || !(ends->in_order ? sort_ties(s, x, y) : sort_all(s, ends, x, y))) {
        code = err_set(e, ERR_MEMORY, "no memory for a broken line through %zu points", s->n);
    } else {
        s->x = x;
        s->y = y;
        code = fit_sorted(s, fit, e);
    }
    free(x);
    return code;
}

enum err_code broken_line_fit(const double *x, const double *y, size_t n, struct broken_line *fit,
                              struct err *e)
{
    struct search s = {.x = x, .y = y, .n = n};
    struct ends ends;
    if (n < 5)
        return err_set(e, ERR_NO_ANSWER,
                       "a broken line needs points at 5 or more different x, these have %zu", n);
    ends = ends_of(x, y, n);
    /* Their sum may be none where both are. */
    for (size_t i = 0; i < n && !ends.finite; i++) {
        if (!isfinite(x[i]) || !isfinite(y[i]))
            return err_set(e, ERR_NO_ANSWER, "point %zu is not a finite number", i + 1);
    }
    s.centre = ends.x_low / 2 + ends.x_high / 2;
    s.middle = ends.y_low / 2 + ends.y_high / 2;
    s.range = ends.y_high - ends.y_low;
    s.x_scale = scale_of(ends.x_high / 2 - ends.x_low / 2);
    s.y_scale = scale_of(ends.y_high / 2 - ends.y_low / 2);
    return ends.in_order && ends.ties_in_order ? fit_sorted(&s, fit, e) : fit_unsorted(&s, &ends, fit, e);
}
