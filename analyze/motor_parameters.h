/* What a torque curve tells of the motor: flux linkage, resistance and inductance where the speeds tell them
 * apart, else the combinations that they do tell. No I/O.
 *
 * The falling part is T(w) = A / z - B w / z^2, z = sqrt(1 + w^2 tau^2) with A = p psi V / R, B = p psi^2 /
 * R, tau = L / R; p rotor teeth (full steps / 4), V = 4 / pi of the supply (the fundamental of a square
 * wave). So psi = V B / A, R = p V^2 B / A^2, L = tau R. Losses of the reduction lessen A and B alike: psi
 * and tau do not feel them, R and L come out greater by one over the efficiency. */
#ifndef ANALYZE_MOTOR_PARAMETERS_H
#define ANALYZE_MOTOR_PARAMETERS_H

#include "analyze/numerics/budget.h"
#include "analyze/numerics/quantity.h"
#include "analyze/numerics/torque_region.h"

#include <stdbool.h>

enum motor_parameter {
    MOTOR_FLAT_TORQUE_NM,
    MOTOR_TIME_CONSTANT_S,      /* tau */
    MOTOR_HIGH_SPEED_TORQUE,    /* A / tau in N m rad/s: torque times electrical speed far above the corner */
    MOTOR_FLUX_PER_VOLT,        /* of supply: psi / V in Wb/V */
    MOTOR_RESISTANCE_PER_VOLT2, /* ohm/V2 */
    MOTOR_INDUCTANCE_PER_VOLT2, /* H/V2 */
    MOTOR_PARAMETERS
};

struct motor_parameter_value {
    struct quantity q;    /* of the fit with the lever and the bench */
    struct budget budget; /* of q; "fit of the torque curve" comes first */
    bool determined; /* told by these speeds: bounded on both sides and within MOTOR_PARAMETERS_FACTOR of its
                      * value either way, at MOTOR_PARAMETERS_SURE and with the torques leant against the
                      * speed */
};
/* A value that is open by more than this factor is none. */
#define MOTOR_PARAMETERS_FACTOR 1.5
/* How well a force at one speed is known against one at another: peaks are read off fewer samples at speed.
 * An estimate, for what no simulation shows: simulated pushes at 16 to 25 samples a motor cycle read within
 * 0.05 % of those at many. All that lies between the slowest and the fastest speed is leant by as much,
 * either way. */
#define MOTOR_PARAMETERS_LEAN 0.0025
/* Name of the component that comes of it. */
#define MOTOR_PARAMETERS_LEAN_NAME "force at one speed against another"

struct motor_parameters {
    bool present;
    struct motor_parameter_value values[MOTOR_PARAMETERS];
    struct budget corner_budget; /* of the curve's corner_speed_mm_s, where that is present */
    /* Interval of the corner, in mm/s, and which of its ends are only those of the ladder. */
    double corner_low_mm_s, corner_high_mm_s;
    bool corner_open_below, corner_open_above;
};

/* What is known beside the points: relative standard uncertainties that all torques share. */
struct motor_parameters_common {
    double rotor_teeth;
    double lever_relative; /* of the drive diameter */
    double bench_relative; /* of every force: load cell, alignment, calibration */
    double rad_s_per_mm_s; /* electrical speed per feed speed */
    size_t n;              /* points */
};

/* What the points leave open: as they are, and leant by MOTOR_PARAMETERS_LEAN one way and the other. A leant
 * one may be NULL, where the leant points tell no curve: then nothing but the flat torque is told. */
struct motor_parameters_regions {
    const struct torque_region *as_read, *leant[2];
    /* The same points at MOTOR_PARAMETERS_SURE: what is told is decided by this one. Were it the 95 %
     * interval, those values would be told whose interval came out narrow by chance, and they would be wrong
     * more often than 1 in 20. */
    const struct torque_region *sure;
};
#define MOTOR_PARAMETERS_SURE 0.9999

/* The torque at a speed that lies at share (0 to 1) of the ladder, leant: times 1 - lean at the slowest and 1
 * + lean at the fastest. */
double motor_parameters_leant_nm(double torque_nm, double share, double lean);

/* Both fill the whole of *m and *corner_mm_s (absent where an end is open). Flat torque is that
 * of the points as read. The corner and what rests on the shape of the falling part are so sensitive to it
 * that their interval is the hull of the three regions' intervals. */
void motor_parameters_find(const struct motor_parameters_regions *regions,
                           const struct motor_parameters_common *common, struct motor_parameters *m,
                           struct quantity *corner_mm_s);

/* A quantity of that interval of the fit (its own standard uncertainty is the half width over t), with the
 * relative standard uncertainties of lever and bench to the power 1 or 0 added: budget and all. */
struct quantity motor_parameters_quantity(double value, double low, double high, double degrees_of_freedom,
                                          double lever_relative, double bench_relative, size_t n,
                                          const char *unit, struct budget *budget);

#endif
