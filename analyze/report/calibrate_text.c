#include "analyze/report/calibrate_text.h"

#include "analyze/report/text_format.h"
#include "analyze/report/text_table.h"
#include "analyze/report/text_wrap.h"

#include <math.h>
#include <string.h>

#define LOADS_SHOWN 4 /* parts of the range at which an uncertainty is shown */

/* value with as many digits as its standard error leaves it, and two more; no more than a double has. */
static const char *with_error(double value, double standard_error, char *text, size_t size)
{
    int digits = 15;
    if (standard_error > 0 && value != 0)
        digits = (int)floor(log10(fabs(value))) - (int)floor(log10(standard_error)) + 3;
    snprintf(text, size, "%.*g", digits < 3 ? 3 : digits > 15 ? 15 : digits, value);
    return text;
}

static void put_list(const char *title, const struct calibrate_sentences *list, FILE *out)
{
    if (list->count == 0)
        return;
    fprintf(out, "\n%s\n", title);
    for (size_t i = 0; i < list->count; i++) {
        char clean[2 * CALIBRATE_SENTENCE_SIZE];
        fprintf(out, "  %s\n", text_clean(list->text[i], clean, sizeof clean));
    }
}

static void put_origin(const char *what, const struct readings_note *note, FILE *out)
{
    char serial[2 * READINGS_NAME_SIZE];
    if (note->date[0] != 0)
        fprintf(out, ", %s %s", what, note->date);
    if (note->rig_serial[0] != 0)
        fprintf(out, ", rig %s", text_clean(note->rig_serial, serial, sizeof serial));
    fputs("\n", out);
}

static void put_filed(const struct calibrate_filed *filed, FILE *out)
{
    char path[600], kept[600];
    text_clean(filed->path, path, sizeof path);
    text_clean(filed->kept_as, kept, sizeof kept);
    if (filed->dry_run)
        fprintf(out, "\nNothing was written: a dry run. It would go to %s.\n", path);
    else if (filed->unchanged)
        fprintf(out, "\n%s holds this very calibration already.\n", path);
    else if (kept[0] != 0)
        fprintf(out, "\nWritten to %s; the one before is kept as %s.\n", path, kept);
    else
        fprintf(out, "\nWritten to %s.\n", path);
}

static void put_coefficients(const struct calibrate_force *result, FILE *out)
{
    static const char *const UNITS[] = {"counts", "counts/N", "counts/N2"};
    static const char *const TERMS[] = {"reading = b0", " + b1 load", " + b2 load^2"};
    const struct calibration_fit *fit = &result->fit;
    for (int i = 0; i <= fit->degree; i++)
        fputs(TERMS[i], out);
    fprintf(out, "\n  degree %d: %s\n\n", fit->degree, result->degree_why);
    fprintf(out, "      %-22s %-16s unit\n", "value", "standard error");
    for (int i = 0; i <= fit->degree; i++) {
        char value[40];
        fprintf(out, "  b%d  %-22s %-16.3g %s\n", i,
                with_error(fit->coefficients[i], result->standard_errors[i], value, sizeof value),
                result->standard_errors[i], UNITS[i]);
    }
    fputs("\nCovariance of the coefficients\n", out);
    for (int i = 0; i <= fit->degree; i++) {
        fputs(" ", out);
        for (int j = 0; j <= fit->degree; j++)
            fprintf(out, " % .6e", result->covariance[i][j]);
        fputs("\n", out);
    }
    fprintf(out, "Residual standard deviation %.4g counts, %g degrees of freedom\n", fit->residual_sd,
            fit->degrees_of_freedom);
    if (fit->replicated)
        fprintf(out, "Scatter of readings at the same load %.4g counts, %g degrees of freedom\n",
                fit->replication_sd, fit->replication_degrees_of_freedom);
    if (fit->lack_of_fit.present)
        fprintf(
            out, "Lack of fit: F(%g, %g) = %.4g, p = %.2g\n", fit->lack_of_fit.numerator_degrees_of_freedom,
            fit->lack_of_fit.denominator_degrees_of_freedom, fit->lack_of_fit.f, fit->lack_of_fit.p_value);
}

static void put_characteristic(const char *name, const struct calibration_characteristic *c,
                               const char *why_not, FILE *out)
{
    if (c->present)
        fprintf(out, "  %-24s %+9.4f %%  at %.8g N\n", name, c->percent == 0 ? 0.0 : c->percent, c->load_n);
    else
        fprintf(out, "  %-24s not known: %s\n", name, why_not);
}

static void put_characteristics(const struct calibration_fit *fit, FILE *out)
{
    double far = fabs(fit->load_low_n) > fabs(fit->load_high_n) ? fit->load_low_n : fit->load_high_n;
    fprintf(out,
            "\nIn the terms of ISO 376, without claiming conformity to it; the worst over the loads, in %% "
            "of full scale (%.6g counts, from no load to %.8g N)\n",
            fit->full_scale_counts, far);
    put_characteristic("repeatability", &fit->repeatability, "no load was hung twice", out);
    put_characteristic("reversibility", &fit->hysteresis, "no load was read rising and falling", out);
    put_characteristic("return to zero", &fit->zero_return, "no cycle begins and ends without load", out);
    put_characteristic("deviation from a line", &fit->non_linearity, "", out);
    put_characteristic("deviation from the fit", &fit->interpolation, "", out);
}

static void put_uncertainty(const struct calibrate_force *result, FILE *out)
{
    const struct calibration *c = &result->calibration;
    double far = fabs(c->load_low_n) > fabs(c->load_high_n) ? c->load_low_n : c->load_high_n;
    fputs("\nStandard uncertainty that this calibration brings to a force (above a run's own zero)\n", out);
    for (int i = 1; i <= LOADS_SHOWN; i++) {
        double force_n = far * i / LOADS_SHOWN;
        double u_n = calibration_uncertainty_n(c, force_n);
        fprintf(out, "  at %-10.8g N  %-9.3g N  %.3g %%\n", force_n, u_n, 100 * u_n / fabs(force_n));
    }
    if (result->weights.known)
        fprintf(out,
                "  in it, the same for all loads: weights %.2g %%, any error within their tolerance being as "
                "likely\n",
                100 * result->weights.relative);
    if (result->gravity.known)
        fprintf(out, "  in it, the same for all loads: gravity %.2g %%\n", 100 * result->gravity.relative);
    if (result->weights.known || result->gravity.known)
        fputs("  (they are in the covariance above as a gain that is off for all loads at once: no repeat "
              "shows "
              "or lessens it)\n",
              out);
}

#define FORCE_RESIDUAL_CELLS 7
#define FEED_RESIDUAL_CELLS  7
#define NUMBER_SIZE          40

static void put_force_residuals(const struct readings *r, const struct calibration_fit *fit, int width,
                                FILE *out)
{
    static const struct text_column columns[FORCE_RESIDUAL_CELLS] = {
        {.head = "row", .right = true, .numbers = true},
        {.head = "load_n", .right = true, .numbers = true},
        {.head = "direction"},
        {.head = "cycle", .right = true, .numbers = true},
        {.head = "reading_counts", .right = true, .numbers = true},
        {.head = "residual", .right = true, .numbers = true},
        {.head = "in N", .right = true, .numbers = true}};
    char row[NUMBER_SIZE], load[NUMBER_SIZE], cycle[NUMBER_SIZE], reading[NUMBER_SIZE], counts[NUMBER_SIZE],
        newtons[NUMBER_SIZE];
    const char *cells[FORCE_RESIDUAL_CELLS] = {row, load, NULL, cycle, reading, counts, newtons};
    struct text_table table;
    fputs("\nResiduals, reading minus fit\n", out);
    text_table_begin(&table, columns, FORCE_RESIDUAL_CELLS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < r->n; i++) {
            double residual = calibration_fit_residual(fit, r->load_n[i], r->reading_counts[i]);
            double slope = fit->coefficients[1] + 2 * fit->coefficients[2] * r->load_n[i];
            snprintf(row, sizeof row, "%zu", i + 1);
            snprintf(load, sizeof load, "%.9g", r->load_n[i]);
            cells[2] = r->direction[i] > 0 ? "up" : "down";
            snprintf(cycle, sizeof cycle, "%d", r->cycle[i]);
            snprintf(reading, sizeof reading, "%.10g", r->reading_counts[i]);
            snprintf(counts, sizeof counts, "%.4g", residual);
            snprintf(newtons, sizeof newtons, "%.4g", residual / slope);
            text_table_put(&table, cells, out);
        }
    }
}

static void put_feed_residuals(const struct readings *r, const struct calibrate_feed *results, int width,
                               FILE *out)
{
    static const struct text_column columns[FEED_RESIDUAL_CELLS] = {
        {.head = "row", .right = true, .numbers = true},
        {.head = "feeder"},
        {.head = "microsteps", .right = true, .numbers = true},
        {.head = "direction"},
        {.head = "repeat", .right = true, .numbers = true},
        {.head = "measured_mm", .right = true, .numbers = true},
        {.head = "mm", .right = true, .numbers = true}};
    char row[NUMBER_SIZE], name[2 * READINGS_NAME_SIZE], steps[NUMBER_SIZE], repeat[NUMBER_SIZE],
        measured[NUMBER_SIZE], residual[NUMBER_SIZE];
    const char *cells[FEED_RESIDUAL_CELLS] = {row, name, steps, NULL, repeat, measured, residual};
    struct text_table table;
    fputs("\nResiduals, length minus fit\n", out);
    text_table_begin(&table, columns, FEED_RESIDUAL_CELLS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < r->n; i++) {
            snprintf(row, sizeof row, "%zu", i + 1);
            text_clean(r->feeders[r->feeder[i]], name, sizeof name);
            snprintf(steps, sizeof steps, "%.0f", r->commanded_steps[i]);
            cells[3] = r->direction[i] > 0 ? "forward" : "backward";
            snprintf(repeat, sizeof repeat, "%d", r->cycle[i]);
            snprintf(measured, sizeof measured, "%.6g", r->measured_mm[i]);
            snprintf(residual, sizeof residual, "%.3g", results[r->feeder[i]].residual_mm[i]);
            text_table_put(&table, cells, out);
        }
    }
}

static void write_force(const struct readings *r, const struct readings_note *note,
                        const struct calibrate_force *result, const struct calibrate_filed *filed, int width,
                        FILE *out)
{
    const struct calibration_fit *fit = &result->fit;
    if (note->simulated)
        fputs("SIMULATED READINGS\n", out);
    fprintf(out, "Load cell: %zu readings at %zu different loads, %.8g to %.8g N", fit->n, fit->loads,
            fit->load_low_n, fit->load_high_n);
    put_origin("weighed", note, out);
    put_coefficients(result, out);
    put_characteristics(fit, out);
    put_uncertainty(result, out);
    put_list("Operator's estimates", &result->estimates, out);
    put_list("Not known", &result->unknown, out);
    put_list("To be looked at", &result->warnings, out);
    put_force_residuals(r, fit, width, out);
    fprintf(out,
            "\nCalibrated range: %.8g to %.8g N. Results beyond it are extrapolated and flagged as such.\n",
            fit->load_low_n, fit->load_high_n);
    put_filed(filed, out);
}

static void put_feed(const struct calibrate_feed *f, FILE *out)
{
    static const char *const DIRECTIONS[] = {"forward", "backward"};
    char text[TEXT_QUANTITY_SIZE], interval[TEXT_QUANTITY_SIZE], value[40];
    const struct quantity *q = &f->mm_per_microstep;
    fprintf(out, "\nFeeder %s: %zu lengths, %zu different ones\n", f->feeder, f->n, f->lengths);
    fprintf(out, "  mm per microstep      %s, standard uncertainty %.2g, 95 %% interval %.8g to %.8g\n",
            with_error(q->value, q->standard_uncertainty, value, sizeof value), q->standard_uncertainty,
            q->low_95, q->high_95);
    for (int d = 0; d < 2; d++) {
        if (f->has_direction[d])
            fprintf(out, "  offset %-14s %s (what a move gains or, if negative, loses at its start)\n",
                    DIRECTIONS[d], text_quantity(&f->offset_mm[d], "mm", text, sizeof text));
    }
    if (f->drive_diameter_mm.present)
        fprintf(out, "  effective diameter    %s, 95 %% interval %s\n",
                text_quantity(&f->drive_diameter_mm, "mm", text, sizeof text),
                text_interval(&f->drive_diameter_mm, "mm", interval, sizeof interval));
    fprintf(out, "  scatter of one length %.2g mm, %g degrees of freedom\n", f->reading_sd_mm,
            f->degrees_of_freedom);
    put_list("Operator's estimates", &f->estimates, out);
    put_list("Not known", &f->unknown, out);
    put_list("To be looked at", &f->warnings, out);
}

static void write_feed(const struct readings *r, const struct readings_note *note,
                       const struct calibrate_feed *results, const struct calibrate_filed *filed, int width,
                       FILE *out)
{
    if (note->simulated)
        fputs("SIMULATED READINGS\n", out);
    fprintf(out, "Feed: %zu lengths, %zu feeder%s", r->n, r->feeder_count, r->feeder_count == 1 ? "" : "s");
    put_origin("measured", note, out);
    for (size_t k = 0; k < r->feeder_count; k++)
        put_feed(&results[k], out);
    put_feed_residuals(r, results, width, out);
    put_filed(filed, out);
}

enum err_code calibrate_text_force(const struct readings *r, const struct readings_note *note,
                                   const struct calibrate_force *result, const struct calibrate_filed *filed,
                                   int width, FILE *out, struct err *e)
{
    FILE *lines = text_wrap_open(out, width);
    if (lines == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the results");
    write_force(r, note, result, filed, width, lines);
    fclose(lines);
    return ERR_OK;
}

enum err_code calibrate_text_feed(const struct readings *r, const struct readings_note *note,
                                  const struct calibrate_feed *results, const struct calibrate_filed *filed,
                                  int width, FILE *out, struct err *e)
{
    FILE *lines = text_wrap_open(out, width);
    if (lines == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the results");
    write_feed(r, note, results, filed, width, lines);
    fclose(lines);
    return ERR_OK;
}
