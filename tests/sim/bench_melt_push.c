/* Melt pushes of drawn feeders into drawn hot ends: does the load line hold what is true by the parameters?
 * The truth is F0 + k Q^n; what one run's temperature makes of k is scatter. */
#include "tests/analyze/kept_run.h"
#include "tests/datasets/record_state.h"
#include "tests/sim/bench_study.h"

#include "analyze/melt_push.h"
#include "tests/sim/coverage.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RATES  7
#define BLOCKS 3
#define RUNS   (RATES * BLOCKS)
static const double LADDER_MM3_S[RATES] = {1.9, 3.1, 4.7, 6.9, 9.3, 12.7, 16.3};

struct bench {
    struct model_parameters p;
    struct calibration calibration;
    struct run_record records[RUNS];
    struct run_result results[RUNS];
    const struct run_result *pointers[RUNS];
};

/* Motor and grip well above what the hot end takes at the fastest rate. */
static void draw(struct model_random *r, bool encoder, struct bench *b)
{
    struct model_parameters *p = &b->p;
    double top_n = draw_between(r, 25, 60);
    *p = draw_feeder(r, DRAW_MOTOR, false);
    p->sensor.encoder = encoder;
    p->motor.holding_torque_nm = 2 * top_n * p->gear.drive_diameter_mm / 2000 / (p->gear.reduction * 0.8);
    p->gear.efficiency = 0.9;
    p->nip.grip_coefficient = 2.5 * top_n / p->nip.preload_n;
    p->nip.onset_fraction = 0.9;
    p->nip.wear_per_m = 0;
    p->spread = (struct model_spread){0};
    p->fixture.end = MODEL_END_HOT;
    p->hot_end = (struct model_hot_end){.force_n = draw_between(r, 2, 8),
                                        .exponent = draw_between(r, 0.3, 0.7),
                                        .temperature_c = 215,
                                        .reference_c = 215};
    p->hot_end.coefficient = (top_n - p->hot_end.force_n) / pow(LADDER_MM3_S[RATES - 1], p->hot_end.exponent);
    /* Without an encoder up to 4 % of the feed is lost at the greatest force, as the analysis assumes. */
    if (!encoder) {
        p->nip.creep_extra_per_n = 0;
        p->nip.creep_floor_per_n = draw_between(r, 0, 0.04) / top_n;
    }
    b->calibration = simulate_exact_calibration(p);
    b->calibration.coefficients[1] *= 1 + 0.003 * model_random_normal(r);
    b->calibration.covariance[1][1] = pow(0.003 * b->calibration.coefficients[1], 2);
    if (encoder) {
        b->calibration.encoder_mm_per_count *= 1 + 0.003 * model_random_normal(r);
        b->calibration.encoder_standard_uncertainty_mm_per_count =
            0.003 * b->calibration.encoder_mm_per_count;
    }
}

static bool simulate(struct bench *b, struct model_random *r, uint64_t seed, bool verbose)
{
    struct model_state s = {0};
    struct push_settings none = {.zero_drift_limit_n = 0.5};
    double area = 3.141592653589793 * pow(b->p.fixture.filament_diameter_mm, 2) / 4;
    static struct run_finding found;
    for (size_t i = 0; i < RUNS; i++) {
        struct model_parameters p = b->p;
        struct run_columns columns;
        struct model_truth truth;
        struct err e = {0};
        struct simulated_push push = {.acceleration_mm_s2 = 200,
                                      .sample_rate_hz = 150,
                                      .rest_s = 1,
                                      .test = PLAN_MELT_PUSH,
                                      .speed_mm_s = LADDER_MM3_S[i % RATES] / area,
                                      .travel_mm = 9 + 90 / model_stiffness_n_per_mm(&p.fixture)};
        p.hot_end.coefficient *= 1 + 0.01 * model_random_normal(r);
        if (i % RATES == 0)
            model_mount(&p, &s, seed * 1000003 + i * 1009);
        if (!simulate_push(&p, &s, &push, &columns, &b->records[i], &truth))
            return false;
        struct run_record *record = &b->records[i];
        record->number = (int)i + 1;
        record->test = PLAN_MELT_PUSH;
        record->rate_mm3_s = LADDER_MM3_S[i % RATES];
        record_state(record, CONDITION_FILAMENT_DIAMETER_MM, p.fixture.filament_diameter_mm);
        record_state(record, CONDITION_HOT_END_TEMPERATURE_C, p.hot_end.temperature_c);
        memset(&found, 0, sizeof found);
        enum err_code code = melt_push_analyse(&columns, record, &b->calibration, &none, &found, &e);
        kept_run(&b->results[i], record, &found, code, e.text);
        b->pointers[i] = &b->results[i];
        run_columns_free(&columns);
        if (verbose) {
            const struct run_quantity *q = found.quantities;
            printf("  run %zu: %.3f mm3/s: force %.3f +- %.3f (true %.3f at the measured rate %.3f), "
                   "settling %.2f mm %s %s\n",
                   i, LADDER_MM3_S[i % RATES], q[0].q.value, q[0].q.standard_uncertainty,
                   model_load_line_n(&p, q[2].q.value), q[2].q.value, q[4].q.value, e.text,
                   found.push.flag_count > 0 ? found.push.flags[0] : "");
        }
    }
    return true;
}

enum { FORCE, F0, COEFFICIENT, EXPONENT, QUANTITIES };
static const char *const KEYS[QUANTITIES] = {"force_at_rate_n", "f0_n", "coefficient", "exponent"};

static void one(uint64_t seed, bool encoder, struct coverage *t, struct coverage *low, struct coverage *high,
                int *failed, int *varying, bool verbose)
{
    static struct bench b;
    struct model_random r = {seed * 7919 + 17};
    struct outcome o;
    struct err e = {0};
    struct push_settings none = {.zero_drift_limit_n = 0.5};
    struct bench_test_context context = {.calibration = &b.calibration, .settings = &none};
    draw(&r, encoder, &b);
    bool ran = model_check(&b.p) == NULL && simulate(&b, &r, seed, verbose);
    outcome_init(&o, "melt-push");
    if (!ran || melt_push_sum_up(b.pointers, RUNS, &context, &o, &e) != ERR_OK) {
        printf("seed %llu: %s\n", (unsigned long long)seed, ran ? e.text : "could not be simulated");
        ++*failed;
    } else {
        const struct model_hot_end *h = &b.p.hot_end;
        const double truth[QUANTITIES] = {model_load_line_n(&b.p, LADDER_MM3_S[(RATES - 1) / 2]), h->force_n,
                                          h->coefficient, h->exponent};
        for (int k = 0; k < QUANTITIES; k++) {
            const struct outcome_quantity *q = outcome_find(&o, KEYS[k], NULL);
            coverage_count(&t[k], q != NULL ? &q->q : NULL, truth[k]);
            if (verbose && q != NULL)
                printf("%llu %s: %.4f (%.4f to %.4f), true %.4f\n", (unsigned long long)seed, KEYS[k],
                       q->q.value, q->q.low_95, q->q.high_95, truth[k]);
        }
        *varying += outcome_find(&o, "curvature", NULL) != NULL;
        /* The band at its two ends, where it is widest. */
        const struct outcome_group *g = &o.charts[0].groups[0];
        for (int end = 0; end < 2; end++) {
            size_t i = end == 0 ? 0 : g->curve_count - 1;
            struct quantity q = quantity_from(g->curve_y[i], (g->curve_high[i] - g->curve_low[i]) / 4, 9, 1);
            q.low_95 = g->curve_low[i];
            q.high_95 = g->curve_high[i];
            coverage_count(end == 0 ? low : high, &q, model_load_line_n(&b.p, g->curve_x[i]));
        }
    }
    for (size_t i = 0; i < RUNS; i++) {
        run_result_free(&b.results[i]);
        run_record_free(&b.records[i]);
    }
    outcome_free(&o);
}

void bench_melt_push(struct study *study, int series, uint64_t seed, bool verbose)
{
    for (int kind = 0; kind < 2; kind++) {
        bool encoder = kind == 0;
        struct coverage t[QUANTITIES] = {
            {.name = "force at a rate"}, {.name = "F0"}, {.name = "coefficient"}, {.name = "exponent"}};
        struct coverage low = {.name = "band at the lowest rate"},
                        high = {.name = "band at the highest rate"};
        int failed = 0, varying = 0, tried = encoder ? series : (series + 3) / 4;
        const char *name = encoder ? "melt-push" : "melt-push without encoder";
        char text[120];
        for (int i = 0; i < tried; i++)
            one(seed + (uint64_t)i + (encoder ? 0 : 500000), encoder, t, &low, &high, &failed, &varying,
                verbose);
        snprintf(text, sizeof text, "%s: series without an answer", name);
        study_share(study, text, failed, tried, 0, 0);
        snprintf(text, sizeof text, "%s: varying exponent chosen where there is none", name);
        study_share(study, text, varying, tried, 0, tried < 100 ? 0.35 : 0.2);
        /* The creep that is not measured is a rectangle, of which 1.96 standard uncertainties hold more than
         * 95 %. */
        coverage_figures(study, name, &t[FORCE], 0, encoder ? 0.97 : 1);
        for (int k = F0; k < QUANTITIES; k++)
            coverage_figures(study, name, &t[k], tried < 100 ? 0.35 : 0.2, encoder ? 0.97 : 1);
        coverage_figures(study, name, &low, 0, encoder ? 0.97 : 1);
        coverage_figures(study, name, &high, 0, encoder ? 0.97 : 1);
    }
}
