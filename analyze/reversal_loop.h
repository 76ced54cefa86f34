/* The loops of one reversal run: contact and release of every cycle, the turn at the top, the energy, the
 * play at the bottom. Numbers with what the run itself leaves uncertain; what all runs share is for the
 * caller. No I/O. */
#ifndef ANALYZE_REVERSAL_LOOP_H
#define ANALYZE_REVERSAL_LOOP_H

#include "analyze/push_motion.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* Lost share of the feed per newton. */
struct loop_creep {
    double per_n, standard_error_per_n;
};

/* A mean over the cycles. */
struct loop_mean {
    size_t n; /* cycles; 0: there is none */
    double value, standard_error, degrees_of_freedom;
};

struct reversal_loops {
    size_t cycles, used;                 /* used: with contact and release */
    struct loop_creep creep;             /* that the ways around the turn are rid of */
    struct loop_mean top_n;              /* force just before the turn */
    struct loop_mean slide_n;            /* force at which the way back begins to slide */
    struct loop_mean log_ratio;          /* ln(top / slide) */
    struct loop_mean stiffness_n_per_mm; /* near contact, on the way forward */
    /* Commanded feed that the measured one does not follow where the direction turns round with no force on;
     * with an encoder. */
    struct loop_mean lost_mm;
    double lost_least_mm; /* it is at least this: it was not crossed to its end; 0: it was, or there is no
                             encoder */
    struct loop_mean energy_mj;
    double loaded_mm;    /* way of one leg under load */
    bool slipped;        /* gross slip on the first way forward */
    double slip_onset_n; /* where, about */
    bool stalled;        /* the force fell on a way forward */
    double stalled_n;    /* from about where */
    char turn_why[160];  /* why there is no ratio; "" where there is one */
    char lost_why[160];  /* why there is no lost motion */
};

/* m: motion both ways; r: its zero and noise. has_tube: fit the way back in two parts. gear: of the drive,
 * for the search for slip. ERR_NO_ANSWER with the reason when there is no whole loop. */
struct push_gear;
enum err_code reversal_loop_take(const struct push_motion *m, const struct push_result *r, bool has_tube,
                                 const struct push_gear *gear, double encoder_mm_per_count,
                                 struct reversal_loops *loops, struct err *e);

#endif
