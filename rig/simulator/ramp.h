/* The motion of one axis: a trapezoid of speed over time, worked out when the command comes in.
 * Pure arithmetic. Positions in microsteps, times in seconds since the ramp began. */
#ifndef RIG_SIMULATOR_RAMP_H
#define RIG_SIMULATOR_RAMP_H

#include <stdbool.h>

struct ramp {
    double start_steps;    /* position when the ramp began */
    double start_steps_s;  /* signed speed then */
    double cruise_steps_s; /* signed speed reached */
    double acceleration_steps_s2;
    double change_s;  /* time from the start speed to the cruise speed */
    double cruise_s;  /* time at it; infinite without an end */
    double brake_s;   /* time from it to standstill */
    double end_steps; /* a whole microstep; meaningless without an end */
};

/* Standing still. */
struct ramp ramp_still(double position_steps);

/* From a position and speed to speed_steps_s (not 0) with acceleration_steps_s2 (above 0); to standstill
 * travel_steps (0: never) away in the direction of speed_steps_s, counted from the whole microstep nearest to
 * the start and exact. Returns false, *r untouched, when the travel is too short to brake in. */
bool ramp_move(double position_steps, double now_steps_s, double speed_steps_s, double acceleration_steps_s2,
               double travel_steps, struct ramp *r);

/* To standstill on the whole microstep nearest to where braking ends. */
struct ramp ramp_stop(double position_steps, double now_steps_s, double acceleration_steps_s2);

double ramp_position_steps(const struct ramp *r, double t_s);
double ramp_speed_steps_s(const struct ramp *r, double t_s);
/* Infinite when the ramp goes on until stopped. */
double ramp_duration_s(const struct ramp *r);

#endif
