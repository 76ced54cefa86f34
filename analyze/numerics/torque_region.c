/* How it works. A curve has two parameters that enter the likelihood as in a linear regression (alpha and
 * beta) and two that do not (the shape phi and the corner). Corners are taken on a grid; for each, the
 * likeliest shape is searched and the range of shapes within reach of the best curve is laid out in steps.
 * Each such pair is a node; around its likeliest (alpha, beta) the likelihood falls as a paraboloid, so that
 * the curves of the node within reach fill an ellipse. The profile-likelihood interval of a function is the
 * span of its values over all ellipses.
 *
 * Reach: with m points that are more than bounds, p = 4 parameters and R = exp(-2 (L - L_best) / m), which is
 * the ratio of the sums of squares where nothing is censored, a value of a function is within the interval
 * when R <= 1 + t^2 / (m - p), t the quantile of Student's distribution with m - p degrees of freedom: the
 * interval that is exact for a function that is linear in the parameters. */
#include "analyze/numerics/torque_region.h"

#include "analyze/numerics/torque_search.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

#define PARAMETERS     4
#define CORNERS_IN_GAP 6  /* corners tried from one speed of the ladder to the next */
#define CORNERS_FINE   40 /* and over the range that the first pass leaves */
#define SHAPES         16 /* laid out over the range of shapes within reach */
#define ANGLES         24 /* points on the border of an ellipse */

static const double PI = 3.14159265358979323846;
/* Shapes with which each corner begins. */
static const double *const GRID = TORQUE_SEARCH_SHAPES;
enum { GRID_COUNT = TORQUE_SEARCH_SHAPE_COUNT };

struct node {
    double corner, phi, alpha, beta;
    double excess;        /* R of this node, less 1 */
    double c11, c12, c22; /* covariance of alpha and beta over the variance of a point */
};

struct torque_region {
    struct node *nodes;
    size_t count, room;
    struct torque_search_answer best;
    double best_corner;
    double m, reach; /* points that count; R of the border, less 1 */
    double variance; /* of a point of scale 1, by maximum likelihood */
    double middle_rad_s, largest_nm;
    double corner_low, corner_high; /* ends of the profile in scaled speed */
    bool open_below, open_above;
};

static double ratio_less_1(const struct torque_region *g, double log_likelihood)
{
    return expm1(-2 * (log_likelihood - g->best.log_likelihood) / g->m);
}

/* Covariance of alpha and beta from the information of the points. */
static void fill_covariance(const struct torque_search *p, struct node *node, double sigma)
{
    double s11 = 0, s12 = 0, s22 = 0, determinant;
    for (size_t i = 0; i < p->n; i++) {
        double r = fmax(p->points[i].r, node->corner), s = torque_search_shape(node->phi, r);
        double scale = p->points[i].scale, x = 1 / sqrt(s) / scale, z = -r / s / scale, weight = 1, rate;
        if (p->points[i].at_least) {
            double fitted = node->alpha * x + node->beta * z;
            censored_fit_log_survival((p->points[i].y / scale - fitted) / sigma, &rate, &weight);
        }
        s11 += weight * x * x;
        s12 += weight * x * z;
        s22 += weight * z * z;
    }
    determinant = s11 * s22 - s12 * s12;
    if (node->beta > 0 && determinant > 1e-13 * s11 * s22) {
        node->c11 = s22 / determinant;
        node->c12 = -s12 / determinant;
        node->c22 = s11 / determinant;
    } else {
        node->c11 = 1 / s11;
        node->c12 = node->c22 = 0;
    }
}

static double value_at(struct torque_search *p, double corner, double phi, struct torque_search_answer *a)
{
    if (!torque_search_held(p, corner, phi, true, a) && !torque_search_held(p, corner, phi, false, a))
        return TORQUE_SEARCH_IMPOSSIBLE;
    return a->alpha > 0 ? a->log_likelihood : TORQUE_SEARCH_IMPOSSIBLE;
}

static bool keep(struct torque_region *g, const struct torque_search *p, double corner,
                 const struct torque_search_answer *a)
{
    struct node node = {.corner = corner, .phi = a->phi, .alpha = a->alpha, .beta = a->beta};
    node.excess = ratio_less_1(g, a->log_likelihood);
    if (!(node.excess <= g->reach))
        return true;
    node.excess = fmax(0, node.excess);
    if (g->count == g->room) {
        size_t room = g->room > 0 ? 2 * g->room : 512;
        struct node *more = realloc(g->nodes, room * sizeof *more);
        if (more == NULL)
            return false;
        g->nodes = more;
        g->room = room;
    }
    fill_covariance(p, &node, a->sigma);
    g->nodes[g->count++] = node;
    return true;
}

/* The likeliest shape for a held corner: the grid, then golden sections about its best. Shapes are compared
 * as log(phi / (1 - phi)), in which they are spread evenly. */
static double logit(double phi)
{
    return log(phi / (1 - phi));
}

static double from_logit(double x)
{
    return x < 0 ? exp(x) / (1 + exp(x)) : 1 / (1 + exp(-x));
}

static double best_shape(struct torque_search *p, double corner, double *at,
                         struct torque_search_answer *best)
{
    double values[GRID_COUNT], low, high, x, y, fx, fy;
    struct torque_search_answer a;
    size_t top = 0;
    best->log_likelihood = TORQUE_SEARCH_IMPOSSIBLE;
    for (size_t i = 0; i < GRID_COUNT; i++) {
        values[i] = value_at(p, corner, GRID[i], &a);
        if (values[i] > values[top] || i == 0) {
            top = i;
            *best = a;
            best->log_likelihood = values[i];
        }
    }
    *at = logit(GRID[top]);
    low = logit(GRID[top > 0 ? top - 1 : 0]);
    high = logit(GRID[top + 1 < GRID_COUNT ? top + 1 : top]);
    x = high - 0.618034 * (high - low);
    y = low + 0.618034 * (high - low);
    fx = value_at(p, corner, from_logit(x), &a);
    fy = value_at(p, corner, from_logit(y), &a);
    for (int i = 0; i < 20; i++) {
        if (fx > fy) {
            high = y;
            y = x;
            fy = fx;
            x = high - 0.618034 * (high - low);
            fx = value_at(p, corner, from_logit(x), &a);
        } else {
            low = x;
            x = y;
            fx = fy;
            y = low + 0.618034 * (high - low);
            fy = value_at(p, corner, from_logit(y), &a);
        }
    }
    if (fmax(fx, fy) > best->log_likelihood) {
        *at = fx > fy ? x : y;
        best->log_likelihood = value_at(p, corner, from_logit(*at), best);
    }
    return best->log_likelihood;
}

/* Where the likelihood of a held corner sinks below the border, from inside to outside. */
static double border_shape(const struct torque_region *g, struct torque_search *p, double corner,
                           double inside, double outside)
{
    struct torque_search_answer a;
    if (ratio_less_1(g, value_at(p, corner, from_logit(outside), &a)) <= g->reach)
        return outside;
    for (int i = 0; i < 12; i++) {
        double middle = (inside + outside) / 2;
        *(ratio_less_1(g, value_at(p, corner, from_logit(middle), &a)) <= g->reach ? &inside : &outside) =
            middle;
    }
    return inside;
}

/* All nodes of one corner; its excess, or INFINITY when it is out of reach. */
static bool lay_out_corner(struct torque_region *g, struct torque_search *p, double corner, double *excess)
{
    struct torque_search_answer a;
    double at, low, high;
    *excess = ratio_less_1(g, best_shape(p, corner, &at, &a));
    if (!(*excess <= g->reach))
        return true;
    if (!keep(g, p, corner, &a))
        return false;
    low = border_shape(g, p, corner, at, logit(TORQUE_SEARCH_PHI_LOW));
    high = border_shape(g, p, corner, at, logit(TORQUE_SEARCH_PHI_HIGH));
    for (int i = 0; i < SHAPES; i++) {
        double x = low + (high - low) * i / (SHAPES - 1);
        if (value_at(p, corner, from_logit(x), &a) > TORQUE_SEARCH_IMPOSSIBLE && !keep(g, p, corner, &a))
            return false;
    }
    return true;
}

/* Where the profile over the corner crosses the border between a corner out of reach and one within. */
static double border_corner(const struct torque_region *g, struct torque_search *p, double outside,
                            double inside)
{
    for (int i = 0; i < 14; i++) {
        struct torque_search_answer a;
        double middle = (inside + outside) / 2, at;
        *(ratio_less_1(g, best_shape(p, middle, &at, &a)) <= g->reach ? &inside : &outside) = middle;
    }
    return inside;
}

static enum err_code survey(struct torque_region *g, struct torque_search *p, struct err *e)
{
    size_t gaps = p->speed_count - 1, count = gaps * CORNERS_IN_GAP + 1, low, high;
    double *corners = calloc(count + 1, sizeof *corners), *values = calloc(count + 1, sizeof *values);
    enum err_code code = ERR_OK;
    if (corners == NULL || values == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", p->n);
        goto out;
    }
    for (size_t i = 0; i < count; i++) {
        size_t gap = i < count - 1 ? i / CORNERS_IN_GAP : gaps - 1;
        double share = (double)(i - gap * CORNERS_IN_GAP) / CORNERS_IN_GAP, at;
        struct torque_search_answer a;
        corners[i] = p->speeds[gap].r + share * (p->speeds[gap + 1].r - p->speeds[gap].r);
        values[i] = best_shape(p, corners[i], &at, &a);
        if (values[i] > g->best.log_likelihood) {
            g->best = a;
            g->best_corner = corners[i];
        }
    }
    if (!(g->best.log_likelihood > TORQUE_SEARCH_IMPOSSIBLE)) {
        code = err_set(e, ERR_NO_ANSWER, "the points do not determine the pull-out torque curve");
        goto out;
    }
    /* The best corner lies between those next to the best so far: ever finer steps about it. */
    double step = 0;
    for (size_t i = 0; i + 1 < count; i++) {
        if (corners[i + 1] > g->best_corner || i + 2 == count) {
            step = corners[i + 1] - corners[i];
            break;
        }
    }
    for (int pass = 0; pass < 6; pass++) {
        double middle = g->best_corner;
        step /= 3;
        for (int i = -3; i <= 3; i++) {
            struct torque_search_answer a;
            double corner = fmin(corners[count - 1], fmax(corners[0], middle + i * step)), at;
            if (i != 0 && best_shape(p, corner, &at, &a) > g->best.log_likelihood) {
                g->best = a;
                g->best_corner = corner;
            }
        }
    }
    g->variance = g->best.sigma * g->best.sigma;
    for (low = 0;
         low < count && corners[low] < g->best_corner && !(ratio_less_1(g, values[low]) <= g->reach);)
        low++;
    for (high = count;
         high > 0 && corners[high - 1] > g->best_corner && !(ratio_less_1(g, values[high - 1]) <= g->reach);)
        high--;
    g->open_below = low == 0;
    g->open_above = high == count;
    /* low: the first within reach, or the first past the best corner; high - 1 likewise from above. */
    g->corner_low =
        low == 0 ? corners[0] : border_corner(g, p, corners[low - 1], fmin(g->best_corner, corners[low]));
    g->corner_high = high == count ? corners[count - 1]
                                   : border_corner(g, p, corners[high],
                                                   fmax(g->best_corner, corners[high > 0 ? high - 1 : 0]));
    for (int i = 0; i <= CORNERS_FINE && code == ERR_OK; i++) {
        double excess, corner = g->corner_low + (g->corner_high - g->corner_low) * i / CORNERS_FINE;
        if (!lay_out_corner(g, p, corner, &excess))
            code = err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", p->n);
    }
    /* The best curve itself is within whatever the grid says. */
    if (code == ERR_OK && !keep(g, p, g->best_corner, &g->best))
        code = err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", p->n);
out:
    free(corners);
    free(values);
    return code;
}

enum err_code torque_region_new(const double *w_rad_s, const double *torque_nm, const bool *at_least,
                                const double *scale, size_t n, double probability,
                                struct torque_region **region, struct err *e)
{
    struct torque_search p;
    struct torque_region *g = calloc(1, sizeof *g);
    enum err_code code = torque_search_begin(&p, w_rad_s, torque_nm, at_least, scale, n, e);
    *region = NULL;
    if (code == ERR_OK && g == NULL)
        code = err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", n);
    if (code == ERR_OK && (p.uncensored < PARAMETERS + 1 || p.speeds[0].speeds_from < PARAMETERS))
        code = err_set(e, ERR_NO_ANSWER,
                       "only %zu points at %zu speeds are more than lower bounds: a pull-out torque curve "
                       "takes %d at %d",
                       p.uncensored, p.speed_count > 0 ? p.speeds[0].speeds_from : 0, PARAMETERS + 1,
                       PARAMETERS);
    if (code == ERR_OK) {
        double degrees = (double)(p.uncensored - PARAMETERS);
        double t = gsl_cdf_tdist_Pinv(0.5 + probability / 2, degrees);
        g->m = (double)p.uncensored;
        g->reach = t * t / degrees;
        g->middle_rad_s = p.middle_rad_s;
        g->largest_nm = p.largest_nm;
        g->best.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE;
        code = survey(g, &p, e);
    }
    torque_search_end(&p);
    if (code != ERR_OK) {
        torque_region_free(g);
        return code;
    }
    *region = g;
    return ERR_OK;
}

void torque_region_free(struct torque_region *g)
{
    if (g == NULL)
        return;
    free(g->nodes);
    free(g);
}

double torque_region_at(const struct torque_region *g, double w_rad_s)
{
    return g->largest_nm * torque_search_falling(&g->best, fmax(w_rad_s / g->middle_rad_s, g->best_corner));
}

double torque_region_degrees_of_freedom(const struct torque_region *g)
{
    return g->m - PARAMETERS;
}

void torque_region_torque(const struct torque_region *g, double w_rad_s, double *low_nm, double *high_nm)
{
    double r = w_rad_s / g->middle_rad_s;
    *low_nm = INFINITY;
    *high_nm = -INFINITY;
    for (size_t i = 0; i < g->count; i++) {
        const struct node *node = &g->nodes[i];
        double at = fmax(r, node->corner), s = torque_search_shape(node->phi, at);
        double x = 1 / sqrt(s), z = -at / s, value = node->alpha * x + node->beta * z;
        double spread = sqrt((g->reach - node->excess) * g->m * g->variance *
                             (x * x * node->c11 + 2 * x * z * node->c12 + z * z * node->c22));
        *low_nm = fmin(*low_nm, g->largest_nm * (value - spread));
        *high_nm = fmax(*high_nm, g->largest_nm * (value + spread));
    }
}

static struct torque_region_curve curve_of(const struct torque_region *g, double corner, double phi,
                                           double alpha, double beta)
{
    double z2 = 1 / (1 - phi), s = torque_search_shape(phi, corner);
    return (struct torque_region_curve){
        .flat_nm = g->largest_nm * (alpha / sqrt(s) - beta * corner / s),
        .a_nm = g->largest_nm * alpha * sqrt(z2),
        .b_nm_s = g->largest_nm * beta * z2 / g->middle_rad_s,
        .tau_s = sqrt(phi * z2) / g->middle_rad_s,
        .corner_rad_s = corner * g->middle_rad_s,
    };
}

void torque_region_interval(const struct torque_region *g, torque_region_function *function,
                            const void *context, double *low, double *high)
{
    *low = INFINITY;
    *high = -INFINITY;
    for (size_t i = 0; i < g->count; i++) {
        const struct node *node = &g->nodes[i];
        double size = sqrt((g->reach - node->excess) * g->m * g->variance);
        /* Cholesky: (alpha, beta) = likeliest + size (l11 cos, l21 cos + l22 sin). */
        double l11 = sqrt(node->c11), l21 = node->c12 / l11, l22 = sqrt(fmax(0, node->c22 - l21 * l21));
        for (int k = 0; k < ANGLES; k++) {
            double angle = 2 * PI * k / ANGLES;
            double alpha = node->alpha + size * l11 * cos(angle);
            double beta = node->beta + size * (l21 * cos(angle) + l22 * sin(angle));
            struct torque_region_curve curve;
            double value;
            if (alpha <= 0)
                continue;
            curve = curve_of(g, node->corner, node->phi, alpha, fmax(0, beta));
            value = function(&curve, context);
            *low = fmin(*low, value);
            *high = fmax(*high, value);
        }
    }
}

struct torque_region_corner torque_region_corner(const struct torque_region *g)
{
    return (struct torque_region_corner){.low_rad_s = g->corner_low * g->middle_rad_s,
                                         .high_rad_s = g->corner_high * g->middle_rad_s,
                                         .open_below = g->open_below,
                                         .open_above = g->open_above};
}

struct torque_region_curve torque_region_best(const struct torque_region *g)
{
    return curve_of(g, g->best_corner, g->best.phi, g->best.alpha, g->best.beta);
}

struct torque_region_open torque_region_open(const struct torque_region *g)
{
    struct torque_region_open open = {false, false, false};
    for (size_t i = 0; i < g->count; i++) {
        const struct node *node = &g->nodes[i];
        double size = sqrt((g->reach - node->excess) * g->m * g->variance);
        open.no_inductance = open.no_inductance || node->phi <= 2 * TORQUE_SEARCH_PHI_LOW;
        open.no_resistance = open.no_resistance || node->phi >= 1 - 2 * (1 - TORQUE_SEARCH_PHI_HIGH);
        open.no_back_emf = open.no_back_emf || node->beta - size * sqrt(node->c22) <= 0;
    }
    return open;
}
