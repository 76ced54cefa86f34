#include "datasets/format/gravity.h"

#include <math.h>

/* WGS 84, defining constants (NIMA TR 8350.2, table 3.1). */
static const long double AXIS_M = 6378137.0L;
static const long double INVERSE_FLATTENING = 298.257223563L;
static const long double EARTH_GM_M3_S2 = 3986004.418e8L;
static const long double ROTATION_RAD_S = 7292115e-11L;
/* and derived ones (table 3.4), for the formula on the ellipsoid */
static const double EQUATOR_M_S2 = 9.7803253359;
static const double SOMIGLIANA_K = 0.00193185265241;
static const double ECCENTRICITY_SQUARED = 0.00669437999013;

double gravity_on_ellipsoid_m_s2(double latitude_deg)
{
    double sine = sin(latitude_deg * M_PI / 180), s2 = sine * sine;
    if (!(fabs(latitude_deg) <= 90))
        return NAN;
    return EQUATOR_M_S2 * (1 + SOMIGLIANA_K * s2) / sqrt(1 - ECCENTRICITY_SQUARED * s2);
}

/* The functions q and q' of the ellipsoid's field, of z = E / u. Their closed forms, with arctan(z), lose six
 * digits to cancellation at z = 0.08, so they are summed as series: q = 2 sum (-1)^(k+1) k z^(2k+1) /
 * ((2k+1)(2k+3)), q' = 6 sum (-1)^(k+1) z^(2k) / ((2k+1)(2k+3)), k = 1, 2, ... */
static void field_functions(long double z, long double *q, long double *q_prime)
{
    long double power = z * z;
    *q = *q_prime = 0;
    for (int k = 1; k <= 12; k++) { /* z^2 = 0.0067: the twelfth term is below 1e-25 of the first */
        long double term = (k % 2 == 1 ? power : -power) / ((2 * k + 1) * (2 * k + 3));
        *q += 2 * k * z * term;
        *q_prime += 6 * term;
        power *= z * z;
    }
}

enum err_code gravity_local_m_s2(double latitude_deg, double height_m, double *gravity_m_s2, struct err *e)
{
    long double flattening = 1 / INVERSE_FLATTENING, minor = AXIS_M * (1 - flattening);
    long double e2 = flattening * (2 - flattening), focal2 = AXIS_M * AXIS_M * e2, focal = sqrtl(focal2);
    long double sine, cosine, normal, r, z, rest, u2, u, sin_beta, cos_beta, w, q, q_prime, q0, unused, ring;
    long double along_u, along_beta;
    if (!(fabs(latitude_deg) <= 90))
        return err_set(e, ERR_USAGE, "a latitude of %g degrees is outside -90 to 90", latitude_deg);
    if (!(height_m >= -1000 && height_m <= 10000))
        return err_set(e, ERR_USAGE, "a height of %g m is outside -1000 to 10000 m", height_m);
    sine = sinl(latitude_deg * M_PIl / 180);
    cosine = cosl(latitude_deg * M_PIl / 180);
    /* Geodetic to cylindrical, then to ellipsoidal-harmonic coordinates (u, beta): r = sqrt(u^2 + E^2) cos
     * beta, z = u sin beta. */
    normal = AXIS_M / sqrtl(1 - e2 * sine * sine);
    r = (normal + height_m) * cosine;
    z = (normal * (1 - e2) + height_m) * sine;
    rest = r * r + z * z - focal2;
    u2 = rest / 2 * (1 + sqrtl(1 + 4 * focal2 * z * z / (rest * rest)));
    u = sqrtl(u2);
    sin_beta = z / u;
    cos_beta = r / sqrtl(u2 + focal2);
    w = sqrtl((u2 + focal2 * sin_beta * sin_beta) / (u2 + focal2));
    field_functions(focal / minor, &q0, &unused);
    field_functions(focal / u, &q, &q_prime);
    ring = ROTATION_RAD_S * ROTATION_RAD_S * AXIS_M * AXIS_M;
    along_u = (-(EARTH_GM_M3_S2 + ring * focal * q_prime / q0 * (sin_beta * sin_beta / 2 - 1.0L / 6)) /
                   (u2 + focal2) +
               ROTATION_RAD_S * ROTATION_RAD_S * u * cos_beta * cos_beta) /
              w;
    along_beta = (ring * q / q0 / sqrtl(u2 + focal2) - ROTATION_RAD_S * ROTATION_RAD_S * sqrtl(u2 + focal2)) *
                 sin_beta * cos_beta / w;
    *gravity_m_s2 = (double)hypotl(along_u, along_beta);
    return ERR_OK;
}

double gravity_true_mass_kg(double conventional_mass_kg, double density_kg_m3)
{
    return conventional_mass_kg *
           (1 - GRAVITY_CONVENTIONAL_AIR_DENSITY_KG_M3 / GRAVITY_CONVENTIONAL_DENSITY_KG_M3) /
           (1 - GRAVITY_CONVENTIONAL_AIR_DENSITY_KG_M3 / density_kg_m3);
}

double gravity_dead_weight_n(double conventional_mass_kg, double density_kg_m3, double air_density_kg_m3,
                             double gravity_m_s2)
{
    return gravity_true_mass_kg(conventional_mass_kg, density_kg_m3) * gravity_m_s2 *
           (1 - air_density_kg_m3 / density_kg_m3);
}
