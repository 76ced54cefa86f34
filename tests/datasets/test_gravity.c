/* Sources: NIMA TR 8350.2 (WGS 84 normal gravity on the ellipsoid); NormalGravity of libgeographiclib for
 * heights; OIML D 28 and R 111-1 for conventional mass (formula from memory, algebra recomputed). */
#include "datasets/format/gravity.h"

#include <criterion/criterion.h>
#include <math.h>

static void assert_near(double value, double expected, double tolerance)
{
    cr_assert(fabs(value - expected) <= tolerance, "%.14g, expected %.14g", value, expected);
}

static double local(double latitude_deg, double height_m)
{
    double g = NAN;
    struct err e;
    cr_assert_eq(gravity_local_m_s2(latitude_deg, height_m, &g, &e), ERR_OK, "%s", e.text);
    return g;
}

static const struct {
    double latitude_deg, gravity_m_s2;
} ON_ELLIPSOID[] = {{0, 9.7803253359},  {30, 9.7932472692}, {45, 9.8061977694},
                    {48, 9.8089087823}, {60, 9.8191769531}, {90, 9.8321849379}};

Test(gravity, on_the_ellipsoid_as_nima_tr8350_has_it)
{
    for (int i = 0; i < 6; i++) {
        assert_near(gravity_on_ellipsoid_m_s2(ON_ELLIPSOID[i].latitude_deg), ON_ELLIPSOID[i].gravity_m_s2,
                    2e-10);
        assert_near(gravity_on_ellipsoid_m_s2(-ON_ELLIPSOID[i].latitude_deg), ON_ELLIPSOID[i].gravity_m_s2,
                    2e-10);
    }
    cr_assert(isnan(gravity_on_ellipsoid_m_s2(90.01)));
}

/* The field in closed form, at no height, is the formula on the ellipsoid, which has rounded constants. */
Test(gravity, the_field_at_no_height_is_that_on_the_ellipsoid)
{
    for (int i = 0; i < 6; i++)
        assert_near(local(ON_ELLIPSOID[i].latitude_deg, 0), ON_ELLIPSOID[i].gravity_m_s2, 2e-10);
}

Test(gravity, at_heights_as_libgeographiclib_has_it)
{
    assert_near(local(45, 100), 9.8058892169, 1e-10);
    assert_near(local(45, 500), 9.8046551518, 1e-10);
    assert_near(local(45, 1000), 9.8031128969, 1e-10);
    assert_near(local(-45, 1000), 9.8031128969, 1e-10);
}

/* What the comment in the header says of the free-air series. */
Test(gravity, the_free_air_series_is_close_but_not_the_same)
{
    const double a = 6378137, f = 1 / 298.257223563, gm = 3986004.418e8, w = 7292115e-11;
    const double m = w * w * a * a * a * (1 - f) / gm, h = 1000;
    double series = gravity_on_ellipsoid_m_s2(45) * (1 - 2 * h / a * (1 + f + m - f) + 3 * h * h / (a * a));
    assert_near(series - local(45, h), 4.7e-8, 2e-9);
}

Test(gravity, refuses_places_that_are_none)
{
    double g;
    struct err e;
    cr_assert_eq(gravity_local_m_s2(90.5, 0, &g, &e), ERR_USAGE);
    cr_assert_eq(gravity_local_m_s2(NAN, 0, &g, &e), ERR_USAGE);
    cr_assert_eq(gravity_local_m_s2(45, 10001, &g, &e), ERR_USAGE);
    cr_assert_eq(gravity_local_m_s2(45, -1001, &g, &e), ERR_USAGE);
    cr_assert_eq(gravity_local_m_s2(45, NAN, &g, &e), ERR_USAGE);
}

Test(gravity, true_mass_from_conventional_mass)
{
    assert_near(gravity_true_mass_kg(1, 7850), 1.000002866680, 6e-13);
    assert_near(gravity_true_mass_kg(1, 2700), 1.000294575367, 6e-13);
    assert_near(gravity_true_mass_kg(1, 11340), 0.999955815430, 6e-13);
    assert_near(gravity_true_mass_kg(2.385, 8000), 2.385, 1e-15);
}

/* F = m g (1 - 1.2 / 8000), whatever the density, in air of 1.2 kg/m3. */
Test(gravity, dead_weight_of_conventional_mass_in_air)
{
    assert_near(gravity_dead_weight_n(1, 8000, 1.2, GRAVITY_STANDARD_M_S2), 9.8051790025, 1e-12);
    assert_near(gravity_dead_weight_n(1, 2700, 1.2, GRAVITY_STANDARD_M_S2), 9.8051790025, 1e-12);
    assert_near(gravity_dead_weight_n(1, 11340, 1.2, GRAVITY_STANDARD_M_S2), 9.8051790025, 1e-12);
    /* In thinner air aluminium gains more than steel: 0.2 kg/m3 less over 2700 kg/m3. */
    assert_near(gravity_dead_weight_n(1, 2700, 1.0, 9.8), 9.8 * 1.000294575367 * (1 - 1.0 / 2700), 1e-11);
}
