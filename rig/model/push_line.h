/* The elastic line from the nip to the end: filament column, guide tube with friction and clearance, and what
 * the filament meets: a blocked end, nothing at all (the wall infinitely far), a brake that slides at a load
 * of its own, or a hot end that takes filament in.
 *
 * Positions along the line obey   filament = wall + given + F / column + E / end - play,   F at the nip, E at
 * the end, given the filament that the end has let through. A brake keeps E from ever passing its load: below
 * it the brake is a blocked end, at it the filament slides on. The tube lets F lie anywhere between E / ratio
 * and E * ratio (ratio = exp(friction * bend), the belt formula): at the upper bound the filament slides
 * forward, at the lower one back, between them it sticks. Filament that is compressed at all lies against one
 * wall of the tube; it changes walls, through the clearance, where the force passes zero: a play in series,
 * like the backlash of a gear, that takes no energy. Without a tube F = E = k (filament - wall), k both in
 * series.
 */
#ifndef RIG_MODEL_PUSH_LINE_H
#define RIG_MODEL_PUSH_LINE_H

#include "rig/model/model.h"

struct push_line {
    double column_n_per_mm;
    double end_n_per_mm;
    double ratio;           /* force before the tube over force behind it, pushing; 1: no tube */
    double clearance_mm;    /* 0 without a tube */
    double series_n_per_mm; /* both in series */
    double wall_mm;         /* filament position at which the end is met, play taken up */
    double slides_at_n;     /* end force at which a brake lets go; infinite: never */
};

struct push_line_state {
    double filament_mm;
    double force_feeder_n; /* F, at the nip; never negative: a blocked end cannot pull */
    double force_end_n;    /* E, at the load cell */
    double play_mm;        /* 0: lies as when pushed, and always under force; clearance_mm: as when pulled */
    double given_mm;       /* filament that the end has let through, beyond what wall_mm knows of */
};

/* The line for these parameters, met after gap_mm + given_mm of filament. */
struct push_line push_line_of(const struct model_parameters *p, double given_mm);

/* The same as if the end were blocked. */
struct push_line push_line_blocked(const struct model_parameters *p);

/* Stiffness seen at the nip and at the load cell while filament is pushed forward, N/mm. */
double push_line_feeder_stiffness(const struct push_line *line);
double push_line_cell_stiffness(const struct push_line *line);

/* Move the filament at the nip by travel_mm (either sign). */
void push_line_move(const struct push_line *line, struct push_line_state *s, double travel_mm);

/* The end takes in travel_mm >= 0 with the filament held at the nip (the hot end melts filament away). */
void push_line_give(const struct push_line *line, struct push_line_state *s, double travel_mm);

/* How far the filament must go back at the nip for all force to vanish, mm. */
double push_line_release_mm(const struct push_line *line, const struct push_line_state *s);

/* Where the far end of the filament, past the tube, stands: filament_mm less what the column is compressed
 * by, and with what the play keeps from it. */
double push_line_far_end_mm(const struct push_line *line, const struct push_line_state *s);

/* The state while force_feeder_n is pushed, reached by pushing forward only. */
struct push_line_state push_line_pushed(const struct push_line *line, double force_feeder_n);

#endif
