#include "analyze/speed_sweep.h"

#include "analyze/force_check.h"
#include "analyze/numerics/difference.h"
#include "analyze/numerics/torque_fit.h"
#include "analyze/numerics/torque_region.h"
#include "analyze/push.h"
#include "analyze/run_result.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const TORQUE_MODEL_NAMES[TORQUE_MODELS] = {"constant", "linear droop", "flat, then pull-out"};

#define PI             3.14159265358979323846
#define SPEED_RELATIVE 1e-6
/* With fewer readings than this from one peak to the next, where they fall on the rise is much the same in
 * all pushes of one speed, and their peaks are off alike: by this relative standard uncertainty, found as the
 * scatter of speeds about the true curve, beyond that of the pushes, in 300 simulated sweeps of 60 pushes. */
#define ALIKE_READINGS 45.0
#define ALIKE_RELATIVE 0.0013

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
    const struct run_budget *only_budget;
    double own_variance;                         /* sum over the runs of what each scatters by itself */
    double own_degrees_of_freedom;               /* of that, summed up */
    double reading_squares[PUSH_BUDGET_READING]; /* and of what does not average out */
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
        *budget = run_budget(v->only_budget);
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
    push_budget_add_reading(budget, v->reading_squares, v->n);
    push_budget_add_bench(budget, mean, calibration, settings);
    struct quantity q = budget_combine(budget, mean, v->n);
    force_check(calibration, (unsigned long)v->first_number, budget, &q);
    return q;
}

double speed_sweep_torque_per_newton_m(const struct run_record *record, const struct calibration *calibration)
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
    double factor = speed_sweep_torque_per_newton_m(record, calibration), relative;
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
                 const struct run_budget *of_run)
{
    const struct budget budget = run_budget(of_run);
    if (v->n == 0)
        v->first_number = run->record->number;
    v->values[v->n++] = q->value;
    v->own_variance += push_budget_own_variance(&budget, &v->own_degrees_of_freedom);
    push_budget_sum_reading(&budget, v->reading_squares);
    v->only = *q;
    v->only_budget = of_run;
}

static void fill_point(const struct run_result *const *runs, size_t count,
                       const struct calibration *calibration, const struct push_settings *settings,
                       struct speed_point *point, double *room)
{
    struct run_values stalls = {.values = room}, onsets = {.values = room};
    const struct run_record *record = NULL;
    double sum_with_bounds = 0;
    for (size_t i = 0; i < count; i++) {
        const struct run_push *push = &runs[i]->push;
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
        point->stall_force_n.n = (uint32_t)point->run_count;
    } else {
        point->stall_force_n = mean_of_runs(&stalls, calibration, settings, &point->stall_budget);
    }
    point->torque_nm =
        torque_of(&point->stall_force_n, &point->stall_budget, record, calibration, &point->torque_budget);
    for (size_t i = 0; i < count; i++) {
        const struct run_push *push = &runs[i]->push;
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

/* Electrical angular speed of the motor per mm/s of commanded feed: rotor teeth (full steps / 4) times motor
 * turns. The speed was commanded by the host's own feed per microstep, not by the calibrated one. */
static double electrical_per_mm(const struct run_record *record, const struct calibration *calibration)
{
    double microstep_mm = record->mm_per_microstep > 0
                              ? record->mm_per_microstep
                              : push_feed_per_microstep_mm(record, calibration, NULL);
    return 2 * PI / (4 * microstep_mm * record->microsteps);
}

/* The pushes that a torque curve is fitted to. */
struct sweep {
    double *w, *torque, *scale;
    double *alike; /* relative standard uncertainty that a point shares with the others of its speed */
    bool *at_least;
    size_t n, exact;
    double speed_high, per_mm;
    double lever_relative, bench_relative;
    double rotor_teeth;
};

static void gather(struct sweep *s, const struct run_result *const *runs, size_t count,
                   const struct calibration *calibration, const struct push_settings *settings)
{
    double force_n = 0;
    for (size_t i = 0; i < count; i++) {
        const struct run_push *p = &runs[i]->push;
        if (!counts(runs[i]) || !p->stall_force_n.present || p->limited_by == LIMITED_UNCLEAR)
            continue;
        s->per_mm = electrical_per_mm(runs[i]->record, calibration);
        s->rotor_teeth = runs[i]->record->full_steps_per_rev / 4.0;
        push_feed_per_microstep_mm(runs[i]->record, calibration, &s->lever_relative);
        s->w[s->n] = s->per_mm * runs[i]->record->speed_mm_s;
        s->torque[s->n] =
            speed_sweep_torque_per_newton_m(runs[i]->record, calibration) * p->stall_force_n.value;
        s->at_least[s->n] = p->limited_by != LIMITED_MOTOR;
        s->alike[s->n] = p->sampling.peak_readings < ALIKE_READINGS ? ALIKE_RELATIVE : 0;
        s->exact += !s->at_least[s->n];
        s->speed_high = fmax(s->speed_high, runs[i]->record->speed_mm_s);
        force_n += p->stall_force_n.value;
        s->n++;
    }
    if (force_n > 0) {
        struct budget bench;
        force_n /= (double)s->n;
        budget_init(&bench);
        push_budget_add_bench(&bench, force_n, calibration, settings);
        s->bench_relative = budget_standard_uncertainty(&bench) / force_n;
    }
    /* A motor's torque differs from run to run by a share of itself: the scale of a point is the mean torque
     * at its speed. */
    for (size_t i = 0; i < s->n; i++) {
        double sum = 0, largest = fabs(s->torque[i]);
        size_t n = 0;
        for (size_t j = 0; j < s->n; j++) {
            largest = fmax(largest, fabs(s->torque[j]));
            if (same_speed(s->w[i], s->w[j])) {
                sum += s->torque[j];
                n++;
            }
        }
        s->scale[i] = sum / (double)n / largest;
    }
}

/* The model with the least AICc, each with the scatter in proportion to the torque or the same for all,
 * whichever is likelier. False with the reason in e. */
static bool choose(const struct sweep *s, struct torque_curve *curve, struct torque_fit *best,
                   const double **scale, struct err *e)
{
    bool any = false, scalable = true;
    for (size_t i = 0; i < s->n; i++)
        scalable = scalable && s->scale[i] > 0;
    for (int model = 0; model < TORQUE_MODELS; model++) {
        curve->aicc[model] = NAN;
        for (int scaled = 0; scaled <= (scalable ? 1 : 0); scaled++) {
            struct torque_fit fit;
            if (torque_fit_scaled((enum torque_fit_model)model, s->w, s->torque, s->at_least,
                                  scaled ? s->scale : NULL, s->n, &fit, e) != ERR_OK)
                continue;
            if (!(curve->aicc[model] < fit.aicc))
                curve->aicc[model] = fit.aicc;
            if (any && fit.aicc >= best->aicc)
                continue;
            any = true;
            *best = fit;
            *scale = scaled ? s->scale : NULL;
            curve->model = (enum torque_model)model;
        }
    }
    return any;
}

static void draw_curve(const struct sweep *s, const struct torque_fit *fit,
                       const struct torque_region *region, struct torque_curve *curve)
{
    for (size_t i = 0; i < CURVE_POINTS; i++) {
        double v = s->speed_high * (double)i / (CURVE_POINTS - 1), w = v * s->per_mm, low, high, torque,
               error, t = quantity_t_975(fit->degrees_of_freedom);
        struct budget budget;
        struct quantity q;
        if (region != NULL) {
            torque = torque_region_at(region, w);
            torque_region_torque(region, w, &low, &high);
        } else {
            torque = torque_fit_at(fit, w, &error);
            low = torque - t * error;
            high = torque + t * error;
        }
        q = motor_parameters_quantity(torque, fmin(low, torque), fmax(high, torque), fit->degrees_of_freedom,
                                      s->lever_relative, s->bench_relative, s->n, "N m", &budget);
        curve->standard_error_nm[i] = (high - low) / 2 / t;
        curve->speed_mm_s[i] = v;
        curve->torque_nm[i] = torque;
        curve->low_95_nm[i] = q.low_95;
        curve->high_95_nm[i] = q.high_95;
    }
}

/* What the pushes of one speed share does not average out over them. The points count as many, each by
 * itself; the probability of a region that is wider by as much, in standard uncertainties, as their means
 * scatter more. */
static double probability_of_alike(const struct sweep *s, const double *scale, double scatter_nm,
                                   double degrees_of_freedom)
{
    double excess = 0, t = quantity_t_975(degrees_of_freedom);
    for (size_t i = 0; i < s->n; i++) {
        double own_nm = scatter_nm * (scale != NULL ? scale[i] : 1), of_speed = 0;
        for (size_t j = 0; j < s->n; j++)
            of_speed += same_speed(s->w[i], s->w[j]);
        if (!s->at_least[i] && own_nm > 0)
            excess += of_speed * pow(s->alike[i] * s->torque[i] / own_nm, 2) / (double)s->exact;
    }
    return 1 - difference_p_value(t * sqrt(1 + excess), 1, degrees_of_freedom);
}

/* The region of the torques leant against the speed; NULL where they tell no curve. */
static struct torque_region *lean(const struct sweep *s, const double *scale, double by, double probability)
{
    double *torque = malloc(s->n * sizeof *torque), low = s->w[0], high = s->w[0];
    struct torque_region *region = NULL;
    struct err ignored;
    if (torque == NULL)
        return NULL;
    for (size_t i = 1; i < s->n; i++) {
        low = fmin(low, s->w[i]);
        high = fmax(high, s->w[i]);
    }
    for (size_t i = 0; i < s->n; i++)
        torque[i] = motor_parameters_leant_nm(s->torque[i], (s->w[i] - low) / (high - low), by);
    if (torque_region_new(s->w, torque, s->at_least, scale, s->n, probability, &region, &ignored) != ERR_OK)
        region = NULL;
    free(torque);
    return region;
}

static void fit_curve(const struct sweep *s, struct torque_curve *curve)
{
    struct torque_fit best;
    struct torque_region *region = NULL;
    const double *scale = NULL;
    struct err e = {0};
    if (!choose(s, curve, &best, &scale, &e)) {
        snprintf(curve->why_not, sizeof curve->why_not, "%.150s", e.text);
        return;
    }
    if (curve->model == TORQUE_PULL_OUT) {
        const struct motor_parameters_common common = {.rotor_teeth = s->rotor_teeth,
                                                       .lever_relative = s->lever_relative,
                                                       .bench_relative = s->bench_relative,
                                                       .rad_s_per_mm_s = s->per_mm,
                                                       .n = s->n};
        if (torque_region_new(s->w, s->torque, s->at_least, scale, s->n, 0.95, &region, &e) != ERR_OK) {
            snprintf(curve->why_not, sizeof curve->why_not, "%.150s", e.text);
            return;
        }
        double probability = probability_of_alike(s, scale, best.scatter_nm, best.degrees_of_freedom);
        struct torque_region *down = lean(s, scale, -MOTOR_PARAMETERS_LEAN, probability),
                             *up = lean(s, scale, MOTOR_PARAMETERS_LEAN, probability);
        struct torque_region *sure = NULL;
        struct err unsure;
        if (torque_region_again(region, MOTOR_PARAMETERS_SURE, &sure, &unsure) != ERR_OK)
            sure = NULL;
        const struct motor_parameters_regions regions = {region, {down, up}, sure};
        motor_parameters_find(&regions, &common, &curve->motor, &curve->corner_speed_mm_s);
        torque_region_free(down);
        torque_region_free(up);
        torque_region_free(sure);
    } else if (curve->model == TORQUE_CONSTANT) {
        double error, torque = torque_fit_at(&best, 0, &error), t = quantity_t_975(best.degrees_of_freedom);
        struct motor_parameter_value *flat = &curve->motor.values[MOTOR_FLAT_TORQUE_NM];
        flat->q =
            motor_parameters_quantity(torque, torque - t * error, torque + t * error, best.degrees_of_freedom,
                                      s->lever_relative, s->bench_relative, s->n, "N m", &flat->budget);
        flat->determined = flat->q.present;
    }
    curve->degrees_of_freedom = best.degrees_of_freedom;
    draw_curve(s, &best, region, curve);
    torque_region_free(region);
    curve->present = true;
}

void speed_sweep_torque(const struct run_result *const *runs, size_t count,
                        const struct calibration *calibration, const struct push_settings *settings,
                        struct feeder_result *feeder)
{
    struct torque_curve *curve = &feeder->torque_curve;
    struct sweep s = {.w = malloc((count + 1) * sizeof *s.w),
                      .torque = malloc((count + 1) * sizeof *s.torque),
                      .scale = malloc((count + 1) * sizeof *s.scale),
                      .alike = malloc((count + 1) * sizeof *s.alike),
                      .at_least = malloc((count + 1) * sizeof *s.at_least)};
    memset(curve, 0, sizeof *curve);
    if (s.w == NULL || s.torque == NULL || s.scale == NULL || s.alike == NULL || s.at_least == NULL) {
        snprintf(curve->why_not, sizeof curve->why_not, "not enough memory");
    } else {
        gather(&s, runs, count, calibration, settings);
        curve->fitted_count = s.n;
        curve->censored_count = s.n - s.exact;
        if (feeder->point_count < 2)
            snprintf(curve->why_not, sizeof curve->why_not,
                     "pushed at one speed only: a torque curve takes pushes at several");
        else if (s.n == 0)
            snprintf(curve->why_not, sizeof curve->why_not,
                     "no push tells whether motor or grip gave way, or at what force");
        else if (s.exact == 0)
            snprintf(curve->why_not, sizeof curve->why_not,
                     "no push was limited by the motor: all %zu are lower bounds of its torque", s.n);
        else
            fit_curve(&s, curve);
    }
    free(s.w);
    free(s.torque);
    free(s.scale);
    free(s.alike);
    free(s.at_least);
}
