/* A rig with faults on a test bench: plays a session of a host at it, keeps the bytes that come out, the
 * truth that it tells, and what a receiver of the test's own finds in the bytes. */
#ifndef TESTS_RIG_SIMULATOR_FAULTY_BENCH_H
#define TESTS_RIG_SIMULATOR_FAULTY_BENCH_H

#include "rig/simulator/faulty_rig.h"
#include "rig/wire/message.h"

/* A whole frame as the receiver found it. */
struct found {
    uint8_t type;
    uint16_t sequence;
    size_t length;
    uint8_t body[WIRE_BODY_MAX];
};

struct kept_sample {
    struct wire_sample sample;
    int64_t time_us;
    int64_t rig_us;
    bool framed;
    uint16_t sequence;
};

struct faulty_bench {
    struct faulty_rig *faulty;
    struct model_parameters feeder;
    struct rig_setup setup;
    struct fault_plan plan;
    int64_t now_us;
    uint16_t sequence; /* of the next host frame */
    bool full;         /* the transmit buffer takes no samples */

    uint8_t *bytes; /* to the host */
    size_t byte_count;
    size_t burst_count;
    size_t cut_count;
    struct rig_happening *told;
    size_t told_count;
    struct kept_sample *samples;
    size_t sample_count;
    int64_t unplugged_us; /* when it was, -1: never */
    int64_t plugged_us;
    size_t bytes_at_plug;
};

/* faults: words as on the command line, NULL for none. */
struct faulty_bench *faulty_bench_new(uint64_t seed, const char *faults);
void faulty_bench_free(struct faulty_bench *b);

void faulty_bench_send(struct faulty_bench *b, uint8_t type, const uint8_t *body, size_t length);
void faulty_bench_configure(struct faulty_bench *b);
void faulty_bench_arm(struct faulty_bench *b);
void faulty_bench_move(struct faulty_bench *b, double microsteps_s);
/* Time passes in steps of step_us: in silence, or with a keep-alive every 100 ms. */
void faulty_bench_wait(struct faulty_bench *b, int64_t us, int64_t step_us);
void faulty_bench_run(struct faulty_bench *b, int64_t us, int64_t step_us);
/* Configure, arm, move on and on, for that long. */
void faulty_bench_session(struct faulty_bench *b, int64_t us, int64_t step_us);

/* Read the bytes from begin on; returns the frames found (free) and how many there are. */
struct found *faulty_bench_receive(const struct faulty_bench *b, size_t begin, size_t *count);
/* The n-th thing told of a kind, from 0 (with that word unless NULL); NULL: there are not so many. */
const struct rig_happening *faulty_bench_told(const struct faulty_bench *b, enum rig_happening_kind kind,
                                              const char *word, size_t n);
/* The first event of a kind among the frames; false without one. */
bool faulty_bench_event(const struct faulty_bench *b, uint8_t kind, struct wire_event *event);
/* Reason of the acknowledgement of that host frame; -1 without. */
int faulty_bench_reason(const struct faulty_bench *b, uint16_t sequence);

#endif
