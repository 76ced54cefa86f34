#include "analyze/report/predict_show.h"

#include "analyze/report/calibration_used.h"
#include "analyze/report/text_format.h"
#include "analyze/report/text_table.h"
#include "analyze/report/text_wrap.h"

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

#define FORCE_CELLS    5
#define MEASURED_CELLS 4

static void put_forces(const struct predict_feeder *f, int width, FILE *out)
{
    static const struct text_column columns[FORCE_CELLS] = {
        {.head = "speed", .right = true, .numbers = true},
        {.head = "motor torque", .right = true, .numbers = true},
        {.head = "push force", .right = true, .numbers = true},
        {.head = "95 % interval", .numbers = true},
        {.head = "limited by"}};
    char interval[TEXT_QUANTITY_SIZE], force[40], newtons[sizeof force + 2], speed[40], torque[40];
    const char *cells[FORCE_CELLS] = {speed, torque, newtons, interval, NULL};
    struct text_table table;
    text_table_begin(&table, columns, FORCE_CELLS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < f->force_count; i++) {
            const struct predict_force *p = &f->forces[i];
            snprintf(speed, sizeof speed, "%.4g mm/s", p->speed_mm_s);
            snprintf(torque, sizeof torque, "%.3g N m", p->torque_nm);
            text_rounded(p->force_n.value, text_decimals((p->force_n.high_95 - p->force_n.low_95) / 4), force,
                         sizeof force);
            snprintf(newtons, sizeof newtons, "%s N", force);
            text_interval(&p->force_n, "N", interval, sizeof interval);
            cells[4] = p->current_limited ? "set current" : "supply voltage";
            text_table_put(&table, cells, out);
        }
    }
}

static const char *judgement(const struct predict_measured *m)
{
    if (m->differs)
        return m->force_n.value < m->predicted.force_n.value ? "DIFFERS, below" : "DIFFERS, above";
    return m->bound ? "not contradicted" : "agree";
}

static void put_measured(const struct predict_feeder *f, int width, FILE *out)
{
    static const struct text_column columns[MEASURED_CELLS] = {
        {.head = "speed", .right = true, .numbers = true},
        {.head = "measured", .numbers = true},
        {.head = "predicted", .numbers = true},
        {.head = "verdict"}};
    char measured[TEXT_QUANTITY_SIZE], predicted[TEXT_QUANTITY_SIZE], speed[40];
    const char *cells[MEASURED_CELLS] = {speed, measured, predicted, NULL};
    struct text_table table;
    if (f->measured_count == 0)
        return;
    fputs("\nMeasured against predicted\n", out);
    text_table_begin(&table, columns, MEASURED_CELLS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < f->measured_count; i++) {
            const struct predict_measured *m = &f->measured[i];
            struct quantity q = m->bound ? quantity_at_least(m->force_n.value) : m->force_n;
            snprintf(speed, sizeof speed, "%.4g mm/s", m->speed_mm_s);
            text_quantity(&q, "N", measured, sizeof measured);
            text_interval(&m->predicted.force_n, "N", predicted, sizeof predicted);
            cells[3] = judgement(m);
            text_table_put(&table, cells, out);
        }
    }
}

/* What came of it for one feeder, before any number. */
static void put_verdict(const struct predict_feeder *f, FILE *out)
{
    const struct predict_verdict *v = &f->verdict;
    if (v->compared == 0) {
        fputs("nothing was measured that a motor's force can be held against.\n", out);
        return;
    }
    if (v->differing == 0 && v->bounds == v->compared)
        fputs("nothing measured contradicts the prediction, and nothing confirms it.\n", out);
    else if (v->differing == 0)
        fputs("measured and predicted agree at all speeds within the joint 95 % interval.\n", out);
    else
        fprintf(out,
                "measured and predicted differ at %zu of %zu speeds by more than the joint 95 %% interval. "
                "Pattern: %s.\n",
                v->differing, v->compared, v->pattern[0] != 0 ? v->pattern : "none");
}

static void put_causes(const struct predict_verdict *v, FILE *out)
{
    if (v->bounds > 0)
        fprintf(
            out,
            "At %zu of %zu speeds grip or a limit gave way before the motor did: those forces bound it from "
            "below. Raise the nip preload to see the motor there.\n",
            v->bounds, v->compared);
    if (v->differing == 0)
        return;
    if (v->cause_count == 0) {
        fputs("No single cause explains half of the difference.\n", out);
        return;
    }
    fputs("Likely causes, those first that fit the measured forces best:\n", out);
    for (size_t i = 0; i < v->cause_count; i++)
        fprintf(out, "  %zu. %s (explains %.0f %% of the squared differences).\n     To tell: %s.\n", i + 1,
                v->causes[i].what, 100 * v->causes[i].explained, v->causes[i].measure);
}

static void write_all(const struct predict_answer *answer, int width, FILE *out)
{
    char name[2 * sizeof answer->feeders->name];
    if (answer->simulated)
        fputs("SIMULATED DATA\n", out);
    calibration_used_put(answer->session, out);
    for (size_t i = 0; answer->with_series && i < answer->feeder_count; i++) {
        fprintf(out, "%s: ", text_clean(answer->feeders[i].name, name, sizeof name));
        put_verdict(&answer->feeders[i], out);
    }
    if (answer->with_series)
        fputc('\n', out);
    put_motor(&answer->motor, out);
    for (size_t i = 0; i < answer->feeder_count; i++) {
        const struct predict_feeder *f = &answer->feeders[i];
        if (f->name[0] != 0)
            fprintf(out, "\n%s: ", text_clean(f->name, name, sizeof name));
        else
            fputs("\n", out);
        fprintf(out, "drive diameter %.5g mm, reduction %.4g, efficiency %.3g\n\n",
                f->drive.drive_diameter_mm, f->drive.reduction, answer->motor.values[PREDICT_EFFICIENCY]);
        put_forces(f, width, out);
        if (answer->with_series) {
            put_measured(f, width, out);
            put_causes(&f->verdict, out);
        }
    }
}

enum err_code predict_text_write(const struct predict_answer *answer, int width, FILE *out, struct err *e)
{
    FILE *lines = text_wrap_open(out, width);
    if (lines == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the results");
    write_all(answer, width, lines);
    fclose(lines);
    return ERR_OK;
}
