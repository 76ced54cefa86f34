/* Sources are named at each test. Figures with many digits were recomputed independently from the formulas.
 */
#include "analyze/numerics/formulas.h"

#include <criterion/criterion.h>
#include <math.h>

static void assert_digits(double value, double expected, double relative)
{
    cr_assert(fabs(value / expected - 1) <= relative, "%.12g, expected %.12g", value, expected);
}

/* Belt friction (Eytelwein): quarter turn and whole turn. */
Test(formulas, belt_friction_over_a_quarter_and_a_whole_turn)
{
    static const double MU[] = {0.1, 0.2, 0.3, 0.5};
    static const double QUARTER[] = {1.17009, 1.36911, 1.60198, 2.19328};
    static const double WHOLE[] = {1.87446, 3.51359, 6.58606, 23.1407};
    for (int i = 0; i < 4; i++) {
        assert_digits(formulas_belt_friction_ratio(MU[i], M_PI / 2), QUARTER[i], 4e-6);
        assert_digits(formulas_belt_friction_ratio(MU[i], 2 * M_PI), WHOLE[i], 3e-6);
    }
}

/* Rabinowitsch for a power-law melt; n = 1 is Hagen-Poiseuille, 8 mu L Q / (pi R^4). */
Test(formulas, capillary_pressure_of_a_power_law_melt)
{
    const double r = 0.2e-3, l = 2e-3, q = 5e-9;
    assert_digits(formulas_capillary_pressure_pa(8000, 0.45, r, l, q), 3644042.67721593, 1e-13);
    assert_digits(formulas_capillary_pressure_pa(37.5, 1, r, l, q), 8 * 37.5 * l * q / (M_PI * r * r * r * r),
                  1e-13);
}

/* Geometry of the two common filament classes. */
Test(formulas, filament_area_and_feed)
{
    assert_digits(formulas_filament_area_mm2(1.75), 2.405281875, 3e-10);
    assert_digits(formulas_filament_area_mm2(2.85), 6.379396582, 3e-10);
    assert_digits(formulas_filament_area_mm2(2.85) / formulas_filament_area_mm2(1.75), 2.6522448980, 3e-11);
    assert_digits(formulas_feed_mm_s(10, 1.75), 4.1575168808, 3e-11);
}

static const struct formulas_stepper MOTOR = {.rotor_teeth = 50,
                                              .flux_linkage_wb = 0.008,
                                              .resistance_ohm = 1.5,
                                              .inductance_h = 2.8e-3,
                                              .supply_v = 24};

/* Acarnley, Stepping Motors: A Guide to Theory and Practice, 4th ed. (the formula from memory); figures
 * checked by closed form, by phasors and by integrating both phase circuits. */
Test(formulas, pull_out_torque_over_speed)
{
    static const double SPEED[] = {0.5, 1, 2, 5, 10, 20};
    static const double TORQUE[] = {7.5109471810, 6.5305069909, 4.7226835585,
                                    2.2811758118, 1.1803982331, 0.5955236171};
    for (int i = 0; i < 6; i++)
        assert_digits(formulas_pull_out_torque_nm(&MOTOR, SPEED[i]), TORQUE[i], 1e-10);
    assert_digits(formulas_pull_out_torque_nm(&MOTOR, 0), 8.1487330863, 1e-11);
}

/* The same from the circuit itself: phase current I = (V e^(j delta) - w psi) / (R + j w L), torque p psi
 * Re(I), at the load angle delta that makes it greatest. */
Test(formulas, pull_out_torque_is_the_greatest_over_load_angles)
{
    const double n = 3.7, w = 2 * M_PI * MOTOR.rotor_teeth * n, v = 4 * MOTOR.supply_v / M_PI;
    const double r = MOTOR.resistance_ohm, x = w * MOTOR.inductance_h, e = w * MOTOR.flux_linkage_wb;
    double greatest = -INFINITY;
    for (int i = 0; i < 200000; i++) {
        double delta = 2 * M_PI * i / 200000;
        double current = ((v * cos(delta) - e) * r + v * sin(delta) * x) / (r * r + x * x);
        greatest = fmax(greatest, MOTOR.rotor_teeth * MOTOR.flux_linkage_wb * current);
    }
    assert_digits(formulas_pull_out_torque_nm(&MOTOR, n), greatest, 1e-8);
}
