/* What tests of a kind come to, made up for the report: every style of chart, quantities with and without
 * values, warnings, an outcome without an answer, and runs that are no pushes. */
#ifndef TESTS_ANALYZE_REPORT_FIXTURE_OUTCOMES_H
#define TESTS_ANALYZE_REPORT_FIXTURE_OUTCOMES_H

#include "analyze/analysis.h"

#include <stdbool.h>

/* fixture_session with outcomes of four tests at its first two feeders and their comparison. hostile: names
 * and texts want out of every format. NULL without memory. fixture_outcomes_free frees. */
struct session *fixture_outcomes(bool hostile);
/* A session of free runs alone: one feeder of the first series, no push. */
struct session *fixture_free_runs(void);
void fixture_outcomes_free(struct session *s);

/* What is in every hostile text. */
extern const char *const FIXTURE_OUTCOME_HOSTILE;

#endif
