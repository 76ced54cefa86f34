/* From measured lengths to what calibration.json holds of a feeder's feed, and what is said of it. Structs
 * in, structs out: nothing here reads, prints or knows the time. */
#ifndef ANALYZE_CALIBRATE_FEED_H
#define ANALYZE_CALIBRATE_FEED_H

#include "analyze/calibrate_sentences.h"
#include "analyze/numerics/quantity.h"
#include "datasets/format/calibration.h"
#include "datasets/format/readings.h"
#include "datasets/format/readings_note.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

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
enum err_code calibrate_feed_put(struct calibration *c, const struct calibration_feed *feed, struct err *e);

#endif
