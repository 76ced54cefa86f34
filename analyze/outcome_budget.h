/* Budgets of numbers that are worked out from forces and carry other units. No I/O. */
#ifndef ANALYZE_OUTCOME_BUDGET_H
#define ANALYZE_OUTCOME_BUDGET_H

#include "analyze/push_budget.h"

/* Add a component. A standard uncertainty that is not finite or not above 0, or a sensitivity that is not
 * finite, is left out. estimate: it rests on a number that the operator gave. */
void outcome_budget_part(struct budget *b, const char *name, const char *unit, double standard_uncertainty,
                         double sensitivity, double degrees_of_freedom, enum budget_type type, bool estimate);

/* What every force of this bench carries (push_budget_add_bench at force_n), for a result that changes by
 * sensitivity, in its own unit, per newton of it. difference: the result is a difference of two forces, or a
 * slope: what is the same for all forces is not in it. */
void outcome_budget_bench(struct budget *b, double force_n, double sensitivity, bool difference,
                          const struct calibration *calibration, const struct push_settings *settings);

#endif
