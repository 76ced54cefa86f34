#include "rig/simulator/faulty_rig.h"

#include <stdlib.h>
#include <string.h>

struct faulty_rig {
    struct fault_plan plan;
    struct faulty_rig_ends ends;
    struct rig_state *rig;
    struct line_faults *line;
    int64_t time_us;
    size_t moments_past;
    unsigned on[FAULT_TIMED]; /* how many of a kind last at present: they may overlap */
    bool unread;
};

static bool send_frame(void *context, const uint8_t *frame, size_t length, size_t samples)
{
    const struct faulty_rig *faulty = context;
    return line_faults_to_host(faulty->line, frame, length, samples);
}

static bool send_burst(void *context, const struct line_burst *burst)
{
    const struct faulty_rig *faulty = context;
    return faulty->ends.send(faulty->ends.context, burst);
}

static void deliver(void *context, const uint8_t *bytes, size_t length)
{
    const struct faulty_rig *faulty = context;
    rig_state_receive(faulty->rig, faulty->time_us, bytes, length);
}

static void tell(void *context, struct rig_happening *h)
{
    const struct faulty_rig *faulty = context;
    const struct rig_observer *observer = &faulty->ends.observer;
    h->time_us = rig_state_time_us(faulty->rig);
    h->rig_us = rig_state_clock_us(faulty->rig);
    if (observer->happened != NULL)
        observer->happened(observer->context, h);
}

struct faulty_rig *faulty_rig_new(const struct rig_setup *setup, const struct fault_plan *plan,
                                  const struct faulty_rig_ends *ends)
{
    struct rig_setup own = *setup;
    struct faulty_rig *faulty = calloc(1, sizeof *faulty);
    if (faulty == NULL)
        return NULL;
    const struct line_ends line_ends = {faulty, send_burst, deliver, tell};
    faulty->plan = *plan;
    faulty->ends = *ends;
    own.clock_start_us = plan->clock_start_us;
    own.limits_ignored = plan->limits_ignored;
    faulty->rig = rig_state_new(&own, send_frame, faulty);
    faulty->line = line_faults_new(&faulty->plan, own.seed, &line_ends);
    if (faulty->rig == NULL || faulty->line == NULL) {
        faulty_rig_free(faulty);
        return NULL;
    }
    rig_state_observe(faulty->rig, &faulty->ends.observer);
    return faulty;
}

void faulty_rig_free(struct faulty_rig *faulty)
{
    if (faulty == NULL)
        return;
    rig_state_free(faulty->rig);
    line_faults_free(faulty->line);
    free(faulty);
}

struct rig_state *faulty_rig_state(struct faulty_rig *faulty)
{
    return faulty->rig;
}

/* What keeps the rig's frames from the host at present; NULL: nothing. */
static const char *blocked_by(const struct faulty_rig *faulty)
{
    static const enum fault_timed blocking[] = {FAULT_UNPLUGGED, FAULT_SEVERED, FAULT_MUTE};
    for (size_t i = 0; i < sizeof blocking / sizeof blocking[0]; i++)
        if (faulty->on[blocking[i]] > 0)
            return FAULT_TIMED_WORDS[blocking[i]];
    return faulty->unread ? "unread" : NULL;
}

static void tell_moment(struct faulty_rig *faulty, const struct fault_moment *m)
{
    struct rig_happening h = {.kind = RIG_FAULT,
                              .word = FAULT_TIMED_WORDS[m->fault],
                              .has_sequence = true,
                              .sequence = rig_state_sequence(faulty->rig),
                              .phase = m->begins ? RIG_PHASE_BEGINS : RIG_PHASE_ENDS};
    tell(faulty, &h);
}

static void begin_or_end(struct faulty_rig *faulty, const struct fault_moment *m)
{
    unsigned *const on = &faulty->on[m->fault];
    const bool was = *on > 0;
    *on = m->begins ? *on + 1 : *on - 1;
    const bool is = *on > 0;
    tell_moment(faulty, m);
    switch (m->fault) {
    case FAULT_REBOOT:
        rig_state_reboot(faulty->rig);
        break;
    case FAULT_EMERGENCY_STOP:
        rig_state_set_flag(faulty->rig, WIRE_FLAG_EMERGENCY_STOP, is);
        break;
    case FAULT_DRIVER_FAULT:
        rig_state_set_flag(faulty->rig, WIRE_FLAG_DRIVER_FAULT, is);
        break;
    case FAULT_LIMIT_SWITCH:
        rig_state_set_flag(faulty->rig, WIRE_FLAG_LIMIT_SWITCH, is);
        break;
    case FAULT_OVER_RANGE:
        rig_state_set_flag(faulty->rig, WIRE_FLAG_OVER_RANGE, is);
        break;
    default:
        line_faults_block(faulty->line, blocked_by(faulty), m->fault == FAULT_UNPLUGGED && was != is);
        if (m->fault == FAULT_UNPLUGGED && was != is && faulty->ends.plug != NULL)
            faulty->ends.plug(faulty->ends.context, !is);
    }
}

void faulty_rig_advance(struct faulty_rig *faulty, int64_t time_us)
{
    while (faulty->moments_past < faulty->plan.moment_count) {
        const struct fault_moment *m = &faulty->plan.moments[faulty->moments_past];
        const int64_t since_us = rig_state_sampling_since_us(faulty->rig);
        if (since_us == INT64_MAX || since_us + m->after_us > time_us)
            break;
        rig_state_advance(faulty->rig, since_us + m->after_us);
        faulty->moments_past++;
        begin_or_end(faulty, m);
    }
    rig_state_advance(faulty->rig, time_us);
    if (time_us > faulty->time_us)
        faulty->time_us = time_us;
}

void faulty_rig_receive(struct faulty_rig *faulty, int64_t time_us, const uint8_t *bytes, size_t length)
{
    faulty_rig_advance(faulty, time_us);
    /* Frame by frame, so that a fault due now comes between two of them however the bytes are cut. */
    while (length > 0) {
        const uint8_t *const end = memchr(bytes, 0, length);
        const size_t part = end == NULL ? length : (size_t)(end - bytes) + 1;
        if (faulty->on[FAULT_UNPLUGGED] == 0 && faulty->on[FAULT_SEVERED] == 0 && faulty->on[FAULT_DEAF] == 0)
            line_faults_to_rig(faulty->line, bytes, part);
        bytes += part;
        length -= part;
        faulty_rig_advance(faulty, time_us);
    }
}

void faulty_rig_set_unread(struct faulty_rig *faulty, bool unread)
{
    if (unread == faulty->unread)
        return;
    faulty->unread = unread;
    line_faults_block(faulty->line, blocked_by(faulty), false);
}
