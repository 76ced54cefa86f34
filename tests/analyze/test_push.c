#include "analyze/push.h"

#include "analyze/numerics/quantity.h"
#include "tests/sim/simulate.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

/* One simulated push, what it truly was, and what the analysis made of it. */
struct scene {
    struct model_parameters p;
    struct simulated_push push;
    uint64_t seed;
    struct run_columns columns;
    struct run_record record;
    struct model_truth truth;
    struct calibration calibration;
    struct push_result result;
    struct err e;
};
static struct scene s;

enum kind { MOTOR, SETTLES, TEARS };

/* Motor 84.9 N, onset of gross slip 91 N: creep alone. With twice the torque the grip ends the push at 130 N,
 * or at nine tenths of it where teeth tear. */
static void prepare(enum kind kind, bool encoder)
{
    s.p = model_default();
    s.p.sensor.encoder = encoder;
    s.p.sensor.full_scale_n = 400;
    s.p.motor.supply_v = 24;
    if (kind != MOTOR)
        s.p.motor.holding_torque_nm *= 2.1;
    if (kind == TEARS) {
        s.p.nip.shear_fraction = 0.9;
        s.p.nip.shear_scatter = 0.02;
    }
    s.push = (struct simulated_push){
        .speed_mm_s = 3.7, .travel_mm = 13.1, .acceleration_mm_s2 = 200, .sample_rate_hz = 1000, .rest_s = 1};
    s.seed = 52017;
}

static void simulate(void)
{
    struct model_state state = {0};
    const char *bad = model_check(&s.p);
    cr_assert_null(bad, "%s", bad);
    model_mount(&s.p, &state, s.seed);
    s.calibration = simulate_exact_calibration(&s.p);
    cr_assert(simulate_push(&s.p, &state, &s.push, &s.columns, &s.record, &s.truth));
}

static enum err_code analyse(void)
{
    return push_analyse(&s.columns, &s.record, &s.calibration, &s.result, &s.e);
}

static void simulate_and_analyse(void)
{
    simulate();
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
}

static void begin(void)
{
    quantity_init_numerics();
    memset(&s, 0, sizeof s);
}

static void end(void)
{
    run_columns_free(&s.columns);
    run_record_free(&s.record);
}

TestSuite(push, .init = begin, .fini = end);

static bool evidence_says(const char *words)
{
    for (size_t i = 0; i < s.result.evidence_count; i++) {
        if (strstr(s.result.evidence[i], words) != NULL)
            return true;
    }
    return false;
}

static bool flags_say(const char *words)
{
    for (size_t i = 0; i < s.result.flag_count; i++) {
        if (strstr(s.result.flags[i], words) != NULL)
            return true;
    }
    return false;
}

/* A value with an interval around it, and the truth within 3 standard uncertainties: one push in 400 or so
 * would be outside by chance, and the seeds are fixed. */
static void holds(const char *what, const struct quantity *q, double truth)
{
    cr_expect(q->present && !q->at_least, "%s: absent or a bound", what);
    cr_expect(q->standard_uncertainty > 0 && q->low_95 < q->value && q->value < q->high_95, "%s: [%g, %g]",
              what, q->low_95, q->high_95);
    cr_expect(fabs(q->value - truth) < 3 * q->standard_uncertainty, "%s: %.3f +- %.3f, truth %.3f", what,
              q->value, q->standard_uncertainty, truth);
}

static void motor_push(bool encoder)
{
    prepare(MOTOR, encoder);
    simulate_and_analyse();
    cr_assert_eq(s.truth.limited_by, MODEL_LIMIT_MOTOR);
    cr_expect_eq(s.result.limited_by, LIMITED_MOTOR, "%s", LIMITED_NAMES[s.result.limited_by]);
    cr_expect(s.result.probability[0] > 0.9);
    cr_expect_eq(s.result.with_encoder, encoder);
    cr_expect(!s.result.slip_onset_n.present, "onset %.2f N where there is none",
              s.result.slip_onset_n.value);
    cr_expect(!s.result.settled);
    cr_expect(s.result.event_count > 5, "%zu events", s.result.event_count);
    cr_expect_eq(s.result.stall_force_n.n, s.result.event_count);
    holds("stall force", &s.result.stall_force_n, s.truth.stall_force_n);
    cr_expect(s.result.stall_force_n.standard_uncertainty < 0.02 * s.truth.stall_force_n);
    holds("drop period", &s.result.drop_period_mm, s.truth.drop_period_mm);
    holds("stiffness", &s.result.stiffness_n_per_mm, s.truth.stiffness_n_per_mm);
    holds("creep", &s.result.creep_per_n, s.truth.creep_per_n);
    cr_expect(evidence_says("1.00 electrical cycles") || evidence_says("1.01 electrical cycles") ||
                  evidence_says("0.99 electrical cycles"),
              "%s", s.result.evidence[0]);
    cr_expect(evidence_says("they recur every"));
    cr_expect(evidence_says("all of it creep"));
    cr_expect_eq(s.result.flag_count, 0, "%s", s.result.flags[0]);
    cr_expect_float_eq(s.result.speed_mm_s, 3.7, 0.01);
    for (size_t i = 0; i < s.result.event_count; i++) {
        const struct push_event *v = &s.result.events[i];
        cr_expect(v->trough_n < v->peak_n && (i == 0 || v->feed_mm > v[-1].feed_mm));
        cr_expect(v->feed_mm > 0 && v->feed_mm < s.push.travel_mm);
    }
}

Test(push, motor_limited_push_without_encoder)
{
    motor_push(false);
}

/* An expected ripple of no size had no place in the fit of the loading, and made all that comes of it no
 * number.
 */
Test(push, a_gear_that_is_stated_to_run_true_is_fitted_without_its_ripple)
{
    struct push_settings settings = push_budget_settings(NULL);
    settings.estimates[PLAN_ESTIMATE_RUNOUT_MM] = 0;
    prepare(MOTOR, false);
    s.p.gear.eccentricity_mm = 0;
    simulate();
    cr_assert_eq(push_analyse_with(&s.columns, &s.record, &s.calibration, &settings, &s.result, &s.e), ERR_OK,
                 "%s", s.e.text);
    holds("stall force", &s.result.stall_force_n, s.truth.stall_force_n);
    holds("stiffness", &s.result.stiffness_n_per_mm, s.truth.stiffness_n_per_mm);
    holds("creep", &s.result.creep_per_n, s.truth.creep_per_n);
    /* Peaks read off a straight line would be higher by 0.02 of a drop. */
    double drop_n = s.truth.drop_period_mm * s.truth.stiffness_n_per_mm;
    cr_expect(fabs(s.result.stall_force_n.value - s.truth.stall_force_n) < 0.008 * drop_n, "%g N of %g N",
              s.result.stall_force_n.value - s.truth.stall_force_n, drop_n);
}

Test(push, motor_limited_push_with_encoder)
{
    motor_push(true);
}

static void settling_push(bool encoder)
{
    prepare(SETTLES, encoder);
    simulate_and_analyse();
    cr_assert(s.truth.settles && s.truth.onset_reached);
    cr_expect_eq(s.result.limited_by, LIMITED_GRIP, "%s", LIMITED_NAMES[s.result.limited_by]);
    cr_expect(s.result.settled);
    cr_expect_eq(s.result.event_count, 0);
    holds("stall force", &s.result.stall_force_n, s.truth.stall_force_n);
    holds("slip onset", &s.result.slip_onset_n, s.truth.slip_onset_n);
    cr_expect(s.result.slip_onset_n.standard_uncertainty < 0.03 * s.truth.slip_onset_n);
    holds("creep", &s.result.creep_per_n, s.truth.creep_per_n);
    cr_expect(evidence_says("levels off"));
    cr_expect(evidence_says("past an onset of gross slip"));
    cr_expect(!s.result.drop_period_mm.present);
}

Test(push, push_that_settles_without_encoder)
{
    settling_push(false);
}

Test(push, push_that_settles_with_encoder)
{
    settling_push(true);
}

static void tearing_push(bool encoder)
{
    prepare(TEARS, encoder);
    simulate_and_analyse();
    cr_assert(s.truth.shear_n > 0 && s.truth.onset_reached);
    cr_expect_eq(s.result.limited_by, LIMITED_GRIP, "%s", LIMITED_NAMES[s.result.limited_by]);
    cr_expect(!s.result.settled);
    cr_expect(s.result.event_count >= 3, "%zu events", s.result.event_count);
    holds("stall force", &s.result.stall_force_n, s.truth.stall_force_n);
    holds("slip onset", &s.result.slip_onset_n, s.truth.slip_onset_n);
    cr_expect(evidence_says("tooth pitches"));
    cr_expect(evidence_says("past an onset of gross slip"));
}

Test(push, push_whose_teeth_tear_without_encoder)
{
    tearing_push(false);
}

Test(push, push_whose_teeth_tear_with_encoder)
{
    tearing_push(true);
}

/* The rig cut the motion when the force met a limit of its own. */
Test(push, a_push_that_met_a_limit_is_a_bound_and_has_no_interval)
{
    prepare(MOTOR, false);
    simulate();
    size_t last = 0;
    double limit_counts = s.p.sensor.zero_counts + 50 * s.p.sensor.gain_counts_per_n;
    while (s.columns.force_counts[last] < limit_counts)
        last++;
    cr_assert(last + 1500 < s.columns.n);
    for (size_t i = last + 1; i < s.columns.n; i++) {
        s.columns.commanded_steps[i] = s.columns.commanded_steps[last];
        s.columns.force_counts[i] = s.columns.force_counts[i % 900];
    }
    s.columns.n = last + 1000;
    s.record.push_end_us = s.columns.time_us[last];
    s.record.ended = RUN_LIMIT;
    s.record.ended_why = "force limit on the rig";
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(s.result.stall_force_n.present && s.result.stall_force_n.at_least);
    cr_expect(s.result.stall_force_n.value > 46 && s.result.stall_force_n.value < 50.5, "at least %.2f N",
              s.result.stall_force_n.value);
    cr_expect(isnan(s.result.stall_force_n.low_95) && isnan(s.result.stall_force_n.high_95));
    cr_expect_eq(s.result.limited_by, LIMITED_LIMIT);
    cr_expect_eq(s.result.event_count, 0);
    cr_expect(!s.result.slip_onset_n.present);
    cr_expect(evidence_says("force limit on the rig"));
}

Test(push, a_push_ends_where_the_converter_comes_to_the_end_of_its_range)
{
    double reached_n = 0;
    prepare(MOTOR, false);
    simulate();
    size_t first = 0;
    while (s.columns.time_us[first] < s.record.push_start_us)
        first++;
    /* From half the stall force on the converter shows its end. */
    for (size_t i = first; i < s.columns.n; i++) {
        double force_n = (s.columns.force_counts[i] - s.p.sensor.zero_counts) / s.p.sensor.gain_counts_per_n;
        if (force_n > 0.5 * s.truth.stall_force_n || reached_n > 0) {
            reached_n = 0.5 * s.truth.stall_force_n;
            s.columns.flags[i] = s.columns.time_us[i] <= s.record.push_end_us ? RUN_FLAG_OVER_RANGE : 0;
        }
    }
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(flags_say("the converter came to the end of its range"), "%s", s.result.flags[0]);
    cr_expect(s.result.stall_force_n.at_least, "%.2f N", s.result.stall_force_n.value);
    cr_expect(s.result.stall_force_n.value <= reached_n && s.result.stall_force_n.value > 0.9 * reached_n,
              "%.2f N", s.result.stall_force_n.value);
    cr_expect(!s.result.slip_onset_n.present);
    cr_expect_eq(s.result.limited_by, LIMITED_LIMIT);
}

static void refused(const char *words)
{
    static const struct push_result zero;
    memset(&s.result, 0x5a, sizeof s.result);
    cr_expect_eq(analyse(), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(s.e.text, words), "'%s' for '%s'", s.e.text, words);
    cr_expect_eq(memcmp(&s.result, &zero, sizeof zero), 0, "the result is not zeroed");
}

Test(push, without_an_unloaded_stretch_there_is_no_zero)
{
    prepare(MOTOR, false);
    simulate();
    s.record.push_start_us = s.columns.time_us[19];
    refused("only 19 unloaded samples before the push");
    s.record.push_start_us = s.columns.time_us[1000];
    for (size_t i = 0; i < 990; i++)
        s.columns.flags[i] = RUN_FLAG_OVER_RANGE;
    refused("only 10 unloaded samples");
    s.record.push_start_us = s.record.push_end_us = 0;
    refused("only 0 unloaded samples");
}

Test(push, without_motion_there_is_no_answer)
{
    prepare(MOTOR, false);
    simulate();
    for (size_t i = 0; i < s.columns.n; i++)
        s.columns.commanded_steps[i] = 41;
    refused("no forward feed");
}

Test(push, feed_that_runs_backward_is_refused)
{
    prepare(MOTOR, false);
    simulate();
    for (size_t i = 2500; i < 2600; i++)
        s.columns.commanded_steps[i] = s.columns.commanded_steps[2499] - (int32_t)(i - 2499);
    refused("runs backward");
    for (size_t i = 0; i < s.columns.n; i++)
        s.columns.commanded_steps[i] = -(int32_t)i;
    refused("no forward feed");
}

Test(push, a_push_that_never_meets_the_end_is_refused)
{
    prepare(MOTOR, false);
    s.p.fixture.gap_mm = 19;
    simulate();
    refused("was the end blocked?");
}

Test(push, empty_and_tiny_records_are_refused)
{
    prepare(MOTOR, true);
    simulate();
    for (size_t n = 0; n < 1030; n += n < 5 ? 1 : 41) {
        size_t all = s.columns.n;
        s.columns.n = n;
        cr_expect_eq(analyse(), ERR_NO_ANSWER, "%zu rows", n);
        s.columns.n = all;
    }
}

Test(push, gaps_are_flagged)
{
    prepare(MOTOR, false);
    simulate();
    size_t hole = 300, at = 2600;
    for (size_t i = at; i + hole < s.columns.n; i++) {
        s.columns.time_us[i] = s.columns.time_us[i + hole];
        s.columns.force_counts[i] = s.columns.force_counts[i + hole];
        s.columns.commanded_steps[i] = s.columns.commanded_steps[i + hole];
    }
    s.columns.n -= hole;
    s.record.gaps = 2;
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(flags_say("2 gaps in the record, 1 of them during the push"), "%s", s.result.flags[0]);
}

Test(push, forces_outside_the_calibrated_range_are_flagged)
{
    prepare(MOTOR, false);
    simulate();
    s.calibration.load_low_n = 0;
    s.calibration.load_high_n = 60;
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(flags_say("outside the calibrated range of 0 to 60 N"), "%s", s.result.flags[0]);
    s.calibration.load_high_n = 100;
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(!flags_say("calibrated range"));
}

Test(push, a_load_cell_that_counts_down_gives_the_same_newtons)
{
    struct push_result up;
    prepare(TEARS, true);
    simulate_and_analyse();
    up = s.result;
    for (size_t i = 0; i < s.columns.n; i++)
        s.columns.force_counts[i] = 777 - s.columns.force_counts[i];
    s.calibration.coefficients[0] = 777 - s.calibration.coefficients[0];
    s.calibration.coefficients[1] *= -1;
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect_float_eq(s.result.stall_force_n.value, up.stall_force_n.value, 1e-6);
    cr_expect_float_eq(s.result.stall_force_n.high_95, up.stall_force_n.high_95, 1e-6);
    cr_expect_float_eq(s.result.slip_onset_n.value, up.slip_onset_n.value, 1e-6);
    cr_expect_float_eq(s.result.noise_n, up.noise_n, 1e-9);
    cr_expect_float_eq(s.result.zero_drift_n, up.zero_drift_n, 1e-9);
    cr_expect_eq(s.result.event_count, up.event_count);
    cr_expect_eq(s.result.limited_by, up.limited_by);
}

Test(push, a_measured_feed_takes_the_place_of_the_nominal_diameter)
{
    struct push_result nominal;
    double relative = 0, mm;
    prepare(MOTOR, false);
    simulate_and_analyse();
    nominal = s.result;
    mm = push_feed_per_microstep_mm(&s.record, &s.calibration, &relative);
    cr_expect_float_eq(mm, 3.14159265358979 * 8 / 3200, 1e-12);
    cr_expect_float_eq(relative, 0.01, 1e-12);
    snprintf(s.calibration.feeds[0].feeder, sizeof s.calibration.feeds[0].feeder, "someone-else");
    s.calibration.feeds[0].mm_per_microstep = 9;
    snprintf(s.calibration.feeds[1].feeder, sizeof s.calibration.feeds[1].feeder, "%s", s.record.feeder);
    s.calibration.feeds[1].mm_per_microstep = 1.013 * mm;
    s.calibration.feeds[1].standard_uncertainty_mm_per_microstep = 0.0021 * 1.013 * mm;
    s.calibration.feed_count = 2;
    cr_expect_float_eq(push_feed_per_microstep_mm(&s.record, &s.calibration, &relative), 1.013 * mm, 1e-12);
    cr_expect_float_eq(relative, 0.0021, 1e-12);
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect_float_eq(s.result.stiffness_n_per_mm.value * 1.013, nominal.stiffness_n_per_mm.value, 0.02);
    cr_expect_float_eq(s.result.drop_period_mm.value, 1.013 * nominal.drop_period_mm.value, 0.002);
    cr_expect(s.result.stiffness_n_per_mm.standard_uncertainty <
              nominal.stiffness_n_per_mm.standard_uncertainty);
    cr_expect_float_eq(s.result.speed_mm_s, 1.013 * nominal.speed_mm_s, 1e-6);
    cr_expect_float_eq(s.result.stall_force_n.value, nominal.stall_force_n.value,
                       0.2 * nominal.stall_force_n.standard_uncertainty);
}

Test(push, drift_between_the_zeros_is_taken_off)
{
    prepare(MOTOR, false);
    s.p.sensor.drift_n_per_min = 37;
    simulate_and_analyse();
    cr_expect_float_eq(s.result.zero_drift_n, 37 * 4.9 / 60, 0.4, "%.3f N", s.result.zero_drift_n);
    holds("stall force", &s.result.stall_force_n, s.truth.stall_force_n);
    /* What remains unknown of the drift shows in the interval. */
    cr_expect(s.result.stall_force_n.standard_uncertainty > 0.25 * s.result.zero_drift_n / 2);
}

Test(push, without_a_zero_after_the_push_the_run_is_flagged)
{
    prepare(MOTOR, false);
    simulate();
    while (s.columns.time_us[s.columns.n - 1] > s.record.push_end_us)
        s.columns.n--;
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(flags_say("no unloaded reading at rest after the push"), "%s", s.result.flags[0]);
    cr_expect_eq(s.result.zero_drift_n, 0);
    /* The drift that the limit allows may have been there: a rectangle of it is in the budget. */
    cr_expect(s.result.stall_force_n.standard_uncertainty > PLAN_ZERO_DRIFT_LIMIT_N / sqrt(3));
}

Test(push, noise_and_zero_come_from_the_unloaded_stretch)
{
    prepare(MOTOR, false);
    simulate_and_analyse();
    cr_expect_float_eq(s.result.noise_n, sqrt(0.3 * 0.3 + 0.1 * 0.1 / 2), 0.03, "%.4f N", s.result.noise_n);
    cr_expect_float_eq(s.result.zero_counts, s.p.sensor.zero_counts, 0.06 * s.p.sensor.gain_counts_per_n);
    cr_expect(s.result.greatest_force_n > s.truth.stall_force_n);
}

Test(push, the_picture_holds_every_extreme)
{
    double high = 0;
    prepare(MOTOR, true);
    simulate_and_analyse();
    const struct push_picture *p = &s.result.picture;
    cr_expect(p->n > 500 && p->n <= PUSH_PICTURE_COLUMNS, "%zu columns", p->n);
    for (size_t i = 0; i < p->n; i++) {
        cr_expect(p->force_low_n[i] <= p->force_high_n[i]);
        cr_expect(i == 0 || p->feed_mm[i] > p->feed_mm[i - 1]);
        high = fmax(high, p->force_high_n[i]);
    }
    cr_expect_float_eq(high, s.result.greatest_force_n, 1e-9);
}

/* An uncertain calibration widens the stall force's interval by as much as it should. */
Test(push, the_calibration_is_part_of_the_uncertainty)
{
    double before;
    prepare(MOTOR, false);
    simulate_and_analyse();
    before = s.result.stall_force_n.standard_uncertainty;
    s.calibration.covariance[1][1] = pow(0.013 * s.calibration.coefficients[1], 2);
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect_float_eq(s.result.stall_force_n.standard_uncertainty,
                       hypot(before, 0.013 * s.result.stall_force_n.value), 0.01);
}

/* A force made by hand over the simulated record: commanded feed from the start of the push, mm. */
static void put_force(double (*force_of)(double feed_mm), double after_n, double clip_n)
{
    struct model_random draws = {99};
    double per = push_feed_per_microstep_mm(&s.record, &s.calibration, NULL);
    for (size_t i = 0; i < s.columns.n; i++) {
        bool moving =
            s.columns.time_us[i] >= s.record.push_start_us && s.columns.time_us[i] <= s.record.push_end_us;
        double f = moving ? force_of(per * s.columns.commanded_steps[i])
                   : s.columns.time_us[i] > s.record.push_end_us ? after_n
                                                                 : 0;
        f += 0.2 * model_random_normal(&draws);
        s.columns.flags[i] = clip_n > 0 && f > clip_n ? RUN_FLAG_OVER_RANGE : 0;
        if (s.columns.flags[i])
            f = clip_n;
        s.columns.force_counts[i] = (int32_t)(s.p.sensor.zero_counts + s.p.sensor.gain_counts_per_n * f);
    }
}
static double ramp(double x)
{
    return x < 1 ? 0 : 14 * (x - 1);
}
static double early_tear(double x)
{
    x -= 1;
    return x < 0 ? 0 : x < 2 ? 30 * x : 40 + 6 * (x - 2);
}
static double sawtooth(double x)
{
    x -= 1;
    return x < 0 ? 0 : x < 2 ? 30 * x : 45 + 30 * fmod(x - 2, 0.5);
}

Test(push, a_saturated_converter_gives_a_bound_and_no_onset)
{
    prepare(MOTOR, false);
    simulate();
    put_force(ramp, 0, 50);
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(s.result.stall_force_n.at_least, "%.2f +- %.3f N", s.result.stall_force_n.value,
              s.result.stall_force_n.standard_uncertainty);
    cr_expect(!s.result.slip_onset_n.present, "onset %.2f N", s.result.slip_onset_n.value);
    cr_expect_neq(s.result.limited_by, LIMITED_GRIP);
}
Test(push, one_early_tear_is_not_the_stall_force_of_a_push_that_went_on_rising)
{
    prepare(MOTOR, false);
    simulate();
    put_force(early_tear, 0, 0);
    s.record.ended = RUN_LIMIT;
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(s.result.stall_force_n.at_least && s.result.stall_force_n.value > 95, "%.2f N",
              s.result.stall_force_n.value);
}
Test(push, force_left_on_the_cell_afterwards_is_not_drift)
{
    prepare(MOTOR, false);
    simulate();
    put_force(sawtooth, 20, 0);
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(s.result.flag_count > 0, "nothing is said of a zero that moved by 20 N");
    cr_expect(s.result.stall_force_n.high_95 > 59, "%.2f to %.2f N", s.result.stall_force_n.low_95,
              s.result.stall_force_n.high_95);
}
Test(push, cycles_hidden_in_noise_are_not_a_level)
{
    prepare(MOTOR, false);
    s.p.gear.reduction = 5;
    s.p.motor.holding_torque_nm /= 5;
    s.p.sensor.noise_n = 3;
    simulate();
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(s.result.stall_force_n.at_least || s.result.stall_force_n.high_95 > s.truth.stall_force_n,
              "%.2f +- %.2f N, truth %.2f", s.result.stall_force_n.value,
              s.result.stall_force_n.standard_uncertainty, s.truth.stall_force_n);
}
Test(push, a_soft_end_does_not_raise_the_stall_force)
{
    prepare(MOTOR, false);
    s.p.fixture.stiffness_n_per_mm = 1;
    s.push.travel_mm = 130;
    s.push.speed_mm_s = 9.7;
    simulate();
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(s.result.stall_force_n.at_least ||
                  s.truth.stall_force_n >
                      s.result.stall_force_n.value - 3 * s.result.stall_force_n.standard_uncertainty,
              "%.2f +- %.2f N, truth %.2f", s.result.stall_force_n.value,
              s.result.stall_force_n.standard_uncertainty, s.truth.stall_force_n);
    cr_expect_neq(s.result.limited_by, LIMITED_GRIP);
    cr_expect(!s.result.slip_onset_n.present, "onset %.2f +- %.2f N, there is none",
              s.result.slip_onset_n.value, s.result.slip_onset_n.standard_uncertainty);
}

/* The motor goes on holding the push for a while after the motion, as it does when the host is late with its
 * cut. */
Test(push, a_zero_is_not_taken_while_the_motor_still_holds)
{
    prepare(MOTOR, false);
    simulate();
    size_t end = 0;
    while (s.columns.time_us[end] <= s.record.push_end_us)
        end++;
    /* Of the second after the push the force lasts for 0.4. */
    for (size_t i = end; i < s.columns.n && s.columns.time_us[i] < s.record.push_end_us + 400000; i++)
        s.columns.force_counts[i] = s.columns.force_counts[end - 2];
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(fabs(s.result.zero_drift_n) < 0.3, "drift %.2f N", s.result.zero_drift_n);
    holds("stall force", &s.result.stall_force_n, s.truth.stall_force_n);
    /* And with nothing but that force after it, there is no zero to take. */
    for (size_t i = end; i < s.columns.n; i++) {
        double t = (double)(s.columns.time_us[i] - s.record.push_end_us) * 1e-6;
        s.columns.force_counts[i] =
            (int32_t)(s.p.sensor.zero_counts + s.p.sensor.gain_counts_per_n * 60 * exp(-t / 0.7));
    }
    cr_assert_eq(analyse(), ERR_OK, "%s", s.e.text);
    cr_expect(flags_say("at rest"), "%s", s.result.flags[0]);
    cr_expect_eq(s.result.zero_drift_n, 0);
}

/* What became of 24 pushes of a motor of 23 N, with few readings on the rise. */
struct quick {
    int motors, grips;
    double mean, rms;     /* of the stall force read, less 1, over the true one */
    size_t rise_readings; /* at the most */
};

static struct quick push_quickly(double speed_mm_s, double stiffness_n_per_mm)
{
    enum { PUSHES = 24 };
    struct quick q = {0};
    for (int i = 0; i < PUSHES; i++) {
        prepare(MOTOR, false);
        s.p.motor.holding_torque_nm *= 0.27;
        s.p.motor.torque_scatter = 0.004;
        s.p.spread.motor_repeat = 0;
        s.p.fixture.stiffness_n_per_mm = stiffness_n_per_mm;
        s.push.speed_mm_s = speed_mm_s;
        s.push.acceleration_mm_s2 = 6000;
        s.push.sample_rate_hz = 2000;
        s.push.travel_mm = 8.5;
        s.seed = 7130 + (uint64_t)i;
        simulate_and_analyse();
        double off = s.result.stall_force_n.value / s.truth.stall_force_n - 1;
        q.motors += s.result.limited_by == LIMITED_MOTOR;
        q.grips += s.result.limited_by == LIMITED_GRIP;
        q.mean += off / PUSHES;
        q.rms += off * off / PUSHES;
        if (s.result.sampling.rise_readings > q.rise_readings)
            q.rise_readings = s.result.sampling.rise_readings;
        end();
    }
    q.rms = sqrt(q.rms);
    return q;
}

/* Too few readings for a fit of the loading. The rotor's lag bends the rise at the peak all the same: a
 * straight line would read 1 to 2 % too much, in every push, and the drops would not be told as a motor's. */
Test(push, peaks_of_a_motor_are_not_overshot_where_the_rise_has_few_readings)
{
    struct quick q = push_quickly(56.7, 70);
    cr_expect_lt(q.rise_readings, 30);
    cr_expect(fabs(q.mean) < 0.004, "read %.2f %% too high", 100 * q.mean);
    cr_expect_geq(q.motors, 20, "%d of 24", q.motors);
}

/* Enough readings for a fit of the loading, too few for a good one: its stiffness is off by 10 % and more,
 * and so are all distances that drops stand for. That is no reason to take a motor's cycles for something
 * else. */
Test(push, a_motor_is_told_by_a_loading_of_few_readings)
{
    static const double STIFFNESS_N_PER_MM[] = {45, 56};
    for (int i = 0; i < 2; i++) {
        struct quick q = push_quickly(40, STIFFNESS_N_PER_MM[i]);
        cr_expect_geq(q.motors, 20, "%d of 24 at %g N/mm", q.motors, STIFFNESS_N_PER_MM[i]);
        cr_expect_eq(q.grips, 0);
    }
}

/* Nor is slip that such a fit cannot tell from none taken off the peaks: they would be up to 5 % too low. */
Test(push, slip_that_is_not_known_bends_no_peak)
{
    struct quick q = push_quickly(20, 124);
    cr_expect_lt(q.rms, 0.009, "%.2f %%", 100 * q.rms);
}

/* Where the drops let go of everything, the stiffness is the slope of the rise alone, and creep is in it. */
Test(push, a_slope_alone_is_not_taken_for_a_stiffness_that_is_known)
{
    static const double STIFFNESS_N_PER_MM[] = {175, 195};
    for (int i = 0; i < 2; i++) {
        struct quick q = push_quickly(40, STIFFNESS_N_PER_MM[i]);
        cr_expect_geq(q.motors, 21, "%d of 24 at %g N/mm", q.motors, STIFFNESS_N_PER_MM[i]);
        cr_expect_eq(q.grips, 0);
    }
}

Test(push, a_stall_on_the_way_to_the_speed_is_flagged)
{
    static const double ACCELERATION_MM_S2[] = {300, 9000};
    for (int i = 0; i < 2; i++) {
        prepare(MOTOR, false);
        s.push.speed_mm_s = 57.3;
        s.push.acceleration_mm_s2 = ACCELERATION_MM_S2[i];
        s.push.sample_rate_hz = 2000;
        simulate_and_analyse();
        cr_expect_eq(flags_say("still gained speed"), i == 0, "at %g mm/s2", ACCELERATION_MM_S2[i]);
        end();
    }
    /* A slow push whose steps are few among its readings. */
    prepare(MOTOR, false);
    s.push.speed_mm_s = 0.93;
    simulate_and_analyse();
    cr_expect(!flags_say("still gained speed"));
}
