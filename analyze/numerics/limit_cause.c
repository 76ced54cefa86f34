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
static const double REGULAR_SCATTER[] = {0.005, 0.03};
enum { REGULAR_SCATTERS = sizeof REGULAR_SCATTER / sizeof REGULAR_SCATTER[0] };
static const double IRREGULAR_SCATTER[] = {0.1, 0.2, 0.35, 0.5};
/* Share of a cycle that the nip creeps by while a motor comes round again, and how much more feed than it
 * needs for its load a grip takes at most. Both are estimates. */
#define CREEP_OF_CYCLE 0.01
#define SLIPPING_MOST  3.0
/* Fallbacks of no pattern lie anywhere between these, every decade as likely. */
#define FALLBACK_LEAST_MM    0.01
#define FALLBACK_GREATEST_MM 10.0
/* No distance is measured better than this. */
#define MEASURED_SD_LEAST_MM 0.0005
/* One drop in fifty may be something else altogether. */
#define OTHER_SHARE 0.02
/* exp(-9^2 / 2) is 3e-18. */
#define NEAR_SDS 9.0
/* exp(-35) is 6e-16. */
#define NEGLIGIBLE 35.0
/* Drops that are weighed: of more, these many spread over the run. */
#define DROPS_MOST 32
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
    double *per_other;    /* of each: 1 - OTHER_SHARE over its density as something else altogether */
    double other_least;   /* of these densities */
    double log_other_sum; /* of their logarithms */
    double median_mm;     /* of all distances of the run */
    double sd_mm;         /* of each by itself */
    double common_sd_mm;  /* of all of them together */
};

/* A normal error, for many densities of it. */
struct normal_error {
    double reach_mm, per_mm, height; /* height: density of no error */
};

static struct normal_error normal_error_of(double sd_mm)
{
    return (struct normal_error){NEAR_SDS * sd_mm, 1 / sd_mm, 1 / (sd_mm * sqrt(2 * M_PI))};
}

/* Density of such an error; 0 so far out that beside "something else" it changes no digit: most distances are
 * far from most units that are tried. */
static inline double near_density(double error_mm, const struct normal_error *e)
{
    double u = error_mm * e->per_mm;
    return fabs(error_mm) < e->reach_mm ? e->height * exp(-0.5 * u * u) : 0;
}

/* Density of one distance when it is a whole number of units and off by what is common to the run: spread by
 * what measuring adds and by scatter. Where the force did not last for that it is a complete release, whose
 * length no scatter of the unit changes. */
static inline double at_multiples(double distance_mm, double most_mm, double unit_mm, double common_mm,
                                  const struct normal_error *measured, const struct normal_error *spread,
                                  bool multiples)
{
    static const double several[] = {0.85, 0.10, 0.03, 0.02}, one[] = {1};
    const double *share = multiples ? several : one;
    double density = 0;
    for (size_t m = 1; m <= (multiples ? 4 : 1); m++) {
        double whole_mm = (double)m * unit_mm + common_mm;
        density += share[m - 1] * (whole_mm < most_mm ? near_density(distance_mm - whole_mm, spread)
                                                      : near_density(distance_mm - most_mm, measured));
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
 * one; each drop then scatters by what measuring and regularity add. What would not come within
 * exp(-NEGLIGIBLE) of *best, the greatest that was met so far, is given up half way. */
static double log_regular(const struct distances *d, double unit_mm, double relative_sd, double scatter,
                          double worth, bool multiples, double best)
{
    enum { NODES_MOST = 25, STRIDE = 8 };
    int nodes = relative_sd > 0                                          ? NODES_MOST
                : d->common_sd_mm > 0.2 * (d->sd_mm + scatter * unit_mm) ? 13
                                                                         : 1;
    double total = -INFINITY, weights = 0;
    double sd_mm = fmax(d->sd_mm, MEASURED_SD_LEAST_MM);
    const struct normal_error measured = normal_error_of(sd_mm);
    const struct normal_error spread = normal_error_of(hypot(sd_mm, scatter * unit_mm));
    double unit_sd_mm = relative_sd * unit_mm, together_mm = hypot(unit_sd_mm, d->common_sd_mm);
    /* One normal variable stands for both errors: at one unit its spread is that of their sum. */
    double unit_step_mm = together_mm > 0 ? unit_sd_mm * unit_sd_mm / together_mm : 0;
    double common_step_mm = together_mm > 0 ? d->common_sd_mm * d->common_sd_mm / together_mm : 0;
    /* No distance is likelier than at the very middle of the narrower of the two spreads. */
    double log_most = log(1 + (1 - OTHER_SHARE) / (sd_mm * sqrt(2 * M_PI) * d->other_least));
    if (!(unit_mm > 0))
        return -INFINITY;
    for (int i = 0; i < nodes; i++) {
        double z = nodes > 1 ? -3 + 6.0 * i / (nodes - 1) : 0, sum = d->log_other_sum;
        for (size_t j = 0; j < d->n; j += STRIDE) {
            double ratio = 1;
            if (worth * (sum + (double)(d->n - j) * log_most) < best - NEGLIGIBLE) {
                sum = -INFINITY;
                break;
            }
            for (size_t k = j; k < d->n && k < j + STRIDE; k++)
                ratio *= 1 + at_multiples(d->mm[k], d->most_mm[k], unit_mm + z * unit_step_mm,
                                          z * common_step_mm, &measured, &spread, multiples) *
                                 d->per_other[k];
            sum += ratio > 1 ? log(ratio) : 0;
        }
        total = log_sum(total, worth * sum - 0.5 * z * z);
        weights += exp(-0.5 * z * z);
    }
    return total - log(weights);
}

/* The same for a unit that is expected, cycle or pitch: averaged over how regular the drops may be. */
static double log_of_unit(const struct distances *d, double unit_mm, double relative_sd, double worth)
{
    double total = -INFINITY;
    for (size_t i = 0; i < REGULAR_SCATTERS; i++)
        total = log_sum(total, log_regular(d, unit_mm, relative_sd, REGULAR_SCATTER[i], worth, true, total));
    return total - log(REGULAR_SCATTERS);
}

/* All drops around one distance that may be anything, with that scatter: averaged over where it could be.
 * Once the unit is free its multiples explain anything, so there are none. A unit past every complete release
 * is the same as any other such; one far below every drop explains none of them: both are worked out once. */
static double log_around_any(const struct distances *d, double scatter, double worth)
{
    double span = log(FALLBACK_GREATEST_MM / FALLBACK_LEAST_MM), total = -INFINITY, least_mm = INFINITY,
           most_mm = 0, below = NAN, beyond = NAN,
           best = log_regular(d, d->median_mm, 0, scatter, worth, false, -INFINITY); /* likely, or near it */
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
                beyond = log_regular(d, unit_mm, 0, scatter, worth, false, best);
            here = beyond;
        } else if (unit_mm < least_mm - spread_mm) {
            if (isnan(below))
                below = log_regular(d, unit_mm, 0, scatter, worth, false, best);
            here = below;
        } else {
            here = log_regular(d, unit_mm, 0, scatter, worth, false, best);
        }
        total = log_sum(total, here);
        best = fmax(best, here);
    }
    return total - log(places);
}

/* Median and scatter of n values, which are left sorted. */
static double median_of(double *values, size_t n, double *sd)
{
    gsl_sort(values, 1, n);
    *sd = n > 1 ? gsl_stats_sd(values, 1, n) : 0;
    return gsl_stats_median_from_sorted_data(values, 1, n);
}

static struct distances distances_in(double *columns, size_t room)
{
    return (struct distances){
        .mm = columns, .most_mm = columns + room, .per_other = columns + 2 * room, .other_least = INFINITY};
}

static void add_distance(struct distances *d, double mm, double most_mm)
{
    double other =
        OTHER_SHARE / (fmax(mm, FALLBACK_LEAST_MM) * log(FALLBACK_GREATEST_MM / FALLBACK_LEAST_MM));
    d->mm[d->n] = mm;
    d->most_mm[d->n] = most_mm;
    d->per_other[d->n] = (1 - OTHER_SHARE) / other;
    d->other_least = fmin(d->other_least, other);
    d->log_other_sum += log(other);
    d->n++;
}

struct limit_cause limit_cause_of_drops(const struct limit_cause_evidence *v)
{
    struct limit_cause c = {0};
    size_t n = v->drop_count, weighed = n < DROPS_MOST ? n : DROPS_MOST;
    double columns[6 * DROPS_MOST], sd;
    double worth = fmin(1, DROPS_WORTH / (double)n) * (double)n / (double)weighed;
    double *all = malloc((2 * n + 1) * sizeof *all);
    if (n == 0 || all == NULL) {
        free(all);
        return c;
    }
    for (size_t j = 0; j < n; j++) {
        all[j] = v->drops[j].fallback_mm;
        all[n + j] = v->drops[j].slip_back_mm;
    }
    double fallback = median_of(all, n, &sd), slip_back = median_of(all + n, n, &sd);
    struct distances motor = distances_in(columns, DROPS_MOST);
    struct distances grip = distances_in(columns + 3 * DROPS_MOST, DROPS_MOST);
    motor.sd_mm = grip.sd_mm = v->fallback_sd_mm;
    grip.common_sd_mm =
        sqrt(fmax(0, v->slip_back_sd_mm * v->slip_back_sd_mm - v->fallback_sd_mm * v->fallback_sd_mm));
    grip.median_mm = slip_back;
    for (size_t i = 0; i < weighed; i++) {
        const struct limit_cause_drop *drop = &v->drops[i * n / weighed];
        add_distance(&motor, drop->fallback_mm, drop->fallback_most_mm);
        add_distance(&grip, drop->slip_back_mm, drop->slip_back_most_mm);
    }
    c.log_likelihood[LIMIT_CAUSE_MOTOR] =
        log_of_unit(&motor, v->motor_cycle_mm, hypot(CYCLE_RELATIVE_SD, v->relative_sd), worth);
    double irregular = -INFINITY;
    const size_t scatters = sizeof IRREGULAR_SCATTER / sizeof IRREGULAR_SCATTER[0];
    for (size_t i = 0; i < scatters; i++)
        irregular = log_sum(irregular, log_around_any(&grip, IRREGULAR_SCATTER[i], worth));
    irregular -= log((double)scatters);
    c.log_likelihood[LIMIT_CAUSE_GRIP] = log_sum(
        log(0.5) + log_of_unit(&grip, v->tooth_pitch_mm, hypot(PITCH_RELATIVE_SD, v->relative_sd), worth),
        log(0.5) + irregular);
    c.log_likelihood[LIMIT_CAUSE_NEITHER] =
        log_around_any(&grip, REGULAR_SCATTER[REGULAR_SCATTERS - 1], worth);
    if (v->motor_cycle_mm > 0)
        c.cycles = fallback / v->motor_cycle_mm;
    if (v->tooth_pitch_mm > 0)
        c.pitches = slip_back / v->tooth_pitch_mm;
    if (slip_back > 0)
        c.scatter = sqrt(fmax(0, sd * sd - v->slip_back_sd_mm * v->slip_back_sd_mm)) / slip_back;
    free(all);
    return c;
}

static double log_recurs_anyhow(const struct limit_cause_evidence *v)
{
    return -log(v->recurs_mm * log(FALLBACK_GREATEST_MM / FALLBACK_LEAST_MM));
}

/* A cycle, or now and then two, and what the nip creeps by meanwhile. */
static double log_recurs_as_motor(const struct limit_cause_evidence *v)
{
    double density = OTHER_SHARE * exp(log_recurs_anyhow(v));
    for (int m = 1; m <= 2; m++) {
        double cycle_mm = m * v->motor_cycle_mm;
        const struct normal_error error =
            normal_error_of(hypot(CYCLE_RELATIVE_SD, v->feed_relative_sd) * cycle_mm);
        density += (1 - OTHER_SHARE) * (m == 1 ? 0.9 : 0.1) *
                   near_density(v->recurs_mm - (1 + CREEP_OF_CYCLE) * cycle_mm, &error);
    }
    return log(density);
}

/* What the force needs, or as much more as gross slip takes before the grip gives way again. */
static double log_recurs_as_grip(const struct limit_cause_evidence *v)
{
    double slipping = v->recurs_mm > v->reload_mm && v->recurs_mm < SLIPPING_MOST * v->reload_mm
                          ? 1 / (v->recurs_mm * log(SLIPPING_MOST))
                          : 0;
    const struct normal_error error = normal_error_of(v->reload_sd_mm);
    return log(OTHER_SHARE * exp(log_recurs_anyhow(v)) +
               (1 - OTHER_SHARE) *
                   (0.5 * near_density(v->recurs_mm - v->reload_mm, &error) + 0.5 * slipping));
}

struct limit_cause limit_cause_weigh(const struct limit_cause_evidence *v)
{
    struct limit_cause drops = limit_cause_of_drops(v);
    return limit_cause_weigh_with(v, &drops);
}

struct limit_cause limit_cause_weigh_with(const struct limit_cause_evidence *v,
                                          const struct limit_cause *drops)
{
    struct limit_cause c = {0};
    double total = -INFINITY;
    if (v->drop_count > 0) {
        c = *drops;
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
    if (v->drop_count > 0 && v->recurs_mm > 0) {
        c.log_likelihood[LIMIT_CAUSE_MOTOR] += log_recurs_as_motor(v);
        c.log_likelihood[LIMIT_CAUSE_GRIP] += log_recurs_as_grip(v);
        c.log_likelihood[LIMIT_CAUSE_NEITHER] += log_recurs_anyhow(v);
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
