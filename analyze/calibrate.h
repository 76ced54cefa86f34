/* From what was weighed and measured at a rig to what calibration.json holds, and what is said of it. Structs
 * in, structs out: nothing here reads, prints or knows the time. */
#ifndef ANALYZE_CALIBRATE_H
#define ANALYZE_CALIBRATE_H

#include "analyze/numerics/calibration_fit.h"
#include "analyze/numerics/quantity.h"
#include "datasets/format/calibration.h"
#include "datasets/format/readings.h"
#include "datasets/format/readings_note.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define CALIBRATE_SENTENCES_MAX 12
#define CALIBRATE_SENTENCE_SIZE 240

/* A list of sentences for the reader. */
struct calibrate_sentences {
    char text[CALIBRATE_SENTENCES_MAX][CALIBRATE_SENTENCE_SIZE];
    size_t count;
};

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

/* The feed of one feeder: length measured = offset of the direction + mm per microstep * microsteps
 * commanded. A move that begins with a reversal comes out shorter by the lost motion, whatever its length. */
struct calibrate_feed {
    char feeder[READINGS_NAME_SIZE];
    size_t n, lengths; /* rows, different lengths */
    struct quantity mm_per_microstep;
    bool has_direction[2];        /* forward, backward */
    struct quantity offset_mm[2]; /* forward, backward */
    double residual_sd_mm, degrees_of_freedom;
    bool resolution_rules; /* the residuals scatter less than the rule's division lets one see: that counts */
    double reading_sd_mm;  /* of one length: that of the residuals, or more where the rule's division rules */
    struct quantity drive_diameter_mm;   /* effective; absent without the motor's and reduction's numbers */
    double nominal_diameter_mm;          /* as stated; NAN if not */
    double residual_mm[READINGS_MAX];    /* of each row of this feeder; NAN at others' rows */
    struct calibration_feed calibration; /* to be written */
    struct calibrate_sentences estimates, unknown, warnings;
};

/* feeder: index into r->feeders. ERR_FILE: a length that is far off what the others say; ERR_NO_ANSWER: fewer
 * than two different lengths, no more rows than unknowns, or no feed. */
enum err_code calibrate_feed(const struct readings *r, const struct readings_note *note, size_t feeder,
                             struct calibrate_feed *result, struct err *e);

/* Put a measured feed into a calibration in place of that feeder's old one, if any. ERR_FILE: no room. */
enum err_code calibrate_put_feed(struct calibration *c, const struct calibration_feed *feed, struct err *e);

#endif
