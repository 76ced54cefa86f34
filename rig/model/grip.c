#include "rig/model/grip.h"

#include <math.h>

static const double PI = 3.14159265358979323846;
/* Depth of a tooth over its pitch where none is set: that of a screw thread, about. */
static const double DEPTH_OF_PITCH = 0.6;

struct grip grip_at(const struct model_parameters *p, double preload_n, double fed_m)
{
    const struct model_nip *m = &p->nip;
    double gear_mm = p->gear.drive_diameter_mm;
    double mean_mm = sqrt(gear_mm * p->fixture.filament_diameter_mm);
    int sides = m->toothed_sides > 1 ? m->toothed_sides : 1;
    struct grip g = {.pitch_mm = PI * gear_mm / p->gear.teeth};
    g.depth_mm = m->tooth_depth_mm > 0 ? m->tooth_depth_mm : DEPTH_OF_PITCH * g.pitch_mm;
    g.free_depth_mm = fmax(0, g.depth_mm - m->debris_mm_per_m * fed_m);
    g.indentation_mm = preload_n / (m->hardness_mpa * PI * mean_mm);
    g.saturated = g.indentation_mm > g.free_depth_mm;
    if (g.saturated)
        g.indentation_mm = g.free_depth_mm;
    g.contact_mm = 2 * sqrt(gear_mm * g.indentation_mm);
    g.teeth_engaged = g.contact_mm / g.pitch_mm;
    g.grip_n = sides * m->shear_strength_mpa * 4 * g.indentation_mm * mean_mm * fmin(1, g.teeth_engaged);
    return g;
}
