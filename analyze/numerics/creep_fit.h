/* Lost share of feed against force over the runs of one setting: s = s0 + c F below the onset of gross slip
 * and s = s0 + c F + g (F - onset) above it, up to 1 at the grip limit, where all feed is lost. Pure arrays
 * in, structs out.
 *
 * Two things scatter from run to run: the share itself, and the grip. A run whose grip is stronger by the
 * factor 1 + r loses what a nominal one loses at the force F / (1 + r), so that past the onset the share
 * scatters by g F r, and about the onset its mean bends smoothly. Both standard deviations are found from the
 * residuals. */
#ifndef ANALYZE_NUMERICS_CREEP_FIT_H
#define ANALYZE_NUMERICS_CREEP_FIT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

struct creep_fit_data {
    const double *force_n, *share, *share_u; /* of runs that fed; share_u counts where two runs are all */
    size_t n;
    const double *stall_n; /* force at which the grip lost all feed, of runs in which it did */
    size_t stalls;
};

enum creep_fit_parameter { CREEP_OFFSET, CREEP_PER_N, CREEP_ONSET, CREEP_GRIP, CREEP_PARAMETERS };

struct creep_fit {
    /* With onset_found all four, else offset and creep alone. */
    double parameters[CREEP_PARAMETERS];
    double covariance[CREEP_PARAMETERS][CREEP_PARAMETERS];
    bool onset_found;
    double share_sd, grip_sd;        /* from run to run; grip_sd is relative */
    double creep_degrees_of_freedom; /* of offset and creep */
    double grip_degrees_of_freedom;  /* of onset and grip */
    double bic_gain; /* BIC of the straight line minus that of the bent one; NAN where only one could be
                      * fitted */
    size_t left_out; /* runs past the onset that are too few to fit it: the line is that of the others */
    double above_n;  /* left_out > 0: the onset lies above this force, */
    double below_n;  /* and below this one */
};

/* Fit the runs. The onset is kept where BIC wants it. ERR_NO_ANSWER with fewer than two different forces
 * below an onset, or values that are not finite. */
enum err_code creep_fit(const struct creep_fit_data *data, struct creep_fit *fit, struct err *e);

/* Share at a force by the fit, and its standard error. */
double creep_fit_at(const struct creep_fit *fit, double force_n, double *standard_error);

#endif
