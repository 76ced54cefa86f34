/* Motor, reduction and drive gear at one speed: the force the motor can hold, the lag it holds it at, and the
 * feed that a turning gear gives. The gear's travel is counted along its mean pitch line, mm. */
#ifndef RIG_MODEL_DRIVE_H
#define RIG_MODEL_DRIVE_H

#include "rig/model/model.h"

struct drive {
    double diameter_mm;      /* effective, dent allowed for */
    double full_step_mm;     /* feed of one full motor step */
    double gear_torque_n_mm; /* greatest torque at the gear: reduction * efficiency * T_max * factor */
    double angle_start_rad;
    double eccentricity_mm;
    double ripple_mm; /* once per tooth */
    double motor_turn_ripple_mm;
    double full_step_ripple_mm;
    int teeth;
    double motor_turns; /* of one turn of the gear */
    double full_steps;  /* of one turn of the gear */
};

/* torque_factor multiplies T_max (1: nominal). */
struct drive drive_at(const struct model_parameters *p, double preload_n, double speed_mm_s,
                      double torque_factor, double angle_start_rad);

/* Effective diameter, mm: past the denting preload it shrinks, to no less than half of what it was. */
double drive_diameter_mm(const struct model_parameters *p, double preload_n);

/* Position of the pitch point, mm: gear travel with eccentricity and the ripples per tooth, motor turn and
 * full step, each a sinusoid of the gear's angle. Only differences have a meaning. */
double drive_feed_mm(const struct drive *d, double gear_mm);

/* Greatest force the motor can hold at the nip with the gear at that travel, N: 2 i eta T / (D + 2 ecc
 * cos(angle)). */
double drive_motor_force_n(const struct drive *d, double gear_mm);

/* How far the rotor lags behind the commanded position, as feed in mm: (2 / pi) full steps times the load
 * angle asin(force / motor force); one full step at and beyond the motor force. */
double drive_lag_mm(const struct drive *d, double force_n, double motor_force_n);

#endif
