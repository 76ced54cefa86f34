/* Serves a simulated bench of two separate instruments (pair_bench.h) on two pseudo-terminals. */
#ifndef RIG_SIMULATOR_PAIR_SERVE_H
#define RIG_SIMULATOR_PAIR_SERVE_H

#include "rig/base/err.h"
#include "rig/model/model.h"
#include "rig/simulator/pair_words.h"

#include <signal.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct pair_serve_order {
    struct pair_plan plan;
    uint64_t seed;
    const struct model_parameters *feeders;
    size_t feeder_count;
    const char *link; /* NULL, or the links are this with ".force" and ".feed" behind it */
    const char *log;  /* NULL, or one JSON object a line: time on CLOCK_MONOTONIC in us, event, value */
    bool hands;       /* obey lines on standard input */
    const volatile sig_atomic_t *stop_asked;
};

/* Until stop_asked. The first line on standard output is the gauge's port, the second the controller's.
 * SIGINT and SIGTERM must be caught already; they are blocked except while waiting. ERR_SYSTEM, ERR_MEMORY or
 * ERR_USAGE (a link that is something else). */
enum err_code pair_serve(const struct pair_serve_order *order, struct err *e);

#endif
