/* The force of a push for finding its drops: the load cell's, and where there is an encoder, helped by the
 * filament's position. The blocked end is a spring, so where the filament stands says how hard it is pushed,
 * often with less noise than the cell does. No I/O. */
#ifndef ANALYZE_PUSH_SIGNAL_H
#define ANALYZE_PUSH_SIGNAL_H

#include "analyze/push_motion.h"

#include <stdbool.h>
#include <stddef.h>

struct push_signal {
    const double *force_n; /* from contact on, as many as the motion has from there */
    const double *quiet_n; /* the same channel unloaded */
    size_t quiet_count;
    double noise_n; /* sd of one sample, unloaded */
    bool by_position;
    double stiffness_n_per_mm; /* of force on measured position near the greatest force; 0 without */
    double *owned;             /* behind the two; NULL when they are the motion's own */
};

/* Samples contact to the end of the motion. encoder_mm_per_count 0: without encoder. The position helps only
 * where a parabola of force on it leaves no more than the noise of the unloaded reading; else, and without
 * memory, the signal is the cell's own. */
struct push_signal push_signal_of(const struct push_motion *m, double noise_n, size_t contact,
                                  double encoder_mm_per_count);
void push_signal_free(struct push_signal *s);

#endif
