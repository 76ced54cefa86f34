/* The runner: one run on a rig, from the rest before the push to the rest after it, within its limits.
 *
 * The rig enforces force, travel and time by itself; everything is checked here a second time on the samples
 * that come in. Neither is a safety function. Whatever happens, the rig is told to cut the motor before this
 * returns. */
#ifndef CAPTURE_RUNNER_H
#define CAPTURE_RUNNER_H

#include "capture/rig_client.h"
#include "capture/run_glance.h"
#include "capture/run_writer.h"
#include "datasets/format/calibration.h"
#include "datasets/format/series.h"
#include "rig/base/err.h"
#include "rig/wire/message.h"

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>

/* What the record of the run (below) does not say. */
struct runner_setup {
    double travel_mm; /* commanded feed of one way */
    int cycles;       /* 0: one way; else forward and back so often, in one arming; reversal */
    double acceleration_mm_s2;
    double rest_before_s, rest_after_s;
    const char *remark; /* the first event of the run; NULL: none */
    const struct calibration *calibration;
    /* How often the operator has asked to stop (counted by a signal handler): once, ramp down; twice, cut. */
    const volatile sig_atomic_t *stop_requests;
    /* Called with each sample at rest before, while the push goes on, and at rest after it; may be NULL. */
    void (*look)(void *context, enum run_glance_part part, const struct raw_sample *sample);
    /* Called now and then while the run goes on, for a progress line; may be NULL. */
    void (*progress)(void *context, const char *doing, double force_n, double fraction);
    void *context;
};

/* mm of commanded feed per microstep for a feeder: as calibrated if c has it, else
 * pi * diameter / (full steps * microsteps * reduction). */
double runner_mm_per_microstep(const struct plan_feeder *feeder, const struct calibration *c);

/* Put the present time into record->start_time. */
void runner_set_start_time(struct run_record *record);

/* Whether this rig can carry out the run at all, before anything moves: sample rate, step settings, speed,
 * travel and the converter's range against the force limit. record needs feeder, speed, limits, sample rate,
 * steps and mm_per_microstep. ERR_FILE names plan_path and what does not fit. */
enum err_code runner_check(const struct wire_identity *rig, const struct runner_setup *setup,
                           const struct run_record *record, const char *plan_path, struct err *e);

/* Carry out one run; samples go to writer, which stays open and stays the caller's (NULL: they are looked at
 * and dropped). record->speed_mm_s below 0 moves backward. With cycles each way is one motion, begun when the
 * rig has told the end of the one before, so that every cycle ends where the first began; the push lasts from
 * the first motion to the end of the last. A rig that stands elsewhere at the end of a way ends the run as a
 * fault. In: record as for runner_check, with conditions, counts range and cleaned. Out: start_time, boot,
 * push_start_us, push_end_us, counts of the link, events, ended and ended_why. ERR_OK when the series may go
 * on: the run is complete, met a limit, was interrupted by the operator or ended in a fault of its own
 * (watchdog, a way that ended elsewhere). Else the error that ends the series, the record then telling of a
 * fault. *recorded: whether any sample was handed to the writer. */
enum err_code runner_run(struct rig_client *client, const struct runner_setup *setup,
                         struct run_writer *writer, struct run_record *record, bool *recorded, struct err *e);

#endif
