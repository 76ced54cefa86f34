/* The free column of filament between nip and end as a strut: the push force at which it buckles. A warning
 * before a run, and a flag in the report; nothing that stops a rig. */
#ifndef DATASETS_FORMAT_COLUMN_H
#define DATASETS_FORMAT_COLUMN_H

#include "datasets/format/conditions.h"

#include <stdbool.h>
#include <stddef.h>

/* End-fixity factors K of Euler's buckling load: the free length that buckles like a pinned bar is K times
 * the length. FIXED_PINNED is pi / x for the least positive x with tan x = x. */
#define COLUMN_PINNED_PINNED 1.0
#define COLUMN_FIXED_FIXED   0.5
#define COLUMN_FIXED_FREE    2.0
#define COLUMN_FIXED_PINNED  0.6991556596428412

/* Second moment of area of a round bar, m4: pi d^4 / 64. */
double column_round_bar_moment_m4(double diameter_m);
/* Euler buckling load of a straight round bar in N: pi^2 E I / (K L)^2. */
double column_euler_n(double young_pa, double diameter_m, double length_m, double fixity);

/* Whether a push of force_n may buckle the free length that the conditions state, at the filament's stated
 * diameter and modulus, both ends held (K = 0.5, the stiffest case: the nip grips one end and the blocked end
 * the other). Then text (of size bytes) says so in one line with the load and the formula. False also where
 * diameter or free length is not stated, or the free length is 0. Where the modulus is not stated, 2500 MPa
 * is taken and said (common practice, no source). */
bool column_may_buckle(const struct conditions *c, double force_n, char *text, size_t size);

#endif
