/* Forward and back: play of the reduction, tube and creep, and the truth about the loop, which knows nothing
 * of time steps, against a finely stepped push. */
#include "rig/model/model.h"
#include "rig/model/push_line.h"

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

static struct model_state mounted(const struct model_parameters *p)
{
    struct model_state s = {0};
    cr_assert_null(model_check(p), "%s", model_check(p));
    model_mount(p, &s, 19);
    model_begin_run(p, &s, 0);
    return s;
}

static const double SPEED_MM_S = 4;
static const double STEP_MM = 0.0004;

static void step(const struct model_parameters *p, struct model_state *s, double travel_mm)
{
    double per_microstep = model_feed_per_microstep_mm(p, s->preload_n);
    model_step(p, s, (s->commanded_mm + travel_mm) / per_microstep, fabs(travel_mm) / SPEED_MM_S);
}

static void move(const struct model_parameters *p, struct model_state *s, double travel_mm)
{
    int n = (int)lround(fabs(travel_mm) / STEP_MM);
    for (int i = 0; i < n; i++)
        step(p, s, travel_mm / n);
}

Test(model_reversal, unloaded_the_drive_crosses_its_play_before_the_filament_moves)
{
    struct model_parameters p = exact();
    p.fixture.end = MODEL_END_FREE;
    p.gear.backlash_mm = 0.0834;
    struct model_state s = mounted(&p);
    move(&p, &s, 3.1);
    cr_expect_float_eq(s.filament_mm, 3.1, 1e-9, "a run begins as when pushing");
    move(&p, &s, -0.06);
    cr_expect_float_eq(s.filament_mm, 3.1, 1e-9);
    cr_expect_float_eq(s.backlash_at_mm, 0.06, 1e-9);
    move(&p, &s, -1.06);
    cr_expect_float_eq(s.filament_mm, 3.1 - 1.12 + 0.0834, 1e-9);
    cr_expect_float_eq(s.backlash_at_mm, 0.0834, 1e-9);
    move(&p, &s, 0.05);
    cr_expect_float_eq(s.filament_mm, 3.1 - 1.12 + 0.0834, 1e-9);
    move(&p, &s, 2);
    cr_expect_float_eq(s.filament_mm, 3.1 - 1.12 + 2.05, 1e-9);
    cr_expect_eq(s.backlash_at_mm, 0);
}

Test(model_reversal, while_loaded_the_push_holds_the_flanks_together)
{
    struct model_parameters p = exact();
    p.nip.creep_floor_per_n = p.nip.creep_extra_per_n = 0;
    p.gear.backlash_mm = 0.0834;
    struct model_state s = mounted(&p);
    move(&p, &s, 2);
    double force_n = s.force_n;
    double filament_mm = s.filament_mm;
    cr_assert_gt(force_n, 40);
    move(&p, &s, -0.3);
    cr_expect_eq(s.backlash_at_mm, 0);
    cr_expect_lt(s.filament_mm, filament_mm - 0.29, "the filament goes back at once");
    while (s.force_n > 0)
        step(&p, &s, -STEP_MM);
    cr_expect_float_eq(s.filament_mm, p.fixture.gap_mm, STEP_MM);
    filament_mm = s.filament_mm;
    move(&p, &s, -0.07);
    cr_expect_float_eq(s.filament_mm, filament_mm, STEP_MM, "then it stands still in the play");
    move(&p, &s, -0.43);
    cr_expect_float_eq(s.filament_mm, filament_mm - 0.5 + 0.0834, 2 * STEP_MM);
    /* Forward again: the same contact at the same commanded position, as nothing crept. */
    move(&p, &s, 2 - s.commanded_mm);
    cr_expect_float_eq(s.force_n, force_n, 1e-5);
}

Test(model_reversal, the_play_does_not_depend_on_the_time_step)
{
    struct model_parameters p = exact();
    p.gear.backlash_mm = 0.0834;
    p.nip.creep_floor_per_n = 0.001;
    struct model_state a = mounted(&p);
    struct model_state b = mounted(&p);
    static const double ways[] = {2.2, -2.7, 2.5, -1.9, 0.6};
    for (size_t i = 0; i < 5; i++) {
        move(&p, &a, ways[i]);
        step(&p, &b, ways[i]);
        cr_expect_float_eq(a.filament_mm, b.filament_mm, 2e-5, "way %zu", i);
        cr_expect_float_eq(a.force_n, b.force_n, 1e-3, "way %zu", i);
        cr_expect_float_eq(a.backlash_at_mm, b.backlash_at_mm, 2e-5, "way %zu", i);
    }
}

Test(model_reversal, creep_on_the_way_back_gives_way_to_the_force_too)
{
    struct model_parameters p = exact();
    p.nip.creep_floor_per_n = 0.002;
    p.nip.creep_extra_per_n = 0;
    struct model_state s = mounted(&p);
    move(&p, &s, 2.3);
    double filament_mm = s.filament_mm;
    double gear_mm = s.gear_mm;
    double force_n = s.force_n;
    move(&p, &s, -0.1);
    double back_mm = filament_mm - s.filament_mm;
    double share = 0.002 * (force_n + s.force_n) / 2;
    cr_expect_float_eq(back_mm, (gear_mm - s.gear_mm) * (1 + share), 1e-6);
    cr_expect_gt(back_mm, 1.05 * (gear_mm - s.gear_mm));
}

/* The loop of contact, force_n at the cell, release: integral of force over commanded feed by the trapezoid
 * rule. */
static double stepped_loop_mj(const struct model_parameters *p, double force_n, double *ratio)
{
    struct model_state s = mounted(p);
    double sum = 0;
    double turn_feeder_n = 0;
    bool back = false;
    *ratio = 0;
    do {
        struct model_state before = s;
        step(p, &s, back ? -STEP_MM : STEP_MM);
        if (!back && s.force_n >= force_n) {
            /* Go only as far as the force asked for: the way there is all but straight. */
            double part = (force_n - before.force_n) / (s.force_n - before.force_n);
            s = before;
            step(p, &s, part * STEP_MM);
            cr_assert_float_eq(s.force_n, force_n, 1e-4);
            turn_feeder_n = s.force_feeder_n;
            sum += (before.force_n + s.force_n) / 2 * part * STEP_MM;
            back = true;
            continue;
        }
        sum += (before.force_n + s.force_n) / 2 * (s.commanded_mm - before.commanded_mm);
        /* The end force moves again: the filament slides back in the tube. */
        if (back && *ratio == 0 && s.force_end_n < before.force_end_n)
            *ratio = turn_feeder_n / before.force_feeder_n;
    } while (!back || s.force_n > 0);
    return sum;
}

Test(model_reversal, truth_agrees_with_a_finely_stepped_push)
{
    static const struct {
        double bend_rad, friction, clearance_mm, creep_per_n, backlash_mm, force_n;
        bool at_feeder;
    } cases[] = {
        {0, 0, 0, 0.0011, 0, 47.3, false},
        {0, 0, 0, 0.0006, 0.0713, 61.9, true},
        {1.5707963, 0.21, 0, 0.0004, 0, 38.7, false},
        {2.3561945, 0.17, 0.0931, 0.0009, 0.041, 33.1, false},
        {2.3561945, 0.17, 0.0931, 0.0009, 0.041, 52.7, true},
        {0.7853982, 0.34, 0.217, 0, 0, 44.9, true},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct model_parameters p = exact();
        p.tube.bend_rad = cases[i].bend_rad;
        p.tube.friction = cases[i].friction;
        p.tube.clearance_mm = cases[i].clearance_mm;
        p.nip.creep_floor_per_n = cases[i].creep_per_n;
        p.nip.creep_extra_per_n = 0;
        p.gear.backlash_mm = cases[i].backlash_mm;
        p.sensor.at_feeder = cases[i].at_feeder;
        double ratio;
        double seen = stepped_loop_mj(&p, cases[i].force_n, &ratio);
        struct model_reversal_truth t = model_truth_reversal(&p, 0, SPEED_MM_S, cases[i].force_n);
        cr_expect_float_eq(t.hysteresis_mj, seen, 1e-3 * fabs(seen), "case %zu: %.6g, stepped %.6g N mm", i,
                           t.hysteresis_mj, seen);
        cr_expect_gt(fabs(seen), 0.5);
        /* The end's force falls later than it rose: seen there, a loop with a tube runs the other way round.
         */
        cr_expect_eq(seen<0, cases[i].friction> 0 && !cases[i].at_feeder);
        cr_expect_float_eq(t.force_ratio, exp(2 * cases[i].bend_rad * cases[i].friction), 1e-12);
        /* One step changes the force at the nip by 0.05 N. */
        cr_expect_float_eq(t.force_ratio, ratio, 3e-3 * ratio, "case %zu: ratio seen %g", i, ratio);
        cr_expect_float_eq(t.lost_motion_mm, cases[i].backlash_mm + cases[i].clearance_mm, 1e-12);
    }
}

Test(model_reversal, truth_past_the_onset_agrees_too)
{
    struct model_parameters p = exact();
    p.motor.holding_torque_nm = 1;
    p.motor.supply_v = 60;
    p.nip.grip_coefficient = 0.8; /* 79 N of grip, 55 N of onset at this speed */
    double ratio;
    double seen = stepped_loop_mj(&p, 68.3, &ratio);
    cr_expect_gt(68.3, model_truth_nominal(&p, 0, SPEED_MM_S).slip_onset_n);
    struct model_reversal_truth t = model_truth_reversal(&p, 0, SPEED_MM_S, 68.3);
    cr_expect_float_eq(t.hysteresis_mj, seen, 1e-3 * seen, "%.6g, stepped %.6g N mm", t.hysteresis_mj, seen);
}

Test(model_reversal, there_is_no_loop_to_a_force_that_cannot_be_pushed)
{
    struct model_parameters p = exact();
    double stall_n = model_truth_nominal(&p, 0, SPEED_MM_S).stall_force_n;
    cr_expect(isfinite(model_truth_reversal(&p, 0, SPEED_MM_S, 0.99 * stall_n).hysteresis_mj));
    cr_expect(isnan(model_truth_reversal(&p, 0, SPEED_MM_S, 1.01 * stall_n).hysteresis_mj));
    p.motor.holding_torque_nm = 2;
    p.motor.supply_v = 120;
    double grip_n = model_truth_nominal(&p, 0, SPEED_MM_S).grip_limit_n;
    cr_expect(isfinite(model_truth_reversal(&p, 0, SPEED_MM_S, 0.99 * grip_n).hysteresis_mj));
    cr_expect(isnan(model_truth_reversal(&p, 0, SPEED_MM_S, 1.01 * grip_n).hysteresis_mj));
}

/* Work put in at the nip, less what the springs hold, is what friction has taken: never less than before. */
Test(model_reversal, no_path_of_the_line_makes_energy)
{
    struct model_random r = {7717};
    for (int i = 0; i < 60; i++) {
        struct model_parameters p = exact();
        p.tube.bend_rad = 4 * model_random_uniform(&r);
        p.tube.friction = 0.3 * model_random_uniform(&r);
        p.tube.clearance_mm = 0.6 * model_random_uniform(&r);
        p.fixture.free_length_mm = 10 + 150 * model_random_uniform(&r);
        const struct push_line line = push_line_blocked(&p);
        struct push_line_state s = {0};
        double work_mj = 0, taken_mj = 0, way_mm = 0;
        for (int k = 0; k < 20000; k++) {
            if (k % 740 == 0)
                way_mm = 0.001 * (model_random_uniform(&r) - 0.47);
            double before_n = s.force_feeder_n;
            push_line_move(&line, &s, way_mm);
            work_mj += (before_n + s.force_feeder_n) / 2 * way_mm;
            double held_mj = s.force_feeder_n * s.force_feeder_n / (2 * line.column_n_per_mm) +
                             s.force_end_n * s.force_end_n / (2 * line.end_n_per_mm);
            /* The trapezoids are off at the corners. */
            cr_assert_geq(work_mj - held_mj, taken_mj - 0.02, "path %d, step %d", i, k);
            taken_mj = fmax(taken_mj, work_mj - held_mj);
            cr_assert(!(s.force_feeder_n > 0) || s.play_mm == 0, "path %d, step %d: force and play", i, k);
        }
    }
}

Test(model_reversal, hysteresis_at_the_feeder_is_never_negative)
{
    struct model_random r = {991};
    for (int i = 0; i < 100; i++) {
        struct model_parameters p = exact();
        p.sensor.at_feeder = true;
        p.tube.bend_rad = i % 4 == 0 ? 0 : 5 * model_random_uniform(&r);
        p.tube.friction = 0.3 * model_random_uniform(&r);
        p.tube.clearance_mm = 0.6 * model_random_uniform(&r);
        p.gear.backlash_mm = 0.3 * model_random_uniform(&r);
        p.nip.creep_floor_per_n = i % 3 == 0 ? 0 : 0.001 * model_random_uniform(&r);
        p.nip.creep_extra_per_n = 0;
        struct model_reversal_truth t =
            model_truth_reversal(&p, 0, SPEED_MM_S, 20 + 20 * model_random_uniform(&r));
        cr_expect_geq(t.hysteresis_mj, -1e-9, "%d: %g", i, t.hysteresis_mj);
    }
}
