/* How much the teeth of the drive gear can hold, from their geometry and the filament's strength.
 *
 * This is a simple model of the mechanism, and its constants are invented: it is here so that what a preload,
 * a diameter, a tooth pitch, a second toothed side or debris does to the grip follows from one picture, and
 * not from a number set for each. The picture:
 *
 * - The preload P presses the gear (diameter D) into the filament (diameter d). The filament yields at its
 *   indentation pressure H. Two crossed cylinders at the depth h touch on an ellipse with the half axes
 *   sqrt(D h) along the filament and sqrt(d h) across it, so that  P = H pi h sqrt(D d).
 * - The filament cannot be pressed in deeper than there is room between the teeth. The room is the depth of
 * the teeth less what debris fills:  h <= t - debris.  More preload than that does not help: the grip is
 * saturated.
 * - What holds is the filament between the teeth. It must be sheared off at the shear strength tau over the
 *   contact's length 2 sqrt(D h) and width 2 sqrt(d h): a toothed side holds  tau 4 h sqrt(D d).
 * - Where the contact is shorter than the pitch p, a tooth is in it for only a part of the way: the grip is
 *   that part of it, n = 2 sqrt(D h) / p < 1.
 */
#ifndef RIG_MODEL_GRIP_H
#define RIG_MODEL_GRIP_H

#include "rig/model/model.h"

struct grip {
    double pitch_mm;       /* pi D / teeth */
    double depth_mm;       /* of a clean tooth: as set, else 0.6 of the pitch */
    double free_depth_mm;  /* what debris leaves of it */
    double indentation_mm; /* h */
    double contact_mm;     /* length of the contact along the filament */
    double teeth_engaged;  /* contact over pitch */
    bool saturated;        /* the indentation fills the teeth */
    double grip_n;         /* limit at 1 mm/s, all toothed sides, no wear */
};

/* At that preload, fed_m metres after the gear was cleaned. Asks for teeth and a hardness above 0. */
struct grip grip_at(const struct model_parameters *p, double preload_n, double fed_m);

#endif
