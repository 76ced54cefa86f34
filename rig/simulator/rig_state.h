/* A simulated rig as a machine of bytes and time: host bytes in, rig bytes out, the time as an argument. No
 * I/O, no clock of its own: with the same setup and the same bytes at the same times it gives the same bytes,
 * however finely the time is cut. What it does is written in rig/wire/README.md. */
#ifndef RIG_SIMULATOR_RIG_STATE_H
#define RIG_SIMULATOR_RIG_STATE_H

#include "rig/model/model.h"
#include "rig/simulator/rig_happening.h"
#include "rig/simulator/rig_run.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define RIG_STATE_WATCHDOG_US 500000 /* of host silence, on the rig's clock */
#define RIG_STATE_FLUSH_US    20000  /* of the outside world: the longest that a sample waits for its batch */

struct rig_setup {
    uint64_t seed;
    uint32_t boot;
    uint32_t time_scale_milli; /* 1000: real time */
    uint32_t rate_max_millihertz;
    uint8_t protocol_major;
    const char *serial; /* at most 32 bytes */
    const struct model_parameters
        *feeders; /* copied; all with the same sensor and microsteps; at least one */
    size_t feeder_count;
    int64_t clock_start_us; /* the rig's own clock at power-on */
    bool limits_ignored;    /* the rig does not enforce its force, travel and time limits */
};

/* Takes one encoded frame. samples: how many samples it carries, 0 for other frames. Returns false when the
 * frame was dropped because there was no room. */
typedef bool (*rig_state_write)(void *context, const uint8_t *frame, size_t length, size_t samples);

struct rig_state;

/* Times here run from 0 on and never go back; the rig's own clock, which it tells, begins at clock_start_us
 * with each power-on. NULL when out of memory. rig_state_free tells the observer
 * of samples that have not gone out; NULL is fine. */
struct rig_state *rig_state_new(const struct rig_setup *setup, rig_state_write write, void *context);
void rig_state_free(struct rig_state *rig);

/* Let the rig's clock run to time_us (a time before the present one counts as the present). */
void rig_state_advance(struct rig_state *rig, int64_t time_us);
/* Let it run to time_us and take bytes from the host there. */
void rig_state_receive(struct rig_state *rig, int64_t time_us, const uint8_t *bytes, size_t length);

/* Have everything that happens from now on told to observer (copied), beginning with the power-on that has
 * just been. */
void rig_state_observe(struct rig_state *rig, const struct rig_observer *observer);

/* Faults of the rig itself, at its present time. A brown-out: coils off, all that the rig keeps is lost,
 * another boot number, the clock begins anew; it hears and says nothing for 50 ms. What hands and hooks have
 * put on it stays. */
void rig_state_reboot(struct rig_state *rig);
/* Set or clear a flag of the samples to come. Emergency stop, driver fault and limit switch cut and are told
 * by an event when they come on, and keep the rig from being armed; over range shows the greatest count. */
void rig_state_set_flag(struct rig_state *rig, enum wire_flag flag, bool on);
/* Time at which sampling was first switched on, INT64_MAX before; it outlives reboots. */
int64_t rig_state_sampling_since_us(const struct rig_state *rig);
/* The rig's present time, its own clock then, and the sequence number of the frame it sends next. */
int64_t rig_state_time_us(const struct rig_state *rig);
int64_t rig_state_clock_us(const struct rig_state *rig);
uint16_t rig_state_sequence(const struct rig_state *rig);

/* What hands do at a rig, at its present time. Hang a dead weight of force_n newtons on the load cell in
 * place of what hung there; it stays over runs and mountings. */
void rig_state_hang(struct rig_state *rig, double force_n);
/* How far the filament has travelled at the nip since the last call, in mm, forward positive: what a perfect
 * caliper would read. Over all mountings; 0 before any. */
double rig_state_measure_mm(struct rig_state *rig);
/* Fit what the filament meets, in place of what was there: value is the load in N that a brake is set to, or
 * the temperature in C of a hot end. Fit a guide tube bent by bend_rad in all, 0: none. Clean the drive gear.
 * All of it holds from the next arming on, for whichever feeder is mounted then. False when a feeder of this
 * rig cannot be simulated so; then nothing changes, and why (of size bytes) says the reason. */
bool rig_state_set_end(struct rig_state *rig, enum model_end end, double value, char *why, size_t size);
bool rig_state_set_tube(struct rig_state *rig, double bend_rad, char *why, size_t size);
void rig_state_clean(struct rig_state *rig);

/* Rig time at which the watchdog trips if nothing is heard; INT64_MAX when it does not run. */
int64_t rig_state_watchdog_due_us(const struct rig_state *rig);
/* Valid host frames seen so far. */
uint64_t rig_state_frames_heard(const struct rig_state *rig);

/* Runs so far, and a number that changes whenever one of them does. The pointer is valid until the rig goes
 * on. */
size_t rig_state_run_count(const struct rig_state *rig);
const struct rig_run *rig_state_run(const struct rig_state *rig, size_t i);
uint64_t rig_state_runs_changed(const struct rig_state *rig);

#endif
