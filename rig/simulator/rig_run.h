/* What is true of one armed run of the simulated rig. */
#ifndef RIG_SIMULATOR_RIG_RUN_H
#define RIG_SIMULATOR_RIG_RUN_H

#include "rig/model/model.h"

#include <stddef.h>

/* An armed run that moved, with the truth about its latest forward move (or its first move, when all went
 * backward). What does not apply is NaN. */
struct rig_run {
    size_t feeder; /* index into the setup's feeders */
    double nip_preload_n;
    double speed_mm_s; /* at the effective diameter; negative: backward */
    enum model_end end;
    double brake_load_n;          /* as it turned out in this run */
    double hot_end_temperature_c; /* of a hot end */
    double load_line_n;           /* force that the hot end wants at this speed */
    double guide_tube_bend_deg;   /* 0: no tube */
    double fed_since_cleaning_m;  /* when the run began */
    double lost_motion_mm;        /* of a reversal: model_truth_reversal */
    double force_ratio;
    struct model_truth nominal;
    struct model_truth realised;
};

/* The truth about a run that model has begun with the parameters p and that moves at speed_mm_s. */
struct rig_run rig_run_of(const struct model_parameters *p, const struct model_state *model, size_t feeder,
                          double speed_mm_s);

/* "blocked", "free", "brake", "hot": the word for each enum model_end, in files and at the terminal. */
extern const char *const RIG_END_NAMES[MODEL_END_HOT + 1];

#endif
