#include "rig/simulator/rig_run.h"

#include <math.h>

static const double PI = 3.14159265358979323846;

const char *const RIG_END_NAMES[MODEL_END_HOT + 1] = {"blocked", "free", "brake", "hot"};

struct rig_run rig_run_of(const struct model_parameters *p, const struct model_state *model, size_t feeder,
                          double speed_mm_s)
{
    const double diameter_mm = p->fixture.filament_diameter_mm;
    const bool hot = p->fixture.end == MODEL_END_HOT;
    const struct model_reversal_truth reversal =
        model_truth_reversal(p, model->preload_n, fabs(speed_mm_s), 0);
    struct rig_run run = {
        .feeder = feeder,
        .nip_preload_n = model->preload_n,
        .speed_mm_s = speed_mm_s,
        .end = p->fixture.end,
        .brake_load_n = p->fixture.end == MODEL_END_BRAKE ? p->fixture.brake_n * model->brake_factor : NAN,
        .hot_end_temperature_c = hot ? p->hot_end.temperature_c : NAN,
        .load_line_n =
            hot ? model_load_line_n(p, fabs(speed_mm_s) * PI * diameter_mm * diameter_mm / 4) : NAN,
        .guide_tube_bend_deg = p->tube.bend_rad * 180 / PI,
        .fed_since_cleaning_m = model_fed_since_cleaning_m(model),
        .lost_motion_mm = reversal.lost_motion_mm,
        .force_ratio = reversal.force_ratio,
        .nominal = model_truth_nominal(p, model->preload_n, fabs(speed_mm_s)),
        .realised = model_truth_of_run(p, model, fabs(speed_mm_s)),
    };
    return run;
}
