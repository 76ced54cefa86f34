/* Motor torque against speed: three models, chosen by AICc, with censored points.
 * Constant T0; linear droop T0 - T1 w; flat T0 joined at the corner to the voltage-limited pull-out torque of a two-phase
 * hybrid stepper, T = p psi V / Z - p psi^2 w R / Z^2, Z = sqrt(R^2 + w^2 L^2) (Acarnley, Stepping Motors, 4th ed.).
 * From torque alone psi, V, R, L are not all told apart: the fit uses T(w) = min(T0, A / z - B w / z^2) with
 * z = sqrt(1 + w^2 tau^2), tau = L / R, A = p psi V / R, B = p psi^2 / R. */
#ifndef ANALYZE_NUMERICS_TORQUE_FIT_H
#define ANALYZE_NUMERICS_TORQUE_FIT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define TORQUE_FIT_PARAMETERS_MAX 4

enum torque_fit_model { TORQUE_FIT_CONSTANT, TORQUE_FIT_DROOP, TORQUE_FIT_PULL_OUT, TORQUE_FIT_MODELS };

struct torque_fit {
    enum torque_fit_model model;
    size_t p;
    double parameters[TORQUE_FIT_PARAMETERS_MAX];
    double covariance[TORQUE_FIT_PARAMETERS_MAX][TORQUE_FIT_PARAMETERS_MAX];
    double scatter_nm;     /* estimated sd of a point */
    double log_likelihood;
    double aicc;
    double degrees_of_freedom;
};

/* Maximum likelihood for n points: w (electrical rad/s), torque (N m), at_least[i] true for a point known only to be a lower
 * bound (normal likelihood, right-censored). ERR_NO_ANSWER when there are too few uncensored points or no convergence. */
enum err_code torque_fit(enum torque_fit_model model, const double *w_rad_s, const double *torque_nm, const bool *at_least,
                         size_t n, struct torque_fit *fit, struct err *e);
/* Fitted torque and its standard error (delta method) at w. */
double torque_fit_at(const struct torque_fit *fit, double w_rad_s, double *standard_error_nm);
/* Corner: speed at which the flat part meets the pull-out curve, with standard error; false when there is none. */
bool torque_fit_corner(const struct torque_fit *fit, double *w_rad_s, double *standard_error_rad_s);

#endif
