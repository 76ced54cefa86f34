/* From hung weights to what calibration.json holds of a load cell, and what is said of it. Structs in,
 * structs out: nothing here reads, prints or knows the time. */
#ifndef ANALYZE_CALIBRATE_H
#define ANALYZE_CALIBRATE_H

#include "analyze/calibrate_sentences.h"
#include "analyze/numerics/calibration_fit.h"
#include "datasets/format/calibration.h"
#include "datasets/format/readings.h"
#include "datasets/format/readings_note.h"
#include "rig/base/err.h"

#include <stdbool.h>

/* An uncertainty that all loads share, so that no repeating makes it smaller. */
struct calibrate_shared {
    bool known;
    double relative; /* standard uncertainty of the greatest load that it makes, relative */
    double carried;  /* the same as the covariance carries it: the intercept takes some of what is no gain */
};

/* A load cell. */
struct calibrate_force {
    struct calibration_fit fit; /* of the readings alone, loads taken as exact */
    int degree_asked;           /* 1, 2 or CALIBRATION_FIT_DEGREE_AUTO */
    char degree_why[CALIBRATE_SENTENCE_SIZE];
    struct calibrate_shared weights, gravity;
    /* Of the coefficients, with what all loads share. Where neither is known it is that of the fit alone. */
    double covariance[CALIBRATION_FIT_DEGREE_MAX + 1][CALIBRATION_FIT_DEGREE_MAX + 1];
    double standard_errors[CALIBRATION_FIT_DEGREE_MAX + 1];
    struct calibration calibration;       /* to be written: no feeds, no encoder */
    struct calibrate_sentences estimates; /* numbers that rest on the operator's word, with their values */
    struct calibrate_sentences unknown;   /* what nobody stated, and what that leaves out */
    struct calibrate_sentences warnings;
};

/* degree: 1, 2 or CALIBRATION_FIT_DEGREE_AUTO. today: RFC 3339 date that a calibration without a dated note
 * gets. Errors are those of calibration_fit. */
enum err_code calibrate_force(const struct readings *r, const struct readings_note *note, int degree,
                              const char *today, struct calibrate_force *result, struct err *e);

#endif
