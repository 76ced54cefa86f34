/* The studentised range: the spread of k independent normal means over an independent estimate of their
 * standard deviation, as Tukey's and Games and Howell's comparisons need it. Pure numbers. */
#ifndef ANALYZE_NUMERICS_STUDENTISED_RANGE_H
#define ANALYZE_NUMERICS_STUDENTISED_RANGE_H

/* Probability that the studentised range of k means (2 or more; whole) with degrees_of_freedom (fractional
 * allowed, at least 1; INFINITY: sigma is known) is above q: the upper tail, with all its digits where it is
 * small too. Its relative error is below 1e-12 up to 20 means, 1e-10 up to 40, 1e-7 up to 128. 1 for q <= 0;
 * NAN outside that domain or where the integral did not converge. */
double studentised_range_upper(double q, int k, double degrees_of_freedom);

/* The q that is exceeded with probability p (0 < p < 1). NAN as above. */
double studentised_range_quantile(double p, int k, double degrees_of_freedom);

/* The same upper tail where sigma is known, for the range r of k normal values: what does not depend on r is
 * worked out once. NULL without memory. */
struct studentised_known;
struct studentised_known *studentised_known_new(int k);
void studentised_known_free(struct studentised_known *known);
double studentised_known_upper(const struct studentised_known *known, double r);

#endif
