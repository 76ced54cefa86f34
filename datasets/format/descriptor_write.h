/* What datapackage.json says of a series, as JSON that is valid under versions 1 and 2 of the Data Package
 * standard: made of the plan and the run records alone. Which files there are, how long and with which hash,
 * is series_write.c's. Every function that returns JSON returns a new reference, or NULL when there is no
 * memory or a text that JSON cannot hold (bad UTF-8). */
#ifndef DATASETS_FORMAT_DESCRIPTOR_WRITE_H
#define DATASETS_FORMAT_DESCRIPTOR_WRITE_H

#include "datasets/format/plan.h"
#include "datasets/format/run_record.h"

#include <jansson.h>
#include <stdbool.h>

/* Everything but resources, sources and the time of creation. What the plan leaves open is filled in where it
 * can be known: a description made of feeders and tests, title and address of a well-known licence. */
json_t *descriptor_write_root(const struct plan *plan);

/* Put the rig of a run among the sources, unless it is there, and take the start of the first run that is
 * passed for the time of creation. False when there is no memory. */
bool descriptor_write_origin(json_t *root, const struct run_record *r);

/* Properties of a resource but name, path, encoding, bytes and hash. r is the record of the run, or NULL when
 * it cannot be read. */
json_t *descriptor_write_plan(void);
json_t *descriptor_write_calibration(void);
json_t *descriptor_write_run(int number, const struct run_record *r);
json_t *descriptor_write_record(int number, const struct run_record *r);

#endif
