/* The mean of one quantity over the runs of a feeder, with its budget: what the runs scatter by, and once
 * what all of them share. For quantities in any unit. No I/O. */
#ifndef ANALYZE_RUN_MEAN_H
#define ANALYZE_RUN_MEAN_H

#include "analyze/numerics/budget.h"
#include "analyze/numerics/quantity.h"

#include <stddef.h>

/* Add a component in that unit (sensitivity 1). A standard uncertainty that is not finite or not above 0 is
 * left out. */
void run_mean_add(struct budget *b, const char *name, const char *unit, double standard_uncertainty,
                  double degrees_of_freedom, enum budget_type type, bool estimate);

/* Add every component of from, times factor, to b; unit is that of the result. */
void run_mean_add_scaled(struct budget *b, const struct budget *from, double factor, const char *unit);

/* values: count quantities of runs, each with all that it is uncertain by; those that are absent or only a
 * bound are left out. shared: what all runs have in common, at the mean. Of three runs or more their scatter
 * counts (Student's t with n - 1 degrees); of one what it is uncertain by itself; of two the same, or their
 * scatter where that is more than chance would make of it. *budget is filled. Absent without values. */
struct quantity run_mean(const struct quantity *values, size_t count, const struct budget *shared,
                         const char *unit, struct budget *budget);

#endif
