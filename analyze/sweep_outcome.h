/* What a speed sweep comes to for one feeder: torque of the flat part, corner, and what can be told of the
 * motor, in words and numbers. No I/O. */
#ifndef ANALYZE_SWEEP_OUTCOME_H
#define ANALYZE_SWEEP_OUTCOME_H

#include "analyze/analysis.h"
#include "analyze/bench_test.h"
#include "analyze/outcome.h"

/* As bench_test_sum_up. The feeder's torque curve is there already. ERR_NO_ANSWER with its why_not when there
 * is none. */
enum err_code sweep_outcome_sum_up(const struct run_result *const *runs, size_t count,
                                   const struct bench_test_context *context, struct outcome *outcome,
                                   struct err *e);

#endif
