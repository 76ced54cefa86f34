/* How many repeats would settle a comparison, and what the present ones could have seen. No I/O. */
#ifndef ANALYZE_COMPARISON_SIZE_H
#define ANALYZE_COMPARISON_SIZE_H

#include "analyze/analysis.h"

/* Share of series in which the difference is to be found (common practice, no source). */
#define COMPARISON_SIZE_POWER 0.8

/* Fill wanted_difference, wanted_repeats and seen_difference of every comparison that rests on the scatter of
 * values: a forecast from that scatter, for the same design and number of feeders. */
void comparison_sizes(struct session *s);

#endif
