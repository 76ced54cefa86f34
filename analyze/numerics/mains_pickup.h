/* Mains pick-up in an unloaded stretch of readings: sinusoids at the mains frequencies and their first
 * harmonics. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_MAINS_PICKUP_H
#define ANALYZE_NUMERICS_MAINS_PICKUP_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define MAINS_PICKUP_LINES 4
extern const double MAINS_PICKUP_HZ[MAINS_PICKUP_LINES]; /* 50, 60, 100, 120 */

struct mains_line {
    bool visible;     /* by the rate and the length; else all below is 0 */
    bool found;       /* noise alone gives as much with less than the false-alarm level, over all lines */
    double amplitude; /* zero to peak, unit of y, with what noise adds to its square taken off: 0 at least */
    double standard_uncertainty; /* by the noise beside the line */
    double p_value;              /* of this line alone */
};

struct mains_pickup {
    struct mains_line lines[MAINS_PICKUP_LINES];
    size_t visible_count;
    double noise_sd;   /* of one reading, beside lines and drift */
    double detectable; /* amplitude at any visible line that is found at least every second time */
};

/* Looks at y (n readings at times t_s, rising, in seconds, nearly even) block by block. Each block of about
 * half a second, in which a mains frequency that is off by 0.2 Hz loses 2 % of its amplitude, is fitted with
 * mean, drift, and cosine and sine of all visible lines at once, so that none leaks into another. The sum
 * over blocks of the fitted squares is held against the mean square of the residuals at neighbouring Fourier
 * frequencies: noise that is flat thereabouts, whatever it is elsewhere, gives Fisher's F of that with 2 and
 * 2 x neighbours degrees of freedom a block (M. B. Priestley, Spectral Analysis and Time Series, 1981, ch. 6,
 * from memory). Bonferroni over the visible lines keeps the chance that any is found in noise within
 * false_alarm (above 0, below 1).
 *
 * A line is visible when it is at least one over the block's length below half the rate. Readings faster than
 * 1200 a second are averaged first, and the amplitudes set right for that. One that is too high appears, if
 * at all, at a lower frequency, as always in sampled data.
 *
 * ERR_NO_ANSWER where no line is visible, the stretch is shorter than 0.2 s, or values are not finite;
 * ERR_MEMORY. */
enum err_code mains_pickup_find(const double *t_s, const double *y, size_t n, double false_alarm,
                                struct mains_pickup *pickup, struct err *e);

#endif
