/* A section of one bench: its variance split over feeders, operators, series and refits, and the share of it
 * that is the rig's own. No I/O. */
#ifndef ANALYZE_BENCHES_RIG_H
#define ANALYZE_BENCHES_RIG_H

#include "analyze/benches_section.h"
#include "analyze/benches_value.h"
#include "rig/base/err.h"

/* At least one value. Fills bench, factors, levels, split, refits_alone and the own share. What cannot be
 * answered is said in the section and is no error. ERR_MEMORY. */
enum err_code benches_rig(const struct benches_values *values, struct benches_section *section,
                          struct err *e);

#endif
