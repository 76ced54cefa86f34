/* Loaded feed: feed against a steady brake. The lost share of the feed against the force: creep coefficient,
 * onset of gross slip, greatest feed force, and how creep falls with preload. No I/O. */
#ifndef ANALYZE_LOADED_FEED_H
#define ANALYZE_LOADED_FEED_H

#include "analyze/bench_test.h"

/* As bench_test_run, for a run of loaded-feed. */
enum err_code loaded_feed_analyse(const struct run_columns *columns, const struct run_record *record,
                                  const struct calibration *calibration, const struct push_settings *settings,
                                  struct run_finding *run, struct err *e);
/* As bench_test_sum_up, for the loaded-feed runs of one feeder. */
enum err_code loaded_feed_sum_up(const struct run_result *const *runs, size_t count,
                                 const struct bench_test_context *context, struct outcome *outcome,
                                 struct err *e);

#endif
