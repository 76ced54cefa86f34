/* How good the rows of one run are, before anybody asks what they say: spacing in time, ends of the range,
 * mains pick-up, resolution. No I/O. */
#ifndef ANALYZE_RUN_QUALITY_H
#define ANALYZE_RUN_QUALITY_H

#include "analyze/analysis.h"
#include "datasets/format/calibration.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/run_record.h"

/* Rows whose spacing is looked at, evenly spread in stretches; and readings, the last ones before the motion,
 * in which mains is looked for: so that a run of 10 million rows takes hardly longer for it. */
#define RUN_QUALITY_STRETCHES    100u
#define RUN_QUALITY_STRETCH_ROWS 1000u
#define RUN_QUALITY_QUIET_ROWS   65536u
/* Chance that mains is found in a run whose noise holds none. */
#define RUN_QUALITY_FALSE_ALARM 0.01

/* All of it but zero_seen_after, which is false. Steps of more than one and a half intervals are holes and no
 * jitter, unless the record says that nothing is missing. A reading is at an end of the range when its row
 * says so or its counts are those of the end. mains is unknown where the rest before the motion is too short,
 * the rate too low, or memory short. */
struct run_quality run_quality_of(const struct run_columns *columns, const struct run_record *record,
                                  const struct calibration *calibration);

/* The least step of a force, N: of all readings, of one count, or the last digit of a gauge, whichever is
 * most. */
double run_quality_step_n(const struct run_quality *quality, const struct run_record *record,
                          const struct calibration *calibration);

#endif
