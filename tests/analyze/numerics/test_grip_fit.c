#include "analyze/numerics/grip_fit.h"

#include "analyze/numerics/quantity.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static const double LADDER[] = {27.3, 41.9, 56.1, 71.7, 86.2, 99.8, 113.4};
#define LOADS 7
#define MOST  64

static double preload[MOST], stall[MOST];
static enum grip_fit_label labels[MOST];
static size_t n;

static void begin(void)
{
    quantity_init_numerics();
    n = 0;
}

TestSuite(grip_fit, .init = begin);

static void series(uint64_t seed, int blocks, double mu, double intercept_n, double saturated_n,
                   double motor_n, double grip_sd, double motor_sd)
{
    struct model_random r = {seed};
    n = 0;
    for (int i = 0; i < blocks * LOADS; i++) {
        double grip = fmin(intercept_n + mu * LADDER[i % LOADS], saturated_n);
        double motor = motor_n * (1 + motor_sd * model_random_normal(&r));
        grip *= 1 + grip_sd * model_random_normal(&r);
        preload[n] = LADDER[i % LOADS];
        labels[n] = grip < motor ? GRIP_FIT_GRIP : GRIP_FIT_MOTOR;
        stall[n++] = fmin(grip, motor);
    }
}

static struct grip_fit fit(void)
{
    struct grip_fit f;
    struct err e = {0};
    cr_assert_eq(grip_fit(preload, stall, labels, n, &f, &e), ERR_OK, "%s", e.text);
    return f;
}

static bool holds(const struct grip_fit_value *v, double truth)
{
    return v->found && fabs(v->value - truth) < quantity_t_975(v->degrees_of_freedom) * v->standard_error;
}

Test(grip_fit, motor_above_a_rising_grip_holds_in_95_of_100)
{
    int mu = 0, motor = 0, best = 0;
    for (int k = 0; k < 400; k++) {
        series(40 + (uint64_t)k, 3, 1.137, 0, INFINITY, 84.3, 0.013, 0.007);
        struct grip_fit f = fit();
        cr_assert_eq(f.top, GRIP_FIT_TOP_MOTOR, "series %d", k);
        mu += holds(&f.coefficient, 1.137);
        motor += holds(&f.top_n, 84.3);
        best += holds(&f.best_preload_n, 84.3 / 1.137);
    }
    cr_expect(mu >= 369 && mu <= 391, "%d", mu);
    cr_expect(motor >= 369 && motor <= 391, "%d", motor);
    cr_expect(best >= 369 && best <= 391, "%d", best);
}

Test(grip_fit, saturated_grip_is_told_from_a_motor)
{
    int level = 0, best = 0;
    for (int k = 0; k < 400; k++) {
        series(7000 + (uint64_t)k, 3, 0.953, 0, 74.9, 200, 0.013, 0.007);
        struct grip_fit f = fit();
        cr_assert_eq(f.top, GRIP_FIT_TOP_SATURATED, "series %d", k);
        level += holds(&f.saturated_n, 74.9);
        best += holds(&f.best_preload_n, 74.9 / 0.953);
        cr_expect_float_eq(grip_fit_at(&f, 200, NULL), f.saturated_n.value, 1e-9);
    }
    cr_expect(level >= 369 && level <= 391, "%d", level);
    cr_expect(best >= 369 && best <= 391, "%d", best);
}

Test(grip_fit, grip_that_rises_all_the_way_has_no_top)
{
    int tops = 0, intercepts = 0;
    for (int k = 0; k < 300; k++) {
        series(88 + (uint64_t)k, 3, 0.953, 0, INFINITY, 400, 0.013, 0.007);
        struct grip_fit f = fit();
        tops += f.top != GRIP_FIT_NO_TOP;
        intercepts += f.intercept_n.found;
    }
    cr_expect(tops <= 12, "%d of 300", tops);
    cr_expect(intercepts <= 9, "%d of 300", intercepts);
}

Test(grip_fit, a_clear_intercept_is_kept)
{
    series(61, 3, 0.733, 19.7, INFINITY, 400, 0.008, 0.007);
    struct grip_fit f = fit();
    cr_assert(f.intercept_n.found);
    cr_expect(fabs(f.intercept_n.value - 19.7) < 3 * f.intercept_n.standard_error);
    cr_expect(fabs(f.coefficient.value - 0.733) < 3 * f.coefficient.standard_error);
    cr_expect_float_eq(grip_fit_at(&f, 60, NULL), 19.7 + 0.733 * 60, 1);
}

/* Left out, the pushes that the motor ended would leave only the weak ones of the grip near the top. */
Test(grip_fit, pushes_that_the_motor_ended_are_lower_bounds_of_the_grip)
{
    double with = 0, without = 0;
    for (int k = 0; k < 200; k++) {
        series(300 + (uint64_t)k, 3, 1.137, 0, INFINITY, 47.9, 0.03, 0.004);
        with += fit().coefficient.value / 200;
        size_t kept = 0;
        for (size_t i = 0; i < n; i++) {
            if (labels[i] != GRIP_FIT_GRIP)
                continue;
            preload[kept] = preload[i];
            stall[kept] = stall[i];
            labels[kept++] = GRIP_FIT_GRIP;
        }
        n = kept;
        struct grip_fit f;
        struct err e = {0};
        without +=
            grip_fit(preload, stall, labels, n, &f, &e) == ERR_OK ? f.coefficient.value / 200 : 1.137 / 200;
    }
    cr_expect(fabs(with - 1.137) < fabs(without - 1.137), "%g with, %g without", with, without);
    cr_expect_float_eq(with, 1.137, 0.01);
}

Test(grip_fit, pushes_by_the_motor_alone_give_no_coefficient)
{
    series(5, 2, 5.1, 0, INFINITY, 62.7, 0.01, 0.006);
    struct grip_fit f = fit();
    cr_expect(!f.coefficient.found && f.motor_n.found && f.top == GRIP_FIT_TOP_MOTOR);
    cr_expect(!f.best_preload_n.found);
    cr_expect(isnan(grip_fit_at(&f, 50, NULL)));
}

Test(grip_fit, one_preload_and_bounds_alone_are_refused)
{
    struct grip_fit f;
    struct err e = {0};
    series(5, 2, 1.1, 0, INFINITY, 400, 0.01, 0.006);
    for (size_t i = 0; i < n; i++)
        preload[i] = 41.9;
    cr_expect_eq(grip_fit(preload, stall, labels, n, &f, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "one preload only") != NULL, "%s", e.text);
    series(5, 2, 1.1, 0, INFINITY, 400, 0.01, 0.006);
    for (size_t i = 0; i < n; i++)
        labels[i] = GRIP_FIT_BOUND;
    cr_expect_eq(grip_fit(preload, stall, labels, n, &f, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "14 ended before they stalled") != NULL, "%s", e.text);
    stall[2] = NAN;
    cr_expect_eq(grip_fit(preload, stall, labels, n, &f, &e), ERR_NO_ANSWER);
}
