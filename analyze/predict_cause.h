/* Where measured push forces and predicted ones part, and what may be behind it. Every cause is a factor on
 * one input of the prediction; each is fitted to the measured forces, and they are listed by how well they
 * then fit. No I/O. */
#ifndef ANALYZE_PREDICT_CAUSE_H
#define ANALYZE_PREDICT_CAUSE_H

#include "analyze/predict.h"

/* A measured force. bound: grip or a limit ended some push there, so that the motor could have done more. */
struct predict_measured {
    double speed_mm_s;
    struct quantity force_n;
    bool bound;
    /* Filled by predict_judge. */
    struct predict_force predicted;
    double joint_n; /* half width of the joint 95 % interval on the side of the difference */
    /* Measured minus predicted with its joint 95 % interval; of a bound at least so much, and its standard
     * uncertainty and low_95 are then those that the prediction brings. */
    struct quantity difference_n;
    bool differs;
};

#define PREDICT_CAUSES_MAX 10
struct predict_cause {
    char what[160];    /* "set current 0.71 times what is stated" */
    char measure[240]; /* the measurement that would tell */
    double factor;     /* fitted */
    double explained;  /* share of the squared deviations that goes away, 0 to 1 */
};

struct predict_verdict {
    size_t compared, differing; /* speeds */
    size_t bounds;              /* of those compared, lower bounds */
    char pattern[240]; /* "measured is below predicted at all speeds alike, by 12 %"; "" without any */
    struct predict_cause causes[PREDICT_CAUSES_MAX];
    size_t cause_count; /* in the order of likelihood; those that explain less than half are left out */
};

/* Fills the second part of each measured force, too. */
enum err_code predict_judge(const struct predict_motor *motor, const struct predict_drive *drive,
                            struct predict_measured *measured, size_t n, struct predict_verdict *verdict,
                            struct err *e);

#endif
