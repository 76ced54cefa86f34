/* Speed sweeps of drawn motors: does the torque at each speed, the band between them, the corner, and what is
 * told of the motor hold what is true by the parameters? The truth is the motor's torque times the efficiency
 * of the reduction, which a push cannot tell from the motor. */
#include "tests/analyze/kept_run.h"
#include "tests/sim/bench_study.h"
#include "tests/sim/coverage.h"

#include "analyze/push.h"
#include "analyze/speed_sweep.h"
#include "analyze/sweep_outcome.h"
#include "tests/sim/draw_feeder.h"
#include "tests/sim/simulate.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SPEEDS_MOST 12
#define BLOCKS      5
#define RUNS_MOST   (SPEEDS_MOST * BLOCKS)
static const double PI = 3.14159265358979323846;

struct drawn {
    struct model_parameters p;
    struct calibration calibration;
    double speeds_mm_s[SPEEDS_MOST];
    int speeds, runs;
    double rad_s_per_mm_s, corner_rad_s;
    bool grip_below; /* grip gives way before the motor does at the slow speeds */
    double grip_nm;  /* the motor's torque at which it does */
    bool fine;       /* so many speeds and so little scatter that the motor can be told */
};

/* A motor whose corner lies inside the ladder and whose torque at the fastest speed is still a third of that
 * at the slowest. */
static struct drawn draw(struct model_random *r)
{
    struct drawn d = {.p = draw_feeder(r, DRAW_MOTOR, false)};
    struct model_parameters *p = &d.p;
    struct model_motor *m = &p->motor, unlimited;
    double force_n = draw_between(r, 60, 110), kind = model_random_uniform(r), top_mm_s, high, tau;
    d.fine = kind < 0.15;
    d.grip_below = kind > 0.8;
    p->gear.reduction = 1;
    p->gear.eccentricity_mm = 0;
    p->gear.drive_diameter_mm = draw_between(r, 7, 12);
    m->supply_v = model_random_uniform(r) < 0.5 ? 24 : 36;
    /* Slow enough that a rig of this rate sees every cycle of the motor well: peaks of faster ones are read
     * half a percent too high. */
    top_mm_s = draw_between(r, 40, 60);
    d.rad_s_per_mm_s = m->full_steps_per_rev / (2 * p->gear.drive_diameter_mm);
    high = top_mm_s * d.rad_s_per_mm_s;
    /* Back-EMF at the fastest speed as a share of the drive voltage. */
    m->flux_linkage_wb =
        (d.fine ? draw_between(r, 0.6, 0.9) : draw_between(r, 0.1, 0.3)) * 4 * m->supply_v / PI / high;
    /* Holding torque of the drawn force; the resistance makes the corner, given the time constant. */
    m->holding_torque_nm = force_n * p->gear.drive_diameter_mm / 2000 / p->gear.efficiency;
    tau = draw_between(r, 1, d.fine ? 2 : 4) / high;
    d.corner_rad_s = high * (d.fine ? draw_between(r, 0.15, 0.25) : draw_between(r, 0.2, 0.5));
    for (double low_ohm = 0.05, high_ohm = 500; high_ohm / low_ohm > 1 + 1e-9;) {
        double middle = sqrt(low_ohm * high_ohm);
        unlimited = *m;
        unlimited.holding_torque_nm = 1e6;
        unlimited.resistance_ohm = middle;
        unlimited.inductance_h = tau * middle;
        *(model_motor_torque_nm(&unlimited, d.corner_rad_s) > m->holding_torque_nm ? &low_ohm : &high_ohm) =
            middle;
        m->resistance_ohm = middle;
        m->inductance_h = tau * middle;
    }
    p->nip.preload_n = 60;
    p->nip.saturation_preload_n = 100;
    p->nip.grip_coefficient = 2.2 * force_n / 60;
    p->nip.onset_fraction = 0.7;
    if (d.grip_below) {
        p->nip.grip_coefficient = draw_between(r, 0.75, 0.9) * force_n / 60;
        p->spread.repeat = 0.02;
    }
    d.grip_nm = p->nip.grip_coefficient * 60 * p->gear.drive_diameter_mm / 2000;
    p->spread.refit = 0;
    p->spread.motor_repeat = d.fine ? 0.002 : draw_between(r, 0.004, 0.015);
    p->motor.torque_scatter = 0.004;
    p->sensor.noise_n = draw_between(r, 0.1, 0.3);
    d.speeds = d.fine ? 12 : 8;
    d.runs = d.speeds * BLOCKS;
    for (int i = 0; i < d.speeds; i++)
        d.speeds_mm_s[i] = top_mm_s * (i == 0 ? 0.06 : (double)i / (d.speeds - 1));
    /* The operator's instruments are as good as their stated uncertainties. */
    d.calibration = simulate_exact_calibration(p);
    d.calibration.coefficients[1] *= 1 + 0.001 * model_random_normal(r);
    d.calibration.covariance[1][1] = pow(0.001 * d.calibration.coefficients[1], 2);
    d.calibration.feed_count = 1;
    snprintf(d.calibration.feeds[0].feeder, sizeof d.calibration.feeds[0].feeder, "%s", p->name);
    d.calibration.feeds[0].mm_per_microstep =
        model_feed_per_microstep_mm(p, p->nip.preload_n) * (1 + 0.004 * model_random_normal(r));
    d.calibration.feeds[0].standard_uncertainty_mm_per_microstep =
        0.004 * d.calibration.feeds[0].mm_per_microstep;
    d.calibration.feeds[0].degrees_of_freedom = INFINITY;
    return d;
}

struct tally {
    int hits, tried, none;
    double error_sum; /* of the relative error */
};

static void count(struct tally *t, const struct quantity *q, double truth)
{
    if (!q->present || q->at_least) {
        t->none++;
        return;
    }
    t->tried++;
    t->hits += q->low_95 <= truth && truth <= q->high_95;
    t->error_sum += q->value / truth - 1;
}

enum figure { POINT, BAND, CORNER, FLAT, FLUX, RESISTANCE, INDUCTANCE, TIME_CONSTANT, HIGH_SPEED, FIGURES };
static const char *const NAMES[FIGURES] = {"torque at each speed",
                                           "95 % band between the speeds",
                                           "corner speed",
                                           "torque of the flat part",
                                           "flux linkage",
                                           "resistance",
                                           "inductance",
                                           "electrical time constant",
                                           "torque times speed far above the corner"};

struct room {
    struct run_record records[RUNS_MOST];
    struct run_result results[RUNS_MOST];
    const struct run_result *pointers[RUNS_MOST];
    struct feeder_result feeder;
};

static double truth_nm(const struct drawn *d, double speed_mm_s)
{
    return d->p.gear.efficiency * model_motor_torque_nm(&d->p.motor, speed_mm_s * d->rad_s_per_mm_s);
}

static bool push_all(const struct drawn *d, struct model_state *state, struct room *room,
                     const struct push_settings *settings)
{
    for (int i = 0; i < d->runs; i++) {
        struct run_columns columns;
        struct model_truth truth;
        struct err e;
        double v = d->speeds_mm_s[i % d->speeds];
        struct simulated_push push = {.speed_mm_s = v,
                                      .travel_mm = 8.5,
                                      .acceleration_mm_s2 = 6000,
                                      .sample_rate_hz = v < 20 ? 1000 : 2000,
                                      .rest_s = 0.4,
                                      .test = PLAN_SPEED_SWEEP};
        struct run_result *run = &room->results[i];
        if (!simulate_push(&d->p, state, &push, &columns, &room->records[i], &truth))
            return false;
        room->records[i].test = PLAN_SPEED_SWEEP;
        room->records[i].number = i + 1;
        static struct run_finding found;
        memset(&found, 0, sizeof found);
        enum err_code code =
            push_analyse_with(&columns, &room->records[i], &d->calibration, settings, &found.push, &e);
        kept_run(run, &room->records[i], &found, code, e.text);
        run_columns_free(&columns);
        room->pointers[i] = run;
    }
    return true;
}

static void forget(struct room *room)
{
    for (size_t i = 0; i < RUNS_MOST; i++) {
        run_result_free(&room->results[i]);
        run_record_free(&room->records[i]);
    }
    memset(room, 0, sizeof *room);
}

void bench_speed_sweep(struct study *study, int series, uint64_t seed, bool verbose)
{
    struct push_settings settings = push_budget_settings(NULL);
    struct tally tallies[FIGURES] = {{0}};
    struct room *room = calloc(1, sizeof *room);
    int no_curve = 0, models[TORQUE_MODELS] = {0}, shown = 0, wrong_cause = 0, bounds = 0;
    /* A series is 40 to 60 pushes, each analysed whole: the short form takes fewer. */
    if (series < 50)
        series = series / 3 + 1;
    for (int k = 0; room != NULL && k < series; k++) {
        struct model_random r = {seed + 7919u * (uint64_t)k};
        struct drawn d = draw(&r);
        struct model_state state = {0};
        struct bench_test_context context = {
            .calibration = &d.calibration, .settings = &settings, .feeder = &room->feeder};
        struct outcome outcome;
        struct err e = {0};
        const struct torque_curve *curve = &room->feeder.torque_curve;
        const struct model_motor *m = &d.p.motor;
        forget(room);
        room->feeder.conditions.stated[CONDITION_SUPPLY_VOLTAGE_V] = true;
        room->feeder.conditions.number[CONDITION_SUPPLY_VOLTAGE_V] = m->supply_v;
        model_mount(&d.p, &state, seed + 104729u * (uint64_t)k);
        if (!push_all(&d, &state, room, &settings)) {
            no_curve++;
            continue;
        }
        for (int i = 0; i < d.runs; i++) {
            bool motor = room->results[i].push.limited_by == LIMITED_MOTOR;
            bounds += !motor;
            wrong_cause += motor && d.grip_below &&
                           d.speeds_mm_s[i % d.speeds] * d.rad_s_per_mm_s < 0.8 * d.corner_rad_s;
        }
        speed_sweep_points(room->pointers, (size_t)d.runs, &d.calibration, &settings, &room->feeder);
        speed_sweep_torque(room->pointers, (size_t)d.runs, &d.calibration, &settings, &room->feeder);
        outcome_init(&outcome, "speed-sweep");
        if (sweep_outcome_sum_up(room->pointers, (size_t)d.runs, &context, &outcome, &e) != ERR_OK) {
            if (verbose)
                printf("  %d: %s\n", k, e.text);
            no_curve++;
            outcome_free(&outcome);
            continue;
        }
        models[curve->model]++;
        for (size_t i = 0; i < room->feeder.point_count; i++) {
            const struct speed_point *p = &room->feeder.points[i];
            if (p->limited_count[LIMITED_MOTOR] == p->run_count)
                count(&tallies[POINT], &p->torque_nm, truth_nm(&d, p->speed_mm_s));
        }
        /* At the middle of the gaps, where the motor was seen on either side. */
        for (int i = 0; i + 1 < d.speeds; i++) {
            double v = (d.speeds_mm_s[i] + d.speeds_mm_s[i + 1]) / 2;
            int j = (int)lround(v / curve->speed_mm_s[CURVE_POINTS - 1] * (CURVE_POINTS - 1));
            struct quantity q = {.present = true,
                                 .value = curve->torque_nm[j],
                                 .low_95 = curve->low_95_nm[j],
                                 .high_95 = curve->high_95_nm[j]};
            if (!d.grip_below || truth_nm(&d, d.speeds_mm_s[i]) < 0.95 * d.grip_nm)
                count(&tallies[BAND], &q, truth_nm(&d, curve->speed_mm_s[j]));
        }
        if (!d.grip_below) {
            count(&tallies[CORNER], &outcome_find(&outcome, "corner_speed_mm_s", "")->q,
                  d.corner_rad_s / d.rad_s_per_mm_s);
            count(&tallies[FLAT], &outcome_find(&outcome, "flat_torque_nm", "")->q,
                  d.p.gear.efficiency * m->holding_torque_nm);
        }
        count(&tallies[FLUX], &outcome_find(&outcome, "flux_linkage_wb", "")->q, m->flux_linkage_wb);
        count(&tallies[RESISTANCE], &outcome_find(&outcome, "resistance_ohm", "")->q,
              m->resistance_ohm / d.p.gear.efficiency);
        count(&tallies[INDUCTANCE], &outcome_find(&outcome, "inductance_h", "")->q,
              m->inductance_h / d.p.gear.efficiency);
        count(&tallies[TIME_CONSTANT], &outcome_find(&outcome, "electrical_time_constant_s", "")->q,
              m->inductance_h / m->resistance_ohm);
        count(&tallies[HIGH_SPEED], &outcome_find(&outcome, "high_speed_torque_speed", "")->q,
              d.p.gear.efficiency * m->full_steps_per_rev / 4 * m->flux_linkage_wb * 4 * m->supply_v / PI /
                  m->inductance_h);
        if (verbose && shown++ < 12)
            for (size_t i = 0; i < outcome.sentence_count; i++)
                printf("  %d: %s\n", k, outcome.sentences[i]);
        outcome_free(&outcome);
    }
    if (room != NULL)
        forget(room);
    free(room);
    printf("speed-sweep: no curve %d of %d; constant %d, droop %d, pull-out %d; bounds %d, grip taken for "
           "motor %d\n",
           no_curve, series, models[0], models[1], models[2], bounds, wrong_cause);
    study_share(study, "speed-sweep: no curve", no_curve, series, 0, 0.03);
    for (int i = 0; i < FIGURES; i++) {
        char name[120];
        double least, most;
        coverage_limits(tallies[i].tried, 0.97, &least, &most);
        snprintf(name, sizeof name, "speed-sweep: %s in 95 %% interval", NAMES[i]);
        printf("speed-sweep: %s: none in %d, mean relative error %+.4f\n", NAMES[i], tallies[i].none,
               tallies[i].error_sum / fmax(1, tallies[i].tried));
        if (tallies[i].tried > 0)
            study_share(study, name, tallies[i].hits, tallies[i].tried, least, most);
    }
}
