/* For tests of data quality: what is recorded and found of a run that is good in every respect. */
#ifndef TESTS_ANALYZE_GOOD_RUN_H
#define TESTS_ANALYZE_GOOD_RUN_H

#include "analyze/analysis.h"

#include <math.h>

/* Nine seconds at 1 kHz, in motion from the first to the seventh. */
static inline void good_run_record(struct run_record *record)
{
    record->sample_rate_hz = 1000;
    record->rows = 9000;
    record->counts_min = -4000000;
    record->counts_max = 4000000;
    record->push_start_us = 1000000;
    record->push_end_us = 7000000;
    record->link_recorded = true;
}

static inline struct run_quality good_run_quality(void)
{
    return (struct run_quality){.interval_us = 1000.25F,
                                .jitter_us = 3,
                                .range_used = 0.4F,
                                .mains_n = NAN,
                                .mains_standard_uncertainty_n = NAN,
                                .mains_detectable_n = 0.05F,
                                .mains_noise_n = 0.3F,
                                .mains = RUN_MAINS_NONE,
                                .present = true,
                                .zero_seen_after = true};
}

#endif
