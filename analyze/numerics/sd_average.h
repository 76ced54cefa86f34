/* Averages over what an estimated standard deviation may be: what turns a normal distribution into Student's.
 * Pure numbers. */
#ifndef ANALYZE_NUMERICS_SD_AVERAGE_H
#define ANALYZE_NUMERICS_SD_AVERAGE_H

/* Mean of f(s) >= 0, s being the estimate of a standard deviation of 1 with so many degrees of freedom (s^2
 * times them is chi-squared): f must be smooth, rise or fall throughout, and may rise towards s = 0, even
 * from where it is nothing. Some 1e-13 of the result are left by the integration where f falls no faster than
 * the tail of a normal distribution; more where it is steeper. degrees_of_freedom at least 1; INFINITY gives
 * f(1).
 */
double sd_average(double (*f)(double s, void *context), void *context, double degrees_of_freedom);

#endif
