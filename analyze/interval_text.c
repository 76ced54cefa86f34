#include "analyze/interval_text.h"

#include <math.h>
#include <stdio.h>

int interval_text_decimals(const struct quantity *q)
{
    double half = (q->high_95 - q->low_95) / 2;
    if (!(half > 0) || !isfinite(half))
        return 3;
    return (int)fmin(9, fmax(0, 1 - floor(log10(half))));
}

const char *interval_text(const struct quantity *q, const char *unit, char *buffer, size_t size)
{
    int decimals = interval_text_decimals(q);
    if (!q->present)
        snprintf(buffer, size, "unknown");
    else if (q->at_least)
        snprintf(buffer, size, "at least %.4g%s", q->value, unit);
    else
        snprintf(buffer, size, "%.*f%s (%.*f to %.*f)", decimals, q->value, unit, decimals, q->low_95,
                 decimals, q->high_95);
    return buffer;
}
