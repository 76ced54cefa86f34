/* Least-squares parabola, or straight line, through many points in three passes over them: for curves that
 * are fitted inside of other work, where the points are many and the digits of linear_fit.h are not asked
 * for. */
#ifndef ANALYZE_NUMERICS_PARABOLA_H
#define ANALYZE_NUMERICS_PARABOLA_H

#include "rig/base/err.h"

#include <stddef.h>

struct parabola {
    double centre, per_scale; /* of x: u = (x - centre) * per_scale is within -1 to 1 at the points */
    double coefficients[3];   /* of 1, u and u^2; of a straight line the last is 0 */
    double inverse[3][3];     /* of the normal equations: times the variance of a point, their covariance */
    double residual_sd;       /* n - degree - 1 degrees of freedom; 0 when there are none */
};

/* n points, x and y in any units; x NULL: 0, 1, 2 and so on. degree: 2, or 1 for a straight line. By the
 * normal equations in u, whose condition number is small for points that are spread over their range.
 * ERR_NO_ANSWER for fewer than degree + 1 points, values that are not finite, or points at fewer than
 * degree + 1 places. */
enum err_code parabola_fit(const double *x, const double *y, size_t n, int degree, struct parabola *p,
                           struct err *e);

static inline double parabola_value(const struct parabola *p, double x)
{
    double u = (x - p->centre) * p->per_scale;
    return p->coefficients[0] + u * (p->coefficients[1] + u * p->coefficients[2]);
}
double parabola_slope(const struct parabola *p, double x); /* dy/dx */
/* Standard deviation of the value at x over that of a point. */
double parabola_relative_sd(const struct parabola *p, double x);

#endif
