/* What the JSON beside every measured table begins with: which form it has, when it was measured, on which
 * rig. */
#ifndef CAPTURE_MEASUREMENT_NOTE_H
#define CAPTURE_MEASUREMENT_NOTE_H

#include "rig/wire/message.h"

#include <jansson.h>
#include <stddef.h>

#define MEASUREMENT_NOTE_DATE_BYTES 40

/* The present time as RFC 3339, UTC. */
void measurement_note_date(char *text, size_t size);

/* A new object with schema, date, simulated (the rig says so by its firmware's name, or by a clock of its own
 * pace) and rig {serial, firmware, boot, sample_rate_hz, counts_min, counts_max}. NULL when out of memory. */
json_t *measurement_note_new(const char *schema, const char *date, const struct wire_identity *rig,
                             double sample_rate_hz);

/* value, or null for NAN: not stated. */
json_t *measurement_note_number(double value);

#endif
