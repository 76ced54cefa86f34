/* Thinning of long rows of points for a picture, or for a file that nobody wants to be that long. */
#ifndef ANALYZE_REPORT_CHART_THIN_H
#define ANALYZE_REPORT_CHART_THIN_H

#include <stdbool.h>
#include <stddef.h>

/* Marks in keep (n flags) the points to keep: all of them when they are at most twice the stretches (at least
 * 1). Else, of each of so many stretches of consecutive points, the first, the last and the extremes both
 * ways, so that a curve and a path in the order of time keep their shape and nothing that stands out is lost.
 * Points that are not finite are no extremes. */
#define CHART_THIN_KEPT_MAX 6 /* points of a stretch that are kept */
void chart_thin(const double *x, const double *y, size_t n, size_t stretches, bool *keep);

#endif
