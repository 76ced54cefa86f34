/* The quality of the raw data in results.json: an object for each run, and sums of feeders and series. */
#ifndef ANALYZE_REPORT_JSON_QUALITY_H
#define ANALYZE_REPORT_JSON_QUALITY_H

#include "analyze/analysis.h"
#include "analyze/data_quality.h"
#include "analyze/report/json_build.h"

#include <jansson.h>

/* By the key of each aspect an object of verdict, text and its numbers; null of a run whose rows were not
 * read. A new reference. */
json_t *json_quality_run(struct json_build *b, const struct session *session, const struct run_result *run);

/* By the key of each aspect an object of the worst verdict, how many runs have which, and the worst run; null
 * where no run has any. A new reference. */
json_t *json_quality_sum(struct json_build *b, const struct session *session,
                         const struct data_quality_sum *sum);

/* What was kept as a float, in the six digits that it has: as a number for files. */
double json_quality_digits(double value);

#endif
