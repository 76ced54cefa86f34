/* The studentised range of many means for many degrees of freedom: what pairs of many feeders, each with a
 * scatter of its own, ask for thousands of times. The range of known scatter takes most of the time and does
 * not depend on the degrees of freedom: its logarithm is held as Chebyshev series, and so is one quantile as
 * a function of the degrees of freedom. Pure numbers. */
#ifndef ANALYZE_NUMERICS_STUDENTISED_TABLE_H
#define ANALYZE_NUMERICS_STUDENTISED_TABLE_H

/* From so many means on a table is worth its making: some twenty quantiles. */
#define STUDENTISED_TABLE_LEAST 10

struct studentised_table;

/* For k means, 2 or more, and the quantile that is exceeded with probability p. NULL without memory. */
struct studentised_table *studentised_table_new(int k, double p);
void studentised_table_free(struct studentised_table *table);

/* As studentised_range_upper and, with the p of the table, studentised_range_quantile: equal to what that
 * integral promises. Degrees of freedom from 1 on. */
double studentised_table_upper(const struct studentised_table *table, double q, double degrees_of_freedom);
double studentised_table_quantile(const struct studentised_table *table, double degrees_of_freedom);

#endif
