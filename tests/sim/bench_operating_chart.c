/* Operating charts of drawn feeders and hot ends: melt pushes and blocked pushes of one feeder. Does the
 * highest rate hold what is true by the parameters, where the load line meets the motor or the grip, and is
 * what is called safe so? */
#include "tests/analyze/kept_run.h"
#include "tests/datasets/record_state.h"
#include "tests/sim/bench_study.h"

#include "analyze/bench_test.h"
#include "analyze/operating_chart.h"
#include "analyze/speed_sweep.h"
#include "tests/sim/coverage.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RATES  9
#define MELTS  2 /* of each rate */
#define SPEEDS 3
#define PUSHES 4 /* of each speed */
#define RUNS   (RATES * MELTS + SPEEDS * PUSHES)
#define MARGIN 0.2
static const double LADDER_MM3_S[RATES] = {2.7, 3.7, 5.1, 6.6, 8.3, 9.9, 11.7, 14.1, 16.3};
/* Too few speeds for a pull-out curve, whose fit takes seconds: the motors drawn here are flat. */
static const double SPEEDS_MM_S[SPEEDS] = {1.1, 4.1, 7.3};
static const double PI = 3.14159265358979323846;

struct bench {
    struct model_parameters p;
    struct series series;
    struct series *list[1];
    struct run_record records[RUNS];
    struct run_result results[RUNS];
    struct feeder_result feeder;
    struct session session;
    bool by_grip;
    double area_mm2, truth_mm3_s;
};

/* Force that the feeder can push while so much comes through: less than the gear turns, by the creep. */
static double limit_n(const struct bench *b, double rate_mm3_s)
{
    double creep = b->p.nip.creep_floor_per_n +
                   b->p.nip.creep_extra_per_n * exp(-b->p.nip.preload_n / b->p.nip.creep_preload_n);
    double speed = rate_mm3_s / b->area_mm2 / (1 - creep * model_load_line_n(&b->p, rate_mm3_s));
    return model_truth_nominal(&b->p, 0, speed).stall_force_n;
}

static double true_limit_mm3_s(const struct bench *b)
{
    double low = 0.5, high = 30;
    for (int i = 0; i < 80; i++) {
        double middle = (low + high) / 2;
        *(limit_n(b, middle) > model_load_line_n(&b->p, middle) ? &low : &high) = middle;
    }
    return low;
}

/* The load line meets the limit at a rate drawn inside the ladder. */
static void draw(struct model_random *r, uint64_t seed, struct bench *b)
{
    struct model_parameters *p = &b->p;
    double meet_mm3_s = draw_between(r, 7, 13), meet_n = draw_between(r, 35, 70);
    b->by_grip = seed % 3 == 0;
    *p = draw_feeder(r, DRAW_MOTOR, false);
    p->sensor.encoder = true;
    p->gear.eccentricity_mm = 0;
    p->fixture.filament_diameter_mm = 1.75;
    b->area_mm2 = PI * pow(p->fixture.filament_diameter_mm, 2) / 4;
    p->hot_end = (struct model_hot_end){.force_n = draw_between(r, 2, 6),
                                        .exponent = draw_between(r, 0.35, 0.7),
                                        .temperature_c = 215,
                                        .reference_c = 215};
    p->hot_end.coefficient = (meet_n - p->hot_end.force_n) / pow(meet_mm3_s, p->hot_end.exponent);
    p->nip.creep_extra_per_n = 0;
    p->nip.wear_per_m = 0;
    p->nip.shear_fraction = 0;
    p->spread = (struct model_spread){.motor_repeat = 0.008, .repeat = 0.008};
    double motor_n = b->by_grip ? 1.8 * meet_n : meet_n;
    double grip_n = b->by_grip ? meet_n / 0.95 : 2 * meet_n;
    if (b->by_grip) {
        p->nip.shear_fraction = 0.95;
        p->nip.shear_scatter = 0.02;
    }
    p->nip.grip_coefficient = grip_n / p->nip.preload_n;
    p->nip.onset_fraction = b->by_grip ? 0.75 : 0.9;
    p->motor.holding_torque_nm =
        motor_n * p->gear.drive_diameter_mm / 2000 / (p->gear.reduction * p->gear.efficiency);
    b->truth_mm3_s = true_limit_mm3_s(b);
}

static bool simulate_run(struct bench *b, struct model_state *s, struct model_random *r, size_t i,
                         bool verbose)
{
    struct model_parameters p = b->p;
    struct run_columns columns;
    struct model_truth truth;
    struct run_record *record = &b->records[i];
    struct run_result *run = &b->results[i];
    struct push_settings settings = push_budget_settings(&b->series.plan);
    struct err e = {0};
    bool melt = i < RATES * MELTS;
    struct simulated_push push = {.acceleration_mm_s2 = 200, .sample_rate_hz = 150, .rest_s = 1};
    double k = model_stiffness_n_per_mm(&p.fixture);
    if (melt) {
        push.test = PLAN_MELT_PUSH;
        push.speed_mm_s = LADDER_MM3_S[i % RATES] / b->area_mm2;
        push.travel_mm = 9 + 130 / k;
        p.fixture.end = MODEL_END_HOT;
        p.hot_end.coefficient *= 1 + 0.006 * model_random_normal(r);
    } else {
        push.test = PLAN_SPEED_SWEEP;
        push.speed_mm_s = SPEEDS_MM_S[(i - RATES * MELTS) % SPEEDS];
        push.sample_rate_hz = 500;
        push.travel_mm = 5 + (60 + 1.6 * limit_n(b, 5)) / k;
    }
    if (!simulate_push(&p, s, &push, &columns, record, &truth))
        return false;
    record->number = (int)i + 1;
    record->test = push.test;
    record->block = 1;
    record_state(record, CONDITION_FILAMENT_DIAMETER_MM, p.fixture.filament_diameter_mm);
    if (melt) {
        record->rate_mm3_s = LADDER_MM3_S[i % RATES];
        record_state(record, CONDITION_HOT_END_TEMPERATURE_C, p.hot_end.temperature_c);
    }
    static struct run_finding found;
    memset(&found, 0, sizeof found);
    enum err_code code = bench_test_run(&columns, record, &b->series.calibration, &settings, &found, &e);
    kept_run(run, record, &found, code, e.text);
    run_columns_free(&columns);
    if (verbose && melt)
        printf("  melt %.3g: %.3f N at %.3f mm3/s (at least %d) %s %s\n", record->rate_mm3_s,
               found.quantities[0].q.value, found.quantities[2].q.value, found.quantities[0].q.at_least,
               e.text, found.push.flag_count > 0 ? found.push.flags[0] : "");
    else if (verbose)
        printf("  push at %.3g: %.3f N, true %.3f, %s %s\n", record->speed_mm_s,
               run->push.stall_force_n.value, truth.stall_force_n, LIMITED_NAMES[run->push.limited_by],
               e.text);
    return true;
}

static bool simulate(struct bench *b, struct model_random *r, uint64_t seed, bool verbose)
{
    struct model_state s = {0};
    const struct run_result *pointers[RUNS];
    struct push_settings settings;
    memset(&b->feeder, 0, sizeof b->feeder);
    memset(&b->series, 0, sizeof b->series);
    b->series.calibration = simulate_exact_calibration(&b->p);
    b->series.calibration.coefficients[1] *= 1 + 0.002 * model_random_normal(r);
    b->series.calibration.covariance[1][1] = pow(0.002 * b->series.calibration.coefficients[1], 2);
    b->series.calibration.encoder_mm_per_count *= 1 + 0.002 * model_random_normal(r);
    b->series.calibration.encoder_standard_uncertainty_mm_per_count =
        0.002 * b->series.calibration.encoder_mm_per_count;
    b->series.plan.zero_drift_limit_n = 0.5;
    model_mount(&b->p, &s, seed * 1000003);
    for (size_t i = 0; i < RUNS; i++) {
        if (!simulate_run(b, &s, r, i, verbose))
            return false;
        pointers[i] = &b->results[i];
    }
    settings = push_budget_settings(&b->series.plan);
    snprintf(b->feeder.name, sizeof b->feeder.name, "drawn");
    speed_sweep_points(pointers, RUNS, &b->series.calibration, &settings, &b->feeder);
    speed_sweep_torque(pointers, RUNS, &b->series.calibration, &settings, &b->feeder);
    b->list[0] = &b->series;
    b->session = (struct session){.series = b->list,
                                  .series_count = 1,
                                  .runs = b->results,
                                  .run_count = RUNS,
                                  .feeders = &b->feeder,
                                  .feeder_count = 1,
                                  .margin = MARGIN};
    return true;
}

struct tally {
    int failed, tried, safe, safe_given, named, named_right, bound, bound_right;
};

static void judge(struct bench *b, const struct outcome *o, struct coverage *limit, struct tally *t,
                  bool verbose)
{
    const struct outcome_quantity *q = outcome_find(o, "rate_limit_mm3_s", NULL);
    const struct outcome_quantity *safe = outcome_find(o, "safe_rate_mm3_s", NULL);
    coverage_count(limit, q != NULL ? &q->q : NULL, b->truth_mm3_s);
    if (q != NULL && q->q.present && q->q.at_least) {
        t->bound++;
        t->bound_right += q->q.value <= b->truth_mm3_s;
    } else if (q != NULL && q->q.present) {
        for (size_t i = 0; i < o->sentence_count && i < 1; i++) {
            bool motor = strstr(o->sentences[i], "the motor gives way first") != NULL;
            bool grip = strstr(o->sentences[i], "the grip gives way first") != NULL;
            t->named += motor || grip;
            t->named_right += (motor || grip) && grip == b->by_grip;
        }
    }
    if (safe != NULL && safe->q.present) {
        t->safe_given++;
        /* The margin is for what the load line is not known by: fed at that rate the load must stay below. */
        t->safe += model_load_line_n(&b->p, safe->q.value) < limit_n(b, safe->q.value);
    }
    if (verbose) {
        for (size_t i = 0; i < o->sentence_count; i++)
            printf("    %s\n", o->sentences[i]);
        for (size_t i = 0; i < o->warning_count; i++)
            printf("    warning: %s\n", o->warnings[i]);
        if (q != NULL)
            printf("  limit %.3f (%.3f to %.3f), true %.3f\n", q->q.value, q->q.low_95, q->q.high_95,
                   b->truth_mm3_s);
    }
}

static void forget_runs(struct bench *b)
{
    for (size_t i = 0; i < RUNS; i++) {
        run_result_free(&b->results[i]);
        run_record_free(&b->records[i]);
    }
}

static void one(uint64_t seed, struct coverage *limit, struct tally *t, bool verbose)
{
    static struct bench b;
    struct model_random r = {seed * 4243 + 29};
    struct err e = {0};
    draw(&r, seed, &b);
    t->tried++;
    if (model_check(&b.p) != NULL || !simulate(&b, &r, seed, verbose) ||
        operating_chart_all(&b.session, MARGIN, &e) != ERR_OK) {
        printf("seed %llu: could not be simulated\n", (unsigned long long)seed);
        t->failed++;
        forget_runs(&b);
        return;
    }
    const struct outcome *o = b.feeder.outcome_count > 0 ? &b.feeder.outcomes[0] : NULL;
    if (o != NULL && o->present) {
        judge(&b, o, limit, t, verbose);
    } else {
        printf("seed %llu: %s\n", (unsigned long long)seed, o != NULL ? o->why_not : "no chart");
        t->failed++;
    }
    for (size_t i = 0; i < b.feeder.outcome_count; i++)
        outcome_free(&b.feeder.outcomes[i]);
    free(b.feeder.outcomes);
    forget_runs(&b);
}

void bench_operating_chart(struct study *study, int series, uint64_t seed, bool verbose)
{
    struct coverage limit = {.name = "highest rate"};
    struct tally t = {0};
    for (int i = 0; i < series; i++)
        one(seed + (uint64_t)i, &limit, &t, verbose);
    study_share(study, "operating-chart: series without an answer", t.failed, series, 0, 0.02);
    /* Where the load line is steeper than it looks no meeting is seen: the answer is a bound then. */
    coverage_figures(study, "operating-chart", &limit, 0.5, 0.97);
    if (t.bound > 0)
        study_share(study, "operating-chart: highest rate given as a bound: it is one", t.bound_right,
                    t.bound, 0.9, 1);
    study_share(study, "operating-chart: what gives way first is right", t.named_right, t.named, 0.95, 1);
    study_share(study, "operating-chart: the load is below the limit at the safe rate", t.safe, t.safe_given,
                series < 200 ? 0.9 : 0.96, 1);
}
