#include "analyze/reversal.h"

#include "analyze/numerics/quantity.h"
#include "analyze/push_loading.h"
#include "analyze/reversal_loop.h"
#include "tests/analyze/kept_run.h"
#include "tests/sim/simulate.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RUNS_MOST 6

static struct scene {
    struct model_parameters p;
    struct simulated_push push;
    struct calibration calibration;
    struct push_settings settings;
    struct run_record records[RUNS_MOST];
    struct run_result results[RUNS_MOST];
    const struct run_result *runs[RUNS_MOST];
    size_t count;
    struct outcome outcome;
    struct err e;
} s;

static void begin(void)
{
    quantity_init_numerics();
    memset(&s, 0, sizeof s);
    s.p = model_default();
    s.p.motor.supply_v = 24;
    s.p.sensor.encoder = s.p.sensor.encoder_at_end = true;
    s.p.sensor.at_feeder = true;
    s.p.sensor.noise_n = 0.17;
    s.p.gear.backlash_mm = 0.1173;
    s.p.fixture.gap_mm = 0.93;
    s.p.tube.friction = 0.137;
    s.p.tube.clearance_mm = 0.0831;
    s.push = (struct simulated_push){.speed_mm_s = 1.7,
                                     .travel_mm = 2.37,
                                     .acceleration_mm_s2 = 200,
                                     .sample_rate_hz = 1000,
                                     .rest_s = 1,
                                     .cycles = 3,
                                     .test = PLAN_REVERSAL};
    s.settings = push_budget_settings(NULL);
}

static void end(void)
{
    for (size_t i = 0; i < s.count; i++) {
        run_result_free(&s.results[i]);
        run_record_free(&s.records[i]);
    }
    outcome_free(&s.outcome);
}

TestSuite(reversal, .init = begin, .fini = end);

static size_t found_quantities; /* by the last run, whether it had an answer or not */

static enum err_code run_at(double bend_deg)
{
    struct model_state state = {0};
    struct run_columns columns;
    struct run_result *r = &s.results[s.count];
    static struct run_finding found;
    memset(&found, 0, sizeof found);
    const char *bad = model_check(&s.p);
    cr_assert_null(bad, "%s", bad);
    s.p.tube.bend_rad = bend_deg * 3.14159265358979 / 180;
    s.calibration = simulate_exact_calibration(&s.p);
    model_mount(&s.p, &state, 881 + s.count);
    cr_assert(simulate_push(&s.p, &state, &s.push, &columns, &s.records[s.count], NULL));
    enum err_code code =
        reversal_analyse(&columns, &s.records[s.count], &s.calibration, &s.settings, &found, &s.e);
    run_columns_free(&columns);
    found_quantities = found.quantity_count;
    kept_run(r, &s.records[s.count], &found, code, s.e.text);
    free(found.trace.x);
    free(found.trace.y);
    s.runs[s.count++] = r;
    return code;
}

static const struct quantity *of_run(size_t i, const char *key)
{
    for (size_t k = 0; k < s.results[i].quantity_count; k++) {
        if (strcmp(s.results[i].quantities[k].key, key) == 0)
            return &s.results[i].quantities[k].q;
    }
    cr_assert_fail("no %s", key);
    return NULL;
}

static void holds(const struct quantity *q, double truth, const char *what)
{
    cr_assert(q->present && !q->at_least, "%s is absent", what);
    cr_expect(q->standard_uncertainty > 0, "%s", what);
    cr_expect(fabs(q->value - truth) < 3 * q->standard_uncertainty, "%s: %g +- %g, truth %g", what, q->value,
              q->standard_uncertainty, truth);
}

static enum err_code sum_up(void)
{
    struct bench_test_context context = {.calibration = &s.calibration, .settings = &s.settings};
    outcome_init(&s.outcome, "reversal");
    return reversal_sum_up(s.runs, s.count, &context, &s.outcome, &s.e);
}

static bool says(const char *words)
{
    for (size_t i = 0; i < s.outcome.sentence_count; i++) {
        if (strstr(s.outcome.sentences[i], words) != NULL)
            return true;
    }
    return false;
}

Test(reversal, backlash_is_seen_by_the_encoder_and_no_force_ratio_without_a_tube)
{
    cr_assert_eq(run_at(0), ERR_OK, "%s", s.e.text);
    holds(of_run(0, "lost_motion_mm"), 0.1173, "lost motion");
    holds(of_run(0, "force_ratio"), 1, "ratio");
    cr_expect_not(of_run(0, "lost_motion_tube_mm")->present);
    cr_expect_not(of_run(0, "guide_tube_friction")->present);
    cr_expect(of_run(0, "hysteresis_mj")->value > 0);
    cr_expect(s.results[0].trace.n > 100);
}

Test(reversal, encoder_past_the_tube_sees_drive_and_tube_together)
{
    cr_assert_eq(run_at(97.3), ERR_OK, "%s", s.e.text);
    holds(of_run(0, "lost_motion_mm"), 0.1173 + 0.0831, "lost motion");
    holds(of_run(0, "guide_tube_friction"), 0.137, "friction");
    cr_assert_eq(sum_up(), ERR_OK, "%s", s.e.text);
    cr_expect_null(outcome_find(&s.outcome, "lost_motion_tube_mm", "with 97.3 degrees of bend"));
    cr_expect(says("(bend 0) would tell its part"));
}

/* Speed over sample rate and travel: the share of its force that a sample at the turn stands for. */
Test(reversal, sample_at_the_turn_is_in_the_budgets_of_ratio_and_friction)
{
    cr_assert_eq(run_at(97.3), ERR_OK, "%s", s.e.text);
    cr_assert_eq(sum_up(), ERR_OK, "%s", s.e.text);
    static const char *const keys[] = {"force_ratio", "guide_tube_friction"};
    double share = s.push.speed_mm_s / (1000 * 2.37), bend = 97.3 * M_PI / 180;
    for (int k = 0; k < 2; k++) {
        const struct outcome_quantity *q = outcome_find(&s.outcome, keys[k], "with 97.3 degrees of bend");
        double found = 0, wanted = k == 0 ? q->q.value * share : share / (2 * bend);
        for (size_t i = 0; i < q->budget.count; i++) {
            if (strcmp(q->budget.components[i].name, "one sample at the turn") == 0)
                found = q->budget.components[i].contribution;
        }
        cr_expect_float_eq(found, wanted, 1e-6 * wanted, "%s: %g, wanted %g", keys[k], found, wanted);
    }
}

static void take_loops(struct reversal_loops *loops)
{
    struct model_state state = {0};
    struct run_columns columns;
    struct run_record record;
    struct push_motion m = {0};
    static struct push_result r;
    struct push_gear gear = {.turn_mm = 3.14159265358979 * s.p.gear.drive_diameter_mm,
                             .pitch_mm = 3.14159265358979 * s.p.gear.drive_diameter_mm / s.p.gear.teeth,
                             .runout_mm = 0.02};
    memset(&r, 0, sizeof r);
    s.calibration = simulate_exact_calibration(&s.p);
    model_mount(&s.p, &state, 4421);
    cr_assert(simulate_push(&s.p, &state, &s.push, &columns, &record, NULL));
    cr_assert_eq(push_motion_take_both_ways(&columns, &record, &s.calibration, &m, &r, 1, &s.e), ERR_OK, "%s",
                 s.e.text);
    cr_assert_eq(reversal_loop_take(&m, &r, true, &gear, 0, loops, &s.e), ERR_OK, "%s", s.e.text);
    push_motion_free(&m);
    run_columns_free(&columns);
    run_record_free(&record);
}

/* The bend of a noisy loading says little of creep, the way by which the contact moves on a lot. */
Test(reversal, creep_is_told_by_how_far_the_contact_moves_on)
{
    struct reversal_loops loops;
    double truth = s.p.nip.creep_floor_per_n +
                   s.p.nip.creep_extra_per_n * exp(-s.p.nip.preload_n / s.p.nip.creep_preload_n);
    s.p.sensor.noise_n = 0.5;
    s.p.tube.bend_rad = 1.73;
    s.push.travel_mm = 1.7;
    take_loops(&loops);
    cr_expect(fabs(loops.creep.per_n - truth) < 3 * loops.creep.standard_error_per_n, "%g +- %g, true %g",
              loops.creep.per_n, loops.creep.standard_error_per_n, truth);
    cr_expect(loops.creep.standard_error_per_n < truth, "%g", loops.creep.standard_error_per_n);
    s.push.cycles = 1;
    double error_per_n = loops.creep.standard_error_per_n;
    take_loops(&loops);
    cr_expect(fabs(loops.creep.per_n - truth) < 3 * loops.creep.standard_error_per_n, "%g +- %g, true %g",
              loops.creep.per_n, loops.creep.standard_error_per_n, truth);
    cr_expect(loops.creep.standard_error_per_n > 3 * error_per_n, "%g", loops.creep.standard_error_per_n);
}

Test(reversal, encoder_at_the_nip_sees_the_drive_alone_and_says_so)
{
    s.p.sensor.encoder_at_end = false;
    cr_assert_eq(run_at(97.3), ERR_OK, "%s", s.e.text);
    cr_assert_eq(run_at(0), ERR_OK, "%s", s.e.text);
    holds(of_run(0, "lost_motion_mm"), 0.1173, "lost motion");
    cr_assert_eq(sum_up(), ERR_OK, "%s", s.e.text);
    cr_expect_null(outcome_find(&s.outcome, "lost_motion_tube_mm", "with 97.3 degrees of bend"));
    cr_expect(says("the lost motion is the drive's alone"));
}

Test(reversal, without_an_encoder_no_lost_motion_is_seen)
{
    s.p.sensor.encoder = s.p.sensor.encoder_at_end = false;
    cr_assert_eq(run_at(97.3), ERR_OK, "%s", s.e.text);
    cr_expect_not(of_run(0, "lost_motion_mm")->present);
    holds(of_run(0, "guide_tube_friction"), 0.137, "friction");
    cr_assert_eq(sum_up(), ERR_OK, "%s", s.e.text);
    cr_expect(says("Without an encoder"));
}

Test(reversal, cell_behind_the_tube_cannot_see_its_friction_and_says_so)
{
    s.p.sensor.at_feeder = false;
    cr_assert_eq(run_at(97.3), ERR_OK, "%s", s.e.text);
    cr_expect_not(of_run(0, "guide_tube_friction")->present);
    holds(of_run(0, "lost_motion_mm"), 0.1173 + 0.0831, "lost motion");
    cr_assert_eq(sum_up(), ERR_OK, "%s", s.e.text);
    cr_expect(says("cannot see its friction"));
    cr_assert_gt(s.outcome.warning_count, 0);
    cr_expect(strstr(s.outcome.warnings[0], "which no friction does") != NULL, "%s", s.outcome.warnings[0]);
}

Test(reversal, a_run_past_slip_onset_is_left_out_and_the_rest_reported)
{
    double holding_nm = s.p.motor.holding_torque_nm;
    cr_assert_eq(run_at(0), ERR_OK, "%s", s.e.text);
    s.push.travel_mm = 9.3;
    s.p.motor.holding_torque_nm *= 2.1;
    cr_assert_eq(run_at(0), ERR_NO_ANSWER);
    s.push.travel_mm = 2.37;
    s.p.motor.holding_torque_nm = holding_nm;
    cr_assert_eq(run_at(83), ERR_OK, "%s", s.e.text);
    cr_assert_eq(sum_up(), ERR_OK, "%s", s.e.text);
    cr_expect_eq(s.outcome.used_count, 2);
    cr_expect(strstr(s.results[1].why_not, "slip onset") != NULL, "%s", s.results[1].why_not);
    cr_expect_null(strchr(s.results[1].why_not, '\n'));
}

Test(reversal, several_bends_are_held_against_the_law)
{
    const struct outcome_quantity *q;
    for (int i = 0; i < 2; i++) {
        cr_assert_eq(run_at(0), ERR_OK, "%s", s.e.text);
        cr_assert_eq(run_at(83), ERR_OK, "%s", s.e.text);
        cr_assert_eq(run_at(171), ERR_OK, "%s", s.e.text);
    }
    cr_assert_eq(sum_up(), ERR_OK, "%s", s.e.text);
    cr_expect(says("agrees with"));
    cr_expect(strncmp(s.outcome.sentences[0], "Loses 0.", 8) == 0 &&
                  strstr(s.outcome.sentences[0], "in the guide tube of 171 degrees; tube friction 0.1") !=
                      NULL,
              "%s", s.outcome.sentences[0]);
    q = outcome_find(&s.outcome, "guide_tube_friction", "over all bends");
    cr_assert_not_null(q);
    holds(&q->q, 0.137, "friction");
    q = outcome_find(&s.outcome, "lost_motion_tube_mm", "with 83 degrees of bend");
    cr_assert_not_null(q);
    holds(&q->q, 0.0831, "clearance");
    cr_expect_float_eq(budget_standard_uncertainty(&q->budget), q->q.standard_uncertainty, 1e-12);
    cr_expect_eq(s.outcome.chart_count, 2);
    cr_expect_eq(s.outcome.used_count, 6);
}

Test(reversal, a_push_past_slip_onset_is_not_used)
{
    s.push.travel_mm = 9.3;
    s.p.motor.holding_torque_nm *= 2.1;
    cr_assert_eq(run_at(0), ERR_NO_ANSWER);
    cr_expect(strstr(s.e.text, "slip onset") != NULL && strstr(s.e.text, "use less travel") != NULL, "%s",
              s.e.text);
    cr_expect_eq(found_quantities, 0);
    cr_expect_eq(sum_up(), ERR_NO_ANSWER);
}

Test(reversal, onset_known_from_pushes_leaves_out_what_went_past_it)
{
    static struct feeder_result feeder;
    struct bench_test_context context = {.feeder = &feeder};
    cr_assert_eq(run_at(0), ERR_OK, "%s", s.e.text);
    context.calibration = &s.calibration;
    context.settings = &s.settings;
    memset(&feeder, 0, sizeof feeder);
    feeder.point_count = 1;
    feeder.points[0].speed_mm_s = 1.7;
    feeder.points[0].slip_onset_n = quantity_from(of_run(0, "greatest_force_n")->value - 5, 0.7, 11, 3);
    outcome_init(&s.outcome, "reversal");
    cr_expect_eq(reversal_sum_up(s.runs, s.count, &context, &s.outcome, &s.e), ERR_NO_ANSWER);
    cr_expect(strstr(s.e.text, "past the slip onset known") != NULL, "%s", s.e.text);
}

Test(reversal, nothing_in_the_way_is_no_contact)
{
    s.p.fixture.gap_mm = 50;
    cr_expect_eq(run_at(0), ERR_NO_ANSWER);
    cr_expect(strstr(s.e.text, "no contact") != NULL, "%s", s.e.text);
}

Test(reversal, one_cycle_has_energy_and_no_lost_motion)
{
    s.push.cycles = 1;
    cr_assert_eq(run_at(0), ERR_OK, "%s", s.e.text);
    cr_expect(of_run(0, "hysteresis_mj")->present);
    cr_expect_not(of_run(0, "lost_motion_mm")->present);
    cr_expect(strstr(run_text(&s.results[0].push.flags, 0), "one cycle only") != NULL, "%s",
              run_text(&s.results[0].push.flags, 0));
}

Test(reversal, a_run_that_does_not_go_back_is_refused)
{
    s.push.cycles = 0;
    cr_expect_eq(run_at(0), ERR_NO_ANSWER);
    cr_expect(strstr(s.e.text, "does not go back") != NULL, "%s", s.e.text);
}
