/* What a feeder can push at a speed: the lesser of what its motor gives and what its grip holds, each from
 * its pushes. No I/O. */
#ifndef ANALYZE_FEEDER_LIMIT_H
#define ANALYZE_FEEDER_LIMIT_H

#include "analyze/analysis.h"
#include "analyze/numerics/linear_fit.h"

#include <stdbool.h>
#include <stddef.h>

/* Fewest pushes limited by grip that tell a level and its scatter. */
#define FEEDER_LIMIT_GRIP_LEAST 3

struct feeder_limit {
    double low_speed_mm_s, high_speed_mm_s; /* pushed at: outside nothing is known */
    bool motor, grip;                       /* which of the two are known */
    const struct torque_curve *curve;
    double torque_per_newton_m;
    struct linear_fit grip_fit; /* ln F on ln v: a level, or a power of the speed */
    bool cause_unknown;         /* neither is known: grip_fit is of all stall forces, whatever gave way */
    size_t push_count, grip_count, motor_count; /* pushes with a stall force, bounds too; of them ... */
    double motor_least_n; /* least force of a push limited by the motor: the grip held it */
};

/* Of the blocked pushes and speed sweeps of session->feeders[feeder]. False with the reason in why (size
 * bytes) when there is no limit to draw over a range of speeds. */
bool feeder_limit_find(const struct session *session, size_t feeder, struct feeder_limit *limit, char *why,
                       size_t size);

/* The limit at one speed within the range. */
struct feeder_limit_value {
    double force_n, standard_error_n, degrees_of_freedom;
    double low_95_n, high_95_n;
    enum limited_by
        by; /* LIMITED_MOTOR, LIMITED_GRIP, or LIMITED_UNCLEAR where the two cannot be told apart */
};
struct feeder_limit_value feeder_limit_at(const struct feeder_limit *limit, double speed_mm_s);

#endif
