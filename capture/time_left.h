/* How much longer a series takes: by the plan's own times at first, then by what its runs really took, and
 * the pauses in which the operator changes something kept apart, because nobody knows them beforehand. Times
 * come in as arguments; nothing here looks at a clock. */
#ifndef CAPTURE_TIME_LEFT_H
#define CAPTURE_TIME_LEFT_H

#include <stdbool.h>
#include <stddef.h>

enum time_left_pause { TIME_LEFT_MOUNTING, TIME_LEFT_CHANGE, TIME_LEFT_PAUSES };

#define TIME_LEFT_KEPT 31 /* pauses of a kind that are remembered, the newest */

/* Begins as all zero but for time_scale. */
struct time_left {
    double time_scale; /* rig seconds in a second: 1, more for a simulated rig */
    double planned_s, took_s;
    size_t runs;
    double pause_s[TIME_LEFT_PAUSES][TIME_LEFT_KEPT];
    size_t pauses[TIME_LEFT_PAUSES]; /* all that there were */
};

/* A run of planned_s on the rig's clock (plan_time_run_s) took took_s of the outside world, with its filing.
 */
void time_left_run(struct time_left *t, double planned_s, double took_s);

/* The operator took took_s. */
void time_left_pause(struct time_left *t, enum time_left_pause kind, double took_s);

struct time_left_rest {
    double runs_s;                    /* all runs to come */
    double pause_s[TIME_LEFT_PAUSES]; /* a pause of each kind: the median of those that were; NAN: none was
                                         yet */
    double whole_s;                   /* runs and all pauses that can be told */
    bool whole;                       /* no pause is to come of which nothing is known */
};

/* What is left: runs of planned_s together, and count pauses of each kind. What a run took more than planned
 * so far is taken as the same for each to come. */
struct time_left_rest time_left_rest(const struct time_left *t, size_t runs, double planned_s,
                                     const int *pauses);

/* "about 34 min left: 22 min of runs, and 6 mountings of about 2 min"; nothing is said of kinds with no pause
 * to come. */
void time_left_text(const struct time_left_rest *rest, const int *pauses, char *text, size_t size);

/* "50 s", "34 min", "2 h 10 min"; rounded so that it promises no more than is known. */
void time_left_duration(double s, char *text, size_t size);

#endif
