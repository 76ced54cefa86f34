/* The elastic line from the nip to the blocked end: filament column, guide tube with friction and clearance,
 * end.
 *
 * Positions along the line obey   filament = wall + F / column + E / end - play,   F at the nip, E at the
 * end. The tube lets F lie anywhere between E / ratio and E * ratio (ratio = exp(friction * bend), the belt
 * formula): at the upper bound the filament slides forward, at the lower one back, between them it sticks. A
 * filament that turns round in the tube first crosses the stick band, then the clearance, and only then moves
 * the end: friction therefore always takes energy, whatever the ratio. Without a tube F = E = k (filament -
 * wall), k both in series. */
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
};

struct push_line_state {
    double filament_mm;
    double force_feeder_n; /* F, at the nip; never negative: a blocked end cannot pull */
    double force_end_n;    /* E, at the load cell */
    double play_mm;        /* 0: lies as when pushed, clearance_mm: as when pulled */
};

/* The line for these parameters, met after gap_mm + melted_mm of filament. */
struct push_line push_line_of(const struct model_parameters *p, double melted_mm);

/* Stiffness seen at the nip and at the load cell while filament is pushed forward, N/mm. */
double push_line_feeder_stiffness(const struct push_line *line);
double push_line_cell_stiffness(const struct push_line *line);

/* Move the filament at the nip by travel_mm (either sign). */
void push_line_move(const struct push_line *line, struct push_line_state *s, double travel_mm);

/* Move the wall away by travel_mm >= 0 with the filament held at the nip (the hot end melts filament away).
 */
void push_line_move_wall(struct push_line *line, struct push_line_state *s, double travel_mm);

/* How far the filament must go back at the nip for all force to vanish, mm. */
double push_line_release_mm(const struct push_line *line, const struct push_line_state *s);

/* The state while force_feeder_n is pushed, reached by pushing forward only. */
struct push_line_state push_line_pushed(const struct push_line *line, double force_feeder_n);

#endif
