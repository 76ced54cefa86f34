#include "analyze/numerics/limit_cause.h"

#include <gsl/gsl_math.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* How well feed of a cycle or a tooth is known from nominal dimensions, and how regular tearing at the pitch
 * is. */
#define CYCLE_RELATIVE_SD 0.03
#define PITCH_RELATIVE_SD 0.04
/* Relative scatter of regular distances from one drop to the next, beyond what measuring adds, and of
 * irregular ones. */
#define REGULAR_SCATTER 0.03
static const double IRREGULAR_SCATTER[] = {0.1, 0.2, 0.35, 0.5};
/* Fallbacks of no pattern lie anywhere between these, every decade as likely. */
#define FALLBACK_LEAST_MM    0.01
#define FALLBACK_GREATEST_MM 10.0
/* No distance is measured better than this. */
#define MEASURED_SD_LEAST_MM 0.0005
/* One drop in fifty may be something else altogether. */
#define OTHER_SHARE 0.02
/* exp(-9^2 / 2) is 3e-18. */
#define NEAR_SDS 9.0
/* Drops of one run share their errors of scale: past this many, more say nothing new. */
#define DROPS_WORTH 10.0
/* A loading may show gross slip before the motor gives way, and seldom hides it before the grip does. */
#define ONSET_GIVEN_MOTOR 0.3
#define ONSET_GIVEN_GRIP  0.93
/* Shares beforehand: causes that are neither of the two are rarer than either. */
static const double BEFOREHAND[LIMIT_CAUSE_KINDS] = {0.475, 0.475, 0.05};
#define SETTLED_GIVEN_MOTOR 0.005
#define SETTLED_GIVEN_GRIP  0.5
#define TICKS_GIVEN_GRIP    0.001

/* Distances to be explained, one per drop, with the most that each could have been. What is not known of them
 * alike for all drops of the run must not count anew with each: it is averaged over once. */
struct distances {
    size_t n;
    double *mm, *most_mm;
    double *other,
        *log_other;      /* of each: density of its being something else altogether, and its logarithm */
    double sd_mm;        /* of each by itself */
    double common_sd_mm; /* of all of them together */
};

/* Density of a normal error; 0 so far out that beside "something else" it changes no digit: most distances
 * are far from most units that are tried. */
static double near_density(double error_mm, double sd_mm)
{
    double u = error_mm / sd_mm;
    return fabs(u) < NEAR_SDS ? exp(-0.5 * u * u) / (sd_mm * sqrt(2 * M_PI)) : 0;
}

/* Density of one distance when it is a whole number of units and off by what is common to the run: spread by
 * what measuring adds and by scatter (spread_mm). Where the force did not last for that it is a complete
 * release, whose length no scatter of the unit changes. */
static double at_multiples(double distance_mm, double most_mm, double unit_mm, double common_mm,
                           double measured_sd_mm, double spread_mm, bool multiples)
{
    static const double several[] = {0.85, 0.10, 0.03, 0.02}, one[] = {1};
    const double *share = multiples ? several : one;
    double density = 0;
    for (size_t m = 1; m <= (multiples ? 4 : 1); m++) {
        double whole_mm = (double)m * unit_mm + common_mm;
        density += share[m - 1] * (whole_mm < most_mm ? near_density(distance_mm - whole_mm, spread_mm)
                                                      : near_density(distance_mm - most_mm, measured_sd_mm));
    }
    return density;
}

static double log_sum(double a, double b)
{
    double high = fmax(a, b);
    return isinf(high) ? high : high + log(exp(a - high) + exp(b - high));
}

/* Log likelihood that all distances are whole numbers of one unit, whose length is known within relative_sd:
 * that error and the distances' common one are the same for the drops of a run, so they are averaged over as
 * one; each drop then scatters by what measuring and regularity add. */
static double log_regular(const struct distances *d, double unit_mm, double relative_sd, double scatter,
                          double worth, bool multiples)
{
    enum { NODES_MOST = 25 };
    int nodes = relative_sd > 0                                          ? NODES_MOST
                : d->common_sd_mm > 0.2 * (d->sd_mm + scatter * unit_mm) ? 13
                                                                         : 1;
    double total = -INFINITY, weights = 0;
    double sd_mm = fmax(d->sd_mm, MEASURED_SD_LEAST_MM), spread_mm = hypot(sd_mm, scatter * unit_mm);
    double unit_sd_mm = relative_sd * unit_mm, together_mm = hypot(unit_sd_mm, d->common_sd_mm);
    /* One normal variable stands for both errors: at one unit its spread is that of their sum. */
    double unit_step_mm = together_mm > 0 ? unit_sd_mm * unit_sd_mm / together_mm : 0;
    double common_step_mm = together_mm > 0 ? d->common_sd_mm * d->common_sd_mm / together_mm : 0;
    if (!(unit_mm > 0))
        return -INFINITY;
    for (int i = 0; i < nodes; i++) {
        double z = nodes > 1 ? -3 + 6.0 * i / (nodes - 1) : 0, sum = 0, weight = exp(-0.5 * z * z);
        for (size_t j = 0; j < d->n; j++) {
            double density = at_multiples(d->mm[j], d->most_mm[j], unit_mm + z * unit_step_mm,
                                          z * common_step_mm, sd_mm, spread_mm, multiples);
            sum += density > 0 ? log((1 - OTHER_SHARE) * density + d->other[j]) : d->log_other[j];
        }
        total = log_sum(total, worth * sum + log(weight));
        weights += weight;
    }
    return total - log(weights);
}

/* All drops around one distance that may be anything, with that scatter: averaged over where it could be.
 * Once the unit is free its multiples explain anything, so there are none. A unit past every complete release
 * is the same as any other such; one far below every drop explains none of them: both are worked out once. */
static double log_around_any(const struct distances *d, double scatter, double worth)
{
    double span = log(FALLBACK_GREATEST_MM / FALLBACK_LEAST_MM), total = -INFINITY, least_mm = INFINITY,
           most_mm = 0, below = NAN, beyond = NAN;
    int places = (int)ceil(span / (0.6 * scatter)); /* steps well within the scatter */
    for (size_t j = 0; j < d->n; j++) {
        least_mm = fmin(least_mm, fmin(d->mm[j], d->most_mm[j]));
        most_mm = fmax(most_mm, d->most_mm[j]);
    }
    for (int i = 0; i < places; i++) {
        double unit_mm = FALLBACK_LEAST_MM * exp(span * (i + 0.5) / places), here;
        double spread_mm = 8 * (scatter * unit_mm + d->sd_mm + d->common_sd_mm);
        if (unit_mm > most_mm + spread_mm) {
            if (isnan(beyond))
                beyond = log_regular(d, unit_mm, 0, scatter, worth, false);
            here = beyond;
        } else if (unit_mm < least_mm - spread_mm) {
            if (isnan(below))
                below = log_regular(d, unit_mm, 0, scatter, worth, false);
            here = below;
        } else {
            here = log_regular(d, unit_mm, 0, scatter, worth, false);
        }
        total = log_sum(total, here);
    }
    return total - log(places);
}

static double median_of(const double *values, size_t n, double *sd)
{
    double *sorted = malloc((n + 1) * sizeof *sorted), median = 0;
    *sd = 0;
    if (sorted == NULL)
        return 0;
    memcpy(sorted, values, n * sizeof *sorted);
    gsl_sort(sorted, 1, n);
    median = gsl_stats_median_from_sorted_data(sorted, 1, n);
    if (n > 1)
        *sd = gsl_stats_sd(sorted, 1, n);
    free(sorted);
    return median;
}

static struct distances distances_in(double *columns, size_t n)
{
    return (struct distances){.n = n,
                              .mm = columns,
                              .most_mm = columns + n,
                              .other = columns + 2 * n,
                              .log_other = columns + 3 * n};
}

static void put_distance(struct distances *d, size_t j, double mm, double most_mm)
{
    d->mm[j] = mm;
    d->most_mm[j] = most_mm;
    d->other[j] = OTHER_SHARE / (fmax(mm, FALLBACK_LEAST_MM) * log(FALLBACK_GREATEST_MM / FALLBACK_LEAST_MM));
    d->log_other[j] = log(d->other[j]);
}

static void weigh_drops(const struct limit_cause_evidence *v, struct limit_cause *c)
{
    size_t n = v->drop_count;
    double *columns = malloc(8 * n * sizeof *columns), sd;
    double worth = fmin(1, DROPS_WORTH / (double)n);
    if (columns == NULL)
        return;
    struct distances motor = distances_in(columns, n), grip = distances_in(columns + 4 * n, n);
    motor.sd_mm = grip.sd_mm = v->fallback_sd_mm;
    grip.common_sd_mm =
        sqrt(fmax(0, v->slip_back_sd_mm * v->slip_back_sd_mm - v->fallback_sd_mm * v->fallback_sd_mm));
    for (size_t j = 0; j < n; j++) {
        put_distance(&motor, j, v->drops[j].fallback_mm, v->drops[j].fallback_most_mm);
        put_distance(&grip, j, v->drops[j].slip_back_mm, v->drops[j].slip_back_most_mm);
    }
    c->log_likelihood[LIMIT_CAUSE_MOTOR] =
        log_regular(&motor, v->motor_cycle_mm, hypot(CYCLE_RELATIVE_SD, v->feed_relative_sd), REGULAR_SCATTER,
                    worth, true);
    double irregular = -INFINITY;
    const size_t scatters = sizeof IRREGULAR_SCATTER / sizeof IRREGULAR_SCATTER[0];
    for (size_t i = 0; i < scatters; i++)
        irregular = log_sum(irregular, log_around_any(&grip, IRREGULAR_SCATTER[i], worth));
    irregular -= log((double)scatters);
    c->log_likelihood[LIMIT_CAUSE_GRIP] = log_sum(
        log(0.5) + log_regular(&grip, v->tooth_pitch_mm, hypot(PITCH_RELATIVE_SD, v->feed_relative_sd),
                               REGULAR_SCATTER, worth, true),
        log(0.5) + irregular);
    c->log_likelihood[LIMIT_CAUSE_NEITHER] = log_around_any(&grip, REGULAR_SCATTER, worth);
    double fallback = median_of(motor.mm, n, &sd), slip_back = median_of(grip.mm, n, &sd);
    if (v->motor_cycle_mm > 0)
        c->cycles = fallback / v->motor_cycle_mm;
    if (v->tooth_pitch_mm > 0)
        c->pitches = slip_back / v->tooth_pitch_mm;
    if (slip_back > 0)
        c->scatter = sqrt(fmax(0, sd * sd - v->slip_back_sd_mm * v->slip_back_sd_mm)) / slip_back;
    free(columns);
}

struct limit_cause limit_cause_weigh(const struct limit_cause_evidence *v)
{
    struct limit_cause c = {0};
    double total = -INFINITY;
    if (v->drop_count > 0) {
        weigh_drops(v, &c);
    } else if (v->settled && v->ticks_seen) {
        c.log_likelihood[LIMIT_CAUSE_MOTOR] = log(SETTLED_GIVEN_GRIP);
        c.log_likelihood[LIMIT_CAUSE_GRIP] = log(TICKS_GIVEN_GRIP);
        c.log_likelihood[LIMIT_CAUSE_NEITHER] = log(SETTLED_GIVEN_MOTOR);
    } else if (v->settled) {
        c.log_likelihood[LIMIT_CAUSE_MOTOR] =
            log(v->cycles_hidden ? SETTLED_GIVEN_GRIP : SETTLED_GIVEN_MOTOR);
        c.log_likelihood[LIMIT_CAUSE_GRIP] = log(SETTLED_GIVEN_GRIP);
        c.log_likelihood[LIMIT_CAUSE_NEITHER] = log(SETTLED_GIVEN_MOTOR);
    }
    if (v->onset_known) {
        c.log_likelihood[LIMIT_CAUSE_MOTOR] +=
            log(v->onset_found ? ONSET_GIVEN_MOTOR * fmax(0.02, 1 - v->lost_share_before)
                               : 1 - ONSET_GIVEN_MOTOR);
        c.log_likelihood[LIMIT_CAUSE_GRIP] += log(v->onset_found ? ONSET_GIVEN_GRIP : 1 - ONSET_GIVEN_GRIP);
        c.log_likelihood[LIMIT_CAUSE_NEITHER] += log(0.5);
    }
    for (int k = 0; k < LIMIT_CAUSE_KINDS; k++)
        total = log_sum(total, c.log_likelihood[k] + log(BEFOREHAND[k]));
    for (int k = 0; k < LIMIT_CAUSE_KINDS; k++)
        c.probability[k] = BEFOREHAND[k] * exp(c.log_likelihood[k] - total);
    return c;
}
