#include "analyze/report/predict_show.h"

#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

static void put_motor(const struct predict_motor *m, FILE *out)
{
    char name[200];
    if (m->name[0] != 0)
        fprintf(out, "%s\n", text_clean(m->name, name, sizeof name));
    fprintf(out,
            "Flux linkage by the data sheet: %.4g Wb (holding torque over root 2, rotor teeth and rated "
            "current)\n",
            predict_flux_linkage_wb(m));
    fprintf(out, "Set current: %.4g A peak",
            m->values[PREDICT_SET_CURRENT_A] * (m->current_is_rms ? M_SQRT2 : 1));
    if (m->current_is_rms)
        fprintf(out, ", by a setting of %.4g A rms", m->values[PREDICT_SET_CURRENT_A]);
    fputs("; with sinusoidal currents of that peak the torque is flux linkage times rotor teeth times the "
          "peak\n",
          out);
    fputs("Tolerances, half widths:", out);
    for (int i = 0; i < PREDICT_INPUTS; i++) {
        if (m->tolerance_percent[i] > 0)
            fprintf(out, "%s %s %g %%", i > 0 ? "," : "", PREDICT_INPUT_KINDS[i].label,
                    m->tolerance_percent[i]);
    }
    fputs("\n", out);
}

static void put_forces(const struct predict_feeder *f, FILE *out)
{
    fprintf(out, "\n%12s  %-13s  %-10s  %-22s  %s\n", "speed", "motor torque", "push force", "95 % interval",
            "limited by");
    for (size_t i = 0; i < f->force_count; i++) {
        const struct predict_force *p = &f->forces[i];
        char interval[TEXT_QUANTITY_SIZE], force[40], newtons[sizeof force + 2], speed[40], torque[40];
        snprintf(speed, sizeof speed, "%.4g mm/s", p->speed_mm_s);
        snprintf(torque, sizeof torque, "%.3g N m", p->torque_nm);
        text_rounded(p->force_n.value, text_decimals((p->force_n.high_95 - p->force_n.low_95) / 4), force,
                     sizeof force);
        snprintf(newtons, sizeof newtons, "%s N", force);
        fprintf(out, "%12s  %-13s  %-10s  %-22s  %s\n", speed, torque, newtons,
                text_interval(&p->force_n, "N", interval, sizeof interval),
                p->current_limited ? "set current" : "supply voltage");
    }
}

static void put_measured(const struct predict_feeder *f, FILE *out)
{
    const struct predict_verdict *v = &f->verdict;
    fprintf(out, "\nMeasured against predicted\n");
    for (size_t i = 0; i < f->measured_count; i++) {
        const struct predict_measured *m = &f->measured[i];
        char measured[TEXT_QUANTITY_SIZE], predicted[TEXT_QUANTITY_SIZE], speed[40];
        struct quantity q = m->bound ? quantity_at_least(m->force_n.value) : m->force_n;
        snprintf(speed, sizeof speed, "%.4g mm/s", m->speed_mm_s);
        fprintf(out, "%12s  measured %s, predicted %s: %s\n", speed,
                text_quantity(&q, "N", measured, sizeof measured),
                text_interval(&m->predicted.force_n, "N", predicted, sizeof predicted),
                m->differs
                    ? (m->force_n.value < m->predicted.force_n.value ? "DIFFERS, below" : "DIFFERS, above")
                : m->bound ? "not contradicted"
                           : "agree");
    }
    if (v->compared == 0) {
        fputs("  nothing was measured that a motor's force can be held against\n", out);
        return;
    }
    if (v->bounds > 0)
        fprintf(
            out,
            "At %zu of %zu speeds grip or a limit gave way before the motor did: those forces bound it from "
            "below. Raise the nip preload to see the motor there.\n",
            v->bounds, v->compared);
    if (v->differing == 0 && v->bounds == v->compared) {
        fputs("Nothing measured contradicts the prediction, and nothing confirms it.\n", out);
        return;
    }
    if (v->differing == 0) {
        fputs("Measured and predicted agree at all speeds within the joint 95 % interval.\n", out);
        return;
    }
    fprintf(out, "They differ at %zu of %zu speeds by more than the joint 95 %% interval. Pattern: %s.\n",
            v->differing, v->compared, v->pattern[0] != 0 ? v->pattern : "none");
    if (v->cause_count == 0) {
        fputs("No single cause explains half of it.\n", out);
        return;
    }
    fputs("Likely causes, those first that fit the measured forces best:\n", out);
    for (size_t i = 0; i < v->cause_count; i++)
        fprintf(out, "  %zu. %s (explains %.0f %% of the squared differences).\n     To tell: %s.\n", i + 1,
                v->causes[i].what, 100 * v->causes[i].explained, v->causes[i].measure);
}

void predict_text_write(const struct predict_answer *answer, FILE *out)
{
    if (answer->simulated)
        fputs("SIMULATED DATA\n", out);
    put_motor(&answer->motor, out);
    for (size_t i = 0; i < answer->feeder_count; i++) {
        const struct predict_feeder *f = &answer->feeders[i];
        char name[2 * sizeof f->name];
        if (f->name[0] != 0)
            fprintf(out, "\n%s: ", text_clean(f->name, name, sizeof name));
        else
            fputs("\n", out);
        fprintf(out, "drive diameter %.5g mm, reduction %.4g, efficiency %.3g\n", f->drive.drive_diameter_mm,
                f->drive.reduction, answer->motor.values[PREDICT_EFFICIENCY]);
        put_forces(f, out);
        if (answer->with_series)
            put_measured(f, out);
    }
}
