/* What the push force should be at each speed, from a motor's data sheet, its driver's setting, reduction,
 * drive diameter and efficiency. No I/O.
 *
 * A two-phase motor with both phases at the rated current I_r holds T_h = sqrt(2) p psi I_r (p rotor teeth:
 * full steps / 4), which gives the flux linkage psi. In microsteps the phase currents are a sine and a cosine
 * of peak I, and the torque amplitude is p psi I; a setting that is an rms value has a peak of sqrt(2) times
 * that. At speed the supply limits: pull-out torque as in numerics/formulas. F = 2 i eta T / D with T the
 * less of the two. */
#ifndef ANALYZE_PREDICT_H
#define ANALYZE_PREDICT_H

#include "analyze/numerics/budget.h"
#include "analyze/numerics/quantity.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* What a prediction rests on. */
enum predict_input {
    PREDICT_HOLDING_TORQUE_NM, /* data sheet: both phases at the rated current */
    PREDICT_RATED_CURRENT_A,
    PREDICT_SET_CURRENT_A, /* the driver's setting, peak or rms */
    PREDICT_RESISTANCE_OHM,
    PREDICT_INDUCTANCE_H,
    PREDICT_SUPPLY_V,
    PREDICT_EFFICIENCY,
    PREDICT_DRIVE_DIAMETER_MM,
    PREDICT_INPUTS
};

/* Names, limits and how far from its value a motor or bench may be: half widths in percent, any error within
 * them being as likely (common practice, no source). */
struct predict_input_kind {
    const char *key;           /* in MOTOR.yaml */
    const char *tolerance_key; /* its half width, NAME_tolerance_percent */
    const char *label, *unit;
    double low, high, tolerance_percent;
};
extern const struct predict_input_kind PREDICT_INPUT_KINDS[PREDICT_INPUTS];

struct predict_motor {
    char name[128]; /* "" when not named */
    bool simulated;
    double values[PREDICT_INPUTS];            /* drive diameter 0: not stated */
    double tolerance_percent[PREDICT_INPUTS]; /* half widths */
    bool current_is_rms;
    int full_steps_per_rev;
    double reduction; /* 0: not stated */
};

/* The feeder that the motor drives. */
struct predict_drive {
    double reduction;
    double drive_diameter_mm;
    double diameter_relative; /* standard uncertainty; 0: as predict_motor's tolerance has it */
    /* Degrees of freedom of that, where the feed was measured; 0: somebody stated it, and nothing measured
     * it. */
    double diameter_degrees;
    /* Electrical speed for each mm/s of commanded feed; 0: from the drive diameter. A rig that commands steps
     * turns the motor at a speed that does not depend on what the diameter really is. */
    double rad_s_per_mm_s;
};

/* One speed: force with the interval that the tolerances leave (Monte Carlo, fixed seed), and whether the
 * set current limits it there (else the supply voltage does). */
struct predict_force {
    double speed_mm_s;
    struct quantity force_n;
    double torque_nm;
    bool current_limited;
};

/* A motor like this one but for factors on its inputs (all 1: itself): push force in N. */
double predict_force_n(const struct predict_motor *motor, const struct predict_drive *drive,
                       const double *factors, double speed_mm_s, double *torque_nm, bool *current_limited);

enum err_code predict_at(const struct predict_motor *motor, const struct predict_drive *drive,
                         double speed_mm_s, struct predict_force *force, struct err *e);

/* What each input's tolerance alone makes of the force at a speed: one component for each input that has any,
 * its standard uncertainty in the input's own unit, the contribution in N. Where supply and set current limit
 * much alike, the force bends within the tolerances and a slope would say little; so the contribution is the
 * standard deviation of the force with that input spread and all others at their values, and the sensitivity
 * that over the input's standard uncertainty (JCGM 101, annex B; from memory). What inputs do together is in
 * predict_at alone. ERR_CALLER for an input that is no number. */
enum err_code predict_budget(const struct predict_motor *motor, const struct predict_drive *drive,
                             double speed_mm_s, struct budget *budget, struct err *e);

/* Flux linkage by the data sheet, Wb. */
double predict_flux_linkage_wb(const struct predict_motor *motor);

#endif
