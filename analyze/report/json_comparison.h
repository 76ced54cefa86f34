/* The parts of results.json on comparisons: every pair, and the families of feeders measured alike. */
#ifndef ANALYZE_REPORT_JSON_COMPARISON_H
#define ANALYZE_REPORT_JSON_COMPARISON_H

#include "analyze/analysis.h"
#include "analyze/report/json_build.h"

/* Failures are kept in b. */

/* What the caller of the session accepted and said to matter. */
json_t *json_comparison_accept(struct json_build *b, const struct session *session);
json_t *json_comparison_matters(struct json_build *b, const struct session *session);
/* One of session->comparisons, and one of session->families. */
json_t *json_comparison(struct json_build *b, const struct session *session, size_t index);
json_t *json_comparison_family(struct json_build *b, const struct session *session, size_t index);

#endif
