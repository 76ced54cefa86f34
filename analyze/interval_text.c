#include "analyze/interval_text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int interval_text_decimals(const struct quantity *q)
{
    double half = (q->high_95 - q->low_95) / 2;
    char digits[32];
    if (!(half > 0) || !isfinite(half))
        return 3;
    /* Rounding first, exponent second: 0.996 has its two digits in "1.0", not in "0.99". */
    snprintf(digits, sizeof digits, "%.1e", half);
    return (int)fmin(9, fmax(0, 1 - (double)strtol(strchr(digits, 'e') + 1, NULL, 10)));
}

/* Of an interval that is known to tens or worse, what the tens leave is no digit that is known. */
static double step_of(const struct quantity *q)
{
    double half = (q->high_95 - q->low_95) / 2;
    return half >= 99.5 && isfinite(half) ? pow(10, floor(log10(half * 1.005)) - 1) : 0;
}

static double rounded(double value, double step)
{
    return step > 0 ? round(value / step) * step : value;
}

const char *interval_text(const struct quantity *q, const char *unit, char *buffer, size_t size)
{
    int decimals = interval_text_decimals(q);
    double step = step_of(q);
    if (!q->present)
        snprintf(buffer, size, "unknown");
    else if (q->at_least)
        snprintf(buffer, size, "at least %.4g%s", q->value, unit);
    else
        snprintf(buffer, size, "%.*f%s (%.*f to %.*f)", decimals, rounded(q->value, step), unit, decimals,
                 rounded(q->low_95, step), decimals, rounded(q->high_95, step));
    return buffer;
}
