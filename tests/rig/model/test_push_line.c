#include "rig/model/push_line.h"

#include <criterion/criterion.h>
#include <math.h>

static const double QUARTER_TURN = 1.5707963267948966;

static struct model_parameters with_tube(double friction, double bend_rad, double clearance_mm)
{
    struct model_parameters p = model_default();
    p.fixture.gap_mm = 0.371;
    p.tube.friction = friction;
    p.tube.bend_rad = bend_rad;
    p.tube.clearance_mm = clearance_mm;
    return p;
}

Test(push_line, without_a_tube_the_force_is_stiffness_times_travel)
{
    struct model_parameters p = with_tube(0.3, 0, 0.5);
    struct push_line line = push_line_of(&p, 0.029);
    struct push_line_state s = {0};
    double k = model_stiffness_n_per_mm(&p.fixture);
    push_line_move(&line, &s, 0.399);
    cr_assert_eq(s.force_end_n, 0);
    push_line_move(&line, &s, 1.731);
    cr_expect_float_eq(s.force_end_n, k * (0.399 + 1.731 - 0.4), 1e-9);
    cr_expect_float_eq(s.force_feeder_n, s.force_end_n, 1e-12);
    cr_expect_float_eq(push_line_release_mm(&line, &s), 1.73, 1e-9);
    push_line_move(&line, &s, -2.1);
    cr_expect_eq(s.force_end_n, 0);
    cr_expect_float_eq(s.filament_mm, 0.03, 1e-12);
    /* 2500 MPa * 2.405281875 mm2 / 50 mm in series with 40 N/mm. */
    cr_expect_float_eq(k, 1 / (50 / (2500 * 2.405281875) + 1 / 40.0), 1e-7);
}

Test(push_line, tube_ratio_follows_the_belt_formula)
{
    /* exp(mu phi) as published for belts: a quarter turn and a full turn. */
    static const struct {
        const char *legend;
        double friction, turns, ratio, tolerance;
    } cases[] = {
        {"quarter turn, 0.1", 0.1, 0.25, 1.17009, 5e-6}, {"quarter turn, 0.2", 0.2, 0.25, 1.36911, 5e-6},
        {"quarter turn, 0.3", 0.3, 0.25, 1.60198, 5e-6}, {"quarter turn, 0.5", 0.5, 0.25, 2.19328, 5e-6},
        {"full turn, 0.1", 0.1, 1, 1.87446, 5e-6},       {"full turn, 0.2", 0.2, 1, 3.51359, 5e-6},
        {"full turn, 0.3", 0.3, 1, 6.58606, 5e-6},       {"full turn, 0.5", 0.5, 1, 23.1407, 5e-5},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct model_parameters p = with_tube(cases[i].friction, 4 * QUARTER_TURN * cases[i].turns, 0.2);
        struct push_line line = push_line_of(&p, 0);
        struct push_line_state s = {0};
        for (int j = 0; j < 700; j++)
            push_line_move(&line, &s, 0.0037);
        cr_expect(s.force_end_n > 1, "%s: no force", cases[i].legend);
        cr_expect_float_eq(s.force_feeder_n / s.force_end_n, cases[i].ratio, cases[i].tolerance,
                           "%s: pushing", cases[i].legend);
        cr_expect_float_eq(s.force_end_n,
                           push_line_cell_stiffness(&line) * (s.filament_mm - p.fixture.gap_mm), 1e-9,
                           "%s: stiffness at the cell", cases[i].legend);
        cr_expect_float_eq(s.force_feeder_n,
                           push_line_feeder_stiffness(&line) * (s.filament_mm - p.fixture.gap_mm), 1e-9,
                           "%s: stiffness at the nip", cases[i].legend);
        double before_n = s.force_end_n;
        while (s.force_end_n > 0.7 * before_n)
            push_line_move(&line, &s, -0.0037);
        cr_expect_float_eq(s.force_end_n / s.force_feeder_n, cases[i].ratio, cases[i].tolerance,
                           "%s: going back", cases[i].legend);
    }
}

Test(push_line, the_end_force_stays_until_the_stick_band_is_crossed)
{
    struct model_parameters p = with_tube(0.2, QUARTER_TURN, 0.143);
    struct push_line line = push_line_of(&p, 0);
    struct push_line_state s = push_line_pushed(&line, 61.7);
    double end_n = s.force_end_n;
    double column = 2500 * 2.405281875 / 50;
    double lost_mm = (end_n * 1.3691077706 - end_n / 1.3691077706) / column;
    push_line_move(&line, &s, -(lost_mm - 1e-6));
    cr_expect_float_eq(s.force_end_n, end_n, 1e-12);
    cr_expect_eq(s.play_mm, 0, "no play under force");
    push_line_move(&line, &s, -0.01);
    cr_expect_lt(s.force_end_n, end_n - 0.1);
    double low_n = s.force_end_n;
    push_line_move(&line, &s, 0.05);
    cr_expect_eq(s.force_end_n, low_n, "turned round again: the end must wait");
}

Test(push_line, tube_friction_takes_energy_and_forgets_nothing)
{
    struct model_parameters p = with_tube(0.3, 2 * QUARTER_TURN, 0);
    struct push_line line = push_line_of(&p, 0);
    struct push_line_state peak = push_line_pushed(&line, 83.1);
    struct push_line_state s = peak;
    double work = 0;
    for (int i = 0; i < 2000; i++) {
        double before_n = s.force_feeder_n;
        push_line_move(&line, &s, i < 1000 ? -0.0011 : 0.0011);
        work += (before_n + s.force_feeder_n) / 2 * (i < 1000 ? -0.0011 : 0.0011);
    }
    cr_expect_gt(work, 1, "the loop gave back %g N mm", work);
    cr_expect_float_eq(s.force_end_n, peak.force_end_n, 1e-6);
    cr_expect_float_eq(s.force_feeder_n, peak.force_feeder_n, 1e-6);
}

Test(push_line, unloaded_filament_meets_the_wall_where_it_left_it)
{
    struct model_parameters p = with_tube(0.25, QUARTER_TURN, 0.21);
    struct push_line line = push_line_of(&p, 0);
    struct push_line_state s = push_line_pushed(&line, 47.3);
    push_line_move(&line, &s, -push_line_release_mm(&line, &s));
    cr_expect_float_eq(s.force_feeder_n, 0, 1e-9);
    cr_expect_float_eq(s.filament_mm, p.fixture.gap_mm, 1e-9);
    push_line_move(&line, &s, -0.5);
    cr_expect_float_eq(s.play_mm, 0.21, 1e-12);
    cr_expect_float_eq(push_line_far_end_mm(&line, &s), p.fixture.gap_mm - 0.5 + 0.21, 1e-9);
    push_line_move(&line, &s, 0.21);
    cr_expect_float_eq(push_line_far_end_mm(&line, &s), p.fixture.gap_mm - 0.5 + 0.21, 1e-9, "the end waits");
    push_line_move(&line, &s, 0.5 - 0.21 - 1e-6);
    cr_expect_eq(s.force_end_n, 0);
    push_line_move(&line, &s, 0.1 + 1e-6);
    cr_expect_float_eq(s.force_end_n, 0.1 * push_line_cell_stiffness(&line), 1e-6);
}

Test(push_line, one_long_move_does_what_many_short_ones_do)
{
    struct model_parameters p = with_tube(0.25, QUARTER_TURN, 0.21);
    struct push_line line = push_line_of(&p, 0);
    struct push_line_state a = push_line_pushed(&line, 47.3);
    struct push_line_state b = a;
    static const double travels_mm[] = {-2.9, 3.3, -0.4, 0.29, -0.7, 1.1};
    for (size_t i = 0; i < sizeof travels_mm / sizeof travels_mm[0]; i++) {
        push_line_move(&line, &a, travels_mm[i]);
        for (int j = 0; j < 5000; j++)
            push_line_move(&line, &b, travels_mm[i] / 5000);
        cr_expect_float_eq(a.force_end_n, b.force_end_n, 1e-8, "move %zu", i);
        cr_expect_float_eq(a.force_feeder_n, b.force_feeder_n, 1e-8, "move %zu", i);
        cr_expect_float_eq(a.play_mm, b.play_mm, 1e-9, "move %zu", i);
    }
    cr_expect_gt(a.force_end_n, 30);
}

Test(push_line, a_wall_that_gives_way_lowers_the_end_force_first)
{
    struct model_parameters p = with_tube(0.2, QUARTER_TURN, 0);
    struct push_line line = push_line_of(&p, 0);
    struct push_line_state s = push_line_pushed(&line, 40.9);
    push_line_move(&line, &s, -0.03); /* into the stick band */
    double feeder_n = s.force_feeder_n;
    double end_n = s.force_end_n;
    push_line_give(&line, &s, 0.02);
    cr_expect_float_eq(s.force_end_n, end_n - 0.02 * 40, 1e-9);
    cr_expect_eq(s.force_feeder_n, feeder_n);
    push_line_give(&line, &s, 0.3);
    cr_expect_float_eq(s.force_feeder_n / s.force_end_n, line.ratio, 1e-9, "sliding forward again");
    cr_expect_float_eq(s.given_mm, 0.32, 1e-12);
    cr_expect_float_eq(s.filament_mm - s.given_mm, push_line_pushed(&line, s.force_feeder_n).filament_mm,
                       1e-9);
}
