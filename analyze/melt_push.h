/* Melt push: feed into a hot end at a ladder of rates. The load line F(Q), for each temperature. No I/O. */
#ifndef ANALYZE_MELT_PUSH_H
#define ANALYZE_MELT_PUSH_H

#include "analyze/bench_test.h"

/* Feed has stopped when at least this share of it is lost. */
#define MELT_PUSH_STALLED_SHARE 0.9

/* Places of the quantities of a run. */
enum melt_push_quantity {
    MELT_PUSH_FORCE,
    MELT_PUSH_COMMANDED_RATE,
    MELT_PUSH_RATE,       /* absent without an encoder */
    MELT_PUSH_LOST_SHARE, /* absent without an encoder */
    MELT_PUSH_SETTLING,   /* absent where no approach is seen */
    MELT_PUSH_QUANTITIES
};

/* As bench_test_run, for a run of melt-push. Its quantities: steady force, rate that came through, lost share
 * of feed (with an encoder), and the feed over which the force creeps up. A run that stalled, met a limit or
 * had not settled has a force that is "at least"; one that stalled by drops has them in push.events. */
enum err_code melt_push_analyse(const struct run_columns *columns, const struct run_record *record,
                                const struct calibration *calibration, const struct push_settings *settings,
                                struct run_finding *run, struct err *e);
/* As bench_test_sum_up, for the melt-push runs of one feeder. */
enum err_code melt_push_sum_up(const struct run_result *const *runs, size_t count,
                               const struct bench_test_context *context, struct outcome *outcome,
                               struct err *e);

#endif
