/* How sure an estimated standard deviation is. Pure numbers. */
#ifndef ANALYZE_NUMERICS_SD_INTERVAL_H
#define ANALYZE_NUMERICS_SD_INTERVAL_H

/* 95 % interval of the true standard deviation of normal values, estimated as sd with degrees_of_freedom
 * (above 0, fractional allowed): sd^2 times them over the true variance is chi-squared, equal tails. INFINITY
 * degrees give sd itself; outside the domain both are NAN. */
void sd_interval(double sd, double degrees_of_freedom, double *low_95, double *high_95);

#endif
