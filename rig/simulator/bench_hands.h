/* What a person has set up at the bench by hand: what the filament meets, the guide tube, a clean gear. It
 * holds from the next arming on, for whichever feeder is mounted then; what no hand was laid on stays as each
 * feeder's own file has it. */
#ifndef RIG_SIMULATOR_BENCH_HANDS_H
#define RIG_SIMULATOR_BENCH_HANDS_H

#include "rig/model/model.h"

#include <stdbool.h>
#include <stddef.h>

struct bench_hands {
    bool end_set;
    enum model_end end;
    double brake_n;       /* of a brake */
    double temperature_c; /* of a hot end */
    bool tube_set;
    double bend_rad; /* 0: no tube. Its friction and clearance are those of the feeder's file */
    bool clean;      /* the gear is clean when it is next armed; once only */
};

/* The feeder's parameters with what hands have set. */
struct model_parameters bench_hands_on(const struct bench_hands *h, const struct model_parameters *p);

/* Whether every feeder can be simulated so. When not, why (of size bytes) says it, with the feeder's name. */
bool bench_hands_check(const struct bench_hands *h, const struct model_parameters *feeders, size_t count,
                       char *why, size_t size);

#endif
