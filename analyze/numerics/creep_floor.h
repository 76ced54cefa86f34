/* How the creep coefficient falls with nip preload: not at all, straight, or to a floor where it hardly
 * changes any more. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_CREEP_FLOOR_H
#define ANALYZE_NUMERICS_CREEP_FLOOR_H

#include "rig/base/err.h"

#include <stddef.h>

enum creep_floor_model {
    CREEP_CONSTANT,
    CREEP_STRAIGHT,
    CREEP_TO_FLOOR, /* c = floor + extra exp(-P / decay) */
    CREEP_FLOOR_MODELS
};

#define CREEP_FLOOR_PRELOADS_LEAST 5u
/* The floor counts as reached where creep is within this share of it. */
#define CREEP_FLOOR_SHARE 0.1

struct creep_floor {
    enum creep_floor_model model;   /* of the least AIC */
    double aic[CREEP_FLOOR_MODELS]; /* chi square + 2 parameters; NAN where the model could not be fitted */
    double parameters[3]; /* c; c at no preload and slope; floor, extra (at the least preload), decay in N */
    double covariance[3][3];
    double least_n, greatest_n; /* preloads */
    /* CREEP_TO_FLOOR only: the preload from which on creep is within CREEP_FLOOR_SHARE of the floor. */
    double reached_n, reached_standard_error_n;
};

/* Fit n creep coefficients (1/N, standard errors creep_u) on preload (N). ERR_NO_ANSWER with fewer than
 * CREEP_FLOOR_PRELOADS_LEAST preloads or numbers that make no sense. */
enum err_code creep_floor_fit(const double *preload_n, const double *creep, const double *creep_u, size_t n,
                              struct creep_floor *fit, struct err *e);
/* Creep by the fit at a preload, and its standard error. */
double creep_floor_at(const struct creep_floor *fit, double preload_n, double *standard_error);

#endif
