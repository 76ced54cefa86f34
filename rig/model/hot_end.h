/* What a hot end asks of the filament: its load line  F = F0 + k Q^n,  Q the volumetric rate, and how much it
 * takes in while it is pushed.
 *
 * k is stated, or follows from a power-law melt (consistency K, exponent n) in the nozzle's capillary of
 * radius R and length L:  dP = (2 K L / R) [(3 n + 1) / n  Q / (pi R^3)]^n  (Rabinowitsch's wall shear rate
 * of a power-law fluid; n = 1 is Hagen-Poiseuille). The filament is the piston, so F = dP times its
 * cross-section: for the same rate through the same nozzle a thicker filament needs more force as its area is
 * larger. A hotter melt is thinner: k and K fall as exp(-per_kelvin (T - reference)); F0 is left as it is. */
#ifndef RIG_MODEL_HOT_END_H
#define RIG_MODEL_HOT_END_H

#include "rig/model/model.h"
#include "rig/model/push_line.h"

struct hot_end {
    bool on; /* the end is a hot end that has a load line */
    double force_n;
    double coefficient; /* at its temperature */
    double exponent;
    double section_mm2; /* of the filament */
};

struct hot_end hot_end_of(const struct model_parameters *p);

/* Pressure drop in a capillary, Pa. consistency in Pa s^n, lengths in mm, rate in mm3/s, exponent above 0. */
double hot_end_capillary_pa(double consistency_pa_s_n, double exponent, double radius_mm, double length_mm,
                            double rate_mm3_s);

/* Filament taken in at that end force, mm/s; 0 up to F0. */
double hot_end_melt_mm_s(const struct hot_end *h, double force_n);

/* Take in filament for dt_s with the filament held at the nip: implicit midpoint, so that a steep line near
 * F0 cannot upset it. */
void hot_end_melt(const struct hot_end *h, const struct push_line *line, struct push_line_state *s,
                  double dt_s);

#endif
