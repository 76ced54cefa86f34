/* A first look at a run while it is captured: how far the force went, whether the zero moved, and whether
 * anything looks so wrong that the operator may want the run again at once. Plain sums over the raw counts,
 * in constant room; what a run is worth is for the analysis to say. Nothing here decides about the run, asks
 * or prints. */
#ifndef CAPTURE_RUN_GLANCE_H
#define CAPTURE_RUN_GLANCE_H

#include "datasets/format/calibration.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/run_record.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum run_glance_part { RUN_GLANCE_BEFORE, RUN_GLANCE_PUSH, RUN_GLANCE_AFTER };

#define RUN_GLANCE_MEANS 512

/* Means of equally many samples each, of the force in counts and of the feed in microsteps; where there is no
 * more room two become one. */
struct run_glance_means {
    double mean[RUN_GLANCE_MEANS], feed[RUN_GLANCE_MEANS];
    size_t n;
    int64_t each; /* samples in a mean; 0 stands for 1 before the first sample */
    double open_sum, open_feed;
    int64_t open_n; /* of the one that is not whole yet */
};

/* Begins as all zero. */
struct run_glance {
    bool have_first;
    double first; /* counts of the first sample at rest: sums of squares are taken about it */
    double sum, squares;
    int64_t n;
    struct run_glance_means push, after;
    int64_t farthest_steps; /* from where the push began, either way */
    int64_t over_range;     /* samples, in all parts */
};

void run_glance_add(struct run_glance *g, enum run_glance_part part, const struct raw_sample *sample);

enum run_glance_flag {
    RUN_GLANCE_SATURATED,    /* the converter was over its range */
    RUN_GLANCE_DRIFTED,      /* the zero moved by more than the plan allows */
    RUN_GLANCE_NO_LOAD,      /* the force never rose */
    RUN_GLANCE_WRONG_WAY,    /* it fell while the filament was fed forward */
    RUN_GLANCE_STILL_RISING, /* a push into a blocked end that came to its end before the feeder did */
    RUN_GLANCE_GAPS,         /* samples are missing */
    RUN_GLANCE_FAULT,        /* the run ended as a fault */
    RUN_GLANCE_FLAGS
};

struct run_glance_result {
    double peak_n;  /* greatest mean of a short stretch of the push, above the zero before it; NAN: no push */
    double least_n; /* least one */
    double noise_n; /* standard deviation of a single reading before the push */
    double floor_n; /* up to which a force counts as none */
    double zero_moved_n; /* reading in the last half of the rest after the push, above that before it; NAN:
                            none */
    double fed_mm;       /* commanded, as far as it went */
    bool flag[RUN_GLANCE_FLAGS];
    bool looks_wrong; /* any of them */
};

/* Sum up. record must be that of the finished run. zero_drift_limit_n is the plan's; a force counts as none
 * below it, and below six standard deviations of a reading at rest. What is judged depends on the test:
 * free-run meets nothing, reversal goes back and stays small, and only tests that push into a blocked end
 * until something gives (blocked-push, speed-sweep, preload-sweep, endurance) can be too short; they are
 * where the force rose over the last tenth of the feed by more than a quarter of the most that it did over
 * any tenth, and never fell by a thirtieth of its peak. A run that the operator stopped has no flag but
 * saturation. */
void run_glance_judge(const struct run_glance *g, const struct run_record *record,
                      const struct calibration *c, double zero_drift_limit_n, struct run_glance_result *r);

#define RUN_GLANCE_TEXT_MAX 240

/* One flag in plain words, with its numbers and what it may come from; without a full stop. */
void run_glance_flag_text(const struct run_glance_result *r, enum run_glance_flag flag,
                          const struct run_record *record, double zero_drift_limit_n, char *text,
                          size_t size);

/* The run in one line. Where it has more than columns characters (0: as many as it takes), what matters least
 * is left out, one after another: "run 0012  gear-8mm  5 mm/s  peak 91.2 N  zero moved 0.03 N  12.0 mm ended:
 * travel". what: feeder, and test where it needs telling. */
void run_glance_line(const struct run_glance_result *r, const struct run_record *record, const char *what,
                     int columns, char *text, size_t size);

#endif
