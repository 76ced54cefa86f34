/* The bootstrap interval of every difference that rests on runs: a plain check beside the interval by t. No
 * I/O.
 */
#ifndef ANALYZE_COMPARISON_RESAMPLE_H
#define ANALYZE_COMPARISON_RESAMPLE_H

#include "analyze/analysis.h"

/* Fill comparison.resampled of every comparison that was judged by values of runs without lower bounds.
 * Blocks are resampled whole where the pair was compared within blocks, so that what a block has in common
 * stays in common; else the values of each feeder by themselves. The draws are shared by all pairs of a
 * quantity at one speed, and the difference is that of the comparison: of plain means, of the means over
 * shared blocks, or of the additive model where feeders judged by it lack blocks. No verdict is changed.
 * ERR_MEMORY. */
enum err_code comparison_resample(struct session *session, struct err *e);

#endif
