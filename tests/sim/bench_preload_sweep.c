/* Preload sweep: feeders whose grip rises with preload until the motor limits it, the grip is saturated, or
 * not at all. Truth by the parameters: grip per newton of preload, the force at enough preload, where they
 * meet. */
#include "tests/analyze/kept_run.h"
#include "tests/sim/bench_study.h"

#include "analyze/preload_sweep.h"
#include "analyze/push.h"
#include "tests/sim/coverage.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PRELOADS 7
#define BLOCKS   3
#define RUNS     (PRELOADS * BLOCKS)

enum top { TOP_MOTOR, TOP_SATURATED, TOP_NONE, TOPS };

struct tally {
    struct coverage coefficient, top, best;
    struct coverage coefficient_refitted, top_refitted, best_refitted;
    int series, answered, runs, refused, wrong_top, intercepts;
    int no_top, no_top_right, dents, dents_found, no_dents, false_dents;
};

struct scene {
    struct model_parameters p;
    struct calibration calibration;
    struct push_settings settings;
    struct run_record records[RUNS];
    struct run_result results[RUNS];
    const struct run_result *runs[RUNS];
    double speed_mm_s, preloads_n[PRELOADS];
    size_t count;
};

static void draw(struct model_random *r, struct scene *s, enum top top, bool tears, bool dent)
{
    s->p = draw_feeder(r, tears ? DRAW_TEAR : DRAW_SETTLE, true);
    struct model_nip *nip = &s->p.nip;
    double first_n = draw_between(r, 24, 32), step_n = draw_between(r, 13, 17);
    double knee_n = first_n + step_n * draw_between(r, 2.6, 4.4), last_n = first_n + step_n * (PRELOADS - 1);
    for (int i = 0; i < PRELOADS; i++)
        s->preloads_n[i] = first_n + step_n * i;
    nip->grip_coefficient = draw_between(r, 0.7, 1.2);
    nip->saturation_preload_n = top == TOP_SATURATED ? knee_n : 2 * last_n;
    nip->grip_speed_exponent = draw_between(r, 0, 0.05);
    nip->dent_preload_n = first_n + 4.5 * step_n;
    nip->dent_mm_per_n = dent ? draw_between(r, 0.004, 0.008) : 0;
    nip->wear_per_m = 0; /* grip that fades is the question of another test */
    s->speed_mm_s = draw_between(r, 3, 6);
    s->p.spread.refit = 0;
    s->p.spread.repeat = draw_between(r, 0.006, 0.02);
    s->p.spread.motor_repeat = draw_between(r, 0.004, 0.01);
    s->p.motor.torque_scatter = fmin(s->p.motor.torque_scatter, 0.008);
    s->p.sensor.encoder = true;
    s->p.sensor.encoder_mm_per_count = draw_between(r, 0.002, 0.008);
    s->p.fixture.gap_mm = draw_between(r, 3, 5);
    s->p.fixture.stiffness_n_per_mm = draw_between(r, 35, 90);
    /* The motor meets the grip at the knee, or is far above all of it. */
    double per_n = nip->grip_coefficient * pow(s->speed_mm_s, -nip->grip_speed_exponent) *
                   (tears ? nip->shear_fraction : 1);
    double motor_n = per_n * (top == TOP_MOTOR ? knee_n : 1.6 * last_n);
    s->p.motor.holding_torque_nm =
        motor_n * s->p.gear.drive_diameter_mm / 2000 / (s->p.gear.reduction * s->p.gear.efficiency);
    s->settings = push_budget_settings(NULL);
    /* Axis and creep of the cell are perfect here; what the operator would guess of them is left out. */
    for (int i = 0; i < PLAN_ESTIMATE_COUNT; i++) {
        if (i != PLAN_ESTIMATE_RUNOUT_MM)
            s->settings.estimates[i] = 0;
    }
    s->calibration = simulate_exact_calibration(&s->p);
    s->calibration.coefficients[1] *= 1 + 0.003 * model_random_normal(r);
    s->calibration.covariance[1][1] = pow(0.003 * s->calibration.coefficients[1], 2);
    s->count = 0;
}

static void one_run(struct scene *s, struct model_state *state, int block, double preload_n, struct tally *t)
{
    struct model_truth truth = model_truth_nominal(&s->p, preload_n, s->speed_mm_s);
    struct simulated_push push = {.speed_mm_s = s->speed_mm_s,
                                  .acceleration_mm_s2 = 200,
                                  .sample_rate_hz = 1000,
                                  .rest_s = 0.5,
                                  .preload_n = preload_n,
                                  .test = PLAN_PRELOAD_SWEEP};
    struct run_columns columns;
    struct run_record *record = &s->records[s->count];
    struct run_result *run = &s->results[s->count];
    struct err e = {0};
    push.travel_mm = s->p.fixture.gap_mm + 2.2 * truth.stall_force_n / truth.stiffness_n_per_mm + 6;
    if (!simulate_push(&s->p, state, &push, &columns, record, NULL))
        return;
    record->number = (int)s->count + 1;
    record->block = block + 1;
    static struct run_finding found;
    memset(&found, 0, sizeof found);
    enum err_code code = push_analyse_with(&columns, record, &s->calibration, &s->settings, &found.push, &e);
    kept_run(run, record, &found, code, e.text);
    run_columns_free(&columns);
    s->runs[s->count++] = run;
    t->runs++;
    t->refused += !run->analysed;
}

static void forget_runs(struct scene *s)
{
    for (size_t i = 0; i < s->count; i++) {
        run_result_free(&s->results[i]);
        run_record_free(&s->records[i]);
    }
    s->count = 0;
}

static const struct quantity *find(const struct outcome *o, const char *key)
{
    const struct outcome_quantity *q = outcome_find(o, key, NULL);
    return q != NULL ? &q->q : NULL;
}

static void show(const struct scene *s, const struct outcome *o, const struct err *e, uint64_t seed)
{
    printf("seed %llu: %s\n", (unsigned long long)seed, e->text);
    for (size_t i = 0; i < s->count; i++) {
        const struct run_push *push = &s->results[i].push;
        struct model_truth nominal = model_truth_nominal(&s->p, s->preloads_n[i % PRELOADS], s->speed_mm_s);
        printf("    %.1f N: %s%.4f +- %.4f N (nominal %.4f) %s, approach %.5f +- %.5f %s\n",
               s->preloads_n[i % PRELOADS], push->stall_force_n.at_least ? "at least " : "",
               push->stall_force_n.value, push->stall_force_n.standard_uncertainty, nominal.stall_force_n,
               LIMITED_NAMES[push->limited_by], push->approach_feed_ratio.value,
               push->approach_feed_ratio.standard_uncertainty, s->results[i].why_not);
    }
    for (size_t i = 0; i < o->quantity_count; i++)
        printf("  %-24s %d%d %10.5f +- %.5f (%.5f to %.5f)\n", o->quantities[i].key,
               o->quantities[i].q.present, o->quantities[i].q.at_least, o->quantities[i].q.value,
               o->quantities[i].q.standard_uncertainty, o->quantities[i].q.low_95,
               o->quantities[i].q.high_95);
    for (size_t i = 0; i < o->sentence_count; i++)
        printf("  %s\n", o->sentences[i]);
    for (size_t i = 0; i < o->warning_count; i++)
        printf("  ! %s\n", o->warnings[i]);
}

static void judge(const struct scene *s, const struct outcome *o, enum top top, bool dent, struct tally *t)
{
    double low_n = s->preloads_n[0], high_n = s->preloads_n[PRELOADS - 1];
    double per_n = model_truth_nominal(&s->p, low_n, s->speed_mm_s).stall_force_n / low_n;
    double top_n = model_truth_nominal(&s->p, high_n, s->speed_mm_s).stall_force_n;
    const struct quantity *best = find(o, "best_preload_n");
    bool warned = false, motor_said = false, grip_said = false;
    for (size_t i = 0; i < o->warning_count; i++)
        warned = warned || strstr(o->warnings[i], "dented") != NULL;
    for (size_t i = 0; i < o->sentence_count; i++) {
        motor_said = motor_said || strstr(o->sentences[i], "the motor limits") != NULL;
        grip_said = grip_said || strstr(o->sentences[i], "the grip no longer rises") != NULL;
    }
    t->answered++;
    coverage_count(&t->coefficient, find(o, "grip_coefficient"), per_n);
    t->intercepts += outcome_find(o, "grip_intercept_n", NULL) != NULL;
    if (top == TOP_NONE) {
        t->no_top++;
        t->no_top_right += best->present && best->at_least;
    } else {
        /* A dented gear has a shorter lever, so that the motor's force depends on preload: no one truth. */
        if (!(dent && top == TOP_MOTOR)) {
            coverage_count(&t->top, find(o, "top_force_n"), top_n);
            coverage_count(&t->best, best, top_n / per_n);
        }
        t->wrong_top += top == TOP_MOTOR ? !motor_said : !grip_said;
    }
    t->dents += dent;
    t->dents_found += dent && warned;
    t->no_dents += !dent;
    t->false_dents += !dent && warned;
}

static void one_series(struct scene *s, uint64_t seed, bool verbose, struct tally *t)
{
    struct model_random r = {seed * UINT64_C(15485863) + 17};
    struct model_state state = {0};
    const struct bench_test_context context = {.calibration = &s->calibration, .settings = &s->settings};
    struct outcome o;
    struct err e = {0};
    enum top top = (enum top)(seed % TOPS);
    bool dent = seed / TOPS % 3 == 0;
    draw(&r, s, top, seed % 4 == 1, dent);
    model_mount(&s->p, &state, seed);
    for (int block = 0; block < BLOCKS; block++) {
        for (int i = 0; i < PRELOADS; i++)
            one_run(s, &state, block, s->preloads_n[i], t);
    }
    t->series++;
    outcome_init(&o, "preload-sweep");
    if (preload_sweep_sum_up(s->runs, s->count, &context, &o, &e) == ERR_OK)
        judge(s, &o, top, dent, t);
    if (verbose) {
        show(s, &o, &e, seed);
        printf("  truth: per N %.5f top kind %d dent %d tears %g motor %.3f\n",
               model_truth_nominal(&s->p, s->preloads_n[0], s->speed_mm_s).stall_force_n / s->preloads_n[0],
               top, dent, s->p.nip.shear_fraction,
               model_truth_nominal(&s->p, s->preloads_n[0], s->speed_mm_s).motor_limit_n);
    }
    outcome_free(&o);
    forget_runs(s);
}

/* A feeder that each block mounts anew, which moves its grip: what the parameters say of no mounting in
 * particular is to be held. */
static void one_refitted_series(struct scene *s, uint64_t seed, bool verbose, struct tally *t)
{
    struct model_random r = {seed * UINT64_C(32452843) + 29};
    struct model_state state = {0};
    const struct bench_test_context context = {.calibration = &s->calibration, .settings = &s->settings};
    struct outcome o;
    struct err e = {0};
    enum top top = (enum top)(seed % TOPS);
    draw(&r, s, top, false, false);
    s->p.spread.refit = draw_between(&r, 0.01, 0.03);
    for (int block = 0; block < BLOCKS; block++) {
        model_mount(&s->p, &state, seed * UINT64_C(1000003) + (uint64_t)block);
        for (int i = 0; i < PRELOADS; i++)
            one_run(s, &state, block, s->preloads_n[i], t);
    }
    outcome_init(&o, "preload-sweep");
    if (preload_sweep_sum_up(s->runs, s->count, &context, &o, &e) == ERR_OK) {
        double low_n = s->preloads_n[0], high_n = s->preloads_n[PRELOADS - 1];
        double per_n = model_truth_nominal(&s->p, low_n, s->speed_mm_s).stall_force_n / low_n;
        double top_n = model_truth_nominal(&s->p, high_n, s->speed_mm_s).stall_force_n;
        coverage_count(&t->coefficient_refitted, find(&o, "grip_coefficient"), per_n);
        if (top != TOP_NONE)
            coverage_count(&t->best_refitted, find(&o, "best_preload_n"), top_n / per_n);
        if (top == TOP_SATURATED)
            coverage_count(&t->top_refitted, find(&o, "top_force_n"), top_n);
    }
    if (verbose)
        show(s, &o, &e, seed);
    outcome_free(&o);
    forget_runs(s);
}

/* Share held with new mountings. Three blocks make a coarse estimate of what a mounting does, with
 * two degrees of freedom, so the 95 % are met only roughly: 85 % are accepted, or for few answers what chance
 * allows a right 95 %. */
static void refitted_figures(struct study *study, const struct coverage *c)
{
    char name[120];
    snprintf(name, sizeof name, "preload-sweep: %s held, refitted", c->name);
    study_share(study, name, c->held, c->tried,
                fmin(0.85, 0.95 - 3.1 * sqrt(0.95 * 0.05 / fmax(1, c->tried))), 1);
}

/* A share that is at most `share` of many, and by chance (3.1 standard deviations of the binomial) of n. */
static double most(double share, int n)
{
    return fmin(1, share + 3.1 * sqrt(share * (1 - share) / fmax(1, n)));
}

void bench_preload_sweep(struct study *study, int series, uint64_t seed, bool verbose)
{
    struct tally t = {.coefficient = {.name = "grip coefficient"},
                      .top = {.name = "force at enough preload"},
                      .best = {.name = "preload past which more does not help"},
                      .coefficient_refitted = {.name = "grip coefficient"},
                      .top_refitted = {.name = "force of the saturated grip"},
                      .best_refitted = {.name = "preload past which more does not help"}};
    struct scene *s = calloc(1, sizeof *s);
    if (s == NULL)
        return;
    for (int i = 0; i < series; i++)
        one_series(s, seed + (uint64_t)i, verbose, &t);
    for (int i = 0; i < series; i++)
        one_refitted_series(s, seed + (uint64_t)i, verbose, &t);
    free(s);
    coverage_figures(study, "preload-sweep", &t.coefficient, most(0.02, series), 0.97);
    coverage_figures(study, "preload-sweep", &t.top, most(0.02, series), 0.97);
    coverage_figures(study, "preload-sweep", &t.best, most(0.02, series), 0.97);
    refitted_figures(study, &t.coefficient_refitted);
    refitted_figures(study, &t.top_refitted);
    refitted_figures(study, &t.best_refitted);
    study_share(study, "preload-sweep: series with an answer", t.answered, t.series, 1 - most(0.02, t.series),
                1);
    study_share(study, "preload-sweep: runs without an answer", t.refused, t.runs, 0, most(0.02, t.runs));
    study_share(study, "preload-sweep: what limits at the top told right",
                t.answered - t.no_top - t.wrong_top, t.answered - t.no_top,
                1 - most(0.05, t.answered - t.no_top), 1);
    study_share(study, "preload-sweep: no top, and said so", t.no_top_right, t.no_top,
                1 - most(0.07, t.no_top), 1);
    study_share(study, "preload-sweep: intercept claimed where there is none", t.intercepts, t.answered, 0,
                most(0.02, t.answered));
    study_share(study, "preload-sweep: dent claimed where there is none", t.false_dents, t.no_dents, 0,
                most(0.05, t.no_dents));
    study_share(study, "preload-sweep: dents of 0.1 mm or more noticed", t.dents_found, t.dents,
                1 - most(0.2, t.dents), 1);
}
