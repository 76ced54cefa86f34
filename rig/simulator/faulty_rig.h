/* A simulated rig, its line, and what goes wrong with both. Pure like rig_state, which it drives: bytes and
 * times in, bursts of bytes out. Without faults it hands on what the rig sends as it is. */
#ifndef RIG_SIMULATOR_FAULTY_RIG_H
#define RIG_SIMULATOR_FAULTY_RIG_H

#include "rig/simulator/fault_words.h"
#include "rig/simulator/line_faults.h"
#include "rig/simulator/rig_happening.h"
#include "rig/simulator/rig_state.h"

struct faulty_rig_ends {
    void *context;
    /* A burst to the host; false when there was no room for it. */
    bool (*send)(void *context, const struct line_burst *burst);
    /* The cable is pulled (nothing is sent while it is) and plugged in again. May be NULL. */
    void (*plug)(void *context, bool plugged);
    /* What happens; its own context. */
    struct rig_observer observer;
};

struct faulty_rig;

/* clock_start_us and limits_ignored of setup come from plan (copied). NULL when out of memory.
 * faulty_rig_free(NULL) is fine. */
struct faulty_rig *faulty_rig_new(const struct rig_setup *setup, const struct fault_plan *plan,
                                  const struct faulty_rig_ends *ends);
void faulty_rig_free(struct faulty_rig *faulty);

/* For hands and for looking at it; time and bytes must go through the functions here. */
struct rig_state *faulty_rig_state(struct faulty_rig *faulty);

/* As rig_state_advance and rig_state_receive, and what is due of the faults at its exact time. */
void faulty_rig_advance(struct faulty_rig *faulty, int64_t time_us);
void faulty_rig_receive(struct faulty_rig *faulty, int64_t time_us, const uint8_t *bytes, size_t length);

/* Nobody reads what is sent, so that it is lost ("unread" in the log), or somebody does again. */
void faulty_rig_set_unread(struct faulty_rig *faulty, bool unread);

#endif
