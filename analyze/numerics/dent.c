#include "analyze/numerics/dent.h"

#include "analyze/numerics/difference.h"

#include <math.h>

#define CHANCE 0.05

static double welch(const struct dent_level *a, const struct dent_level *b)
{
    double va = a->standard_error * a->standard_error, vb = b->standard_error * b->standard_error;
    double degrees =
        (va + vb) * (va + vb) / (va * va / a->degrees_of_freedom + vb * vb / b->degrees_of_freedom);
    return fmax(1, degrees);
}

static bool lower(const struct dent_level *first, const struct dent_level *level, size_t others)
{
    double off = first->ratio - level->ratio, error = hypot(first->standard_error, level->standard_error);
    return off > 0 && difference_p_value(off, error, welch(first, level)) < CHANCE / (double)others;
}

struct dent dent_find(const struct dent_level *levels, size_t n)
{
    struct dent d = {0};
    size_t k = n;
    while (k > 1 && lower(&levels[0], &levels[k - 1], n - 1))
        k--;
    if (n < 2 || k == n)
        return d;
    d.found = true;
    d.within_n = levels[k - 1].preload_n;
    d.from_n = levels[k].preload_n;
    d.shrink = levels[0].ratio - levels[n - 1].ratio;
    d.standard_error = hypot(levels[0].standard_error, levels[n - 1].standard_error);
    d.degrees_of_freedom = welch(&levels[0], &levels[n - 1]);
    return d;
}
