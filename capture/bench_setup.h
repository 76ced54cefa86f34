/* What stands on the bench for each run of a plan: what the operator must change before it, in plain words,
 * and what in the plan is likely to spoil a test. Works on the plan alone; nothing here asks, prints or
 * moves. */
#ifndef CAPTURE_BENCH_SETUP_H
#define CAPTURE_BENCH_SETUP_H

#include "datasets/format/plan.h"

#include <stdbool.h>
#include <stddef.h>

#define BENCH_SETUP_TEXT_MAX 1000

struct bench_setup {
    const struct plan *plan; /* the caller's, as are the runs */
    const struct plan_run *runs;
    size_t run_count;
    /* Whether these are told at all. A plan of nothing but pushes against one blocked end, at one preload and
     * with one guide tube, asks for feeders to be mounted and no more. */
    bool tells_end, tells_tube, tells_preload;
};

void bench_setup_init(struct bench_setup *bench, const struct plan *plan, const struct plan_run *runs,
                      size_t run_count);

/* What is to be done before the run at index (from 0), one line without a full stop: "Block 1: mount feeder
 * gear-8mm; fit the brake and set it to 20 N; set the nip preload to 80 N". Only what differs from the run
 * before, and everything before the first. The preload belongs to the feeder: it is told anew for each one
 * mounted. false when there is nothing to do; text (BENCH_SETUP_TEXT_MAX bytes are enough) is then empty. */
bool bench_setup_change(const struct bench_setup *bench, size_t index, char *text, size_t size);

/* Calls tell with one line for each thing that makes an answer unlikely: a free length of filament that may
 * buckle at the plan's force limit, a melt-push without temperature, tests of the feed on a rig without an
 * encoder. */
void bench_setup_warn(const struct bench_setup *bench, bool rig_has_encoder,
                      void (*tell)(void *context, const char *text), void *context);

#endif
