/* The share of the commanded feed that is lost while the force stands still, from lost feed on commanded
 * feed. Pure arrays in, numbers out. */
#ifndef ANALYZE_NUMERICS_LOST_SHARE_H
#define ANALYZE_NUMERICS_LOST_SHARE_H

#include "rig/base/err.h"

#include <stddef.h>

/* What makes lost feed ripple beside noise: periods in mm of commanded feed, 0 where not known. */
struct lost_share_ripple {
    double turn_mm;       /* one turn of the drive gear */
    double pitch_mm;      /* one tooth */
    double motor_turn_mm; /* one turn of the motor; 0 also where it turns with the gear */
    double runout_mm;     /* standard uncertainty of the gear's radius over a turn: how large the ripple of a
                           * turn is expected to be where the feed spans no whole turn; 0: none is expected */
    double encoder_mm;    /* one count of the encoder */
};

struct lost_share {
    double share, standard_error; /* slope of lost feed; the scale of the feed is not in it */
    double degrees_of_freedom;    /* after residual autocorrelation */
    double turn_amplitude_mm;     /* ripple once per turn; 0 where it was not fitted */
    size_t blocks;                /* means of neighbouring samples that were fitted */
};

/* Fits n samples of lost feed on commanded feed (mm, rising) by a straight line and the sinusoids of the
 * ripple: per tooth and per motor turn where the feed spans at least three of them and the samples tell them
 * apart; per gear turn always, with the expected runout as one more observation of each coefficient. So a
 * feed over part of a turn has its slope's uncertainty from the runout, and one over several turns from the
 * data. ERR_NO_ANSWER for fewer than 20 samples or feed that does not rise. */
enum err_code lost_share_fit(const double *feed_mm, const double *lost_mm, size_t n,
                             const struct lost_share_ripple *ripple, struct lost_share *result,
                             struct err *e);

#endif
