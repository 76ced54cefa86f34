/* The inside of a simulated rig, for the files that make it up and for nobody else: rig_state.c (its life and
 * time), rig_commands.c, rig_motion.c, rig_sampling.c, rig_frames.c (frames out). */
#ifndef RIG_SIMULATOR_RIG_INSIDE_H
#define RIG_SIMULATOR_RIG_INSIDE_H

#include "rig/simulator/bench_hands.h"
#include "rig/simulator/ramp.h"
#include "rig/simulator/rig_state.h"
#include "rig/simulator/seed_of.h"
#include "rig/wire/frame.h"
#include "rig/wire/message.h"

/* Keeps positions inside 32 bits with room for one sample at full speed. */
#define POSITION_MAX_STEPS 2000000000.0

struct rig_state {
    struct rig_setup setup;
    struct model_parameters *feeders; /* with what hands had set up when each was last armed */
    struct model_state *models;       /* one for each feeder: it keeps its wear while it is off the rig */
    uint64_t *mounts;                 /* how often each was mounted */
    char serial[WIRE_TEXT_MAX + 1];
    rig_state_write write;
    void *context;

    struct rig_observer observer;

    int64_t clock_us;  /* since the program began; never goes back */
    int64_t offset_us; /* what the rig's own clock, which begins anew with each power-on, is ahead of it */
    uint32_t boot;
    int64_t boot_due_us;       /* INT64_MAX: started */
    int64_t turned_us;         /* clock_us when the motor last turned; RIG_NEVER_US */
    int64_t sampling_since_us; /* INT64_MAX: sampling was never on */
    uint8_t flags;             /* of each sample from now on */
    uint16_t sequence;
    uint32_t samples_dropped;
    int64_t status_due_us;
    int64_t heard_us;
    uint64_t frames_heard;
    struct wire_decoder decoder;
    uint8_t decoder_buffer[WIRE_ENCODED_MAX];

    bool mounted;
    size_t feeder;
    char feeder_name[WIRE_TEXT_MAX + 1];
    uint32_t preload_mn;
    double hung_n;
    struct bench_hands hands;
    double travel_mm; /* of the filament in the runs before the present one, since it was last measured */

    uint32_t rate_millihertz; /* 0: not sampling */
    int64_t sample_due_us;
    uint64_t sample_rest; /* what the sample grid still owes, in units of 1 us / rate */
    int64_t model_us;     /* time up to which the model has been stepped */
    struct wire_sample batch[WIRE_BATCH_MAX];
    size_t batch_count;
    int64_t batch_us; /* clock_us of the first */
    int64_t flush_due_us;

    bool armed;
    bool moving;
    bool stopping; /* the motion is a STOP */
    struct wire_arm limits;
    int64_t armed_us;
    struct ramp ramp;
    int64_t ramp_us;       /* when the ramp began */
    int64_t motion_due_us; /* when it ends; INT64_MAX: it goes on */

    struct rig_run *runs;
    size_t run_count;
    size_t run_capacity;
    bool run_counted; /* the armed run has moved and stands last in runs */
    uint64_t runs_changed;
};

/* ---- rig_state.c ---- */

/* Tell the observer, with the times filled in. */
void rig_state_tell(struct rig_state *rig, struct rig_happening *h);
/* Sampling ends, for the reason that word names; nothing when it is off. */
void rig_state_end_sampling(struct rig_state *rig, const char *word);

/* ---- rig_frames.c ---- */

/* Send what samples are waiting. */
void rig_frames_flush(struct rig_state *rig);
/* Everything but samples. The samples taken before go out first, so that frames stand in the order of time.
 */
void rig_frames_send(struct rig_state *rig, uint8_t type, const uint8_t *body, size_t length);
void rig_frames_event(struct rig_state *rig, enum wire_event_kind kind, int32_t value);
void rig_frames_status(struct rig_state *rig);
void rig_frames_identity(struct rig_state *rig);

/* ---- rig_motion.c ---- */

double rig_motion_seconds_since(const struct rig_state *rig, int64_t then_us);
double rig_motion_position_steps(const struct rig_state *rig);
double rig_motion_speed_steps_s(const struct rig_state *rig);
void rig_motion_begin(struct rig_state *rig, const struct ramp *ramp);
/* Standing still at a position from now on, without a word to anybody. */
void rig_motion_stand(struct rig_state *rig, double position_steps);
/* The ramp has come to its end. */
void rig_motion_finish(struct rig_state *rig);
/* Coils off, disarmed; word says why. */
void rig_motion_cut(struct rig_state *rig, const char *word);

/* ---- rig_sampling.c ---- */

/* Begin a new grid of samples now, at the rate that is set. */
void rig_sampling_begin(struct rig_state *rig);
void rig_sampling_take(struct rig_state *rig);

/* ---- rig_commands.c ---- */

/* Carry a host's frame out and answer it. */
void rig_commands_obey(struct rig_state *rig, const struct wire_frame *frame);

#endif
