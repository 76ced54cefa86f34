/* What the filament meets past the free length: nothing, a brake, a hot end; and a load cell at the feeder.
 */
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static struct model_parameters exact(void)
{
    struct model_parameters p = model_default();
    memset(&p.spread, 0, sizeof p.spread);
    p.motor.torque_scatter = 0;
    p.nip.wear_per_m = 0;
    p.gear.eccentricity_mm = 0;
    p.gear.tooth_ripple_mm = 0;
    return p;
}

static struct model_state mounted(const struct model_parameters *p, uint64_t seed)
{
    struct model_state s = {0};
    cr_assert_null(model_check(p), "%s", model_check(p));
    model_mount(p, &s, seed);
    model_begin_run(p, &s, 0);
    return s;
}

static void move(const struct model_parameters *p, struct model_state *s, double feed_mm, double speed_mm_s,
                 double dt_s)
{
    double per_microstep = model_feed_per_microstep_mm(p, s->preload_n);
    double start_mm = s->commanded_mm;
    double step_mm = copysign(speed_mm_s * dt_s, feed_mm);
    int n = (int)(fabs(feed_mm) / (speed_mm_s * dt_s) + 0.5);
    for (int i = 1; i <= n; i++)
        model_step(p, s, (start_mm + i * step_mm) / per_microstep, dt_s);
}

Test(model_ends, a_free_end_never_pushes_back_and_loses_nothing)
{
    struct model_parameters p = exact();
    p.fixture.end = MODEL_END_FREE;
    p.tube.bend_rad = 1.3;
    p.tube.friction = 0.2;
    p.tube.clearance_mm = 0.11;
    struct model_state s = mounted(&p, 3);
    move(&p, &s, 137.25, 50, 0.001);
    cr_expect_eq(s.force_n, 0);
    cr_expect_eq(s.force_feeder_n, 0);
    cr_expect_float_eq(s.filament_mm, 137.25, 1e-9);
    move(&p, &s, -37.25, 50, 0.001);
    cr_expect_float_eq(s.filament_mm, 100, 1e-9);
    cr_expect_eq(s.force_n, 0);
    cr_expect_float_eq(s.fed_mm, 174.5, 1e-9, "the pitch line's way counts forward and back");
}

Test(model_ends, a_brake_holds_up_to_its_load_and_slides_there)
{
    struct model_parameters p = exact();
    p.fixture.end = MODEL_END_BRAKE;
    p.fixture.brake_n = 41.7;
    struct model_parameters blocked = exact();
    struct model_state s = mounted(&p, 3);
    struct model_state b = mounted(&blocked, 3);
    move(&p, &s, 1.5, 4, 0.001);
    move(&blocked, &b, 1.5, 4, 0.001);
    cr_expect_gt(s.force_n, 20);
    cr_expect_eq(s.force_n, b.force_n, "below its load a brake is a blocked end");
    cr_expect_eq(s.melted_mm, 0);
    move(&p, &s, 3, 4, 0.001);
    cr_expect_float_eq(s.force_n, 41.7, 1e-12);
    double filament = s.filament_mm;
    double slid = s.melted_mm;
    move(&p, &s, 10, 4, 0.001);
    cr_expect_float_eq(s.force_n, 41.7, 1e-12);
    /* Creep at the default preload: 0.0004 + 0.0015 exp(-2) per newton. */
    cr_expect_float_eq(s.filament_mm - filament, 10 * (1 - 41.7 * (0.0004 + 0.0015 * exp(-2))), 1e-6);
    cr_expect_float_eq(s.melted_mm - slid, s.filament_mm - filament, 1e-9);
    /* Taken back, the load falls as at a blocked end that stands where the filament is now. */
    double load = s.force_n;
    filament = s.filament_mm;
    move(&p, &s, -0.4, 4, 0.001);
    cr_expect_float_eq(load - s.force_n, model_stiffness_n_per_mm(&p.fixture) * (filament - s.filament_mm),
                       1e-9);
}

Test(model_ends, a_brake_in_a_tube_loads_the_nip_with_the_belt_ratio)
{
    struct model_parameters p = exact();
    p.fixture.end = MODEL_END_BRAKE;
    p.fixture.brake_n = 23.9;
    p.tube.bend_rad = 1.5707963267948966;
    p.tube.friction = 0.3;
    struct model_state s = mounted(&p, 3);
    move(&p, &s, 8, 4, 0.001);
    cr_expect_float_eq(s.force_n, 23.9, 1e-12);
    cr_expect_float_eq(s.force_feeder_n, 23.9 * exp(0.15 * 3.141592653589793), 1e-9);
    p.sensor.at_feeder = true;
    move(&p, &s, 0.1, 4, 0.001);
    cr_expect_float_eq(s.force_n, 23.9 * exp(0.15 * 3.141592653589793), 1e-9, "the cell carries the feeder");
}

Test(model_ends, a_brake_does_not_depend_on_the_time_step)
{
    struct model_parameters p = exact();
    p.fixture.end = MODEL_END_BRAKE;
    p.fixture.brake_n = 41.7;
    p.gear.eccentricity_mm = 0.02;
    struct model_state a = mounted(&p, 8);
    struct model_state b = mounted(&p, 8);
    move(&p, &a, 12, 5, 0.02);
    move(&p, &b, 12, 5, 0.0003125);
    cr_expect_float_eq(a.filament_mm, b.filament_mm, 1e-6);
    cr_expect_float_eq(a.force_n, b.force_n, 1e-9);
}

Test(model_ends, a_brake_stronger_than_the_motor_is_a_blocked_end)
{
    struct model_parameters p = exact();
    struct model_state b = mounted(&p, 8);
    move(&p, &b, 9, 5, 0.001);
    p.fixture.end = MODEL_END_BRAKE;
    p.fixture.brake_n = 300;
    struct model_state s = mounted(&p, 8);
    move(&p, &s, 9, 5, 0.001);
    cr_expect_gt(s.cycles_lost, 3);
    cr_expect_eq(s.cycles_lost, b.cycles_lost);
    cr_expect_eq(s.force_n, b.force_n);
}

Test(model_ends, the_brakes_load_has_the_set_spread_and_nothing_else_changes_by_it)
{
    struct model_parameters p = exact();
    p.fixture.end = MODEL_END_BRAKE;
    p.fixture.brake_n = 30;
    struct model_state plain = mounted(&p, 77);
    p.fixture.brake_repeat = 0.04;
    struct model_state s = mounted(&p, 77);
    cr_expect_eq(s.gear_angle_start_rad, plain.gear_angle_start_rad);
    cr_expect_eq(s.repeat_factor, plain.repeat_factor);
    double sum = 0;
    double sum2 = 0;
    for (int i = 0; i < 2000; i++) {
        model_begin_run(&p, &s, 0);
        sum += s.brake_factor;
        sum2 += s.brake_factor * s.brake_factor;
    }
    cr_expect_float_eq(sum / 2000, 1, 0.003);
    cr_expect_float_eq(sqrt(sum2 / 2000 - sum * sum / 4e6), 0.04, 0.002);
    move(&p, &s, 6, 4, 0.001);
    cr_expect_float_eq(s.force_n, 30 * s.brake_factor, 1e-12);
}

Test(model_ends, the_load_line_falls_with_temperature_and_without_an_exponent_there_is_none)
{
    struct model_parameters p = exact();
    p.fixture.end = MODEL_END_HOT;
    p.hot_end.force_n = 3.5;
    p.hot_end.coefficient = 6.1;
    p.hot_end.exponent = 0.52;
    p.hot_end.reference_c = 210;
    p.hot_end.temperature_c = 210;
    p.hot_end.per_kelvin = 0.013;
    cr_expect_float_eq(model_load_line_n(&p, 7.9), 3.5 + 6.1 * pow(7.9, 0.52), 1e-12);
    cr_expect_float_eq(model_load_line_n(&p, 0), 3.5, 1e-12);
    p.hot_end.temperature_c = 232;
    double hot = 3.5 + 6.1 * exp(-0.013 * 22) * pow(7.9, 0.52);
    cr_expect_float_eq(model_load_line_n(&p, 7.9), hot, 1e-12);
    /* And that is what a push comes to. */
    p.nip.creep_floor_per_n = p.nip.creep_extra_per_n = 0;
    struct model_state s = mounted(&p, 4);
    double v = 7.9 / 2.405281875;
    move(&p, &s, 5 * v, v, 0.001);
    cr_expect_float_eq(s.force_n, hot, 2e-4 * hot);
    p.hot_end.exponent = 0;
    cr_expect(isnan(model_load_line_n(&p, 7.9)));
    struct model_state b = mounted(&p, 4);
    move(&p, &b, 2, 4, 0.001);
    cr_expect_gt(b.force_n, 30, "a hot end without a load line is a blocked end");
}

Test(model_ends, a_hot_end_does_not_depend_on_the_time_step)
{
    struct model_parameters p = exact();
    p.fixture.end = MODEL_END_HOT;
    p.hot_end.force_n = 3.5;
    p.hot_end.coefficient = 6.1;
    p.hot_end.exponent = 0.52;
    struct model_state a = mounted(&p, 8);
    struct model_state b = mounted(&p, 8);
    move(&p, &a, 12, 5, 0.02);
    move(&p, &b, 12, 5, 0.0003125);
    cr_expect_gt(a.force_n, 10);
    cr_expect_float_eq(a.force_n, b.force_n, 0.01);
    cr_expect_float_eq(a.melted_mm, b.melted_mm, 1e-4);
}

Test(model_ends, truths_are_told_where_the_cell_sits)
{
    struct model_parameters p = exact();
    p.tube.bend_rad = 2.1;
    p.tube.friction = 0.17;
    double ratio = exp(2.1 * 0.17);
    struct model_truth end = model_truth_nominal(&p, 0, 5);
    p.sensor.at_feeder = true;
    struct model_truth feeder = model_truth_nominal(&p, 0, 5);
    cr_expect_float_eq(feeder.stall_force_n, ratio * end.stall_force_n, 1e-9);
    cr_expect_float_eq(feeder.grip_limit_n, ratio * end.grip_limit_n, 1e-9);
    cr_expect_float_eq(feeder.slip_onset_n, ratio * end.slip_onset_n, 1e-9);
    cr_expect_float_eq(feeder.creep_per_n, end.creep_per_n / ratio, 1e-12);
    cr_expect_float_eq(feeder.stiffness_n_per_mm, ratio * end.stiffness_n_per_mm, 1e-9);
    cr_expect_float_eq(feeder.drop_period_mm, end.drop_period_mm, 1e-12);
    struct model_state s = mounted(&p, 4);
    double peak = 0;
    for (int i = 0; i < 1500; i++) {
        move(&p, &s, 0.005, 5, 0.001);
        peak = fmax(peak, s.force_n);
    }
    cr_expect_float_eq(peak, feeder.stall_force_n, 0.4);
}

Test(model_ends, truth_of_the_feeder_is_the_same_whatever_end_it_pushes_on)
{
    struct model_parameters p = exact();
    struct model_truth blocked = model_truth_nominal(&p, 0, 5);
    p.fixture.brake_n = 20;
    for (enum model_end end = MODEL_END_FREE; end <= MODEL_END_HOT; end++) {
        p.fixture.end = end;
        struct model_state s = mounted(&p, 4);
        struct model_truth t = model_truth_of_run(&p, &s, 5);
        cr_expect_float_eq(t.stall_force_n, blocked.stall_force_n, 1e-6);
        cr_expect_float_eq(t.stiffness_n_per_mm, blocked.stiffness_n_per_mm, 1e-9);
    }
}
