/* The search behind torque_fit and torque_region: points scaled and sorted, and the curve that is likeliest,
 * alone or with its shape and corner held. For those two modules only. */
#ifndef ANALYZE_NUMERICS_TORQUE_SEARCH_H
#define ANALYZE_NUMERICS_TORQUE_SEARCH_H

#include "analyze/numerics/censored_fit.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* Shape limits: w tau of the middle speed from 1e-4 (no inductance seen) to 100 (no resistance seen). */
#define TORQUE_SEARCH_PHI_LOW  1e-8
#define TORQUE_SEARCH_PHI_HIGH (1 - 1e-4)
/* Shapes with which a search begins: the profile may have more than one hill. */
#define TORQUE_SEARCH_SHAPE_COUNT 19
extern const double TORQUE_SEARCH_SHAPES[TORQUE_SEARCH_SHAPE_COUNT];
#define TORQUE_SEARCH_IMPOSSIBLE (-1e300)

struct torque_search_point {
    double r, y;  /* speed and torque, scaled */
    double scale; /* scatter of the point is sigma times this */
    bool at_least;
};

/* What the likelihood sees of the points: all of one speed that are more than bounds as one row, their
 * weighted mean, and each bound as a row. root: 1 / scale, of a mean the root of the sum of their squares. */
struct torque_search_row {
    double r, root;
};

struct torque_search_speed {
    double r;
    size_t first;        /* its first point */
    size_t first_row;    /* and row */
    size_t known;        /* uncensored points at this speed */
    double weight, mean; /* of those: sum of the squares of their roots, and weighted mean */
    /* Of all uncensored points up to this speed: the same, and their squares about their mean less those
     * about the means of the speeds. */
    double weight_to, mean_to, squares_to;
    size_t uncensored_to; /* uncensored points at this speed and below */
    size_t speeds_from;   /* speeds from this one on that have an uncensored point */
};

/* Scaled answer. flat_count points lie on the flat part; tied: T0 is P at speed number knot. */
struct torque_search_answer {
    double log_likelihood, sigma;
    double t0, alpha, beta, phi; /* for the linear models: t0, and alpha the droop over the middle speed */
    size_t flat_count, knot;
    bool tied;
};

/* Sums over points for least squares on the columns x = 1 / sqrt(s) and z = r / s. */
struct torque_search_falling_sums {
    double xx, xz, zz, xy, zy, yy;
};

struct torque_search {
    struct torque_search_point *points;
    struct torque_search_speed *speeds;
    struct torque_search_row *rows;
    double *columns; /* row_count rows of CENSORED_FIT_COLUMNS_MAX, times the row's root */
    double *y;       /* of the rows, times their root */
    double *likely;  /* see struct censored_points */
    bool *at_least;  /* of the rows */
    double squares;  /* of the uncensored points about the means of their speeds, over their scales */
    size_t n, row_count, speed_count, uncensored;
    bool precise;         /* points too near the curve for running sums */
    size_t corners_tried; /* speeds up to which a corner is looked for: 1 means no flat part */
    struct torque_search_falling_sums *from; /* work space: sums over each speed and those above it */
    double middle_rad_s, largest_nm;
    double log_scales;                /* sum of the logarithms of the uncensored points' scales */
    struct torque_search_answer best; /* of all phi tried so far */
};

/* Scale, sort and count n points; at_least NULL: none is, scale NULL: all 1. ERR_MEMORY. End it whatever this
 * returns. */
enum err_code torque_search_begin(struct torque_search *p, const double *w_rad_s, const double *torque_nm,
                                  const bool *at_least, const double *scale, size_t n, struct err *e);
void torque_search_end(struct torque_search *p);

/* Likeliest pull-out curve, with a flat part where the points want one, and straight line of 1 or 2
 * parameters: into p->best, whose log_likelihood stays TORQUE_SEARCH_IMPOSSIBLE when the points do not
 * determine it. */
void torque_search_pull_out(struct torque_search *p);
/* Likeliest pull-out curve of all, whether or not it needs its flat part, and r of its corner: into p->best
 * too. */
double torque_search_likeliest(struct torque_search *p);
void torque_search_line(struct torque_search *p, size_t parameters);

/* s = 1 - phi + phi r^2, the falling part at r, and the number of speeds from that one on which have a point
 * that is more than a bound. */
double torque_search_shape(double phi, double r);
double torque_search_falling(const struct torque_search_answer *a, double r);
size_t torque_search_speeds_from(const struct torque_search *p, size_t speed);

/* Likeliest curve with the shape held and the corner held at r = corner, so that it is P at the greater of r
 * and that; beta is 0 when with_beta is false. False where the points do not determine it. */
bool torque_search_held(struct torque_search *p, double corner, double phi, bool with_beta,
                        struct torque_search_answer *a);

#endif
