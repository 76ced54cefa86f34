/* Free run: feeders with and without each ripple, two nip preloads of which one may dent the filament. Truth
 * by the parameters. */
#include "tests/analyze/kept_run.h"
#include "tests/sim/bench_study.h"

#include "analyze/free_run.h"
#include "tests/sim/coverage.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RUNS 4

static const double PI = 3.14159265358979323846;

struct claims {
    int none, claimed; /* ripple that is not there, and how often it was reported */
};

struct tally {
    struct coverage runout, tooth, motor_turn, full_step, ratio, noise, drift, mains;
    struct claims false_ripple, other_peaks, false_mains;
    int series, answered, dent_tried, dent_told, undented, dent_claimed;
};

struct scene {
    struct model_parameters p;
    struct calibration calibration;
    struct run_record records[RUNS];
    struct run_result results[RUNS];
    const struct run_result *runs[RUNS];
    double preload_n[2];
};

static bool coin(struct model_random *r)
{
    return model_random_uniform(r) < 0.5;
}

static void draw(struct model_random *r, struct scene *s)
{
    struct model_parameters *p = &s->p;
    *p = draw_feeder(r, DRAW_SETTLE, true);
    p->fixture.end = MODEL_END_FREE;
    p->sensor.encoder = true;
    p->sensor.encoder_mm_per_count = draw_between(r, 0.002, 0.01);
    p->gear.eccentricity_mm = coin(r) ? draw_between(r, 0.001, 0.04) : 0;
    p->gear.tooth_ripple_mm = coin(r) ? draw_between(r, 0.0003, 0.004) : 0;
    p->gear.motor_turn_ripple_mm = p->gear.reduction > 1 && coin(r) ? draw_between(r, 0.0005, 0.006) : 0;
    p->gear.full_step_ripple_mm = coin(r) ? draw_between(r, 0.0005, 0.003) : 0;
    p->sensor.noise_n = draw_between(r, 0.05, 0.4);
    p->sensor.mains_n = coin(r) ? draw_between(r, 0.05, 0.2) : 0;
    p->sensor.mains_hz = coin(r) ? 50 : 60;
    p->sensor.drift_n_per_min = draw_between(r, -0.1, 0.1);
    p->sensor.drift_walk_n = 0.01;
    s->preload_n[0] = draw_between(r, 50, 80);
    s->preload_n[1] = draw_between(r, 100, 140);
    p->nip.dent_preload_n = coin(r) ? draw_between(r, 85, 95) : 200;
    p->nip.dent_mm_per_n = draw_between(r, 0.001, 0.004);
    s->calibration = simulate_exact_calibration(p);
    s->calibration.encoder_mm_per_count *= 1 + 0.002 * model_random_normal(r);
    s->calibration.encoder_standard_uncertainty_mm_per_count = 0.002 * s->calibration.encoder_mm_per_count;
}

static bool run_all(struct scene *s, struct model_random *r, uint64_t seed)
{
    struct push_settings settings = push_budget_settings(NULL);
    bool all = true;
    for (int i = 0; i < RUNS; i++) {
        struct model_state state = {0};
        struct run_columns columns;
        struct err e = {0};
        struct run_result *result = &s->results[i];
        double turn_mm = PI * s->p.gear.drive_diameter_mm;
        struct simulated_push push = {.speed_mm_s = draw_between(r, 8, 25),
                                      .travel_mm = draw_between(r, 3.2, 5.5) * turn_mm,
                                      .acceleration_mm_s2 = 200,
                                      .sample_rate_hz = 1000,
                                      .rest_s = 1.3,
                                      .preload_n = s->preload_n[i % 2],
                                      .test = PLAN_FREE_RUN};
        model_mount(&s->p, &state, seed);
        state.runs_since_mount = (uint64_t)i;
        static struct run_finding found;
        memset(&found, 0, sizeof found);
        s->runs[i] = result;
        if (!simulate_push(&s->p, &state, &push, &columns, &s->records[i], NULL))
            return false;
        s->records[i].number = i + 1;
        enum err_code code =
            free_run_analyse(&columns, &s->records[i], &s->calibration, &settings, &found, &e);
        kept_run(result, &s->records[i], &found, code, e.text);
        run_columns_free(&columns);
        all = all && result->analysed;
    }
    return all;
}

static const struct quantity *find(const struct outcome *o, const char *key, const char *setting)
{
    const struct outcome_quantity *q = outcome_find(o, key, setting);
    return q != NULL ? &q->q : NULL;
}

/* A ripple that is there counts for its interval, one that is not for a false claim. */
static void judge_ripple(const struct quantity *q, double truth, struct coverage *c, struct claims *claims)
{
    if (truth > 0) {
        coverage_count(c, q, truth);
    } else if (q != NULL) {
        claims->none++;
        claims->claimed += q->present;
    }
}

static void judge(const struct scene *s, const struct outcome *o, struct tally *t)
{
    const struct model_gear *g = &s->p.gear;
    bool dented = s->preload_n[1] > s->p.nip.dent_preload_n, told = false;
    judge_ripple(find(o, "runout_um", ""), 2000 * g->eccentricity_mm, &t->runout, &t->false_ripple);
    judge_ripple(find(o, "tooth_ripple_um", ""), 1000 * g->tooth_ripple_mm, &t->tooth, &t->false_ripple);
    if (g->reduction > 1)
        judge_ripple(find(o, "motor_turn_ripple_um", ""), 1000 * g->motor_turn_ripple_mm, &t->motor_turn,
                     &t->false_ripple);
    /* Full steps of a high reduction come faster than these samples. */
    if (g->reduction < 1.5)
        judge_ripple(find(o, "full_step_ripple_um", ""), 1000 * g->full_step_ripple_mm, &t->full_step,
                     &t->false_ripple);
    for (int i = 0; i < 2; i++) {
        char setting[48];
        snprintf(setting, sizeof setting, "at %.4g N of nip preload", s->preload_n[i]);
        coverage_count(&t->ratio, find(o, "effective_feed_ratio", setting),
                       model_feed_per_microstep_mm(&s->p, s->preload_n[i]) /
                           model_feed_per_microstep_mm(&s->p, 1));
    }
    coverage_count(&t->noise, find(o, "noise_n", ""), s->p.sensor.noise_n);
    coverage_count(&t->drift, find(o, "zero_drift_n_per_min", ""), s->p.sensor.drift_n_per_min);
    if (s->p.sensor.mains_n > 0) {
        coverage_count(&t->mains, find(o, "mains_n", s->p.sensor.mains_hz < 55 ? "at 50 Hz" : "at 60 Hz"),
                       s->p.sensor.mains_n);
    } else {
        t->false_mains.none++;
        t->false_mains.claimed +=
            find(o, "mains_n", "at 50 Hz") != NULL || find(o, "mains_n", "at 60 Hz") != NULL;
    }
    for (size_t i = 0; i < o->warning_count; i++)
        told = told || strstr(o->warnings[i], "dented") != NULL;
    t->dent_tried += dented;
    t->dent_told += dented && told;
    t->undented += !dented;
    t->dent_claimed += !dented && told;
    bool peaks = false;
    for (size_t i = 0; i < o->sentence_count; i++)
        peaks = peaks || strstr(o->sentences[i], "Another ripple") != NULL;
    t->other_peaks.none++;
    t->other_peaks.claimed += peaks;
}

void bench_free_run(struct study *study, int series, uint64_t seed, bool verbose)
{
    struct tally t = {.runout = {.name = "runout"},
                      .tooth = {.name = "tooth ripple"},
                      .motor_turn = {.name = "motor turn ripple"},
                      .full_step = {.name = "full step ripple"},
                      .ratio = {.name = "effective feed"},
                      .noise = {.name = "noise"},
                      .drift = {.name = "drift of the zero"},
                      .mains = {.name = "mains pick-up"}};
    struct scene *s = malloc(sizeof *s);
    if (s == NULL)
        return;
    for (int i = 0; i < series; i++) {
        struct model_random r = {(seed + (uint64_t)i) * UINT64_C(104729) + 5};
        struct push_settings settings = push_budget_settings(NULL);
        struct bench_test_context context = {.calibration = &s->calibration, .settings = &settings};
        struct outcome o;
        struct err e = {0};
        memset(s, 0, sizeof *s);
        draw(&r, s);
        bool all = run_all(s, &r, seed + (uint64_t)i);
        outcome_init(&o, "free-run");
        t.series++;
        if (all && free_run_sum_up(s->runs, RUNS, &context, &o, &e) == ERR_OK) {
            t.answered++;
            judge(s, &o, &t);
        }
        for (size_t k = 0; verbose && k < o.quantity_count; k++)
            printf("  %d %-24s %-28s %10.5f +- %.5f (%.5f to %.5f)\n", i, o.quantities[k].key,
                   o.quantities[k].setting, o.quantities[k].q.value, o.quantities[k].q.standard_uncertainty,
                   o.quantities[k].q.low_95, o.quantities[k].q.high_95);
        for (size_t k = 0; verbose && k < o.warning_count; k++)
            printf("  %d warning: %s\n", i, o.warnings[k]);
        for (size_t k = 0; verbose && k < o.sentence_count; k++)
            printf("  %d %s\n", i, o.sentences[k]);
        if (verbose)
            printf("  truth: ecc %.3f tooth %.3f motor %.3f step %.3f noise %.4f mains %.4f at %.0f, %zu "
                   "flags %s\n",
                   1000 * s->p.gear.eccentricity_mm, 1000 * s->p.gear.tooth_ripple_mm,
                   1000 * s->p.gear.motor_turn_ripple_mm, 1000 * s->p.gear.full_step_ripple_mm,
                   s->p.sensor.noise_n, s->p.sensor.mains_n, s->p.sensor.mains_hz,
                   s->results[0].push.flags.count,
                   s->results[0].push.flags.count > 0 ? run_text(&s->results[0].push.flags, 0) : "");
        outcome_free(&o);
        for (int k = 0; k < RUNS; k++) {
            run_result_free(&s->results[k]);
            run_record_free(&s->records[k]);
        }
    }
    free(s);
    const struct coverage *all[] = {&t.runout, &t.tooth, &t.motor_turn, &t.full_step,
                                    &t.ratio,  &t.noise, &t.drift,      &t.mains};
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
        coverage_figures(study, "free-run", all[i], 0.05, 0.97);
    study_share(study, "free-run: series with an answer", t.answered, t.series, 0.98, 1);
    study_share(study, "free-run: ripple reported that is not there", t.false_ripple.claimed,
                t.false_ripple.none, 0, 0.01 + 3.1 * sqrt(0.0099 / fmax(1, t.false_ripple.none)));
    study_share(study, "free-run: series with another ripple that is not there", t.other_peaks.claimed,
                t.other_peaks.none, 0, 0.01 + 3.1 * sqrt(0.0099 / fmax(1, t.other_peaks.none)));
    study_share(study, "free-run: mains pick-up reported that is not there", t.false_mains.claimed,
                t.false_mains.none, 0, 0.01 + 3.1 * sqrt(0.0099 / fmax(1, t.false_mains.none)));
    study_share(study, "free-run: dented filament noticed", t.dent_told, t.dent_tried, 0.9, 1);
    study_share(study, "free-run: filament called dented that is not", t.dent_claimed, t.undented, 0, 0.02);
}
