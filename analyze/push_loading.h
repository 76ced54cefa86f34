/* The loading of one push, from contact to the first drop or the end: stiffness, creep, slip onset. No I/O.
 */
#ifndef ANALYZE_PUSH_LOADING_H
#define ANALYZE_PUSH_LOADING_H

#include "analyze/numerics/drops.h"
#include "analyze/numerics/slip_onset.h"
#include "analyze/push_motion.h"
#include "analyze/push_signal.h"

#include <stdbool.h>
#include <stddef.h>

/* The drive gear: feed of one turn and of one tooth (0: not known), and the expected runout, one standard
 * deviation. */
struct push_gear {
    double turn_mm, pitch_mm, runout_mm;
};

/* Fits to the loading from contact to the first drop or the end. */
struct push_loading {
    bool fitted;                 /* force_fit holds stiffness */
    struct slip_onset force_fit; /* of F on feed */
    struct slip_onset fit;       /* the one to answer from: of lost feed where there is an encoder */
    char why_not[160];
};

/* Samples contact to end of the motion. motor_limit_n: force at which the motor loses step, 0 when not known.
 * Always fills *l; l->fitted tells whether there is a fit. */
void push_loading_fit(const struct push_motion *m, const struct push_result *r, size_t contact, size_t end,
                      double motor_limit_n, double motor_limit_uncertainty_n, const struct push_gear *gear,
                      struct push_loading *l);

/* The same for a motor that lost step at the drops (count of them, indices from contact on): as_motor
 * receives their peaks read as a motor's off the signal, *motor the loading with its limit known. plain is
 * the fit without that knowledge. */
void push_loading_fit_as_motor(const struct push_motion *m, const struct push_result *r, size_t contact,
                               size_t end, const struct push_signal *signal, const struct drop *drops,
                               size_t count, const struct push_gear *gear, const struct push_loading *plain,
                               struct drop *as_motor, struct push_loading *motor);

/* Where a loading has too few readings for a fit, its slope alone, read off from PUSH_LOADING_SLOPE_FROM to
 * PUSH_LOADING_SLOPE_TO of its way up. */
#define PUSH_LOADING_SLOPE_FROM 0.2
#define PUSH_LOADING_SLOPE_TO   0.7
/* Then the peaks are read as a motor's, with the stiffness that this slope (N/mm of commanded feed, above 0)
 * leaves when the lag of the rotor is taken out of it. as_motor: the drops, read anew in place. Returns that
 * stiffness, N/mm; 0, and nothing is read, where the lag alone would make the slope. */
double push_loading_read_as_motor(const struct push_motion *m, size_t contact,
                                  const struct push_signal *signal, double slope_n_per_mm,
                                  struct drop *as_motor, size_t count);

#endif
