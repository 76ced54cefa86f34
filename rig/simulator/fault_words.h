/* The faults that a simulated rig is told to have, read from words as they stand on the command line:
 *
 *     missing=P repeated=P reordered=P corrupted=P split=P noise=P    shares of the rig's frames, 0 to 1
 *     host-missing=P host-corrupted=P                                 shares of the host's frames
 *     reboot@T  unplugged@T+D  severed@T+D  deaf@T+D  mute@T+D  over-range@T+D
 *     emergency-stop@T  driver-fault@T  limit-switch@T  each also with +D
 *     clock-start=US  clock-ppm=X  limits-ignored
 *
 * T and D in seconds on the rig's time, T since sampling was first switched on. */
#ifndef RIG_SIMULATOR_FAULT_WORDS_H
#define RIG_SIMULATOR_FAULT_WORDS_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Faults that hit a share of frames. */
enum fault_share {
    FAULT_MISSING,        /* never sent */
    FAULT_REPEATED,       /* sent twice */
    FAULT_REORDERED,      /* sent after the frame that follows */
    FAULT_CORRUPTED,      /* bits flipped, a byte lost or inserted, the delimiter damaged */
    FAULT_SPLIT,          /* sent in pieces some ms apart */
    FAULT_NOISE,          /* random bytes before the frame */
    FAULT_HOST_MISSING,   /* of the host's frames: lost on the way */
    FAULT_HOST_CORRUPTED, /* of the host's frames: damaged on the way */
    FAULT_SHARES
};

/* Faults at a time. */
enum fault_timed {
    FAULT_REBOOT,
    FAULT_UNPLUGGED, /* the port vanishes */
    FAULT_SEVERED,   /* the line carries nothing either way */
    FAULT_DEAF,      /* the rig hears nothing */
    FAULT_MUTE,      /* the host hears nothing */
    FAULT_EMERGENCY_STOP,
    FAULT_DRIVER_FAULT,
    FAULT_LIMIT_SWITCH,
    FAULT_OVER_RANGE,
    FAULT_TIMED
};

/* The words, indexed by the enums. */
extern const char *const FAULT_SHARE_WORDS[FAULT_SHARES];
extern const char *const FAULT_TIMED_WORDS[FAULT_TIMED];

#define FAULT_MOMENTS_MAX 256

/* A timed fault begins or ends. */
struct fault_moment {
    int64_t after_us; /* since sampling was first switched on */
    enum fault_timed fault;
    bool begins;
};

struct fault_plan {
    double share[FAULT_SHARES];
    struct fault_moment moments[FAULT_MOMENTS_MAX]; /* in the order of time */
    size_t moment_count;
    int64_t clock_start_us;
    double clock_ppm; /* how much faster the rig's clock runs than the one outside */
    bool limits_ignored;
};

/* Add what list says (words with commas between them) to *plan, which begins as all zero. ERR_USAGE names the
 * word that is wrong; *plan is then half changed. */
enum err_code fault_words_read(const char *list, struct fault_plan *plan, struct err *e);

#endif
