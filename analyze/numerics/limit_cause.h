/* What limited a push: the motor, the grip, or neither that can be told. Pure numbers in, a struct out.
 *
 * A stepper that loses step falls back by whole electrical cycles, 4 full steps each, and gear and filament
 * go back with it. Teeth that tear loose let the filament back by a tooth pitch, or by distances of no
 * pattern, while the gear keeps turning. A grip that gives way without tearing settles at a level. The
 * likelihoods below put numbers on this; they are judgements about what each cause does (common practice, no
 * source), the same for every run.
 */
#ifndef ANALYZE_NUMERICS_LIMIT_CAUSE_H
#define ANALYZE_NUMERICS_LIMIT_CAUSE_H

#include <stdbool.h>
#include <stddef.h>

enum limit_cause_kind { LIMIT_CAUSE_MOTOR, LIMIT_CAUSE_GRIP, LIMIT_CAUSE_NEITHER, LIMIT_CAUSE_KINDS };

/* How far the filament came back at one drop, under each hypothesis, and how far it could have: to no force
 * at all. The two differ by the load angle: a motor that loses step gives back most of a full step of it, and
 * under a slipping grip the motor moves on by what it had been lagging. */
struct limit_cause_drop {
    double fallback_mm, fallback_most_mm;   /* were it the motor */
    double slip_back_mm, slip_back_most_mm; /* were it the grip */
};

struct limit_cause_evidence {
    size_t drop_count;
    const struct limit_cause_drop *drops;
    double fallback_sd_mm;  /* how well one fallback is measured */
    double slip_back_sd_mm; /* and one slip-back, with what is not known of all of them alike (the motor's
                               lag) */
    double motor_cycle_mm;  /* feed of 4 full steps; 0: not known */
    double tooth_pitch_mm;  /* 0: not known */
    double relative_sd;     /* how well these two are known against the distances: relative standard
                               uncertainty of the feed, and of the stiffness that made distances of forces */
    /* Where the drops let go of nearly everything, how far the filament came back says little: a grip that
     * lets go of all ends there too. Then the feed from one drop to the next tells. A motor's rotor has to
     * come round by a whole cycle, through slack where the force did not last for that; a grip takes hold at
     * once. */
    double feed_relative_sd;        /* relative standard uncertainty of the feed alone */
    double recurs_mm;               /* median; 0: not known, or the drops let go of less */
    double reload_mm, reload_sd_mm; /* feed that it takes to be loaded again, were it the grip */
    bool settled;                   /* no drops: the force levelled off with all feed lost */
    bool onset_known;               /* the loading could be examined for gross slip ... */
    bool onset_found;               /* ... and showed it */
    double lost_share_before;       /* of feed, where the loading ended */
    bool ticks_seen;                /* settled, but with a beat of one motor cycle in the level */
    bool cycles_hidden; /* drops of a motor would not have been seen: their absence says nothing */
};

struct limit_cause {
    double log_likelihood[LIMIT_CAUSE_KINDS];
    double probability[LIMIT_CAUSE_KINDS]; /* 0.475, 0.475 and 0.05 beforehand */
    double cycles;  /* median fallback in electrical cycles; 0 when it cannot be worked out */
    double pitches; /* and in tooth pitches */
    double scatter; /* relative scatter of the fallbacks beyond what measuring adds */
};

/* Everything weighed. */
struct limit_cause limit_cause_weigh(const struct limit_cause_evidence *evidence);
/* The same in two halves, for whoever weighs the same drops beside other evidence again: what the drops alone
 * say (log likelihoods, cycles, pitches and scatter), and all of it together. */
struct limit_cause limit_cause_of_drops(const struct limit_cause_evidence *evidence);
struct limit_cause limit_cause_weigh_with(const struct limit_cause_evidence *evidence,
                                          const struct limit_cause *of_drops);

#endif
