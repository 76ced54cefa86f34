#include "rig/model/hot_end.h"

#include <math.h>

static const double PI = 3.14159265358979323846;
static const double N_PER_MM2_PER_PA = 1e-6;

double hot_end_capillary_pa(double consistency_pa_s_n, double exponent, double radius_mm, double length_mm,
                            double rate_mm3_s)
{
    double wall_shear_s =
        (3 * exponent + 1) / exponent * rate_mm3_s / (PI * radius_mm * radius_mm * radius_mm);
    return 2 * consistency_pa_s_n * length_mm / radius_mm * pow(wall_shear_s, exponent);
}

struct hot_end hot_end_of(const struct model_parameters *p)
{
    const struct model_hot_end *m = &p->hot_end;
    double diameter_mm = p->fixture.filament_diameter_mm;
    double thinner = exp(-m->per_kelvin * (m->temperature_c - m->reference_c));
    struct hot_end h = {
        .on = p->fixture.end == MODEL_END_HOT && m->exponent > 0,
        .force_n = m->force_n,
        .coefficient = m->coefficient * thinner,
        .exponent = m->exponent,
        .section_mm2 = PI * diameter_mm * diameter_mm / 4,
    };
    if (m->consistency_pa_s_n > 0 && m->exponent > 0)
        h.coefficient = hot_end_capillary_pa(m->consistency_pa_s_n * thinner, m->exponent,
                                             m->nozzle_radius_mm, m->nozzle_length_mm, 1) *
                        N_PER_MM2_PER_PA * h.section_mm2;
    return h;
}

double model_load_line_n(const struct model_parameters *p, double rate_mm3_s)
{
    struct hot_end h = hot_end_of(p);
    if (!(h.exponent > 0))
        return NAN;
    return h.force_n + h.coefficient * pow(rate_mm3_s, h.exponent);
}

double hot_end_melt_mm_s(const struct hot_end *h, double force_n)
{
    double beyond_n = force_n - h->force_n;
    if (!(beyond_n > 0))
        return 0;
    return pow(beyond_n / h->coefficient, 1 / h->exponent) / h->section_mm2;
}

void hot_end_melt(const struct hot_end *h, const struct push_line *line, struct push_line_state *s,
                  double dt_s)
{
    double low = 0;
    double high = hot_end_melt_mm_s(h, s->force_end_n) * dt_s;
    if (!(high > 0))
        return;
    double length = high;
    double low_off = -high; /* of length - rate at the middle * dt */
    double high_off = 0;
    for (int i = 0; i < 60 && high - low > 1e-12; i++) {
        struct push_line_state middle = *s;
        push_line_give(line, &middle, length / 2);
        double off = length - hot_end_melt_mm_s(h, middle.force_end_n) * dt_s;
        if (fabs(off) < 1e-13)
            break;
        if (off > 0) {
            high = length;
            high_off = off;
        } else {
            low = length;
            low_off = off;
        }
        /* False position and bisection in turn: quick on a flat line, safe on a steep one. */
        length = i % 2 == 0 ? (low * high_off - high * low_off) / (high_off - low_off) : (low + high) / 2;
    }
    push_line_give(line, s, length);
}
