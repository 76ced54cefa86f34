/* What the nip loses: lost share of feed against force, grip limit, tearing force. All forces at the nip.
 *
 * Lost share s(F) = creep F + gross max(0, F - onset), clipped to 0..1, with s(grip) = 1 (Nienhaus, Spiehl,
 * Doersam, J. Manuf. Mater. Process. 2021, 5(2), 53, for the shape). */
#ifndef RIG_MODEL_NIP_H
#define RIG_MODEL_NIP_H

#include "rig/model/model.h"

struct nip {
    double creep_per_n;
    double gross_per_n;
    double onset_n;
    double grip_n;
    double shear_n; /* mean force at which teeth tear loose; 0: never */
};

/* The nip at that preload and speed, fed_m metres after the gear was cleaned. grip_factor is what mounting,
 * run and wear make of the grip limit (1: nominal). The grip at 1 mm/s is coefficient times preload up to
 * saturation, or that of the teeth's geometry when the filament's hardness is stated (grip.h). */
struct nip nip_at(const struct model_parameters *p, double preload_n, double speed_mm_s, double grip_factor,
                  double fed_m);

/* Whether the grip changes while the gear feeds, without any gross slip. */
bool nip_fades(const struct model_nip *n);

/* exp(-wear * metres of gross slip). */
double nip_wear_factor(const struct model_nip *n, double gross_slip_mm);

/* Lost share at force_n, and the part of it that is gross slip. */
double nip_lost_share(const struct nip *n, double force_n);
double nip_gross_share(const struct nip *n, double force_n);

/* Mean slip-back when teeth tear, mm: as set, else one tooth pitch. */
double nip_mean_slip_mm(const struct model_parameters *p, double drive_diameter_mm);

#endif
