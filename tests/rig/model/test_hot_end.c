#include "rig/model/hot_end.h"

#include <criterion/criterion.h>
#include <math.h>

Test(hot_end, capillary_pressure_agrees_with_the_outside_check)
{
    /* K 8000 Pa s^n, n 0.45, R 0.2 mm, L 2 mm, Q 5 mm3/s: worked out by hand elsewhere. */
    cr_expect_float_eq(hot_end_capillary_pa(8000, 0.45, 0.2, 2, 5), 3644042.67721593, 1e-4);
    /* n = 1 is Hagen-Poiseuille: 8 mu L Q / (pi R^4), in SI units. */
    double poiseuille_pa = 8 * 317.0 * 3.1e-3 * 2.7e-9 / (3.14159265358979 * pow(0.23e-3, 4));
    cr_expect_float_eq(hot_end_capillary_pa(317, 1, 0.23, 3.1, 2.7), poiseuille_pa, 1e-9 * poiseuille_pa);
}

static struct model_parameters with_nozzle(double filament_diameter_mm)
{
    struct model_parameters p = model_default();
    p.fixture.end = MODEL_END_HOT;
    p.fixture.filament_diameter_mm = filament_diameter_mm;
    p.hot_end = (struct model_hot_end){.exponent = 0.45,
                                       .consistency_pa_s_n = 8000,
                                       .nozzle_radius_mm = 0.2,
                                       .nozzle_length_mm = 2,
                                       .temperature_c = 215,
                                       .reference_c = 215,
                                       .per_kelvin = 0.011};
    cr_assert_null(model_check(&p), "%s", model_check(&p));
    return p;
}

Test(hot_end, the_filament_is_the_piston)
{
    struct model_parameters p = with_nozzle(1.75);
    cr_expect_float_eq(model_load_line_n(&p, 5), 3.64404267721593 * 2.405281875, 1e-7);
    p.hot_end.force_n = 2.25;
    cr_expect_float_eq(model_load_line_n(&p, 5), 2.25 + 3.64404267721593 * 2.405281875, 1e-7);
    p.hot_end.temperature_c = 241;
    cr_expect_float_eq(model_load_line_n(&p, 5), 2.25 + 3.64404267721593 * 2.405281875 * exp(-0.011 * 26),
                       1e-7);
}

Test(hot_end, at_equal_rate_a_thick_filament_moves_slower_and_needs_more_by_its_area)
{
    struct model_parameters thin = with_nozzle(1.75);
    struct model_parameters thick = with_nozzle(2.85);
    static const double rates[] = {0.7, 3.9, 11.3};
    for (size_t i = 0; i < 3; i++) {
        cr_expect_float_eq(model_load_line_n(&thick, rates[i]) / model_load_line_n(&thin, rates[i]),
                           2.6522448980, 1e-9);
        double force_n = model_load_line_n(&thin, rates[i]);
        struct hot_end h = hot_end_of(&thin);
        cr_expect_float_eq(hot_end_melt_mm_s(&h, force_n), rates[i] / 2.405281875, 1e-9);
        struct hot_end t = hot_end_of(&thick);
        cr_expect_float_eq(hot_end_melt_mm_s(&t, 2.6522448980 * force_n), rates[i] / 6.379396582, 1e-8);
    }
}

Test(hot_end, takes_in_nothing_up_to_its_threshold)
{
    struct model_parameters p = with_nozzle(1.75);
    p.hot_end.force_n = 6.3;
    struct hot_end h = hot_end_of(&p);
    cr_expect_eq(hot_end_melt_mm_s(&h, 6.3), 0);
    cr_expect_eq(hot_end_melt_mm_s(&h, 0), 0);
    cr_expect_gt(hot_end_melt_mm_s(&h, 6.4), 0);
    p.fixture.end = MODEL_END_BLOCKED;
    cr_expect_not(hot_end_of(&p).on);
}
