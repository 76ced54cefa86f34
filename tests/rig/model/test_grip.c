/* Grip from the geometry of the teeth, and what must follow from it without being said. */
#include "rig/model/grip.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

/* A gear of that diameter with about that pitch, on a motor that outlasts any grip. */
static struct model_parameters toothed(double diameter_mm, double pitch_mm, double depth_mm)
{
    struct model_parameters p = model_default();
    memset(&p.spread, 0, sizeof p.spread);
    p.motor.torque_scatter = 0;
    p.motor.holding_torque_nm = 3;
    p.motor.supply_v = 150;
    p.gear.drive_diameter_mm = diameter_mm;
    p.gear.teeth = (int)lround(3.141592653589793 * diameter_mm / pitch_mm);
    p.gear.eccentricity_mm = 0;
    p.gear.tooth_ripple_mm = 0;
    p.nip.wear_per_m = 0;
    p.nip.grip_speed_exponent = 0;
    p.nip.dent_mm_per_n = 0;
    p.nip.hardness_mpa = 60;
    p.nip.shear_strength_mpa = 40;
    p.nip.tooth_depth_mm = depth_mm;
    cr_assert_null(model_check(&p), "%s", model_check(&p));
    return p;
}

static double grip_n(const struct model_parameters *p, double preload_n)
{
    struct model_truth t = model_truth_nominal(p, preload_n, 5);
    cr_expect_eq(t.limited_by, MODEL_LIMIT_GRIP);
    cr_expect_float_eq(t.stall_force_n, t.grip_limit_n, 1e-9);
    return t.stall_force_n;
}

Test(grip, agrees_with_a_case_worked_by_hand)
{
    struct model_parameters p = toothed(9.3, 0.85, 0.47);
    struct grip g = grip_at(&p, 71.5, 0);
    /* sqrt(9.3 * 1.75) = 4.0342286 mm; h = 71.5 / (60 pi 4.0342286) = 0.0940252 mm. */
    cr_expect_float_eq(g.indentation_mm, 0.0940252334, 1e-9);
    cr_expect_float_eq(g.pitch_mm, 3.141592653589793 * 9.3 / 34, 1e-12);
    cr_expect_float_eq(g.contact_mm, 1.870224233, 1e-6);
    cr_expect_float_eq(g.teeth_engaged, 1.870224233 / g.pitch_mm, 1e-6);
    cr_expect_float_eq(g.grip_n, 60.69108497, 1e-7);
    cr_expect_not(g.saturated);
    /* The indented area times the hardness is the preload: below saturation the grip is 4 tau / (pi H) of it.
     */
    cr_expect_float_eq(g.grip_n, 71.5 * 4 * 40 / (3.141592653589793 * 60), 1e-9);
    p.nip.tooth_depth_mm = 0;
    cr_expect_float_eq(grip_at(&p, 71.5, 0).depth_mm, 0.6 * g.pitch_mm, 1e-12);
}

Test(grip, more_preload_helps_until_the_teeth_are_full)
{
    struct model_parameters p = toothed(9.3, 0.85, 0.13);
    double full_n = 0.13 * 60 * 3.141592653589793 * sqrt(9.3 * 1.75); /* 98.9 N */
    cr_expect_float_eq(grip_n(&p, 40) / grip_n(&p, 80), 0.5, 1e-9);
    cr_expect_lt(grip_n(&p, 0.999 * full_n), grip_n(&p, full_n));
    cr_expect_float_eq(grip_n(&p, 1.001 * full_n), grip_n(&p, full_n), 1e-9);
    cr_expect_float_eq(grip_n(&p, 3 * full_n), grip_n(&p, full_n), 1e-9);
}

Test(grip, saturated_it_grows_with_the_root_of_the_diameter_while_the_motors_force_falls)
{
    struct model_parameters small = toothed(4.5, 0.8, 0.1);
    struct model_parameters large = toothed(13.1, 0.8, 0.1);
    cr_expect_float_eq(grip_n(&large, 200) / grip_n(&small, 200), sqrt(13.1 / 4.5), 1e-9);
    /* A motor good for 60 N at 13.1 mm: at 4.5 mm it could push 175 N, and the small gear grinds instead. */
    small.motor.holding_torque_nm = large.motor.holding_torque_nm = 60 * 13.1 / 2000 / 0.97;
    struct model_truth s = model_truth_nominal(&small, 200, 5);
    struct model_truth l = model_truth_nominal(&large, 200, 5);
    cr_expect_float_eq(s.motor_limit_n / l.motor_limit_n, 13.1 / 4.5, 1e-9, "%g %g", s.motor_limit_n,
                       l.motor_limit_n);
    cr_expect_eq(s.limited_by, MODEL_LIMIT_GRIP);
    cr_expect_eq(l.limited_by, MODEL_LIMIT_MOTOR);
}

Test(grip, a_contact_shorter_than_a_tooth_holds_only_part_of_the_way)
{
    struct model_parameters p = toothed(3.1, 1.6, 0.5);
    struct grip g = grip_at(&p, 12, 0);
    cr_expect_lt(g.teeth_engaged, 0.6);
    cr_expect_float_eq(g.grip_n, 12 * 4 * 40 / (3.141592653589793 * 60) * g.teeth_engaged, 1e-9);
}

Test(grip, teeth_on_both_sides_outgrip_a_plain_idler)
{
    struct model_parameters p = toothed(8, 0.97, 0.5);
    double one_n = grip_n(&p, 70);
    p.nip.toothed_sides = 1;
    cr_expect_float_eq(grip_n(&p, 70), one_n, 1e-12, "0 counts as 1");
    p.nip.toothed_sides = 2;
    cr_expect_float_eq(grip_n(&p, 70), 2 * one_n, 1e-9);
}

/* Feed metres with the end free, then tell what the grip has become. */
static double grip_after_n(const struct model_parameters *parameters, double metres, struct model_state *s)
{
    struct model_parameters p = *parameters;
    p.fixture.end = MODEL_END_FREE;
    double per_microstep = model_feed_per_microstep_mm(&p, s->preload_n);
    model_begin_run(&p, s, 70);
    for (int i = 1; i <= 100; i++)
        model_step(&p, s, metres * 10 * i / per_microstep, 0.2 * metres);
    model_begin_run(parameters, s, 70);
    return model_truth_of_run(parameters, s, 5).grip_limit_n;
}

Test(grip, fine_teeth_clog_where_coarse_ones_hold)
{
    /* Pitches and depths of coarse screw threads M3 and M5 (ISO 261), the same debris and preload. */
    struct model_parameters fine = toothed(8, 0.5, 0.3);
    struct model_parameters coarse = toothed(8, 0.8, 0.49);
    fine.nip.debris_mm_per_m = coarse.nip.debris_mm_per_m = 0.025;
    struct model_state f = {0};
    struct model_state c = {0};
    model_mount(&fine, &f, 5);
    model_mount(&coarse, &c, 5);
    double new_n = grip_n(&fine, 70);
    cr_expect_float_eq(grip_n(&coarse, 70), new_n, 1e-9, "clean, both are full of filament");
    double fine_n = grip_after_n(&fine, 4, &f);
    cr_expect_float_eq(fine_n, new_n, 1e-9);
    fine_n = grip_after_n(&fine, 6, &f);
    double coarse_n = grip_after_n(&coarse, 10, &c);
    cr_expect_float_eq(coarse_n, new_n, 1e-9, "10 m leave 0.24 mm of 0.49 mm");
    cr_expect_lt(fine_n, 0.6 * new_n, "10 m leave 0.05 mm of 0.3 mm");
    cr_expect_float_eq(model_fed_since_cleaning_m(&f), 10, 1e-9);
    model_clean(&f);
    model_begin_run(&fine, &f, 70);
    cr_expect_float_eq(model_truth_of_run(&fine, &f, 5).grip_limit_n, new_n, 1e-9, "cleaned, it is as new");
    cr_expect_eq(model_fed_since_cleaning_m(&f), 0);
    fine_n = grip_after_n(&fine, 20, &f);
    cr_expect(fine_n > 0 && fine_n < 0.01, "full to the brim, %g N", fine_n);
}

Test(grip, fades_by_the_metre_and_not_below_a_tenth)
{
    struct model_parameters p = toothed(8, 0.97, 0.5);
    p.nip.hardness_mpa = 0;
    p.nip.fade_per_m = 0.03;
    double new_n = grip_n(&p, 70);
    cr_expect_float_eq(new_n, 1.35 * 70, 1e-9);
    struct model_state s = {0};
    model_mount(&p, &s, 5);
    double left_n = grip_after_n(&p, 7, &s);
    cr_expect_float_eq(left_n, new_n * (1 - 0.21), 1e-6 * new_n);
    model_mount(&p, &s, 6);
    left_n = grip_after_n(&p, 0, &s);
    cr_expect_float_eq(left_n, new_n * (1 - 0.21), 1e-6 * new_n, "a mounting cleans nothing");
    left_n = grip_after_n(&p, 90, &s);
    cr_expect_float_eq(left_n, new_n / 10, 1e-6 * new_n);
    model_clean(&s);
    left_n = grip_after_n(&p, 0, &s);
    cr_expect_float_eq(left_n, new_n, 1e-9 * new_n);
}

Test(grip, a_push_settles_at_the_grip_that_debris_leaves)
{
    struct model_parameters p = toothed(8, 0.5, 0.3);
    p.nip.debris_mm_per_m = 0.025;
    struct model_state s = {0};
    model_mount(&p, &s, 5);
    double left_n = grip_after_n(&p, 10.5, &s);
    double per_microstep = model_feed_per_microstep_mm(&p, s.preload_n);
    model_begin_run(&p, &s, 70);
    for (int i = 1; i <= 4000; i++)
        model_step(&p, &s, 0.005 * i / per_microstep, 0.001);
    /* 20 mm more take some of it. */
    struct model_state after = s;
    model_begin_run(&p, &after, 70);
    double still_n = model_truth_of_run(&p, &after, 5).grip_limit_n;
    cr_expect(s.force_n < left_n && s.force_n > 0.99 * still_n, "%g N, %g at first, %g at last", s.force_n,
              left_n, still_n);
}

Test(grip, wear_and_spread_act_on_it_too)
{
    struct model_parameters p = toothed(8, 0.97, 0.5);
    double new_n = grip_n(&p, 70);
    p.spread.refit = 0.03;
    p.nip.wear_per_m = 0.4;
    p.nip.grip_speed_exponent = 0.05;
    struct model_state s = {.gross_slip_mm = 700};
    model_mount(&p, &s, 5);
    model_begin_run(&p, &s, 70);
    cr_expect_neq(s.refit_factor, 1);
    cr_expect_float_eq(model_truth_of_run(&p, &s, 5).grip_limit_n,
                       new_n * s.refit_factor * exp(-0.28) * pow(5, -0.05), 1e-9);
}

Test(grip, a_grip_that_changes_within_a_step_does_not_depend_on_the_step)
{
    struct model_parameters p = toothed(8, 0.97, 0.5);
    p.nip.fade_per_m = 9;
    struct model_state a = {0};
    model_mount(&p, &a, 5);
    double per_microstep = model_feed_per_microstep_mm(&p, a.preload_n);
    model_begin_run(&p, &a, 70);
    struct model_state b = a;
    for (int i = 1; i <= 3000; i++)
        model_step(&p, &a, 0.01 * i / per_microstep, 0.002);
    model_step(&p, &b, 30 / per_microstep, 6);
    cr_expect_lt(a.force_n, 0.75 * grip_n(&p, 70));
    cr_expect_float_eq(b.force_n, a.force_n, 0.01);
}
