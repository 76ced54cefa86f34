/* Stall force against nip preload: the grip rises with preload, F = mu P or b + mu P, up to a level where the
 * grip is saturated or the motor gives way. Pure arrays in, structs out.
 *
 * Grip and motor are two limits, and each push shows the lower: a push that the motor ended says that the
 * grip would have held at least as much, and the other way round. So each limit is fitted by itself, with the
 * pushes of the other as lower bounds, and pushes chosen by what limited them do no harm. */
#ifndef ANALYZE_NUMERICS_GRIP_FIT_H
#define ANALYZE_NUMERICS_GRIP_FIT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

enum grip_fit_label {
    GRIP_FIT_GRIP,
    GRIP_FIT_MOTOR,
    GRIP_FIT_BOUND, /* ended before either gave way: a lower bound of both */
    GRIP_FIT_LABELS
};

struct grip_fit_value {
    bool found;
    double value, standard_error; /* standard error NAN: not known, from one push alone */
    double degrees_of_freedom;
};

enum grip_fit_top { GRIP_FIT_NO_TOP, GRIP_FIT_TOP_MOTOR, GRIP_FIT_TOP_SATURATED };

struct grip_fit {
    size_t count[GRIP_FIT_LABELS];
    struct grip_fit_value coefficient; /* N per N */
    struct grip_fit_value intercept_n; /* found: AICc wants one */
    struct grip_fit_value saturated_n; /* found: AICc wants a level of the grip */
    struct grip_fit_value motor_n;     /* level at which the motor gives way */
    double grip_sd;                    /* relative, from push to push */
    enum grip_fit_top top;             /* which of the two levels is met first */
    struct grip_fit_value top_n;
    struct grip_fit_value best_preload_n; /* where the rising line meets the top; not found: no top, or no
                                           * line */
    double covariance[3][3]; /* of coefficient, intercept and saturated level; 0 where there is none */
};

/* n pushes: stall force (N) at a preload (N), and what limited each. ERR_NO_ANSWER when there are fewer than
 * two preloads, numbers make no sense, or neither limit can be told. */
enum err_code grip_fit(const double *preload_n, const double *stall_n, const enum grip_fit_label *labels,
                       size_t n, struct grip_fit *fit, struct err *e);

/* The grip's force at a preload by the fit, without the motor; NAN without a coefficient. */
double grip_fit_at(const struct grip_fit *fit, double preload_n, double *standard_error);

#endif
