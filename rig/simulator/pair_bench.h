/* A simulated bench of two separate instruments in front of one feeder: a force gauge that writes text and a
 * motion controller that takes G-code. Pure: bytes and time in, bytes out through callbacks. */
#ifndef RIG_SIMULATOR_PAIR_BENCH_H
#define RIG_SIMULATOR_PAIR_BENCH_H

#include "rig/model/model.h"
#include "rig/simulator/pair_words.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct pair_bench_setup {
    struct pair_plan plan;
    uint64_t seed;
    const struct model_parameters *feeders; /* outlive the bench */
    size_t feeder_count;
    void *context;
    void (*from_gauge)(void *context, const char *bytes, size_t length);
    void (*from_controller)(void *context, const char *bytes, size_t length);
    /* What happens, in a word: "run" (value: the true stall force in N), "moving" and "standing" (value: the
     * controller's position in mm). */
    void (*happened)(void *context, int64_t time_us, const char *what, double value);
};

struct pair_bench;

/* The first feeder is mounted. NULL when out of memory. Times run from 0 on and never go back. */
struct pair_bench *pair_bench_new(const struct pair_bench_setup *setup);
void pair_bench_free(struct pair_bench *bench);

void pair_bench_advance(struct pair_bench *bench, int64_t time_us);
void pair_bench_to_gauge(struct pair_bench *bench, const char *bytes, size_t length);
void pair_bench_to_controller(struct pair_bench *bench, const char *bytes, size_t length);

/* A line of hands: "hang NEWTONS" or "mount FEEDER"; the answer in a few words. */
void pair_bench_hands(struct pair_bench *bench, const char *line, char *answer, size_t size);

#endif
