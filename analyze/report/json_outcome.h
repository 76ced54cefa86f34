/* The parts of results.json that tests other than pushes bring: what a run of one gives, and what all of them
 * come to. */
#ifndef ANALYZE_REPORT_JSON_OUTCOME_H
#define ANALYZE_REPORT_JSON_OUTCOME_H

#include "analyze/analysis.h"
#include "analyze/report/json_build.h"

/* A new reference; a failure is kept in b. */
json_t *json_outcome(struct json_build *b, const struct outcome *outcome);

/* Add to a run's object its settings and quantities; null for what does not apply to its test. */
void json_outcome_run(struct json_build *b, json_t *object, const struct run_result *run);

/* report_json.c: a quantity as results.json writes it, null when absent; budget NULL: none. And lists of
 * sentences: rows of a two-dimensional array of char. */
json_t *report_json_quantity(struct json_build *b, const struct quantity *q, const char *unit,
                             const struct budget *budget);
json_t *report_json_sentences(struct json_build *b, const char *first, size_t row_size, size_t rows);

#endif
