/* Creep, gross slip and its onset in one loading of a blocked push. Pure arrays in, a struct out.
 *
 * The lost share of feed at push force F is s = c F (creep) up to the onset F_on and s = c F + g (F - F_on)
 * past it. With W(x) = integral of F over feed and H(x) = integral of max(0, F - F_on) over feed, with an
 * encoder     lost feed L = a + b F + c W + g H + small terms without             F = a + k x - k c W - k g H
 * - k (small terms). For a candidate onset at sample i, H_i(x) = (W - W_i) - F_i (x - x_i) past x_i and 0
 * before: both forms are then linear, and all their products come from running sums, so every candidate is
 * solved in closed form: O(n), no differentiation.
 *
 * Small terms that are not slip:
 *  - the stepper's load angle. Under torque the rotor lags by (2/pi) asin(F / F_m) full steps, F_m the force
 * at which the motor loses step (static torque T = -T_h sin(N_r theta): Acarnley, Stepping Motors, 4th ed.).
 * The lag is taken off the feed for each of several possible F_m, and the fits are averaged by their
 * likelihood;
 *  - feed that recurs with the turn of an eccentric gear and with its teeth: a sine each, its amplitude
 * expected beforehand to be within a stated size (a pseudo-observation), and passed on by the nip less the
 * share it loses.
 */
#ifndef ANALYZE_NUMERICS_SLIP_ONSET_H
#define ANALYZE_NUMERICS_SLIP_ONSET_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define SLIP_ONSET_RIPPLES_MAX 2

struct slip_onset_input {
    size_t n;
    const double *feed_mm; /* commanded, increasing */
    const double *force_n;
    const double *lost_mm;                     /* commanded minus measured feed; NULL without an encoder */
    double full_step_mm;                       /* feed of one full step; 0: leave the load angle out */
    double motor_limit_n;                      /* F_m where it is known from this push; 0: not known */
    double motor_limit_standard_uncertainty_n; /* of F_m, where it is known */
    size_t ripple_count; /* feed errors that recur with feed: once per gear turn, once per tooth */
    struct {
        double period_mm;
        double amplitude_mm; /* expected beforehand, one standard deviation */
    } ripples[SLIP_ONSET_RIPPLES_MAX];
    double bic_gain_least; /* BIC gain that an onset must bring to be believed */
};

struct slip_onset {
    size_t n;
    bool onset_found;
    double onset_n, onset_standard_error_n;
    double onset_feed_mm;
    double creep_per_n, creep_standard_error_per_n;
    double gross_slip_per_n;                  /* g; 0 without an onset */
    double settle_n, settle_standard_error_n; /* force at which all feed would be lost, c F + g (F - F_on) =
                                                1; 0 without an onset */
    double lost_share_end;                    /* s at the force where the loading ends */
    double stiffness_n_per_mm, stiffness_standard_error_n_per_mm; /* k; 0 when fitted to lost feed */
    double residual_sd;                                           /* of F in N, or of L in mm */
    double correlation_length; /* samples per independent residual, at least 1 */
    double degrees_of_freedom; /* independent residuals less parameters */
    double bic_gain;           /* of the model with onset over the one without */
};

/* ERR_NO_ANSWER for fewer than 30 samples, values that are not finite, or a loading that does not determine
 * the model. */
enum err_code slip_onset_fit(const struct slip_onset_input *in, struct slip_onset *fit, struct err *e);

/* Lag of the rotor, in mm of feed, at force_n for a motor that loses step at motor_limit_n: (2/pi)
 * asin(F/F_m) full steps. */
double slip_onset_lag_mm(double full_step_mm, double force_n, double motor_limit_n);

#endif
