#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The default feeder with nothing left to chance and a round gear. */
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

/* The same with a motor that always outlasts the grip. */
static struct model_parameters strong(void)
{
    struct model_parameters p = exact();
    p.motor.holding_torque_nm = 2.7;
    p.motor.supply_v = 130;
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

/* Move on by feed_mm at speed_mm_s in steps of dt_s. */
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

static double full_step_mm(const struct model_parameters *p, const struct model_state *s)
{
    return model_feed_per_microstep_mm(p, s->preload_n) * p->motor.microsteps;
}

static double lag_mm(const struct model_parameters *p, const struct model_state *s)
{
    return s->commanded_mm - (s->gear_mm - s->backlash_at_mm) -
           4 * full_step_mm(p, s) * (double)s->cycles_lost;
}

Test(model, pull_out_torque_agrees_with_the_outside_check)
{
    /* Two-phase hybrid stepper, 50 rotor teeth, psi 0.008 Wb, 1.5 ohm, 2.8 mH, 24 V (Acarnley's formula,
     * recomputed elsewhere by maximising the phasor torque and by integrating both phase circuits). */
    static const struct {
        double rev_s, torque_nm;
    } cases[] = {{0, 8.1487330863}, {0.5, 7.5109471810}, {1, 6.5305069909}, {2, 4.7226835585},
                 {5, 2.2811758118}, {10, 1.1803982331},  {20, 0.5955236171}};
    struct model_motor m = {.full_steps_per_rev = 200,
                            .holding_torque_nm = 1000,
                            .flux_linkage_wb = 0.008,
                            .resistance_ohm = 1.5,
                            .inductance_h = 0.0028,
                            .supply_v = 24};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double w = 2 * 3.14159265358979323846 * 50 * cases[i].rev_s;
        cr_expect_float_eq(model_motor_torque_nm(&m, w) / cases[i].torque_nm, 1, 1e-9, "%g rev/s",
                           cases[i].rev_s);
    }
    m.holding_torque_nm = 3.107;
    cr_expect_eq(model_motor_torque_nm(&m, 2 * 3.14159265358979323846 * 50 * 2), 3.107,
                 "current-limited part");
    cr_expect_lt(model_motor_torque_nm(&m, 2 * 3.14159265358979323846 * 50 * 5), 2.3);
}

Test(model, random_numbers_are_splitmix64)
{
    struct model_random r = {1234567};
    /* First outputs published with the generator for this seed. */
    double first = model_random_uniform(&r);
    double second = model_random_uniform(&r);
    cr_expect_float_eq(first, (double)(UINT64_C(6457827717110365317) >> 11) * 0x1p-53, 1e-15);
    cr_expect_float_eq(second, (double)(UINT64_C(3203168211198807973) >> 11) * 0x1p-53, 1e-15);
    double sum = 0, squares = 0, fourth = 0;
    for (int i = 0; i < 200000; i++) {
        double x = model_random_normal(&r);
        sum += x;
        squares += x * x;
        fourth += x * x * x * x;
    }
    cr_expect_float_eq(sum / 200000, 0, 0.01);
    cr_expect_float_eq(squares / 200000, 1, 0.015);
    cr_expect_float_eq(fourth / 200000, 3, 0.1);
}

Test(model, straight_push_follows_the_load_angle_equation)
{
    /* d delta / d x = 1 / (2 step / pi + F_m cos(delta) / (k (1 - s))), integrated here by itself in fine
     * steps. */
    struct model_parameters p = exact();
    p.fixture.gap_mm = 0;
    p.motor.holding_torque_nm = 0.4831; /* 117 N: past the onset, so that both branches of s are used */
    p.motor.supply_v = 30;
    struct model_state s = mounted(&p, 4);
    double step = full_step_mm(&p, &s);
    double k = model_stiffness_n_per_mm(&p.fixture);
    double grip = 1.35 * 100 * pow(3.7, -0.02);
    double creep = 0.0004 + 0.0015 * exp(-2);
    double gross = (1 - creep * grip) / (0.3 * grip);
    double motor = 2 * 0.97 * 0.4831 / 0.008;
    double delta = 0;
    double dx = 1e-5;
    int n = 0;
    while (delta < 1.56 && n < 1000000) {
        double half = delta;
        for (int stage = 0; stage < 2; stage++) {
            double force = motor * sin(half);
            double share = creep * force + gross * fmax(0, force - 0.7 * grip);
            double slope = 1 / (2 * step / 3.14159265358979 + motor * cos(half) / (k * (1 - share)));
            half = delta + slope * (stage == 0 ? dx / 2 : dx);
        }
        delta = half;
        n++;
        if (n % 60000 == 0) {
            move(&p, &s, 60000 * dx, 3.7, 60000 * dx / 3.7 / 60);
            cr_expect_float_eq(s.force_n, motor * sin(delta), 1e-3, "at %g mm: %g N against %g N",
                               s.commanded_mm, s.force_n, motor * sin(delta));
        }
    }
    cr_expect_gt(n, 400000);
    cr_expect_eq(s.cycles_lost, 0);
}

Test(model, force_is_stiffness_times_filament_travel)
{
    struct model_parameters p = model_default();
    struct model_state s = mounted(&p, 17);
    double k = model_stiffness_n_per_mm(&p.fixture);
    for (int i = 0; i < 900; i++) {
        move(&p, &s, i % 300 < 200 ? 0.019 : -0.013, 7.3, 0.001);
        cr_assert_float_eq(s.force_n, k * fmax(0, s.filament_mm - p.fixture.gap_mm), 1e-9);
        cr_assert_eq(s.force_n, s.force_feeder_n);
    }
    cr_expect_gt(s.cycles_lost, 0);
}

Test(model, rotor_lags_one_full_step_when_a_cycle_is_lost)
{
    struct model_parameters p = model_default();
    struct model_state s = mounted(&p, 91);
    double step = full_step_mm(&p, &s);
    int losses = 0;
    for (int i = 0; i < 40000 && losses < 5; i++) {
        double lag = lag_mm(&p, &s);
        int64_t before = s.cycles_lost;
        move(&p, &s, 0.0002, 5.3, 0.0002 / 5.3);
        cr_assert(lag_mm(&p, &s) > -1e-9 && lag_mm(&p, &s) < step + 1e-9, "lag %g mm", lag_mm(&p, &s));
        if (s.cycles_lost > before) {
            cr_expect_float_eq(lag, step, 0.0003);
            losses++;
        }
    }
    cr_expect_eq(losses, 5);
}

Test(model, lag_falls_when_the_push_is_taken_back)
{
    struct model_parameters p = exact();
    struct model_state s = mounted(&p, 3);
    move(&p, &s, 2.45, 4.9, 0.001);
    double lag = lag_mm(&p, &s);
    double force = s.force_n;
    cr_expect_float_eq(
        lag, full_step_mm(&p, &s) * 2 / 3.14159265358979 * asin(force / (2 * 0.97 * 0.3505 / 0.008)), 1e-7);
    move(&p, &s, -0.98, 4.9, 0.001);
    cr_expect_lt(s.force_n, force - 20);
    cr_expect_lt(lag_mm(&p, &s), lag);
    move(&p, &s, -1.96, 4.9, 0.001);
    cr_expect_eq(s.force_n, 0);
    cr_expect_float_eq(lag_mm(&p, &s), 0, 1e-8);
    cr_expect_float_eq(s.gear_mm, -0.49, 1e-8);
    /* Creep goes with the force, forward as well as back, so the filament is now behind the gear. */
    cr_expect_lt(s.filament_mm, s.gear_mm - 0.01);
    cr_expect_eq(s.gross_slip_mm, 0);
}

Test(model, force_holds_when_standing_still)
{
    struct model_parameters p = exact();
    struct model_state s = mounted(&p, 3);
    move(&p, &s, 2.3, 4.6, 0.001);
    double counts = s.commanded_mm / model_feed_per_microstep_mm(&p, s.preload_n);
    model_step(&p, &s, counts, 0.001);
    double force = s.force_n;
    for (int i = 0; i < 500; i++)
        model_step(&p, &s, counts, 0.01);
    cr_expect_float_eq(s.force_n, force, 1e-8);
    cr_expect_gt(force, 40);
}

Test(model, a_sudden_speed_costs_as_many_cycles_as_it_takes)
{
    struct model_parameters p = exact();
    struct model_state s = mounted(&p, 3);
    move(&p, &s, 3.2, 4, 0.001);
    cr_expect_eq(s.cycles_lost, 0);
    double before = s.force_n;
    double limit = model_truth_nominal(&p, 0, 90).motor_limit_n;
    move(&p, &s, 0.09, 90, 0.001);
    cr_expect_lt(limit, 30);
    cr_expect_gt(before, 60);
    cr_expect_lt(s.force_n, limit);
    cr_expect_geq(s.cycles_lost, 3);
    cr_expect_gt(s.force_n, limit - 17, "not further back than the cycles need");
}

Test(model, lost_share_bends_at_the_onset)
{
    struct model_parameters p = strong();
    struct model_state s = mounted(&p, 8);
    struct model_truth t = model_truth_nominal(&p, 0, 5.1);
    double share[3];
    static const double at[3] = {0.5, 0.97, 1.2}; /* of the onset force */
    for (int i = 0; i < 3; i++) {
        while (s.force_n < at[i] * t.slip_onset_n)
            move(&p, &s, 0.00051, 5.1, 0.0001);
        double gear = s.gear_mm, filament = s.filament_mm, force = s.force_n;
        move(&p, &s, 0.00051, 5.1, 0.0001);
        share[i] = 1 - (s.filament_mm - filament) / (s.gear_mm - gear);
        force = (force + s.force_n) / 2;
        cr_expect_float_eq(
            share[i], t.creep_per_n * force + t.gross_slip_per_n * fmax(0, force - t.slip_onset_n), 1e-6);
    }
    cr_expect_float_eq(share[1] / share[0], 0.97 / 0.5, 0.001, "creep in proportion to force");
    cr_expect_gt(share[2], 0.4);
}

Test(model, wear_takes_grip_away_and_a_new_mounting_does_not_give_it_back)
{
    struct model_parameters p = strong();
    p.nip.wear_per_m = 0.83;
    struct model_state s = mounted(&p, 8);
    move(&p, &s, 60, 5, 0.001);
    double first = s.force_n;
    double slip_m = s.gross_slip_mm / 1000;
    double fresh = model_truth_nominal(&p, 0, 5).grip_limit_n;
    cr_expect_gt(slip_m, 0.03);
    cr_expect_float_eq(first, fresh * exp(-0.83 * slip_m), 0.01);
    cr_expect_float_eq(model_truth_of_run(&p, &s, 5).grip_limit_n, fresh, 1e-9,
                       "truth is told for the run's start");
    model_mount(&p, &s, 9);
    model_begin_run(&p, &s, 0);
    cr_expect_float_eq(model_truth_of_run(&p, &s, 5).grip_limit_n, fresh * exp(-0.83 * slip_m), 1e-9);
}

Test(model, what_the_nip_can_no_longer_hold_slips_back)
{
    struct model_parameters p = strong();
    p.nip.grip_speed_exponent = 0.3;
    struct model_state s = mounted(&p, 8);
    move(&p, &s, 30, 2, 0.001);
    double slow = model_truth_nominal(&p, 0, 2).grip_limit_n;
    double fast = model_truth_nominal(&p, 0, 11).grip_limit_n;
    double slip = s.gross_slip_mm;
    cr_expect_float_eq(s.force_n, slow, 0.01);
    move(&p, &s, 0.022, 11, 0.001);
    cr_expect_float_eq(s.force_n, fast, 0.01);
    cr_expect_gt(s.gross_slip_mm - slip, (slow - fast) / 31, "the filament must have slipped, not vanished");
}

Test(model, coils_off_lets_the_filament_spring_back)
{
    struct model_parameters p = exact();
    struct model_state s = mounted(&p, 3);
    move(&p, &s, 2.9, 5.8, 0.001);
    double counts = s.commanded_mm / model_feed_per_microstep_mm(&p, s.preload_n);
    double gear = s.gear_mm, filament = s.filament_mm;
    cr_expect_gt(s.force_n, 60);
    s.coils_on = false;
    model_step(&p, &s, counts, 0.001);
    cr_expect_eq(s.force_n, 0);
    cr_expect_eq(s.force_feeder_n, 0);
    cr_expect_float_eq(s.filament_mm, p.fixture.gap_mm, 1e-9);
    cr_expect_float_eq(gear - s.gear_mm, filament - s.filament_mm, 1e-9);
    model_step(&p, &s, counts + 500, 0.001);
    cr_expect_float_eq(s.filament_mm, p.fixture.gap_mm, 1e-9, "a free rotor does not follow");
    s.coils_on = true;
    model_step(&p, &s, counts + 500, 0.001);
    double step = full_step_mm(&p, &s);
    cr_expect(lag_mm(&p, &s) > -1e-9 && lag_mm(&p, &s) < step, "caught again: lag %g mm", lag_mm(&p, &s));
    cr_expect_leq(fabs(s.filament_mm - p.fixture.gap_mm), 2 * step + 1e-9, "at the nearest stable position");
}

Test(model, trajectory_depends_on_the_seed_and_not_on_reading)
{
    struct model_parameters p = model_default();
    p.nip.shear_fraction = 0.73;
    p.motor.holding_torque_nm = 0.382; /* near the tearing force, so that both give way now and then */
    struct model_state a = mounted(&p, 2024);
    struct model_state b = mounted(&p, 2024);
    struct model_state c = mounted(&p, 2025);
    bool over;
    for (int i = 0; i < 2500; i++) {
        move(&p, &a, 0.011, 11, 0.001);
        move(&p, &b, 0.011, 11, 0.001);
        move(&p, &c, 0.011, 11, 0.001);
        for (int j = 0; j < i % 4; j++)
            model_read_force(&p, &b, &over);
    }
    cr_expect_gt(a.cycles_lost, 2);
    cr_expect_neq(a.sensor_draws.state, b.sensor_draws.state);
    b.sensor_draws = a.sensor_draws;
    cr_expect_eq(memcmp(&a, &b, sizeof a), 0);
    cr_expect_neq(a.force_n, c.force_n);
}

Test(model, runs_differ_but_not_by_how_long_the_last_one_was)
{
    struct model_parameters p = model_default();
    p.nip.wear_per_m = 0;
    struct model_state a = mounted(&p, 55);
    struct model_state b = mounted(&p, 55);
    double first_angle = a.gear_angle_start_rad;
    double first_repeat = a.repeat_factor;
    move(&p, &a, 20, 5, 0.001);
    model_begin_run(&p, &a, 77);
    model_begin_run(&p, &b, 77);
    cr_expect_gt(a.fed_mm, 20, "the metres fed are all that stays");
    a.fed_mm = a.fed_start_mm = 0;
    cr_expect_eq(memcmp(&a, &b, sizeof a), 0);
    cr_expect_eq(a.preload_n, 77);
    cr_expect_neq(a.gear_angle_start_rad, first_angle);
    cr_expect_neq(a.repeat_factor, first_repeat);
    cr_expect_eq(a.time_s, 0);
}

Test(model, spread_has_the_set_size)
{
    struct model_parameters p = model_default();
    double squares[3] = {0};
    for (uint64_t i = 0; i < 4000; i++) {
        struct model_state s = mounted(&p, i);
        squares[0] += pow(s.refit_factor - 1, 2);
        squares[1] += pow(s.repeat_factor - 1, 2);
        squares[2] += pow(s.motor_factor - 1, 2);
        cr_assert_leq(fabs(s.refit_factor - 1), 3 * p.spread.refit + 1e-12);
    }
    cr_expect_float_eq(sqrt(squares[0] / 4000), p.spread.refit, 0.04 * p.spread.refit);
    cr_expect_float_eq(sqrt(squares[1] / 4000), p.spread.repeat, 0.04 * p.spread.repeat);
    cr_expect_float_eq(sqrt(squares[2] / 4000), p.spread.motor_repeat, 0.04 * p.spread.motor_repeat);
}

/* Greatest force of a push and where the gear stands at its end. */
static double peak_of_push(const struct model_parameters *p, double feed_mm, double dt_s, double *gear_mm)
{
    struct model_state s = mounted(p, 12);
    double peak = 0;
    for (int i = 0; i < (int)(feed_mm / (5 * dt_s) + 0.5); i++) {
        move(p, &s, 5 * dt_s, 5, dt_s);
        peak = fmax(peak, s.force_n);
    }
    *gear_mm = s.gear_mm;
    return peak;
}

Test(model, halving_the_sub_step_changes_a_peak_by_less_than_a_hundredth)
{
    /* Below 4 um a commanded step is a single sub-step, so halving it halves the sub-step. */
    struct model_parameters p = model_default();
    p.motor.holding_torque_nm = 0.47; /* past the onset */
    p.motor.supply_v = 30;
    double gear[3];
    double coarse = peak_of_push(&p, 8.4, 0.0008, &gear[0]);
    double fine = peak_of_push(&p, 8.4, 0.0004, &gear[1]);
    double finest = peak_of_push(&p, 8.4, 0.00005, &gear[2]);
    cr_expect_gt(finest, 100);
    /* A coarser reading may miss the peak by as much as the force rises in one reading, so the state is
     * compared too. */
    cr_expect_float_eq(gear[0], gear[1], 1e-5);
    cr_expect_float_eq(gear[1], gear[2], 1e-5);
    cr_expect(finest - fine >= -0.01 && finest - coarse < 30.1 * 0.004 + 0.01, "%g %g %g N", coarse, fine,
              finest);
}

Test(model, result_does_not_depend_on_the_time_step)
{
    struct model_parameters p = model_default();
    p.motor.holding_torque_nm = 0.47;
    p.motor.supply_v = 30;
    p.sensor.drift_walk_n = 0;
    struct model_state a = mounted(&p, 12);
    struct model_state b = mounted(&p, 12);
    move(&p, &a, 21, 5, 0.02);
    move(&p, &b, 21, 5, 0.0003125);
    cr_expect_gt(a.cycles_lost, 5);
    cr_expect_eq(a.cycles_lost, b.cycles_lost);
    cr_expect_float_eq(a.force_n, b.force_n, 0.01);
    cr_expect_float_eq(a.drift_n, b.drift_n, 1e-12);
}

Test(model, reversal_in_a_tube_loses_motion)
{
    struct model_parameters p = exact();
    p.tube.bend_rad = 1.5707963267948966;
    p.tube.friction = 0.2;
    p.tube.clearance_mm = 0.137;
    struct model_state s = mounted(&p, 6);
    move(&p, &s, 2.2, 4, 0.001);
    double end = s.force_n;
    double filament = s.filament_mm;
    cr_expect_float_eq(s.force_feeder_n / end, 1.3691077706, 1e-9);
    while (s.force_n == end)
        move(&p, &s, -0.0004, 4, 0.0001);
    double lost = filament - s.filament_mm;
    cr_expect_float_eq(lost, end * (1.3691077706 - 1 / 1.3691077706) / 120.264, 0.0005);
    cr_expect_eq(s.tube_play_mm, 0, "under force the filament keeps to its wall");
    cr_expect_float_eq(s.force_n / s.force_feeder_n, 1.3691077706, 1e-9);
    while (s.force_n > 0)
        move(&p, &s, -0.0004, 4, 0.0001);
    p.sensor.encoder = p.sensor.encoder_at_end = true;
    p.sensor.encoder_mm_per_count = 0.0001;
    int32_t at = model_read_encoder(&p, &s);
    double at_mm = s.filament_mm, play_mm = 0.137 - s.tube_play_mm;
    move(&p, &s, -0.1, 4, 0.001);
    cr_expect_leq(abs(model_read_encoder(&p, &s) - at), 6, "the far end stands in the play");
    move(&p, &s, -0.137, 4, 0.001);
    cr_expect_float_eq(s.tube_play_mm, 0.137, 1e-12);
    double end_mm = 0.0001 * (model_read_encoder(&p, &s) - at);
    cr_expect_float_eq(end_mm, s.filament_mm - at_mm + play_mm, 0.0002, "then it follows");
    cr_expect_lt(end_mm, -0.08);
}

Test(model, hot_end_settles_on_its_load_line)
{
    static const struct {
        double force_n, coefficient, exponent, speed_mm_s;
    } cases[] = {{5.3, 9.1, 0.47, 3.1}, {0, 4.7, 1, 4.3}, {11.9, 2.3, 1.3, 2.7}, {2.1, 17, 0.31, 1.9}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct model_parameters p = exact();
        p.fixture.end = MODEL_END_HOT;
        p.hot_end.force_n = cases[i].force_n;
        p.hot_end.coefficient = cases[i].coefficient;
        p.hot_end.exponent = cases[i].exponent;
        struct model_state s = mounted(&p, 6);
        double v = cases[i].speed_mm_s;
        move(&p, &s, 6 * v, v, 0.001);
        double filament = s.filament_mm;
        move(&p, &s, v, v, 0.001);
        double rate_mm3_s = (s.filament_mm - filament) * 2.405281875;
        double expected = cases[i].force_n + cases[i].coefficient * pow(rate_mm3_s, cases[i].exponent);
        cr_expect_float_eq(s.force_n, expected, 2e-4 * expected, "case %zu: %g N against %g N", i, s.force_n,
                           expected);
        cr_expect_lt(rate_mm3_s, v * 2.405281875, "creep is lost feed here too");
        double counts = s.commanded_mm / model_feed_per_microstep_mm(&p, s.preload_n);
        double melted = s.melted_mm;
        for (int j = 0; j < 20; j++)
            model_step(&p, &s, counts, 1);
        cr_expect_lt(s.force_n, cases[i].force_n + 0.3 * (expected - cases[i].force_n), "case %zu relaxes",
                     i);
        cr_expect_geq(s.force_n, cases[i].force_n - 1e-9, "case %zu never under F0", i);
        cr_expect_gt(s.melted_mm, melted);
    }
}

Test(model, load_cell_has_the_set_gain_noise_mains_and_drift)
{
    struct model_parameters p = exact();
    p.sensor.drift_walk_n = 0;
    p.sensor.drift_n_per_min = 1.7;
    p.sensor.mains_n = 0.83;
    struct model_state s = mounted(&p, 31);
    bool over = true;
    double sum = 0, squares = 0, in_phase = 0, slope = 0;
    int n = 12000;
    for (int i = 0; i < n; i++) {
        model_step(&p, &s, 0, 0.001);
        double t = s.time_s;
        double f = (model_read_force(&p, &s, &over) - 12345) / 4000.0;
        cr_assert_not(over);
        double rest = f - 1.7 * t / 60 - 0.83 * sin(2 * 3.14159265358979 * 50 * t);
        sum += rest;
        squares += rest * rest;
        in_phase += f * sin(2 * 3.14159265358979 * 50 * t) * 2 / n;
        slope += (f - 0.17) * (t - 6) * 12.0 / (12 * 12 * 12) / 1000;
    }
    cr_expect_float_eq(sum / n, 0, 4 * 0.3 / sqrt(n));
    cr_expect_float_eq(sqrt(squares / n), 0.3, 4 * 0.3 / sqrt(2.0 * n));
    cr_expect_float_eq(in_phase, 0.83, 0.02);
    cr_expect_float_eq(slope * 60, 1.7, 0.2);
}

Test(model, random_walk_has_the_set_size_after_a_minute_whatever_the_time_step)
{
    struct model_parameters p = exact();
    p.sensor.drift_walk_n = 0.61;
    p.sensor.drift_n_per_min = 0;
    static const double step_s[2] = {0.1, 0.75};
    for (int k = 0; k < 2; k++) {
        double squares = 0;
        for (uint64_t seed = 0; seed < 600; seed++) {
            struct model_state s = mounted(&p, seed);
            for (int i = 0; i < (int)(60 / step_s[k]); i++)
                model_step(&p, &s, 0, step_s[k]);
            squares += s.drift_n * s.drift_n;
        }
        cr_expect_float_eq(sqrt(squares / 600), 0.61, 0.07);
    }
}

Test(model, readings_past_the_range_are_clipped_and_flagged)
{
    struct model_parameters p = exact();
    p.sensor.noise_n = 0;
    p.sensor.mains_n = 0;
    p.sensor.drift_n_per_min = 0;
    p.sensor.drift_walk_n = 0;
    p.sensor.counts_max = 152345; /* 35 N */
    p.sensor.counts_min = -771;
    struct model_state s = mounted(&p, 31);
    bool over = true;
    cr_expect_eq(model_read_force(&p, &s, &over), 12345);
    cr_expect_not(over);
    move(&p, &s, 1.5, 5, 0.001);
    cr_expect_eq(model_read_force(&p, &s, &over), (int32_t)round(12345 + 4000 * s.force_n));
    cr_expect_not(over);
    move(&p, &s, 1, 5, 0.001);
    cr_expect_gt(s.force_n, 36);
    cr_expect_eq(model_read_force(&p, &s, &over), 152345);
    cr_expect(over);
    s.drift_n = -400;
    cr_expect_eq(model_read_force(&p, &s, &over), -771);
    cr_expect(over);
}

Test(model, encoder_counts_whole_marks_of_the_filament)
{
    struct model_parameters p = strong();
    p.nip.shear_fraction = 0.8;
    struct model_state s = mounted(&p, 31);
    int32_t greatest_drop = 0;
    int32_t before = 0;
    for (int i = 0; i < 1500; i++) {
        move(&p, &s, 0.0053, 5.3, 0.001);
        int32_t now = model_read_encoder(&p, &s);
        cr_assert(now * 0.005 <= s.filament_mm + 1e-12 && s.filament_mm < (now + 1) * 0.005 + 1e-12);
        greatest_drop = before - now > greatest_drop ? before - now : greatest_drop;
        before = now;
    }
    cr_expect_gt(greatest_drop, 120, "a slip-back of a tooth is 193 marks, less what the gear makes good");
    s.filament_mm = -0.0031;
    cr_expect_eq(model_read_encoder(&p, &s), -1);
    p.sensor.encoder = false;
    cr_expect_eq(model_read_encoder(&p, &s), 0);
}

Test(model, eccentric_gear_feeds_unevenly_once_per_turn_and_teeth_once_per_tooth)
{
    struct model_parameters p = exact();
    p.fixture.gap_mm = 100;
    p.gear.eccentricity_mm = 0.11;
    p.gear.tooth_ripple_mm = 0.007;
    struct model_state s = mounted(&p, 31);
    double a0 = s.gear_angle_start_rad;
    for (int i = 0; i < 300; i++) {
        move(&p, &s, 0.17, 17, 0.002);
        double angle = a0 + s.commanded_mm / 4;
        double expected =
            s.commanded_mm + 0.11 * (sin(angle) - sin(a0)) + 0.007 * (sin(26 * angle) - sin(26 * a0));
        cr_assert_float_eq(s.filament_mm, expected, 1e-7);
    }
}

Test(model, a_geared_motor_feeds_unevenly_once_per_its_turn_and_per_full_step)
{
    struct model_parameters p = exact();
    p.fixture.end = MODEL_END_FREE;
    p.gear.reduction = 3.7;
    p.gear.motor_turn_ripple_mm = 0.013;
    p.gear.full_step_ripple_mm = 0.00071;
    struct model_state s = mounted(&p, 31);
    double a0 = s.gear_angle_start_rad;
    for (int i = 0; i < 300; i++) {
        move(&p, &s, 0.17, 17, 0.002);
        double angle = a0 + s.commanded_mm / 4;
        double expected = s.commanded_mm + 0.013 * (sin(3.7 * angle) - sin(3.7 * a0)) +
                          0.00071 * (sin(740 * angle) - sin(740 * a0));
        cr_assert_float_eq(s.filament_mm, expected, 1e-7);
    }
}

Test(model, motor_force_is_torque_over_the_radius_the_gear_shows)
{
    struct model_parameters p = exact();
    p.gear.eccentricity_mm = 0.31;
    for (uint64_t seed = 1; seed < 7; seed++) {
        struct model_state s = mounted(&p, seed);
        double force = 0, gear = 0;
        for (int i = 0; i < 20000 && s.cycles_lost == 0; i++) {
            force = s.force_n;
            gear = s.gear_mm;
            move(&p, &s, 0.0004, 5.3, 0.0004 / 5.3);
        }
        cr_assert_eq(s.cycles_lost, 1);
        double radius_mm = 4 + 0.31 * cos(s.gear_angle_start_rad + gear / 4);
        cr_expect_float_eq(force, 0.97 * 0.3505 / (radius_mm / 1000), 0.02, "seed %d", (int)seed);
    }
}

Test(model, whatever_is_asked_force_and_lag_stay_within_bounds)
{
    /* Random feeders, random motion: no run may hang, leave its bounds or lose track of the rotor. */
    uint64_t seed = 20240;
    struct model_random r = {seed};
    int tried = 0;
    for (int k = 0; k < 150; k++) {
        struct model_parameters p = model_default();
        double *const scaled[] = {&p.motor.holding_torque_nm,
                                  &p.motor.supply_v,
                                  &p.motor.inductance_h,
                                  &p.gear.drive_diameter_mm,
                                  &p.gear.reduction,
                                  &p.nip.grip_coefficient,
                                  &p.fixture.free_length_mm,
                                  &p.fixture.stiffness_n_per_mm,
                                  &p.fixture.filament_modulus_mpa,
                                  &p.nip.wear_per_m};
        for (size_t i = 0; i < sizeof scaled / sizeof scaled[0]; i++)
            *scaled[i] *= exp(model_random_normal(&r));
        p.nip.shear_fraction = model_random_uniform(&r) < 0.4 ? 0 : 0.72 + 0.25 * model_random_uniform(&r);
        p.tube.bend_rad = model_random_uniform(&r) < 0.5 ? 0 : 6 * model_random_uniform(&r);
        p.tube.friction = 0.4 * model_random_uniform(&r);
        p.tube.clearance_mm = model_random_uniform(&r) < 0.5 ? 0 : 0.7 * model_random_uniform(&r);
        p.hot_end.exponent = model_random_uniform(&r) < 0.7 ? 0 : 0.2 + model_random_uniform(&r);
        p.hot_end.coefficient = 8;
        static const enum model_end ends[] = {MODEL_END_BLOCKED, MODEL_END_HOT, MODEL_END_BRAKE,
                                              MODEL_END_FREE};
        p.fixture.end = ends[k % 4];
        p.fixture.brake_n = 90 * model_random_uniform(&r);
        p.gear.backlash_mm = model_random_uniform(&r) < 0.5 ? 0 : 0.3 * model_random_uniform(&r);
        if (model_check(&p) != NULL)
            continue;
        tried++;
        struct model_state s = mounted(&p, seed + (uint64_t)k);
        double step = full_step_mm(&p, &s);
        double per_microstep = model_feed_per_microstep_mm(&p, s.preload_n);
        double ratio = p.tube.bend_rad > 0 ? exp(p.tube.bend_rad * p.tube.friction) : 1;
        for (int i = 0; i < 400; i++) {
            double way = model_random_normal(&r) * 0.2 + 0.03;
            if (i % 90 == 89)
                s.coils_on = !s.coils_on;
            model_step(&p, &s, (s.commanded_mm + way) / per_microstep,
                       0.001 * exp(2 * model_random_normal(&r)));
            cr_assert(isfinite(s.filament_mm) && isfinite(s.gear_mm), "feeder %d step %d", k, i);
            cr_assert(s.backlash_at_mm >= 0 && s.backlash_at_mm <= p.gear.backlash_mm);
            cr_assert(!(s.force_feeder_n > 0 && s.backlash_at_mm > 0), "feeder %d step %d: pushes loose", k,
                      i);
            cr_assert(s.force_n >= 0 && s.force_feeder_n >= s.force_n / ratio - 1e-6 &&
                          s.force_feeder_n <= s.force_n * ratio + 1e-6,
                      "feeder %d step %d: %g N, %g N", k, i, s.force_feeder_n, s.force_n);
            if (s.coils_on)
                cr_assert(lag_mm(&p, &s) > -1e-6 && lag_mm(&p, &s) < step + 1e-6,
                          "feeder %d step %d: lag %g of %g mm", k, i, lag_mm(&p, &s), step);
        }
        model_step(&p, &s, 1e300, 0.001);
        model_step(&p, &s, (double)NAN, 0.001);
        cr_assert(isfinite(s.filament_mm) && isfinite(s.commanded_mm));
    }
    cr_expect_gt(tried, 100, "only %d feeders could be simulated", tried);
}

Test(model, dented_filament_is_fed_less)
{
    struct model_parameters p = exact();
    double nominal = 3.14159265358979323846 * 8 / 3200;
    cr_expect_float_eq(model_feed_per_microstep_mm(&p, 150), nominal, 1e-12);
    cr_expect_float_eq(model_feed_per_microstep_mm(&p, 250), nominal * 7.9 / 8, 1e-12);
    p.gear.reduction = 3.1;
    cr_expect_float_eq(model_feed_per_microstep_mm(&p, 100), nominal / 3.1, 1e-12);
}
