/* Feed against a measured length: moves of known microsteps, forward and backward, with nothing in the way,
 * and the length that the operator measures for each with a rule or caliper.
 *
 * FEED.csv has the columns feeder,commanded_steps,measured_mm,direction,repeat: microsteps and millimetres
 * without a sign, "forward" or "backward", and the repeat from 1. FEED.json beside it tells how. Motion lost
 * at a reversal is in the readings; with several lengths a straight line through them takes it out. The motor
 * is cut while the operator measures. */
#ifndef CAPTURE_MEASURE_FEED_H
#define CAPTURE_MEASURE_FEED_H

#include "capture/link.h"
#include "capture/operator.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define MEASURE_FEED_HEADER        "feeder,commanded_steps,measured_mm,direction,repeat"
#define MEASURE_FEED_LENGTHS_MAX   32
#define MEASURE_FEED_LENGTHS_LEAST 2 /* different ones, to tell feed from lost motion */
#define MEASURE_FEED_LENGTH_MAX_MM 2000.0
#define MEASURE_FEED_REPEATS       3
#define MEASURE_FEED_REPEATS_MAX   50
#define MEASURE_FEED_MOVES_MAX     (2 * MEASURE_FEED_LENGTHS_MAX * MEASURE_FEED_REPEATS_MAX)
#define MEASURE_FEED_SPEED_MM_S    5.0
#define MEASURE_FEED_FORCE_SHARE                                                                             \
    0.01 /* of the converter's whole range: the force limit when none is stated */

/* What the operator said, word by word; NULL: nothing. */
struct measure_feed_words {
    const char *feeder, *full_steps, *microsteps, *reduction, *diameter;
    const char *lengths;  /* mm, with commas between them */
    const char *measured; /* mm: what was measured, move by move; NULL: ask */
    const char *repeats, *speed, *resolution, *force_limit;
};

/* The measurement that they ask for. */
struct measure_feed_order {
    char feeder[33];
    int full_steps_per_rev, microsteps;
    double reduction, diameter_mm;
    double mm_per_microstep; /* nominal: pi * diameter / (full steps * microsteps * reduction) */
    size_t length_count;
    double length_mm[MEASURE_FEED_LENGTHS_MAX];
    int64_t length_microsteps[MEASURE_FEED_LENGTHS_MAX];
    int repeats;
    bool have_measured;
    double measured_mm[MEASURE_FEED_MOVES_MAX];
    double speed_mm_s;
    double resolution_mm;       /* of the rule or caliper; NAN: not stated */
    int64_t force_limit_counts; /* either way from the reading at rest; 0: a share of the converter's range */
};

/* ERR_USAGE names the option and what is wrong with it. */
enum err_code measure_feed_read_words(const struct measure_feed_words *words,
                                      struct measure_feed_order *order, struct err *e);

/* One move of the sequence, i from 0 to measure_feed_move_count - 1: for each repeat and length, forward and
 * then back. */
struct measure_feed_move {
    size_t length; /* index */
    bool forward;
    int repeat; /* from 1 */
};
size_t measure_feed_move_count(const struct measure_feed_order *order);
struct measure_feed_move measure_feed_move(const struct measure_feed_order *order, size_t i);

struct measure_feed_request {
    const char *port;
    int baud;
    enum link_way way;
    const char *out; /* FEED.csv */
    const struct measure_feed_order *order;
};

struct measure_feed_outcome {
    size_t planned, recorded; /* moves */
};

/* Carry it out. Each move is armed with limits of force, travel and time, and ends with the motor cut.
 * ERR_USAGE: a file is there already (nothing is touched), or the rig has other steps; ERR_NO_ANSWER: stopped
 * by the operator, or a move met a limit; ERR_DEVICE, ERR_BYTES: port or rig. Rows written before are kept
 * whatever happens. *outcome is always filled. */
enum err_code measure_feed_carry_out(const struct measure_feed_request *request, struct operator_view *view,
                                     struct measure_feed_outcome *outcome, struct err *e);

#endif
