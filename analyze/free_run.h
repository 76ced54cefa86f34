/* Free run: feed with nothing in the way. Zero drift, noise and mains pick-up of the load cell; feed ripple
 * by order; effective feed, and how it changes with nip preload. No I/O. */
#ifndef ANALYZE_FREE_RUN_H
#define ANALYZE_FREE_RUN_H

#include "analyze/bench_test.h"

/* As bench_test_run, for a run of free-run. */
enum err_code free_run_analyse(const struct run_columns *columns, const struct run_record *record,
                               const struct calibration *calibration, const struct push_settings *settings,
                               struct run_finding *run, struct err *e);
/* As bench_test_sum_up, for the free-run runs of one feeder. */
enum err_code free_run_sum_up(const struct run_result *const *runs, size_t count,
                              const struct bench_test_context *context, struct outcome *outcome,
                              struct err *e);

#endif
