#include "analyze/numerics/loop_fit.h"

#include "analyze/numerics/formulas.h"
#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>

TestSuite(loop_fit, .init = quantity_init_numerics);

static double noise(unsigned *state)
{
    double sum = -6;
    for (int i = 0; i < 12; i++) {
        *state = *state * 1664525u + 1013904223u;
        sum += (*state >> 8) / 16777216.0;
    }
    return sum;
}

#define N 900

Test(loop_fit, loaded_branch_is_carried_on_to_where_it_met)
{
    double x[N], f[N];
    unsigned state = 7;
    struct loop_zero z;
    struct err e;
    for (int i = 0; i < N; i++) {
        double past;
        x[i] = 0.0031 * i;
        past = fmax(0, x[i] - 0.8714);
        f[i] = 23.7 * past - 0.9 * past * past + 0.2 * noise(&state);
    }
    cr_assert_eq(loop_fit_zero(x, f, N, 2.5, 24, &z, &e), ERR_OK, "%s", e.text);
    cr_expect(fabs(z.feed_mm - 0.8714) < 3 * z.standard_error_mm, "%g +- %g", z.feed_mm, z.standard_error_mm);
    cr_expect(z.standard_error_mm > 0.0005 && z.standard_error_mm < 0.006, "%g", z.standard_error_mm);
    cr_expect(fabs(z.stiffness_n_per_mm - 23.7) < 0.8, "%g", z.stiffness_n_per_mm);
}

Test(loop_fit, a_branch_with_too_few_samples_is_refused)
{
    double x[30], f[30];
    struct loop_zero z;
    struct err e;
    for (int i = 0; i < 30; i++) {
        x[i] = 0.1 * i;
        f[i] = 31.7 * i;
    }
    cr_expect_eq(loop_fit_zero(x, f, 30, 10, 300, &z, &e), ERR_NO_ANSWER);
}

/* Forward to 3.117 mm and 51.3 N; back steep to slide_n, then slides. */
static void make_turn(double *forward, double *forward_n, double *back, double *back_n, double slide_n,
                      double sd)
{
    unsigned state = 4711;
    for (int i = 0; i < N; i++) {
        double way = 0.0027 * (N - 1 - i), stick = (51.3 - slide_n) / 96.1, gone = 0.0027 * i;
        forward[i] = 3.117 - way;
        forward_n[i] = 51.3 - 24.8 * way + sd * noise(&state);
        back[i] = 3.117 - gone;
        back_n[i] = 51.3 - 96.1 * fmin(gone, stick) - 15.3 * fmax(0, gone - stick) + sd * noise(&state);
    }
}

static void finds_turn(double slide_n)
{
    double forward[N], forward_n[N], back[N], back_n[N];
    struct loop_turn t;
    struct err e;
    make_turn(forward, forward_n, back, back_n, slide_n, 0.21);
    cr_assert_eq(loop_fit_turn(forward, forward_n, N, back, back_n, N, 25, 9, 0.004, true, &t, &e), ERR_OK,
                 "%s", e.text);
    cr_expect(fabs(t.slide_n - slide_n) < 3 * t.slide_standard_error_n, "%g +- %g", t.slide_n,
              t.slide_standard_error_n);
    cr_expect(fabs(t.log_ratio - log(51.3 / slide_n)) < 3 * t.log_ratio_standard_error, "%g +- %g",
              t.log_ratio, t.log_ratio_standard_error);
    cr_expect(t.log_ratio_standard_error > 0.0005 && t.log_ratio_standard_error < 0.03, "%g",
              t.log_ratio_standard_error);
    cr_expect(fabs(t.stick_mm - (51.3 - slide_n) / 96.1) < 0.02, "%g", t.stick_mm);
}

Test(loop_fit, way_back_gives_the_force_it_slides_at)
{
    finds_turn(27.64);
}

Test(loop_fit, a_short_steep_part_is_found_too)
{
    finds_turn(43.08);
}

Test(loop_fit, two_sides_without_a_tube_meet_at_one_force)
{
    double forward[N], forward_n[N], back[N], back_n[N];
    struct loop_turn t;
    struct err e;
    unsigned state = 11;
    for (int i = 0; i < N; i++) {
        forward[i] = 2.43 - 0.0027 * (N - 1 - i);
        forward_n[i] = 44.2 - 19.7 * (2.43 - forward[i]) + 0.3 * noise(&state);
        back[i] = 2.43 - 0.0027 * i;
        back_n[i] = 44.2 - 20.9 * (2.43 - back[i]) + 0.3 * noise(&state);
    }
    cr_assert_eq(loop_fit_turn(forward, forward_n, N, back, back_n, N, 20, 9, 0.004, false, &t, &e), ERR_OK);
    cr_expect(fabs(t.log_ratio) < 3 * t.log_ratio_standard_error, "%g +- %g", t.log_ratio,
              t.log_ratio_standard_error);
    cr_expect_not(t.sticks);
}

Test(loop_fit, energy_of_a_triangle_is_half_of_its_sides)
{
    double x[] = {0, 1.7, 1.7, 0}, f[] = {0, 23.6, 9.4, 0}, error;
    cr_expect_float_eq(loop_energy_mj(x, f, 4, 0.5, &error), 1.7 * (23.6 - 9.4) / 2, 1e-12);
    cr_expect(error > 0);
}

Test(loop_fit, play_is_found_whatever_recurs_with_the_gear)
{
    double back[N], back_measured[N], forward[N], forward_measured[N];
    struct loop_play play;
    struct err e;
    for (int i = 0; i < N; i++) {
        double y = 0.0013 * i;
        back_measured[i] = forward_measured[i] = floor((y + 0.031 * sin(5.1 * y)) / 0.005) * 0.005;
        back[i] = y - 0.1374;
        forward[i] = y;
    }
    cr_assert_eq(
        loop_fit_play(back, back_measured, N, forward, forward_measured, N, 0.05, 1, 0.02, &play, &e),
        ERR_OK);
    cr_expect_float_eq(play.play_mm, 0.1374, 1e-9);
    cr_expect_eq(
        loop_fit_play(back, back_measured, N, forward, forward_measured, N, 0.05, 0.06, 0.02, &play, &e),
        ERR_NO_ANSWER);
}

Test(loop_fit, ratios_that_follow_the_belt_law_give_its_friction_and_others_are_told)
{
    double bend[9], logs[9], u[9], shared[9] = {0};
    static const double bends[] = {0.73, 1.91, 3.07}, off[] = {0.0131, -0.0174, 0.0043};
    struct loop_belt belt;
    struct err e;
    for (int i = 0; i < 9; i++) {
        bend[i] = bends[i % 3];
        logs[i] = 2 * log(formulas_belt_friction_ratio(0.183, bend[i])) + off[i / 3];
        u[i] = 0.004;
    }
    cr_assert_eq(loop_fit_belt(bend, logs, u, shared, 9, &belt, &e), ERR_OK);
    cr_expect_eq(belt.bends, 3);
    cr_expect_float_eq(belt.degrees_of_freedom, 6, 1e-12);
    cr_expect_float_eq(belt.friction, 0.183, 1e-12);
    cr_expect(belt.p_value > 0.99, "%g", belt.p_value);
    /* Scatter of 0.0158 in a run, over the root of the sum of (2 bend)^2. */
    cr_expect_float_eq(belt.standard_error, 0.015754 / 12.8426, 1e-5, "%g", belt.standard_error);
    for (int i = 0; i < 9; i += 3)
        logs[i] += 0.3;
    cr_assert_eq(loop_fit_belt(bend, logs, u, shared, 9, &belt, &e), ERR_OK);
    cr_expect(belt.p_value < 0.001, "%g", belt.p_value);
    /* One run at each bend: what they are known by decides. */
    cr_assert_eq(loop_fit_belt(bend, logs, u, shared, 3, &belt, &e), ERR_OK);
    cr_expect_not(belt.repeated);
    cr_expect(belt.p_value < 0.001, "%g", belt.p_value);
    cr_expect_eq(loop_fit_belt(bend, logs, u, shared, 0, &belt, &e), ERR_NO_ANSWER);
}

Test(loop_fit, what_runs_of_a_bend_share_keeps_the_belt_law_from_being_refused)
{
    double bend[6] = {0.9, 0.9, 0.9, 2.3, 2.3, 2.3}, logs[6], u[6], shared[6] = {0};
    static const double own[] = {0.004, -0.005, 0.001};
    struct loop_belt belt;
    struct err e;
    for (int i = 0; i < 6; i++) {
        logs[i] = 2 * log(formulas_belt_friction_ratio(0.183, bend[i])) + own[i % 3] + (i < 3 ? 0.02 : -0.02);
        u[i] = 0.003;
    }
    cr_assert_eq(loop_fit_belt(bend, logs, u, shared, 6, &belt, &e), ERR_OK);
    cr_expect(belt.p_value < 0.01, "%g", belt.p_value);
    cr_expect_eq(belt.shared_error, 0);
    for (int i = 0; i < 6; i++)
        shared[i] = i < 3 ? 0.02 : 0.015;
    cr_assert_eq(loop_fit_belt(bend, logs, u, shared, 6, &belt, &e), ERR_OK);
    cr_expect(belt.p_value > 0.1, "%g", belt.p_value);
    /* Each bend by its share in the slope: 3 (2 bend) / sum of (2 bend)^2 over the six runs. */
    cr_expect_float_eq(belt.shared_error, hypot(5.4 * 0.02, 13.8 * 0.015) / 73.2, 1e-12, "%g",
                       belt.shared_error);
    /* Runs that scatter less than each is known by: what each is known by counts. */
    for (int i = 0; i < 6; i++)
        u[i] = 0.03;
    cr_assert_eq(loop_fit_belt(bend, logs, u, shared, 6, &belt, &e), ERR_OK);
    cr_expect_not(belt.repeated);
    cr_expect_float_eq(belt.standard_error, 0.03 / sqrt(73.2), 1e-12);
}

/* Pick-up of 50 Hz in readings of 1 kHz makes neighbours alike and yet averages out of a fit. */
Test(loop_fit, standard_error_of_a_contact_is_what_it_scatters_by_with_pick_up_too)
{
    double x[N], f[N], square = 0, stated = 0;
    unsigned state = 91;
    struct loop_zero z;
    struct err e;
    for (int run = 0; run < 200; run++) {
        for (int i = 0; i < N; i++) {
            x[i] = 0.0031 * i;
            f[i] = 23.7 * fmax(0, x[i] - 0.8714) + 0.1 * noise(&state) +
                   0.3 * sin(6.283185307 * (0.05 * i + 0.0379 * run));
        }
        cr_assert_eq(loop_fit_zero(x, f, N, 2.5, 40, &z, &e), ERR_OK, "%s", e.text);
        square += pow(z.feed_mm - 0.8714, 2) / 200;
        stated += pow(z.standard_error_mm, 2) / 200;
    }
    /* The root of 200 squares is known to 5 %. */
    cr_expect(stated / square > 0.75 && stated / square < 1.35, "%g %g", sqrt(stated), sqrt(square));
}
