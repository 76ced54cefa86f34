/* How finely a push was read against what is to be seen in it: how much feed and force lie between two
 * readings, how many readings fall into a motor cycle, a tooth pitch and a rise, and what follows from too
 * few of them. And the time stamps of a force gauge and a controller that know nothing of each other. No I/O.
 */
#ifndef ANALYZE_PUSH_SAMPLING_H
#define ANALYZE_PUSH_SAMPLING_H

#include "analyze/analysis.h"
#include "analyze/numerics/drops.h"
#include "analyze/push_loading.h"
#include "analyze/push_motion.h"
#include "datasets/format/run_record.h"

#include <stdbool.h>
#include <stddef.h>

/* The last part of a push in which a level is looked for. */
#define PUSH_LEVEL_PART 0.2
/* Readings in a period below which it cannot be made out: Nyquist's two, and as much again for margin. */
#define PUSH_SAMPLING_PERIOD_LEAST 4.0

/* Slope of force on feed along the rise from contact to sample end, N/mm: that of its fit where there is one,
 * else by least squares from a fifth to seven tenths of its way up, else the steepest between two readings. 0
 * where the force never rises. */
double push_sampling_stiffness(const struct push_motion *m, const struct push_loading *l, size_t contact,
                               size_t end);

/* Fill r->sampling for a push whose rise is the samples contact to end; pitch_mm 0: no teeth. drops: the
 * stall events, indices from contact on. */
void push_sampling_of(const struct push_motion *m, size_t contact, size_t end, double stiffness_n_per_mm,
                      double pitch_mm, const struct drop *drops, size_t count, struct push_result *r);

/* Whether the period of motor cycles or teeth cannot be made out; why receives a sentence of at most 160
 * bytes where it cannot. */
bool push_sampling_hides_period(const struct push_sampling *s, char *why);

/* How much the force falls by at most, N, when a motor cycle or a tooth is lost that is too short to be made
 * out; 0 where none is. */
double push_sampling_unseen_fall_n(const struct push_sampling *s, double stiffness_n_per_mm);

/* A peak lies anywhere between the last reading before the drop and the first after it. Of many readings a
 * rise its error scatters from event to event and is seen; of few it is also the same for all of them, by
 * where the readings happen to fall and by the bend of the rise. as_motor: the peaks were read with the bend
 * of a motor's rise. Standard uncertainty in N; 0 for many. */
double push_sampling_peak_uncertainty_n(const struct push_sampling *s, bool as_motor);

/* The end of a push without drops: a straight line through its last part. */
struct push_level {
    bool reached;      /* the force hardly rises with feed any more: nearly all of it is lost */
    bool rising;       /* it clearly rises still */
    bool few;          /* few readings: where it is neither reached nor rising, nobody can tell */
    double value_n;    /* mean of the last part */
    double lost_share; /* of the feed over it, by the encoder; NAN without one */
    double wander_n; /* how far it moves in it, by wear, drift or the rest of the approach: a rectangle either
                        way */
};
struct push_level push_sampling_level(const struct push_motion *m, double noise_n, double stiffness_n_per_mm);

/* Say in the flags what one reading in so much feed allows, where that is little. */
void push_sampling_flag(struct push_result *r, const struct run_record *record);

/* What the time stamps of separate instruments bring. */
struct push_stamps {
    bool apply;
    double shift_s;  /* standard uncertainty of the time of all force against all feed */
    double jitter_s; /* of one reading */
};
struct push_stamps push_stamps_of(const struct run_record *record);

/* Force that a reading is off by when its time stamp is, N. */
double push_stamps_reading_n(const struct push_stamps *t, double speed_mm_s, double stiffness_n_per_mm);

/* The motion with its commanded feed moved by shift_s in time, as it were with another latency; feed_mm has
 * room for m->n values and must outlive it. */
struct push_motion push_stamps_shift(const struct push_motion *m, double shift_s, double *feed_mm);

#endif
