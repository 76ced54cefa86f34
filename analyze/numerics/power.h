/* Power of comparisons: how often a true difference is found, how many repeats that takes, and which
 * difference a given number of repeats can see. Pure numbers. */
#ifndef ANALYZE_NUMERICS_POWER_H
#define ANALYZE_NUMERICS_POWER_H

#include "analyze/numerics/studentised_table.h"
#include "rig/base/err.h"

#include <stdbool.h>

/* Cumulative probability of Student's noncentral t at t, with degrees_of_freedom at least 1 (fractional, or
 * INFINITY) and noncentrality of either sign. NAN outside the domain. */
double power_noncentral_t(double t, double degrees_of_freedom, double noncentrality);
/* The same of the noncentral F with n1 and n2 degrees of freedom and noncentrality lambda from 0 to 1e8. */
double power_noncentral_f(double f, double n1, double n2, double lambda);

/* What designs of the same shape asked before, so that many of them are asked in little time: the same
 * answers. Zeroed to begin with; an entry is overwritten where another falls on its place. */
#define POWER_MEMORY_SIZE 1024
struct power_memory {
    struct studentised_tables *tables; /* NULL: none */
    struct {
        int feeders, repeats; /* 0: empty */
        bool blocks;
        double level, critical;
    } kept[POWER_MEMORY_SIZE];
};

/* A planned comparison of feeders. Feeders run in blocks are compared within their blocks; else they are
 * independent groups. */
struct power_design {
    int feeders; /* 2 or more: each pair is judged at the family's level, by the studentised range */
    bool blocks;
    double sd;    /* of one value: of its residual from feeder and block where there are blocks */
    double level; /* two-sided, of the family: 0.05 */
    struct power_memory *memory; /* NULL: none */
};
/* Probability that a pair of feeders that differ by difference is declared different, with repeats values
 * each: two-sided, both directions counted. With two feeders it is that of the t test, paired (its sd of
 * differences being sqrt(2) sd) or of two samples. NAN for repeats < 2 or nonsense. */
double power_of_pair(const struct power_design *d, int repeats, double difference);
/* Probability that the F test of the design finds any difference among its feeders' true means, whose
 * variance (denominator feeders - 1) is given. NAN as above, and where it is so far above sd that the
 * noncentrality is beyond 1e8. */
double power_of_f_test(const struct power_design *d, int repeats, double variance_of_means);

#define POWER_REPEATS_MAX 100000
/* Least number of repeats with which power_of_pair is at least power. ERR_NO_ANSWER beyond
 * POWER_REPEATS_MAX; ERR_CALLER for nonsense (power not between level and 1, difference or sd not above 0).
 */
enum err_code power_repeats(const struct power_design *d, double difference, double power, int *repeats,
                            struct err *e);
/* The difference that repeats values find with that power. */
enum err_code power_difference(const struct power_design *d, int repeats, double power, double *difference,
                               struct err *e);

/* Degrees of freedom that repeats values of each feeder leave for the scatter; NAN for a design that
 * power_of_pair has no answer for. */
double power_degrees_of_freedom(const struct power_design *d, int repeats);

/* Below: for other kinds of power over the same designs. */

/* ERR_CALLER for a design that makes no sense, or a power that is not between its level and 1. */
enum err_code power_check(const struct power_design *d, double power, struct err *e);
/* Least number of repeats, 2 or more, with which power_with, rising with them, is at least power.
 * ERR_NO_ANSWER beyond POWER_REPEATS_MAX. */
enum err_code power_search(double (*power_with)(int repeats, void *context), void *context, double power,
                           int *repeats, struct err *e);

#endif
