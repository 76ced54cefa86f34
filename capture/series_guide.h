/* What guides the operator through a series: which conditions to state, a picture of how far it has come, how
 * long is left, what each run looked like, and whether to repeat one that looks wrong. Knows the plan and the
 * operator, not the rig: the motor is off whenever anything is asked here. */
#ifndef CAPTURE_SERIES_GUIDE_H
#define CAPTURE_SERIES_GUIDE_H

#include "capture/condition_ask.h"
#include "capture/operator.h"
#include "capture/run_glance.h"
#include "capture/series_picture.h"
#include "capture/time_left.h"
#include "datasets/format/plan.h"
#include "datasets/format/run_record.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct series_guide {
    const struct plan *plan; /* the caller's, as is the view */
    struct operator_view *view;
    bool (*idle)(void *context); /* as operator_confirm */
    void *context;
    struct plan_run order[PLAN_RUNS_MAX]; /* of the whole plan */
    struct series_picture_run picture[PLAN_RUNS_MAX];
    size_t count;
    struct plan_run left[PLAN_RUNS_MAX]; /* those of order that are still to be done, when they are counted */
    struct time_left time;
    struct condition_ask ask;
    struct run_glance glance; /* of the run in hand */
};

/* time_scale: rig seconds in a second. */
void series_guide_begin(struct series_guide *g, const struct plan *plan, double time_scale);

/* A run that an earlier capture of this series has recorded; in the order of their numbers. */
void series_guide_take(struct series_guide *g, const struct run_record *record);

/* Have the operator state what belongs to the room and the bench, where the plan asks for it. */
void series_guide_ask_first(struct series_guide *g);
/* The same for what belongs to a feeder that has just been mounted. */
void series_guide_ask_feeder(struct series_guide *g, size_t feeder);

/* How many places of the plan have a run of this capture that looked wrong and was not repeated, though it
 * was complete or met a limit. */
size_t series_guide_wrong(const struct series_guide *g);

/* Show how far the series has come and how long is left: the picture on a terminal, one line elsewhere.
 * place: of the next run in the plan's order, from 1. */
void series_guide_show(struct series_guide *g, int place);

/* Before a run: its conditions as they were stated, and nothing seen of it yet. */
void series_guide_run(struct series_guide *g, const struct plan_run *run, struct conditions *conditions);

/* As runner_setup.look, with the guide as context of its own. */
void series_guide_look(struct series_guide *g, enum run_glance_part part, const struct raw_sample *sample);

/* After a run that was recorded and filed, and took took_s in all: say in one line how it went, and in one
 * line each what looks wrong. may_repeat: there is room for one more run. True when the operator wants it
 * repeated; asked only when something looks wrong. why (RUN_GLANCE_TEXT_MAX bytes) then says what. */
bool series_guide_judge(struct series_guide *g, const struct run_record *record,
                        const struct calibration *calibration, double took_s, bool may_repeat, char *why);

#endif
