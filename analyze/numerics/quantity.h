/* One measured number with its uncertainty: what every published value carries. */
#ifndef ANALYZE_NUMERICS_QUANTITY_H
#define ANALYZE_NUMERICS_QUANTITY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct quantity {
    bool present;  /* false: there is no such value; the rest is then meaningless */
    bool at_least; /* right-censored: the true value is at or above value; no interval */
    uint32_t n;    /* independent observations behind it */
    double value;
    double standard_uncertainty; /* combined, k = 1 */
    double low_95, high_95;      /* coverage interval */
    double degrees_of_freedom;   /* effective; INFINITY when known that well */
};

/* Call once when a program starts, before any thread and before any other function of analyze/numerics:
 * switches off the error handler of GSL, which aborts. Every function here then checks what GSL returns and
 * reports through struct err. */
void quantity_init_numerics(void);

/* The numerics library in use, by name and version. Returns buffer. */
char *quantity_numerics_version(char *buffer, size_t size);

struct quantity quantity_absent(void);
struct quantity quantity_at_least(double value);
/* value +- t(0.975, degrees_of_freedom) * standard_uncertainty; degrees of freedom are truncated to a whole
 * number before t is looked up, as JCGM 100 G.4.1 has it; below 1 (or NAN) they count as 1, INFINITY means
 * the normal value. Absent when value or standard_uncertainty is not finite or the latter is negative.
 * degrees_of_freedom is kept as given. */
struct quantity quantity_from(double value, double standard_uncertainty, double degrees_of_freedom, size_t n);
/* Student's t with probability 0.975 below it, for whole or fractional degrees of freedom as given, at least
 * 1; INFINITY gives the normal value, 1.95996. */
double quantity_t_975(double degrees_of_freedom);

#endif
