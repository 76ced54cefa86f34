#include "rig/simulator/pace.h"

#include <math.h>

#define BILLION 1000000000

struct pace pace_start(int64_t outside_us, int64_t scale_milli, double ppm)
{
    return (struct pace){.scale_billionth = llround((double)scale_milli * (1e6 + ppm)),
                         .outside_us = outside_us,
                         .heard_us = outside_us};
}

void pace_heard(struct pace *p, int64_t outside_us)
{
    p->heard_us = outside_us;
}

int64_t pace_rig_us(struct pace *p, int64_t outside_us, int64_t watchdog_due_us)
{
    int64_t passed_us = outside_us - p->outside_us;
    p->outside_us = outside_us;
    if (passed_us > PACE_CATCH_UP_US)
        passed_us = PACE_CATCH_UP_US;
    /* At most 1e6 us times 1.001e12: far from the end of 64 bits. */
    const int64_t scaled = passed_us * p->scale_billionth + p->remainder;
    int64_t rig_us = p->rig_us + scaled / BILLION;
    p->remainder = scaled % BILLION;
    if (rig_us >= watchdog_due_us && outside_us - p->heard_us < PACE_PATIENCE_US) {
        rig_us = watchdog_due_us - 1;
        p->remainder = 0;
    }
    if (rig_us > p->rig_us)
        p->rig_us = rig_us;
    return p->rig_us;
}
