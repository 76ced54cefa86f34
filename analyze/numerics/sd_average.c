#include "analyze/numerics/sd_average.h"

#include <math.h>
#include <stdbool.h>

/* The integral runs over u = log s. Its integrand is smooth and vanishes at both ends, where the trapezoidal
 * rule converges faster than any power of its step. */
#define STEP_MOST     0.06 /* exp(-e^2u) is smooth only so far from the real axis, and f may be steep */
#define STEP_OF_SD    0.4  /* in standard deviations of u */
#define NEGLIGIBLE    1e-18
#define LOWEST_LOG_SD (-120.0)
/* The estimate's own scatter, 1 / sqrt(2 n), then no longer moves the thirteenth digit. */
#define DEGREES_MOST 1e13

/* Density of u up to a constant, which the sum of the weights brings in. */
static double density(double u, double degrees_of_freedom)
{
    return exp(degrees_of_freedom * (u - expm1(2 * u) / 2));
}

double sd_average(double (*f)(double s, void *context), void *context, double degrees_of_freedom)
{
    double step = fmin(STEP_MOST, STEP_OF_SD / sqrt(2 * degrees_of_freedom)), sum = 0, weights = 0;
    if (degrees_of_freedom > DEGREES_MOST)
        return f(1, context);
    for (int side = -1; side <= 1; side += 2) {
        double before = 0, value = 0;
        bool ended = false, falls = false;
        for (long i = side < 0 ? 1 : 0; !ended; i++) {
            double u = side * step * (double)i, weight = density(u, degrees_of_freedom), term = 0;
            /* Where f falls and what it was would do nothing to the sum, it is not asked. */
            if (weight > 0 && !(falls && sum > 0 && weight * value <= NEGLIGIBLE * sum)) {
                double at = f(exp(u), context);
                falls = at < value;
                value = at;
                term = weight * at;
            }
            weights += weight;
            sum += term;
            /* To the left the product may first rise, from nothing even, before it falls. */
            ended = weight <= NEGLIGIBLE * weights && sum > 0 && term <= NEGLIGIBLE * sum && term <= before;
            ended = ended || weight == 0 || u < LOWEST_LOG_SD;
            before = term;
        }
    }
    return sum / weights;
}
