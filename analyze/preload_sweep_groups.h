/* Preload-sweep pushes of one feeder by speed: the fit of stall force against preload for each. No I/O. */
#ifndef ANALYZE_PRELOAD_SWEEP_GROUPS_H
#define ANALYZE_PRELOAD_SWEEP_GROUPS_H

#include "analyze/bench_test.h"
#include "analyze/between_mountings.h"
#include "analyze/numerics/grip_fit.h"

struct preload_group {
    double speed_mm_s;
    char setting[48]; /* "at 5 mm/s"; "" for the only speed */
    const struct run_result **runs;
    size_t n;
    size_t unclear, unclear_used; /* of the runs: limited by what is not clear; of those, given a label by the
                                   * fit of the others */
    double greatest_stall_n;      /* stall force of any push at this speed, bounds included */
    bool all_unclear;             /* none is clear: all were taken as grip-limited */
    bool fitted;
    char why_not[200];
    struct grip_fit fit;
    struct between_mountings mountings; /* of the grip-limited pushes against the fit */
    double least_n, greatest_n;         /* preloads */
    struct quantity coefficient, top_n, best_preload_n;
};

struct preload_groups {
    struct preload_group *groups; /* by rising speed */
    size_t count;
    const struct run_result **room;
};

/* Sort the pushes that have a stall force and a stated preload by speed. ERR_NO_ANSWER in one line when there
 * is none. Free in any case. */
enum err_code preload_groups_take(const struct run_result *const *runs, size_t count,
                                  struct preload_groups *groups, struct err *e);
/* Fit each. */
enum err_code preload_groups_fit(struct preload_groups *groups, struct err *e);
void preload_groups_free(struct preload_groups *groups);

double preload_groups_preload_n(const struct run_result *run);

#endif
