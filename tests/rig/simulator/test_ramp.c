#include "rig/simulator/ramp.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>

static double uniform(uint64_t *state, double low, double high)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return low + (high - low) * (double)(*state >> 11) / 9007199254740992.0;
}

Test(ramp, travel_is_exact_whatever_speed_and_acceleration)
{
    uint64_t state = 4711;
    printf("seed 4711\n");
    for (int i = 0; i < 2000; i++) {
        const double start = nearbyint(uniform(&state, -1e6, 1e6));
        const double speed = uniform(&state, 1, 60000) * (i % 2 ? -1 : 1);
        const double acceleration = uniform(&state, 10, 1e6);
        const double travel = nearbyint(uniform(&state, 1, 40000));
        struct ramp r;
        cr_assert(ramp_move(start, 0, speed, acceleration, travel, &r));
        const double end_s = ramp_duration_s(&r);
        const double expected = start + copysign(travel, speed);
        cr_assert_eq(ramp_position_steps(&r, end_s), expected);
        cr_assert_float_eq(ramp_position_steps(&r, end_s * (1 - 1e-12)), expected, 1e-3);
        cr_assert_eq(ramp_speed_steps_s(&r, end_s), 0.0);
        cr_assert(fabs(r.cruise_steps_s) <= fabs(speed) * (1 + 1e-12));
    }
}

Test(ramp, position_is_the_integral_of_speed)
{
    static const struct {
        const char *legend;
        double now, speed, acceleration, travel;
    } cases[] = {{"from rest", 0, 1234.5, 9876, 5000},
                 {"backward", 0, -1234.5, 9876, 5000},
                 {"no room for full speed", 0, 5000, 3000, 700},
                 {"faster while moving", 300.25, 2000, 4000, 3000},
                 {"slower while moving", 2000, 300.25, 4000, 3000},
                 {"turning round", -1500.5, 800, 2500, 2000},
                 {"turning round without room", -1500.5, 8000, 2500, 2000},
                 {"moving and no room for full speed", 900, 5000, 3000, 700}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        struct ramp r;
        const double start = 17;
        cr_assert(ramp_move(start, cases[c].now, cases[c].speed, cases[c].acceleration, cases[c].travel, &r),
                  "%s", cases[c].legend);
        const int steps = 20000;
        const double dt_s = ramp_duration_s(&r) / steps;
        double position = start;
        double before = ramp_speed_steps_s(&r, 0);
        cr_expect_float_eq(before, cases[c].now, 1e-9, "%s", cases[c].legend);
        for (int i = 1; i <= steps; i++) {
            const double speed = ramp_speed_steps_s(&r, i * dt_s);
            cr_assert(fabs(speed - before) <= cases[c].acceleration * dt_s * 1.001 + 1e-9,
                      "%s: jump of speed", cases[c].legend);
            position += (speed + before) / 2 * dt_s;
            before = speed;
            cr_assert_float_eq(ramp_position_steps(&r, i * dt_s), position, 0.05, "%s at %d", cases[c].legend,
                               i);
        }
        cr_expect_float_eq(position, start + copysign(cases[c].travel, cases[c].speed), 0.05, "%s",
                           cases[c].legend);
    }
}

Test(ramp, travel_too_short_to_brake_in_is_refused)
{
    struct ramp r = ramp_still(5);
    /* From 1000 steps/s with 2000 steps/s2 braking takes 250 steps. */
    cr_expect_not(ramp_move(0, 1000, 1500, 2000, 249, &r));
    cr_expect_not(ramp_move(0, 1000, 400, 2000, 249, &r));
    cr_expect_eq(r.end_steps, 5);
    cr_expect(ramp_move(0, 1000, 1500, 2000, 250, &r));
    cr_expect(ramp_move(0, 1000, 400, 2000, 250, &r));
}

Test(ramp, without_travel_it_goes_on_until_stopped)
{
    struct ramp r;
    cr_assert(ramp_move(0, 0, -700, 3500, 0, &r));
    cr_expect(isinf(ramp_duration_s(&r)));
    cr_expect_float_eq(ramp_speed_steps_s(&r, 1e5), -700, 1e-9);
    const double at = ramp_position_steps(&r, 10.1);
    cr_expect_float_eq(at, -700 * 10.1 + 70, 1e-6);
    const struct ramp s = ramp_stop(at, -700, 3500);
    cr_expect_float_eq(ramp_duration_s(&s), 0.2, 1e-12);
    cr_expect_float_eq(ramp_position_steps(&s, 0.1), at - 52.5, 1e-6);
    cr_expect_eq(ramp_position_steps(&s, 0.2), nearbyint(at - 70));
}

Test(ramp, standing_still_stays)
{
    const struct ramp r = ramp_still(-31);
    cr_expect_eq(ramp_duration_s(&r), 0.0);
    cr_expect_eq(ramp_position_steps(&r, 0), -31.0);
    cr_expect_eq(ramp_position_steps(&r, 99.5), -31.0);
    cr_expect_eq(ramp_speed_steps_s(&r, 0), 0.0);
}
