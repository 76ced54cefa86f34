#include "capture/measure_feed_options.h"

#include "capture/measure_feed.h"

#include <stddef.h>

enum {
    FIRST = 1000, /* clear of the keys of other parsers */
    FEEDER = FIRST,
    FULL_STEPS,
    MICROSTEPS,
    REDUCTION,
    DIAMETER,
    LENGTHS,
    MEASURED,
    REPEATS,
    SPEED,
    RESOLUTION,
    FORCE_LIMIT,
    END
};

static const size_t PLACES[END - FIRST] = {
    [FEEDER - FIRST] = offsetof(struct measure_feed_words, feeder),
    [FULL_STEPS - FIRST] = offsetof(struct measure_feed_words, full_steps),
    [MICROSTEPS - FIRST] = offsetof(struct measure_feed_words, microsteps),
    [REDUCTION - FIRST] = offsetof(struct measure_feed_words, reduction),
    [DIAMETER - FIRST] = offsetof(struct measure_feed_words, diameter),
    [LENGTHS - FIRST] = offsetof(struct measure_feed_words, lengths),
    [MEASURED - FIRST] = offsetof(struct measure_feed_words, measured),
    [REPEATS - FIRST] = offsetof(struct measure_feed_words, repeats),
    [SPEED - FIRST] = offsetof(struct measure_feed_words, speed),
    [RESOLUTION - FIRST] = offsetof(struct measure_feed_words, resolution),
    [FORCE_LIMIT - FIRST] = offsetof(struct measure_feed_words, force_limit),
};

static const struct argp_option OPTIONS[] = {
    {"feeder", FEEDER, "NAME", 0, "The feeder that is mounted, as plans call it", 0},
    {"full-steps", FULL_STEPS, "N", 0, "Full steps of its motor to a turn", 0},
    {"microsteps", MICROSTEPS, "N", 0, "Microsteps of the driver to a full step", 0},
    {"reduction", REDUCTION, "R", 0, "Motor turns to a turn of the drive gear", 0},
    {"diameter", DIAMETER, "MM", 0, "Nominal diameter of the drive gear in mm, to know how far to move", 0},
    {"lengths", LENGTHS, "LIST", 0, "Lengths to feed in mm, with commas between them: 50,100", 0},
    {"repeats", REPEATS, "N", 0, "How often each length is fed, forward and back; the default is 3", 0},
    {"speed", SPEED, "MM_S", 0, "Speed of the feed in mm/s; the default is 5", 0},
    {"resolution-mm", RESOLUTION, "MM", 0, "Resolution of the rule or caliper in mm, your estimate", 0},
    {"force-limit-counts", FORCE_LIMIT, "N", 0,
     "Stop when the force reading has moved by so many counts; the default is 1 % of the converter's range",
     0},
    {"measured", MEASURED, "LIST", 0,
     "Unattended: the lengths measured in mm, one for each move in their order. You have read the cautions",
     0},
    {0}};

static error_t take(int key, char *argument, struct argp_state *state)
{
    struct measure_feed_words *words = state->input;
    if (key < FIRST || key >= END)
        return ARGP_ERR_UNKNOWN;
    *(const char **)((char *)words + PLACES[key - FIRST]) = argument;
    return 0;
}

const struct argp measure_feed_options_argp = {OPTIONS, take, NULL, NULL, NULL, NULL, NULL};
