#include "rig/model/drive.h"

#include <math.h>

static const double PI = 3.14159265358979323846;

double drive_diameter_mm(const struct model_parameters *p, double preload_n)
{
    double nominal = p->gear.drive_diameter_mm;
    double beyond_n = fmax(0, preload_n - p->nip.dent_preload_n);
    return fmax(nominal / 2, nominal - p->nip.dent_mm_per_n * beyond_n);
}

double model_motor_torque_nm(const struct model_motor *m, double electrical_rad_s)
{
    double rotor_teeth = m->full_steps_per_rev / 4.0;
    double drive_v = 4 * m->supply_v / PI;
    double reactance_ohm = electrical_rad_s * m->inductance_h;
    double z2 = m->resistance_ohm * m->resistance_ohm + reactance_ohm * reactance_ohm;
    double pull_out_nm =
        rotor_teeth * m->flux_linkage_wb *
        (drive_v / sqrt(z2) - m->flux_linkage_wb * electrical_rad_s * m->resistance_ohm / z2);
    /* Past the speed at which the back-EMF beats the supply the motor holds nothing; a trace of torque is
     * left so that forces stay finite. */
    return fmax(1e-9, fmin(m->holding_torque_nm, pull_out_nm));
}

struct drive drive_at(const struct model_parameters *p, double preload_n, double speed_mm_s,
                      double torque_factor, double angle_start_rad)
{
    double diameter_mm = drive_diameter_mm(p, preload_n);
    double rotor_teeth = p->motor.full_steps_per_rev / 4.0;
    double motor_rev_s = fabs(speed_mm_s) * p->gear.reduction / (PI * diameter_mm);
    double torque_nm = model_motor_torque_nm(&p->motor, 2 * PI * rotor_teeth * motor_rev_s) * torque_factor;
    struct drive d = {
        .diameter_mm = diameter_mm,
        .full_step_mm = PI * diameter_mm / (p->motor.full_steps_per_rev * p->gear.reduction),
        .gear_torque_n_mm = 1000 * p->gear.reduction * p->gear.efficiency * torque_nm,
        .angle_start_rad = angle_start_rad,
        .eccentricity_mm = p->gear.eccentricity_mm,
        .ripple_mm = p->gear.teeth > 0 ? p->gear.tooth_ripple_mm : 0,
        .motor_turn_ripple_mm = p->gear.motor_turn_ripple_mm,
        .full_step_ripple_mm = p->gear.full_step_ripple_mm,
        .teeth = p->gear.teeth,
        .motor_turns = p->gear.reduction,
        .full_steps = p->gear.reduction * p->motor.full_steps_per_rev,
    };
    return d;
}

static double angle_rad(const struct drive *d, double gear_mm)
{
    return d->angle_start_rad + 2 * gear_mm / d->diameter_mm;
}

double drive_feed_mm(const struct drive *d, double gear_mm)
{
    double feed = gear_mm;
    /* The integral of the radius (D/2 + ecc cos(angle)) over the angle. */
    if (d->eccentricity_mm > 0)
        feed += d->eccentricity_mm * sin(angle_rad(d, gear_mm));
    if (d->ripple_mm > 0)
        feed += d->ripple_mm * sin(d->teeth * angle_rad(d, gear_mm));
    if (d->motor_turn_ripple_mm > 0)
        feed += d->motor_turn_ripple_mm * sin(d->motor_turns * angle_rad(d, gear_mm));
    if (d->full_step_ripple_mm > 0)
        feed += d->full_step_ripple_mm * sin(d->full_steps * angle_rad(d, gear_mm));
    return feed;
}

double drive_motor_force_n(const struct drive *d, double gear_mm)
{
    double radius_mm = d->diameter_mm / 2;
    if (d->eccentricity_mm > 0)
        radius_mm += d->eccentricity_mm * cos(angle_rad(d, gear_mm));
    return d->gear_torque_n_mm / radius_mm;
}

double drive_lag_mm(const struct drive *d, double force_n, double motor_force_n)
{
    double sine = force_n / motor_force_n;
    if (sine >= 1)
        return d->full_step_mm;
    return d->full_step_mm * (2 / PI) * asin(sine);
}
