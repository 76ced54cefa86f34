/* Defaults, and what parameters may be. */
#include "rig/model/model.h"

#include "rig/model/hot_end.h"
#include "rig/model/nip.h"

#include <math.h>
#include <string.h>

struct model_parameters model_default(void)
{
    struct model_parameters p = {
        .name = "gear-8",
        /* A small high-resistance motor on 12 V: 85 N at the nip up to about 24 mm/s, 25 N at 100 mm/s. */
        .motor = {.full_steps_per_rev = 200,
                  .microsteps = 16,
                  .holding_torque_nm = 0.3505,
                  .flux_linkage_wb = 0.008,
                  .resistance_ohm = 10,
                  .inductance_h = 0.040,
                  .supply_v = 12,
                  .torque_scatter = 0.005},
        .gear = {.drive_diameter_mm = 8,
                 .teeth = 26,
                 .eccentricity_mm = 0.02,
                 .tooth_ripple_mm = 0.003,
                 .reduction = 1,
                 .efficiency = 0.97},
        /* 131 N of grip at 5 mm/s, creep 0.0006 per newton at the default preload. */
        .nip = {.preload_n = 100,
                .creep_floor_per_n = 0.0004,
                .creep_extra_per_n = 0.0015,
                .creep_preload_n = 50,
                .grip_coefficient = 1.35,
                .saturation_preload_n = 120,
                .grip_speed_exponent = 0.02,
                .onset_fraction = 0.7,
                .shear_fraction = 0,
                .shear_slip_mm = 0,
                .shear_scatter = 0.2,
                .wear_per_m = 0.05,
                .dent_preload_n = 150,
                .dent_mm_per_n = 0.001},
        /* 120 N/mm of filament in series with 40 N/mm of fixture: 30 N/mm. */
        .fixture = {.filament_diameter_mm = 1.75,
                    .filament_modulus_mpa = 2500,
                    .free_length_mm = 50,
                    .stiffness_n_per_mm = 40,
                    .gap_mm = 0.5},
        .sensor = {.gain_counts_per_n = 4000,
                   .zero_counts = 12345,
                   .noise_n = 0.3,
                   .drift_n_per_min = 0.05,
                   .drift_walk_n = 0.05,
                   .mains_n = 0.1,
                   .mains_hz = 50,
                   .full_scale_n = 200,
                   .counts_min = -8388607,
                   .counts_max = 8388607,
                   .encoder = true,
                   .encoder_mm_per_count = 0.005},
        .spread = {.refit = 0.03, .repeat = 0.01, .motor_repeat = 0.005},
    };
    return p;
}

struct range {
    double value, low, high;
    const char *text;
};

/* First value outside its range (NaN is outside every range), or NULL. */
static const char *first_outside(const struct range *r, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (!(r[i].value >= r[i].low && r[i].value <= r[i].high))
            return r[i].text;
    }
    return NULL;
}

#define FIRST_OUTSIDE(table) first_outside(table, sizeof(table) / sizeof((table)[0]))

static const char *check_drive(const struct model_parameters *p)
{
    const struct model_motor *m = &p->motor;
    const struct model_gear *g = &p->gear;
    const struct range table[] = {
        {m->full_steps_per_rev, 4, 10000, "full steps per revolution must be 4 to 10000"},
        {m->microsteps, 1, 1024, "microsteps per full step must be 1 to 1024"},
        {m->holding_torque_nm, 1e-4, 1000, "holding torque must be 0.0001 to 1000 N m"},
        {m->flux_linkage_wb, 1e-6, 10, "flux linkage must be 1e-6 to 10 Wb"},
        {m->resistance_ohm, 1e-3, 1e4, "phase resistance must be 0.001 to 10000 ohm"},
        {m->inductance_h, 1e-6, 10, "phase inductance must be 1e-6 to 10 H"},
        {m->supply_v, 0.1, 1000, "supply voltage must be 0.1 to 1000 V"},
        {m->torque_scatter, 0, 0.2, "torque scatter must be 0 to 0.2"},
        {g->drive_diameter_mm, 1, 200, "drive diameter must be 1 to 200 mm"},
        {g->teeth, 0, 1000, "gear teeth must be 0 to 1000"},
        {g->eccentricity_mm, 0, g->drive_diameter_mm / 20,
         "eccentricity must be 0 to a twentieth of the drive diameter"},
        {g->tooth_ripple_mm, 0, 1, "tooth ripple must be 0 to 1 mm"},
        {g->motor_turn_ripple_mm, 0, 1, "motor turn ripple must be 0 to 1 mm"},
        {g->full_step_ripple_mm, 0, 1, "full step ripple must be 0 to 1 mm"},
        {g->backlash_mm, 0, 10, "backlash must be 0 to 10 mm"},
        {g->reduction, 0.01, 1000, "reduction must be 0.01 to 1000"},
        {g->efficiency, 0.01, 1, "efficiency must be 0.01 to 1"},
    };
    const char *wrong = FIRST_OUTSIDE(table);
    if (wrong != NULL)
        return wrong;
    if (m->full_steps_per_rev % 4 != 0)
        return "full steps per revolution must be a multiple of 4";
    /* Else the pitch point would run backwards within a tooth, a motor turn or a full step. */
    double per_turn_mm =
        g->reduction * (g->motor_turn_ripple_mm + m->full_steps_per_rev * g->full_step_ripple_mm);
    if (g->tooth_ripple_mm * g->teeth * 2 / g->drive_diameter_mm > 0.5)
        return "tooth ripple is too large for that many teeth: ripple * teeth * 2 / drive diameter must be "
               "at most 0.5";
    if ((g->tooth_ripple_mm * g->teeth + per_turn_mm) * 2 / g->drive_diameter_mm > 0.5)
        return "ripples per tooth, motor turn and full step are too large together: ripple * number in a "
               "turn "
               "of the gear * 2 / drive diameter must add up to at most 0.5";
    return NULL;
}

static const char *check_nip(const struct model_parameters *p)
{
    const struct model_nip *n = &p->nip;
    const struct range table[] = {
        {n->preload_n, 0.1, 10000, "nip preload must be 0.1 to 10000 N"},
        {n->creep_floor_per_n, 0, 0.1, "creep floor must be 0 to 0.1 per N"},
        {n->creep_extra_per_n, 0, 0.1, "creep extra must be 0 to 0.1 per N"},
        {n->creep_preload_n, 0.1, 10000, "creep preload must be 0.1 to 10000 N"},
        {n->grip_coefficient, 0.001, 100, "grip coefficient must be 0.001 to 100"},
        {n->saturation_preload_n, 0.1, 1e6, "saturation preload must be 0.1 to 1000000 N"},
        {n->grip_speed_exponent, 0, 1, "grip speed exponent must be 0 to 1"},
        {n->onset_fraction, 0.01, 0.98, "onset fraction must be 0.01 to 0.98"},
        {n->shear_fraction, 0, 0.99, "shear fraction must be 0, or between the onset fraction and 0.99"},
        {n->shear_slip_mm, 0, 100, "shear slip must be 0 to 100 mm"},
        {n->shear_scatter, 0, 1, "shear scatter must be 0 to 1"},
        {n->wear_per_m, 0, 100, "wear must be 0 to 100 per metre"},
        {n->dent_preload_n, 0, 1e6, "dent preload must be 0 to 1000000 N"},
        {n->dent_mm_per_n, 0, 1, "dent must be 0 to 1 mm per N"},
        {n->fade_per_m, 0, 10, "fade must be 0 to 10 per metre"},
        {n->hardness_mpa, 0, 1e5, "hardness must be 0 (grip as set) to 100000 MPa"},
        {n->shear_strength_mpa, 0, 1e5, "shear strength must be 0 to 100000 MPa"},
        {n->tooth_depth_mm, 0, 10, "tooth depth must be 0 (from the pitch) to 10 mm"},
        {n->toothed_sides, 0, 2, "toothed sides must be 1 or 2"},
        {n->debris_mm_per_m, 0, 100, "debris must be 0 to 100 mm per metre"},
    };
    const char *wrong = FIRST_OUTSIDE(table);
    if (wrong != NULL)
        return wrong;
    if (n->shear_fraction > 0 && n->shear_fraction <= n->onset_fraction)
        return "shear fraction must be 0, or between the onset fraction and 0.99";
    if (n->shear_fraction > 0 && !(n->shear_slip_mm > 0) && p->gear.teeth == 0)
        return "a gear without teeth needs a shear slip, as there is no tooth pitch to slip by";
    if (n->hardness_mpa > 0 && !(n->shear_strength_mpa > 0))
        return "grip from the geometry of the teeth needs a shear strength above 0";
    if (n->hardness_mpa > 0 && p->gear.teeth == 0)
        return "grip from the geometry of the teeth needs gear teeth";
    struct nip at_default = nip_at(p, n->preload_n, 1, 1, 0);
    if (at_default.creep_per_n * at_default.grip_n >= 0.9)
        return "creep alone would lose 0.9 of the feed or more at the grip limit";
    return NULL;
}

static const char *check_line(const struct model_parameters *p)
{
    const struct model_fixture *f = &p->fixture;
    const struct model_tube *t = &p->tube;
    const struct model_hot_end *h = &p->hot_end;
    const struct range table[] = {
        {f->filament_diameter_mm, 0.1, 20, "filament diameter must be 0.1 to 20 mm"},
        {f->filament_modulus_mpa, 0.1, 1e6, "filament modulus must be 0.1 to 1000000 MPa"},
        {f->free_length_mm, 0.1, 10000, "free length must be 0.1 to 10000 mm"},
        {f->stiffness_n_per_mm, 0.01, 1e6, "fixture stiffness must be 0.01 to 1000000 N/mm"},
        {f->gap_mm, 0, 1000, "gap must be 0 to 1000 mm"},
        {f->end, MODEL_END_BLOCKED, MODEL_END_HOT, "the end must be blocked, free, brake or hot"},
        {f->brake_n, 0, 1e5, "brake load must be 0 to 100000 N"},
        {f->brake_repeat, 0, 0.3, "brake repeat must be 0 to 0.3"},
        {t->bend_rad, 0, 100, "tube bend must be 0 to 100 rad"},
        {t->friction, 0, 2, "tube friction must be 0 to 2"},
        {t->bend_rad * t->friction, 0, 10, "tube friction times bend must be at most 10"},
        {t->clearance_mm, 0, 100, "tube clearance must be 0 to 100 mm"},
        {h->exponent, 0, 3, "hot end exponent must be 0 (no hot end), or 0.05 to 3"},
        {h->force_n, 0, 1e5, "hot end force must be 0 to 100000 N"},
        {h->coefficient, 0, 1e6, "hot end coefficient must be 0 to 1000000"},
        {h->temperature_c, -273.15, 2000, "hot end temperature must be -273.15 to 2000 C"},
        {h->reference_c, -273.15, 2000, "hot end reference temperature must be -273.15 to 2000 C"},
        {h->per_kelvin, -0.2, 0.2, "hot end change per kelvin must be -0.2 to 0.2"},
        {h->consistency_pa_s_n, 0, 1e9, "hot end consistency must be 0 (coefficient as set) to 1e9 Pa s^n"},
        {h->nozzle_radius_mm, 0, 10, "nozzle radius must be 0 to 10 mm"},
        {h->nozzle_length_mm, 0, 100, "nozzle length must be 0 to 100 mm"},
    };
    const char *wrong = FIRST_OUTSIDE(table);
    if (wrong != NULL)
        return wrong;
    if (h->exponent > 0 && h->exponent < 0.05)
        return "hot end exponent must be 0 (no hot end), or 0.05 to 3";
    if (h->consistency_pa_s_n > 0 && !(h->nozzle_radius_mm >= 0.01 && h->nozzle_length_mm > 0))
        return "a hot end with a consistency needs a nozzle radius of at least 0.01 mm and a nozzle length";
    double coefficient = hot_end_of(p).coefficient;
    if (h->exponent > 0 && !(coefficient > 1e-6 && coefficient < 1e9))
        return "hot end coefficient must be more than 1e-6 and, at its temperature, less than 1e9";
    if (f->end == MODEL_END_BRAKE && !(f->brake_n > 0))
        return "a brake needs a brake load above 0";
    return NULL;
}

static const char *check_sensor(const struct model_parameters *p)
{
    const struct model_sensor *c = &p->sensor;
    const struct model_spread *v = &p->spread;
    const struct range table[] = {
        {fabs(c->gain_counts_per_n), 1e-3, 1e9,
         "load cell gain must be 0.001 to 1e9 counts per N, either sign"},
        {c->zero_counts, -2147483648.0, 2147483647.0, "load cell zero must fit 32 bits"},
        {c->noise_n, 0, 1e4, "noise must be 0 to 10000 N"},
        {c->drift_n_per_min, -1e4, 1e4, "drift must be -10000 to 10000 N per minute"},
        {c->drift_walk_n, 0, 1e4, "drift walk must be 0 to 10000 N"},
        {c->mains_n, 0, 1e4, "mains pick-up must be 0 to 10000 N"},
        {c->mains_hz, 0, 1e5, "mains frequency must be 0 to 100000 Hz"},
        {c->full_scale_n, 0.1, 1e5, "load cell full scale must be 0.1 to 100000 N"},
        /* Then the reading still rises with the load up to five times full scale. */
        {c->nonlinearity_n, -c->full_scale_n / 10, c->full_scale_n / 10,
         "load cell nonlinearity must be within a tenth of full scale"},
        {c->hysteresis_n, 0, c->full_scale_n / 10, "load cell hysteresis must be 0 to a tenth of full scale"},
        {v->refit, 0, 0.3, "refit spread must be 0 to 0.3"},
        {v->repeat, 0, 0.3, "repeat spread must be 0 to 0.3"},
        {v->motor_repeat, 0, 0.3, "motor repeat spread must be 0 to 0.3"},
    };
    const char *wrong = FIRST_OUTSIDE(table);
    if (wrong != NULL)
        return wrong;
    if (c->counts_min >= c->counts_max)
        return "least counts must be below greatest counts";
    if (c->encoder && !(c->encoder_mm_per_count >= 1e-7 && c->encoder_mm_per_count <= 100))
        return "encoder resolution must be 1e-7 to 100 mm per count";
    if (c->encoder_at_end && !c->encoder)
        return "an encoder at the end needs an encoder";
    return NULL;
}

const char *model_check(const struct model_parameters *p)
{
    if (memchr(p->name, 0, sizeof p->name) == NULL)
        return "name must be at most 32 characters";
    const char *wrong = check_drive(p);
    if (wrong == NULL)
        wrong = check_nip(p);
    if (wrong == NULL)
        wrong = check_line(p);
    if (wrong == NULL)
        wrong = check_sensor(p);
    return wrong;
}
