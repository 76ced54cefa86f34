#include "analyze/push_motion.h"

#include "analyze/numerics/budget.h"
#include "analyze/push.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
/* Samples left out beside the motion: the filament needs a moment to spring back. */
#define SETTLE_TIME_US 100000
/* The reading after the push is at rest when its halves differ by no more than this many standard errors:
 * slow drift and mains pick-up have room, a spring that is still letting go has not. */
#define REST_SDS 20.0
/* Blocks of a quiet stretch whose means tell how well its mean is known. */
#define NOISE_BLOCKS 10
/* Braking has begun where the feed runs slower than this share of its speed. */
#define BRAKING_SHARE 0.97
/* A commanded position that goes back by no more counts has not turned round. */
#define TURN_COUNTS 2
/* Standard uncertainties of a time stamp within which a reading may be from after the end of the motion. */
#define END_GUARD_SDS 3.0

void push_motion_flag(struct push_result *r, const char *format, ...)
{
    va_list arguments;
    if (r->flag_count >= PUSH_FLAGS_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(r->flags[r->flag_count++], sizeof r->flags[0], format, arguments);
    va_end(arguments);
}

double push_feed_per_microstep_mm(const struct run_record *record, const struct calibration *calibration,
                                  double *relative)
{
    double counts = (double)record->full_steps_per_rev * record->microsteps * record->reduction;
    for (size_t i = 0; i < calibration->feed_count; i++) {
        const struct calibration_feed *f = &calibration->feeds[i];
        if (strcmp(f->feeder, record->feeder) == 0) {
            if (relative != NULL)
                *relative = f->standard_uncertainty_mm_per_microstep / f->mm_per_microstep;
            return f->mm_per_microstep;
        }
    }
    if (relative != NULL)
        *relative = record->drive_diameter_standard_uncertainty_mm / record->drive_diameter_mm;
    return PI * record->drive_diameter_mm / counts;
}

void push_motion_free(struct push_motion *m)
{
    free(m->force_n);
    free(m->feed_mm);
    free(m->lost_mm);
    free(m->time_s);
    free(m->quiet_n);
    free(m->legs);
}

/* By the multiples of the golden ratio. */
double push_motion_dither(size_t i)
{
    double x = (double)i * 0.6180339887498949;
    return x - floor(x) - 0.5;
}

struct zero {
    double counts, sd_counts, middle_us;
    size_t n;
};

static struct zero mean_between(const struct run_columns *c, int64_t low_us, int64_t high_us)
{
    struct zero z = {0};
    double sum = 0, square = 0, time = 0;
    for (size_t i = run_columns_from(c, low_us); i < c->n && c->time_us[i] < high_us; i++) {
        if (c->flags[i] & RUN_FLAG_OVER_RANGE)
            continue;
        double d = (double)c->force_counts[i] - (double)c->force_counts[0];
        sum += d;
        square += d * d;
        time += (double)c->time_us[i];
        z.n++;
    }
    if (z.n == 0)
        return z;
    z.counts = sum / (double)z.n + (double)c->force_counts[0];
    z.middle_us = time / (double)z.n;
    if (z.n > 1)
        z.sd_counts = sqrt(fmax(0, (square - sum * sum / (double)z.n) / (double)(z.n - 1)));
    return z;
}

/* When the motor was cut after the push: the event that says so, else the end of the motion. */
static int64_t cut_time_us(const struct run_record *record)
{
    for (size_t i = record->event_count; i-- > 0;) {
        if (strcmp(record->events[i].text, "motor cut") == 0 &&
            record->events[i].time_us >= record->push_end_us)
            return record->events[i].time_us;
    }
    return record->push_end_us;
}

/* The reading at rest after the push: the last half of what follows the cut, or nothing where that is not at
 * rest yet (its two halves differ by more than its scatter allows). */
static struct zero rest_after(const struct run_columns *c, const struct run_record *record)
{
    struct zero none = {0}, first, second;
    int64_t last_us = c->n > 0 ? c->time_us[c->n - 1] : 0, cut_us = cut_time_us(record) + SETTLE_TIME_US;
    int64_t from_us = cut_us + (last_us - cut_us) / 2, middle_us = from_us + (last_us - from_us) / 2;
    if (from_us >= last_us)
        return none;
    first = mean_between(c, from_us, middle_us);
    second = mean_between(c, middle_us, INT64_MAX);
    if (first.n < PUSH_MOTION_QUIET_LEAST / 2 || second.n < PUSH_MOTION_QUIET_LEAST / 2)
        return none;
    double allowed =
        REST_SDS * hypot(first.sd_counts / sqrt((double)first.n), second.sd_counts / sqrt((double)second.n));
    /* A count is the least that can be told apart. */
    if (fabs(first.counts - second.counts) > allowed + 2)
        return none;
    return mean_between(c, from_us, INT64_MAX);
}

/* Standard error of the mean of a quiet stretch, counts: from the scatter of the means of its blocks where
 * that is more than white noise would give, because mains pick-up and filtered noise do not average out
 * sample by sample. */
static double mean_noise_counts(const struct run_columns *c, int64_t low_us, int64_t high_us,
                                const struct zero *whole)
{
    double white = whole->sd_counts / sqrt((double)whole->n), square = 0;
    int64_t last_us = high_us < c->time_us[c->n - 1] ? high_us : c->time_us[c->n - 1] + 1;
    if (whole->n < (size_t)NOISE_BLOCKS * 4)
        return white;
    for (int i = 0; i < NOISE_BLOCKS; i++) {
        struct zero block = mean_between(c, low_us + (last_us - low_us) * i / NOISE_BLOCKS,
                                         low_us + (last_us - low_us) * (i + 1) / NOISE_BLOCKS);
        if (block.n == 0)
            return white;
        square += (block.counts - whole->counts) * (block.counts - whole->counts);
    }
    return fmax(white, sqrt(square / (NOISE_BLOCKS - 1) / NOISE_BLOCKS));
}

/* Commanded feed is recorded in whole microsteps; a centred average over a few of them takes the staircase
 * away and is exact at constant speed. The half width spans at least 4 counts. */
static void smooth_feed(double *feed_mm, size_t n, double step_mm)
{
    double travel = fabs(feed_mm[n - 1] - feed_mm[0]);
    double per_sample = travel / (double)(n - 1);
    size_t half;
    double *sums;
    if (!(per_sample > 0) || per_sample > 8 * step_mm)
        return;
    half = (size_t)ceil(4 * step_mm / per_sample);
    if (half > n / 8)
        half = n / 8;
    sums = malloc((n + 1) * sizeof *sums);
    if (sums == NULL)
        return;
    sums[0] = 0;
    for (size_t i = 0; i < n; i++)
        sums[i + 1] = sums[i] + feed_mm[i];
    for (size_t i = 0; i < n; i++) {
        size_t h = half;
        if (h > i)
            h = i;
        if (h > n - 1 - i)
            h = n - 1 - i;
        feed_mm[i] = (sums[i + h + 1] - sums[i - h]) / (double)(2 * h + 1);
    }
    free(sums);
}

/* No reading of a gauge is known better than to half of its last digit either way. */
static void take_gauge(double digit_n, double count_n, struct push_motion *m, struct push_result *r)
{
    m->separate = true;
    m->resolution_n = fmax(digit_n, count_n) / sqrt(12.0);
    m->gauge_hides_noise = r->noise_n < m->resolution_n;
    r->noise_n = fmax(r->noise_n, m->resolution_n);
}

/* Zero before and after, in counts, drawn as a straight line through the run; noise from the stretch before.
 */
static enum err_code take_zero(const struct run_columns *c, const struct run_record *record,
                               const struct calibration *calibration, struct push_motion *m,
                               struct push_result *r, double drift_limit_n, double *slope_counts_us,
                               double *middle_us, struct err *e)
{
    struct zero before = mean_between(c, 0, record->push_start_us);
    struct zero after = rest_after(c, record);
    double per_n = fabs(calibration_counts(calibration, 1, 0) - calibration_counts(calibration, 0, 0));
    if (before.n < PUSH_MOTION_QUIET_LEAST)
        return err_set(e, ERR_NO_ANSWER, "only %zu unloaded samples before the push: no zero can be taken",
                       before.n);
    r->zero_counts = before.counts;
    r->noise_n = before.sd_counts / per_n;
    *slope_counts_us = 0;
    *middle_us = before.middle_us;
    m->zero_noise_n = mean_noise_counts(c, 0, record->push_start_us, &before) / per_n;
    m->resolution_n = 1 / per_n / sqrt(12.0);
    if (after.n < PUSH_MOTION_QUIET_LEAST) {
        /* What the zero may have done meanwhile is not known; it is taken to have kept within the limit. */
        m->zero_drift_uncertainty_n = budget_rectangular(drift_limit_n);
        push_motion_flag(r, "no unloaded reading at rest after the push: drift is not corrected");
    } else {
        r->zero_seen_after = true;
        r->zero_drift_n = calibration_force_n(calibration, after.counts, before.counts);
        m->zero_noise_n =
            hypot(m->zero_noise_n, mean_noise_counts(c, (int64_t)(2 * after.middle_us) - c->time_us[c->n - 1],
                                                     INT64_MAX, &after) /
                                       per_n) /
            sqrt(2.0);
        if (fabs(r->zero_drift_n) <= drift_limit_n) {
            *slope_counts_us = (after.counts - before.counts) / (after.middle_us - before.middle_us);
            /* The drift between the two zeros is taken as a straight line; how far it strays from one is not
             * seen. A rectangle of half the drift either way at mid-run covers it. */
            m->zero_drift_uncertainty_n = budget_rectangular(fabs(r->zero_drift_n) / 2);
        } else {
            /* That much is no slow drift: filament left on the cell, a knock. When it happened is not known,
             * so nothing is taken off, and the zero may have been anywhere between none of it and all. */
            m->zero_drift_uncertainty_n = budget_rectangular(fabs(r->zero_drift_n));
            push_motion_flag(
                r, "the zero moved by %.3g N, more than %.3g N: not corrected, but in the uncertainty",
                r->zero_drift_n, drift_limit_n);
        }
    }
    if (record->separate != NULL)
        take_gauge(record->separate->force_resolution_n, 1 / per_n, m, r);
    m->quiet_n = calloc(before.n, sizeof *m->quiet_n);
    if (m->quiet_n == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", before.n);
    for (size_t i = 0; i < c->n && m->quiet_count < before.n; i++) {
        if (c->time_us[i] < record->push_start_us && !(c->flags[i] & RUN_FLAG_OVER_RANGE))
            m->quiet_n[m->quiet_count++] =
                calibration_force_n(calibration, c->force_counts[i], before.counts);
    }
    /* A gauge that shows the same digit all the time hides its noise: any value that it rounds so may be. */
    for (size_t i = 0; m->gauge_hides_noise && i < m->quiet_count; i++)
        m->quiet_n[i] += m->resolution_n * sqrt(12.0) * push_motion_dither(i);
    return ERR_OK;
}

/* While the motor brakes it turns slower and may push harder than at the speed in question: the push ends
 * where the braking begins. */
static void leave_out_braking(const struct run_columns *c, size_t first, struct push_motion *m,
                              double speed_mm_s)
{
    size_t window = m->n / 200 + 8;
    while (m->n > 4 * window) {
        size_t last = m->n - 1;
        double span_s = (double)(c->time_us[first + last] - c->time_us[first + last - window]) * 1e-6;
        if (m->feed_mm[last] - m->feed_mm[last - window] >= BRAKING_SHARE * speed_mm_s * span_s)
            break;
        m->n--;
    }
}

/* The first and the last sample of the motion. */
struct stretch {
    size_t first, last;
};

/* Rows before the first at which the converter was at an end of its range. */
static size_t rows_in_range(const uint8_t *flags, size_t n)
{
    size_t i = 0;
    while (i < n && !(flags[i] & RUN_FLAG_OVER_RANGE))
        i++;
    return i;
}

static void take_forces(const struct run_columns *c, size_t first, const struct calibration *calibration,
                        double slope_counts_us, double middle_us, struct push_motion *m,
                        struct push_result *r)
{
    const int64_t *time_us = c->time_us + first;
    const int32_t *counts = c->force_counts + first;
    double greatest = r->greatest_force_n; /* in a register, which *r could not be */
    for (size_t i = 0; i < m->n; i++) {
        double time = (double)time_us[i], zero = r->zero_counts + slope_counts_us * (time - middle_us);
        double force_n = calibration_force_n(calibration, counts[i], zero);
        m->time_s[i] = time * 1e-6;
        m->force_n[i] = force_n;
        if (force_n > greatest)
            greatest = force_n;
    }
    r->greatest_force_n = greatest;
}

/* Everything of samples first to last, in newtons and millimetres and with its zero taken off; m->n is cut
 * short where the converter came to the end of its range. */
static enum err_code take_samples(const struct run_columns *c, const struct stretch *s,
                                  const struct calibration *calibration, double per_microstep,
                                  double slope_counts_us, double middle_us, struct push_motion *m,
                                  struct push_result *r, struct err *e)
{
    m->n = s->last - s->first + 1;
    r->with_encoder = c->encoder_counts != NULL && calibration->encoder_mm_per_count != 0;
    m->force_n = malloc(m->n * sizeof *m->force_n);
    m->feed_mm = malloc(m->n * sizeof *m->feed_mm);
    m->time_s = malloc(m->n * sizeof *m->time_s);
    m->lost_mm = r->with_encoder ? malloc(m->n * sizeof *m->lost_mm) : NULL;
    if (m->force_n == NULL || m->feed_mm == NULL || m->time_s == NULL ||
        (r->with_encoder && m->lost_mm == NULL))
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", m->n);
    m->n = rows_in_range(c->flags + s->first, m->n);
    m->saturated = m->n < s->last - s->first + 1;
    take_forces(c, s->first, calibration, slope_counts_us, middle_us, m, r);
    const int32_t *steps = c->commanded_steps + s->first;
    for (size_t i = 0; i < m->n; i++)
        m->feed_mm[i] = per_microstep * ((double)steps[i] - (double)steps[0]);
    if (m->n < PUSH_MOTION_QUIET_LEAST)
        return err_set(e, ERR_NO_ANSWER,
                       "the converter was at the end of its range from the start of the push");
    return ERR_OK;
}

/* After the commanded feed has been smoothed. */
static void take_lost(const struct run_columns *c, size_t first, const struct calibration *calibration,
                      struct push_motion *m)
{
    for (size_t i = 0; i < m->n && m->lost_mm != NULL; i++)
        m->lost_mm[i] =
            m->feed_mm[i] - calibration->encoder_mm_per_count *
                                ((double)c->encoder_counts[first + i] - (double)c->encoder_counts[first]);
}

/* Flags what is odd about samples first to last, and finds the speed of the middle half of them. */
static void look_over(const struct run_columns *c, size_t first, const struct run_record *record,
                      const struct push_motion *m, size_t n, struct push_result *r)
{
    size_t last = first + m->n - 1, jumps = 0, quarter = n / 4;
    /* Median sampling interval from the whole stretch; a jump of three times as much is a hole in the record.
     */
    double interval_us = (double)(c->time_us[last] - c->time_us[first]) / (double)(m->n - 1);
    for (size_t j = first + 1; j <= last; j++)
        jumps += (double)(c->time_us[j] - c->time_us[j - 1]) > 3 * interval_us;
    r->speed_mm_s = (m->feed_mm[n - 1 - quarter] - m->feed_mm[quarter]) /
                    (m->time_s[n - 1 - quarter] - m->time_s[quarter]);
    if (m->saturated)
        push_motion_flag(
            r, "the converter came to the end of its range during the push: the force beyond is not known");
    if (jumps > 0 || record->gaps > 0)
        push_motion_flag(r, "%lld gaps in the record, %zu of them during the push", (long long)record->gaps,
                         jumps);
}

/* Readings of separate instruments so close to the end of the motion that they may be from after it, when the
 * motor is cut and the force falls. */
static int64_t end_guard_us(const struct run_record *record)
{
    const struct run_separate *s = record->separate;
    if (s == NULL)
        return 0;
    return (int64_t)(END_GUARD_SDS * 1e6 *
                     hypot(s->force_interval_sd_s, hypot(s->force_latency_standard_uncertainty_s,
                                                         s->feed_latency_standard_uncertainty_s)));
}

/* The sample before the first that moves (forward only, or either way) and the last that does. */
static struct stretch find_motion(const struct run_columns *c, const struct run_record *record, bool back_too)
{
    const int32_t *x = c->commanded_steps;
    struct stretch s = {.first = run_columns_from(c, record->push_start_us)};
    while (s.first + 1 < c->n && (back_too ? x[s.first + 1] == x[s.first] : x[s.first + 1] <= x[s.first]))
        s.first++;
    size_t behind = run_columns_from(c, record->push_end_us - end_guard_us(record) + 1);
    s.last = behind > s.first + 1 ? behind - 1 : s.first;
    while (s.last > s.first && (back_too ? x[s.last] == x[s.last - 1] : x[s.last] <= x[s.last - 1]))
        s.last--;
    return s;
}

/* Zero, scales and the samples of the motion: what a push and a motion to and fro have in common. */
static enum err_code take_stretch(const struct run_columns *c, const struct run_record *record,
                                  const struct calibration *calibration, struct push_motion *m,
                                  struct push_result *r, double drift_limit_n, bool back_too,
                                  struct stretch *s, struct err *e)
{
    double slope = 0, middle_us = 0, per_microstep;
    m->run_number = record->number;
    enum err_code code = take_zero(c, record, calibration, m, r, drift_limit_n, &slope, &middle_us, e);
    if (code != ERR_OK)
        return code;
    per_microstep = push_feed_per_microstep_mm(record, calibration, &m->relative_feed);
    m->step_mm = per_microstep * record->microsteps;
    m->microstep_mm = per_microstep;
    *s = find_motion(c, record, back_too);
    if (s->last > s->first && s->last < s->first + PUSH_MOTION_QUIET_LEAST)
        return err_set(e, ERR_NO_ANSWER,
                       "only %zu readings while it fed, %u are the least: feed slower, or read faster",
                       s->last - s->first + 1, PUSH_MOTION_QUIET_LEAST + 1);
    if (s->last <= s->first)
        return err_set(e, ERR_NO_ANSWER, "%s",
                       back_too ? "no feed between the start and the end of the motion"
                                : "no forward feed between the start and the end of the push");
    return take_samples(c, s, calibration, per_microstep, slope, middle_us, m, r, e);
}

enum err_code push_motion_take(const struct run_columns *c, const struct run_record *record,
                               const struct calibration *calibration, struct push_motion *m,
                               struct push_result *r, double drift_limit_n, struct err *e)
{
    struct stretch s;
    enum err_code code = take_stretch(c, record, calibration, m, r, drift_limit_n, false, &s, e);
    if (code != ERR_OK)
        return code;
    for (size_t j = s.first + 1; j < s.first + m->n; j++) {
        if (c->commanded_steps[j] < c->commanded_steps[j - 1])
            return err_set(e, ERR_NO_ANSWER, "the commanded feed runs backward during the push");
    }
    smooth_feed(m->feed_mm, m->n, m->microstep_mm);
    take_lost(c, s.first, calibration, m);
    look_over(c, s.first, record, m, m->n, r);
    if (!m->saturated)
        leave_out_braking(c, s.first, m, r->speed_mm_s);
    return ERR_OK;
}

/* Where the commanded position turns round, with the first and the last sample. A turn is one when the
 * position has gone back by more than TURN_COUNTS. */
static enum err_code find_legs(const int32_t *steps, struct push_motion *m, struct err *e)
{
    size_t extreme = 0, room = 64;
    int direction = 1;
    m->legs = malloc(room * sizeof *m->legs);
    if (m->legs == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the turns of a run");
    m->legs[0] = 0;
    for (size_t i = 1; i < m->n; i++) {
        int64_t on = direction * ((int64_t)steps[i] - steps[extreme]);
        if (on > 0)
            extreme = i;
        if (on >= -TURN_COUNTS)
            continue;
        if (extreme > 0) {
            if (m->leg_count + 2 == room) {
                size_t *more = realloc(m->legs, 2 * room * sizeof *more);
                if (more == NULL)
                    return err_set(e, ERR_MEMORY, "not enough memory for the turns of a run");
                m->legs = more;
                room *= 2;
            }
            m->legs[++m->leg_count] = extreme;
        } else {
            return err_set(e, ERR_NO_ANSWER, "the commanded feed runs backward from the start");
        }
        direction = -direction;
        extreme = i;
    }
    m->legs[++m->leg_count] = m->n - 1;
    return ERR_OK;
}

/* Commanded feed between the whole counts of samples first to last, of one leg: where the count goes on by
 * one between two samples the position is taken to be half way between the counts half way between the
 * samples, and straight from there to the next. Unlike a mean over a few counts that is right while the drive
 * speeds up and brakes as well. Before the first such place and after the last the count stands as it is. */
static void feed_between_counts(const int32_t *steps, const double *time_s, size_t n, double per_microstep,
                                double *feed_mm)
{
    double knot_s = time_s[0], knot_mm = feed_mm[0];
    size_t at = 0; /* the first sample past the knot in hand */
    for (size_t i = 1; i < n; i++) {
        double step = (double)steps[i] - (double)steps[i - 1], next_s, next_mm;
        if (steps[i] == steps[i - 1])
            continue;
        bool single = fabs(step) < 1.5;
        next_s = single ? (time_s[i] + time_s[i - 1]) / 2 : time_s[i];
        next_mm =
            feed_mm[0] + per_microstep * ((double)steps[i] - (double)steps[0] - (single ? step / 2 : 0));
        for (; at < n && time_s[at] <= next_s; at++) {
            /* What comes before the first knot is the rest before the start, or the turn. */
            if (knot_s > time_s[0])
                feed_mm[at] = knot_mm + (next_mm - knot_mm) * (time_s[at] - knot_s) / (next_s - knot_s);
        }
        knot_s = next_s;
        knot_mm = next_mm;
    }
}

enum err_code push_motion_take_both_ways(const struct run_columns *c, const struct run_record *record,
                                         const struct calibration *calibration, struct push_motion *m,
                                         struct push_result *r, double drift_limit_n, struct err *e)
{
    struct stretch s;
    enum err_code code = take_stretch(c, record, calibration, m, r, drift_limit_n, true, &s, e);
    if (code == ERR_OK)
        code = find_legs(c->commanded_steps + s.first, m, e);
    if (code != ERR_OK)
        return code;
    for (size_t k = 0; k < m->leg_count; k++) {
        size_t n = m->legs[k + 1] - m->legs[k] + 1;
        if (n > 1)
            feed_between_counts(c->commanded_steps + s.first + m->legs[k], m->time_s + m->legs[k], n,
                                m->microstep_mm, m->feed_mm + m->legs[k]);
    }
    take_lost(c, s.first, calibration, m);
    look_over(c, s.first, record, m, m->legs[1] + 1, r);
    return ERR_OK;
}

/* Least and greatest of n forces, two chains of each: no comparison waits for the one before. */
static void force_ends(const double *force_n, size_t n, double *least, double *greatest)
{
    double low[2] = {force_n[0], force_n[n - 1]}, high[2] = {low[0], low[1]};
    for (size_t i = 0; i + 2 <= n; i += 2) {
        for (size_t k = 0; k < 2; k++) {
            low[k] = force_n[i + k] < low[k] ? force_n[i + k] : low[k];
            high[k] = force_n[i + k] > high[k] ? force_n[i + k] : high[k];
        }
    }
    *least = low[0] < low[1] ? low[0] : low[1];
    *greatest = high[0] > high[1] ? high[0] : high[1];
}

static size_t picture_column(double from_low_mm, double columns_per_mm)
{
    size_t column = (size_t)(from_low_mm * columns_per_mm);
    return column < PUSH_PICTURE_COLUMNS ? column : PUSH_PICTURE_COLUMNS - 1;
}

void push_motion_picture(const struct push_motion *m, struct push_picture *p)
{
    double low = m->feed_mm[0], high = m->feed_mm[m->n - 1];
    double columns_per_mm = high > low ? (PUSH_PICTURE_COLUMNS - 1) / (high - low) : 0;
    for (size_t first = 0, next; first < m->n; first = next) {
        size_t column = picture_column(m->feed_mm[first] - low, columns_per_mm);
        next = first + 1;
        while (next < m->n && picture_column(m->feed_mm[next] - low, columns_per_mm) == column)
            next++;
        p->feed_mm[p->n] = m->feed_mm[first];
        force_ends(m->force_n + first, next - first, &p->force_low_n[p->n], &p->force_high_n[p->n]);
        p->n++;
    }
}
