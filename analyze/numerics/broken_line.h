/* One continuous broken line through scattered points: y = a + b x + c max(0, x - breakpoint). Every interval between
 * neighbouring x is solved in closed form from running sums, so the least-squares breakpoint is exact. O(n) after sorting. */
#ifndef ANALYZE_NUMERICS_BROKEN_LINE_H
#define ANALYZE_NUMERICS_BROKEN_LINE_H

#include "rig/base/err.h"

#include <stddef.h>

struct broken_line {
    size_t n;
    double breakpoint, breakpoint_standard_error; /* linearised, as Muggeo's: se of the gap term over |slope change| */
    double intercept;
    double left_slope, left_slope_standard_error;
    double right_slope, right_slope_standard_error;
    double residual_sum, residual_sd, degrees_of_freedom; /* n - 4 */
    double bic_gain; /* BIC of one straight line minus BIC of the broken one: above 0 when the break is wanted */
};

/* ERR_NO_ANSWER when fewer than 5 distinct x, or a value is not finite. */
enum err_code broken_line_fit(const double *x, const double *y, size_t n, struct broken_line *fit, struct err *e);

#endif
