/* Blocked push: from the raw columns of one run to stall force, slip onset and what limited it. No I/O. */
#ifndef ANALYZE_PUSH_H
#define ANALYZE_PUSH_H

#include "analyze/analysis.h"
#include "analyze/push_budget.h"
#include "datasets/format/calibration.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/series.h"
#include "rig/base/err.h"

/* Feed of one microstep of this run's feeder: measured where the calibration has it, else nominal. Its
 * relative standard uncertainty goes to *relative (may be NULL). mm. */
double push_feed_per_microstep_mm(const struct run_record *record, const struct calibration *calibration,
                                  double *relative);

/* Analyse one blocked push. settings: the operator's estimates and limits, from the plan. ERR_NO_ANSWER with
 * the reason when the run holds too little to say anything (no motion, no unloaded stretch, no contact);
 * *result is then zeroed. A run that met a limit first is an answer: its stall force is "at least". */
enum err_code push_analyse_with(const struct run_columns *columns, const struct run_record *record,
                                const struct calibration *calibration, const struct push_settings *settings,
                                struct push_result *result, struct err *e);
/* The same with the default settings. */
enum err_code push_analyse(const struct run_columns *columns, const struct run_record *record,
                           const struct calibration *calibration, struct push_result *result, struct err *e);

#endif
