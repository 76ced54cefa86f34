/* One measured number with its uncertainty: what every published value carries. */
#ifndef ANALYZE_NUMERICS_QUANTITY_H
#define ANALYZE_NUMERICS_QUANTITY_H

#include <stdbool.h>
#include <stddef.h>

struct quantity {
    bool present;        /* false: there is no such value; the rest is then meaningless */
    bool at_least;       /* right-censored: the true value is at or above value; no interval */
    double value;
    double standard_uncertainty; /* combined, k = 1 */
    double low_95, high_95;      /* coverage interval */
    double degrees_of_freedom;   /* effective; INFINITY when known that well */
    size_t n;                    /* independent observations behind it */
};

struct quantity quantity_absent(void);
struct quantity quantity_at_least(double value);
/* value +- t(0.975, degrees_of_freedom) * standard_uncertainty; degrees of freedom are truncated to a whole number
 * before t is looked up, as JCGM 100 G.4.1 has it; below 1 they count as 1. */
struct quantity quantity_from(double value, double standard_uncertainty, double degrees_of_freedom, size_t n);

#endif
