/* The scatter of the values of a pilot series, by the design that was run. No I/O. */
#ifndef ANALYZE_REPEATS_SCATTER_H
#define ANALYZE_REPEATS_SCATTER_H

#include "analyze/repeats.h"

#define REPEATS_STALL "stall_force_n"
#define REPEATS_ONSET "slip_onset_n"
/* Fewer say nothing of the scatter that one could plan by: its 95 % interval is a factor of 70 wide. */
#define REPEATS_DEGREES_LEAST 2

/* Fill the scatters of plan->members at plan->speed_mm_s, with method, blocks, counts of values and present
 * repeats; of the pushes' stall force or slip onset. ERR_NO_ANSWER with the reason; ERR_MEMORY. */
enum err_code repeats_scatter_of(const struct session *s, bool onset, enum repeats_design design,
                                 struct repeats_plan *plan, struct err *e);

#endif
