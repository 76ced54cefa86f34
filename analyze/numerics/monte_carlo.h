/* Propagation of distributions by Monte Carlo, and the verdict whether the linear result stands, after JCGM
 * 101:2008. Its clause numbers here are cited from memory. The random numbers come from the seed alone: the
 * same seed gives the same answer. */
#ifndef ANALYZE_NUMERICS_MONTE_CARLO_H
#define ANALYZE_NUMERICS_MONTE_CARLO_H

#include "analyze/numerics/propagation.h"
#include "analyze/numerics/quantity.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* What is known about an input (clause 6.4). */
enum monte_carlo_distribution {
    MONTE_CARLO_NORMAL,      /* scale: standard deviation */
    MONTE_CARLO_RECTANGULAR, /* scale: half width */
    MONTE_CARLO_TRIANGULAR,  /* scale: half width */
    MONTE_CARLO_ARCSINE,     /* scale: half width */
    MONTE_CARLO_T            /* scale: s / sqrt(n) of observations with degrees_of_freedom */
};

struct monte_carlo_input {
    enum monte_carlo_distribution distribution;
    double centre;
    double scale;              /* 0: the input is exactly centre */
    double degrees_of_freedom; /* MONTE_CARLO_T only, at least 1 */
};

#define MONTE_CARLO_TRIALS_LEAST   10000
#define MONTE_CARLO_TRIALS_MOST    5000000
#define MONTE_CARLO_DEFAULT_TRIALS 1000000

struct monte_carlo_settings {
    unsigned long seed;
    size_t trials_most; /* MONTE_CARLO_TRIALS_LEAST to _MOST; 8 bytes of memory each */
    int digits; /* significant digits of the standard uncertainty that must stand, 1 to 3: trials then stop as
                 * soon as they do (clause 7.9); 0: all trials_most are made */
};

struct monte_carlo {
    size_t trials; /* that gave a result */
    size_t failed; /* trials in which the model could not be computed: left out */
    double mean, sd;
    double low_95, high_95;             /* probabilistically symmetric: 2.5 % on each side (clause 7.7) */
    double shortest_low, shortest_high; /* the shortest interval that holds 95 % */
    bool settled;     /* with digits: mean, sd and interval ends are good to tolerance / 5 */
    double tolerance; /* delta of clause 7.9.2 for digits of sd; 0 without digits */
};

/* Output `output` (0-based) of a model of n inputs and m outputs. correlation: n * n, or NULL for independent
 * inputs; only normal inputs may be correlated. ERR_NO_ANSWER when an input makes no sense, more than 1 trial
 * in 100 fails, or the correlations contradict each other. */
enum err_code monte_carlo_run(propagation_model *model, void *context, size_t m, size_t output,
                              const struct monte_carlo_input *inputs, size_t n, const double *correlation,
                              const struct monte_carlo_settings *settings, struct monte_carlo *result,
                              struct err *e);

/* Standard deviation of an input's distribution; INFINITY or NAN for t with 2 degrees of freedom or fewer. */
double monte_carlo_standard_uncertainty(const struct monte_carlo_input *input);

/* Half a unit of the last of so many significant digits of the standard uncertainty u (clause 7.9.2); 0 for u
 * = 0. */
double monte_carlo_tolerance(double u, int digits);

/* Clause 8: the linear result stands when both ends of its 95 % interval are within delta of those by Monte
 * Carlo. */
struct monte_carlo_verdict {
    bool validated;
    double low_difference, high_difference; /* absolute */
    double tolerance;                       /* delta */
    bool from_settled; /* false: the trials did not settle to delta / 5, so that the verdict is a weak one */
};
struct monte_carlo_verdict monte_carlo_judge(const struct monte_carlo *result, const struct quantity *linear,
                                             int digits);

#endif
