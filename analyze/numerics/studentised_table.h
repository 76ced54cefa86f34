/* The studentised range of the same number of means for many degrees of freedom, as the pairs of a session
 * ask for it. The range of known scatter takes most of the time and does not depend on the degrees of
 * freedom: its logarithm is held as Chebyshev series, and so is one quantile as a function of the degrees of
 * freedom. A series is made when it is first needed. Pure numbers. */
#ifndef ANALYZE_NUMERICS_STUDENTISED_TABLE_H
#define ANALYZE_NUMERICS_STUDENTISED_TABLE_H

struct studentised_table;

/* For k means, 2 or more, and the quantile that is exceeded with probability p. NULL without memory. */
struct studentised_table *studentised_table_new(int k, double p);
void studentised_table_free(struct studentised_table *table);

/* As studentised_range_upper and, with the p of the table, studentised_range_quantile: equal to what that
 * integral promises. Degrees of freedom from 1 on. The table learns: not by two threads at a time. */
double studentised_table_upper(struct studentised_table *table, double q, double degrees_of_freedom);
double studentised_table_quantile(struct studentised_table *table, double degrees_of_freedom);

/* Tables of every number of means that is asked for, with one p. */
struct studentised_tables;
struct studentised_tables *studentised_tables_new(double p);
void studentised_tables_free(struct studentised_tables *tables);
/* Tables make these two fast, and no other: with NULL, or without memory, the integral is worked out. Of p
 * the tables know one best. */
double studentised_tables_upper(struct studentised_tables *tables, double q, int k,
                                double degrees_of_freedom);
double studentised_tables_quantile(struct studentised_tables *tables, double p, int k,
                                   double degrees_of_freedom);

#endif
