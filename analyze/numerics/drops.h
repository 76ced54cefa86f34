/* Rises and drops of the push force: where feed gives way all at once. Pure arrays in, structs out.
 *
 * A drop is a step down that stands out from the noise of the unloaded reading, looked for at several widths
 * so that a quick clean drop and a slower one among noise are both found. Its peak is read off a curve fitted
 * to the rise before it at the moment of the drop (never the largest sample, which is biased upward by the
 * noise), its trough off the rise after.
 */
#ifndef ANALYZE_NUMERICS_DROPS_H
#define ANALYZE_NUMERICS_DROPS_H

#include "rig/base/err.h"

#include <stddef.h>

/* A drop must stand this many standard deviations of its own filter out of the unloaded reading. */
#define DROPS_STAND_OUT 7.0

struct drop {
    size_t index;   /* first sample after the drop has begun */
    size_t over;    /* first sample after it is over: index, but where the fall took several samples */
    double feed_mm; /* commanded feed at the drop: between the samples on its two sides */
    double peak_n, peak_standard_error_n; /* the reading alone: noise and where between two samples it fell */
    double trough_n;
};

/* Find up to room drops in n samples of force (N) against commanded feed (mm, increasing). quiet (quiet_n
 * samples, N) is an unloaded stretch of the same channel: its noise and mains pick-up set the threshold.
 * least_n: smallest drop of interest. Returns how many were found, in order of feed; *found_scale receives
 * the widest window used in samples. */
size_t drops_find(const double *feed_mm, const double *force_n, size_t n, const double *quiet_n_values,
                  size_t quiet_count, double least_n, struct drop *drops, size_t room);

/* How the rise before a stepper's loss of step is shaped. */
struct motor_rise {
    double full_step_mm;       /* feed of one full step */
    double stiffness_n_per_mm; /* starting value; kept where a rise has too few samples to fit it */
    double creep_per_n;        /* lost share of feed s = c F + g max(0, F - onset); all 0 when not known */
    double gross_slip_per_n;
    double onset_n;
};

/* Read the peaks again as those of a stepper about to lose step. Its load angle nears 90 degrees at the peak,
 * where the lag of the rotor grows faster than in proportion and the rise flattens: F solves integral from F
 * to F_m of dF / (k (1 - s(F))) + full_step_mm * (1 - (2/pi) asin(F / F_m)) = feed at the drop - feed, fitted
 * to each rise for the peak F_m and the stiffness k. A straight line or parabola would overshoot. */
void drops_read_motor_peaks(const double *feed_mm, const double *force_n, size_t n, double noise_n,
                            const struct motor_rise *rise, struct drop *drops, size_t count);

/* Period of recurrence in mm of feed from the autocorrelation of force resampled evenly on feed between the
 * first and the last drop; strength (0 to 1) is the correlation at it. Returns 0 when fewer than 3 drops or
 * no peak stands out. */
double drops_period_mm(const double *feed_mm, const double *force_n, const struct drop *drops, size_t count,
                       double *strength);

/* Median feed from one drop to the next, mm; 0 for fewer than 2 drops, or without memory. */
double drops_recurrence_mm(const struct drop *drops, size_t count);

/* Variance of the median of n normal values, relative to that of one value. Exact for n up to 10 (numerical
 * integration of the order statistics' densities), then (pi/2) / (n + 1.40) for even and / (n + 0.44) for odd
 * n, within 0.3 % up to 40. */
double drops_median_variance(size_t n);

/* Median of the peaks and its standard error from their scatter; 0 for count < 2 (the scatter is then not
 * known). */
double drops_median_peak(const struct drop *drops, size_t count, double *standard_error_n);

#endif
