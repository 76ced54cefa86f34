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

#include "analyze/numerics/hill.h"
#include "analyze/numerics/torque_search.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

#define PARAMETERS     4
#define CORNERS_IN_GAP 6  /* corners tried from one speed of the ladder to the next */
#define CORNERS_FINE   40 /* and over the range that the first pass leaves */
#define CORNERS_NEAR   6  /* steps between those next to the best of them */
#define SHAPES         16 /* laid out over the range of shapes within reach */
#define ANGLES         24 /* points on the border of an ellipse */
#define FEW_ANGLES     4  /* every so many of them at first */

/* A summit is found when the logarithm of the likelihood has no more than this to rise: a thousandth of a
 * standard error. */
static const double RISE = 1e-6, RISE_FINE = 1e-8;
/* Corners that are as likely as each other to this count as one: the lowest is taken, since rounding would
 * choose where too few speeds fall to tell them apart. */
static const double SAME = 1e-5;
/* A shape whose likelihood is by that factor, as a logarithm, below the best of both neighbouring corners is
 * not the best between them. */
static const double NEAR_SHAPE = 5;
static const double SLACK = 0.25;

static const double PI = 3.14159265358979323846;
/* Shapes with which each corner begins. */
static const double *const GRID = TORQUE_SEARCH_SHAPES;
enum { GRID_COUNT = TORQUE_SEARCH_SHAPE_COUNT };

struct node {
    double corner, phi, alpha, beta;
    double excess;        /* R of this node, less 1 */
    double c11, c12, c22; /* covariance of alpha and beta over the variance of a point */
};

/* Shapes of the grid that are worth trying. */
struct window {
    size_t from, to; /* to: the last one */
};

struct torque_region {
    struct torque_search search; /* the points; of a region made from another, empty */
    /* The first pass: corners, what the likeliest shape of each has, and shapes that come near it. */
    double *corners, *values;
    struct window *windows;
    size_t corner_count;
    struct node *nodes;
    size_t count, room;
    struct torque_search_answer best;
    double best_corner;
    double cosines[ANGLES], sines[ANGLES];
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
    for (size_t i = 0; i < p->row_count; i++) {
        double r = fmax(p->rows[i].r, node->corner), s = torque_search_shape(node->phi, r);
        double root = p->rows[i].root, x = root / sqrt(s), z = -r * root / s, weight = 1, rate;
        if (p->at_least[i])
            censored_fit_log_survival((p->y[i] - node->alpha * x - node->beta * z) / sigma, &rate, &weight);
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

/* Shapes are compared as log(phi / (1 - phi)), in which they are spread evenly. */
static double logit(double phi)
{
    return log(phi / (1 - phi));
}

static double from_logit(double x)
{
    return x < 0 ? exp(x) / (1 + exp(x)) : 1 / (1 + exp(-x));
}

/* Heights over the logit of the shape for a held corner; keeps the answer of the highest. */
struct shape_hill {
    struct torque_search *search;
    double corner;
    struct torque_search_answer best;
};

static double height_of_shape(double x, void *context)
{
    struct shape_hill *hill = context;
    struct torque_search_answer a;
    double value = value_at(hill->search, hill->corner, from_logit(x), &a);
    if (value > hill->best.log_likelihood)
        hill->best = a;
    return value;
}

/* Heights of the grid's shapes for one corner. */
struct profile {
    struct window w;
    size_t top; /* the highest */
    double values[GRID_COUNT];
};

/* Of the grid the shapes of the window, and more while the end of it is the best or above `level`. */
static void look_over(struct profile *profile, const struct hill *heights, struct window w, double level)
{
    double *values = profile->values;
    size_t top = w.from;
    for (size_t i = w.from; i <= w.to; i++) {
        values[i] = heights->height(logit(GRID[i]), heights->context);
        top = values[i] > values[top] ? i : top;
    }
    while (w.from > 0 && (top == w.from || values[w.from] >= level)) {
        w.from--;
        values[w.from] = heights->height(logit(GRID[w.from]), heights->context);
        top = values[w.from] > values[top] ? w.from : top;
    }
    while (w.to + 1 < GRID_COUNT && (top == w.to || values[w.to] >= level)) {
        w.to++;
        values[w.to] = heights->height(logit(GRID[w.to]), heights->context);
        top = values[w.to] > values[top] ? w.to : top;
    }
    profile->w = w;
    profile->top = top;
}

/* The summit next to number i of the grid, which is no lower than its neighbours. */
static double summit_at(const struct profile *profile, const struct hill *heights, size_t i, double rise,
                        double *at)
{
    size_t left = i > profile->w.from ? i - 1 : i, right = i < profile->w.to ? i + 1 : i;
    double value = profile->values[i];
    *at = logit(GRID[i]);
    hill_climb(heights, logit(GRID[left]), profile->values[left], logit(GRID[right]), profile->values[right],
               rise, at, &value);
    return value;
}

/* The likeliest shape for a held corner: of the grid and then between those next to the best. near: NULL, or
 * where to put those that come within NEAR_SHAPE of the best. */
static double best_shape(struct torque_search *p, double corner, struct window w, double rise,
                         struct torque_search_answer *best, struct window *near)
{
    struct shape_hill hill = {p, corner, {.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE}};
    struct hill heights = {height_of_shape, &hill};
    struct profile profile = {.top = 0};
    double at;
    look_over(&profile, &heights, w, INFINITY);
    if (near != NULL) {
        *near = (struct window){profile.top, profile.top};
        for (size_t i = profile.w.from; i <= profile.w.to; i++) {
            if (profile.values[i] >= profile.values[profile.top] - NEAR_SHAPE) {
                near->from = i < near->from ? i : near->from;
                near->to = i > near->to ? i : near->to;
            }
        }
    }
    summit_at(&profile, &heights, profile.top, rise, &at);
    *best = hill.best;
    return best->log_likelihood;
}

static const struct window WHOLE = {0, GRID_COUNT - 1};

/* Shapes worth trying at a corner between those of the first pass: those that came near at either, and one
 * more on each side. */
static struct window window_at(const struct torque_region *g, double corner)
{
    size_t i = 0;
    struct window w;
    while (i + 2 < g->corner_count && g->corners[i + 1] < corner)
        i++;
    w.from = g->windows[i].from < g->windows[i + 1].from ? g->windows[i].from : g->windows[i + 1].from;
    w.to = g->windows[i].to > g->windows[i + 1].to ? g->windows[i].to : g->windows[i + 1].to;
    w.from -= w.from > 0;
    w.to += w.to + 1 < GRID_COUNT;
    return w;
}

/* Heights over the corner. */
struct corner_hill {
    const struct torque_region *region;
    struct torque_search *search;
};

static double height_of_corner(double corner, void *context)
{
    struct corner_hill *hill = context;
    struct torque_search_answer a;
    return best_shape(hill->search, corner, window_at(hill->region, corner), RISE, &a, NULL);
}

/* Log likelihood of the border. */
static double border(const struct torque_region *g)
{
    return g->best.log_likelihood - g->m / 2 * log1p(g->reach);
}

/* Where the likelihood of a held corner sinks below the border, from a summit towards either end of the grid.
 */
static double border_shape(const struct profile *profile, const struct hill *heights, double level, size_t i,
                           int step, double at, double value)
{
    while (profile->values[i] >= level || (logit(GRID[i]) - at) * step <= 0) {
        if (profile->values[i] >= level) {
            at = logit(GRID[i]);
            value = profile->values[i];
        }
        if (step < 0 ? i == profile->w.from : i == profile->w.to)
            return at;
        i = step < 0 ? i - 1 : i + 1;
    }
    return hill_crossing(heights, level, at, value, logit(GRID[i]), profile->values[i]);
}

/* All nodes of one corner: shapes may be within reach on more than one hill. */
static bool lay_out_corner(struct torque_region *g, struct torque_region *from, double corner)
{
    struct shape_hill hill = {&from->search, corner, {.log_likelihood = INFINITY}};
    struct hill heights = {height_of_shape, &hill};
    struct profile profile = {.top = 0};
    double level = border(g), done = -INFINITY;
    look_over(&profile, &heights, window_at(from, corner), level);
    for (size_t i = profile.w.from; i <= profile.w.to; i++) {
        const double *values = profile.values;
        double at, low, high, value;
        /* Where the points are precise the best shape of the grid may be far below the summit next to it. */
        if ((i != profile.top && !(values[i] >= level - NEAR_SHAPE)) ||
            (i > profile.w.from && values[i - 1] > values[i]) ||
            (i < profile.w.to && values[i + 1] > values[i]) || logit(GRID[i]) <= done)
            continue;
        value = summit_at(&profile, &heights, i, RISE, &at);
        if (!(value >= level) || at <= done)
            continue;
        low = border_shape(&profile, &heights, level, i, -1, at, value);
        high = done = border_shape(&profile, &heights, level, i, 1, at, value);
        for (int k = 0; k <= SHAPES; k++) {
            struct torque_search_answer a;
            double x = k < SHAPES ? low + (high - low) * k / (SHAPES - 1) : at;
            if (value_at(&from->search, corner, from_logit(x), &a) > TORQUE_SEARCH_IMPOSSIBLE &&
                !keep(g, &from->search, corner, &a))
                return false;
        }
    }
    return true;
}

/* From the best corner of the first pass to the likeliest between its neighbours, where there may be two
 * summits. */
static void climb_corner(struct torque_region *g)
{
    struct corner_hill hill = {g, &g->search};
    const struct hill heights = {height_of_corner, &hill};
    struct torque_search_answer a;
    double corners[CORNERS_NEAR + 1], values[CORNERS_NEAR + 1], corner, value;
    size_t top = 0, low, high, best = 0;
    while (top + 1 < g->corner_count && g->corners[top] < g->best_corner)
        top++;
    low = top > 0 ? top - 1 : 0;
    high = top + 1 < g->corner_count ? top + 1 : top;
    for (size_t i = 0; i <= CORNERS_NEAR; i++) {
        corners[i] = g->corners[low] + (g->corners[high] - g->corners[low]) * (double)i / CORNERS_NEAR;
        values[i] = height_of_corner(corners[i], &hill);
        best = values[i] > values[best] + SAME ? i : best;
    }
    low = best > 0 ? best - 1 : 0;
    high = best < CORNERS_NEAR ? best + 1 : best;
    corner = corners[best];
    value = values[best];
    if (value >= values[low] && value >= values[high])
        hill_climb(&heights, corners[low], values[low], corners[high], values[high], RISE_FINE, &corner,
                   &value);
    value = best_shape(&g->search, corner, window_at(g, corner), RISE_FINE, &a, NULL);
    if (value > g->best.log_likelihood + SAME) {
        g->best = a;
        g->best_corner = corner;
    }
}

/* The first pass over all corners, and the likeliest curve. */
static enum err_code survey(struct torque_region *g, struct err *e)
{
    struct torque_search *p = &g->search;
    size_t gaps = p->speed_count - 1;
    struct torque_search_answer a;
    double corner;
    g->corner_count = gaps * CORNERS_IN_GAP + 1;
    g->corners = calloc(g->corner_count, sizeof *g->corners);
    g->values = calloc(g->corner_count, sizeof *g->values);
    g->windows = calloc(g->corner_count, sizeof *g->windows);
    if (g->corners == NULL || g->values == NULL || g->windows == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", p->n);
    for (size_t i = 0; i < g->corner_count; i++) {
        size_t gap = i < g->corner_count - 1 ? i / CORNERS_IN_GAP : gaps - 1;
        double share = (double)(i - gap * CORNERS_IN_GAP) / CORNERS_IN_GAP;
        g->corners[i] = p->speeds[gap].r + share * (p->speeds[gap + 1].r - p->speeds[gap].r);
        g->values[i] = best_shape(p, g->corners[i], WHOLE, RISE, &a, &g->windows[i]);
        /* Where several corners are as likely as each other, but for rounding, the lowest. */
        if (g->values[i] > g->best.log_likelihood + SAME) {
            g->best = a;
            g->best_corner = g->corners[i];
        }
    }
    climb_corner(g);
    /* A search that solves for the corner in each gap of the ladder finds summits that lie between those
     * corners. */
    corner = torque_search_likeliest(p);
    if (p->best.log_likelihood > g->best.log_likelihood &&
        torque_search_held(p, corner, p->best.phi, true, &a) &&
        a.log_likelihood > g->best.log_likelihood + SAME) {
        g->best = a;
        g->best_corner = corner;
    }
    if (!(g->best.log_likelihood > TORQUE_SEARCH_IMPOSSIBLE))
        return err_set(e, ERR_NO_ANSWER, "the points do not determine the pull-out torque curve");
    g->variance = g->best.sigma * g->best.sigma;
    return ERR_OK;
}

/* The region itself, from the first pass that `from` holds. */
static enum err_code lay_out(struct torque_region *g, struct torque_region *from, double probability,
                             struct err *e)
{
    struct torque_search *p = &from->search;
    size_t low, high, count = from->corner_count;
    const double *corners = from->corners, *values = from->values;
    struct corner_hill hill = {from, p};
    struct hill heights = {height_of_corner, &hill};
    double t = gsl_cdf_tdist_Pinv(0.5 + probability / 2, g->m - PARAMETERS);
    bool kept = true;
    g->reach = t * t / (g->m - PARAMETERS);
    for (int k = 0; k < ANGLES; k++) {
        g->cosines[k] = cos(2 * PI * k / ANGLES);
        g->sines[k] = sin(2 * PI * k / ANGLES);
    }
    for (low = 0; low < count && corners[low] < g->best_corner && !(values[low] >= border(g));)
        low++;
    for (high = count; high > 0 && corners[high - 1] > g->best_corner && !(values[high - 1] >= border(g));)
        high--;
    g->open_below = low == 0;
    g->open_above = high == count;
    /* low: the first within reach, or the first past the best corner; high - 1 likewise from above. */
    g->corner_low = corners[0];
    if (low > 0) {
        bool best = low == count || corners[low] > g->best_corner;
        g->corner_low =
            hill_crossing(&heights, border(g), best ? g->best_corner : corners[low],
                          best ? g->best.log_likelihood : values[low], corners[low - 1], values[low - 1]);
    }
    g->corner_high = corners[count - 1];
    if (high < count) {
        bool best = high == 0 || corners[high - 1] < g->best_corner;
        g->corner_high =
            hill_crossing(&heights, border(g), best ? g->best_corner : corners[high - 1],
                          best ? g->best.log_likelihood : values[high - 1], corners[high], values[high]);
    }
    for (int i = 0; i <= CORNERS_FINE && kept; i++) {
        double corner = g->corner_low + (g->corner_high - g->corner_low) * i / CORNERS_FINE;
        kept = lay_out_corner(g, from, corner);
    }
    /* The best curve itself is within whatever the grid says. */
    if (!kept || !lay_out_corner(g, from, g->best_corner) || !keep(g, p, g->best_corner, &g->best))
        return err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", p->n);
    return ERR_OK;
}

enum err_code torque_region_new(const double *w_rad_s, const double *torque_nm, const bool *at_least,
                                const double *scale, size_t n, double probability,
                                struct torque_region **region, struct err *e)
{
    struct torque_region *g = calloc(1, sizeof *g);
    struct torque_search *p;
    enum err_code code;
    *region = NULL;
    if (g == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", n);
    p = &g->search;
    code = torque_search_begin(p, w_rad_s, torque_nm, at_least, scale, n, e);
    if (code == ERR_OK && (p->uncensored < PARAMETERS + 1 || p->speeds[0].speeds_from < PARAMETERS))
        code = err_set(e, ERR_NO_ANSWER,
                       "only %zu points at %zu speeds are more than lower bounds: a pull-out torque curve "
                       "takes %d at %d",
                       p->uncensored, p->speed_count > 0 ? p->speeds[0].speeds_from : 0, PARAMETERS + 1,
                       PARAMETERS);
    g->m = (double)p->uncensored;
    g->middle_rad_s = p->middle_rad_s;
    g->largest_nm = p->largest_nm;
    g->best.log_likelihood = TORQUE_SEARCH_IMPOSSIBLE;
    if (code == ERR_OK)
        code = survey(g, e);
    if (code == ERR_OK)
        code = lay_out(g, g, probability, e);
    if (code != ERR_OK) {
        torque_region_free(g);
        return code;
    }
    *region = g;
    return ERR_OK;
}

enum err_code torque_region_again(struct torque_region *region, double probability,
                                  struct torque_region **again, struct err *e)
{
    struct torque_region *g = calloc(1, sizeof *g);
    enum err_code code;
    *again = NULL;
    if (g == NULL)
        return err_set(e, ERR_MEMORY, "no memory for a torque curve of %zu points", region->search.n);
    g->m = region->m;
    g->middle_rad_s = region->middle_rad_s;
    g->largest_nm = region->largest_nm;
    g->best = region->best;
    g->best_corner = region->best_corner;
    g->variance = region->variance;
    code = lay_out(g, region, probability, e);
    if (code != ERR_OK) {
        torque_region_free(g);
        return code;
    }
    *again = g;
    return ERR_OK;
}

void torque_region_free(struct torque_region *g)
{
    if (g == NULL)
        return;
    torque_search_end(&g->search);
    free(g->corners);
    free(g->values);
    free(g->windows);
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

/* Values on the border of a node's ellipse at every `step`-th of the angles, taken into *low and *high. */
static void span_of_node(const struct torque_region *g, const struct node *node, int step,
                         torque_region_function *function, const void *context, double *low, double *high)
{
    double size = sqrt((g->reach - node->excess) * g->m * g->variance), cut[2] = {0};
    /* Cholesky: (alpha, beta) = likeliest + size (l11 cos, l21 cos + l22 sin). */
    double l11 = sqrt(node->c11), l21 = node->c12 / l11, l22 = sqrt(fmax(0, node->c22 - l21 * l21));
    int cuts = 0;
    if (node->beta < size * sqrt(node->c22)) {
        /* beta is not below 0: there the ellipse is cut off, at these two places. */
        double middle = atan2(l22, l21), half = acos(-node->beta / size / sqrt(node->c22));
        cut[0] = middle - half;
        cut[1] = middle + half;
        cuts = 2;
    }
    for (int k = -cuts; k < ANGLES; k += k < 0 ? 1 : step) {
        double cosine = k < 0 ? cos(cut[-k - 1]) : g->cosines[k],
               sine = k < 0 ? sin(cut[-k - 1]) : g->sines[k];
        double alpha = node->alpha + size * l11 * cosine;
        double beta = node->beta + size * (l21 * cosine + l22 * sine), value;
        struct torque_region_curve curve;
        if (alpha <= 0 || (k >= 0 && beta < 0))
            continue;
        curve = curve_of(g, node->corner, node->phi, alpha, fmax(0, beta));
        value = function(&curve, context);
        *low = fmin(*low, value);
        *high = fmax(*high, value);
    }
}

/* Only nodes that come near an end of the span are gone through at all angles: from one of the few angles to
 * the next a node adds less than SLACK of what it spans. */
void torque_region_interval(const struct torque_region *g, torque_region_function *function,
                            const void *context, double *low, double *high)
{
    *low = INFINITY;
    *high = -INFINITY;
    for (size_t i = 0; i < g->count; i++)
        span_of_node(g, &g->nodes[i], FEW_ANGLES, function, context, low, high);
    for (size_t i = 0; i < g->count; i++) {
        double from = INFINITY, to = -INFINITY;
        span_of_node(g, &g->nodes[i], FEW_ANGLES, function, context, &from, &to);
        if (from - SLACK * (to - from) < *low || to + SLACK * (to - from) > *high)
            span_of_node(g, &g->nodes[i], 1, function, context, low, high);
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
