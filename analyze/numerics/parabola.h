/* Least-squares parabola through many points in two passes over them: for curves that are fitted inside of
 * other work, where the points are many and the digits of linear_fit.h are not asked for. */
#ifndef ANALYZE_NUMERICS_PARABOLA_H
#define ANALYZE_NUMERICS_PARABOLA_H

#include "rig/base/err.h"

#include <stddef.h>

struct parabola {
    double centre, per_scale; /* of x: u = (x - centre) * per_scale is within -1 to 1 at the points */
    double coefficients[3];   /* of 1, u and u^2 */
    double residual_sd;       /* n - 3 degrees of freedom */
};

/* n points, x and y in any units. By the normal equations in u, whose condition number is small for points
 * that are spread over their range. ERR_NO_ANSWER for fewer than 4 points, values that are not finite, or
 * points at fewer than three places. */
enum err_code parabola_fit(const double *x, const double *y, size_t n, struct parabola *p, struct err *e);

static inline double parabola_value(const struct parabola *p, double x)
{
    double u = (x - p->centre) * p->per_scale;
    return p->coefficients[0] + u * (p->coefficients[1] + u * p->coefficients[2]);
}
double parabola_slope(const struct parabola *p, double x); /* dy/dx */

#endif
