/* Melt push: feed into a hot end at a ladder of rates. The load line F(Q), for each temperature. No I/O. */
#ifndef ANALYZE_MELT_PUSH_H
#define ANALYZE_MELT_PUSH_H

#include "analyze/bench_test.h"

/* As bench_test_run, for a run of melt-push. */
enum err_code melt_push_analyse(const struct run_columns *columns, const struct run_record *record,
                                const struct calibration *calibration, const struct push_settings *settings,
                                struct run_result *run, struct err *e);
/* As bench_test_sum_up, for the melt-push runs of one feeder. */
enum err_code melt_push_sum_up(const struct run_result *const *runs, size_t count,
                               const struct bench_test_context *context, struct outcome *outcome,
                               struct err *e);

#endif
