/* A rig on a test bench: sends it frames at times of the test's choosing and keeps what comes out. */
#ifndef TESTS_RIG_SIMULATOR_RIG_BENCH_H
#define TESTS_RIG_SIMULATOR_RIG_BENCH_H

#include "rig/simulator/rig_state.h"
#include "rig/wire/message.h"

/* What came out of the rig, frame by frame. */
struct heard {
    uint8_t type;
    uint16_t sequence;
    size_t samples_before; /* samples that had come when it came */
    int64_t at_us;         /* rig time at which the test had it */
    union {
        struct wire_identity identity;
        struct wire_ack ack;
        struct wire_event event;
        struct wire_status status;
    } as;
};

struct bench {
    struct rig_state *rig;
    struct model_parameters feeders[3];
    struct rig_setup setup;
    int64_t now_us;
    uint16_t sequence;
    bool refuse_samples; /* the transmit buffer is full */
    struct heard *frames;
    size_t frame_count;
    struct wire_sample *samples;
    size_t sample_count;
    uint8_t *bytes;
    size_t byte_count;
};

/* A bench with the default feeder under the names gear-a, gear-b, gear-c; change b->feeders and b->setup
 * before bench_start. */
struct bench *bench_new(uint64_t seed, size_t feeders);
void bench_start(struct bench *b);
void bench_free(struct bench *b);

/* Let the rig's time pass: in silence, or with a keep-alive every 100 ms as a host does it. */
void bench_wait_us(struct bench *b, int64_t us);
void bench_run_us(struct bench *b, int64_t us);

/* Send a frame; returns its sequence number. bench_command returns the reason of its acknowledgement, -1
 * without. */
uint16_t bench_send(struct bench *b, uint8_t type, const uint8_t *body, size_t length);
int bench_command(struct bench *b, uint8_t type, const uint8_t *body, size_t length);
int bench_configure(struct bench *b, uint32_t rate_millihertz, const char *feeder);
int bench_arm(struct bench *b, int32_t low_counts, int32_t high_counts, uint32_t travel_microsteps,
              uint32_t time_ms);
int bench_arm_wide(struct bench *b);
int bench_move(struct bench *b, double microsteps_s, uint32_t acceleration, uint32_t travel_microsteps);

/* The latest frame of a type, the first event of a kind; NULL when there is none. */
struct heard *bench_last(struct bench *b, uint8_t type);
struct heard *bench_first_event(struct bench *b, uint8_t kind);

/* Force of a sample by the first feeder's gain and zero. */
double bench_force_n(const struct bench *b, size_t sample);

#endif
