/* The parts of results.json on comparisons: every pair, and the families of feeders measured alike. */
#ifndef ANALYZE_REPORT_JSON_COMPARISON_H
#define ANALYZE_REPORT_JSON_COMPARISON_H

#include "analyze/analysis.h"
#include "analyze/report/json_build.h"

/* Add to the root: comparisons[], families[], and what the caller of the session accepted and said to matter.
 * A failure is kept in b. */
void json_comparisons(struct json_build *b, json_t *root, const struct session *session);

#endif
