#include "rig/model/nip.h"

#include "rig/model/grip.h"

#include <math.h>

/* The power law in speed has no value at rest; below this speed, mm/s, grip is taken as constant. */
static const double SLOWEST_MM_S = 1e-3;

/* Teeth full to the brim hold next to nothing; a trace is left so that shares stay finite. */
static const double LEAST_GRIP_N = 1e-3;
/* Fading leaves this share of the grip, however much is fed. */
static const double FADED_LEAST = 0.1;

static double within(double x, double low, double high)
{
    return x < low ? low : x > high ? high : x;
}

/* Grip limit of a nominal nip at 1 mm/s, N. */
static double slow_grip_n(const struct model_parameters *p, double preload_n, double fed_m)
{
    const struct model_nip *m = &p->nip;
    double left = fmax(FADED_LEAST, 1 - m->fade_per_m * fed_m);
    if (m->hardness_mpa > 0)
        return left * grip_at(p, preload_n, fed_m).grip_n;
    return left * m->grip_coefficient * fmin(preload_n, m->saturation_preload_n);
}

bool nip_fades(const struct model_nip *n)
{
    return n->fade_per_m > 0 || (n->hardness_mpa > 0 && n->debris_mm_per_m > 0);
}

struct nip nip_at(const struct model_parameters *p, double preload_n, double speed_mm_s, double grip_factor,
                  double fed_m)
{
    const struct model_nip *m = &p->nip;
    double speed = fabs(speed_mm_s) > SLOWEST_MM_S ? fabs(speed_mm_s) : SLOWEST_MM_S;
    struct nip n;
    n.creep_per_n = m->creep_floor_per_n + m->creep_extra_per_n * exp(-preload_n / m->creep_preload_n);
    n.grip_n = fmax(LEAST_GRIP_N,
                    slow_grip_n(p, preload_n, fed_m) * pow(speed, -m->grip_speed_exponent) * grip_factor);
    n.onset_n = m->onset_fraction * n.grip_n;
    n.shear_n = m->shear_fraction * n.grip_n;
    n.gross_per_n = fmax(0, 1 - n.creep_per_n * n.grip_n) / (n.grip_n - n.onset_n);
    return n;
}

double nip_wear_factor(const struct model_nip *n, double gross_slip_mm)
{
    return exp(-n->wear_per_m * gross_slip_mm / 1000);
}

double nip_lost_share(const struct nip *n, double force_n)
{
    double beyond_n = force_n > n->onset_n ? force_n - n->onset_n : 0;
    return within(n->creep_per_n * force_n + n->gross_per_n * beyond_n, 0, 1);
}

double nip_gross_share(const struct nip *n, double force_n)
{
    return within(nip_lost_share(n, force_n) - n->creep_per_n * force_n, 0, 1);
}

double nip_mean_slip_mm(const struct model_parameters *p, double drive_diameter_mm)
{
    static const double pi = 3.14159265358979323846;
    if (p->nip.shear_slip_mm > 0)
        return p->nip.shear_slip_mm;
    return pi * drive_diameter_mm / p->gear.teeth;
}
