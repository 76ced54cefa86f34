/* What the drops of a push say about the cause that limited it: how far the filament came back at each, and
 * where the next one came. No I/O. */
#ifndef ANALYZE_PUSH_DROPS_H
#define ANALYZE_PUSH_DROPS_H

#include "analyze/numerics/drops.h"
#include "analyze/numerics/limit_cause.h"
#include "analyze/push_motion.h"

#include <stddef.h>

/* Fill the members of evidence that come of count drops: as_motor and as_grip are the same drops with their
 * peaks read in two ways, stiffness (above 0) in N/mm of commanded feed without the rotor's lag, noise_n the
 * sd of a reading. evidence->relative_sd must stand already. out: room for count, which evidence points to.
 */
void push_drops_evidence(const struct push_motion *m, double noise_n, const struct drop *as_motor,
                         const struct drop *as_grip, size_t count, double stiffness_n_per_mm,
                         struct limit_cause_drop *out, struct limit_cause_evidence *evidence);

#endif
