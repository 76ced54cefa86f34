/* Loaded-feed runs of one feeder by nip preload and speed: the fits of each group, and what they come to
 * together. No I/O. */
#ifndef ANALYZE_LOADED_FEED_GROUPS_H
#define ANALYZE_LOADED_FEED_GROUPS_H

#include "analyze/bench_test.h"
#include "analyze/between_mountings.h"
#include "analyze/numerics/creep_fit.h"
#include "analyze/numerics/creep_floor.h"

struct loaded_feed_group {
    double preload_n; /* NAN: not stated */
    double speed_mm_s;
    char setting[48];                  /* "at 80 N of preload"; "" for the only group */
    double *force_n, *share, *share_u; /* of n runs that fed */
    double *share_low, *share_high;    /* 95 % intervals of those */
    double *settled_n;                 /* of settled runs in which the grip lost all feed by slipping */
    double *stall_n;                   /* of all stalls runs in which the feed stopped */
    double *grip_n;                    /* of all by_grip runs that the grip stopped */
    double *fed_block, *settled_block, *grip_block; /* blocks of the series that they are of */
    size_t n, settled, stalls;
    size_t by_motor, by_grip;         /* of the stalls */
    const struct run_result *stalled; /* the last of the stalls */
    double fed_at_least_n;            /* the greatest force fed, less what it is not known by */
    int first_number;                 /* of its runs */
    bool fitted;
    char why_not[160]; /* when not fitted */
    struct creep_fit fit;
    struct between_mountings mountings; /* of the runs past the onset against the fit */
    struct quantity creep_per_n, onset_n, greatest_n, feed_ratio;
};

struct loaded_feed_groups {
    struct loaded_feed_group *groups; /* by rising speed, then preload */
    size_t count;
    double *room;
    double diameter_mm; /* nominal, of the drive gear */
    bool floor_fitted;  /* how creep falls with preload, at one speed */
    struct creep_floor floor;
    double floor_degrees;
};

/* Sort the runs into groups. ERR_NO_ANSWER in one line when no run has an answer. Free in any case. */
enum err_code loaded_feed_groups_take(const struct run_result *const *runs, size_t count,
                                      struct loaded_feed_groups *groups, struct err *e);
/* Fit them, and add quantities, sentences and warnings to the outcome. ERR_NO_ANSWER when no group allows a
 * fit. */
enum err_code loaded_feed_groups_fit(struct loaded_feed_groups *groups,
                                     const struct bench_test_context *context, struct outcome *outcome,
                                     struct err *e);
void loaded_feed_groups_free(struct loaded_feed_groups *groups);

#endif
