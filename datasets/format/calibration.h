/* calibration.json: what turns counts into newtons and steps into millimetres, with its uncertainty.
 * Raw counts are kept in the runs; newtons are always worked out from here, so a better calibration
 * re-analyses old runs. */
#ifndef DATASETS_FORMAT_CALIBRATION_H
#define DATASETS_FORMAT_CALIBRATION_H

#include "rig/base/err.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#define CALIBRATION_DEGREE_MAX    2
#define CALIBRATION_FEEDS_MAX     12
#define CALIBRATION_ESTIMATES_MAX 8
#define CALIBRATION_ESTIMATE_SIZE 161 /* with the end */

/* Feed of one feeder's drive gear, measured. */
struct calibration_feed {
    char feeder[33];
    double mm_per_microstep;
    double standard_uncertainty_mm_per_microstep;
    double degrees_of_freedom; /* INFINITY when stated */
};

struct calibration {
    char date[40];       /* RFC 3339 */
    char origin[17];     /* "stated" (operator's statement) or "fitted" (from weighings) */
    char rig_serial[33]; /* "" when not tied to a rig */
    int degree;          /* reading_counts = sum coefficients[j] * load_n^j, j = 0..degree */
    double coefficients[CALIBRATION_DEGREE_MAX + 1];
    double covariance[CALIBRATION_DEGREE_MAX + 1][CALIBRATION_DEGREE_MAX + 1];
    double residual_sd_counts;
    double degrees_of_freedom;      /* INFINITY when stated */
    double load_low_n, load_high_n; /* calibrated range; beyond it results are flagged */
    double encoder_mm_per_count;    /* 0 without an encoder */
    double encoder_standard_uncertainty_mm_per_count;
    struct calibration_feed feeds[CALIBRATION_FEEDS_MAX];
    size_t feed_count;
    /* What the covariance holds beside the scatter of the fit, as relative standard uncertainties of a force
     * that weights and gravity bring. 0: nothing, or not told apart. */
    double weights_relative, gravity_relative;
    /* Half of the widest loop between rising and falling loads. Not in the covariance. 0: none, or not known.
     */
    double reversibility_n;
    char estimates[CALIBRATION_ESTIMATES_MAX][CALIBRATION_ESTIMATE_SIZE]; /* what rests on somebody's word */
    size_t estimate_count;
};

/* ERR_FILE also for what no load cell can have: a slope of zero or of changing sign within the load range, a
 * covariance that is not symmetric and positive semidefinite, a feeder that occurs twice. */
enum err_code calibration_read(const char *path, struct calibration *c, struct err *e);
/* The longest file that is read. */
#define CALIBRATION_BYTES_MAX (256 * 1024)
/* The same of bytes that were read already; file is for messages. */
enum err_code calibration_parse(const char *bytes, size_t length, const char *file, struct calibration *c,
                                struct err *e);
/* Written to a temporary name, made durable, then renamed into place. */
enum err_code calibration_write(const char *path, const struct calibration *c, struct err *e);

/* The same as below of a curve of degree 2. */
double calibration_curved_force_n(const struct calibration *c, double counts, double zero_counts);
/* Force above the zero reading: solves the polynomial for the load whose reading is counts, with
 * coefficients[0] replaced by zero_counts (the run's own unloaded mean). counts may be fractional. */
static inline double calibration_force_n(const struct calibration *c, double counts, double zero_counts)
{
    /* Most are straight, and this is worked out for every reading. */
    if (c->degree != 2 || c->coefficients[2] == 0)
        return (counts - zero_counts) / c->coefficients[1];
    return calibration_curved_force_n(c, counts, zero_counts);
}
/* Reading for a load, with coefficients[0] replaced by zero_counts. */
double calibration_counts(const struct calibration *c, double load_n, double zero_counts);
/* Standard uncertainty in newtons of calibration_force_n at force_n, from the coefficients' covariance alone
 * (the zero not included: it cancels with the run's own). */
double calibration_uncertainty_n(const struct calibration *c, double force_n);

#endif
