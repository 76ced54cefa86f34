/* Motor torque against speed: three models, chosen by AICc, with censored points.
 * Constant T0; linear droop T0 - T1 w; flat T0 joined at the corner to the voltage-limited pull-out torque of
 * a two-phase hybrid stepper, T = p psi V / Z - p psi^2 w R / Z^2, Z = sqrt(R^2 + w^2 L^2) (Acarnley,
 * Stepping Motors, 4th ed.). From torque alone psi, V, R, L are not all told apart: the fit uses T(w) =
 * min(T0, A / z - B w / z^2) with z = sqrt(1 + w^2 tau^2), tau = L / R, A = p psi V / R, B = p psi^2 / R. */
#ifndef ANALYZE_NUMERICS_TORQUE_FIT_H
#define ANALYZE_NUMERICS_TORQUE_FIT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define TORQUE_FIT_PARAMETERS_MAX 4

enum torque_fit_model { TORQUE_FIT_CONSTANT, TORQUE_FIT_DROOP, TORQUE_FIT_PULL_OUT, TORQUE_FIT_MODELS };

/* parameters: constant {T0}; droop {T0, T1}; pull-out {T0, A, B, tau}, in N m, N m s, N m, N m, N m s and s.
 */
struct torque_fit {
    enum torque_fit_model model;
    size_t p;
    double parameters[TORQUE_FIT_PARAMETERS_MAX];
    /* From the observed information, times m / (m - p) as for scatter_nm: use it with t at
     * degrees_of_freedom. */
    double covariance[TORQUE_FIT_PARAMETERS_MAX][TORQUE_FIT_PARAMETERS_MAX];
    /* The same without the curvature of the model, which is what programs for least squares state: for
     * comparison with them only. The curvature matters where the points bend the shape little. */
    double linearised[TORQUE_FIT_PARAMETERS_MAX][TORQUE_FIT_PARAMETERS_MAX];
    double scatter_nm; /* estimated sd of a point: the maximum-likelihood value times sqrt(m / (m - p)) */
    double log_likelihood;
    double aicc;               /* p + 1 parameters (the scatter is one), n counts censored points too */
    double degrees_of_freedom; /* m - p for m uncensored points */
    bool flat_part_seen; /* pull-out: T0 comes from points of its own and not from the falling part alone */
    double low_rad_s, high_rad_s; /* range of speeds of the points: outside it the curve is a guess */
};

/* Maximum likelihood for n points: w (electrical rad/s), torque (N m), at_least[i] true for a point known
 * only to be a lower bound (normal likelihood, right-censored); at_least NULL: none is. The points may be in
 * any order and repeat speeds. Pull-out keeps T0, A, tau above 0 and B at 0 or above, and needs uncensored
 * points at 4 or more speeds. When the points show no flat part (the likelihood-ratio test at 5 %
 * does not want one), T0 is the pull-out torque at the lowest speed. ERR_NO_ANSWER when there are too few
 * points, uncensored points or speeds, a value is not finite, a speed is negative, or there is no
 * convergence. */
enum err_code torque_fit(enum torque_fit_model model, const double *w_rad_s, const double *torque_nm,
                         const bool *at_least, size_t n, struct torque_fit *fit, struct err *e);
/* The same where points scatter unlike: the sd of point i is scatter_nm times scale[i] (above 0; NULL: all
 * 1). Motors differ from run to run by a share of their torque, so that a scale in proportion to the torque
 * often fits better; the likelihood says so. */
enum err_code torque_fit_scaled(enum torque_fit_model model, const double *w_rad_s, const double *torque_nm,
                                const bool *at_least, const double *scale, size_t n, struct torque_fit *fit,
                                struct err *e);
/* Fitted torque and its standard error (delta method) at w; standard_error_nm may be NULL. */
double torque_fit_at(const struct torque_fit *fit, double w_rad_s, double *standard_error_nm);
/* Corner: speed at which the flat part meets the pull-out curve, with standard error; false when there is
 * none, or none within the range of the points. */
bool torque_fit_corner(const struct torque_fit *fit, double *w_rad_s, double *standard_error_rad_s);

#endif
