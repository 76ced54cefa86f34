#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

#define DROPS 24

/* What a push really did, read from the noise-free state at every 0.4 um of commanded feed. */
struct seen {
    size_t drops;
    double peak_n[DROPS];
    double at_mm[DROPS];
    double last_n;
};

static struct seen push(const struct model_parameters *p, struct model_state *s, double feed_mm,
                        double speed_mm_s)
{
    struct seen seen = {0};
    double per_microstep = model_feed_per_microstep_mm(p, s->preload_n);
    for (int i = 1; i * 0.0004 <= feed_mm && seen.drops < DROPS; i++) {
        double before_n = s->force_n;
        model_step(p, s, i * 0.0004 / per_microstep, 0.0004 / speed_mm_s);
        if (s->force_n < before_n - 0.5) {
            seen.peak_n[seen.drops] = before_n;
            seen.at_mm[seen.drops] = s->commanded_mm;
            seen.drops++;
        }
    }
    seen.last_n = s->force_n;
    return seen;
}

static struct model_parameters exact(void)
{
    struct model_parameters p = model_default();
    memset(&p.spread, 0, sizeof p.spread);
    p.motor.torque_scatter = 0;
    p.nip.shear_scatter = 0;
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

static double mean_period(const struct seen *seen)
{
    return (seen->at_mm[seen->drops - 1] - seen->at_mm[0]) / (double)(seen->drops - 1);
}

Test(model_truth, motor_limited_push_stalls_where_the_truth_says)
{
    static const double speeds[] = {0.73, 5.1, 23.7, 41.3, 96.1};
    for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++) {
        struct model_parameters p = exact();
        struct model_state s = mounted(&p, 19);
        struct model_truth t = model_truth_nominal(&p, 0, speeds[i]);
        struct seen seen = push(&p, &s, 20, speeds[i]);
        cr_assert_eq(seen.drops, DROPS, "%g mm/s", speeds[i]);
        cr_expect_eq(t.limited_by, MODEL_LIMIT_MOTOR);
        cr_expect_not(t.settles);
        for (size_t j = 0; j < DROPS; j++)
            cr_expect_float_eq(seen.peak_n[j], t.stall_force_n, 0.02, "%g mm/s: %g N against %g N", speeds[i],
                               seen.peak_n[j], t.stall_force_n);
        cr_expect_float_eq(mean_period(&seen), t.drop_period_mm, 0.0004 / (DROPS - 1),
                           "%g mm/s: period %g against %g", speeds[i], mean_period(&seen), t.drop_period_mm);
        cr_expect_gt(t.drop_period_mm, 4 * 3.14159265358979 * 8 / 200);
    }
}

Test(model_truth, period_holds_past_the_onset_in_a_tube_and_when_the_filament_leaves_the_end)
{
    struct model_parameters cases[3] = {exact(), exact(), exact()};
    cases[0].motor.holding_torque_nm = 0.4831;
    cases[0].motor.supply_v = 30;
    cases[1].tube.bend_rad = 1.9;
    cases[1].tube.friction = 0.17;
    cases[1].tube.clearance_mm = 0.06;
    cases[2].fixture.stiffness_n_per_mm = 900;
    cases[2].motor.holding_torque_nm = 0.171;
    for (int i = 0; i < 3; i++) {
        struct model_state s = mounted(&cases[i], 19);
        struct model_truth t = model_truth_nominal(&cases[i], 0, 3.3);
        struct seen seen = push(&cases[i], &s, 40, 3.3);
        cr_assert_eq(seen.drops, DROPS, "case %d: %zu drops", i, seen.drops);
        cr_expect_float_eq(seen.peak_n[5], t.stall_force_n, 0.06, "case %d: %g N against %g N", i,
                           seen.peak_n[5], t.stall_force_n);
        cr_expect_float_eq(mean_period(&seen), t.drop_period_mm, 0.0004 / (DROPS - 1),
                           "case %d: period %.6f against %.6f", i, mean_period(&seen), t.drop_period_mm);
        cr_expect_eq(t.onset_reached, i == 0);
    }
}

Test(model_truth, forces_behind_a_tube_are_those_at_the_load_cell)
{
    struct model_parameters p = exact();
    struct model_truth bare = model_truth_nominal(&p, 0, 4);
    p.tube.bend_rad = 1.5707963267948966;
    p.tube.friction = 0.3;
    struct model_truth t = model_truth_nominal(&p, 0, 4);
    cr_expect_float_eq(bare.stall_force_n / t.stall_force_n, 1.60198, 5e-6);
    cr_expect_float_eq(bare.motor_limit_n / t.motor_limit_n, 1.60198, 5e-6);
    cr_expect_float_eq(bare.grip_limit_n / t.grip_limit_n, 1.60198, 5e-6);
    cr_expect_float_eq(bare.slip_onset_n / t.slip_onset_n, 1.60198, 5e-6);
    cr_expect_float_eq(t.creep_per_n / bare.creep_per_n, 1.60198, 5e-6);
    cr_expect_float_eq(t.gross_slip_per_n / bare.gross_slip_per_n, 1.60198, 5e-6);
    cr_expect_lt(t.stiffness_n_per_mm, bare.stiffness_n_per_mm);
}

Test(model_truth, grip_limited_push_settles_at_the_grip_limit)
{
    static const double speeds[] = {0.9, 6.7, 31};
    for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++) {
        struct model_parameters p = exact();
        p.motor.holding_torque_nm = 2.7;
        p.motor.supply_v = 130;
        p.nip.grip_speed_exponent = 0.07;
        struct model_state s = mounted(&p, 19);
        struct model_truth t = model_truth_nominal(&p, 0, speeds[i]);
        struct seen seen = push(&p, &s, 24, speeds[i]);
        cr_expect_eq(seen.drops, 0);
        cr_expect(t.settles && t.limited_by == MODEL_LIMIT_GRIP && t.onset_reached);
        cr_expect_eq(t.drop_period_mm, 0);
        cr_expect_float_eq(t.stall_force_n, 1.35 * 100 * pow(speeds[i], -0.07), 1e-9);
        cr_expect_float_eq(seen.last_n, t.stall_force_n, 0.001);
        cr_expect_float_eq(t.creep_per_n * t.grip_limit_n +
                               t.gross_slip_per_n * (t.grip_limit_n - t.slip_onset_n),
                           1, 1e-12);
    }
}

Test(model_truth, tearing_teeth_drop_once_per_tooth_and_its_lost_feed)
{
    static const double slip_mm[] = {0, 0.731, 6.1}; /* the last is more than the force can drive */
    for (size_t i = 0; i < sizeof slip_mm / sizeof slip_mm[0]; i++) {
        struct model_parameters p = exact();
        p.motor.holding_torque_nm = 2.7;
        p.motor.supply_v = 130;
        p.nip.shear_fraction = 0.88;
        p.nip.shear_slip_mm = slip_mm[i];
        struct model_state s = mounted(&p, 19);
        struct model_truth t = model_truth_nominal(&p, 0, 7.9);
        struct seen seen = push(&p, &s, 60, 7.9);
        cr_assert_geq(seen.drops, 8, "slip %g: %zu drops", slip_mm[i], seen.drops);
        cr_expect_eq(t.limited_by, MODEL_LIMIT_GRIP);
        cr_expect_not(t.settles);
        cr_expect_float_eq(t.shear_n, 0.88 * t.grip_limit_n, 1e-9);
        cr_expect_float_eq(seen.peak_n[3], t.stall_force_n, 0.02);
        cr_expect_float_eq(mean_period(&seen), t.drop_period_mm, 0.0005 / (double)(seen.drops - 1) + 2e-6,
                           "slip %g: period %g against %g", slip_mm[i], mean_period(&seen), t.drop_period_mm);
        cr_expect_eq(s.cycles_lost, 0, "the gear keeps turning");
    }
}

Test(model_truth, scattered_slip_back_has_no_period_and_peaks_scatter_about_the_truth)
{
    struct model_parameters p = exact();
    p.motor.holding_torque_nm = 2.7;
    p.motor.supply_v = 130;
    p.nip.shear_fraction = 0.88;
    p.nip.shear_scatter = 0.21;
    struct model_truth t = model_truth_nominal(&p, 0, 7.9);
    double sum = 0, squares = 0;
    int n = 0;
    cr_expect_eq(t.drop_period_mm, 0);
    for (uint64_t seed = 0; seed < 12; seed++) {
        struct model_state s = mounted(&p, seed);
        struct seen seen = push(&p, &s, 60, 7.9);
        for (size_t i = 0; i < seen.drops; i++, n++) {
            sum += seen.peak_n[i] / t.stall_force_n - 1;
            squares += pow(seen.peak_n[i] / t.stall_force_n - 1, 2);
        }
    }
    cr_expect_gt(n, 200);
    cr_expect_float_eq(sum / n, 0, 0.01);
    cr_expect_float_eq(sqrt(squares / n), 0.21 / 5, 0.006);
}

Test(model_truth, a_runs_truth_knows_its_factors_and_its_eccentric_radius)
{
    for (uint64_t seed = 1; seed <= 12; seed++) {
        struct model_parameters p = model_default();
        p.motor.torque_scatter = 0;
        p.nip.wear_per_m = 0;
        p.gear.eccentricity_mm = 0.19;
        struct model_state s = mounted(&p, seed);
        struct model_truth t = model_truth_of_run(&p, &s, 6.1);
        struct model_truth nominal = model_truth_nominal(&p, 0, 6.1);
        cr_expect_float_eq(t.grip_limit_n / nominal.grip_limit_n, s.refit_factor * s.repeat_factor, 1e-12);
        struct seen seen = push(&p, &s, 5, 6.1);
        cr_assert_geq(seen.drops, 1, "seed %d", (int)seed);
        cr_expect_float_eq(seen.peak_n[0], t.stall_force_n, 0.02, "seed %d: %g N against %g N", (int)seed,
                           seen.peak_n[0], t.stall_force_n);
    }
}

Test(model_truth, torque_scatter_leaves_the_median_peak_where_the_truth_is)
{
    struct model_parameters p = exact();
    p.motor.torque_scatter = 0.021;
    struct model_truth t = model_truth_nominal(&p, 0, 6.1);
    int above = 0, n = 0;
    double squares = 0;
    for (uint64_t seed = 1; seed <= 20; seed++) {
        struct model_state s = mounted(&p, seed);
        struct seen seen = push(&p, &s, 20, 6.1);
        for (size_t i = 0; i < seen.drops; i++, n++) {
            above += seen.peak_n[i] > t.stall_force_n;
            squares += pow(seen.peak_n[i] / t.stall_force_n - 1, 2);
        }
    }
    cr_expect_gt(n, 400);
    cr_expect_float_eq((double)above / n, 0.5, 0.1);
    cr_expect_float_eq(sqrt(squares / n), 0.021, 0.003);
}

Test(model_truth, force_falls_in_inverse_proportion_to_the_drive_diameter)
{
    struct model_parameters p = exact();
    double eight = model_truth_nominal(&p, 0, 5).stall_force_n;
    p.gear.drive_diameter_mm = 12;
    struct model_truth t = model_truth_nominal(&p, 0, 5);
    struct model_state s = mounted(&p, 2);
    struct seen seen = push(&p, &s, 8, 5);
    cr_expect_float_eq(t.stall_force_n / eight, 2 / 3.0, 1e-12);
    cr_expect_float_eq(seen.peak_n[0], eight * 2 / 3, 0.02);
}

Test(model_truth, preload_raises_grip_until_saturation_and_lowers_creep)
{
    struct model_parameters p = exact();
    struct model_truth low = model_truth_nominal(&p, 41, 1);
    struct model_truth high = model_truth_nominal(&p, 119, 1);
    struct model_truth past = model_truth_nominal(&p, 149, 1);
    cr_expect_float_eq(low.grip_limit_n, 1.35 * 41, 1e-9);
    cr_expect_float_eq(high.grip_limit_n, 1.35 * 119, 1e-9);
    cr_expect_float_eq(past.grip_limit_n, 1.35 * 120, 1e-9);
    cr_expect_float_eq(low.creep_per_n, 0.0004 + 0.0015 * exp(-41.0 / 50), 1e-12);
    cr_expect_gt(high.creep_per_n, past.creep_per_n);
    cr_expect_eq(low.limited_by, MODEL_LIMIT_GRIP);
}
