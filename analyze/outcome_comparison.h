/* Comparison of two feeders in the quantities of their outcomes. One value a feeder is all there is, so the
 * difference rests on the two budgets: what is the same in both cancels in part, all else counts in full. No
 * I/O. */
#ifndef ANALYZE_OUTCOME_COMPARISON_H
#define ANALYZE_OUTCOME_COMPARISON_H

#include "analyze/analysis.h"

/* How many comparisons outcome_comparison_add can add at most. */
size_t outcome_comparison_most(const struct session *s);

/* Append to s->comparisons (which has room for so many more) every pair of feeders in every quantity of the
 * same test, key, setting and unit that both have and that is marked as compared. Verdicts are only until the
 * p values of the whole session are adjusted. */
void outcome_comparison_add(struct session *s);

/* The budget of a minus b. Components of a calibration that is common to both, and in one series the
 * alignment of the load axis, are the same error twice: what is left of them is the difference of their
 * contributions, signs and all. Everything else is taken as independent, which is cautious where it is not. A
 * quantity without a budget that makes up its standard uncertainty counts as one component. The result has
 * one component for each name; sensitivities are 1, uncertainties in the unit of the quantities. */
void outcome_comparison_budget(const struct outcome_quantity *a, const struct outcome_quantity *b,
                               bool same_calibration, bool same_series, struct budget *difference);

#endif
