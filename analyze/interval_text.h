/* A value and its 95 % interval for a sentence. No I/O. */
#ifndef ANALYZE_INTERVAL_TEXT_H
#define ANALYZE_INTERVAL_TEXT_H

#include "analyze/numerics/quantity.h"

#include <stddef.h>

#define INTERVAL_TEXT_MAX 80

/* Decimal places that show two significant digits of the half width of the interval (JCGM 100, 7.2.6); 0
 * to 9. */
int interval_text_decimals(const struct quantity *q);
/* "27.4 N (27.2 to 27.7)", to two digits of half the interval, "at least 27.4 N", "unknown". unit with its
 * blank before it, or other words that stand between value and interval, or "". Returns buffer. */
const char *interval_text(const struct quantity *q, const char *unit, char *buffer, size_t size);

#endif
