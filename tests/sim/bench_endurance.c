/* Endurance of drawn gears: pushes until the grip gives way, again and again, with cleanings between them.
 * Does what is said of the fade hold what is true by the parameters? The truth is grip * (1 - fade * metres
 * fed since the gear was cleaned). */
#include "tests/analyze/kept_run.h"
#include "tests/sim/bench_study.h"

#include "analyze/endurance.h"
#include "analyze/push.h"
#include "tests/sim/coverage.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define PUSHES      20
#define CLEAN_EVERY 8
static const double PI = 3.14159265358979323846;

struct bench {
    struct model_parameters p;
    struct calibration calibration;
    struct run_record records[PUSHES];
    struct run_result results[PUSHES];
    const struct run_result *pointers[PUSHES];
    double gain_n; /* true mean gain over the cleanings, by the metres really fed */
};

static bool simulate(struct bench *b, struct model_random *r, uint64_t seed, bool verbose)
{
    struct model_parameters *p = &b->p;
    struct model_state s = {0};
    struct push_settings settings = {.estimates = {[PLAN_ESTIMATE_RUNOUT_MM] = 0.02},
                                     .zero_drift_limit_n = 0.5};
    double k = model_stiffness_n_per_mm(&p->fixture), stall_n, cleanings = 0;
    struct simulated_push push = {
        .acceleration_mm_s2 = 200, .sample_rate_hz = 250, .rest_s = 0.5, .test = PLAN_ENDURANCE};
    double step_mm = PI * p->gear.drive_diameter_mm / (200 * p->gear.reduction);
    push.speed_mm_s = draw_between(r, 2, fmin(4, 4 * step_mm * push.sample_rate_hz / 8));
    stall_n = model_truth_nominal(p, 0, push.speed_mm_s).stall_force_n;
    push.travel_mm = 60 / k + 5 + 2 * stall_n / k;
    /* Over a stretch a share of the grip is lost that can be seen among the scatter of pushes. */
    p->nip.fade_per_m = draw_between(r, 0.03, 0.15) / (push.travel_mm / 1000 * CLEAN_EVERY);
    if (model_check(p) != NULL)
        return false;
    model_mount(p, &s, seed * 1000003);
    b->gain_n = 0;
    for (size_t i = 0; i < PUSHES; i++) {
        struct run_columns columns;
        struct model_truth truth;
        struct err e = {0};
        bool clean = i > 0 && i % CLEAN_EVERY == 0;
        if (clean) {
            b->gain_n += p->nip.fade_per_m * (s.fed_mm - s.fed_clean_mm) / 1000 * stall_n;
            cleanings++;
            model_clean(&s);
        }
        if (!simulate_push(p, &s, &push, &columns, &b->records[i], &truth))
            return false;
        b->records[i].number = (int)i + 1;
        b->records[i].test = PLAN_ENDURANCE;
        b->records[i].cleaned = clean;
        b->records[i].repeat = (int)i + 1;
        b->records[i].block = 1;
        static struct run_finding found;
        memset(&found, 0, sizeof found);
        found.fed_mm = push.travel_mm;
        enum err_code code =
            push_analyse_with(&columns, &b->records[i], &b->calibration, &settings, &found.push, &e);
        kept_run(&b->results[i], &b->records[i], &found, code, e.text);
        b->results[i].fed_mm = push.travel_mm;
        b->pointers[i] = &b->results[i];
        run_columns_free(&columns);
        if (verbose)
            printf("  push %zu: %.3f (%.3f to %.3f), true %.3f, %s %s\n", i,
                   b->results[i].push.stall_force_n.value, b->results[i].push.stall_force_n.low_95,
                   b->results[i].push.stall_force_n.high_95, truth.stall_force_n,
                   LIMITED_NAMES[b->results[i].push.limited_by], e.text);
    }
    b->gain_n /= cleanings;
    return true;
}

enum { FADE_N, FADE_PERCENT, START, GAIN, QUANTITIES };
static const char *const KEYS[QUANTITIES] = {"grip_fade_n_per_m", "grip_fade_percent_per_m",
                                             "stall_at_start_n", "cleaning_gain_n"};

static void one(uint64_t seed, struct coverage *t, int *failed, int *shown, bool verbose)
{
    static struct bench b;
    struct model_random r = {seed * 6151 + 5};
    struct outcome o;
    struct err e = {0};
    struct push_settings settings = {.zero_drift_limit_n = 0.5};
    struct bench_test_context context = {.calibration = &b.calibration, .settings = &settings};
    b.p = draw_feeder(&r, seed % 2 == 0 ? DRAW_SETTLE : DRAW_TEAR, false);
    b.p.nip.wear_per_m = 0;
    b.p.gear.eccentricity_mm = fmin(b.p.gear.eccentricity_mm, 0.01);
    b.p.spread = (struct model_spread){.repeat = draw_between(&r, 0.004, 0.012)};
    b.p.motor.holding_torque_nm *= 1.3;
    b.calibration = simulate_exact_calibration(&b.p);
    b.calibration.coefficients[1] *= 1 + 0.002 * model_random_normal(&r);
    b.calibration.covariance[1][1] = pow(0.002 * b.calibration.coefficients[1], 2);
    b.calibration.feed_count = 1;
    snprintf(b.calibration.feeds[0].feeder, sizeof b.calibration.feeds[0].feeder, "%s", b.p.name);
    b.calibration.feeds[0].mm_per_microstep = model_feed_per_microstep_mm(&b.p, b.p.nip.preload_n);
    b.calibration.feeds[0].standard_uncertainty_mm_per_microstep =
        0.001 * b.calibration.feeds[0].mm_per_microstep;
    b.calibration.feeds[0].degrees_of_freedom = INFINITY;
    bool ran = simulate(&b, &r, seed, verbose);
    outcome_init(&o, "endurance");
    if (!ran || endurance_sum_up(b.pointers, PUSHES, &context, &o, &e) != ERR_OK) {
        printf("seed %llu: %s\n", (unsigned long long)seed, ran ? e.text : "could not be simulated");
        ++*failed;
    } else {
        double stall_n = model_truth_nominal(&b.p, 0, b.records[0].speed_mm_s).stall_force_n;
        const double truth[QUANTITIES] = {b.p.nip.fade_per_m * stall_n, 100 * b.p.nip.fade_per_m, stall_n,
                                          b.gain_n};
        for (int k = 0; k < QUANTITIES; k++) {
            const struct outcome_quantity *q = outcome_find(&o, KEYS[k], "");
            coverage_count(&t[k], q != NULL ? &q->q : NULL, truth[k]);
            if (verbose && q != NULL)
                printf("%llu %s: %.4f (%.4f to %.4f), true %.4f\n", (unsigned long long)seed, KEYS[k],
                       q->q.value, q->q.low_95, q->q.high_95, truth[k]);
        }
        *shown += strncmp(o.sentences[0], "the grip loses", 14) == 0;
    }
    for (size_t i = 0; i < PUSHES; i++) {
        run_result_free(&b.results[i]);
        run_record_free(&b.records[i]);
    }
    outcome_free(&o);
}

void bench_endurance(struct study *study, int series, uint64_t seed, bool verbose)
{
    struct coverage t[QUANTITIES] = {{.name = "fade in N/m"},
                                     {.name = "fade in %/m"},
                                     {.name = "stall force at the start"},
                                     {.name = "gain of a cleaning"}};
    int failed = 0, shown = 0;
    for (int i = 0; i < series; i++)
        one(seed + (uint64_t)i, t, &failed, &shown, verbose);
    study_share(study, "endurance: series without an answer", failed, series, 0, 0.02);
    study_share(study, "endurance: trend shown", shown, series, 0.8, 1);
    for (int k = 0; k < QUANTITIES; k++)
        coverage_figures(study, "endurance", &t[k], 0, 0.97);
}
