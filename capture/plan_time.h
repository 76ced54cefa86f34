/* How long the runs of a plan take on the rig, how much filament goes into each feeder, and how often the
 * operator has to change something. Worked out from the plan as the runner carries it out; nothing here asks,
 * prints or looks at a clock. */
#ifndef CAPTURE_PLAN_TIME_H
#define CAPTURE_PLAN_TIME_H

#include "datasets/format/plan.h"

#include <stddef.h>

struct plan_time {
    size_t runs;
    /* Seconds of the rig's clock for all runs, each with its rests; without mounting, with nothing for the
     * dozen messages and the filing of a run, which take a fraction of a second each. */
    double rig_s;
    /* mm of filament that each feeder is asked to feed, in all blocks together. What is blocked, slips or
     * stalls passes less, so it is the most that can be used by feeding; what is cut off at a mounting comes
     * on top. */
    double feed_mm[PLAN_FEEDERS_MAX];
    int mountings; /* how often a feeder is mounted */
    int changes;   /* how often something else is to be changed, with no feeder to be mounted at the time */
};

/* Seconds from the first step to the last of one way: ramp up at acceleration, steady speed, ramp down; where
 * the travel is too short for the speed, the two ramps alone. All above 0. */
double plan_time_way_s(double travel_mm, double speed_mm_s, double acceleration_mm_s2);

/* Seconds of the rig's clock of one run of p: rest, all its ways (of reversal, two for each cycle), rest. */
double plan_time_run_s(const struct plan *p, const struct plan_run *run);

/* mm of filament that one run is asked to feed forward. A reversal feeds the same stretch over and over, so
 * it counts once. */
double plan_time_feed_mm(const struct plan *p, const struct plan_run *run);

/* The same for runs, count of them in the order in which they are carried out: all of p, or what is left of
 * it (then what stands on the bench before the first is taken as unknown, and a feeder as to be mounted). */
void plan_time_series(const struct plan *p, const struct plan_run *runs, size_t count, struct plan_time *t);

#endif
