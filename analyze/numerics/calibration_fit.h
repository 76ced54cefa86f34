/* The calibration of a load cell from hung weights: reading as a polynomial of load, by weighted least
 * squares with full covariance, and what it says of the load cell, in the terms of ISO 376 but without
 * claiming conformity to it (its definitions are from memory). Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_CALIBRATION_FIT_H
#define ANALYZE_NUMERICS_CALIBRATION_FIT_H

#include "analyze/numerics/calibration_check.h"
#include "analyze/numerics/quantity.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define CALIBRATION_FIT_DEGREE_MAX  2
#define CALIBRATION_FIT_DEGREE_AUTO 0

/* A characteristic of the load cell: the worst over the loads. */
struct calibration_characteristic {
    bool present;   /* false: the readings cannot tell */
    double percent; /* of the full-scale reading; signed where noted */
    double load_n;  /* where */
};

/* An F test. */
struct calibration_test {
    bool present;
    double f, numerator_degrees_of_freedom, denominator_degrees_of_freedom;
    double p_value; /* small: the term is wanted, or the polynomial does not fit */
};

struct calibration_fit {
    size_t n, loads; /* readings, different loads */
    int degree;      /* reading = sum coefficients[j] load^j, j = 0 to degree */
    double coefficients[CALIBRATION_FIT_DEGREE_MAX + 1];
    double covariance[CALIBRATION_FIT_DEGREE_MAX + 1][CALIBRATION_FIT_DEGREE_MAX + 1];
    double standard_errors[CALIBRATION_FIT_DEGREE_MAX + 1];
    double residual_sd;        /* of one reading; of readings alone where load uncertainties were given */
    double degrees_of_freedom; /* n - degree - 1 */
    bool weighted;             /* load uncertainties were given and took part */
    double load_low_n, load_high_n;

    struct calibration_test curvature;   /* of a quadratic term over a straight line */
    struct calibration_test lack_of_fit; /* of the chosen polynomial, against readings at the same load; takes
                                          * hysteresis for scatter, and load uncertainty for lack of fit */
    bool replicated;
    double replication_sd, replication_degrees_of_freedom; /* of readings at the same load */

    double full_scale_counts; /* |reading at the greatest load - reading at no load|, by the polynomial */
    struct calibration_characteristic repeatability; /* spread of a load's readings over the runs up */
    struct calibration_characteristic
        hysteresis; /* reading going down minus going up, mean over cycles; signed */
    struct calibration_characteristic
        zero_return; /* last minus first reading without load of a cycle; signed */
    struct calibration_characteristic
        non_linearity; /* a load's mean reading minus the best straight line; signed */
    struct calibration_characteristic interpolation; /* the same minus the chosen polynomial; signed */
};

/* Check the readings (calibration_check), then fit them. degree: 1, 2, or CALIBRATION_FIT_DEGREE_AUTO, which
 * takes 2 when the quadratic term is significant at 5 % (F test), there are at least 4 different loads, and
 * the curve does not turn round within the range, which no load cell's does.
 *
 * Without load uncertainties this is ordinary least squares. With them, the mean reading of each load is
 * weighted by 1 / (s^2 / m + (slope * u)^2), so that one weight hung m times brings its error once; s is what
 * brings the weighted sum of squares to its degrees of freedom (Mandel and Paule, Anal. Chem. 42 (1970)
 * 1194-1197, from memory). Several loads made of the same weights share errors; that is not taken into
 * account.
 *
 * Errors: those of calibration_check; ERR_NO_ANSWER when readings do not exceed coefficients in number, do
 * not follow the load (slope not significant at 5 %), or bend so much that the curve turns round within the
 * range. */
enum err_code calibration_fit(const struct calibration_readings *readings, int degree,
                              struct calibration_fit *fit, struct err *e);

/* Reading for a load, and the standard uncertainty that the coefficients give it (NULL: not wanted). */
double calibration_fit_reading(const struct calibration_fit *fit, double load_n,
                               double *standard_uncertainty);
/* Residual of one reading: reading minus polynomial. */
double calibration_fit_residual(const struct calibration_fit *fit, double load_n, double reading_counts);

/* The load for a reading that is a mean of `averaged` readings (1 for a single one, INFINITY for one without
 * any scatter of its own). The 95 % interval holds every load whose prediction band contains the reading
 * (Eisenhart's inversion of the band; NIST/SEMATECH e-Handbook 4.5.2.1, from memory); the standard
 * uncertainty is the linearised one. beyond_range (may be NULL): the reading is that of a load outside the
 * calibrated range. ERR_NO_ANSWER where no load has that reading, or the band never leaves it. */
enum err_code calibration_fit_load(const struct calibration_fit *fit, double reading_counts, double averaged,
                                   struct quantity *load_n, bool *beyond_range, struct err *e);

#endif
