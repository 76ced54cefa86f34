/* A feed as G-code (words as in ISO 6983-1): a motion with ramps, cut into short straight pieces, so that a
 * controller never has more in its hands than a fraction of a second of motion. A host that dies leaves the
 * feed standing by itself, without a word from anybody. Pure: no port and no clock; times are seconds since
 * the motion began.
 *
 * Positions are whole units of GCODE_UNIT_MM, the last decimal that is written, so that a sum of pieces is
 * the whole travel to the last digit. */
#ifndef CAPTURE_GCODE_FEED_H
#define CAPTURE_GCODE_FEED_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define GCODE_UNIT_MM 1e-5
#define GCODE_PIECE_S 0.1 /* the longest piece */
#define GCODE_AHEAD_S 0.3 /* the most motion that a controller is given in advance */
/* The same where nothing can take back what it was given, so that a limit acts late by all of it. Between two
 * pieces 0.1 s of motion are still in its hands; a program that is held up for longer ends the run. */
#define GCODE_PIECE_SHORT_S 0.05
#define GCODE_AHEAD_SHORT_S 0.15
#define GCODE_LINE_MAX      128
/* Slower than this a piece would not move by a unit. */
#define GCODE_SPEED_MIN_MM_S         0.001
#define GCODE_ACCELERATION_MIN_MM_S2 0.01
#define GCODE_PIECES_KEPT            128

struct gcode_piece {
    double start_s, end_s;
    int64_t from, to; /* units */
};

/* Steady acceleration from one speed to another; speeds along the direction of the motion. */
struct gcode_phase {
    double start_s, duration_s; /* INFINITY: until stopped */
    double from_mm;             /* way along the motion */
    double from_mm_s, to_mm_s;
};

struct gcode_feed {
    int direction;        /* 1 or -1 */
    int64_t origin, goal; /* units; goal only when it has one */
    bool has_goal;
    double acceleration_mm_s2;
    double piece_s, ahead_s; /* the longest piece; how much is to be given in advance */
    struct gcode_phase phases[3];
    int phase_count;
    int phase;                                  /* the next piece is of this one */
    int64_t part;                               /* and this part of it */
    struct gcode_piece kept[GCODE_PIECES_KEPT]; /* a ring of the latest pieces */
    int64_t count;                              /* pieces handed out */
};

/* From standstill at origin: speed_mm_s signed, travel_mm above 0 (INFINITY: until stopped). goal: where it
 * ends, in units. False when a number is below what pieces can carry out. */
bool gcode_feed_begin(struct gcode_feed *f, int64_t origin, int64_t goal, bool has_goal, double speed_mm_s,
                      double acceleration_mm_s2);
/* Pieces and advance for this controller, before the first piece is looked at. A stop word takes back what it
 * has in its hands; without one that is what a limit acts late by, so it is kept short where enough lines may
 * wait to keep the controller busy. */
struct bench_feed;
void gcode_feed_fit(struct gcode_feed *f, const struct bench_feed *bench);
/* Ramp down behind the pieces that have been handed out. */
void gcode_feed_stop(struct gcode_feed *f);

/* The next piece, or false when all have been handed out. Look first, then take. */
bool gcode_feed_next(const struct gcode_feed *f, struct gcode_piece *piece);
void gcode_feed_take(struct gcode_feed *f, const struct gcode_piece *piece);

/* Time at which the pieces that have been handed out end, and where they end. */
double gcode_feed_end_s(const struct gcode_feed *f);
int64_t gcode_feed_end(const struct gcode_feed *f);
/* Where the axis is at a time, by the pieces that have been handed out; a fraction of a unit. */
double gcode_feed_position(const struct gcode_feed *f, double time_s);

/* The line for a piece: motion is the word of straight motion, axis its letter. Feed rate in mm/min. No line
 * end. */
void gcode_feed_line(const struct gcode_piece *piece, const char *motion, char axis, char *line, size_t size);

/* What a controller's line says. */
enum gcode_answer { GCODE_ACCEPTED, GCODE_REFUSED, GCODE_OTHER };
enum gcode_answer gcode_feed_answer(const struct bench_feed *bench, const char *line);

#endif
