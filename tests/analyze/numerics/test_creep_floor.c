#include "analyze/numerics/creep_floor.h"

#include "analyze/numerics/quantity.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static const double PRELOADS[] = {31.3, 52.7, 77.1, 98.4, 121.9, 146.2};
#define N (sizeof PRELOADS / sizeof PRELOADS[0])

static double creep[N], u[N];

static void begin(void)
{
    quantity_init_numerics();
}

TestSuite(creep_floor, .init = begin);

static void make(uint64_t seed, double floor, double extra, double decay_n, double slope, double sd)
{
    struct model_random r = {seed};
    for (size_t i = 0; i < N; i++) {
        creep[i] =
            floor + extra * exp(-PRELOADS[i] / decay_n) + slope * PRELOADS[i] + sd * model_random_normal(&r);
        u[i] = sd > 0 ? sd : 1e-9;
    }
}

static struct creep_floor fit(void)
{
    struct creep_floor f;
    struct err e = {0};
    cr_assert_eq(creep_floor_fit(PRELOADS, creep, u, N, &f, &e), ERR_OK, "%s", e.text);
    return f;
}

Test(creep_floor, floor_and_the_preload_where_it_is_reached_hold_in_95_of_100)
{
    int floor = 0, reached = 0;
    double truth_n = 27.3 * log(0.00291 / (0.1 * 0.000437));
    for (int k = 0; k < 400; k++) {
        make(171 + (uint64_t)k, 0.000437, 0.00291, 27.3, 0, 9e-6);
        struct creep_floor f = fit();
        cr_assert_eq(f.model, CREEP_TO_FLOOR);
        floor += fabs(f.parameters[0] - 0.000437) < 1.96 * sqrt(f.covariance[0][0]);
        reached += fabs(f.reached_n - truth_n) < 1.96 * f.reached_standard_error_n;
    }
    cr_expect(floor >= 369 && floor <= 391, "%d of 400", floor);
    cr_expect(reached >= 369 && reached <= 391, "%d of 400", reached);
}

Test(creep_floor, creep_without_a_floor_in_reach_claims_none)
{
    int claimed = 0;
    for (int k = 0; k < 100; k++) {
        make(900 + (uint64_t)k, 0.000833, 0, 30, 0, 9e-6);
        claimed += fit().model != CREEP_CONSTANT;
    }
    cr_expect(claimed <= 30, "%d of 100", claimed); /* AIC: about one in six for one parameter more */
    make(4, 0.0018, 0, 30, -7.9e-6, 0);
    struct creep_floor f = fit();
    cr_expect_eq(f.model, CREEP_STRAIGHT);
    cr_expect_float_eq(f.parameters[1], -7.9e-6, 1e-9);
    cr_expect_float_eq(creep_floor_at(&f, 83.1, NULL), 0.0018 - 7.9e-6 * 83.1, 1e-9);
}

Test(creep_floor, fewer_than_five_preloads_are_refused)
{
    struct creep_floor f;
    struct err e = {0};
    make(1, 0.0004, 0.003, 27, 0, 1e-5);
    cr_expect_eq(creep_floor_fit(PRELOADS, creep, u, 4, &f, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "at least 5") != NULL, "%s", e.text);
    creep[2] = NAN;
    cr_expect_eq(creep_floor_fit(PRELOADS, creep, u, N, &f, &e), ERR_NO_ANSWER);
}
