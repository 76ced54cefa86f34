/* Reversal: forward and back below slip onset. Lost motion, hysteresis energy, friction of a guide tube. No
 * I/O. */
#ifndef ANALYZE_REVERSAL_H
#define ANALYZE_REVERSAL_H

#include "analyze/bench_test.h"

/* As bench_test_run, for a run of reversal. */
enum err_code reversal_analyse(const struct run_columns *columns, const struct run_record *record,
                               const struct calibration *calibration, const struct push_settings *settings,
                               struct run_finding *run, struct err *e);
/* As bench_test_sum_up, for the reversal runs of one feeder. */
enum err_code reversal_sum_up(const struct run_result *const *runs, size_t count,
                              const struct bench_test_context *context, struct outcome *outcome,
                              struct err *e);

#endif
