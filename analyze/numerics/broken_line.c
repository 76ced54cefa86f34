/* How it works (Hudson, J. Am. Stat. Assoc. 61 (1966) 1097-1129). With the points split between two
 * neighbouring distinct x, the least-squares line of each side is free; where the two meet inside the gap,
 * that meeting is the best breakpoint of the gap. Where they meet outside it, the residual sum has no minimum
 * inside the gap and the best of it is one of its two knots. So the minimum over all breakpoints is among the
 * meetings and the knots, and each of these has a closed form in running sums. */
#include "analyze/numerics/broken_line.h"
#include "analyze/numerics/linear_fit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Distances from one straight line below this part of the range of y are rounding. */
static const double STRAIGHT = 1e-13;

struct point {
    double x, y;
};

/* Sums over points up to and including one distinct x: x centred and scaled, z the distance of y from the
 * line through all points. A line taken off changes no residual sum, and leaves sums in which little cancels.
 */
struct sums {
    size_t n;
    long double x, z, xx, xz, zz;
};

struct knot {
    double x;
    size_t first; /* index of its first point */
    struct sums up_to;
};

struct search {
    double *x, *y; /* sorted by x */
    struct knot *knots;
    size_t n, knot_count;
    struct linear_fit line;
    double centre, half;
};

static int compare_points(const void *a, const void *b)
{
    const struct point *p = a, *q = b;
    if (p->x != q->x)
        return p->x < q->x ? -1 : 1;
    return p->y < q->y ? -1 : p->y > q->y; /* rounding must not depend on the order of the input */
}

static struct sums sums_minus(const struct sums *a, const struct sums *b)
{
    struct sums s = {a->n - b->n, a->x - b->x, a->z - b->z, a->xx - b->xx, a->xz - b->xz, a->zz - b->zz};
    return s;
}

/* Residual sum of the least-squares line z = intercept + slope x, which is returned too. Needs two distinct
 * x. */
static long double line_of_sums(const struct sums *s, long double *intercept, long double *slope)
{
    long double n = (long double)s->n;
    long double xx = s->xx - s->x * s->x / n, xz = s->xz - s->x * s->z / n, zz = s->zz - s->z * s->z / n;
    *slope = xz / xx;
    *intercept = (s->z - *slope * s->x) / n;
    return zz - xz * *slope;
}

/* Residual sum with the breakpoint on a knot at u: the best lines through (u, level) on both sides, in closed
 * form. With sums taken about u, the slope of a side is (xz - level x) / xx, and the level is that of least
 * residual sum. */
static long double residual_at_knot(const struct sums *left, const struct sums *right, long double u)
{
    long double weight = 0, moment = 0, total = 0;
    for (int side = 0; side < 2; side++) {
        const struct sums *s = side == 0 ? left : right;
        long double n = (long double)s->n;
        long double x = s->x - n * u, xx = s->xx - 2 * u * s->x + n * u * u, xz = s->xz - u * s->z;
        if (!(xx > 0))
            return INFINITY;
        weight += n - x * x / xx;
        moment += s->z - x * xz / xx;
        total += s->zz - xz * xz / xx;
    }
    return total - moment * moment / weight;
}

static long double scaled(const struct search *s, double x)
{
    return ((long double)x - s->centre) / s->half;
}

static enum err_code fill_sums(struct search *s, double *range, struct err *e)
{
    struct sums running = {0};
    double low = INFINITY, high = -INFINITY;
    enum err_code code;
    s->centre = s->x[0] / 2 + s->x[s->n - 1] / 2;
    s->half = s->x[s->n - 1] / 2 - s->x[0] / 2;
    s->knot_count = 0;
    for (size_t i = 0; i < s->n; i++) {
        if (i == 0 || s->x[i] != s->x[i - 1]) {
            s->knots[s->knot_count].x = s->x[i];
            s->knots[s->knot_count++].first = i;
        }
        low = fmin(low, s->y[i]);
        high = fmax(high, s->y[i]);
    }
    if (s->knot_count < 5)
        return err_set(e, ERR_NO_ANSWER,
                       "a broken line needs points at 5 or more different x, these have %zu", s->knot_count);
    code = linear_fit_polynomial(s->x, s->y, NULL, s->n, 1, true, false, &s->line, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0, k = 0; i < s->n; i++) {
        long double u = scaled(s, s->x[i]);
        long double z =
            s->y[i] - (long double)s->line.coefficients[0] - (long double)s->line.coefficients[1] * s->x[i];
        running.n++;
        running.x += u;
        running.z += z;
        running.xx += u * u;
        running.xz += u * z;
        running.zz += z * z;
        k += i > 0 && s->x[i] != s->x[i - 1];
        s->knots[k].up_to = running;
    }
    *range = high - low;
    return ERR_OK;
}

/* Best breakpoint: on knot number *knot, or inside the gap after it when *inside. */
static bool find_breakpoint(const struct search *s, size_t *knot, bool *inside)
{
    const struct sums *all = &s->knots[s->knot_count - 1].up_to;
    long double least = INFINITY;
    for (size_t k = 1; k + 1 < s->knot_count; k++) {
        const struct sums *left = &s->knots[k].up_to;
        struct sums right = sums_minus(all, left);
        long double a, b, c, d, here = scaled(s, s->knots[k].x),
                                residual = residual_at_knot(left, &right, here);
        if (residual < least) {
            least = residual;
            *knot = k;
            *inside = false;
        }
        if (k + 2 >= s->knot_count)
            continue;
        residual = line_of_sums(left, &a, &b) + line_of_sums(&right, &c, &d);
        if (residual < least && b != d) {
            long double meeting = (a - c) / (d - b);
            if (meeting > here && meeting < scaled(s, s->knots[k + 1].x)) {
                least = residual;
                *knot = k;
                *inside = true;
            }
        }
    }
    return least < INFINITY;
}

/* One side of the break: number of points, mean and spread of x. */
struct side {
    long double n, mean, spread;
};

static struct side side_of(const double *x, size_t n)
{
    struct side side = {(long double)n, 0, 0};
    for (size_t i = 0; i < n; i++)
        side.mean += (long double)x[i] / (long double)n;
    for (size_t i = 0; i < n; i++)
        side.spread += (x[i] - side.mean) * (x[i] - side.mean);
    return side;
}

/* Linearised standard errors: with columns 1, x, max(0, x - breakpoint) and the step 1 at x > breakpoint, the
 * two sides are free lines, so the gap between them at the breakpoint has the variance of two predictions
 * (Muggeo, Stat. Med. 22 (2003) 3055). */
static void fill_errors(struct broken_line *fit, const double *x, size_t n, size_t left_count)
{
    struct side left = side_of(x, left_count), right = side_of(x + left_count, n - left_count);
    long double from_left = fit->breakpoint - left.mean, from_right = fit->breakpoint - right.mean;
    long double gap = 1 / left.n + from_left * from_left / left.spread + 1 / right.n +
                      from_right * from_right / right.spread;
    fit->breakpoint_standard_error =
        (double)(fit->residual_sd * sqrtl(gap) / fabsl((long double)fit->right_slope - fit->left_slope));
    fit->left_slope_standard_error = (double)(fit->residual_sd / sqrtl(left.spread));
    fit->right_slope_standard_error = (double)(fit->residual_sd / sqrtl(right.spread));
}

/* The search has told where; now the lines themselves, with the full precision of linear_fit. */
static enum err_code fit_inside(const struct search *s, size_t left_count, struct broken_line *fit,
                                struct err *e)
{
    struct linear_fit left, right;
    double origin = s->x[left_count], *x = malloc(s->n * sizeof *x);
    enum err_code code;
    if (x == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a broken line through %zu points", s->n);
    /* Counted from the knot after the gap, the two levels there subtract without loss, however far off the
     * origin is. */
    for (size_t i = 0; i < s->n; i++)
        x[i] = s->x[i] - origin;
    code = linear_fit_polynomial(x, s->y, NULL, left_count, 1, true, false, &left, e);
    if (code == ERR_OK)
        code = linear_fit_polynomial(x + left_count, s->y + left_count, NULL, s->n - left_count, 1, true,
                                     false, &right, e);
    free(x);
    if (code != ERR_OK)
        return code;
    fit->left_slope = left.coefficients[1];
    fit->right_slope = right.coefficients[1];
    fit->breakpoint =
        origin + (left.coefficients[0] - right.coefficients[0]) / (fit->right_slope - fit->left_slope);
    fit->intercept = left.coefficients[0] - fit->left_slope * origin;
    fit->residual_sum = left.residual_sum + right.residual_sum;
    return ERR_OK;
}

static enum err_code fit_on_knot(const struct search *s, double knot, struct broken_line *fit, struct err *e)
{
    struct linear_fit both;
    double *columns = malloc(s->n * 3 * sizeof *columns);
    enum err_code code;
    if (columns == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a broken line through %zu points", s->n);
    for (size_t i = 0; i < s->n; i++) {
        columns[3 * i] = 1;
        columns[3 * i + 1] = s->x[i] - knot;
        columns[3 * i + 2] = fmax(0, s->x[i] - knot);
    }
    code = linear_fit(columns, s->y, NULL, s->n, 3, false, &both, e);
    free(columns);
    if (code != ERR_OK)
        return code;
    fit->breakpoint = knot;
    fit->left_slope = both.coefficients[1];
    fit->right_slope = both.coefficients[1] + both.coefficients[2];
    fit->intercept = both.coefficients[0] - both.coefficients[1] * knot;
    fit->residual_sum = both.residual_sum;
    return ERR_OK;
}

static enum err_code fit_sorted(struct search *s, struct broken_line *fit, struct err *e)
{
    size_t knot = 0, left_count;
    bool inside = false;
    double range = 0;
    enum err_code code = fill_sums(s, &range, e);
    if (code != ERR_OK)
        return code;
    if (s->line.residual_sum <= STRAIGHT * STRAIGHT * range * range * (double)s->n ||
        !find_breakpoint(s, &knot, &inside))
        return err_set(e, ERR_NO_ANSWER, "the points lie on one straight line: there is no break to find");
    memset(fit, 0, sizeof *fit);
    left_count = s->knots[knot + 1].first;
    code = inside ? fit_inside(s, left_count, fit, e) : fit_on_knot(s, s->knots[knot].x, fit, e);
    if (code != ERR_OK)
        return code;
    /* On the last but one knot the right side has but one x beyond it: the knot then counts to the right. */
    if (!inside && knot + 2 == s->knot_count)
        left_count = s->knots[knot].first;
    fit->n = s->n;
    fit->degrees_of_freedom = (double)s->n - 4;
    fit->residual_sd = sqrt(fit->residual_sum / fit->degrees_of_freedom);
    fill_errors(fit, s->x, s->n, left_count);
    /* Straight: two coefficients and the scatter; broken: two more. */
    fit->bic_gain = (double)s->n * log(s->line.residual_sum / fit->residual_sum) - 2 * log((double)s->n);
    if (!isfinite(fit->breakpoint) || !isfinite(fit->breakpoint_standard_error))
        return err_set(e, ERR_NO_ANSWER, "the points lie on one straight line: there is no break to find");
    return ERR_OK;
}

enum err_code broken_line_fit(const double *x, const double *y, size_t n, struct broken_line *fit,
                              struct err *e)
{
    struct search s = {.n = n};
    struct point *points;
    enum err_code code;
    if (n < 5)
        return err_set(e, ERR_NO_ANSWER,
                       "a broken line needs points at 5 or more different x, these have %zu", n);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]) || !isfinite(y[i]))
            return err_set(e, ERR_NO_ANSWER, "point %zu is not a finite number", i + 1);
    }
    points = malloc(n * sizeof *points);
    s.x = malloc(n * sizeof *s.x);
    s.y = malloc(n * sizeof *s.y);
    s.knots = calloc(n, sizeof *s.knots);
    if (points == NULL || s.x == NULL || s.y == NULL || s.knots == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory for a broken line through %zu points", n);
        goto out;
    }
    for (size_t i = 0; i < n; i++) {
        points[i].x = x[i];
        points[i].y = y[i];
    }
    qsort(points, n, sizeof *points, compare_points);
    for (size_t i = 0; i < n; i++) {
        s.x[i] = points[i].x;
        s.y[i] = points[i].y;
    }
    code = fit_sorted(&s, fit, e);
out:
    free(s.knots);
    free(s.y);
    free(s.x);
    free(points);
    return code;
}
