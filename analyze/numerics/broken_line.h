/* One continuous broken line through scattered points: y = a + b x + c max(0, x - breakpoint). Every interval
 * between neighbouring x is solved in closed form from running sums, so the least-squares breakpoint is
 * exact. O(n) after sorting. */
#ifndef ANALYZE_NUMERICS_BROKEN_LINE_H
#define ANALYZE_NUMERICS_BROKEN_LINE_H

#include "rig/base/err.h"

#include <stddef.h>

struct broken_line {
    size_t n;
    double breakpoint,
        breakpoint_standard_error; /* linearised, as Muggeo's: se of the gap term over |slope change| */
    double intercept;
    double left_slope, left_slope_standard_error;
    double right_slope, right_slope_standard_error;
    double residual_sum, residual_sd, degrees_of_freedom; /* n - 4 */
    double
        bic_gain; /* BIC of one straight line minus BIC of the broken one: above 0 when the break is wanted */
};

/* Fits n points in any order; x may repeat. The breakpoint lies between the second least and the second
 * greatest distinct x, so that each side holds two of them. Where it falls on a knot (an x of the data), the
 * standard errors are those of the side that takes the knot in on the left, and say nothing of the kink that
 * the residual sum has there. ERR_NO_ANSWER when there are fewer than 5 distinct x, a value is not finite, or
 * the points lie on one straight line. */
enum err_code broken_line_fit(const double *x, const double *y, size_t n, struct broken_line *fit,
                              struct err *e);

#endif
