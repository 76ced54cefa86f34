#include "analyze/free_run.h"

#include "analyze/numerics/quantity.h"
#include "tests/analyze/kept_run.h"
#include "tests/sim/simulate.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RUNS_MOST 4

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
    s.p.fixture.end = MODEL_END_FREE;
    s.p.sensor.encoder = true;
    s.p.gear.eccentricity_mm = 0.0137;
    s.p.gear.tooth_ripple_mm = 0.0011;
    s.p.sensor.mains_n = 0.113;
    s.p.sensor.drift_walk_n = 0;
    s.push = (struct simulated_push){.speed_mm_s = 13.7,
                                     .travel_mm = 93.1,
                                     .acceleration_mm_s2 = 200,
                                     .sample_rate_hz = 1000,
                                     .rest_s = 1.3,
                                     .test = PLAN_FREE_RUN};
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

TestSuite(free_run, .init = begin, .fini = end);

static enum err_code run_at(double preload_n)
{
    struct model_state state = {0};
    struct run_columns columns;
    struct run_result *r = &s.results[s.count];
    static struct run_finding found;
    memset(&found, 0, sizeof found);
    const char *bad = model_check(&s.p);
    cr_assert_null(bad, "%s", bad);
    s.push.preload_n = preload_n;
    s.calibration = simulate_exact_calibration(&s.p);
    model_mount(&s.p, &state, 317 + s.count);
    cr_assert(simulate_push(&s.p, &state, &s.push, &columns, &s.records[s.count], NULL));
    enum err_code code =
        free_run_analyse(&columns, &s.records[s.count], &s.calibration, &s.settings, &found, &s.e);
    run_columns_free(&columns);
    kept_run(r, &s.records[s.count], &found, code, s.e.text);
    s.runs[s.count++] = r;
    return code;
}

static void sum_up(void)
{
    struct bench_test_context context = {.calibration = &s.calibration, .settings = &s.settings};
    outcome_init(&s.outcome, "free-run");
    cr_assert_eq(free_run_sum_up(s.runs, s.count, &context, &s.outcome, &s.e), ERR_OK, "%s", s.e.text);
}

static const struct quantity *find(const char *key, const char *setting)
{
    const struct outcome_quantity *q = outcome_find(&s.outcome, key, setting);
    cr_assert_not_null(q, "no %s", key);
    return &q->q;
}

static void holds(const struct quantity *q, double truth, const char *what)
{
    cr_assert(q->present, "%s is absent", what);
    cr_expect(q->standard_uncertainty > 0, "%s", what);
    cr_expect(fabs(q->value - truth) < 3.5 * q->standard_uncertainty, "%s: %g +- %g, truth %g", what,
              q->value, q->standard_uncertainty, truth);
}

static bool flagged(const char *words)
{
    for (size_t i = 0; i < s.results[0].push.flags.count; i++) {
        if (strstr(run_text(&s.results[0].push.flags, i), words) != NULL)
            return true;
    }
    return false;
}

Test(free_run, runout_tooth_noise_and_mains_are_found)
{
    for (int i = 0; i < 3; i++)
        cr_assert_eq(run_at(100), ERR_OK, "%s", s.e.text);
    sum_up();
    holds(find("runout_um", ""), 27.4, "runout");
    holds(find("eccentricity_um", ""), 13.7, "eccentricity");
    holds(find("tooth_ripple_um", ""), 1.1, "tooth ripple");
    holds(find("noise_n", ""), 0.3, "noise");
    holds(find("mains_n", "at 50 Hz"), 0.113, "mains");
    holds(find("zero_drift_n_per_min", ""), 0.05, "drift");
    cr_expect_not(find("full_step_ripple_um", "")->present);
    const struct outcome_quantity *q = outcome_find(&s.outcome, "runout_um", "");
    cr_expect_float_eq(budget_standard_uncertainty(&q->budget), q->q.standard_uncertainty, 1e-9);
    cr_expect(s.outcome.chart_count == 2 && s.outcome.charts[0].stems && s.outcome.charts[0].level_y > 0);
}

Test(free_run, dented_filament_is_told_by_its_feed)
{
    s.p.nip.dent_preload_n = 120;
    s.p.nip.dent_mm_per_n = 0.003;
    for (int i = 0; i < 2; i++) {
        cr_assert_eq(run_at(60), ERR_OK, "%s", s.e.text);
        cr_assert_eq(run_at(160), ERR_OK, "%s", s.e.text);
    }
    sum_up();
    holds(find("effective_feed_ratio", "at 60 N of nip preload"), 1, "feed");
    holds(find("effective_feed_ratio", "at 160 N of nip preload"), (8 - 40 * 0.003) / 8, "feed");
    cr_assert(s.outcome.warning_count >= 1);
    cr_expect(strstr(s.outcome.warnings[0], "past 60 N of nip preload") != NULL, "%s", s.outcome.warnings[0]);
}

Test(free_run, less_than_a_turn_tells_no_runout)
{
    s.push.travel_mm = 17.3;
    cr_assert_eq(run_at(100), ERR_OK, "%s", s.e.text);
    cr_expect(flagged("runout cannot be told"));
    sum_up();
    cr_expect_not(find("runout_um", "")->present);
}

Test(free_run, without_an_encoder_the_load_cell_is_told_all_the_same)
{
    s.p.sensor.encoder = false;
    cr_assert_eq(run_at(100), ERR_OK, "%s", s.e.text);
    cr_expect(flagged("no encoder"));
    sum_up();
    cr_expect_not(find("tooth_ripple_um", "")->present);
    cr_expect(find("noise_n", "")->present);
}

Test(free_run, something_in_the_way_is_flagged)
{
    s.p.fixture.end = MODEL_END_BRAKE;
    s.p.fixture.brake_n = 11.3;
    cr_assert_eq(run_at(100), ERR_OK, "%s", s.e.text);
    cr_expect(flagged("in the way"));
}

Test(free_run, orders_too_quick_for_the_samples_are_refused_with_a_reason)
{
    s.push.sample_rate_hz = 150;
    s.push.speed_mm_s = 24.1;
    cr_assert_eq(run_at(100), ERR_OK, "%s", s.e.text);
    cr_expect(flagged("no ripple once per full step"));
}
