/* One simulated run in one process: model to raw columns, without the serial link. Used by the studies. The
 * truth comes from the model's parameters, and the analysis sees only what a captured run would hold. */
#ifndef TESTS_SIM_SIMULATE_H
#define TESTS_SIM_SIMULATE_H

#include "datasets/format/calibration.h"
#include "datasets/format/run_csv.h"
#include "datasets/format/series.h"
#include "rig/model/model.h"

struct simulated_push {
    double speed_mm_s; /* commanded at the effective diameter */
    double travel_mm;
    double acceleration_mm_s2;
    double sample_rate_hz;
    double rest_s;            /* before and after */
    double preload_n;         /* 0: the feeder's default */
    int cycles;               /* above 0: forward and back by travel_mm so many times */
    enum plan_test_kind test; /* for the record; the end is what p->fixture.end says */
};

/* Run the push on the mounted state: a run of its own, so that wear, the metres fed and the history of the
 * cell carry on from one to the next (model_clean in between cleans the gear). Fills columns (caller frees),
 * the record as capture would write it (test, travel, cycles, the conditions that p settles, the event "motor
 * cut"; number, block, order, repeat and cleaned are the caller's, who frees it), and the truth of this run
 * where it is not NULL. False without memory, and when the travel is too short to reach the speed. */
bool simulate_push(const struct model_parameters *p, struct model_state *s, const struct simulated_push *push,
                   struct run_columns *columns, struct run_record *record, struct model_truth *truth);

/* The calibration that the simulated load cell and encoder have by their parameters, exactly known. */
struct calibration simulate_exact_calibration(const struct model_parameters *p);

#endif
