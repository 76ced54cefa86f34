#include "analyze/numerics/broken_line.h"
#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/quantity.h"
#include "tests/reference/stagnant.h"

#include <criterion/criterion.h>
#include <float.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LARGE 420 /* points: several blocks of the search */

/* Source: R's package segmented on its data set `stagnant` (Bacon and Watts 1971), and an independent profile
 * search. */
Test(broken_line, agrees_with_an_independent_program_on_published_data)
{
    struct broken_line fit;
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(broken_line_fit(STAGNANT_X, STAGNANT_Y, STAGNANT_N, &fit, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(fit.breakpoint, 0.0411057858, 1e-6, "%.10f", fit.breakpoint);
    cr_expect_float_eq(fit.breakpoint_standard_error, 0.0228348068, 1e-6, "%.10f",
                       fit.breakpoint_standard_error);
    cr_expect_float_eq(fit.left_slope, -0.422076815210, 1e-9, "%.12f", fit.left_slope);
    cr_expect_float_eq(fit.left_slope_standard_error, 0.01148730657, 1e-9, "%.12f",
                       fit.left_slope_standard_error);
    cr_expect_float_eq(fit.right_slope, -1.020567546, 1e-8, "%.12f", fit.right_slope);
    cr_expect_float_eq(fit.right_slope_standard_error, 0.01506793866, 1e-9, "%.12f",
                       fit.right_slope_standard_error);
    cr_expect_float_eq(fit.intercept, 0.544661077607, 1e-9, "%.12f", fit.intercept);
    cr_expect_float_eq(fit.residual_sd, 0.0195151620884, 1e-11, "%.12f", fit.residual_sd);
    cr_expect_float_eq(fit.residual_sum / 0.00914019723209, 1, 1e-9, "%.14f", fit.residual_sum);
    cr_expect_eq(fit.degrees_of_freedom, 24);
    cr_expect_gt(fit.bic_gain, 50);
}

/* Random numbers for one seed (Vigna's splitmix64), the same on every machine. */
static uint64_t next_random(uint64_t *state)
{
    uint64_t z = *state += 0x9E3779B97F4A7C15u;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

static double next_uniform(uint64_t *state)
{
    return ((double)(next_random(state) >> 11) + 0.5) / 9007199254740992.0;
}

/* Residual sum with the breakpoint held at psi: the plain way, one fit of three columns. */
static double residual_held(const double *x, const double *y, size_t n, double psi)
{
    static double columns[3 * LARGE];
    struct linear_fit fit;
    for (size_t i = 0; i < n; i++) {
        columns[3 * i] = 1;
        columns[3 * i + 1] = x[i];
        columns[3 * i + 2] = fmax(0, x[i] - psi);
    }
    cr_assert_eq(linear_fit(columns, y, NULL, n, 3, false, &fit, NULL), ERR_OK);
    return fit.residual_sum;
}

/* Against a plain search: no breakpoint on a fine grid, nor near the answer, may have a smaller residual sum.
 * The cases are random, half of them with repeated x; about a third have their optimum on a knot. */
Test(broken_line, no_other_breakpoint_fits_better)
{
    uint64_t seed = getenv("NIPBENCH_TEST_SEED") ? strtoull(getenv("NIPBENCH_TEST_SEED"), NULL, 10) : 6173;
    uint64_t state = seed;
    int on_knot = 0, inside = 0;
    fprintf(stderr, "seed %llu\n", (unsigned long long)seed);
    quantity_init_numerics();
    for (int round = 0; round < 60; round++) {
        double x[40], y[40], low, high, truth = 1 + 3 * next_uniform(&state),
                                        noise = 0.02 + next_uniform(&state);
        size_t n = 6 + next_random(&state) % 34;
        struct broken_line fit;
        struct err e = {0};
        bool knot = false;
        for (size_t i = 0; i < n; i++) {
            x[i] = 5 * next_uniform(&state);
            if (round % 2 == 1)
                x[i] = i < 6 ? 0.83 * (double)i : floor(6 * x[i] / 5) * 0.83;
            y[i] = 2.4 + 0.7 * x[i] - 1.9 * fmax(0, x[i] - truth) +
                   noise * (next_uniform(&state) - next_uniform(&state));
        }
        cr_assert_eq(broken_line_fit(x, y, n, &fit, &e), ERR_OK, "round %d: %s", round, e.text);
        cr_expect_float_eq(fit.residual_sum, residual_held(x, y, n, fit.breakpoint),
                           1e-12 * fit.residual_sum + 1e-24);
        low = high = fit.breakpoint;
        for (size_t i = 0; i < n; i++) {
            knot = knot || x[i] == fit.breakpoint;
            low = fmin(low, x[i]);
            high = fmax(high, x[i]);
        }
        on_knot += knot;
        inside += !knot;
        for (int i = 1; i < 400; i++) {
            double psi = low + (high - low) * i / 400;
            cr_expect_geq(residual_held(x, y, n, psi), fit.residual_sum * (1 - 1e-12),
                          "round %d at %g, not %g", round, psi, fit.breakpoint);
        }
        for (int side = -1; side <= 1; side += 2)
            cr_expect_geq(residual_held(x, y, n, fit.breakpoint + side * 1e-6),
                          fit.residual_sum * (1 - 1e-13));
        for (size_t i = 0; i < n; i++) {
            if (x[i] > low && x[i] < high)
                cr_expect_geq(residual_held(x, y, n, x[i]), fit.residual_sum * (1 - 1e-12),
                              "round %d, knot %g", round, x[i]);
        }
    }
    fprintf(stderr, "optimum on a knot %d times, between knots %d times\n", on_knot, inside);
    cr_expect_geq(on_knot, 5);
    cr_expect_geq(inside, 20);
}

/* What a straight line leaves. */
static double residual_straight(const double *x, const double *y, size_t n)
{
    static double columns[2 * LARGE];
    struct linear_fit fit;
    for (size_t i = 0; i < n; i++) {
        columns[2 * i] = 1;
        columns[2 * i + 1] = x[i];
    }
    cr_assert_eq(linear_fit(columns, y, NULL, n, 2, false, &fit, NULL), ERR_OK);
    return fit.residual_sum;
}

/* Least residual sum over all breakpoints, the plain way: each knot by one fit of three columns, and each gap
 * by a free line on either side, where they meet inside it. Some way of counting twice does no harm. */
static double least_of_all(const double *x, const double *y, size_t n)
{
    static double columns[3 * LARGE], ordered_x[LARGE], ordered_y[LARGE];
    static size_t order[LARGE];
    double least = INFINITY;
    struct linear_fit fit;
    for (size_t i = 0; i < n; i++) {
        size_t j = i;
        for (; j > 0 && x[order[j - 1]] > x[i]; j--)
            order[j] = order[j - 1];
        order[j] = i;
    }
    for (size_t i = 0; i < n; i++) {
        ordered_x[i] = x[order[i]];
        ordered_y[i] = y[order[i]];
    }
    for (size_t last = 0; last + 1 < n; last++) {
        double knot = ordered_x[last], next = ordered_x[last + 1], line[2][2], sum = 0;
        bool free_lines = true;
        if (!(knot < next) || !(knot > ordered_x[0]))
            continue;
        least = fmin(least, residual_held(ordered_x, ordered_y, n, knot));
        for (int side = 0; side < 2; side++) {
            size_t from = side == 0 ? 0 : last + 1, count = side == 0 ? last + 1 : n - last - 1;
            for (size_t i = 0; i < count; i++) {
                columns[2 * i] = 1;
                columns[2 * i + 1] = ordered_x[from + i] - knot;
            }
            free_lines = free_lines && next < ordered_x[n - 1] &&
                         linear_fit(columns, ordered_y + from, NULL, count, 2, false, &fit, NULL) == ERR_OK;
            line[side][0] = fit.coefficients[0];
            line[side][1] = fit.coefficients[1];
            sum += fit.residual_sum;
        }
        double meeting = knot + (line[0][0] - line[1][0]) / (line[1][1] - line[0][1]);
        if (free_lines && meeting > knot && meeting < next)
            least = fmin(least, sum);
    }
    return least;
}

enum shape { BREAK, NO_BREAK, AT_AN_END, TWO_BREAKS, WAVES, FLAT_BUT_ONE, STEP, STEEP, SHAPES };

/* Points over several blocks of the search, with what would make a wrong bound show: two breaks that leave
 * nearly the same, hollows everywhere, a break next to an end, and hardly any noise or nothing but noise. */
static size_t make_points(enum shape shape, int round, double *x, double *y, uint64_t *state)
{
    size_t n = 66 + next_random(state) % (LARGE - 66),
           places = round % 3 == 1 ? 7 + next_random(state) % 40 : 0;
    double noise = pow(10, -6 * next_uniform(state)), truth = next_uniform(state), turn = 3 + 30 * truth;
    double edge = shape == AT_AN_END ? (truth < 0.5 ? 0.012 : 0.988) : truth;
    for (size_t i = 0; i < n; i++) {
        double u = round % 3 == 2 ? (double)i / (double)n : next_uniform(state), v = 0;
        if (places > 0)
            u = i < 5 ? (double)i / (double)places : floor(u * (double)places) / (double)places;
        switch (shape) {
        case BREAK:
        case AT_AN_END:
            v = 2 * u - 5 * fmax(0, u - edge);
            break;
        case NO_BREAK:
            v = 2 * u;
            break;
        case TWO_BREAKS:
            v = fabs(u - 0.25) - 1.0001 * fmax(0, 2 * (u - 0.75));
            break;
        case WAVES:
            v = sin(turn * u);
            break;
        case FLAT_BUT_ONE:
            v = 0;
            break;
        case STEP:
            v = u > truth ? 3 : 0;
            break;
        default:
            v = exp(12 * u);
            break;
        }
        x[i] = u;
        y[i] = v + (shape == FLAT_BUT_ONE ? (i == n / 3 ? 1 : 0)
                                          : noise * (next_uniform(state) - next_uniform(state)));
    }
    return n;
}

/* The search leaves out whole stretches of points by a bound: it may not leave out the best. */
Test(broken_line, what_the_search_passes_over_is_no_better)
{
    static double x[LARGE], y[LARGE];
    uint64_t seed = getenv("NIPBENCH_TEST_SEED") ? strtoull(getenv("NIPBENCH_TEST_SEED"), NULL, 10) : 33191;
    uint64_t state = seed;
    fprintf(stderr, "seed %llu\n", (unsigned long long)seed);
    quantity_init_numerics();
    for (int round = 0; round < 24 * SHAPES / 2; round++) {
        enum shape shape = (enum shape)(round % SHAPES);
        size_t n = make_points(shape, round / SHAPES, x, y, &state);
        struct broken_line fit;
        struct err e = {0};
        cr_assert_eq(broken_line_fit(x, y, n, &fit, &e), ERR_OK, "round %d, shape %d: %s", round, (int)shape,
                     e.text);
        double least = least_of_all(x, y, n), straight = residual_straight(x, y, n);
        /* Of what the straight line leaves, the plain way has about 13 digits. */
        cr_expect(fabs(fit.residual_sum - least) <= 1e-10 * least + 1e-13 * straight,
                  "round %d, shape %d, %zu points: at %.12g %.15g, the least of all is %.15g", round,
                  (int)shape, n, fit.breakpoint, fit.residual_sum, least);
    }
}

/* Built so that the free lines of both neighbouring gaps meet outside them: the middle point sticks out above
 * the corner. */
Test(broken_line, an_optimum_on_a_knot_is_found_exactly)
{
    static const double x[] = {0, 1, 2, 3, 4, 5, 6}, y[] = {0, 1, 2, 3.5, 2, 1, 0};
    struct broken_line fit;
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(broken_line_fit(x, y, 7, &fit, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(fit.breakpoint, 3);
    cr_expect_float_eq(fit.left_slope, -fit.right_slope, 1e-13);
    cr_expect_float_eq(fit.residual_sum, residual_held(x, y, 7, 3), 1e-15);
    cr_expect(isfinite(fit.breakpoint_standard_error) && fit.breakpoint_standard_error > 0);
}

Test(broken_line, an_exact_break_is_found_far_from_the_origin)
{
    double x[30], y[30];
    struct broken_line fit;
    struct err e = {0};
    quantity_init_numerics();
    for (int i = 0; i < 30; i++) {
        x[i] = 1.7e9 + i; /* seconds since an epoch */
        y[i] = 3 + 0.5 * i - 2.25 * fmax(0, i - 11.3);
    }
    cr_assert_eq(broken_line_fit(x, y, 30, &fit, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(fit.breakpoint, 1.7e9 + 11.3, 5e-7);
    cr_expect_float_eq(fit.left_slope, 0.5, 1e-13);
    cr_expect_float_eq(fit.right_slope, -1.75, 1e-13);
}

Test(broken_line, the_order_of_points_does_not_matter)
{
    double x[28], y[28];
    struct broken_line forward, backward;
    quantity_init_numerics();
    for (size_t i = 0; i < STAGNANT_N; i++) {
        x[i] = STAGNANT_X[STAGNANT_N - 1 - i];
        y[i] = STAGNANT_Y[STAGNANT_N - 1 - i];
    }
    cr_assert_eq(broken_line_fit(STAGNANT_X, STAGNANT_Y, STAGNANT_N, &forward, NULL), ERR_OK);
    cr_assert_eq(broken_line_fit(x, y, STAGNANT_N, &backward, NULL), ERR_OK);
    cr_expect_eq(forward.breakpoint, backward.breakpoint);
    cr_expect_eq(forward.residual_sum, backward.residual_sum);
}

/* Half of the points in a millionth of the range, and each x several times: whichever way they come in, the
 * answer is the same to the bit. */
Test(broken_line, nor_does_it_where_points_stand_close_together)
{
    enum { POINTS = 600 };
    static double x[POINTS], y[POINTS], turned_x[POINTS], turned_y[POINTS], mixed_x[POINTS], mixed_y[POINTS];
    uint64_t state = 5150;
    struct broken_line fit, turned, mixed;
    quantity_init_numerics();
    for (size_t i = 0; i < POINTS; i++) {
        double place = (double)(i / 3);
        x[i] = i < POINTS / 2 ? 1e-6 * place : place;
        y[i] = 2 * x[i] + 3 * fmax(0, x[i] - 140) + next_uniform(&state);
        turned_x[POINTS - 1 - i] = x[i];
        turned_y[POINTS - 1 - i] = y[i];
        mixed_x[i * 7 % POINTS] = x[i]; /* 7 and 600 have no divisor in common */
        mixed_y[i * 7 % POINTS] = y[i];
    }
    cr_assert_eq(broken_line_fit(x, y, POINTS, &fit, NULL), ERR_OK);
    cr_assert_eq(broken_line_fit(turned_x, turned_y, POINTS, &turned, NULL), ERR_OK);
    cr_assert_eq(broken_line_fit(mixed_x, mixed_y, POINTS, &mixed, NULL), ERR_OK);
    cr_expect_float_eq(fit.breakpoint, 140, 1);
    cr_expect_eq(memcmp(&turned, &fit, sizeof fit), 0, "%.17g %.17g", turned.breakpoint, fit.breakpoint);
    cr_expect_eq(memcmp(&mixed, &fit, sizeof fit), 0, "%.17g %.17g", mixed.breakpoint, fit.breakpoint);
}

Test(broken_line, noise_about_one_line_gives_no_gain)
{
    uint64_t state = 90210;
    double x[60], y[60];
    int claimed = 0;
    quantity_init_numerics();
    for (int round = 0; round < 50; round++) {
        struct broken_line fit;
        for (int i = 0; i < 60; i++) {
            x[i] = i * 0.37;
            y[i] = 5 - 0.8 * x[i] + next_uniform(&state) + next_uniform(&state) - next_uniform(&state) -
                   next_uniform(&state);
        }
        cr_assert_eq(broken_line_fit(x, y, 60, &fit, NULL), ERR_OK);
        claimed += fit.bic_gain > 0;
    }
    cr_expect_leq(claimed, 5, "%d of 50", claimed);
}

Test(broken_line, what_cannot_be_answered_is_refused)
{
    static const double x[] = {1, 2, 3, 4, 4, 4}, y[] = {2, 3, 1, 4, 1, 5},
                        line_x[] = {0.1, 0.2, 0.3, 0.4, 0.5, 0.6};
    double line_y[6], bad[] = {1, 2, NAN, 4, 5, 6};
    struct broken_line fit;
    struct err e = {0};
    quantity_init_numerics();
    for (int i = 0; i < 6; i++)
        line_y[i] = 7.3 - 1.1 * line_x[i];
    cr_expect_eq(broken_line_fit(x, y, 6, &fit, &e), ERR_NO_ANSWER, "four distinct x");
    cr_expect_eq(broken_line_fit(line_x, y, 4, &fit, &e), ERR_NO_ANSWER, "four points");
    cr_expect_eq(broken_line_fit(bad, y, 6, &fit, &e), ERR_NO_ANSWER, "not a number");
    cr_expect_eq(broken_line_fit(line_x, bad, 6, &fit, &e), ERR_NO_ANSWER, "not a number");
    cr_expect_eq(broken_line_fit(line_x, line_y, 6, &fit, &e), ERR_NO_ANSWER, "one straight line");
    cr_expect_eq(broken_line_fit(line_x, y, 6, &fit, &e), ERR_OK);
}
