/* Local gravity and what a hung weight pulls with: WGS 84 normal gravity, air buoyancy, conventional mass. */
#ifndef DATASETS_FORMAT_GRAVITY_H
#define DATASETS_FORMAT_GRAVITY_H

#include "rig/base/err.h"

#define GRAVITY_STANDARD_M_S2 9.80665 /* exact, by definition */

/* A weight's conventional mass is that of the weight of 8000 kg/m3 that balances it in air of 1.2 kg/m3 (OIML
 * D 28, from memory). */
#define GRAVITY_CONVENTIONAL_DENSITY_KG_M3     8000.0
#define GRAVITY_CONVENTIONAL_AIR_DENSITY_KG_M3 1.2

/* How far true gravity is from normal gravity, as a standard uncertainty: free-air anomalies are a few 1e-4
 * m/s2 over most land, and more in high mountains (common knowledge, no source). */
#define GRAVITY_ANOMALY_STANDARD_UNCERTAINTY_M_S2 5e-4

/* Normal gravity on the WGS 84 ellipsoid in m/s2, by Somigliana's closed formula with the constants of NIMA
 * TR 8350.2 (3rd ed.), 4-1. latitude_deg: geodetic, -90 to 90; NAN outside. */
double gravity_on_ellipsoid_m_s2(double latitude_deg);

/* Normal gravity at a height above the WGS 84 ellipsoid, in m/s2. The field of the ellipsoid in closed form
 * (Heiskanen and Moritz, Physical Geodesy, 2-8; NIMA TR 8350.2, 4.2; both from memory), not the second-order
 * free-air series: that one, gamma (1 - 2 h (1 + f + m - 2 f s2) / a + 3 h^2 / a^2), comes out 5e-9 m/s2
 * higher at 100 m and 5e-8 m/s2 higher at 1000 m (45 degrees), and a plain 3.086e-6 per metre 1.1e-6 lower
 * there. A height above mean sea level instead (up to 100 m off) costs up to 3.1e-4 m/s2. ERR_USAGE for a
 * latitude outside -90 to 90 or a height outside -1000 to 10000 m. */
enum err_code gravity_local_m_s2(double latitude_deg, double height_m, double *gravity_m_s2, struct err *e);

/* True mass in kg of a weight of density_kg_m3 marked with its conventional mass. */
double gravity_true_mass_kg(double conventional_mass_kg, double density_kg_m3);

/* Pull in N of that weight hung in air of air_density_kg_m3: true mass * gravity * (1 - air density /
 * density). In air of 1.2 kg/m3 that is conventional mass * gravity * (1 - 1.2 / 8000) whatever the density.
 */
double gravity_dead_weight_n(double conventional_mass_kg, double density_kg_m3, double air_density_kg_m3,
                             double gravity_m_s2);

#endif
