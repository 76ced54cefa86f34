#include "analyze/push_drops.h"

#include "analyze/numerics/slip_onset.h"

#include <math.h>

/* Drops whose troughs are below this share of the peaks let go of nearly everything; so many of them tell
 * where the next one comes. */
#define RELEASE_SHARE  0.15
#define RELEASES_LEAST 4

/* Where the next drop comes, for those that let go of nearly everything. The lag that a motor had which did
 * not give way is half a full step, give or take half as much. */
static void work_out_recurrence(const struct push_motion *m, const struct drop *as_motor, size_t count,
                                double stiffness, struct limit_cause_evidence *evidence)
{
    double unused, peak_n = drops_median_peak(as_motor, count, &unused), trough_n = 0;
    evidence->feed_relative_sd = m->relative_feed;
    evidence->recurs_mm = 0;
    for (size_t i = 0; i < count; i++)
        trough_n += as_motor[i].trough_n / (double)count;
    if (count < RELEASES_LEAST || trough_n > RELEASE_SHARE * peak_n)
        return;
    evidence->recurs_mm = drops_recurrence_mm(as_motor, count);
    evidence->reload_mm = (peak_n - fmax(0, trough_n)) / stiffness + m->step_mm / 2;
    evidence->reload_sd_mm = hypot(evidence->relative_sd * evidence->reload_mm, m->step_mm / 4);
}

/* A motor that loses step stood at a load angle of 90 degrees and gives back the lag between peak and trough;
 * how far a motor lagged that never lost step is not known, a quarter of a full step give or take as much. */
void push_drops_evidence(const struct push_motion *m, double noise_n, const struct drop *as_motor,
                         const struct drop *as_grip, size_t count, double stiffness_n_per_mm,
                         struct limit_cause_drop *out, struct limit_cause_evidence *evidence)
{
    double reading = noise_n;
    for (size_t i = 0; i < count; i++) {
        double peak = as_motor[i].peak_n;
        double lag = slip_onset_lag_mm(m->step_mm, peak, peak) -
                     slip_onset_lag_mm(m->step_mm, as_motor[i].trough_n, peak);
        out[i].fallback_mm = (peak - as_motor[i].trough_n) / stiffness_n_per_mm + lag;
        out[i].fallback_most_mm = peak / stiffness_n_per_mm + m->step_mm;
        out[i].slip_back_mm = (as_grip[i].peak_n - as_grip[i].trough_n) / stiffness_n_per_mm + m->step_mm / 4;
        out[i].slip_back_most_mm = as_grip[i].peak_n / stiffness_n_per_mm;
        reading = fmax(reading, as_grip[i].peak_standard_error_n);
    }
    evidence->drops = out;
    evidence->drop_count = count;
    evidence->fallback_sd_mm = 1.5 * reading / stiffness_n_per_mm;
    evidence->slip_back_sd_mm = hypot(evidence->fallback_sd_mm, m->step_mm / 4);
    work_out_recurrence(m, as_motor, count, stiffness_n_per_mm, evidence);
}
