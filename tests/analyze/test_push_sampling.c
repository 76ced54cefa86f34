#include "analyze/push_sampling.h"

#include "analyze/push.h"
#include "tests/sim/simulate.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A simulated push thinned to every so manieth sample, as a slow gauge would have read it. */
struct scene {
    struct model_parameters p;
    struct simulated_push push;
    struct run_columns columns;
    struct run_record record;
    struct run_separate separate;
    struct model_truth truth;
    struct calibration calibration;
    struct push_result result;
    struct err e;
};
static struct scene s;

static void begin(void)
{
    quantity_init_numerics();
    memset(&s, 0, sizeof s);
    s.p = model_default();
    s.p.motor.supply_v = 24;
    s.p.sensor.full_scale_n = 400;
    s.p.sensor.encoder = false;
    s.push = (struct simulated_push){.speed_mm_s = 0.93,
                                     .travel_mm = 13.1,
                                     .acceleration_mm_s2 = 200,
                                     .sample_rate_hz = 1000,
                                     .rest_s = 6};
}

static void end(void)
{
    run_columns_free(&s.columns);
    run_record_free(&s.record);
}

TestSuite(push_sampling, .init = begin, .fini = end);

static void simulate(void)
{
    struct model_state state = {0};
    cr_assert_null(model_check(&s.p));
    model_mount(&s.p, &state, 52017);
    s.calibration = simulate_exact_calibration(&s.p);
    cr_assert(simulate_push(&s.p, &state, &s.push, &s.columns, &s.record, &s.truth));
}

/* Every so manieth sample, its force later by late samples than its feed. */
static void thin(size_t every, size_t late)
{
    struct run_columns *c = &s.columns;
    size_t n = 0;
    for (size_t i = 0; i + late < c->n; i += every, n++) {
        c->time_us[n] = c->time_us[i];
        c->commanded_steps[n] = c->commanded_steps[i];
        c->force_counts[n] = c->force_counts[i + late];
        c->flags[n] = c->flags[i + late];
    }
    c->n = n;
    s.record.rows = (int64_t)n;
    s.record.sample_rate_hz /= (double)every;
}

/* As a gauge beside a controller would have shown it. */
static void make_separate(double digit_n)
{
    for (size_t i = 0; i < s.columns.n; i++)
        s.columns.force_counts[i] =
            (int32_t)floor(calibration_force_n(&s.calibration, s.columns.force_counts[i], 0) / digit_n + 0.5);
    s.calibration.coefficients[0] = 0;
    s.calibration.coefficients[1] = 1 / digit_n;
    s.record.separate = &s.separate;
    s.separate =
        (struct run_separate){1 / s.record.sample_rate_hz, 0.0031, 0.047, 0.0083, 0.021, 0.0121, digit_n};
}

static void analyse(void)
{
    cr_assert_eq(push_analyse(&s.columns, &s.record, &s.calibration, &s.result, &s.e), ERR_OK, "%s",
                 s.e.text);
}

static const char *saying(const char (*sentences)[160], size_t count, const char *words)
{
    for (size_t i = 0; i < count; i++) {
        if (strstr(sentences[i], words) != NULL)
            return sentences[i];
    }
    return NULL;
}

static const char *flag(const char *words)
{
    return saying((const char(*)[160])s.result.flags, s.result.flag_count, words);
}

static const char *evidence(const char *words)
{
    return saying((const char(*)[160])s.result.evidence, s.result.evidence_count, words);
}

static double component(const struct budget *b, const char *name)
{
    for (size_t i = 0; i < b->count; i++) {
        if (strcmp(b->components[i].name, name) == 0)
            return b->components[i].standard_uncertainty;
    }
    return NAN;
}

Test(push_sampling, a_finely_read_push_says_nothing_of_it)
{
    simulate();
    analyse();
    const struct push_sampling *v = &s.result.sampling;
    cr_expect_float_eq(v->interval_s, 0.001, 1e-9);
    cr_expect_float_eq(v->feed_mm, 0.00093, 2e-6);
    cr_expect_float_eq(v->cycle_readings, v->cycle_mm / 0.00093, 0.01 * v->cycle_readings);
    cr_expect_float_eq(v->force_n, s.truth.stiffness_n_per_mm * 0.00093,
                       0.05 * s.truth.stiffness_n_per_mm * 0.00093);
    cr_expect(!v->coarse);
    cr_expect_eq(s.result.flag_count, 0, "%s", s.result.flags[0]);
    cr_expect(isnan(component(&s.result.stall_budget, PUSH_BUDGET_BETWEEN_NAME)));
    cr_expect(isnan(component(&s.result.stall_budget, PUSH_BUDGET_GAUGE_NAME)));
}

Test(push_sampling, a_slow_rig_of_one_piece_says_what_its_readings_resolve)
{
    simulate();
    thin(100, 0);
    analyse();
    const struct push_sampling *v = &s.result.sampling;
    char words[80];
    cr_expect_float_eq(v->feed_mm, 0.093, 0.001);
    cr_expect(v->coarse);
    snprintf(words, sizeof words, "resolved to about ± %.2g N", v->force_n / 2);
    cr_expect_not_null(flag(words), "%s", s.result.flags[0]);
    cr_expect_not_null(flag("coarse readings: one reading per 0.093 mm of feed"), "%s", s.result.flags[0]);
    cr_assert(s.result.event_count > 1);
    cr_expect_float_eq(component(&s.result.stall_budget, PUSH_BUDGET_BETWEEN_NAME), v->force_n / sqrt(12.0),
                       1e-9);
    cr_expect(isnan(component(&s.result.stall_budget, PUSH_BUDGET_STAMPS_NAME)));
    cr_expect(s.result.stall_force_n.low_95 < s.truth.stall_force_n &&
              s.truth.stall_force_n < s.result.stall_force_n.high_95);
}

Test(push_sampling, separate_instruments_bring_their_digit_and_their_time_stamps)
{
    s.p.motor.holding_torque_nm *= 2.1;
    simulate();
    thin(25, 0);
    make_separate(0.1);
    analyse();
    cr_expect_not_null(flag("separate instruments: one reading per 0.023 mm"), "%s", s.result.flags[0]);
    cr_expect_float_eq(component(&s.result.stall_budget, PUSH_BUDGET_GAUGE_NAME), 0.1 / sqrt(6.0), 1e-9);
    cr_expect(isnan(component(&s.result.stall_budget, "resolution of the converter")));
    cr_assert(s.result.slip_onset_n.present);
    /* The jitter of one reading, and next to nothing of the latencies: contact comes at a steady speed. */
    double jitter_n = s.truth.stiffness_n_per_mm * 0.93 * 0.0031;
    cr_expect_float_eq(component(&s.result.onset_budget, PUSH_BUDGET_STAMPS_NAME), jitter_n, 0.3 * jitter_n);
    cr_expect(fabs(s.result.slip_onset_n.value - s.truth.slip_onset_n) <
              3 * s.result.slip_onset_n.standard_uncertainty);
}

Test(push_sampling, latencies_count_where_the_drive_speeds_up_under_load)
{
    s.p.motor.holding_torque_nm *= 2.1;
    s.p.fixture.gap_mm = 0;
    s.push.speed_mm_s = 2.3;
    s.push.acceleration_mm_s2 = 2.5;
    simulate();
    thin(25, 0);
    make_separate(0.1);
    analyse();
    double jitter_n = s.truth.stiffness_n_per_mm * 2.3 * 0.0031;
    double stiffness_u = s.result.stiffness_n_per_mm.standard_uncertainty;
    cr_assert(s.result.slip_onset_n.present);
    cr_expect(component(&s.result.onset_budget, PUSH_BUDGET_STAMPS_NAME) > 1.5 * jitter_n, "%g, jitter %g",
              component(&s.result.onset_budget, PUSH_BUDGET_STAMPS_NAME), jitter_n);
    s.separate.feed_latency_standard_uncertainty_s = 0;
    s.separate.force_latency_standard_uncertainty_s = 0;
    analyse();
    cr_expect(stiffness_u > 1.02 * s.result.stiffness_n_per_mm.standard_uncertainty);
}

Test(push_sampling, a_gauge_that_always_shows_the_same_digit_is_not_without_noise)
{
    s.p.sensor.noise_n = s.p.sensor.mains_n = s.p.sensor.drift_n_per_min = s.p.sensor.drift_walk_n = 0;
    simulate();
    thin(50, 0);
    make_separate(0.1);
    analyse();
    cr_expect_float_eq(s.result.noise_n, 0.1 / sqrt(12.0), 1e-9);
    /* Nor is the quiet stretch that drops are held against. */
    struct push_motion m = {0};
    struct push_result unused = {0};
    double square = 0;
    cr_assert_eq(push_motion_take(&s.columns, &s.record, &s.calibration, &m, &unused, 0.5, &s.e), ERR_OK);
    cr_assert(m.quiet_count > 100);
    for (size_t i = 0; i < m.quiet_count; i++)
        square += m.quiet_n[i] * m.quiet_n[i] / (double)m.quiet_count;
    cr_expect_float_eq(sqrt(square), 0.1 / sqrt(12.0), 0.003);
    push_motion_free(&m);
    cr_expect_eq(s.result.limited_by, LIMITED_MOTOR);
    cr_expect(fabs(s.result.stall_force_n.value - s.truth.stall_force_n) <
              3 * s.result.stall_force_n.standard_uncertainty);
}

Test(push_sampling, a_last_digit_that_flickers_is_no_drop)
{
    /* The grip settles, and the gauge shows one digit or the next; at rest it always showed 0. */
    s.p.motor.holding_torque_nm *= 2.1;
    s.p.sensor.noise_n = 0.15;
    s.p.sensor.mains_n = 0;
    simulate();
    thin(25, 0);
    make_separate(2);
    analyse();
    cr_expect_eq(s.result.event_count, 0, "%zu of %.3g N", s.result.event_count,
                 s.result.events[0].peak_n - s.result.events[0].trough_n);
    cr_expect(s.result.settled);
    cr_expect(fabs(s.result.stall_force_n.value - s.truth.stall_force_n) <
              3 * s.result.stall_force_n.standard_uncertainty);
}

Test(push_sampling, what_gave_way_is_not_clear_where_a_motor_cycle_has_too_few_readings)
{
    s.push.speed_mm_s = 5.3;
    simulate();
    thin(50, 0);
    analyse();
    cr_expect(s.result.sampling.cycle_readings < PUSH_SAMPLING_PERIOD_LEAST);
    cr_expect(s.result.sampling.coarse);
    cr_expect_eq(s.result.limited_by, LIMITED_UNCLEAR, "%s", LIMITED_NAMES[s.result.limited_by]);
    cr_expect(s.result.probability[0] < 0.5 && s.result.probability[1] < 0.5);
    cr_expect_not_null(evidence("in a motor cycle of"), "%s", s.result.evidence[0]);
    cr_expect(!s.result.slip_onset_n.present);
    cr_expect_not_null(flag("no slip onset"));
    cr_expect(s.result.stall_force_n.low_95 < s.truth.stall_force_n &&
              s.truth.stall_force_n < s.result.stall_force_n.high_95);
    cr_expect(component(&s.result.stall_budget, "cycles or teeth too quick to see") > 1);
}

Test(push_sampling, too_few_readings_near_the_end_are_no_limit)
{
    /* The grip gives way without drops; a level of four or five noisy readings says nothing. */
    s.p.motor.holding_torque_nm *= 2.1;
    s.p.sensor.noise_n = 2.5;
    s.push.travel_mm = 6.3;
    simulate();
    thin(125, 0);
    analyse();
    cr_expect_eq(s.result.limited_by, LIMITED_UNCLEAR, "%s", LIMITED_NAMES[s.result.limited_by]);
    cr_expect_not_null(evidence("too few readings near the end"), "%s", s.result.evidence[0]);
    cr_expect(s.result.stall_force_n.at_least && s.result.stall_force_n.value < s.truth.stall_force_n);
}

Test(push_sampling, fewer_readings_than_can_be_used_are_counted)
{
    s.push.speed_mm_s = 9.3;
    simulate();
    thin(100, 0);
    cr_expect_eq(push_analyse(&s.columns, &s.record, &s.calibration, &s.result, &s.e), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(s.e.text, "readings while it fed, 21 are the least"), "%s", s.e.text);
}

Test(push_sampling, a_reading_from_after_the_end_is_no_drop)
{
    s.push.travel_mm = 2.6;
    simulate();
    thin(20, 25);
    make_separate(0.01);
    analyse();
    cr_expect_eq(s.result.event_count, 0, "the fall when the motor is cut");
    cr_expect_eq(s.result.limited_by, LIMITED_LIMIT);
    cr_expect(s.result.stall_force_n.at_least);
    /* That those readings do look like a drop where the time stamps are taken to be right. */
    s.separate.force_latency_standard_uncertainty_s = 0;
    s.separate.feed_latency_standard_uncertainty_s = 0;
    s.separate.force_interval_sd_s = 0;
    analyse();
    cr_expect_eq(s.result.event_count, 1);
}

/* Force on 40 readings of 0.1 mm that rises to the last ten and has this slope over the rest. */
static struct push_level level_of(double slope_n_per_mm, double noise_n, size_t n)
{
    double force_n[400], feed_mm[400];
    struct push_motion m = {.n = n, .force_n = force_n, .feed_mm = feed_mm};
    for (size_t i = 0; i < n; i++) {
        feed_mm[i] = 4.0 * (double)i / (double)n;
        force_n[i] = feed_mm[i] < 3 ? 20 * feed_mm[i] : 60 + slope_n_per_mm * (feed_mm[i] - 3);
    }
    return push_sampling_level(&m, noise_n, 20);
}

Test(push_sampling, a_level_of_few_readings_must_leave_no_doubt)
{
    struct push_level many = level_of(0.4, 1, 400), quiet = level_of(0.4, 0.01, 40), noisy;
    cr_expect(many.reached && !many.few && !many.rising);
    cr_expect_float_eq(many.value_n, 60 + 0.4 * 0.595, 0.01);
    cr_expect(quiet.reached && quiet.few, "a small slope, well known");
    noisy = level_of(0.4, 1, 40);
    cr_expect(!noisy.reached && !noisy.rising && noisy.few, "nobody can tell");
    cr_expect(level_of(9, 0.1, 40).rising);
    cr_expect(!level_of(9, 3, 40).rising, "hidden by the noise");
    cr_expect(!level_of(5, 0.01, 40).rising && !level_of(5, 0.01, 40).reached, "slipping, not stalled");
}

Test(push_sampling, what_is_too_quick_to_be_seen_takes_away_its_own_fall)
{
    struct push_sampling v = {
        .feed_mm = 0.1, .cycle_mm = 0.39, .cycle_readings = 3.9, .pitch_mm = 0.71, .pitch_readings = 7.1};
    char why[160];
    cr_expect_float_eq(push_sampling_unseen_fall_n(&v, 20), 0.39 * 20, 1e-9, "the cycle");
    cr_expect(push_sampling_hides_period(&v, why));
    cr_expect_not_null(strstr(why, "3.9 in a motor cycle of 0.390 mm"), "%s", why);
    v.cycle_readings = 4.1;
    cr_expect_eq(push_sampling_unseen_fall_n(&v, 20), 0);
    cr_expect(!push_sampling_hides_period(&v, why));
    v.pitch_readings = 3.1;
    cr_expect_float_eq(push_sampling_unseen_fall_n(&v, 20), 0.71 * 20, 1e-9, "the tooth");
    cr_expect(push_sampling_hides_period(&v, why));
    cr_expect_not_null(strstr(why, "3.1 in a tooth pitch of 0.710 mm"), "%s", why);
    v.pitch_mm = 0;
    cr_expect(!push_sampling_hides_period(&v, why), "no teeth");
}

Test(push_sampling, feed_moved_in_time_is_that_of_a_moment_later)
{
    double feed_mm[] = {0, 0, 0.5, 2, 3.5, 5}, time_s[] = {0, 0.1, 0.2, 0.3, 0.4, 0.5}, moved[6];
    struct push_motion m = {.n = 6, .feed_mm = feed_mm, .time_s = time_s};
    struct push_motion late = push_stamps_shift(&m, 0.02, moved);
    static const double expected[] = {0, 0.1, 0.8, 2.3, 3.8, 5.3};
    cr_expect(late.feed_mm == moved && late.n == 6);
    for (size_t i = 0; i < 6; i++)
        cr_expect_float_eq(moved[i], expected[i], 1e-12, "%zu: %g", i, moved[i]);
}

Test(push_sampling, stiffness_is_had_from_a_rise_without_a_fit)
{
    double feed_mm[] = {0, 0.5, 1, 1.5, 2, 2.5}, steep_n[] = {0, 1, 25, 50, 51, 51},
           even_n[] = {0, 10, 20, 30, 40, 50};
    struct push_loading none = {0}, fitted = {.fitted = true};
    struct push_motion m = {.n = 6, .feed_mm = feed_mm, .force_n = even_n};
    fitted.force_fit.stiffness_n_per_mm = 31.5;
    cr_expect_eq(push_sampling_stiffness(&m, &fitted, 0, 6), 31.5);
    cr_expect_float_eq(push_sampling_stiffness(&m, &none, 0, 6), 20, 1e-9);
    m.force_n = steep_n;
    cr_expect_float_eq(push_sampling_stiffness(&m, &none, 0, 6), 50, 1e-9, "the steepest between two");
}
