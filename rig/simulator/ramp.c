#include "rig/simulator/ramp.h"

#include <math.h>

struct ramp ramp_still(double position_steps)
{
    return (struct ramp){
        .start_steps = position_steps, .acceleration_steps_s2 = 1, .end_steps = position_steps};
}

bool ramp_move(double position_steps, double now_steps_s, double speed_steps_s, double acceleration_steps_s2,
               double travel_steps, struct ramp *r)
{
    /* Along the direction of the new speed; v0 may be negative: then the feed turns round first. */
    const double direction = speed_steps_s < 0 ? -1 : 1;
    const double a = acceleration_steps_s2;
    const double v0 = direction * now_steps_s;
    double v = fabs(speed_steps_s);
    double cruise_s = INFINITY;
    double end = 0;
    if (travel_steps > 0) {
        end = nearbyint(position_steps) + direction * travel_steps;
        const double distance = direction * (end - position_steps);
        double change = fabs(v * v - v0 * v0) / (2 * a);
        if (v0 < 0)
            change = (v * v - v0 * v0) / (2 * a);
        const double brake = v * v / (2 * a);
        if (change + brake <= distance) {
            cruise_s = (distance - change - brake) / v;
        } else {
            /* No room for the full speed: up to the peak from which braking ends in the right place. */
            const double peak_squared = a * distance + v0 * v0 / 2;
            if (peak_squared < v0 * fabs(v0))
                return false;
            v = sqrt(peak_squared);
            cruise_s = 0;
        }
    }
    *r = (struct ramp){.start_steps = position_steps,
                       .start_steps_s = now_steps_s,
                       .cruise_steps_s = direction * v,
                       .acceleration_steps_s2 = a,
                       .change_s = fabs(v - v0) / a,
                       .cruise_s = cruise_s,
                       .brake_s = v / a,
                       .end_steps = end};
    return true;
}

struct ramp ramp_stop(double position_steps, double now_steps_s, double acceleration_steps_s2)
{
    struct ramp r = ramp_still(position_steps);
    r.start_steps_s = now_steps_s;
    r.acceleration_steps_s2 = acceleration_steps_s2;
    r.change_s = fabs(now_steps_s) / acceleration_steps_s2;
    r.end_steps = nearbyint(position_steps + now_steps_s * r.change_s / 2);
    return r;
}

double ramp_duration_s(const struct ramp *r)
{
    return r->change_s + r->cruise_s + r->brake_s;
}

double ramp_position_steps(const struct ramp *r, double t_s)
{
    if (t_s >= ramp_duration_s(r))
        return r->end_steps;
    const double at_change = fmin(t_s, r->change_s);
    const double slope = r->cruise_steps_s < r->start_steps_s ? -1 : 1;
    double position = r->start_steps + r->start_steps_s * at_change +
                      slope * r->acceleration_steps_s2 * at_change * at_change / 2;
    if (t_s <= r->change_s)
        return position;
    const double cruising = fmin(t_s - r->change_s, r->cruise_s);
    position += r->cruise_steps_s * cruising;
    const double braking = t_s - r->change_s - cruising;
    if (braking > 0) {
        const double against = r->cruise_steps_s < 0 ? 1 : -1;
        position += r->cruise_steps_s * braking + against * r->acceleration_steps_s2 * braking * braking / 2;
    }
    return position;
}

double ramp_speed_steps_s(const struct ramp *r, double t_s)
{
    if (t_s >= ramp_duration_s(r))
        return 0;
    if (t_s < r->change_s) {
        const double slope = r->cruise_steps_s < r->start_steps_s ? -1 : 1;
        return r->start_steps_s + slope * r->acceleration_steps_s2 * t_s;
    }
    const double braking = t_s - r->change_s - r->cruise_s;
    if (braking <= 0)
        return r->cruise_steps_s;
    const double against = r->cruise_steps_s < 0 ? 1 : -1;
    return r->cruise_steps_s + against * r->acceleration_steps_s2 * braking;
}
