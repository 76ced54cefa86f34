#include "tests/analyze/report/fixture_session.h"
#include "analyze/run_result.h"

#include "analyze/comparison.h"
#include "analyze/push_budget.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FEEDERS 3
#define SPEEDS  3
#define BLOCKS  4
#define RUNS    (FEEDERS * SPEEDS * BLOCKS)

const char *const FIXTURE_HOSTILE_HTML = "<script>";

static const char *const PLAIN_NAMES[FEEDERS] = {"gear-8mm", "gear-12mm", "gear-fine"};
static const char *const HOSTILE_NAMES[FEEDERS] = {"gear-8mm`touch X`\n'; system(\"x\") #\\",
                                                   "=1+1,\"<script>alert(1)</script>",
                                                   "%s @x $(id) & \xE2\x80\xAE\xFF\x01"};
static const double SPEED_MM_S[SPEEDS] = {10, 40, 90};
/* Stall force by feeder and speed, N, and what gives way. */
static const double STALL_N[FEEDERS][SPEEDS] = {{118.4, 112.7, 71.3}, {81.6, 77.9, 48.2}, {46.8, 46.1, 45.3}};
static const enum limited_by GIVES_WAY[FEEDERS][SPEEDS] = {{LIMITED_MOTOR, LIMITED_MOTOR, LIMITED_MOTOR},
                                                           {LIMITED_MOTOR, LIMITED_MOTOR, LIMITED_MOTOR},
                                                           {LIMITED_GRIP, LIMITED_GRIP, LIMITED_GRIP}};
static const double DIAMETER_MM[FEEDERS] = {8.05, 11.9, 9.2};

/* A repeatable scatter without a pattern, mean 0 and sd about 1. */
static double scatter(unsigned *state)
{
    double sum = 0;
    for (int i = 0; i < 12; i++) {
        *state = *state * 1664525u + 1013904223u;
        sum += (double)(*state >> 8) / 16777216.0;
    }
    return sum - 6;
}

static void set_conditions(struct conditions *c, double preload_n)
{
    memset(c, 0, sizeof *c);
    conditions_set_word(c, CONDITION_FILAMENT_LOT, "R-0417");
    conditions_set_word(c, CONDITION_FILAMENT_MATERIAL, "PETG");
    c->stated[CONDITION_FILAMENT_DIAMETER_MM] = c->stated[CONDITION_NIP_PRELOAD_N] = true;
    c->number[CONDITION_FILAMENT_DIAMETER_MM] = 1.75;
    c->number[CONDITION_NIP_PRELOAD_N] = preload_n;
    c->stated[CONDITION_MOTOR_CURRENT_A] = c->stated[CONDITION_SUPPLY_VOLTAGE_V] = true;
    c->number[CONDITION_MOTOR_CURRENT_A] = 1.2;
    c->number[CONDITION_SUPPLY_VOLTAGE_V] = 24;
    c->stated[CONDITION_AMBIENT_TEMPERATURE_C] = true;
    c->number[CONDITION_AMBIENT_TEMPERATURE_C] = 21.5;
}

static void set_plan(struct series *s, bool hostile)
{
    struct plan *p = &s->plan;
    snprintf(s->title, sizeof s->title, "%s",
             hostile ? "River <script>alert(2)</script> \"series\" & 'more'"
                     : "Drive gears for river sensor housings");
    snprintf(p->title, sizeof p->title, "%s", s->title);
    snprintf(p->description, sizeof p->description,
             "Which drive gear should the feeders have that print the sensor housings of a river-monitoring "
             "group?");
    snprintf(p->licence, sizeof p->licence, "CC-BY-4.0");
    snprintf(s->package_hash, sizeof s->package_hash,
             "sha256:3b7c1d52e98f04a6c3d1b7a95e20f8847d16c2b9a0e4f3517d8a6b2c9e0f1d34");
    p->simulated = s->simulated = true;
    p->seed = 4187;
    p->blocks = BLOCKS;
    p->sample_rate_hz = 1000;
    p->force_limit_n = 160;
    p->contributor_count = 1;
    snprintf(p->contributors[0].title, sizeof p->contributors[0].title, "River bench");
    snprintf(p->contributors[0].role, sizeof p->contributors[0].role, "author");
    for (size_t i = 0; i < CONDITION_COUNT; i++)
        p->tolerance[i] = CONDITION_KINDS[i].tolerance;
    p->tolerance[CONDITION_NIP_PRELOAD_N] = 2;
    snprintf(s->calibration.date, sizeof s->calibration.date, "2026-03-02T09:14:00Z");
    snprintf(s->calibration.origin, sizeof s->calibration.origin, "stated");
    s->calibration.degree = 1;
    s->calibration.coefficients[1] = 4183.7;
    s->calibration.covariance[1][1] = 9.1;
    s->calibration.load_high_n = 150;
    s->calibration.degrees_of_freedom = INFINITY;
    for (int i = 0; i < PLAN_ESTIMATE_COUNT; i++)
        p->estimates[i] = (struct plan_estimate){PLAN_ESTIMATE_KINDS[i].value, false};
    p->estimates[PLAN_ESTIMATE_ALIGNMENT_DEG] = (struct plan_estimate){2.5, true};
    p->feeder_count = FEEDERS;
    for (size_t i = 0; i < FEEDERS; i++) {
        struct plan_feeder *f = &p->feeders[i];
        snprintf(f->name, sizeof f->name, "%s", PLAIN_NAMES[i]);
        f->drive_diameter_mm = DIAMETER_MM[i];
        f->drive_diameter_standard_uncertainty_mm = i == 1 ? 0.04 : 0.01 * DIAMETER_MM[i];
    }
    if (!hostile)
        return;
    snprintf(s->calibration.date, sizeof s->calibration.date, "<script>2026</script>");
    snprintf(p->feeders[2].name, sizeof p->feeders[2].name, "<b>gear</b>");
}

/* A budget of that scatter and what the bench adds; its scatter is named by a text that wants out of every
 * format when hostile. */
static void set_budget(struct budget *b, bool hostile, const char *scatter, double scatter_n, double degrees)
{
    budget_init(b);
    push_budget_add(b, hostile ? "<b>scatter`touch X`'s %s" : scatter, scatter_n, degrees, BUDGET_TYPE_A,
                    false);
    push_budget_add(b, "resolution of the converter", 0.0017, INFINITY, BUDGET_TYPE_B, false);
    push_budget_add(b, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_CELL_CREEP_PERCENT], 0.036, INFINITY,
                    BUDGET_TYPE_B, true);
    push_budget_add(b, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_ALIGNMENT_DEG], 0.065, INFINITY,
                    BUDGET_TYPE_B, true);
    push_budget_add(b, PUSH_BUDGET_CALIBRATION_NAME, 0.085, INFINITY, BUDGET_TYPE_B, true);
}

static void set_picture(struct push_result *p, double stall_n, double onset_n, bool drops, unsigned *state)
{
    double force = 0, step = 0.01;
    size_t n = 0;
    for (size_t i = 0; i < PUSH_PICTURE_COLUMNS && n < PUSH_PICTURE_COLUMNS; i++, n++) {
        double wobble = 0.4 * scatter(state),
               rate =
                   onset_n > 0 && force > onset_n ? fmax(0, 1 - (force - onset_n) / (stall_n - onset_n)) : 1;
        p->picture.feed_mm[n] = (double)i * step;
        p->picture.force_low_n[n] = force + wobble - 0.6;
        p->picture.force_high_n[n] = force + wobble + 0.6;
        force += 38 * step * rate;
        if (drops && force >= stall_n && p->event_count < PUSH_EVENTS_MAX) {
            p->events[p->event_count++] =
                (struct push_event){(double)i * step, stall_n + 0.5 * scatter(state), stall_n - 19.2};
            force = stall_n - 19.2;
            p->picture.force_low_n[n] = force - 0.6;
        }
    }
    p->picture.n = n;
}

static void set_evidence(struct push_result *p, const char *first, const char *second)
{
    snprintf(p->evidence[0], sizeof p->evidence[0], "%s", first);
    snprintf(p->evidence[1], sizeof p->evidence[1], "%s", second);
    p->evidence_count = 2;
}

static void set_push(struct push_result *p, const struct run_record *r, size_t feeder, size_t speed,
                     bool hostile, unsigned *state)
{
    enum limited_by limited = GIVES_WAY[feeder][speed];
    double stall = STALL_N[feeder][speed] + 0.9 * scatter(state),
           onset = feeder == 2 ? 33.1 + 0.8 * scatter(state) : 0;
    p->limited_by = limited;
    set_budget(&p->stall_budget, hostile, "scatter of the stall events", 0.58, 16);
    p->stall_force_n = budget_combine(&p->stall_budget, stall, 17);
    if (onset > 0) {
        set_budget(&p->onset_budget, hostile, "fit of the onset", 0.72, 280);
        p->slip_onset_n = budget_combine(&p->onset_budget, onset, 1);
    }
    p->creep_per_n = quantity_from(0.000213, 0.000011, 400, 1);
    p->stiffness_n_per_mm = quantity_from(38.2, 0.3, 400, 1);
    p->probability[limited == LIMITED_GRIP] = 0.983;
    p->probability[limited != LIMITED_GRIP] = 0.012;
    p->probability[2] = 0.005;
    p->with_encoder = true;
    p->settled = limited == LIMITED_GRIP;
    p->speed_mm_s = r->speed_mm_s;
    p->noise_n = 0.29;
    p->zero_drift_n = -0.04;
    p->greatest_force_n = stall + 1.4;
    if (limited == LIMITED_MOTOR) {
        p->drop_period_mm = quantity_from(0.506, 0.004, 15, 15);
        set_evidence(p,
                     "16 drops; the median one stands for 1.01 electrical cycles of the motor (4 full steps, "
                     "0.506 mm)",
                     "they recur every 0.506 mm of commanded feed (autocorrelation 0.91)");
    } else {
        set_evidence(p, "no drops: the force levels off while the feed goes on",
                     "lost share of feed at the end of the loading 21.3 %, past an onset of gross slip");
    }
    set_picture(p, stall, onset, limited == LIMITED_MOTOR, state);
    /* Two runs of their own kind, in blocks that leave the others alone. */
    if (feeder == 1 && speed == 2 && r->block == 3) {
        p->limited_by = LIMITED_LIMIT;
        p->stall_force_n = quantity_at_least(44.87);
        /* A bound has no interval; whatever is left in these fields must not be shown. */
        p->stall_force_n.standard_uncertainty = 0.61;
        p->stall_force_n.low_95 = 43.6;
        p->stall_force_n.high_95 = 46.1;
        p->event_count = 0;
        p->evidence_count = 0;
    }
    if (feeder == 2 && speed == 1 && r->block == 2) {
        p->limited_by = LIMITED_UNCLEAR;
        p->probability[0] = 0.42;
        p->probability[1] = 0.51;
        p->probability[2] = 0.07;
    }
}

static void set_runs(struct session *s, bool hostile)
{
    static struct run_finding found;
    unsigned state = 20260302u;
    for (size_t i = 0; i < RUNS; i++) {
        size_t block = i / (FEEDERS * SPEEDS), feeder = (i / SPEEDS + block) % FEEDERS,
               speed = (i + 2 * block) % SPEEDS;
        struct run_record *r = &s->series[0]->runs[i];
        struct run_result *run = &s->runs[i];
        r->number = r->order = (int)i + 1;
        r->block = (int)block + 1;
        snprintf(r->feeder, sizeof r->feeder, "%.32s", s->feeders[feeder].name);
        r->test = PLAN_SPEED_SWEEP;
        r->speed_mm_s = SPEED_MM_S[speed];
        r->conditions = conditions_keep(&s->feeders[feeder].conditions);
        r->drive_diameter_mm = DIAMETER_MM[feeder];
        r->reduction = 3;
        r->teeth = feeder == 2 ? 60 : 32;
        r->full_steps_per_rev = 200;
        r->microsteps = 16;
        r->simulated = true;
        snprintf(r->start_time, sizeof r->start_time, "2026-03-02T1%zu:%02zu:07Z", i / 30, 2 * i % 60);
        r->rig_serial = "SIM-0042";
        r->rig_firmware = "simulated 0.1.0";
        r->ended = RUN_COMPLETE;
        r->ended_why = "travel complete";
        run->record = r;
        run->feeder = feeder;
        memset(&found, 0, sizeof found);
        set_push(&found.push, r, feeder, speed, hostile, &state);
        if (feeder == 1 && speed == 2 && block == 2) {
            r->ended = RUN_LIMIT;
            r->ended_why = "force limit on the rig";
        }
        if (i == 4 || i == 17) {
            found.push.flag_count = 1;
            snprintf(found.push.flags[0], sizeof found.push.flags[0], "%s",
                     hostile ? "@SUM(1,2) <img src=x onerror=alert(3)>"
                             : "1 gap in the record, 0 of them during the push");
        }
        if (feeder == 1 && speed == 1 && block == 3) {
            r->ended = RUN_INTERRUPTED;
            run_result_refuse(run, hostile ? "interrupted: <b>cable</b> \"out\"" : "interrupted: cable out",
                              NULL);
        } else {
            run_result_keep(run, &found, PUSH_PICTURE_COLUMNS, &s->store, NULL);
        }
    }
}

static void sum_up(struct session *s, size_t feeder, size_t speed, bool hostile)
{
    struct speed_point *point = &s->feeders[feeder].points[speed];
    double sum = 0, least = INFINITY, onset = 0;
    size_t onsets = 0;
    point->speed_mm_s = SPEED_MM_S[speed];
    for (size_t i = 0; i < RUNS; i++) {
        const struct run_push *p = &s->runs[i].push;
        if (!s->runs[i].analysed || s->runs[i].feeder != feeder ||
            s->runs[i].record->speed_mm_s != point->speed_mm_s)
            continue;
        point->run_count++;
        point->limited_count[p->limited_by]++;
        point->censored_count += p->stall_force_n.at_least;
        sum += p->stall_force_n.value;
        least = fmin(least, p->stall_force_n.value);
        onsets += p->slip_onset_n.present;
        onset += p->slip_onset_n.present ? p->slip_onset_n.value : 0;
    }
    point->no_onset_count = point->run_count - onsets;
    double factor = DIAMETER_MM[feeder] / 2 / 3 / 1000;
    if (onsets > 0) {
        set_budget(&point->onset_budget, hostile, "scatter of the runs", 0.61, (double)onsets - 1);
        point->slip_onset_n = budget_combine(&point->onset_budget, onset / (double)onsets, onsets);
    }
    if (point->censored_count > 0) {
        point->stall_force_n = quantity_at_least(least);
        point->torque_nm = quantity_at_least(least * factor);
        return;
    }
    set_budget(&point->stall_budget, hostile, "scatter of the runs", 0.51, (double)point->run_count - 1);
    point->stall_force_n =
        budget_combine(&point->stall_budget, sum / (double)point->run_count, point->run_count);
    budget_init(&point->torque_budget);
    for (size_t i = 0; i < point->stall_budget.count; i++) {
        struct budget_component c = point->stall_budget.components[i];
        c.sensitivity = factor;
        budget_add(&point->torque_budget, &c, NULL);
    }
    budget_add(
        &point->torque_budget,
        &(struct budget_component){
            .name = "drive diameter",
            .unit = "mm",
            .standard_uncertainty = s->series[0]->plan.feeders[feeder].drive_diameter_standard_uncertainty_mm,
            .sensitivity = point->stall_force_n.value / 6000,
            .degrees_of_freedom = INFINITY,
            .type = BUDGET_TYPE_B,
            .operator_estimate = true},
        NULL);
    point->torque_nm =
        budget_combine(&point->torque_budget, point->stall_force_n.value * factor, point->run_count);
}

static void set_curve(struct feeder_result *f, size_t feeder)
{
    struct torque_curve *c = &f->torque_curve;
    if (feeder == 2) {
        snprintf(c->why_not, sizeof c->why_not,
                 "no push was limited by the motor: all 11 are lower bounds of its torque");
        return;
    }
    c->present = true;
    c->model = TORQUE_PULL_OUT;
    c->aicc[TORQUE_CONSTANT] = 31.72;
    c->aicc[TORQUE_DROOP] = 18.04;
    c->aicc[TORQUE_PULL_OUT] = 9.38;
    c->corner_speed_mm_s = quantity_from(47.3, 2.9, 8, 11);
    if (feeder == 1) {
        c->model = TORQUE_DROOP;
        c->aicc[TORQUE_PULL_OUT] = NAN;
        c->corner_speed_mm_s = quantity_absent();
        c->censored_count = 1;
    }
    for (size_t i = 0; i < CURVE_POINTS; i++) {
        double v = 90.0 * (double)i / (CURVE_POINTS - 1),
               t = feeder == 0 ? (v < 47.3 ? 0.156 : 0.156 * 47.3 / v) : 0.163 - 0.00072 * v;
        c->speed_mm_s[i] = v;
        c->torque_nm[i] = t;
        c->low_95_nm[i] = t * 0.962;
        c->high_95_nm[i] = t * 1.038;
    }
}

static void add_comparison(struct session *s, size_t a, size_t b, size_t speed, bool onset)
{
    struct comparison *c = &s->comparisons[s->comparison_count++];
    const struct speed_point *pa = &s->feeders[a].points[speed], *pb = &s->feeders[b].points[speed];
    struct budget budget;
    c->a = a;
    c->b = b;
    c->speed_mm_s = SPEED_MM_S[speed];
    c->family = SIZE_MAX;
    c->family_low_95 = c->family_high_95 = c->matters = c->seen_difference = NAN;
    snprintf(c->quantity, sizeof c->quantity, "%s", onset ? "slip_onset_n" : "stall_force_n");
    if (b == 2) {
        c->verdict = VERDICT_NOT_COMPARABLE;
        text_list_add(&c->reasons, "nip preload: 40 N against 55 N (tolerance 2 N)");
        return;
    }
    if (pa->stall_force_n.at_least || pb->stall_force_n.at_least) {
        c->verdict = VERDICT_NOT_COMPARABLE;
        text_list_add(
            &c->reasons,
            "1 of 4 pushes of gear-12mm met a limit before they stalled: only \"at least\" is known");
        return;
    }
    c->scatter_name = "scatter of the differences, block by block";
    c->scatter = 0.71;
    c->scatter_degrees = 3;
    budget_init(&budget);
    push_budget_add(&budget, c->scatter_name, c->scatter, c->scatter_degrees, BUDGET_TYPE_A, false);
    c->difference = budget_combine(&budget, pa->stall_force_n.value - pb->stall_force_n.value, 4);
    c->has_p_value = true;
    c->p_value_unadjusted = c->p_value_family = 0.0000163;
    c->p_value = 0.0000326;
    c->by_blocks = speed == 0;
    c->method = speed == 0 ? DESIGN_METHOD_NAMES[DESIGN_PAIRED] : DESIGN_METHOD_NAMES[DESIGN_WELCH];
    c->shown = true;
    c->verdict = VERDICT_A_HIGHER;
    if (speed == 1) {
        c->scatter_name = "scatter of the runs of both";
        c->scatter = 0.87;
        budget_init(&budget);
        push_budget_add(&budget, c->scatter_name, c->scatter, c->scatter_degrees, BUDGET_TYPE_A, false);
        c->difference = budget_combine(&budget, 0.34, 4);
        c->p_value = c->p_value_family = c->p_value_unadjusted = 0.7213;
        c->shown = false;
        c->verdict = VERDICT_NO_DIFFERENCE_SHOWN;
    }
}

struct session *fixture_session(bool hostile)
{
    struct session *s = calloc(1, sizeof *s);
    if (s == NULL)
        return NULL;
    s->series = calloc(1, sizeof *s->series);
    s->runs = calloc(RUNS, sizeof *s->runs);
    s->feeders = calloc(FEEDERS, sizeof *s->feeders);
    s->comparisons = calloc(16, sizeof *s->comparisons);
    if (s->series != NULL)
        s->series[0] = calloc(1, sizeof *s->series[0]);
    if (s->runs == NULL || s->feeders == NULL || s->comparisons == NULL || s->series == NULL ||
        s->series[0] == NULL || (s->series[0]->runs = calloc(RUNS, sizeof *s->series[0]->runs)) == NULL) {
        fixture_session_free(s);
        return NULL;
    }
    s->series_count = 1;
    s->series[0]->folder = strdup(hostile ? "/home/x/it's $(id)/" : "/srv/bench/series");
    s->series[0]->run_count = s->run_count = RUNS;
    s->feeder_count = FEEDERS;
    s->reference_speed_mm_s = SPEED_MM_S[0];
    s->simulated = true;
    set_plan(s->series[0], hostile);
    for (size_t i = 0; i < FEEDERS; i++) {
        struct feeder_result *f = &s->feeders[i];
        snprintf(f->name, sizeof f->name, "%s", hostile ? HOSTILE_NAMES[i] : PLAIN_NAMES[i]);
        snprintf(f->description, sizeof f->description, "%s",
                 hostile  ? "</p><script>alert(4)</script>"
                 : i == 0 ? "hobbed steel gear of 8 mm class, 32 teeth"
                          : "");
        set_conditions(&f->conditions, i == 2 ? 55 : 40);
        f->point_count = SPEEDS;
        f->reference = 0;
    }
    set_runs(s, hostile);
    for (size_t i = 0; i < FEEDERS; i++) {
        for (size_t j = 0; j < SPEEDS; j++)
            sum_up(s, i, j, hostile);
        set_curve(&s->feeders[i], i);
    }
    for (size_t j = 0; j < SPEEDS; j++) {
        add_comparison(s, 0, 1, j, false);
        add_comparison(s, 0, 2, j, false);
        add_comparison(s, 1, 2, j, false);
    }
    return s;
}

void fixture_session_free(struct session *s)
{
    if (s == NULL)
        return;
    if (s->series != NULL && s->series[0] != NULL) {
        free(s->series[0]->folder);
        free(s->series[0]->runs);
        free(s->series[0]);
    }
    for (size_t i = 0; s->runs != NULL && i < s->run_count; i++)
        run_result_free(&s->runs[i]);
    run_store_free(&s->store);
    free(s->series);
    free(s->runs);
    free(s->feeders);
    comparison_forget(s);
    free(s);
}
