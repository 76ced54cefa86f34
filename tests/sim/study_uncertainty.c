/* Study of the whole chain of a force: a load cell is calibrated with weights that are off within their
 * tolerance, in a gravity known as well as it is, then a push is measured with it and analysed. How often
 * does the stated 95 % interval of stall force hold the truth?
 *
 *     study_uncertainty [--runs N] [--seed S] [--out FILE] [--verbose]
 *
 * Each run has its own bench. Everything that the budget counts as an uncertainty is drawn from what the
 * budget says of it. */
#include "analyze/calibrate.h"
#include "analyze/push.h"
#include "datasets/format/readings.h"
#include "datasets/format/readings_note.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"
#include "tests/sim/study.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TOLERANCE_RELATIVE  2e-4
#define GRAVITY_M_S2        9.8066
#define GRAVITY_UNCERTAINTY 0.002
#define READINGS_AVERAGED   500

static const double LOADS_N[] = {0, 20, 45, 70, 95, 120, 150};
#define LOADS (sizeof LOADS_N / sizeof LOADS_N[0])

/* Hang the weights up and down in three cycles and read each. */
static void weigh(struct model_random *r, const struct model_parameters *p, struct model_state *s,
                  struct readings *readings)
{
    double weight_n[LOADS], gravity = 1 + GRAVITY_UNCERTAINTY / GRAVITY_M_S2 * model_random_normal(r);
    memset(readings, 0, sizeof *readings);
    for (size_t i = 0; i < LOADS; i++)
        weight_n[i] = LOADS_N[i] * gravity * (1 + draw_between(r, -TOLERANCE_RELATIVE, TOLERANCE_RELATIVE));
    for (int cycle = 1; cycle <= 3; cycle++) {
        for (size_t k = 0; k < 2 * LOADS - 1; k++) {
            size_t i = k < LOADS ? k : 2 * LOADS - 2 - k, n = readings->n++;
            double sum = 0;
            bool over;
            s->hung_n = weight_n[i];
            for (int j = 0; j < READINGS_AVERAGED; j++) {
                model_step(p, s, 0, 0.001);
                sum += model_read_force(p, s, &over);
            }
            readings->load_n[n] = LOADS_N[i];
            readings->reading_counts[n] = sum / READINGS_AVERAGED;
            readings->direction[n] = k < LOADS ? 1 : -1;
            readings->cycle[n] = cycle;
        }
    }
    s->hung_n = 0;
}

static struct readings_note note_of(const struct model_parameters *p)
{
    struct readings_note n = {.present = true, .simulated = true};
    snprintf(n.date, sizeof n.date, "2026-01-01T00:00:00Z");
    snprintf(n.gravity_origin, sizeof n.gravity_origin, "entered");
    n.counts_min = p->sensor.counts_min;
    n.counts_max = p->sensor.counts_max;
    n.gravity_m_s2 = GRAVITY_M_S2;
    n.gravity_standard_uncertainty_m_s2 = GRAVITY_UNCERTAINTY;
    n.density_kg_m3 = 7850;
    n.air_density_kg_m3 = 1.2;
    n.tolerance_relative = TOLERANCE_RELATIVE;
    n.tolerance_mg = n.full_steps_per_rev = n.microsteps = n.reduction = n.drive_diameter_mm =
        n.resolution_mm = NAN;
    return n;
}

/* Load cell creep and an axis off by an angle: both make the cell show a share more or less of what it is
 * pushed with. */
static void disturb(struct model_random *r, const struct model_parameters *p,
                    const struct push_settings *settings, struct run_columns *columns)
{
    double creep = settings->estimates[PLAN_ESTIMATE_CELL_CREEP_PERCENT] / 100 * model_random_normal(r);
    double angle =
        draw_between(r, 0, settings->estimates[PLAN_ESTIMATE_ALIGNMENT_DEG]) * 3.141592653589793 / 180;
    for (size_t i = 0; i < columns->n; i++) {
        double above = columns->force_counts[i] - p->sensor.zero_counts;
        columns->force_counts[i] += (int32_t)lround(above * ((1 + creep) * cos(angle) - 1));
    }
}

enum { TESTS = 2, FEEDERS = 5 };
static const char *const TEST[TESTS] = {"blocked-push", "speed-sweep"};
static const char *const FEEDER[FEEDERS] = {"motor, direct", "motor, geared", "motor past onset",
                                            "grip, settles", "grip, tears"};

struct tally {
    int tried, failed, given, inside;
};

static void one(uint64_t seed, int test, int feeder, struct tally *t, bool verbose)
{
    static const enum draw_kind kinds[FEEDERS] = {DRAW_MOTOR, DRAW_MOTOR, DRAW_MOTOR, DRAW_SETTLE, DRAW_TEAR};
    static struct readings readings;
    struct model_random r = {seed};
    struct model_parameters p;
    struct model_state s = {0};
    struct model_truth truth;
    struct run_columns columns;
    struct run_record record;
    struct calibrate_force calibrated;
    struct push_result result;
    struct push_settings settings = push_budget_settings(NULL);
    struct simulated_push push = {.acceleration_mm_s2 = 500, .sample_rate_hz = 1000, .rest_s = 1};
    struct err e = {0};
    do
        p = draw_feeder(&r, kinds[feeder], feeder == 2);
    while ((feeder == 0 && p.gear.reduction > 1) || (feeder == 1 && p.gear.reduction < 2));
    p.sensor.gain_counts_per_n = 4000 * (1 + 0.02 * model_random_normal(&r));
    p.sensor.full_scale_n = 200;
    p.sensor.nonlinearity_n = draw_between(&r, -0.3, 0.3);
    t->tried++;
    model_mount(&p, &s, seed);
    model_begin_run(&p, &s, 0);
    weigh(&r, &p, &s, &readings);
    struct readings_note note = note_of(&p);
    if (calibrate_force(&readings, &note, CALIBRATION_FIT_DEGREE_AUTO, note.date, &calibrated, &e) !=
        ERR_OK) {
        printf("seed %llu: %s\n", (unsigned long long)seed, e.text);
        t->failed++;
        return;
    }
    double step_mm = 3.141592653589793 * p.gear.drive_diameter_mm / (200 * p.gear.reduction);
    double fastest = fmin(20, 4 * step_mm * push.sample_rate_hz / 8);
    push.speed_mm_s = test == 0 ? draw_between(&r, 0.8, 3) : draw_between(&r, fmin(3, fastest / 2), fastest);
    double k = model_stiffness_n_per_mm(&p.fixture);
    push.travel_mm = 60 / k + 6 + 2 * model_truth_nominal(&p, 0, push.speed_mm_s).stall_force_n / k;
    model_mount(&p, &s, seed + 1);
    if (!simulate_push(&p, &s, &push, &columns, &record, &truth)) {
        t->failed++;
        return;
    }
    disturb(&r, &p, &settings, &columns);
    enum err_code code =
        push_analyse_with(&columns, &record, &calibrated.calibration, &settings, &result, &e);
    run_columns_free(&columns);
    run_record_free(&record);
    if (code != ERR_OK) {
        printf("seed %llu: %s\n", (unsigned long long)seed, e.text);
        t->failed++;
        return;
    }
    const struct quantity *q = &result.stall_force_n;
    if (q->at_least)
        return;
    bool inside = truth.stall_force_n >= q->low_95 && truth.stall_force_n <= q->high_95;
    t->given++;
    t->inside += inside;
    if (verbose)
        printf("%llu %-16s v %5.2f degree %d stall %8.3f true %8.3f u %6.3f n %u %s z %.2f\n",
               (unsigned long long)seed, FEEDER[feeder], push.speed_mm_s, calibrated.calibration.degree,
               q->value, truth.stall_force_n, q->standard_uncertainty, q->n, inside ? "in" : "OUT",
               (q->value - truth.stall_force_n) / q->standard_uncertainty);
}

int main(int argc, char **argv)
{
    struct study study;
    struct study_options o = {.runs = 1000, .seed = 20261125};
    struct tally tallies[TESTS][FEEDERS] = {{{0}}}, all = {0};
    if (!study_options_read(argc, argv, &o))
        return 2;
    study_begin(&study, &o);
    for (int i = 0; i < o.runs; i++)
        one(o.seed + 7 * (uint64_t)i, i % TESTS, i / TESTS % FEEDERS,
            &tallies[i % TESTS][i / TESTS % FEEDERS], o.verbose);
    printf("%-14s %-18s %6s %8s %7s %9s\n", "test", "feeder", "tried", "no value", "failed", "coverage");
    for (int i = 0; i < TESTS; i++) {
        for (int j = 0; j < FEEDERS; j++) {
            const struct tally *t = &tallies[i][j];
            printf("%-14s %-18s %6d %8d %7d %8.1f %%\n", TEST[i], FEEDER[j], t->tried,
                   t->tried - t->given - t->failed, t->failed,
                   t->given > 0 ? 100.0 * t->inside / t->given : 0);
            all.tried += t->tried;
            all.failed += t->failed;
            all.given += t->given;
            all.inside += t->inside;
        }
    }
    /* The short form is too small to tell 93 from 97 %: it only watches for a collapse. */
    bool small = o.runs < 800;
    study_share(&study, "runs that could not be analysed", all.failed, all.tried, 0, 0);
    study_share(&study, "stall force: 95 % interval holds the truth, all", all.inside, all.given,
                small ? 0.88 : 0.93, small ? 1 : 0.97);
    for (int j = 0; j < FEEDERS; j++) {
        char name[96];
        int inside = tallies[0][j].inside + tallies[1][j].inside,
            given = tallies[0][j].given + tallies[1][j].given;
        snprintf(name, sizeof name, "stall force: 95 %% interval holds the truth, %s", FEEDER[j]);
        study_share(&study, name, inside, given, small ? 0.75 : 0.90, 1);
    }
    return study_end(&study);
}
