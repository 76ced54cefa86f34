/* The conditions that a plan has the operator state anew (its key `ask`): the questions, what is typed in
 * answer, and what then holds for each feeder. Nothing here asks or prints. */
#ifndef CAPTURE_CONDITION_ASK_H
#define CAPTURE_CONDITION_ASK_H

#include "datasets/format/plan.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

struct condition_ask {
    const struct plan *plan; /* the caller's */
    struct conditions
        now[PLAN_FEEDERS_MAX]; /* what holds: the plan's, then of earlier runs, then the answers */
};

void condition_ask_begin(struct condition_ask *a, const struct plan *plan);

/* Whether it belongs to what is mounted, and so is asked at each mounting, or to the room and the bench, and
 * so is asked when the capture begins: temperature, humidity, supply voltage, blocked end, hot end, guide
 * tube, seats. One of these that the plan states differently for its feeders belongs to the feeder. */
bool condition_ask_is_of_feeder(const struct condition_ask *a, enum condition_id id);

/* An earlier run of the series was made with that feeder under these conditions: what is asked for has its
 * last value from it. Runs come in the order in which they were made. */
void condition_ask_take(struct condition_ask *a, size_t feeder, const struct conditions *conditions);

#define CONDITION_ASK_TEXT_MAX 200

/* "ambient temperature in °C, last 21.5: type a new one, or press Enter to keep it, Ctrl-C to stop" */
void condition_ask_question(const struct condition_ask *a, size_t feeder, enum condition_id id, char *text,
                            size_t size);

/* Take what was typed: nothing keeps the last value, "-" leaves it unstated, anything else is the new value,
 * for the feeder alone or for all. ERR_USAGE with a sentence that says what would do. */
enum err_code condition_ask_answer(struct condition_ask *a, size_t feeder, enum condition_id id,
                                   const char *typed, struct err *e);

/* Put what was asked for into the conditions of a run of that feeder. */
void condition_ask_apply(const struct condition_ask *a, size_t feeder, struct conditions *conditions);

#endif
