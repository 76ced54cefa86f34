/* Comparison of feeders in what their pushes at one speed gave: stall force and slip onset, value by value,
 * by the design that was run. No I/O. */
#ifndef ANALYZE_COMPARISON_PUSH_H
#define ANALYZE_COMPARISON_PUSH_H

#include "analyze/comparison.h"

/* Add comparisons and families of both forces at every speed that two feeders or more have. ERR_MEMORY. */
enum err_code comparison_push_add(struct session *s, struct err *e);

/* The values that the comparison rests on: of the feeders (indices into session.feeders) at one speed, one
 * for each feeder and block, groups numbered as in feeders. Several runs in one block share its mounting:
 * they are one value, their mean, and a lower bound as soon as one of them is. *values is to be freed.
 * ERR_MEMORY. */
enum err_code comparison_push_values(const struct session *s, const size_t *feeders, size_t count,
                                     double speed_mm_s, bool onset, struct design_value **values, size_t *n,
                                     struct err *e);

/* The budget of a pair that was judged: its scatter, and what the calibration adds. */
void comparison_push_budget(const struct session *s, const struct comparison *c, struct budget *budget);

/* The run's stall force or slip onset; NULL unless it is a push under the feeder's own conditions that gave
 * one. */
const struct quantity *comparison_push_value(const struct run_result *run, bool onset);

/* Whether two speeds are one and the same, as far as a plan's decimals tell. */
bool comparison_same_speed(double a_mm_s, double b_mm_s);

#endif
