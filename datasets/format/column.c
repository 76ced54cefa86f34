#include "datasets/format/column.h"

#include <math.h>
#include <stdio.h>

/* Young's modulus that is taken where none is stated: of the order of most filament (common practice, no
 * source). */
#define MODULUS_MPA 2500.0

double column_round_bar_moment_m4(double diameter_m)
{
    return M_PI * pow(diameter_m, 4) / 64;
}

double column_euler_n(double young_pa, double diameter_m, double length_m, double fixity)
{
    double length = fixity * length_m;
    return M_PI * M_PI * young_pa * column_round_bar_moment_m4(diameter_m) / (length * length);
}

bool column_may_buckle(const struct conditions *c, double force_n, char *text, size_t size)
{
    double length_mm = c->number[CONDITION_FREE_LENGTH_MM];
    double diameter_mm = c->number[CONDITION_FILAMENT_DIAMETER_MM];
    bool has_modulus = c->stated[CONDITION_FILAMENT_MODULUS_MPA];
    double modulus_mpa = has_modulus ? c->number[CONDITION_FILAMENT_MODULUS_MPA] : MODULUS_MPA;
    double load_n;
    if (!c->stated[CONDITION_FREE_LENGTH_MM] || !c->stated[CONDITION_FILAMENT_DIAMETER_MM] || length_mm <= 0)
        return false;
    load_n = column_euler_n(modulus_mpa * 1e6, diameter_mm / 1e3, length_mm / 1e3, COLUMN_FIXED_FIXED);
    if (!(force_n > load_n))
        return false;
    snprintf(
        text, size,
        "free length %g mm of %g mm filament (modulus %g MPa%s) buckles at about %.3g N (Euler, pi^2 E I "
        "/ (K L)^2, K = 0.5, both ends held), below the force of %g N",
        length_mm, diameter_mm, modulus_mpa, has_modulus ? "" : ", assumed as none is stated", load_n,
        force_n);
    return true;
}
