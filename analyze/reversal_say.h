/* What the runs of reversal at one bend of the guide tube come to, told: sentences, warnings, pictures. No
 * I/O.
 */
#ifndef ANALYZE_REVERSAL_SAY_H
#define ANALYZE_REVERSAL_SAY_H

#include "analyze/analysis.h"
#include "analyze/numerics/loop_fit.h"
#include "analyze/outcome.h"

#include <stdbool.h>
#include <stddef.h>

/* A tube is one from this bend on, and bends nearer to each other are one. */
#define REVERSAL_BEND_LEAST_DEG 0.5

/* The quantities of a run, in their order. */
enum {
    REVERSAL_TOP,
    REVERSAL_LOST,
    REVERSAL_TUBE,
    REVERSAL_ENERGY,
    REVERSAL_RATIO,
    REVERSAL_FRICTION,
    REVERSAL_STIFFNESS,
    REVERSAL_QUANTITIES
};

/* The runs at one bend. */
struct reversal_bend {
    double deg;
    char setting[48];               /* "" where there is one bend only, and not stated */
    const struct run_result *first; /* used in the picture */
    size_t n;
    struct quantity means[REVERSAL_QUANTITIES];
};

/* Bend of the guide tube, degrees; 0 where none is stated. */
double reversal_bend_deg(const struct conditions *c);
bool reversal_has_tube(const struct conditions *c);
/* Whether the cell shows the force at the nip, before the tube. */
bool reversal_cell_at_feeder(const struct conditions *c);
/* Whether the encoder reads the filament past the guide tube. */
bool reversal_encoder_at_end(const struct conditions *c);

/* The sentences in the order of what matters: the finding, each bend, the law, what is not seen. friction: of
 * the tube, absent where it is not known. belt: n is 0 where there is no law to compare with; widest_rad: its
 * widest bend. Bends in rising order, at least one. */
void reversal_say(const struct reversal_bend *bends, size_t count, const struct quantity *friction,
                  const struct loop_belt *belt, double widest_rad, struct outcome *o);
void reversal_draw(const struct reversal_bend *bends, size_t count, struct outcome *o);

#endif
