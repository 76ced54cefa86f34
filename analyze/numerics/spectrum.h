/* Periodic parts of irregular series: Lomb-Scargle power with floating mean, its false-alarm level, and the
 * amplitude at one known frequency. Pure arrays in, numbers out. */
#ifndef ANALYZE_NUMERICS_SPECTRUM_H
#define ANALYZE_NUMERICS_SPECTRUM_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* Power at each frequency: the share of the scatter about the mean that a sinusoid with a mean of its own
 * takes away, 0 to 1 (standard normalisation; Zechmeister and Kuerster, Astron. Astrophys. 496 (2009)
 * 577-584). t and the reciprocal frequency share a unit; t need not be sorted or even. Takes n * count steps.
 * Where the times cannot tell sine from cosine, or neither from a constant (frequency 0), only what they can
 * tell counts. ERR_NO_ANSWER for fewer than 4 points, values that are not finite, or y without scatter. */
enum err_code spectrum_power(const double *t, const double *y, size_t n, const double *frequencies,
                             size_t count, double *power, struct err *e);

/* Probability that noise alone (independent, normal) gives a power of at least this somewhere up to
 * frequency_most: upper bound of Baluev, Mon. Not. R. Astron. Soc. 385 (2008) 1279-1285, eq. 5 and 6 (formula
 * from memory), close where it is small. Takes no more of t than its spread. NAN for fewer than 4 points. */
double spectrum_false_alarm(double power, const double *t, size_t n, double frequency_most);
/* The power whose false-alarm probability is this, say 0.01: what lies below it is not to be believed. */
double spectrum_false_alarm_level(double probability, const double *t, size_t n, double frequency_most);

/* A sinusoid of one known frequency, such as mains pick-up in an unloaded stretch. */
struct spectrum_line {
    double frequency_hz;          /* asked for */
    double apparent_frequency_hz; /* where it shows when samples come at even spacing: folded below half their
                                   * rate */
    bool folded;                  /* the two differ: a true signal of the apparent frequency looks the same */
    double amplitude;             /* half of peak to peak, in the unit of y; noise alone makes it about
                                   * 1.25 standard uncertainties, never 0 */
    double standard_uncertainty;
    double phase_rad; /* y = ... + amplitude cos(2 pi f t + phase) with t as given */
    double residual_sd;
    double degrees_of_freedom;
    double p_value; /* probability that noise alone gives so much: F test on the pair of columns */
};

/* Fits mean, straight drift, cosine and sine at frequency_hz. t_s in seconds, increasing. ERR_NO_ANSWER for
 * fewer than 6 points, or times that cannot tell the sinusoid from a constant or its sine from its cosine (a
 * sample rate that the frequency is a multiple of half of). */
enum err_code spectrum_line_fit(const double *t_s, const double *y, size_t n, double frequency_hz,
                                struct spectrum_line *line, struct err *e);

#endif
