/* The rig's clock as a function of the clock outside. Pure: both times come in as arguments.
 *
 * The rig's clock runs time_scale times as fast as the one outside, but it waits in two cases. One
 * microsecond before the watchdog would trip it waits until the host has been silent for 500 ms of the
 * outside world, so that a sped-up rig is no harder on a host than a real one. And a program that was
 * suspended goes on where it was. */
#ifndef RIG_SIMULATOR_PACE_H
#define RIG_SIMULATOR_PACE_H

#include <stdint.h>

#define PACE_PATIENCE_US 500000  /* of the outside world */
#define PACE_CATCH_UP_US 1000000 /* more than this since the last look is taken for a suspended program */

struct pace {
    int64_t scale_billionth; /* rig seconds per second outside */
    int64_t outside_us;      /* at the last look */
    int64_t rig_us;
    int64_t remainder; /* of the division by a thousand million, so that no time is lost to rounding */
    int64_t heard_us;  /* outside time of the last valid host frame */
};

/* Rig clock at 0 at outside_us. scale_milli: 1000 for real time, at most 1,000,000; ppm: how much faster than
 * that the rig's clock runs, -1000 to 1000. */
struct pace pace_start(int64_t outside_us, int64_t scale_milli, double ppm);

/* A valid host frame has been seen. */
void pace_heard(struct pace *p, int64_t outside_us);

/* The rig's clock at outside_us (not before the last look), with the watchdog due at that rig time
 * (INT64_MAX when it does not run). Never goes back. */
int64_t pace_rig_us(struct pace *p, int64_t outside_us, int64_t watchdog_due_us);

#endif
