/* What runner.h says can be known before anything moves. */
#include "capture/runner.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846

double runner_mm_per_microstep(const struct plan_feeder *feeder, const struct calibration *c)
{
    for (size_t i = 0; i < c->feed_count; i++) {
        if (strcmp(c->feeds[i].feeder, feeder->name) == 0)
            return c->feeds[i].mm_per_microstep;
    }
    return PI * feeder->drive_diameter_mm /
           (feeder->full_steps_per_rev * feeder->microsteps * feeder->reduction);
}

enum err_code runner_check(const struct wire_identity *rig, const struct runner_setup *setup,
                           const struct run_record *record, const char *plan_path, struct err *e)
{
    const struct calibration *c = setup->calibration;
    double rate_max_hz = rig->sample_rate_max_millihertz / 1000.0;
    double microsteps_s = record->speed_mm_s / record->mm_per_microstep;
    double reading_low, reading_high;
    if (record->sample_rate_hz > rate_max_hz)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "rate_hz: this rig samples at most %g times a second, not %g", rate_max_hz,
                          record->sample_rate_hz);
    if (rig->microsteps != 0 && rig->microsteps != record->microsteps)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: the rig's driver is set to %d microsteps, the plan says %d",
                          record->feeder, rig->microsteps, record->microsteps);
    if (rig->full_steps_per_rev != 0 && rig->full_steps_per_rev != record->full_steps_per_rev)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: the rig's motor has %d full steps a turn, the plan says %d",
                          record->feeder, rig->full_steps_per_rev, record->full_steps_per_rev);
    if (!(microsteps_s * 1000 >= 1 && microsteps_s * 1000 < INT32_MAX))
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: %g mm/s is %g microsteps a second, which no rig can do", record->feeder,
                          record->speed_mm_s, microsteps_s);
    if (!(setup->acceleration_mm_s2 / record->mm_per_microstep < UINT32_MAX))
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: an acceleration of %g mm/s2 is more than a rig can do", record->feeder,
                          setup->acceleration_mm_s2);
    if (!(setup->travel_mm / record->mm_per_microstep >= 1 &&
          record->travel_limit_mm / record->mm_per_microstep < INT32_MAX))
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "feeder %s: a travel of %g mm is not possible in microsteps of %g mm",
                          record->feeder, setup->travel_mm, record->mm_per_microstep);
    reading_low = calibration_counts(c, 0, c->coefficients[0]);
    reading_high = calibration_counts(c, record->force_limit_n, c->coefficients[0]);
    if (!isfinite(reading_high) || reading_high == reading_low)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0, "force_n: the calibration gives no reading for %g N",
                          record->force_limit_n);
    if (reading_high < rig->counts_min || reading_high > rig->counts_max)
        return err_set_at(e, ERR_FILE, plan_path, 0, 0,
                          "force_n: %g N would read %.0f counts, outside this rig's converter (%d to %d)",
                          record->force_limit_n, reading_high, rig->counts_min, rig->counts_max);
    return ERR_OK;
}
