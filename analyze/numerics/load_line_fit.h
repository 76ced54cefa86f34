/* The load line of a hot end: push force F against volumetric rate Q. Two forms, both fitted by least squares
 * of F with the same weights, so that their AICc compare: the power law F = F0 + k Q^n, and the varying
 * exponent ln F = a + b ln Q + c (ln Q)^2. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_LOAD_LINE_FIT_H
#define ANALYZE_NUMERICS_LOAD_LINE_FIT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define LOAD_LINE_PARAMETERS_MAX  3
#define LOAD_LINE_RATES_LEAST     4 /* different ones, for three parameters and something left over */
#define LOAD_LINE_RATES_POWER_TWO 3 /* the same without F0 */

/* LOAD_LINE_POWER: {F0, k, n}. LOAD_LINE_POWER_FROM_ZERO: F0 is 0, {k, n}. LOAD_LINE_VARYING: {a, b, c} with
 * Q in units of scale_rate (the geometric mean of the rates), which keeps the three apart. */
enum load_line_model { LOAD_LINE_POWER, LOAD_LINE_POWER_FROM_ZERO, LOAD_LINE_VARYING, LOAD_LINE_MODELS };
extern const char *const LOAD_LINE_MODEL_NAMES[LOAD_LINE_MODELS];

struct load_line_fit {
    enum load_line_model model;
    size_t n, p;
    double parameters[LOAD_LINE_PARAMETERS_MAX];
    double covariance[LOAD_LINE_PARAMETERS_MAX][LOAD_LINE_PARAMETERS_MAX]; /* times residual_sd^2 */
    double residual_sum, residual_sd, degrees_of_freedom;
    double scatter_exponent;    /* of load_line_choose; residual_sd is then that at the middle force */
    double aicc;                /* the scatter counts as a parameter too; INFINITY with too few points */
    double scale_rate;          /* 1 for the power laws */
    double low_rate, high_rate; /* of the points: outside the line is a guess */
};

/* Fit n points: rates and forces above 0. weights NULL: all 1. ERR_NO_ANSWER for fewer different rates than
 * the form takes, a number that makes no sense, or no convergence. */
enum err_code load_line_fit(enum load_line_model model, const double *rate, const double *force,
                            const double *weights, size_t n, struct load_line_fit *fit, struct err *e);

/* The better of LOAD_LINE_POWER and LOAD_LINE_VARYING: that with the least AICc, but the power law where the
 * other is ahead by less than LOAD_LINE_AICC_MARGIN, which means that the points do not tell them apart (a
 * likelihood ratio of e). The scatter may grow with the force, its sd in proportion to a power of F: the mean
 * of 0, 1/2, 1 and 3/2 by their likelihoods (what scatters in proportion to the part above F0 grows faster
 * than F), and both forms get its weights. *power_aicc, *varying_aicc: INFINITY where a form could not be
 * fitted. ERR_NO_ANSWER when neither can. */
#define LOAD_LINE_AICC_MARGIN 2.0
enum err_code load_line_choose(const double *rate, const double *force, size_t n, struct load_line_fit *fit,
                               double *power_aicc, double *varying_aicc, struct err *e);
/* The same form again, with the same scatter_exponent, for points that have moved a little. */
enum err_code load_line_again(const struct load_line_fit *before, const double *rate, const double *force,
                              size_t n, struct load_line_fit *fit, struct err *e);

/* Fitted force at a rate and its standard error by the delta method (may be NULL). */
double load_line_at(const struct load_line_fit *fit, double rate, double *standard_error);
/* Slope dF/dQ at a rate. */
double load_line_slope(const struct load_line_fit *fit, double rate);

/* How many different rates there are among n; equal to one part in a thousand is the same. */
size_t load_line_rates(const double *rate, size_t n);

#endif
