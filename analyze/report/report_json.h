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

/* The same by several threads: between begin and end any number of them may work, at any time, and come back
 * when nothing is left for them to take. */
struct report_json;
enum err_code report_json_begin(const struct session *session, FILE *out, struct report_json **writer,
                                struct err *e);
void report_json_work(struct report_json *writer);
/* When all are back. */
enum err_code report_json_end(struct report_json *writer, struct err *e);

#endif
