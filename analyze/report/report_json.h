/* results.json: everything found, for programs. Schema "nipbench-results-1"; absent values are null, never 0
 * or NaN. The text depends on the session alone: no time, no path but the last part of each series folder's
 * name. */
#ifndef ANALYZE_REPORT_REPORT_JSON_H
#define ANALYZE_REPORT_REPORT_JSON_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

#include <stdio.h>

#define REPORT_JSON_SCHEMA "nipbench-results-1"

enum err_code report_json_write(const struct session *session, FILE *out, struct err *e);

#endif
