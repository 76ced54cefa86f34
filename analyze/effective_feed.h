/* Measured over commanded feed of the runs of one feeder, at each nip preload, and whether it falls where the
 * filament is dented. No I/O. */
#ifndef ANALYZE_EFFECTIVE_FEED_H
#define ANALYZE_EFFECTIVE_FEED_H

#include "analyze/analysis.h"
#include "analyze/outcome.h"

/* Relative standard uncertainty of the encoder's scale; 0 where none is stated or there is no encoder. */
double effective_feed_encoder_relative(const struct calibration *calibration);

/* which: where in run->quantities the ratio stands. Adds one quantity for each preload, or one that is
 * absent, and a warning where the feed falls past a preload. */
enum err_code effective_feed_sum_up(const struct run_result *const *runs, size_t count, size_t which,
                                    const struct calibration *calibration, struct outcome *outcome,
                                    struct err *e);

#endif
