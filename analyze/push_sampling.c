#include "analyze/push_sampling.h"

#include <math.h>
#include <stdio.h>

/* A level: over the last part of the push the force rises by less than this share of what stiffness alone
 * would make it. Of few readings its own error of the slope must leave no doubt of it, nor of a rise. */
#define LEVEL_LEAST     4u
#define LEVEL_SLOPE     0.03
#define RISING_SLOPE    0.3
#define SLOPE_CLEAR_SDS 3.0
/* Force from one reading to the next, as a share of the greatest, above which readings are coarse. */
#define COARSE_SHARE 0.02
/* Readings from one peak to the next below which where they fall is not left to the scatter of the peaks. */
#define PEAK_READINGS 20.0
/* The same for peaks that are read off a straight line, as they are where three tenths of a rise are fewer
 * than 16 readings: it leaves out the bend of the rise. */
#define PEAK_READINGS_STRAIGHT 54.0

struct line {
    double n, sx, sy, sxx, sxy, syy;
};

static void line_add(struct line *s, double x, double y)
{
    s->n++;
    s->sx += x;
    s->sy += y;
    s->sxx += x * x;
    s->sxy += x * y;
    s->syy += y * y;
}

/* Slope, and its standard error from the scatter about the line, at least as of noise_n; false without one.
 */
static bool line_slope(const struct line *s, double noise_n, double *slope, double *error)
{
    double d = s->n * s->sxx - s->sx * s->sx, e = s->n * s->sxy - s->sx * s->sy;
    if (s->n < 3 || !(d > 0))
        return false;
    *slope = e / d;
    double rest = fmax(0, (s->n * s->syy - s->sy * s->sy - *slope * e) / s->n);
    *error = sqrt(fmax(noise_n * noise_n, rest / (s->n - 2)) * s->n / d);
    return true;
}

double push_sampling_stiffness(const struct push_motion *m, const struct push_loading *l, size_t contact,
                               size_t end)
{
    struct line line = {0};
    double top = 0, slope, error, steepest = 0;
    if (l->fitted && l->force_fit.stiffness_n_per_mm > 0)
        return l->force_fit.stiffness_n_per_mm;
    for (size_t i = contact; i < end; i++)
        top = fmax(top, m->force_n[i]);
    for (size_t i = contact; i < end; i++) {
        if (m->force_n[i] >= PUSH_LOADING_SLOPE_FROM * top && m->force_n[i] <= PUSH_LOADING_SLOPE_TO * top)
            line_add(&line, m->feed_mm[i] - m->feed_mm[contact], m->force_n[i]);
    }
    if (line_slope(&line, 0, &slope, &error) && slope > 0)
        return slope;
    for (size_t i = contact > 0 ? contact : 1; i < end; i++) {
        double step_mm = m->feed_mm[i] - m->feed_mm[i - 1];
        if (step_mm > 0)
            steepest = fmax(steepest, (m->force_n[i] - m->force_n[i - 1]) / step_mm);
    }
    return steepest;
}

void push_sampling_of(const struct push_motion *m, size_t contact, size_t end, double stiffness_n_per_mm,
                      double pitch_mm, const struct drop *drops, size_t count, struct push_result *r)
{
    struct push_sampling *s = &r->sampling;
    double steps = (double)(m->n - 1);
    s->interval_s = (m->time_s[m->n - 1] - m->time_s[0]) / steps;
    s->feed_mm = (m->feed_mm[m->n - 1] - m->feed_mm[0]) / steps;
    s->force_n = stiffness_n_per_mm * s->feed_mm;
    s->cycle_mm = PUSH_FULL_STEPS_PER_CYCLE * m->step_mm;
    s->pitch_mm = pitch_mm;
    s->cycle_readings = s->cycle_mm / s->feed_mm;
    s->pitch_readings = pitch_mm / s->feed_mm;
    s->rise_readings = end > contact ? (uint32_t)(end - contact) : 0;
    s->peak_readings = count > 1 ? (double)(drops[count - 1].index - drops[0].index) / ((double)count - 1)
                                 : (double)s->rise_readings;
    char why[160];
    s->coarse = s->force_n > COARSE_SHARE * r->greatest_force_n || push_sampling_hides_period(s, why);
}

bool push_sampling_hides_period(const struct push_sampling *s, char *why)
{
    bool cycle = s->cycle_readings < PUSH_SAMPLING_PERIOD_LEAST;
    if (!cycle && !(s->pitch_mm > 0 && s->pitch_readings < PUSH_SAMPLING_PERIOD_LEAST))
        return false;
    snprintf(
        why, 160,
        "a reading every %.2g mm of feed, %.1f in a %s of %.3f mm: below %g its drops cannot be told from "
        "others",
        s->feed_mm, cycle ? s->cycle_readings : s->pitch_readings, cycle ? "motor cycle" : "tooth pitch",
        cycle ? s->cycle_mm : s->pitch_mm, PUSH_SAMPLING_PERIOD_LEAST);
    return true;
}

double push_sampling_unseen_fall_n(const struct push_sampling *s, double stiffness_n_per_mm)
{
    double fall_mm = 0;
    if (s->cycle_readings < PUSH_SAMPLING_PERIOD_LEAST)
        fall_mm = s->cycle_mm;
    if (s->pitch_mm > 0 && s->pitch_readings < PUSH_SAMPLING_PERIOD_LEAST)
        fall_mm = fmax(fall_mm, s->pitch_mm);
    return fall_mm * stiffness_n_per_mm;
}

double push_sampling_peak_uncertainty_n(const struct push_sampling *s, bool as_motor)
{
    return s->peak_readings < (as_motor ? PEAK_READINGS : PEAK_READINGS_STRAIGHT) ? s->force_n / sqrt(12.0)
                                                                                  : 0;
}

struct push_level push_sampling_level(const struct push_motion *m, double noise_n, double stiffness_n_per_mm)
{
    struct push_level level = {.few = true};
    struct line line = {0};
    size_t n = (size_t)(PUSH_LEVEL_PART * (double)m->n);
    double slope, error, length, doubt = 0;
    if (n < LEVEL_LEAST)
        n = LEVEL_LEAST;
    if (m->n < n || !(stiffness_n_per_mm > 0))
        return level;
    size_t first = m->n - n;
    for (size_t i = first; i < m->n; i++)
        line_add(&line, m->feed_mm[i] - m->feed_mm[first], m->force_n[i]);
    if (!line_slope(&line, noise_n, &slope, &error))
        return level;
    length = m->feed_mm[m->n - 1] - m->feed_mm[first];
    level.few = n < PUSH_MOTION_QUIET_LEAST;
    if (level.few)
        doubt = SLOPE_CLEAR_SDS * error;
    level.value_n = line.sy / line.n;
    level.wander_n = fabs(slope) * length / 2 / sqrt(3.0);
    level.reached = fabs(slope) + doubt < LEVEL_SLOPE * stiffness_n_per_mm;
    level.rising = slope - SLOPE_CLEAR_SDS * error > RISING_SLOPE * stiffness_n_per_mm;
    level.lost_share = m->lost_mm == NULL ? NAN : (m->lost_mm[m->n - 1] - m->lost_mm[first]) / length;
    return level;
}

void push_sampling_flag(struct push_result *r, const struct run_record *record)
{
    const struct push_sampling *s = &r->sampling;
    if (!s->coarse && record->separate == NULL)
        return;
    push_motion_flag(r,
                     "%s: one reading per %.2g mm of feed and %.2g N of rise, so an onset or a peak is "
                     "resolved to about ± %.2g N by it",
                     record->separate ? "separate instruments" : "coarse readings", s->feed_mm, s->force_n,
                     s->force_n / 2);
}

struct push_stamps push_stamps_of(const struct run_record *record)
{
    const struct run_separate *s = record->separate;
    if (s == NULL)
        return (struct push_stamps){0};
    return (struct push_stamps){
        true, hypot(s->force_latency_standard_uncertainty_s, s->feed_latency_standard_uncertainty_s),
        s->force_interval_sd_s};
}

double push_stamps_reading_n(const struct push_stamps *t, double speed_mm_s, double stiffness_n_per_mm)
{
    return stiffness_n_per_mm * speed_mm_s * t->jitter_s;
}

struct push_motion push_stamps_shift(const struct push_motion *m, double shift_s, double *feed_mm)
{
    struct push_motion shifted = *m;
    size_t at = 0;
    for (size_t i = 0; i < m->n; i++) {
        double t = m->time_s[i] + shift_s;
        while (at + 2 < m->n && m->time_s[at + 1] < t)
            at++;
        double step_s = m->time_s[at + 1] - m->time_s[at];
        double part = step_s > 0 ? (t - m->time_s[at]) / step_s : 0;
        feed_mm[i] = m->feed_mm[at] + part * (m->feed_mm[at + 1] - m->feed_mm[at]);
    }
    shifted.feed_mm = feed_mm;
    return shifted;
}
