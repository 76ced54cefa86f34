/* Carries what is wrong with the ground of a run's forces (beyond the calibrated range, a calibration past
 * the age that the plan allows) to every result worked out from it. No I/O. */
#ifndef ANALYZE_RESULT_FLAGS_H
#define ANALYZE_RESULT_FLAGS_H

#include "analyze/analysis.h"

/* Add to the run's own flags: a calibration past its age at the run's start, and a lower bound outside the
 * calibrated range (the analysis of a push says it of values only). */
void result_flags_run(struct push_result *push, const struct run_record *record, const struct series *series);

/* Fill the flags of the feeder's points and torque curve from its runs (count of them), all of the series. */
void result_flags_feeder(struct feeder_result *feeder, const struct run_result *const *runs, size_t count,
                         const struct series *series);

/* Add to the warnings of every outcome that is present what its runs rest on: forces beyond the calibrated
 * range, a calibration past its age. An outcome of several tests rests on all runs of its feeder. Once,
 * before the report. */
void result_flags_outcomes(struct session *session);

/* Fill the flags of every comparison that was judged from those of its two points or
 * outcomes. ERR_MEMORY. */
enum err_code result_flags_comparisons(struct session *session, struct err *e);

#endif
