/* Loaded feed: feeders that slip, tear and stall, fed against a ladder of brake loads; and a ladder of
 * preloads below the onset. Truth by the parameters: creep, onset, the force at which feed stops, the floor
 * of creep. */
#include "tests/analyze/kept_run.h"
#include "tests/sim/bench_study.h"

#include "analyze/loaded_feed.h"
#include "tests/sim/coverage.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LOADS          8
#define BLOCKS         3
#define PRELOADS       6
#define PRELOAD_LOADS  4
#define PRELOAD_BLOCKS 2
#define RUNS_MAX       (PRELOADS * PRELOAD_LOADS * PRELOAD_BLOCKS)

/* Loads over the force at which the feed stops. */
static const double SHARES[LOADS] = {0.15, 0.28, 0.4, 0.52, 0.64, 0.77, 0.9, 1.15};

struct tally {
    struct coverage creep, onset, greatest, ratio, floor, reached;
    struct coverage creep_refitted, onset_refitted, greatest_refitted;
    int series, answered, runs, refused, false_onset, no_onset_tried;
    int dents, dents_found, no_dents, false_dents, floors, not_a_floor;
};

struct scene {
    struct model_parameters p;
    struct calibration calibration;
    struct push_settings settings;
    struct run_record records[RUNS_MAX];
    struct run_result results[RUNS_MAX];
    const struct run_result *runs[RUNS_MAX];
    double speed_mm_s, travel_mm, rate_hz, diameter_factor;
    size_t count;
};

static void draw(struct model_random *r, struct scene *s, enum draw_kind kind, bool onset_before_stall)
{
    s->p = draw_feeder(r, kind, onset_before_stall);
    s->p.fixture.end = MODEL_END_BRAKE;
    s->p.fixture.brake_repeat = 0.01;
    s->p.sensor.encoder = true;
    s->p.sensor.encoder_mm_per_count = draw_between(r, 0.002, 0.01);
    s->p.nip.wear_per_m = 0; /* grip that fades is the question of another test */
    s->p.spread.refit = 0;
    s->p.spread.repeat = draw_between(r, 0.004, 0.015);
    s->p.spread.motor_repeat = draw_between(r, 0.003, 0.008);
    s->speed_mm_s = draw_between(r, 8, 14);
    s->travel_mm = draw_between(r, 28, 45);
    s->rate_hz = draw_between(r, 400, 700);
    s->settings = push_budget_settings(NULL);
    /* Axis and creep of the cell are perfect here; what the operator would guess of them is left out. */
    for (int i = 0; i < PLAN_ESTIMATE_COUNT; i++) {
        if (i != PLAN_ESTIMATE_RUNOUT_MM)
            s->settings.estimates[i] = 0;
    }
    s->calibration = simulate_exact_calibration(&s->p);
    s->calibration.coefficients[1] *= 1 + 0.003 * model_random_normal(r);
    s->calibration.covariance[1][1] = pow(0.003 * s->calibration.coefficients[1], 2);
    s->calibration.encoder_mm_per_count *= 1 + 0.001 * model_random_normal(r);
    s->calibration.encoder_standard_uncertainty_mm_per_count = 0.001 * s->calibration.encoder_mm_per_count;
    s->diameter_factor = 1 + 0.005 * model_random_normal(r); /* nominal over true */
    s->count = 0;
}

static void one_run(struct scene *s, struct model_state *state, int block, double preload_n, double load_n,
                    struct tally *t)
{
    struct simulated_push push = {.speed_mm_s = s->speed_mm_s,
                                  .travel_mm = s->travel_mm,
                                  .acceleration_mm_s2 = 200,
                                  .sample_rate_hz = s->rate_hz,
                                  .rest_s = 0.5,
                                  .preload_n = preload_n,
                                  .test = PLAN_LOADED_FEED};
    struct run_columns columns;
    struct run_record *record = &s->records[s->count];
    struct run_result *run = &s->results[s->count];
    struct err e = {0};
    s->p.fixture.brake_n = load_n;
    if (!simulate_push(&s->p, state, &push, &columns, record, NULL))
        return;
    record->number = (int)s->count + 1;
    record->block = block + 1;
    record->drive_diameter_mm *= s->diameter_factor;
    static struct run_finding found;
    memset(&found, 0, sizeof found);
    enum err_code code = loaded_feed_analyse(&columns, record, &s->calibration, &s->settings, &found, &e);
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

static enum err_code sum_up(struct scene *s, struct outcome *o, struct err *e)
{
    const struct bench_test_context context = {.calibration = &s->calibration, .settings = &s->settings};
    outcome_init(o, "loaded-feed");
    return loaded_feed_sum_up(s->runs, s->count, &context, o, e);
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
        const struct run_result *run = s->runs[i];
        if (!run->analysed)
            printf("    %zu: %s\n", i, run->why_not);
        else
            printf("    %zu at %.1f N: %.4f +- %.4f N, %.6f +- %.6f, stall %.4f (%s)\n", i,
                   run->quantities[0].q.value, run->quantities[1].q.value,
                   run->quantities[1].q.standard_uncertainty, run->quantities[2].q.value,
                   run->quantities[2].q.standard_uncertainty, run->quantities[3].q.value,
                   LIMITED_NAMES[run->push.limited_by]);
    }
    for (size_t i = 0; i < o->quantity_count; i++)
        printf("  %-24s %-22s %d %10.7g +- %.4g (%.7g to %.7g)\n", o->quantities[i].key,
               o->quantities[i].setting, o->quantities[i].q.present, o->quantities[i].q.value,
               o->quantities[i].q.standard_uncertainty, o->quantities[i].q.low_95,
               o->quantities[i].q.high_95);
    for (size_t i = 0; i < o->sentence_count; i++)
        printf("  %s\n", o->sentences[i]);
    for (size_t i = 0; i < o->warning_count; i++)
        printf("  ! %s\n", o->warnings[i]);
}

/* One preload, loads up to one that stops the feed. */
static void ladder_of_loads(struct scene *s, uint64_t seed, bool verbose, struct tally *t)
{
    static const enum draw_kind kinds[] = {DRAW_SETTLE, DRAW_SETTLE, DRAW_MOTOR, DRAW_SETTLE, DRAW_TEAR};
    struct model_random r = {seed * UINT64_C(7919) + 5};
    struct model_state state = {0};
    struct outcome o;
    struct err e = {0};
    double loads[LOADS];
    enum draw_kind kind = kinds[seed % 5];
    draw(&r, s, kind, seed % 2 == 0);
    struct model_truth truth = model_truth_nominal(&s->p, 0, s->speed_mm_s);
    for (int i = 0; i < LOADS; i++)
        loads[i] = SHARES[i] * truth.stall_force_n * draw_between(&r, 0.96, 1.04);
    model_mount(&s->p, &state, seed);
    for (int block = 0; block < BLOCKS; block++) {
        for (int i = 0; i < LOADS; i++)
            one_run(s, &state, block, 0, loads[(i + 3 * block) % LOADS], t);
    }
    t->series++;
    if (sum_up(s, &o, &e) == ERR_OK) {
        /* An onset that no load but the last can show is none. */
        bool onset = truth.slip_onset_n < 0.8 * truth.stall_force_n;
        t->answered++;
        coverage_count(&t->creep, find(&o, "creep_per_n"), truth.creep_per_n);
        coverage_count(&t->ratio, find(&o, "effective_feed_ratio"), 1 / s->diameter_factor);
        coverage_count(&t->greatest, find(&o, "greatest_feed_force_n"), truth.stall_force_n);
        if (onset)
            coverage_count(&t->onset, find(&o, "slip_onset_n"), truth.slip_onset_n);
        if (truth.slip_onset_n > 1.01 * truth.stall_force_n) {
            t->no_onset_tried++;
            t->false_onset += find(&o, "slip_onset_n")->present;
        }
    }
    if (verbose) {
        show(s, &o, &e, seed);
        printf("  truth: creep %.6f ratio %.5f onset %.3f stall %.3f kind %d\n", truth.creep_per_n,
               1 / s->diameter_factor, truth.slip_onset_n, truth.stall_force_n, kind);
    }
    outcome_free(&o);
    forget_runs(s);
}

/* As ladder_of_loads, with a feeder that each block mounts anew, which moves its grip: what the parameters
 * say of no mounting in particular is to be held. The grip limits, no motor. */
static void ladder_of_loads_refitted(struct scene *s, uint64_t seed, bool verbose, struct tally *t)
{
    struct model_random r = {seed * UINT64_C(15487469) + 23};
    struct model_state state = {0};
    struct outcome o;
    struct err e = {0};
    double loads[LOADS];
    draw(&r, s, DRAW_SETTLE, seed % 2 == 0);
    s->p.spread.refit = draw_between(&r, 0.01, 0.03);
    struct model_truth truth = model_truth_nominal(&s->p, 0, s->speed_mm_s);
    for (int i = 0; i < LOADS; i++)
        loads[i] = SHARES[i] * truth.stall_force_n * draw_between(&r, 0.96, 1.04);
    for (int block = 0; block < BLOCKS; block++) {
        model_mount(&s->p, &state, seed * UINT64_C(1000003) + (uint64_t)block);
        for (int i = 0; i < LOADS; i++)
            one_run(s, &state, block, 0, loads[(i + 3 * block) % LOADS], t);
    }
    if (sum_up(s, &o, &e) == ERR_OK) {
        coverage_count(&t->creep_refitted, find(&o, "creep_per_n"), truth.creep_per_n);
        coverage_count(&t->greatest_refitted, find(&o, "greatest_feed_force_n"), truth.stall_force_n);
        if (truth.slip_onset_n < 0.8 * truth.stall_force_n)
            coverage_count(&t->onset_refitted, find(&o, "slip_onset_n"), truth.slip_onset_n);
    }
    if (verbose) {
        show(s, &o, &e, seed);
        printf("  truth, refitted by %.3f: creep %.6f onset %.3f stall %.3f\n", s->p.spread.refit,
               truth.creep_per_n, truth.slip_onset_n, truth.stall_force_n);
    }
    outcome_free(&o);
    forget_runs(s);
}

/* Share held with new mountings. Three blocks make a coarse estimate of what a mounting does, with two
 * degrees of freedom, so the 95 % are met only roughly: 85 % are accepted, or for few answers what chance
 * allows a right 95 %. */
static void refitted_figures(struct study *study, const struct coverage *c)
{
    char name[120];
    snprintf(name, sizeof name, "loaded-feed: %s held, refitted", c->name);
    study_share(study, name, c->held, c->tried,
                fmin(0.85, 0.95 - 3.1 * sqrt(0.95 * 0.05 / fmax(1, c->tried))), 1);
}

/* Six preloads, loads that all of them hold. */
static void ladder_of_preloads(struct scene *s, uint64_t seed, bool verbose, struct tally *t)
{
    struct model_random r = {seed * UINT64_C(104729) + 11};
    struct model_state state = {0};
    struct outcome o;
    struct err e = {0};
    bool dent = seed % 2 == 0;
    draw(&r, s, DRAW_SETTLE, true);
    struct model_nip *nip = &s->p.nip;
    nip->saturation_preload_n = 400;
    nip->grip_coefficient = draw_between(&r, 0.9, 1.5);
    nip->creep_floor_per_n = draw_between(&r, 0.0003, 0.0008);
    nip->creep_extra_per_n = draw_between(&r, 0.002, 0.004);
    nip->creep_preload_n = draw_between(&r, 20, 40);
    nip->dent_preload_n = 115;
    nip->dent_mm_per_n = dent ? draw_between(&r, 0.0005, 0.002) : 0;
    s->p.motor.holding_torque_nm *= 4;
    double least_n = draw_between(&r, 25, 35), step_n = draw_between(&r, 22, 28);
    double most_n = 0.8 * nip->onset_fraction * nip->grip_coefficient * least_n;
    model_mount(&s->p, &state, seed + 1);
    for (int block = 0; block < PRELOAD_BLOCKS; block++) {
        for (int i = 0; i < PRELOADS; i++) {
            for (int k = 0; k < PRELOAD_LOADS; k++)
                one_run(s, &state, block, least_n + step_n * i, most_n * (k + 1) / PRELOAD_LOADS, t);
        }
    }
    if (sum_up(s, &o, &e) == ERR_OK) {
        double extra = nip->creep_extra_per_n, floor = nip->creep_floor_per_n;
        const struct quantity *q = find(&o, "creep_floor_per_n");
        bool warned = false;
        for (size_t i = 0; i < o.warning_count; i++)
            warned = warned || strstr(o.warnings[i], "dented") != NULL;
        t->dents += dent;
        t->dents_found += dent && warned;
        t->no_dents += !dent;
        t->false_dents += !dent && warned;
        t->floors++;
        t->not_a_floor += q == NULL || !q->present;
        coverage_count(&t->floor, q, floor);
        coverage_count(&t->reached, find(&o, "creep_floor_preload_n"),
                       nip->creep_preload_n * log(extra / (0.1 * floor)));
    }
    if (verbose) {
        show(s, &o, &e, seed);
        printf("  truth: floor %.6f reached %.2f dent %d\n", nip->creep_floor_per_n,
               nip->creep_preload_n * log(nip->creep_extra_per_n / (0.1 * nip->creep_floor_per_n)), dent);
    }
    outcome_free(&o);
    forget_runs(s);
}

/* A share that is at most `share` of many, and by chance (3.1 standard deviations of the binomial) of n. */
static double most(double share, int n)
{
    return fmin(1, share + 3.1 * sqrt(share * (1 - share) / fmax(1, n)));
}

void bench_loaded_feed(struct study *study, int series, uint64_t seed, bool verbose)
{
    struct tally t = {.creep = {.name = "creep coefficient"},
                      .onset = {.name = "slip onset"},
                      .greatest = {.name = "greatest feed force"},
                      .ratio = {.name = "effective feed ratio"},
                      .floor = {.name = "creep floor"},
                      .creep_refitted = {.name = "creep coefficient"},
                      .onset_refitted = {.name = "slip onset"},
                      .greatest_refitted = {.name = "greatest feed force"},
                      .reached = {.name = "preload at which creep stops falling"}};
    struct scene *s = calloc(1, sizeof *s);
    if (s == NULL)
        return;
    for (int i = 0; i < series; i++) {
        ladder_of_loads(s, seed + (uint64_t)i, verbose, &t);
        ladder_of_loads_refitted(s, seed + (uint64_t)i, verbose, &t);
        ladder_of_preloads(s, seed + (uint64_t)i, verbose, &t);
    }
    free(s);
    coverage_figures(study, "loaded-feed", &t.creep, most(0.02, series), 0.97);
    coverage_figures(study, "loaded-feed", &t.onset, most(0.05, series), 0.97);
    coverage_figures(study, "loaded-feed", &t.greatest, most(0.02, series), 0.97);
    coverage_figures(study, "loaded-feed", &t.ratio, most(0.02, series), 0.97);
    coverage_figures(study, "loaded-feed", &t.floor, most(0.05, series), 0.97);
    coverage_figures(study, "loaded-feed", &t.reached, most(0.2, series), 0.97);
    refitted_figures(study, &t.creep_refitted);
    refitted_figures(study, &t.onset_refitted);
    refitted_figures(study, &t.greatest_refitted);
    study_share(study, "loaded-feed: series with an answer", t.answered, t.series, 1 - most(0.02, t.series),
                1);
    study_share(study, "loaded-feed: runs without an answer", t.refused, t.runs, 0, most(0.02, t.runs));
    study_share(study, "loaded-feed: onset claimed where the motor stalls before it", t.false_onset,
                t.no_onset_tried, 0, most(0.05, t.no_onset_tried));
    study_share(study, "loaded-feed: dent claimed where there is none", t.false_dents, t.no_dents, 0,
                most(0.05, t.no_dents));
    study_share(study, "loaded-feed: dents of 0.02 to 0.1 mm noticed", t.dents_found, t.dents,
                1 - most(0.1, t.dents), 1);
}
