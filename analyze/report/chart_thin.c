#include "analyze/report/chart_thin.h"

#include <math.h>
#include <string.h>

/* Whether a is a better extreme than b, the best so far, where less is better. */
static bool better(double a, double b)
{
    return isfinite(a) && (!isfinite(b) || a < b);
}

void chart_thin(const double *x, const double *y, size_t n, size_t stretches, bool *keep)
{
    if (n <= 2 * stretches) {
        memset(keep, true, n * sizeof *keep);
        return;
    }
    memset(keep, false, n * sizeof *keep);
    for (size_t s = 0; s < stretches; s++) {
        size_t from = s * n / stretches, to = (s + 1) * n / stretches;
        size_t low_x = from, high_x = from, low_y = from, high_y = from;
        for (size_t i = from; i < to; i++) {
            low_x = better(x[i], x[low_x]) ? i : low_x;
            high_x = better(-x[i], -x[high_x]) ? i : high_x;
            low_y = better(y[i], y[low_y]) ? i : low_y;
            high_y = better(-y[i], -y[high_y]) ? i : high_y;
        }
        keep[from] = keep[to - 1] = keep[low_x] = keep[high_x] = keep[low_y] = keep[high_y] = true;
    }
}
