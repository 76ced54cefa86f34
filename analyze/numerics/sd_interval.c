#include "analyze/numerics/sd_interval.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

#define TAIL 0.025

void sd_interval(double sd, double degrees_of_freedom, double *low_95, double *high_95)
{
    *low_95 = *high_95 = NAN;
    if (!(sd >= 0) || !(degrees_of_freedom > 0))
        return;
    if (isinf(degrees_of_freedom)) {
        *low_95 = *high_95 = sd;
        return;
    }
    *low_95 = sd * sqrt(degrees_of_freedom / gsl_cdf_chisq_Qinv(TAIL, degrees_of_freedom));
    *high_95 = sd * sqrt(degrees_of_freedom / gsl_cdf_chisq_Pinv(TAIL, degrees_of_freedom));
}
