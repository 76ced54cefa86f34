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
#define MEASURED_CELLS 5
#define BUDGET_CELLS   4

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
            cells[4] = predict_limit(p);
            text_table_put(&table, cells, out);
        }
    }
}

static void put_measured(const struct predict_feeder *f, int width, FILE *out)
{
    static const struct text_column columns[MEASURED_CELLS] = {
        {.head = "speed", .right = true, .numbers = true},
        {.head = "measured", .numbers = true},
        {.head = "predicted", .numbers = true},
        {.head = "difference", .numbers = true},
        {.head = "verdict"}};
    char measured[TEXT_QUANTITY_SIZE], predicted[TEXT_QUANTITY_SIZE], difference[TEXT_QUANTITY_SIZE],
        verdict[40], speed[40];
    const char *cells[MEASURED_CELLS] = {speed, measured, predicted, difference, verdict};
    struct text_table table;
    if (f->p.measured_count == 0)
        return;
    fputs("\nMeasured against predicted\n", out);
    text_table_begin(&table, columns, MEASURED_CELLS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < f->p.measured_count; i++) {
            const struct predict_measured *m = &f->p.measured[i];
            struct quantity q = m->bound ? quantity_at_least(m->force_n.value) : m->force_n;
            snprintf(speed, sizeof speed, "%.4g mm/s", m->speed_mm_s);
            text_quantity(&q, "N", measured, sizeof measured);
            text_interval(&m->predicted.force_n, "N", predicted, sizeof predicted);
            text_quantity(&m->difference_n, "N", difference, sizeof difference);
            /* Capitals where the eye is to stop. */
            snprintf(verdict, sizeof verdict, "%s%s", m->differs ? "DIFFERS" : "",
                     predict_judgement(m) + (m->differs ? strlen("DIFFERS") : 0));
            text_table_put(&table, cells, out);
        }
    }
}

/* What each tolerance brings, at the slowest and the fastest speed: what limits may differ between them. */
static enum err_code put_budget(const struct predict_motor *motor, const struct predict_feeder *f, size_t i,
                                int width, FILE *out, struct err *e)
{
    static const struct text_column columns[BUDGET_CELLS] = {
        {.head = "component"},
        {.head = "standard uncertainty", .right = true, .numbers = true},
        {.head = "share of the variance", .right = true, .numbers = true},
        {.head = "degrees of freedom"}};
    const struct predict_force *p = &f->forces[i];
    double u = p->force_n.standard_uncertainty;
    char newtons[60], number[48], share[40], degrees[48];
    const char *cells[BUDGET_CELLS] = {NULL, newtons, share, degrees};
    struct text_table table;
    struct budget budget;
    enum err_code code = predict_budget(motor, &f->p.drive, p->speed_mm_s, &budget, e);
    if (code != ERR_OK || budget.count == 0)
        return code;
    fprintf(out, "\nBudget of the push force at %.4g mm/s, limited by the %s\n", p->speed_mm_s,
            predict_limit(p));
    text_table_begin(&table, columns, BUDGET_CELLS, width);
    while (text_table_pass(&table, out)) {
        for (size_t k = 0; k < budget.count; k++) {
            cells[0] = budget.components[k].name;
            snprintf(newtons, sizeof newtons, "%s N", predict_newtons(&budget, k, number, sizeof number));
            snprintf(share, sizeof share, "%.1f %%", 100 * budget_share(&budget, k));
            predict_degrees(&budget.components[k], degrees, sizeof degrees);
            text_table_put(&table, cells, out);
        }
        cells[0] = "all together";
        snprintf(newtons, sizeof newtons, "%s N", text_rounded(u, text_decimals(u), number, sizeof number));
        share[0] = degrees[0] = 0;
        text_table_put(&table, cells, out);
    }
    return ERR_OK;
}

static enum err_code put_budgets(const struct predict_motor *motor, const struct predict_feeder *f, int width,
                                 FILE *out, struct err *e)
{
    size_t slow = 0, fast = 0;
    enum err_code code;
    if (f->force_count == 0)
        return ERR_OK;
    for (size_t i = 1; i < f->force_count; i++) {
        slow = f->forces[i].speed_mm_s < f->forces[slow].speed_mm_s ? i : slow;
        fast = f->forces[i].speed_mm_s > f->forces[fast].speed_mm_s ? i : fast;
    }
    code = put_budget(motor, f, slow, width, out, e);
    if (code == ERR_OK && fast != slow)
        code = put_budget(motor, f, fast, width, out, e);
    return code;
}

static void put_causes(const struct prediction *p, FILE *out)
{
    const struct predict_verdict *v = &p->verdict;
    char bounds[PREDICT_WORDS_SIZE];
    if (predict_bounds(p, bounds, sizeof bounds)[0] != 0)
        fprintf(out, "%s\n", bounds);
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

static enum err_code write_all(const struct predict_answer *answer, int width, FILE *out, struct err *e)
{
    char name[2 * sizeof answer->feeders->p.name], verdict[PREDICT_WORDS_SIZE];
    enum err_code code = ERR_OK;
    if (answer->simulated)
        fputs("SIMULATED DATA\n", out);
    calibration_used_put(answer->session, out);
    for (size_t i = 0; answer->with_series && i < answer->feeder_count; i++)
        fprintf(out, "%s: %s\n", text_clean(answer->feeders[i].p.name, name, sizeof name),
                predict_verdict(&answer->feeders[i].p, verdict, sizeof verdict));
    if (answer->with_series)
        fputc('\n', out);
    put_motor(&answer->motor, out);
    for (size_t i = 0; i < answer->feeder_count && code == ERR_OK; i++) {
        const struct predict_feeder *f = &answer->feeders[i];
        if (f->p.name[0] != 0)
            fprintf(out, "\n%s: ", text_clean(f->p.name, name, sizeof name));
        else
            fputs("\n", out);
        fprintf(out, "drive diameter %.5g mm, reduction %.4g, efficiency %.3g\n\n",
                f->p.drive.drive_diameter_mm, f->p.drive.reduction, answer->motor.values[PREDICT_EFFICIENCY]);
        put_forces(f, width, out);
        if (answer->with_series) {
            put_measured(f, width, out);
            put_causes(&f->p, out);
        }
        code = put_budgets(&answer->motor, f, width, out, e);
    }
    return code;
}

enum err_code predict_text_write(const struct predict_answer *answer, int width, FILE *out, struct err *e)
{
    FILE *lines = text_wrap_open(out, width);
    enum err_code code;
    if (lines == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the results");
    code = write_all(answer, width, lines, e);
    fclose(lines);
    return code;
}
