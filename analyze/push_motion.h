/* The raw columns of one push in newtons and millimetres, between the start and the end of its motion. No
 * I/O. */
#ifndef ANALYZE_PUSH_MOTION_H
#define ANALYZE_PUSH_MOTION_H

#include "analyze/analysis.h"
#include "datasets/format/calibration.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/series.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* Unloaded or level samples that are the least to take a mean of. */
#define PUSH_MOTION_QUIET_LEAST 20u

struct push_motion {
    int run_number;
    size_t n;
    double *force_n, *feed_mm; /* above the zero; commanded, from the first sample */
    double *lost_mm;           /* commanded minus measured feed; NULL without an encoder */
    double *time_s;            /* on the clock of the record */
    double *quiet_n;           /* unloaded reading before the push, quiet_count samples */
    size_t quiet_count;
    double zero_noise_n;             /* standard uncertainty of the zero by its noise */
    double zero_drift_uncertainty_n; /* and by how the drift may stray from a straight line */
    double relative_feed;            /* relative standard uncertainty of feed */
    double step_mm;                  /* feed of one full step */
    double microstep_mm;             /* and of one count of the commanded position */
    double resolution_n;    /* standard uncertainty of a reading by one count, or by a gauge's last digit */
    bool separate;          /* force and feed are from separate instruments */
    bool gauge_hides_noise; /* its last digit is coarser than its noise */
    bool saturated;         /* the motion ends here because the converter came to the end of its range */
    /* Of motion both ways: leg k is the samples legs[k] to legs[k + 1], both included, forward for even k. 0
     * and NULL for a push. */
    size_t *legs;
    size_t leg_count;
};

/* drift_limit_n: a zero that moved more is not corrected as drift. Fill m and the zero, noise, drift, speed
 * and flags of r. ERR_NO_ANSWER with the reason when there is no unloaded stretch, no forward feed, or feed
 * that runs backward. Free m in any case. */
enum err_code push_motion_take(const struct run_columns *c, const struct run_record *record,
                               const struct calibration *calibration, struct push_motion *m,
                               struct push_result *r, double drift_limit_n, struct err *e);
/* The same for a run that goes forward and back again and again; legs are filled as well, and the speed is
 * that of the first leg. ERR_NO_ANSWER when it goes backward first. */
enum err_code push_motion_take_both_ways(const struct run_columns *c, const struct run_record *record,
                                         const struct calibration *calibration, struct push_motion *m,
                                         struct push_result *r, double drift_limit_n, struct err *e);
void push_motion_free(struct push_motion *m);

/* Commanded feed against force, thinned to the columns of a picture. */
void push_motion_picture(const struct push_motion *m, struct push_picture *p);

/* A number in -0.5..0.5 for each index, without pattern and without order: what a reading was off by when it
 * was rounded to a count, as far as anybody knows. */
double push_motion_dither(size_t i);

/* Add a flag to the result (printf form); past PUSH_FLAGS_MAX it is dropped. */
void push_motion_flag(struct push_result *r, const char *format, ...) __attribute__((format(printf, 2, 3)));

#endif
