/* A session made by hand for the tests of the report: three feeders, three speeds, four blocks; pushes
 * limited by motor, by grip, by a limit, and one not clear; censored runs, runs without an onset, a run that
 * could not be analysed, a pair that is not comparable, and texts that try to break out of HTML, CSV and
 * gnuplot. No file is behind it. */
#ifndef TESTS_ANALYZE_REPORT_FIXTURE_SESSION_H
#define TESTS_ANALYZE_REPORT_FIXTURE_SESSION_H

#include "analyze/analysis.h"

/* hostile: feeder names, descriptions, flags and titles carry hostile text; otherwise plain words. The caller
 * frees with fixture_session_free. NULL without memory. */
struct session *fixture_session(bool hostile);
void fixture_session_free(struct session *session);

/* What the hostile texts hold: if any of these is found as it stands in HTML, it was not escaped. */
extern const char *const FIXTURE_HOSTILE_HTML;

#endif
