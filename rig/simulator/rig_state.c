#include "rig/simulator/rig_inside.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STATUS_US 1000000
/* From power-on to the event that tells of it, after a brown-out. */
#define BOOT_US 50000

/* What a start leaves of the state before it: nothing that the rig itself keeps. */
static void forget_all(struct rig_state *rig)
{
    rig->offset_us = rig->setup.clock_start_us - rig->clock_us;
    rig->sequence = 0;
    rig->samples_dropped = 0;
    rig->status_due_us = rig->clock_us + STATUS_US;
    rig->boot_due_us = rig->clock_us;
    rig->motion_due_us = INT64_MAX;
    rig->turned_us = RIG_NEVER_US;
    rig->ramp = ramp_still(0);
    rig->preload_mn = 0;
    rig->batch_count = 0;
    wire_decoder_init(&rig->decoder, rig->decoder_buffer, sizeof rig->decoder_buffer);
}

struct rig_state *rig_state_new(const struct rig_setup *setup, rig_state_write write, void *context)
{
    struct rig_state *rig = calloc(1, sizeof *rig);
    if (rig == NULL)
        return NULL;
    rig->setup = *setup;
    rig->feeders = calloc(setup->feeder_count, sizeof *rig->feeders);
    rig->models = calloc(setup->feeder_count, sizeof *rig->models);
    rig->mounts = calloc(setup->feeder_count, sizeof *rig->mounts);
    if (rig->feeders == NULL || rig->models == NULL || rig->mounts == NULL) {
        rig_state_free(rig);
        return NULL;
    }
    memcpy(rig->feeders, setup->feeders, setup->feeder_count * sizeof *rig->feeders);
    rig->setup.feeders = rig->feeders;
    snprintf(rig->serial, sizeof rig->serial, "%s", setup->serial);
    rig->setup.serial = rig->serial;
    rig->write = write;
    rig->context = context;
    rig->boot = setup->boot;
    rig->sampling_since_us = INT64_MAX;
    forget_all(rig);
    return rig;
}

/* Samples that wait for their frame and will never have one. */
static void tell_lost_samples(const struct rig_state *rig)
{
    const struct rig_samples lost = {.samples = rig->batch,
                                     .count = rig->batch_count,
                                     .time_us = rig->batch_us,
                                     .rig_us = rig->batch_us + rig->offset_us};
    if (lost.count > 0 && rig->observer.sampled != NULL)
        rig->observer.sampled(rig->observer.context, &lost);
}

void rig_state_free(struct rig_state *rig)
{
    if (rig == NULL)
        return;
    tell_lost_samples(rig);
    free(rig->runs);
    free(rig->mounts);
    free(rig->models);
    free(rig->feeders);
    free(rig);
}

/* ---- what is told ---- */

void rig_state_observe(struct rig_state *rig, const struct rig_observer *observer)
{
    rig->observer = *observer;
    struct rig_happening h = {.kind = RIG_POWER_ON, .boot = rig->boot};
    if (rig->boot_due_us != INT64_MAX)
        rig_state_tell(rig, &h);
}

int64_t rig_state_time_us(const struct rig_state *rig)
{
    return rig->clock_us;
}

int64_t rig_state_clock_us(const struct rig_state *rig)
{
    return rig->clock_us + rig->offset_us;
}

int64_t rig_state_sampling_since_us(const struct rig_state *rig)
{
    return rig->sampling_since_us;
}

uint16_t rig_state_sequence(const struct rig_state *rig)
{
    return rig->sequence;
}

void rig_state_tell(struct rig_state *rig, struct rig_happening *h)
{
    h->time_us = rig->clock_us;
    h->rig_us = rig_state_clock_us(rig);
    if (rig->observer.happened != NULL)
        rig->observer.happened(rig->observer.context, h);
}

void rig_state_end_sampling(struct rig_state *rig, const char *word)
{
    struct rig_happening h = {.kind = RIG_SAMPLING_ENDED, .word = word};
    if (rig->rate_millihertz == 0)
        return;
    rig->rate_millihertz = 0;
    rig_state_tell(rig, &h);
}

/* ---- faults of the rig itself ---- */

void rig_state_reboot(struct rig_state *rig)
{
    tell_lost_samples(rig);
    rig_motion_cut(rig, "reboot");
    rig_state_end_sampling(rig, "reboot");
    rig->boot++;
    forget_all(rig);
    rig->boot_due_us = rig->clock_us + BOOT_US;
    struct rig_happening h = {.kind = RIG_POWER_ON, .boot = rig->boot};
    rig_state_tell(rig, &h);
}

void rig_state_set_flag(struct rig_state *rig, enum wire_flag flag, bool on)
{
    const bool was = (rig->flags & flag) != 0;
    rig->flags = (uint8_t)(on ? rig->flags | flag : rig->flags & ~flag);
    if (!on || was || rig->boot_due_us != INT64_MAX || flag == WIRE_FLAG_OVER_RANGE)
        return; /* what is over range is for the limits to judge */
    const bool stop = flag == WIRE_FLAG_EMERGENCY_STOP;
    const bool driver = flag == WIRE_FLAG_DRIVER_FAULT;
    rig_motion_cut(rig, stop ? "emergency-stop" : driver ? "driver-fault" : "limit-switch");
    rig_frames_event(rig,
                     stop     ? WIRE_EVENT_EMERGENCY_STOP
                     : driver ? WIRE_EVENT_DRIVER_FAULT
                              : WIRE_EVENT_LIMIT_SWITCH,
                     0);
}

/* ---- hands ---- */

void rig_state_hang(struct rig_state *rig, double force_n)
{
    rig_frames_flush(rig); /* samples before go out before anybody is told that it hangs */
    rig->hung_n = force_n;
    if (rig->mounted)
        rig->models[rig->feeder].hung_n = force_n;
}

double rig_state_measure_mm(struct rig_state *rig)
{
    const double now_mm = rig->mounted ? rig->models[rig->feeder].filament_mm : 0;
    const double travelled_mm = rig->travel_mm + now_mm;
    rig->travel_mm = -now_mm;
    return travelled_mm;
}

static bool set_hands(struct rig_state *rig, const struct bench_hands *hands, char *why, size_t size)
{
    if (!bench_hands_check(hands, rig->feeders, rig->setup.feeder_count, why, size))
        return false;
    rig->hands = *hands;
    return true;
}

bool rig_state_set_end(struct rig_state *rig, enum model_end end, double value, char *why, size_t size)
{
    struct bench_hands hands = rig->hands;
    hands.end_set = true;
    hands.end = end;
    hands.brake_n = value;
    hands.temperature_c = value;
    return set_hands(rig, &hands, why, size);
}

bool rig_state_set_tube(struct rig_state *rig, double bend_rad, char *why, size_t size)
{
    struct bench_hands hands = rig->hands;
    hands.tube_set = true;
    hands.bend_rad = bend_rad;
    return set_hands(rig, &hands, why, size);
}

void rig_state_clean(struct rig_state *rig)
{
    rig->hands.clean = true;
}

/* ---- time ---- */

int64_t rig_state_watchdog_due_us(const struct rig_state *rig)
{
    if (!rig->armed && rig->rate_millihertz == 0)
        return INT64_MAX;
    return rig->heard_us + RIG_STATE_WATCHDOG_US;
}

static void trip_watchdog(struct rig_state *rig)
{
    rig_motion_cut(rig, "watchdog");
    rig_state_end_sampling(rig, "watchdog");
    rig_frames_event(rig, WIRE_EVENT_WATCHDOG, (int32_t)((rig->clock_us - rig->heard_us) / 1000));
}

static void finish_start(struct rig_state *rig)
{
    rig->boot_due_us = INT64_MAX;
    rig_frames_event(rig, WIRE_EVENT_BOOT, (int32_t)(rig->boot & 0x7FFFFFFFu));
}

void rig_state_advance(struct rig_state *rig, int64_t time_us)
{
    for (;;) {
        /* What is due first; in the order of this list where several are due at once. */
        const struct {
            int64_t due_us;
            void (*act)(struct rig_state *);
        } list[] = {{rig->boot_due_us, finish_start},
                    {rig->rate_millihertz > 0 ? rig->sample_due_us : INT64_MAX, rig_sampling_take},
                    {rig->motion_due_us, rig_motion_finish},
                    {rig_state_watchdog_due_us(rig), trip_watchdog},
                    {rig->status_due_us, rig_frames_status},
                    {rig->batch_count > 0 ? rig->flush_due_us : INT64_MAX, rig_frames_flush}};
        size_t first = 0;
        for (size_t i = 1; i < sizeof list / sizeof list[0]; i++)
            if (list[i].due_us < list[first].due_us)
                first = i;
        if (list[first].due_us > time_us)
            break;
        rig->clock_us = list[first].due_us;
        if (list[first].act == rig_frames_status)
            rig->status_due_us += STATUS_US;
        list[first].act(rig);
    }
    if (time_us > rig->clock_us)
        rig->clock_us = time_us;
}

void rig_state_receive(struct rig_state *rig, int64_t time_us, const uint8_t *bytes, size_t length)
{
    rig_state_advance(rig, time_us);
    if (rig->boot_due_us != INT64_MAX)
        return; /* not yet listening */
    while (length > 0) {
        struct wire_frame frame;
        enum wire_error result;
        const size_t taken = wire_decoder_feed(&rig->decoder, bytes, length, &result, &frame);
        bytes += taken;
        length -= taken;
        /* Our own frames coming back over a looped line are no sign of a living host. */
        if (result != WIRE_OK || frame.type >= 0x80)
            continue;
        rig->heard_us = rig->clock_us;
        rig->frames_heard++;
        rig_commands_obey(rig, &frame);
        /* What this command made due now happens before the next command, however the bytes are cut. */
        rig_state_advance(rig, rig->clock_us);
    }
}

uint64_t rig_state_frames_heard(const struct rig_state *rig)
{
    return rig->frames_heard;
}

size_t rig_state_run_count(const struct rig_state *rig)
{
    return rig->run_count;
}

const struct rig_run *rig_state_run(const struct rig_state *rig, size_t i)
{
    return i < rig->run_count ? &rig->runs[i] : NULL;
}

uint64_t rig_state_runs_changed(const struct rig_state *rig)
{
    return rig->runs_changed;
}
