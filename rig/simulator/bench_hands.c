#include "rig/simulator/bench_hands.h"

#include <stdio.h>

struct model_parameters bench_hands_on(const struct bench_hands *h, const struct model_parameters *p)
{
    struct model_parameters set = *p;
    if (h->end_set)
        set.fixture.end = h->end;
    if (h->end_set && h->end == MODEL_END_BRAKE)
        set.fixture.brake_n = h->brake_n;
    if (h->end_set && h->end == MODEL_END_HOT)
        set.hot_end.temperature_c = h->temperature_c;
    if (h->tube_set)
        set.tube.bend_rad = h->bend_rad;
    return set;
}

bool bench_hands_check(const struct bench_hands *h, const struct model_parameters *feeders, size_t count,
                       char *why, size_t size)
{
    for (size_t i = 0; i < count; i++) {
        const struct model_parameters set = bench_hands_on(h, &feeders[i]);
        const char *problem = model_check(&set);
        /* The model takes a hot end without a load line for a blocked end, which nobody asks for by hand. */
        if (problem == NULL && h->end_set && h->end == MODEL_END_HOT && !(set.hot_end.exponent > 0))
            problem = "its file has no hot_end.exponent, so no hot end";
        if (problem != NULL) {
            snprintf(why, size, "feeder %s: %s", set.name, problem);
            return false;
        }
    }
    return true;
}
