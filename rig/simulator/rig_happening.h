/* What happens at a simulated rig, told as it happens to whoever keeps the truth: the log and the tests. */
#ifndef RIG_SIMULATOR_RIG_HAPPENING_H
#define RIG_SIMULATOR_RIG_HAPPENING_H

#include "rig/wire/message.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum rig_happening_kind {
    RIG_POWER_ON,
    RIG_CONFIGURED,
    RIG_SAMPLING_ENDED,
    RIG_ARMED,
    RIG_MOVE,
    RIG_STOP,
    RIG_STANDING,
    RIG_CUT,
    RIG_FAULT
};

enum rig_phase { RIG_PHASE_NONE, RIG_PHASE_BEGINS, RIG_PHASE_ENDS };

#define RIG_NEVER_US INT64_MIN

/* Fields that the kind does not name are 0. */
struct rig_happening {
    enum rig_happening_kind kind;
    int64_t time_us;  /* simulated time since the program began; never goes back, whatever the rig does */
    int64_t rig_us;   /* the rig's own clock, 64 bits */
    const char *word; /* sampling ended, cut: why; standing: what ended the motion; fault: which. Static */
    bool has_sequence;
    uint16_t sequence;  /* configured, armed, move, stop: of the acknowledgement; fault: of the frame hit, or
                           of the next frame when a timed fault begins or ends */
    uint32_t boot;      /* power on */
    const char *feeder; /* configured; valid during the call only */
    uint32_t sample_rate_millihertz; /* configured */
    struct wire_arm limits;          /* armed */
    struct wire_move move;           /* move */
    int32_t commanded_steps;         /* move, stop, standing, cut */
    bool was_armed;                  /* cut */
    bool was_moving;                 /* cut */
    int64_t turned_us;               /* standing, cut: rig's clock when the motor last turned since power-on;
                                        RIG_NEVER_US */
    enum rig_phase phase;            /* timed fault */
    unsigned arrived;                /* frame hit: how many whole copies of it the line carries */
    size_t noise_bytes;              /* noise */
    bool host_frame;                 /* the frame hit came from the host; then type is its type */
    uint8_t type;
};

/* Samples that the rig took, at the latest when their frame goes out. */
struct rig_samples {
    const struct wire_sample *samples;
    size_t count;
    int64_t time_us; /* of the first, as in struct rig_happening */
    int64_t rig_us;
    bool framed; /* false: the rig lost them before they were put into a frame */
    uint16_t sequence;
};

struct rig_observer {
    void *context;
    void (*happened)(void *context, const struct rig_happening *h); /* may be NULL */
    void (*sampled)(void *context, const struct rig_samples *s);    /* may be NULL */
};

#endif
