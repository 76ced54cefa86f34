/* The rig's clock against the host's, from frames that arrive late by chance. */
#include "capture/clock_rate.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>

/* Frames every 20 ms of a rig whose clock is fast by ppm, each late by 0.3 ms and a random part of up to
 * jitter_us, now and then by much more, as when the host was busy. */
static void feed(struct clock_rate *c, double ppm, double seconds, double jitter_us, unsigned seed)
{
    unsigned short state[3] = {0x330E, (unsigned short)seed, (unsigned short)(seed >> 16)};
    clock_rate_begin(c);
    for (int64_t rig_us = 20000; (double)rig_us < seconds * 1e6; rig_us += 20000) {
        double late_us = 300 + jitter_us * erand48(state) + (erand48(state) < 0.03 ? 7100 : 0);
        clock_rate_add(c, rig_us, 991337 + (int64_t)((double)rig_us / (1 + ppm * 1e-6) + late_us));
    }
}

Test(clock_rate, the_difference_is_found_within_its_uncertainty)
{
    static const double PPM[] = {200, -200, 0, 37.5, -913};
    int within = 0;
    int n = 0;
    for (unsigned seed = 1; seed <= 40; seed++) {
        for (size_t i = 0; i < sizeof PPM / sizeof PPM[0]; i++) {
            struct clock_rate c;
            double ppm, u;
            feed(&c, PPM[i], 15.3, 900, seed * 7919);
            cr_assert(clock_rate_result(&c, &ppm, &u));
            cr_expect_lt(fabs(ppm - PPM[i]), 40, "seed %u: %g for %g", seed, ppm, PPM[i]);
            within += fabs(ppm - PPM[i]) <= 2.16 * u; /* 95 % of Student's t with 13 degrees of freedom */
            n++;
        }
    }
    /* 95 % expected of 200; the least delays are not normal, hence the room. */
    cr_expect_geq(within, 180, "%d of %d", within, n);
}

Test(clock_rate, a_short_run_has_no_answer)
{
    struct clock_rate c;
    double ppm, u;
    feed(&c, 200, 4.9, 900, 11);
    cr_expect_not(clock_rate_result(&c, &ppm, &u));
    cr_expect(isnan(ppm) && isnan(u));
    clock_rate_begin(&c);
    cr_expect_not(clock_rate_result(&c, &ppm, &u));
}

Test(clock_rate, seconds_without_a_frame_are_left_out)
{
    struct clock_rate c;
    double ppm, u;
    clock_rate_begin(&c);
    for (int64_t rig_us = 20000; rig_us < 20000000; rig_us += 20000) {
        if (rig_us > 6000000 && rig_us < 11000000)
            continue;
        clock_rate_add(&c, rig_us, (int64_t)((double)rig_us / (1 + 150e-6)) + rig_us % 7);
    }
    cr_assert(clock_rate_result(&c, &ppm, &u));
    cr_expect_float_eq(ppm, 150, 2, "%g", ppm);
}
