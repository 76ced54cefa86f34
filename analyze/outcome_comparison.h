/* Comparison of two feeders in the quantities of their outcomes. One value a feeder is all there is, so the
 * difference rests on the two budgets: what is the same in both cancels in part, all else counts in full. No
 * I/O. */
#ifndef ANALYZE_OUTCOME_COMPARISON_H
#define ANALYZE_OUTCOME_COMPARISON_H

#include "analyze/comparison.h"

/* Append to s->comparisons every pair of feeders in every quantity of the same test, key, setting and unit
 * that both have and that is marked as compared, and their families to s->families. ERR_MEMORY. */
enum err_code outcome_comparison_add(struct session *s, struct err *e);

/* The budget of a minus b. Components of a calibration that is common to both, and in one series the
 * alignment of the load axis, are the same error twice: what is left of them is the difference of their
 * contributions, signs and all. Everything else is taken as independent, which is cautious where it is not. A
 * quantity without a budget that makes up its standard uncertainty counts as one component. The result has
 * one component for each name; sensitivities are 1, uncertainties in the unit of the quantities. */
void outcome_comparison_budget(const struct outcome_quantity *a, const struct outcome_quantity *b,
                               bool same_calibration, bool same_series, struct budget *difference);

/* The same of a comparison of the session that was judged. */
void outcome_comparison_budget_of(const struct session *s, const struct comparison *c, struct budget *budget);

#endif
