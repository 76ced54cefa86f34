#include "tests/sim/draw_feeder.h"

#include <math.h>
#include <stdio.h>

double draw_between(struct model_random *r, double low, double high)
{
    return low + (high - low) * model_random_uniform(r);
}

struct model_parameters draw_feeder(struct model_random *r, enum draw_kind wanted, bool onset_before_stall)
{
    struct model_parameters p = model_default();
    static const double reductions[] = {1, 1, 3, 5};
    double limit_n = draw_between(r, 40, 120), other = limit_n * draw_between(r, 1.12, 2.0);
    double motor_n = wanted == DRAW_MOTOR ? limit_n : other, grip_n = wanted == DRAW_MOTOR ? other : limit_n;
    double shear = wanted == DRAW_TEAR ? draw_between(r, 0.85, 0.97) : 0;
    snprintf(p.name, sizeof p.name, "drawn");
    p.gear.drive_diameter_mm = draw_between(r, 7, 13);
    p.gear.teeth = (int)draw_between(r, 17, 42);
    p.gear.reduction = reductions[(int)draw_between(r, 0, 3.999)];
    p.gear.eccentricity_mm = draw_between(r, 0, 0.02);
    p.gear.tooth_ripple_mm = draw_between(r, 0, 0.001);
    p.gear.efficiency = draw_between(r, 0.8, 1);
    p.motor.microsteps = 16;
    p.motor.torque_scatter = draw_between(r, 0.004, 0.02);
    p.motor.holding_torque_nm =
        motor_n * p.gear.drive_diameter_mm / 2000 / (p.gear.reduction * p.gear.efficiency);
    /* Driven hard enough that the torque falls little over these speeds: the speed sweep has a study of its
     * own. */
    p.motor.supply_v = 48;
    p.motor.inductance_h = 0.001;
    p.nip.preload_n = draw_between(r, 25, 70);
    p.nip.saturation_preload_n = 100;
    p.nip.grip_speed_exponent = 0;
    if (shear > 0)
        grip_n /= shear;
    p.nip.grip_coefficient = grip_n / p.nip.preload_n;
    p.nip.creep_floor_per_n = draw_between(r, 0.0001, 0.0006);
    p.nip.creep_extra_per_n = draw_between(r, 0, 0.001);
    p.nip.onset_fraction = draw_between(r, 0.5, 0.85);
    if (wanted == DRAW_MOTOR) /* the onset well above the motor's limit, or clearly below it */
        p.nip.onset_fraction =
            (onset_before_stall ? draw_between(r, 0.75, 0.85) : draw_between(r, 1.02, 1.1)) * motor_n /
            grip_n;
    if (p.nip.onset_fraction > 0.95)
        p.nip.onset_fraction = 0.95;
    if (shear > 0)
        p.nip.onset_fraction = fmin(p.nip.onset_fraction, shear - 0.1);
    p.nip.shear_fraction = shear;
    p.nip.shear_scatter = model_random_uniform(r) < 0.5 ? 0.02 : draw_between(r, 0.2, 0.5);
    p.nip.shear_slip_mm = 0;
    p.nip.wear_per_m = draw_between(r, 0, 0.02);
    p.fixture.stiffness_n_per_mm = draw_between(r, 18, 90);
    /* The scatter from cycle to cycle stays well below one drop, else several cycles go at once and the peaks
     * that are seen are the stronger ones. */
    double drop_n = 4 * 3.141592653589793 * p.gear.drive_diameter_mm / (200 * p.gear.reduction) *
                    model_stiffness_n_per_mm(&p.fixture);
    p.motor.torque_scatter = fmin(p.motor.torque_scatter, 0.2 * drop_n / motor_n);
    p.sensor.noise_n = draw_between(r, 0.1, 0.5);
    p.sensor.drift_n_per_min = draw_between(r, -1, 1);
    p.sensor.drift_walk_n = 0.1;
    p.sensor.mains_n = draw_between(r, 0, 0.3);
    p.sensor.encoder = model_random_uniform(r) < 0.5;
    return p;
}
