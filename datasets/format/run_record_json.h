/* A run record and its parts as JSON values: the file of a finished run and the journal of one that is being
 * written hold the same. */
#ifndef DATASETS_FORMAT_RUN_RECORD_JSON_H
#define DATASETS_FORMAT_RUN_RECORD_JSON_H

#include "datasets/format/json_strict.h"
#include "datasets/format/run_record.h"

#include <jansson.h>

/* As run_record_write and run_record_read, without the file; path is for messages. *root: a new reference, or
 * NULL after an error. */
enum err_code run_record_to_json(const struct run_record *r, const char *path, json_t **root, struct err *e);
enum err_code run_record_from_json(const json_t *json, const char *path, struct run_record *r, struct err *e);

/* An entry of events and of link.gaps. New reference, or NULL when there is no memory. */
json_t *run_event_to_json(const struct run_event *event);
json_t *run_gap_to_json(const struct run_gap *gap);
/* text: room for SERIES_EVENT_TEXT_MAX + 1 bytes. */
enum err_code run_event_from_json(const struct json_place *p, int64_t *time_us, char *text, struct err *e);
enum err_code run_gap_from_json(const struct json_place *p, struct run_gap *gap, struct err *e);

#endif
