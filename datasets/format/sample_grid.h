/* The grid of samples: a rig samples at a steady rate, so a step in time that is too long shows how many
 * samples are not there. Capture counts with this as samples arrive, and series_verify counts again from the
 * file. */
#ifndef DATASETS_FORMAT_SAMPLE_GRID_H
#define DATASETS_FORMAT_SAMPLE_GRID_H

#include "datasets/format/run_csv.h"

#include <stddef.h>
#include <stdint.h>

/* How many samples of rate_hz (above 0) are missing between two that follow one another, before_us and
 * after_us on the rig's clock: the number of whole intervals that fits best, less one. 0 where they are
 * neighbours. */
int64_t sample_grid_missing(int64_t before_us, int64_t after_us, double rate_hz);

/* The same over a whole run: *places receives in how many places, the result how many samples in all. Places
 * may be NULL. */
int64_t sample_grid_count(const struct run_columns *columns, double rate_hz, int64_t *places);

#endif
