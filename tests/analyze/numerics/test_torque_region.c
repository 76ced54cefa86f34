/* Curves, ladders and scatter typed here; the truth is the formula itself. */
#include "analyze/numerics/quantity.h"
#include "analyze/numerics/torque_region.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#define POINTS_MOST 80

struct truth {
    double a, b, tau, flat, corner;
};

static double next_uniform(uint64_t *state)
{
    uint64_t z = *state += 0x9E3779B97F4A7C15u;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return ((double)((z ^ (z >> 31)) >> 11) + 0.5) / 9007199254740992.0;
}

static double next_normal(uint64_t *state)
{
    double radius = sqrt(-2 * log(next_uniform(state)));
    return radius * cos(2 * 3.14159265358979323846 * next_uniform(state));
}

static double falling(const struct truth *t, double w)
{
    double z2 = 1 + w * w * t->tau * t->tau;
    return t->a / sqrt(z2) - t->b * w / z2;
}

static double truth_nm(const struct truth *t, double w)
{
    return fmin(t->flat, falling(t, w));
}

static struct truth some_motor(double corner)
{
    struct truth t = {.a = 2.13, .b = 0.00047, .tau = 0.0021, .corner = corner};
    t.flat = falling(&t, corner);
    return t;
}

struct sweep {
    double w[POINTS_MOST], torque[POINTS_MOST], scale[POINTS_MOST];
    bool at_least[POINTS_MOST];
    size_t n;
};

/* Five pushes at each speed; scatter in proportion to the torque. grip_nm above 0: what grip holds. */
static void simulate(struct sweep *s, const struct truth *t, const double *speeds, size_t count,
                     double relative, double grip_nm, uint64_t *state)
{
    s->n = 0;
    for (size_t i = 0; i < count; i++) {
        for (int k = 0; k < 5; k++) {
            double grip = grip_nm > 0 ? grip_nm * (1 + 0.02 * next_normal(state)) : INFINITY;
            double motor = truth_nm(t, speeds[i]) * (1 + relative * next_normal(state));
            s->w[s->n] = speeds[i];
            s->at_least[s->n] = motor > grip;
            s->torque[s->n] = fmin(motor, grip);
            s->scale[s->n++] = truth_nm(t, speeds[i]) / t->flat;
        }
    }
}

static const double LADDER[] = {37, 113, 211, 347, 502, 691, 883, 1130};
#define LADDER_COUNT (sizeof LADDER / sizeof LADDER[0])

static struct torque_region *region_of(const struct sweep *s)
{
    struct torque_region *region;
    struct err e = {0};
    cr_assert_eq(torque_region_new(s->w, s->torque, s->at_least, s->scale, s->n, 0.95, &region, &e), ERR_OK,
                 "%s", e.text);
    return region;
}

static double flux_of(const struct torque_region_curve *c, const void *context)
{
    (void)context;
    return c->b_nm_s / c->a_nm;
}

TestSuite(torque_region, .init = quantity_init_numerics);

Test(torque_region, exact_points_give_the_curve_back)
{
    struct truth t = some_motor(290);
    struct sweep s;
    uint64_t state = 1;
    simulate(&s, &t, LADDER, LADDER_COUNT, 1e-6, 0, &state);
    struct torque_region *region = region_of(&s);
    struct torque_region_curve best = torque_region_best(region);
    cr_expect_float_eq(best.corner_rad_s / t.corner, 1, 1e-3, "%g", best.corner_rad_s);
    cr_expect_float_eq(best.flat_nm / t.flat, 1, 1e-5);
    cr_expect_float_eq(best.a_nm / t.a, 1, 1e-3);
    cr_expect_float_eq(best.tau_s / t.tau, 1, 2e-3);
    cr_expect_float_eq(torque_region_at(region, 600) / truth_nm(&t, 600), 1, 1e-5);
    cr_expect_eq(torque_region_degrees_of_freedom(region), (double)s.n - 4);
    torque_region_free(region);
}

Test(torque_region, intervals_hold_the_truth_as_often_as_they_say)
{
    enum { DRAWS = 240, AT = 5 };
    static const double at[AT] = {60, 260, 420, 600, 1000};
    int hits[AT] = {0}, corner = 0;
    uint64_t state = 90215;
    for (int draw = 0; draw < DRAWS; draw++) {
        struct truth t = some_motor(200 + 250 * next_uniform(&state));
        struct sweep s;
        simulate(&s, &t, LADDER, LADDER_COUNT, 0.01, 0, &state);
        struct torque_region *region = region_of(&s);
        struct torque_region_corner c = torque_region_corner(region);
        for (int i = 0; i < AT; i++) {
            double low, high;
            torque_region_torque(region, at[i], &low, &high);
            hits[i] += low <= truth_nm(&t, at[i]) && truth_nm(&t, at[i]) <= high;
        }
        corner += c.low_rad_s <= t.corner && t.corner <= c.high_rad_s;
        torque_region_free(region);
    }
    /* 0.95 less and plus 3 standard deviations of a share of so many draws. */
    for (int i = 0; i < AT; i++)
        cr_expect(hits[i] >= 0.908 * DRAWS && hits[i] <= 0.992 * DRAWS, "at %g: %d of %d", at[i], hits[i],
                  DRAWS);
    cr_expect(corner >= 0.908 * DRAWS && corner <= 0.992 * DRAWS, "corner: %d of %d", corner, DRAWS);
    fprintf(stderr, "band %d %d %d %d %d, corner %d of %d\n", hits[0], hits[1], hits[2], hits[3], hits[4],
            corner, DRAWS);
}

Test(torque_region, bounds_of_the_slow_speeds_leave_the_corner_open_below)
{
    struct truth t = some_motor(230);
    struct sweep s;
    uint64_t state = 4;
    double low, high, low_slow, high_slow;
    simulate(&s, &t, LADDER, LADDER_COUNT, 0.006, 0.8 * t.flat, &state);
    struct torque_region *region = region_of(&s);
    struct torque_region_corner c = torque_region_corner(region);
    cr_expect(c.open_below);
    cr_expect_not(c.open_above);
    torque_region_torque(region, 900, &low, &high);
    cr_expect(low <= truth_nm(&t, 900) && truth_nm(&t, 900) <= high, "%g to %g", low, high);
    torque_region_torque(region, 40, &low_slow, &high_slow);
    cr_expect_gt(high_slow - low_slow, 5 * (high - low), "what nobody saw is not known");
    torque_region_free(region);
}

Test(torque_region, a_sweep_without_a_fall_leaves_the_corner_open_above)
{
    struct truth t = some_motor(3000);
    struct sweep s;
    uint64_t state = 12;
    simulate(&s, &t, LADDER, LADDER_COUNT, 0.01, 0, &state);
    struct torque_region *region = region_of(&s);
    cr_expect(torque_region_corner(region).open_above);
    torque_region_free(region);
}

Test(torque_region, flux_linkage_is_told_by_a_precise_sweep_and_not_by_a_coarse_one)
{
    struct truth t = some_motor(60);
    struct sweep s;
    uint64_t state = 77;
    double low, high;
    simulate(&s, &t, LADDER, LADDER_COUNT, 0.001, 0, &state);
    struct torque_region *region = region_of(&s);
    torque_region_interval(region, flux_of, NULL, &low, &high);
    cr_expect(low <= t.b / t.a && t.b / t.a <= high, "%g to %g, truth %g", low, high, t.b / t.a);
    cr_expect_not(torque_region_open(region).no_back_emf);
    double fine = high - low;
    torque_region_free(region);
    simulate(&s, &t, LADDER, LADDER_COUNT, 0.02, 0, &state);
    region = region_of(&s);
    torque_region_interval(region, flux_of, NULL, &low, &high);
    cr_expect_gt(high - low, 4 * fine);
    cr_expect(torque_region_open(region).no_back_emf);
    torque_region_free(region);
}

Test(torque_region, what_cannot_be_answered_is_refused)
{
    static const double w[] = {10, 20, 30, 10, 20, 30}, torque[] = {3, 3.1, 2.9, 3, 2.5, 2.7};
    struct torque_region *region;
    struct err e = {0};
    cr_expect_eq(torque_region_new(w, torque, NULL, NULL, 6, 0.95, &region, &e), ERR_NO_ANSWER,
                 "three speeds");
    cr_expect_null(region);
    torque_region_free(NULL);
}
