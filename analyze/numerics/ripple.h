/* Errors that recur with the turn of a gear: a straight line and sines of known orders fitted together to
 * error against turns. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_RIPPLE_H
#define ANALYZE_NUMERICS_RIPPLE_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define RIPPLE_ORDERS_MAX 5

struct ripple_input {
    size_t n;
    const double *turns; /* rising */
    const double *error; /* in any unit */
    size_t order_count;
    double orders[RIPPLE_ORDERS_MAX]; /* cycles a turn */
    double false_alarm;               /* probability that noise alone makes a sine above the level, 0.01 */
    double order_most;                /* up to which sines are looked for, of the false alarm */
    /* Where error is commanded less counted way: the way of one count, in the unit of error, and the
     * commanded way of one turn. 0: error is not rounded. */
    double count, per_turn;
};

struct ripple_sine {
    double order;
    double raw_amplitude;        /* as fitted; noise alone makes it about 1.25 standard uncertainties */
    double amplitude;            /* what is left when a variance is taken off its square, not below 0 */
    double standard_uncertainty; /* of noise and of the rounding to counts at this order */
    double phase_rad;            /* error = ... + amplitude sin(2 pi order turns + phase) */
    bool stands_out;             /* raw_amplitude is above the level */
};

struct ripple {
    size_t n;
    double intercept, slope, slope_standard_error; /* error per turn */
    struct ripple_sine sines[RIPPLE_ORDERS_MAX];
    double residual_sd;
    double correlation_length; /* samples per independent residual */
    double degrees_of_freedom;
    double level; /* amplitude that noise alone passes with the probability asked for, anywhere up to
                   * order_most (Baluev 2008) */
};

/* ERR_NO_ANSWER for fewer than 30 samples, values that are not finite, or orders that the turns cannot tell
 * apart. */
enum err_code ripple_fit(const struct ripple_input *in, struct ripple *fit, struct err *e);

/* The same sine seen in several runs, its phase a different one in each. */
struct ripple_joined {
    double amplitude, standard_uncertainty; /* the latter from the runs' noise alone */
    double level; /* amplitude in every run below which noise alone is not ruled out */
    bool stands_out;
    bool weak; /* low_95 and high_95 are then those of the noncentral chi-square of the squares; the
                * amplitude is no mean but the root of what is left of their sum */
    double low_95, high_95;
};
/* amplitudes: as in ripple_sine; 0 where nothing was left. noise_p: probability that noise alone makes the
 * sine stand out. All standard uncertainties above 0; n at least 1. */
struct ripple_joined ripple_join(const double *amplitudes, const double *standard_uncertainties, size_t n,
                                 double noise_p);

/* Amplitude of a sine whose standard-normalised power is that, in errors of standard deviation sd. */
double ripple_amplitude_of_power(double power, double sd);

#endif
