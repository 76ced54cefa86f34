#include "analyze/melt_line.h"

#include "analyze/melt_push.h"
#include "analyze/push.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool temperature_of(const struct run_result *run, double *temperature_c)
{
    *temperature_c = run_record_conditions(run->record)->number[CONDITION_HOT_END_TEMPERATURE_C];
    return run->analysed && run_record_conditions(run->record)->stated[CONDITION_HOT_END_TEMPERATURE_C];
}

const struct quantity *melt_line_quantity(const struct run_result *run, size_t which)
{
    static const struct quantity absent = {.present = false};
    return which < run->quantity_count ? &run->quantities[which].q : &absent;
}

bool melt_line_of(const struct run_result *run, const struct melt_line *line)
{
    double t;
    return temperature_of(run, &t) && fabs(t - line->temperature_c) < 1e-6;
}

/* Feed was lost all at once, or half of it and more. */
static bool stalled(const struct run_result *run)
{
    const struct quantity *share = melt_line_quantity(run, MELT_PUSH_LOST_SHARE);
    return run->push.event_count > 0 || (share->present && share->value > MELT_LINE_SLIPPING_SHARE);
}

static bool is_value(const struct quantity *q)
{
    return q->present && !q->at_least;
}

bool melt_line_point(const struct run_result *run, const struct melt_line *line, double *rate_mm3_s,
                     double *force_n)
{
    const struct quantity *force = melt_line_quantity(run, MELT_PUSH_FORCE);
    if (!melt_line_of(run, line) || !is_value(force) || !(force->value > 0) || force->value > line->onset_n)
        return false;
    *force_n = force->value;
    if (line->with_encoder)
        *rate_mm3_s = melt_line_quantity(run, MELT_PUSH_RATE)->value;
    else
        *rate_mm3_s =
            melt_line_quantity(run, MELT_PUSH_COMMANDED_RATE)->value * (1 - line->creep_per_n * force->value);
    return *rate_mm3_s > 0;
}

/* The lost share as a straight line of the force: what is lost at no force comes from the drive diameter, the
 * rest is creep. */
static void measure_creep(const struct run_result *const *runs, size_t count, struct melt_line *line)
{
    double n = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, rate, force;
    for (size_t i = 0; i < count; i++) {
        if (!melt_line_point(runs[i], line, &rate, &force))
            continue;
        double share = melt_line_quantity(runs[i], MELT_PUSH_LOST_SHARE)->value;
        if (share > MELT_LINE_CREEPING_SHARE)
            continue;
        n++;
        sx += force;
        sy += share;
        sxx += force * force;
        sxy += force * share;
    }
    double d = n * sxx - sx * sx;
    if (d > 1e-9 * n * sxx) {
        line->creep_per_n = (n * sxy - sx * sy) / d;
        line->lost_share_at_0 = (sy - line->creep_per_n * sx) / n;
    } else if (n > 0) {
        line->lost_share_at_0 = sy / n;
    }
}

/* Creep as the feeder's loaded-feed test has it: the middle of what its settings gave. */
static bool known_creep(const struct feeder_result *feeder, struct melt_line *line)
{
    double low = INFINITY, high = -INFINITY, uncertainty = 0;
    for (size_t k = 0; feeder != NULL && k < feeder->outcome_count; k++) {
        const struct outcome *o = &feeder->outcomes[k];
        if (strcmp(o->test, PLAN_TEST_NAMES[PLAN_LOADED_FEED]) != 0 || !o->present)
            continue;
        for (size_t i = 0; i < o->quantity_count; i++) {
            const struct quantity *q = &o->quantities[i].q;
            if (strcmp(o->quantities[i].key, "creep_per_n") != 0 || !is_value(q))
                continue;
            low = fmin(low, q->value);
            high = fmax(high, q->value);
            uncertainty = fmax(uncertainty, q->standard_uncertainty);
        }
    }
    if (!(low <= high))
        return false;
    line->creep_per_n = (low + high) / 2;
    line->creep_uncertainty_per_n = hypot(uncertainty, budget_rectangular((high - low) / 2));
    return true;
}

static void find_creep(const struct run_result *const *runs, size_t count,
                       const struct bench_test_context *context, struct melt_line *line)
{
    double rate, force, greatest_n = 0;
    if (line->with_encoder) {
        measure_creep(runs, count, line);
        return;
    }
    for (size_t k = 0; context->feeder != NULL && k < context->feeder->point_count; k++) {
        const struct quantity *onset = &context->feeder->points[k].slip_onset_n;
        if (is_value(onset))
            line->onset_n = fmin(line->onset_n, onset->value);
    }
    if (known_creep(context->feeder, line))
        return;
    for (size_t i = 0; i < count; i++) {
        if (melt_line_point(runs[i], line, &rate, &force))
            greatest_n = fmax(greatest_n, force);
    }
    line->creep_assumed = true;
    if (greatest_n > 0)
        line->creep_per_n = MELT_LINE_CREEP_SHARE / 2 / greatest_n;
    line->creep_uncertainty_per_n = budget_rectangular(line->creep_per_n);
}

/* Whether a point counts in the fit. Where some runs stalled, those that went are the ones whose load was low
 * that time: they would bend the line down. */
static bool fit_point(const struct run_result *run, const struct melt_line *line, double *rate_mm3_s,
                      double *force_n)
{
    return melt_line_point(run, line, rate_mm3_s, force_n) &&
           melt_line_quantity(run, MELT_PUSH_COMMANDED_RATE)->value < line->drops_rate_mm3_s * (1 - 1e-6);
}

static size_t take_points(const struct run_result *const *runs, size_t count, const struct melt_line *line,
                          double *rates, double *forces)
{
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        n += fit_point(runs[i], line, &rates[n], &forces[n]);
    return n;
}

static void fit_line(const struct run_result *const *runs, size_t count, struct melt_line *line)
{
    double *rates = malloc(2 * (count + 1) * sizeof *rates), *forces;
    struct err e = {0};
    if (rates == NULL) {
        snprintf(line->why_not, sizeof line->why_not, "not enough memory");
        return;
    }
    forces = rates + count + 1;
    line->used_count = take_points(runs, count, line, rates, forces);
    for (size_t i = 0; i < count; i++) {
        double rate, force;
        line->beside_count += melt_line_point(runs[i], line, &rate, &force);
    }
    line->beside_count -= line->used_count;
    size_t different;
    /* Measured rates differ from run to run; how many of the ladder are there is told by the commanded ones.
     */
    double *commanded = calloc(count + 1, sizeof *commanded);
    size_t n = 0;
    for (size_t i = 0; commanded != NULL && i < count; i++) {
        double rate, force;
        if (fit_point(runs[i], line, &rate, &force))
            commanded[n++] = runs[i]->record->rate_mm3_s > 0 ? runs[i]->record->rate_mm3_s : rate;
    }
    different = load_line_rates(commanded, n);
    free(commanded);
    if (different < LOAD_LINE_RATES_LEAST) {
        snprintf(line->why_not, sizeof line->why_not,
                 "settled forces at %zu different rate%s only: a load line takes %d", different,
                 different == 1 ? "" : "s", LOAD_LINE_RATES_LEAST);
    } else if (load_line_choose(rates, forces, line->used_count, &line->fit, &line->power_aicc,
                                &line->varying_aicc, &e) != ERR_OK) {
        snprintf(line->why_not, sizeof line->why_not, "%.190s", e.text);
    } else {
        line->present = true;
        line->fit_creep = line->fit;
        if (line->creep_uncertainty_per_n > 0) {
            struct melt_line more = *line;
            more.creep_per_n += line->creep_uncertainty_per_n;
            n = take_points(runs, count, &more, rates, forces);
            if (load_line_again(&line->fit, rates, forces, n, &line->fit_creep, &e) != ERR_OK)
                line->fit_creep = line->fit;
        }
    }
    free(rates);
}

/* One commanded rate of the ladder, and what happened there at this temperature. */
struct rung {
    double rate_mm3_s;
    bool dropped, stalled; /* in any of its runs: by drops; by them or by losing half the feed */
};

/* The rung of that rate, added where there is none; NULL where there is no room. */
static struct rung *rung_at(struct rung *ladder, size_t *n, double rate_mm3_s)
{
    for (size_t i = 0; i < *n; i++) {
        if (fabs(ladder[i].rate_mm3_s - rate_mm3_s) <= 1e-6 * rate_mm3_s)
            return &ladder[i];
    }
    if (*n == PLAN_SPEEDS_MAX || !(rate_mm3_s > 0))
        return NULL;
    ladder[*n] = (struct rung){.rate_mm3_s = rate_mm3_s};
    return &ladder[(*n)++];
}

static int by_rate(const void *a, const void *b)
{
    double p = ((const struct rung *)a)->rate_mm3_s, q = ((const struct rung *)b)->rate_mm3_s;
    return p < q ? -1 : p > q;
}

/* The lower middle one of the different planned rates of all runs. */
static double middle_rate(const struct run_result *const *runs, size_t count)
{
    struct rung ladder[PLAN_SPEEDS_MAX] = {0};
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        rung_at(ladder, &n, runs[i]->record->rate_mm3_s);
    qsort(ladder, n, sizeof *ladder, by_rate);
    return n > 0 ? ladder[(n - 1) / 2].rate_mm3_s : 0;
}

/* So many faster rates at which every run went make a stall an incident: the load rises with the rate, and
 * one that the feeder cannot push stops the faster runs as well. */
#define RATES_THAT_WENT 2

/* Least rates from which on runs stalled, by drops and in any way. */
static void find_stalls(const struct run_result *const *runs, size_t count, struct melt_line *line)
{
    struct rung ladder[PLAN_SPEEDS_MAX] = {0};
    size_t n = 0, without_drops = 0, without_stalls = 0;
    for (size_t i = 0; i < count; i++) {
        struct rung *rung =
            melt_line_of(runs[i], line)
                ? rung_at(ladder, &n, melt_line_quantity(runs[i], MELT_PUSH_COMMANDED_RATE)->value)
                : NULL;
        if (rung == NULL)
            continue;
        rung->dropped = rung->dropped || runs[i]->push.event_count > 0;
        rung->stalled = rung->stalled || stalled(runs[i]);
    }
    qsort(ladder, n, sizeof *ladder, by_rate);
    line->drops_rate_mm3_s = INFINITY;
    for (size_t i = n; i-- > 0;) {
        without_drops += !ladder[i].dropped;
        without_stalls += !ladder[i].stalled;
        if (ladder[i].dropped && without_drops < RATES_THAT_WENT)
            line->drops_rate_mm3_s = ladder[i].rate_mm3_s;
        else if (ladder[i].dropped)
            line->incident_rate_mm3_s = ladder[i].rate_mm3_s;
        if (ladder[i].stalled && without_stalls < RATES_THAT_WENT)
            line->stalled_rate_mm3_s = ladder[i].rate_mm3_s;
    }
}

static void begin_line(const struct run_result *const *runs, size_t count,
                       const struct bench_test_context *context, struct melt_line *line)
{
    const struct calibration *calibration = context->calibration;
    double encoder = fabs(calibration->encoder_mm_per_count);
    line->with_encoder = true;
    line->onset_n = INFINITY;
    line->reference_rate_mm3_s = middle_rate(runs, count);
    find_stalls(runs, count, line);
    for (size_t i = 0; i < count; i++) {
        const struct quantity *force = melt_line_quantity(runs[i], MELT_PUSH_FORCE);
        if (!melt_line_of(runs[i], line))
            continue;
        line->run_count++;
        line->filament_diameter_mm =
            run_record_conditions(runs[i]->record)->number[CONDITION_FILAMENT_DIAMETER_MM];
        line->with_encoder = line->with_encoder && melt_line_quantity(runs[i], MELT_PUSH_RATE)->present;
        line->bound_count += force->present && force->at_least;
        double relative;
        push_feed_per_microstep_mm(runs[i]->record, calibration, &relative);
        line->rate_relative_uncertainty = relative;
    }
    if (line->with_encoder)
        line->rate_relative_uncertainty = calibration->encoder_standard_uncertainty_mm_per_count / encoder;
}

static int by_temperature(const void *a, const void *b)
{
    double p = ((const struct melt_line *)a)->temperature_c;
    double q = ((const struct melt_line *)b)->temperature_c;
    return p < q ? -1 : p > q;
}

size_t melt_line_find(const struct run_result *const *runs, size_t count,
                      const struct bench_test_context *context, struct melt_line lines[MELT_LINES_MAX],
                      size_t *without, size_t *beyond)
{
    size_t n = 0;
    *without = *beyond = 0;
    for (size_t i = 0; i < count; i++) {
        double t;
        size_t j = 0;
        if (!temperature_of(runs[i], &t)) {
            *without += runs[i]->analysed;
            continue;
        }
        while (j < n && !melt_line_of(runs[i], &lines[j]))
            j++;
        if (j < n)
            continue;
        if (n == MELT_LINES_MAX) {
            ++*beyond;
            continue;
        }
        lines[n++] = (struct melt_line){.temperature_c = t};
    }
    qsort(lines, n, sizeof *lines, by_temperature);
    for (size_t j = 0; j < n; j++) {
        begin_line(runs, count, context, &lines[j]);
        find_creep(runs, count, context, &lines[j]);
        fit_line(runs, count, &lines[j]);
    }
    return n;
}

double melt_line_force_n(const struct melt_line *line, double rate_mm3_s, double *scatter_n, double *creep_n)
{
    double force = load_line_at(&line->fit, rate_mm3_s, scatter_n);
    *creep_n = fabs(load_line_at(&line->fit_creep, rate_mm3_s, NULL) - force);
    return force;
}
