/* Power of the two one-sided tests: how often feeders that are alike are called equivalent, how many repeats
 * that takes, and within which margin a given number of repeats can call them so. Pure numbers.
 *
 * A pair is equivalent within +- margin where the interval of its difference, of coverage 1 - 2 level, lies
 * inside (Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657-680). Its power is the chance of that,
 * averaged over the chi distribution of the estimated scatter. With more than two feeders every pair is
 * judged at level / pairs (Bonferroni); Holm's steps call at least as many equivalent. */
#ifndef ANALYZE_NUMERICS_EQUIVALENCE_POWER_H
#define ANALYZE_NUMERICS_EQUIVALENCE_POWER_H

#include "analyze/numerics/power.h"
#include "rig/base/err.h"

/* Probability that a pair of feeders whose true difference is difference is called equivalent within +-
 * margin (above 0), with repeats values of each. d->level: of each of the two tests. NAN for repeats < 2 or
 * nonsense, or without memory. */
double equivalence_power(const struct power_design *d, int repeats, double margin, double difference);
/* Least number of repeats with which a pair that is truly alike is called equivalent within +- margin with
 * that power. Errors as power_repeats. */
enum err_code equivalence_repeats(const struct power_design *d, double margin, double power, int *repeats,
                                  struct err *e);
/* The margin within which repeats values call such a pair equivalent with that power. Errors as
 * power_difference. */
enum err_code equivalence_margin(const struct power_design *d, int repeats, double power, double *margin,
                                 struct err *e);

#endif
