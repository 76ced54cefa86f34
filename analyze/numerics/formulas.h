/* Closed formulas of the mechanics around a feeder: what a rig's numbers are held against. SI units unless
 * the name says otherwise. */
#ifndef ANALYZE_NUMERICS_FORMULAS_H
#define ANALYZE_NUMERICS_FORMULAS_H

/* Force ratio of a belt, or of filament pulled through a bent tube: exp(mu * angle). */
double formulas_belt_friction_ratio(double friction, double angle_rad);

/* Pressure drop in Pa of a power-law melt (viscosity K * shear rate^(n - 1)) through a capillary: (2 K L / R)
 * [(3 n + 1) / n * Q / (pi R^3)]^n. n = 1 gives Hagen-Poiseuille with K as the viscosity. */
double formulas_capillary_pressure_pa(double consistency_pa_s_n, double exponent, double radius_m,
                                      double length_m, double flow_m3_s);

/* Cross-section of round filament in mm2, and the feed in mm/s that a volumetric rate in mm3/s takes. */
double formulas_filament_area_mm2(double diameter_mm);
double formulas_feed_mm_s(double flow_mm3_s, double diameter_mm);

/* A two-phase hybrid stepper under square-wave voltage drive. */
struct formulas_stepper {
    double rotor_teeth;     /* p: 50 for 200 full steps a turn */
    double flux_linkage_wb; /* psi, peak, of one phase */
    double resistance_ohm;  /* R */
    double inductance_h;    /* L */
    double supply_v;        /* square wave of +- this; its fundamental, 4 / pi of it, drives the motor */
};

/* Pull-out torque in N m at n turns a second (0 gives the standstill limit): T = p psi (V / Z - w psi R /
 * Z^2), Z = sqrt(R^2 + w^2 L^2), w = 2 pi p n (Acarnley, Stepping Motors, 4th ed., chapter 5, from memory).
 * Below 0 where the motor cannot even turn itself. */
double formulas_pull_out_torque_nm(const struct formulas_stepper *motor, double turns_per_s);

#endif
