#include "analyze/numerics/quantity.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_version.h>
#include <math.h>
#include <stdio.h>

/* Above this many degrees of freedom t(0.975) and the normal value agree to 3e-9, below what anything here is
 * measured to. */
static const double NORMAL_FROM = 1e9;

void quantity_init_numerics(void)
{
    gsl_set_error_handler_off();
}

char *quantity_numerics_version(char *buffer, size_t size)
{
    snprintf(buffer, size, "GNU Scientific Library %s", gsl_version);
    return buffer;
}

double quantity_t_975(double degrees_of_freedom)
{
    if (!(degrees_of_freedom >= 1))
        degrees_of_freedom = 1;
    if (degrees_of_freedom > NORMAL_FROM)
        return gsl_cdf_ugaussian_Pinv(0.975);
    return gsl_cdf_tdist_Pinv(0.975, degrees_of_freedom);
}

struct quantity quantity_absent(void)
{
    struct quantity q = {
        .present = false, .value = NAN, .standard_uncertainty = NAN, .low_95 = NAN, .high_95 = NAN};
    return q;
}

struct quantity quantity_at_least(double value)
{
    struct quantity q = quantity_absent();
    if (!isfinite(value))
        return q;
    q.present = true;
    q.at_least = true;
    q.value = value;
    q.n = 1;
    return q;
}

struct quantity quantity_from(double value, double standard_uncertainty, double degrees_of_freedom, size_t n)
{
    /* Effective degrees of freedom come out of divisions: one that is a whole number on paper may arrive a
     * rounding below it and must not lose a whole degree. */
    double whole = floor(degrees_of_freedom * (1 + 1e-12));
    struct quantity q = quantity_absent();
    double half;
    if (!isfinite(value) || !isfinite(standard_uncertainty) || standard_uncertainty < 0)
        return q;
    half = quantity_t_975(whole) * standard_uncertainty;
    if (!isfinite(half))
        return q;
    q.present = true;
    q.value = value;
    q.standard_uncertainty = standard_uncertainty;
    q.low_95 = value - half;
    q.high_95 = value + half;
    q.degrees_of_freedom = degrees_of_freedom;
    q.n = (uint32_t)n;
    return q;
}
