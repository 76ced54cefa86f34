#include "analyze/speed_sweep.h"

#include "analyze/force_check.h"
#include "analyze/numerics/difference.h"
#include "analyze/numerics/torque_fit.h"
#include "analyze/push.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const TORQUE_MODEL_NAMES[TORQUE_MODELS] = {"constant", "linear droop", "flat, then pull-out"};

#define PI             3.14159265358979323846
#define SPEED_RELATIVE 1e-6
/* A corner this near to a speed of the ladder may lie on either side of it. */
#define LADDER_SHARE 0.02

static bool same_speed(double a, double b)
{
    return fabs(a - b) <= SPEED_RELATIVE * fmax(fabs(a), fabs(b));
}

/* Pushes under the feeder's own conditions: those of other tests set some of them anew. */
static bool counts(const struct run_result *run)
{
    return run->analysed && (run->record->test == PLAN_BLOCKED_PUSH || run->record->test == PLAN_SPEED_SWEEP);
}

/* Values of one quantity at one speed, with the budget of the last run for when it is the only one. */
struct run_values {
    double *values;
    size_t n;
    int first_number; /* of the runs, which seeds the check of their mean */
    struct quantity only;
    const struct budget *only_budget;
    double own_variance;           /* sum over the runs of what each scatters by itself */
    double own_degrees_of_freedom; /* of that, summed up */
};

/* Mean over runs: the scatter of the runs and, once, what the bench adds to all of them. */
static struct quantity mean_of_runs(const struct run_values *v, const struct calibration *calibration,
                                    const struct push_settings *settings, struct budget *budget)
{
    double mean, sd;
    budget_init(budget);
    if (v->n == 0)
        return quantity_absent();
    if (v->n == 1) {
        *budget = *v->only_budget;
        return v->only;
    }
    difference_mean_sd(v->values, v->n, &mean, &sd);
    /* A few runs may agree by chance better than any of them is known. Their mean is not known better than
     * what each run's own scatter leaves it, and that rests on more observations. */
    double own = sqrt(v->own_variance) / (double)v->n, between = sd / sqrt((double)v->n);
    if (between >= own)
        push_budget_add(budget, "scatter of the runs", between, (double)v->n - 1, BUDGET_TYPE_A, false);
    else
        push_budget_add(budget, "scatter within the runs", own, v->own_degrees_of_freedom, BUDGET_TYPE_A,
                        false);
    push_budget_add_bench(budget, mean, calibration, settings);
    struct quantity q = budget_combine(budget, mean, v->n);
    force_check(calibration, (unsigned long)v->first_number, budget, &q);
    return q;
}

/* Drive radius over reduction, in m: torque at the motor shaft per newton of push, losses counted to the
 * motor's cost. */
static double torque_per_newton_m(const struct run_record *record, const struct calibration *calibration)
{
    double turn_mm = push_feed_per_microstep_mm(record, calibration, NULL) * record->microsteps *
                     record->full_steps_per_rev * record->reduction;
    return turn_mm / (2 * PI) / record->reduction / 1000;
}

static const struct calibration_feed *feed_of(const struct calibration *calibration, const char *feeder)
{
    for (size_t i = 0; i < calibration->feed_count; i++) {
        if (strcmp(calibration->feeds[i].feeder, feeder) == 0)
            return &calibration->feeds[i];
    }
    return NULL;
}

/* Torque at the motor shaft of a push force: the budget of the force through the lever, and what the drive
 * diameter (and so the lever) is not known by, measured where the feed was calibrated. */
static struct quantity torque_of(const struct quantity *force_n, const struct budget *force_budget,
                                 const struct run_record *record, const struct calibration *calibration,
                                 struct budget *budget)
{
    double factor = torque_per_newton_m(record, calibration), relative;
    double diameter_mm = factor * 2 * record->reduction * 1000;
    const struct calibration_feed *feed = feed_of(calibration, record->feeder);
    double degrees = feed != NULL ? feed->degrees_of_freedom : INFINITY;
    struct budget_component force = {.name = "push force", .unit = "N"}, lever = {.unit = "mm"};
    budget_init(budget);
    if (!force_n->present)
        return quantity_absent();
    if (force_n->at_least) {
        struct quantity bound = quantity_at_least(force_n->value * factor);
        bound.n = force_n->n;
        return bound;
    }
    *budget = *force_budget;
    for (size_t i = 0; i < budget->count; i++) {
        budget->components[i].sensitivity *= factor;
        budget->components[i].contribution *= factor;
    }
    if (force_budget->count == 0) {
        force.standard_uncertainty = force_n->standard_uncertainty;
        force.sensitivity = factor;
        force.degrees_of_freedom = force_n->degrees_of_freedom;
        budget_add(budget, &force, NULL);
    }
    push_feed_per_microstep_mm(record, calibration, &relative);
    snprintf(lever.name, sizeof lever.name, "%s", PUSH_BUDGET_DIAMETER_NAME);
    lever.standard_uncertainty = relative * diameter_mm;
    lever.sensitivity = factor * force_n->value / diameter_mm;
    lever.degrees_of_freedom = degrees;
    lever.type = isinf(degrees) ? BUDGET_TYPE_B : BUDGET_TYPE_A;
    lever.operator_estimate = isinf(degrees);
    budget_add(budget, &lever, NULL);
    return budget_combine(budget, force_n->value * factor, force_n->n);
}

static void keep(struct run_values *v, const struct run_result *run, const struct quantity *q,
                 const struct budget *budget)
{
    if (v->n == 0)
        v->first_number = run->record->number;
    v->values[v->n++] = q->value;
    v->own_variance += push_budget_own_variance(budget, &v->own_degrees_of_freedom);
    v->only = *q;
    v->only_budget = budget;
}

static void fill_point(const struct run_result *const *runs, size_t count,
                       const struct calibration *calibration, const struct push_settings *settings,
                       struct speed_point *point, double *room)
{
    struct run_values stalls = {.values = room}, onsets = {.values = room};
    const struct run_record *record = NULL;
    double sum_with_bounds = 0;
    for (size_t i = 0; i < count; i++) {
        const struct push_result *push = &runs[i]->push;
        if (!counts(runs[i]) || !same_speed(runs[i]->record->speed_mm_s, point->speed_mm_s) ||
            !push->stall_force_n.present)
            continue;
        record = runs[i]->record;
        point->run_count++;
        point->limited_count[push->limited_by]++;
        sum_with_bounds += push->stall_force_n.value;
        if (push->stall_force_n.at_least)
            point->censored_count++;
        else
            keep(&stalls, runs[i], &push->stall_force_n, &push->stall_budget);
    }
    if (point->run_count == 0)
        return;
    if (point->censored_count > 0) {
        /* Every stall force is at or above what stands for it here, so their mean is too. */
        point->stall_force_n = quantity_at_least(sum_with_bounds / (double)point->run_count);
        point->stall_force_n.n = point->run_count;
    } else {
        point->stall_force_n = mean_of_runs(&stalls, calibration, settings, &point->stall_budget);
    }
    point->torque_nm =
        torque_of(&point->stall_force_n, &point->stall_budget, record, calibration, &point->torque_budget);
    for (size_t i = 0; i < count; i++) {
        const struct push_result *push = &runs[i]->push;
        if (counts(runs[i]) && same_speed(runs[i]->record->speed_mm_s, point->speed_mm_s) &&
            push->slip_onset_n.present)
            keep(&onsets, runs[i], &push->slip_onset_n, &push->onset_budget);
    }
    point->no_onset_count = point->run_count > onsets.n ? point->run_count - onsets.n : 0;
    /* Runs without an onset stalled before theirs: a mean of the few that show one would lean to the low
     * side. */
    if (2 * onsets.n > point->run_count)
        point->slip_onset_n = mean_of_runs(&onsets, calibration, settings, &point->onset_budget);
    else
        point->slip_onset_n = quantity_absent();
}

static int by_speed(const void *a, const void *b)
{
    double p = ((const struct speed_point *)a)->speed_mm_s, q = ((const struct speed_point *)b)->speed_mm_s;
    return p < q ? -1 : p > q;
}

void speed_sweep_points(const struct run_result *const *runs, size_t count,
                        const struct calibration *calibration, const struct push_settings *settings,
                        struct feeder_result *feeder)
{
    double *values = malloc((count + 1) * sizeof *values);
    feeder->point_count = 0;
    if (values == NULL)
        return;
    for (size_t i = 0; i < count; i++) {
        size_t j = 0;
        if (runs[i]->record->test != PLAN_BLOCKED_PUSH && runs[i]->record->test != PLAN_SPEED_SWEEP)
            continue;
        while (j < feeder->point_count &&
               !same_speed(feeder->points[j].speed_mm_s, runs[i]->record->speed_mm_s))
            j++;
        if (j == feeder->point_count && j < SPEED_POINTS_MAX) {
            feeder->points[j] = (struct speed_point){.speed_mm_s = runs[i]->record->speed_mm_s};
            feeder->point_count++;
        }
    }
    qsort(feeder->points, feeder->point_count, sizeof feeder->points[0], by_speed);
    for (size_t j = 0; j < feeder->point_count; j++)
        fill_point(runs, count, calibration, settings, &feeder->points[j], values);
    free(values);
}

/* Electrical angular speed of the motor per mm/s of feed: rotor teeth (full steps / 4) times motor turns. */
static double electrical_per_mm(const struct run_record *record, const struct calibration *calibration)
{
    double full_step_mm = push_feed_per_microstep_mm(record, calibration, NULL) * record->microsteps;
    return 2 * PI / (4 * full_step_mm);
}

static void draw_curve(const struct torque_fit *fit, double per_mm, double speed_high, double relative,
                       struct torque_curve *curve)
{
    for (size_t i = 0; i < CURVE_POINTS; i++) {
        double error, v = speed_high * (double)i / (CURVE_POINTS - 1);
        double torque = torque_fit_at(fit, v * per_mm, &error);
        double whole = hypot(error, relative * torque);
        double degrees = error > 0 ? fit->degrees_of_freedom * pow(whole / error, 4) : INFINITY;
        struct quantity q = quantity_from(torque, whole, degrees, 1);
        curve->speed_mm_s[i] = v;
        curve->torque_nm[i] = torque;
        curve->low_95_nm[i] = q.low_95;
        curve->high_95_nm[i] = q.high_95;
    }
}

/* Distance in mm/s between the speeds of the ladder on either side of a speed, its own step left out. */
static double ladder_gap(const struct feeder_result *feeder, double speed_mm_s)
{
    double below = 0, above = INFINITY;
    for (size_t i = 0; i < feeder->point_count; i++) {
        double v = feeder->points[i].speed_mm_s;
        if (v < speed_mm_s * (1 - LADDER_SHARE))
            below = fmax(below, v);
        if (v > speed_mm_s * (1 + LADDER_SHARE))
            above = fmin(above, v);
    }
    return isinf(above) ? speed_mm_s - below : above - below;
}

void speed_sweep_torque(const struct run_result *const *runs, size_t count,
                        const struct calibration *calibration, struct feeder_result *feeder)
{
    struct torque_curve *curve = &feeder->torque_curve;
    struct torque_fit fits[TORQUE_MODELS], *best = NULL;
    double *w = malloc((count + 1) * sizeof *w), *torque = malloc((count + 1) * sizeof *torque);
    bool *at_least = malloc((count + 1) * sizeof *at_least);
    size_t n = 0, exact = 0;
    double speed_high = 0, per_mm = 0, relative = 0;
    struct err e = {0};
    memset(curve, 0, sizeof *curve);
    if (w == NULL || torque == NULL || at_least == NULL) {
        snprintf(curve->why_not, sizeof curve->why_not, "not enough memory");
        goto out;
    }
    for (size_t i = 0; i < count; i++) {
        const struct push_result *p = &runs[i]->push;
        if (!counts(runs[i]) || !p->stall_force_n.present || p->limited_by == LIMITED_UNCLEAR)
            continue;
        per_mm = electrical_per_mm(runs[i]->record, calibration);
        push_feed_per_microstep_mm(runs[i]->record, calibration, &relative);
        w[n] = per_mm * runs[i]->record->speed_mm_s;
        torque[n] = torque_per_newton_m(runs[i]->record, calibration) * p->stall_force_n.value;
        at_least[n] = p->limited_by != LIMITED_MOTOR;
        exact += !at_least[n];
        speed_high = fmax(speed_high, runs[i]->record->speed_mm_s);
        n++;
    }
    curve->censored_count = n - exact;
    if (feeder->point_count < 2) {
        snprintf(curve->why_not, sizeof curve->why_not, "pushed at one speed only");
        goto out;
    }
    if (exact == 0) {
        snprintf(curve->why_not, sizeof curve->why_not,
                 "no push was limited by the motor: all %zu are lower bounds of its torque", n);
        goto out;
    }
    for (int model = 0; model < TORQUE_MODELS; model++) {
        curve->aicc[model] = NAN;
        if (torque_fit((enum torque_fit_model)model, w, torque, at_least, n, &fits[model], &e) != ERR_OK)
            continue;
        curve->aicc[model] = fits[model].aicc;
        if (best == NULL || fits[model].aicc < best->aicc) {
            best = &fits[model];
            curve->model = (enum torque_model)model;
        }
    }
    if (best == NULL) {
        snprintf(curve->why_not, sizeof curve->why_not, "%.150s", e.text);
        goto out;
    }
    curve->present = true;
    draw_curve(best, per_mm, speed_high, relative, curve);
    double corner, error;
    if (torque_fit_corner(best, &corner, &error)) {
        /* Between two speeds of the ladder the corner may lie anywhere: a rectangle from the speed before to
         * the one after. */
        double gap = ladder_gap(feeder, corner / per_mm) / (2 * sqrt(3.0));
        curve->corner_speed_mm_s =
            quantity_from(corner / per_mm, hypot(error / per_mm, gap), best->degrees_of_freedom, n);
        /* A speed is not below none. */
        curve->corner_speed_mm_s.low_95 = fmax(0, curve->corner_speed_mm_s.low_95);
    }
out:
    free(w);
    free(torque);
    free(at_least);
}
