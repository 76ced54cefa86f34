#include "analyze/numerics/formulas.h"

#include <math.h>

double formulas_belt_friction_ratio(double friction, double angle_rad)
{
    return exp(friction * angle_rad);
}

double formulas_capillary_pressure_pa(double consistency_pa_s_n, double exponent, double radius_m,
                                      double length_m, double flow_m3_s)
{
    double shear_rate_1_s = (3 * exponent + 1) / exponent * flow_m3_s / (M_PI * pow(radius_m, 3));
    return 2 * consistency_pa_s_n * length_m / radius_m * pow(shear_rate_1_s, exponent);
}

double formulas_filament_area_mm2(double diameter_mm)
{
    return M_PI * diameter_mm * diameter_mm / 4;
}

double formulas_feed_mm_s(double flow_mm3_s, double diameter_mm)
{
    return flow_mm3_s / formulas_filament_area_mm2(diameter_mm);
}

double formulas_pull_out_torque_nm(const struct formulas_stepper *motor, double turns_per_s)
{
    double w_rad_s = 2 * M_PI * motor->rotor_teeth * turns_per_s;
    double impedance_ohm = hypot(motor->resistance_ohm, w_rad_s * motor->inductance_h);
    double drive_v = 4 * motor->supply_v / M_PI;
    return motor->rotor_teeth * motor->flux_linkage_wb *
           (drive_v / impedance_ohm -
            w_rad_s * motor->flux_linkage_wb * motor->resistance_ohm / (impedance_ohm * impedance_ohm));
}
