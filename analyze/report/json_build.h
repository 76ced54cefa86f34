/* Putting JSON together without checking each step: a failure is kept, and the whole is then given up. */
#ifndef ANALYZE_REPORT_JSON_BUILD_H
#define ANALYZE_REPORT_JSON_BUILD_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

struct json_build {
    bool failed;
};

/* Hand value (a new reference; NULL sets failed) on to an object or an array. Whether a key is UTF-8 is not
 * looked at until the object is written, which fails if not: keys are our own words, and far more than texts.
 */
void json_build_set(struct json_build *b, json_t *object, const char *key, json_t *value);
void json_build_append(struct json_build *b, json_t *array, json_t *value);

/* A number; null for one that is not finite. */
json_t *json_build_number(double value);
/* Text with control characters and bad UTF-8 replaced. */
json_t *json_build_text(const char *value);
json_t *json_build_count(size_t value);

#endif
