#include "analyze/run_quality.h"

#include "analyze/numerics/mains_pickup.h"

#include <math.h>
#include <stdlib.h>

/* A step of so many intervals is a hole: a sample is missing, by its nearest place on the grid. */
#define HOLE_INTERVALS 1.5
/* Readings that differ from the one before, at least, before their common step is believed. */
#define STEP_CHANGES 30u

struct spacing {
    double n, sum, square; /* of steps less the nominal one, us */
};

static void add_steps(const int64_t *time_us, size_t first, size_t last, double nominal_us, double longest_us,
                      struct spacing *s)
{
    struct spacing sum = *s; /* in registers, which *s could not be */
    for (size_t i = first + 1; i <= last; i++) {
        double step = (double)(time_us[i] - time_us[i - 1]) - nominal_us;
        if (step > longest_us - nominal_us)
            continue;
        sum.n++;
        sum.sum += step;
        sum.square += step * step;
    }
    *s = sum;
}

static void take_spacing(const struct run_columns *c, const struct run_record *r, struct run_quality *q)
{
    const size_t rows = RUN_QUALITY_STRETCHES * RUN_QUALITY_STRETCH_ROWS;
    struct spacing s = {0};
    double nominal_us = 1e6 / r->sample_rate_hz, mean;
    /* Where it is known that nothing is missing, a long step is a late stamp. */
    bool whole = r->link_recorded && r->gaps == 0 && r->link.samples_missing == 0;
    double longest_us = whole ? INFINITY : HOLE_INTERVALS * nominal_us;
    q->interval_us = q->jitter_us = NAN;
    if (!(r->sample_rate_hz > 0) || c->n < 3)
        return;
    if (c->n <= rows) {
        add_steps(c->time_us, 0, c->n - 1, nominal_us, longest_us, &s);
    } else {
        for (size_t k = 0; k < RUN_QUALITY_STRETCHES; k++) {
            size_t first =
                (size_t)((double)(c->n - RUN_QUALITY_STRETCH_ROWS) / (RUN_QUALITY_STRETCHES - 1) * (double)k);
            add_steps(c->time_us, first, first + RUN_QUALITY_STRETCH_ROWS - 1, nominal_us, longest_us, &s);
        }
    }
    if (s.n < 2)
        return;
    mean = s.sum / s.n;
    q->interval_us = (float)(nominal_us + mean);
    q->jitter_us = (float)sqrt(fmax(0, (s.square - s.sum * mean) / (s.n - 1)));
}

/* Mean of the unloaded readings; the calibration's own zero where there are none. */
static double zero_counts(const struct run_columns *c, size_t quiet, const struct calibration *calibration)
{
    size_t first = quiet > RUN_QUALITY_QUIET_ROWS ? quiet - RUN_QUALITY_QUIET_ROWS : 0;
    double sum = 0;
    for (size_t i = first; i < quiet; i++)
        sum += (double)c->force_counts[i];
    return quiet > first ? sum / (double)(quiet - first) : calibration->coefficients[0];
}

/* Rows at an end of the converter's range, by their flag or by the ends that it is known to have. */
static void count_over_range(const struct run_columns *c, const struct run_record *r, bool ends_known,
                             struct run_quality *q)
{
    for (size_t i = 0; i < c->n; i++) {
        int32_t counts = c->force_counts[i];
        if (!(c->flags[i] & RUN_FLAG_OVER_RANGE) &&
            (!ends_known || (counts > r->counts_min && counts < r->counts_max)))
            continue;
        q->over_range_rows++;
        q->over_range_in_motion += c->time_us[i] >= r->push_start_us && c->time_us[i] <= r->push_end_us;
    }
}

static void take_range(const struct run_columns *c, const struct run_record *r, double zero,
                       struct run_quality *q)
{
    int32_t low = c->n > 0 ? c->force_counts[0] : 0, high = low;
    double above = (double)r->counts_max - zero, below = zero - (double)r->counts_min;
    bool ends_known = r->counts_max > r->counts_min;
    uint8_t flags = 0;
    for (size_t i = 0; i < c->n; i++) {
        int32_t counts = c->force_counts[i];
        low = counts < low ? counts : low;
        high = counts > high ? counts : high;
        flags |= c->flags[i];
    }
    if ((flags & RUN_FLAG_OVER_RANGE) || (ends_known && (low <= r->counts_min || high >= r->counts_max)))
        count_over_range(c, r, ends_known, q);
    q->range_used = NAN;
    if (above > 0 && below > 0)
        q->range_used = (float)fmax(((double)high - zero) / above, (zero - (double)low) / below);
}

static double counts_per_n(const struct calibration *calibration)
{
    return fabs(calibration_counts(calibration, 1, 0) - calibration_counts(calibration, 0, 0));
}

double run_quality_step_n(const struct run_quality *q, const struct run_record *r,
                          const struct calibration *calibration)
{
    double step_n = (q->step_counts > 1 ? q->step_counts : 1) / counts_per_n(calibration);
    return r->separate != NULL ? fmax(r->separate->force_resolution_n, step_n) : step_n;
}

/* The greatest common divisor of what readings are apart: more than 1 of a converter whose last bits are
 * padding, or a gauge that counts by twos or fives. By chance it is more than 1 in one of 2^29 runs at most.
 */
static void take_step(const struct run_columns *c, struct run_quality *q)
{
    uint64_t divisor = 0;
    size_t changes = 0;
    q->step_counts = 1;
    for (size_t i = 1; i < c->n && i < RUN_QUALITY_QUIET_ROWS && divisor != 1; i++) {
        int64_t apart = (int64_t)c->force_counts[i] - c->force_counts[i - 1];
        uint64_t rest = (uint64_t)(apart < 0 ? -apart : apart);
        changes += rest > 0;
        while (rest > 0) {
            uint64_t next = divisor % rest;
            divisor = rest;
            rest = next;
        }
    }
    if (changes >= STEP_CHANGES && divisor > 1)
        q->step_counts = (uint16_t)(divisor < UINT16_MAX ? divisor : UINT16_MAX);
}

static void take_mains(const struct run_columns *c, const struct run_record *r, size_t quiet,
                       const struct calibration *calibration, struct run_quality *q)
{
    size_t first = quiet > RUN_QUALITY_QUIET_ROWS ? quiet - RUN_QUALITY_QUIET_ROWS : 0, n = 0;
    double *t_s = malloc((2 * (quiet - first) + 1) * sizeof *t_s);
    double step_n = run_quality_step_n(q, r, calibration), per_n = counts_per_n(calibration);
    struct mains_pickup found;
    q->mains_n = q->mains_standard_uncertainty_n = q->mains_detectable_n = q->mains_noise_n = NAN;
    if (t_s == NULL)
        return;
    double *force_n = t_s + (quiet - first);
    for (size_t i = first; i < quiet; i++) {
        if (c->flags[i] & RUN_FLAG_OVER_RANGE)
            continue;
        t_s[n] = (double)(c->time_us[i] - c->time_us[first]) * 1e-6;
        force_n[n++] = ((double)c->force_counts[i] - (double)c->force_counts[first]) / per_n;
    }
    if (mains_pickup_find(t_s, force_n, n, RUN_QUALITY_FALSE_ALARM, &found, NULL) == ERR_OK) {
        q->mains = RUN_MAINS_NONE;
        /* A reading that shows the same digit all the time hides what is less than half of it. */
        q->mains_detectable_n =
            (float)(found.noise_sd < step_n / 2 ? fmax(found.detectable, step_n / 2) : found.detectable);
        q->mains_noise_n = (float)found.noise_sd;
        for (int j = 0; j < MAINS_PICKUP_LINES; j++) {
            const struct mains_line *line = &found.lines[j];
            if (!line->found || (q->mains == RUN_MAINS_FOUND && line->amplitude <= q->mains_n))
                continue;
            q->mains = RUN_MAINS_FOUND;
            q->mains_n = (float)line->amplitude;
            q->mains_standard_uncertainty_n = (float)line->standard_uncertainty;
            q->mains_hz = (uint8_t)MAINS_PICKUP_HZ[j];
        }
    }
    free(t_s);
}

struct run_quality run_quality_of(const struct run_columns *c, const struct run_record *r,
                                  const struct calibration *calibration)
{
    struct run_quality q = {.present = true, .mains = RUN_MAINS_UNKNOWN};
    size_t quiet = r->push_end_us > 0 ? run_columns_from(c, r->push_start_us) : 0;
    take_step(c, &q);
    take_spacing(c, r, &q);
    take_range(c, r, zero_counts(c, quiet, calibration), &q);
    take_mains(c, r, quiet, calibration, &q);
    return q;
}
