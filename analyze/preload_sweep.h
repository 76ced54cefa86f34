/* Preload sweep: blocked pushes on a ladder of nip preloads. Grip coefficient, and the preload past which
 * more does not help. No I/O. */
#ifndef ANALYZE_PRELOAD_SWEEP_H
#define ANALYZE_PRELOAD_SWEEP_H

#include "analyze/bench_test.h"

/* As bench_test_sum_up, for the preload-sweep runs of one feeder. */
enum err_code preload_sweep_sum_up(const struct run_result *const *runs, size_t count,
                                   const struct bench_test_context *context, struct outcome *outcome,
                                   struct err *e);

#endif
