/* Feed before contact: how much feed a commanded step gives while nothing pushes back. No I/O. */
#ifndef ANALYZE_APPROACH_FEED_H
#define ANALYZE_APPROACH_FEED_H

#include "analyze/numerics/quantity.h"
#include "analyze/push_motion.h"

/* Less feed before contact than this, in mm, is not enough to tell anything. */
#define APPROACH_FEED_LEAST_MM 2.0

/* Measured over commanded feed of the first `contact` samples of m. turn_mm and pitch_mm: feed of one turn of
 * the drive gear and of one tooth (0: not known); runout_mm: the expected runout of the gear; encoder_mm: one
 * count. The uncertainty is that of this run alone, by counts, noise and runout: the scales of encoder and
 * commanded feed, which all runs share, are not in it. Absent without an encoder or with less than
 * APPROACH_FEED_LEAST_MM before contact. */
struct quantity approach_feed_ratio(const struct push_motion *m, size_t contact, double turn_mm,
                                    double pitch_mm, double runout_mm, double encoder_mm);

#endif
