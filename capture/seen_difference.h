/* What difference between two feeders a series run in blocks can see, before anything is measured: as a
 * multiple of the scatter, since the scatter itself is known only from a pilot. Pure numbers.
 *
 * The scatter is the standard deviation of one value (of one mounting of one feeder, such as its stall force)
 * once what its block shares with the other feeders is taken out. A difference counts as seen when it is
 * found at the level of 5 %, which holds for all pairs of the feeders together, in 80 of 100 such series: two
 * feeders by the paired t test, three and more by the studentised range, as the analysis does. */
#ifndef CAPTURE_SEEN_DIFFERENCE_H
#define CAPTURE_SEEN_DIFFERENCE_H

#include <stddef.h>

#define SEEN_DIFFERENCE_FEEDERS_MAX 12
#define SEEN_DIFFERENCE_TABLE_LAST  50 /* blocks that the table goes to */
#define SEEN_DIFFERENCE_BLOCKS_MAX  200

/* Difference over scatter that feeders (2 to 12) in so many blocks (2 or more) see. Up to 50 blocks it is a
 * table; beyond, the difference times the root of the blocks is taken on a straight line over 1 / blocks,
 * from its value at 50 to that of endlessly many blocks: within 0.05 % of the whole calculation. NAN for
 * anything else. */
double seen_difference(int feeders, int blocks);

/* The fewest blocks, 2 to 200, that see a difference of ratio times the scatter; 0 where 200 are too few. */
int seen_difference_blocks(int feeders, double ratio);

#endif
