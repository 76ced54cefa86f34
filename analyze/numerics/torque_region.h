/* What the points leave open of a flat part joined to a pull-out curve: all curves whose likelihood is within
 * reach of the best, and from them profile-likelihood intervals of anything that a curve has. The linearised
 * covariance of torque_fit does not do for that: shape, corner and the two torques of the falling part pull
 * against each other, and the likelihood is flat between two speeds of the ladder. Pure arrays in, numbers
 * out. */
#ifndef ANALYZE_NUMERICS_TORQUE_REGION_H
#define ANALYZE_NUMERICS_TORQUE_REGION_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* One curve: T(w) = min(flat, A / z - B w / z^2), z = sqrt(1 + w^2 tau^2), in N m, N m, N m s, s; corner in
 * rad/s, where the two meet. */
struct torque_region_curve {
    double flat_nm, a_nm, b_nm_s, tau_s, corner_rad_s;
};

struct torque_region; /* owns its curves */

/* n points as torque_fit_scaled takes them. probability: of the intervals, 0.95 say. ERR_NO_ANSWER under the
 * same conditions; ERR_MEMORY. */
enum err_code torque_region_new(const double *w_rad_s, const double *torque_nm, const bool *at_least,
                                const double *scale, size_t n, double probability,
                                struct torque_region **region, struct err *e);
/* The same points with another probability, for less: what was found of the region is used again. region is
 * one that torque_region_new made; its work space is used, so that two threads may not do this at once. */
enum err_code torque_region_again(struct torque_region *region, double probability,
                                  struct torque_region **again, struct err *e);
void torque_region_free(struct torque_region *region); /* NULL is fine */

/* Torque of the likeliest curve at w, and its interval. */
double torque_region_at(const struct torque_region *region, double w_rad_s);
void torque_region_torque(const struct torque_region *region, double w_rad_s, double *low_nm,
                          double *high_nm);
/* Interval of whatever the function makes of a curve; it is taken to have no extreme inside the region, as
 * products, quotients and powers have not. */
typedef double torque_region_function(const struct torque_region_curve *curve, const void *context);
void torque_region_interval(const struct torque_region *region, torque_region_function *function,
                            const void *context, double *low, double *high);
/* Interval of the corner. Open below: no flat part fits the points as well; open above: no falling part
 * does. */
struct torque_region_corner {
    double low_rad_s, high_rad_s;
    bool open_below, open_above;
};
struct torque_region_corner torque_region_corner(const struct torque_region *region);
/* The likeliest curve of all. */
struct torque_region_curve torque_region_best(const struct torque_region *region);
/* Whether the region reaches the limits of the shape: no inductance seen, no resistance seen, no back-EMF
 * seen. */
struct torque_region_open {
    bool no_inductance, no_resistance, no_back_emf;
};
struct torque_region_open torque_region_open(const struct torque_region *region);
/* Of the scatter: points that are more than bounds, less 4. */
double torque_region_degrees_of_freedom(const struct torque_region *region);

#endif
