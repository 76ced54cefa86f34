#include "analyze/speed_sweep.h"

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

static bool same_speed(double a, double b)
{
    return fabs(a - b) <= SPEED_RELATIVE * fmax(fabs(a), fabs(b));
}

/* Mean over runs with the scatter of the runs and, once, what the calibration adds to all of them. */
static struct quantity mean_of_runs(const double *values, size_t n, const struct quantity *only,
                                    const struct calibration *calibration)
{
    double mean, sd, error, systematic, whole, effective;
    if (n == 0)
        return quantity_absent();
    if (n == 1)
        return *only;
    difference_mean_sd(values, n, &mean, &sd);
    error = sd / sqrt((double)n);
    systematic = calibration_uncertainty_n(calibration, mean);
    whole = hypot(error, systematic);
    effective = error > 0 ? ((double)n - 1) * pow(whole / error, 4) : INFINITY;
    return quantity_from(mean, whole, effective, n);
}

/* Drive radius over reduction, in m: torque at the motor shaft per newton of push, losses counted to the
 * motor's cost. */
static double torque_per_newton_m(const struct run_record *record, const struct calibration *calibration)
{
    double turn_mm = push_feed_per_microstep_mm(record, calibration, NULL) * record->microsteps *
                     record->full_steps_per_rev * record->reduction;
    return turn_mm / (2 * PI) / record->reduction / 1000;
}

/* Torque at the motor shaft of a push force, with what the feed (and so the lever) is not known by. */
static struct quantity torque_of(const struct quantity *force_n, const struct run_record *record,
                                 const struct calibration *calibration)
{
    double factor = torque_per_newton_m(record, calibration), relative, lever, error;
    if (!force_n->present)
        return quantity_absent();
    if (force_n->at_least) {
        struct quantity bound = quantity_at_least(force_n->value * factor);
        bound.n = force_n->n;
        return bound;
    }
    push_feed_per_microstep_mm(record, calibration, &relative);
    lever = relative * force_n->value;
    error = force_n->standard_uncertainty;
    return quantity_from(
        force_n->value * factor, hypot(error, lever) * factor,
        error > 0 ? force_n->degrees_of_freedom * pow(hypot(error, lever) / error, 4) : INFINITY, force_n->n);
}

static void fill_point(const struct run_result *const *runs, size_t count,
                       const struct calibration *calibration, struct speed_point *point, double *values)
{
    struct quantity only = quantity_absent();
    const struct run_record *record = NULL;
    size_t n = 0, onsets = 0;
    double sum_with_bounds = 0;
    for (size_t i = 0; i < count; i++) {
        const struct quantity *q = &runs[i]->push.stall_force_n;
        if (!runs[i]->analysed || !same_speed(runs[i]->record->speed_mm_s, point->speed_mm_s) || !q->present)
            continue;
        record = runs[i]->record;
        point->run_count++;
        point->limited_count[runs[i]->push.limited_by]++;
        sum_with_bounds += q->value;
        if (q->at_least) {
            point->censored_count++;
        } else {
            only = *q;
            values[n++] = q->value;
        }
    }
    if (point->run_count == 0)
        return;
    if (point->censored_count > 0) {
        /* Every stall force is at or above what stands for it here, so their mean is too. */
        point->stall_force_n = quantity_at_least(sum_with_bounds / (double)point->run_count);
        point->stall_force_n.n = point->run_count;
    } else {
        point->stall_force_n = mean_of_runs(values, n, &only, calibration);
    }
    point->torque_nm = torque_of(&point->stall_force_n, record, calibration);
    only = quantity_absent();
    for (size_t i = 0; i < count; i++) {
        const struct quantity *q = &runs[i]->push.slip_onset_n;
        if (!runs[i]->analysed || !same_speed(runs[i]->record->speed_mm_s, point->speed_mm_s))
            continue;
        if (q->present) {
            only = *q;
            values[onsets++] = q->value;
        }
    }
    point->no_onset_count = point->run_count > onsets ? point->run_count - onsets : 0;
    point->slip_onset_n = mean_of_runs(values, onsets, &only, calibration);
}

static int by_speed(const void *a, const void *b)
{
    double p = ((const struct speed_point *)a)->speed_mm_s, q = ((const struct speed_point *)b)->speed_mm_s;
    return p < q ? -1 : p > q;
}

void speed_sweep_points(const struct run_result *const *runs, size_t count,
                        const struct calibration *calibration, struct feeder_result *feeder)
{
    double *values = malloc((count + 1) * sizeof *values);
    feeder->point_count = 0;
    if (values == NULL)
        return;
    for (size_t i = 0; i < count; i++) {
        size_t j = 0;
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
        fill_point(runs, count, calibration, &feeder->points[j], values);
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
        if (!runs[i]->analysed || !p->stall_force_n.present || p->limited_by == LIMITED_UNCLEAR)
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
    if (torque_fit_corner(best, &corner, &error))
        curve->corner_speed_mm_s =
            quantity_from(corner / per_mm, error / per_mm, best->degrees_of_freedom, n);
out:
    free(w);
    free(torque);
    free(at_least);
}
