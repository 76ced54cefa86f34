#include "capture/stable_reading.h"

#include "rig/wire/message.h"

#include <math.h>
#include <string.h>

static int64_t half_samples_at(double sample_rate_hz)
{
    double wanted = fmax(STABLE_READING_WINDOW_S * sample_rate_hz, STABLE_READING_SAMPLES_LEAST) / 2;
    return (int64_t)ceil(wanted / STABLE_READING_BLOCKS) * STABLE_READING_BLOCKS;
}

double stable_reading_window_s(double sample_rate_hz)
{
    return 2 * (double)half_samples_at(sample_rate_hz) / sample_rate_hz;
}

double stable_reading_waited_s(const struct stable_reading *r)
{
    return (double)(r->last_us - r->first_us) * 1e-6;
}

void stable_reading_begin(struct stable_reading *r, double sample_rate_hz, int64_t counts_min,
                          int64_t counts_max, double quiet_sd_counts)
{
    memset(r, 0, sizeof *r);
    r->half_samples = half_samples_at(sample_rate_hz);
    r->counts_min = counts_min;
    r->counts_max = counts_max;
    r->quiet_sd_counts = quiet_sd_counts;
}

/* Standard deviation of n values about an origin, from their sum and sum of squares about it. */
static double sd_of(double n, double sum, double sum_squares)
{
    return sqrt(fmax(0, sum_squares - sum * sum / n) / (n - 1));
}

static struct stable_half close_half(struct stable_reading *r)
{
    double n = (double)r->half_samples;
    struct stable_half half = {.mean_counts = r->origin_counts + r->sum / n,
                               .sd_counts = sd_of(n, r->sum, r->sum_squares),
                               .over_range = r->over_range};
    half.standard_error_counts = sd_of(STABLE_READING_BLOCKS, r->block_means_sum, r->block_means_squares) /
                                 sqrt(STABLE_READING_BLOCKS);
    r->filled = 0;
    r->over_range = 0;
    r->sum = r->sum_squares = 0;
    r->block_sum = r->block_means_sum = r->block_means_squares = 0;
    return half;
}

/* The verdict on two halves that stand one after the other. */
static enum stable_verdict judge(struct stable_reading *r, const struct stable_half *a,
                                 const struct stable_half *b)
{
    double both = hypot(a->standard_error_counts, b->standard_error_counts);
    r->mean_counts = (a->mean_counts + b->mean_counts) / 2;
    r->sd_counts = sqrt((a->sd_counts * a->sd_counts + b->sd_counts * b->sd_counts) / 2);
    r->standard_error_counts = both / 2;
    r->n = 2 * r->half_samples;
    r->difference_counts = b->mean_counts - a->mean_counts;
    r->difference_allowed_counts = fmax(STABLE_READING_STANDARD_ERRORS * both, STABLE_READING_COUNT);
    r->sd_allowed_counts = r->quiet_sd_counts > 0
                               ? STABLE_READING_SCATTER_RATIO * fmax(r->quiet_sd_counts, STABLE_READING_COUNT)
                               : 0;
    if (a->over_range > 0 && b->over_range > 0)
        return STABLE_OVER_RANGE;
    /* A knock that reached the end of the range in one half is over in the next but one. */
    if (a->over_range + b->over_range > 0)
        return STABLE_SHAKING;
    if (!(fabs(r->difference_counts) < r->difference_allowed_counts))
        return STABLE_MOVING;
    if (r->sd_allowed_counts > 0 && !(fmax(a->sd_counts, b->sd_counts) <= r->sd_allowed_counts))
        return STABLE_SHAKING;
    return STABLE_STEADY;
}

static void take(struct stable_reading *r, const struct raw_sample *s)
{
    int64_t block_samples = r->half_samples / STABLE_READING_BLOCKS;
    double off;
    if (!r->have_first) {
        r->have_first = true;
        r->first_us = s->time_us;
    }
    r->last_us = s->time_us;
    if (r->filled == 0)
        r->origin_counts = s->force_counts;
    off = s->force_counts - r->origin_counts;
    r->sum += off;
    r->sum_squares += off * off;
    r->block_sum += off;
    r->over_range += (s->flags & WIRE_FLAG_OVER_RANGE) != 0 || s->force_counts <= r->counts_min ||
                     s->force_counts >= r->counts_max;
    r->filled++;
    if (r->filled % block_samples == 0) {
        double mean = r->block_sum / (double)block_samples;
        r->block_means_sum += mean;
        r->block_means_squares += mean * mean;
        r->block_sum = 0;
    }
}

enum stable_verdict stable_reading_feed(struct stable_reading *r, const struct raw_sample *samples,
                                        size_t count)
{
    for (size_t i = 0; i < count && r->verdict != STABLE_STEADY && r->verdict != STABLE_OVER_RANGE; i++) {
        struct stable_half half;
        take(r, &samples[i]);
        if (r->filled < r->half_samples)
            continue;
        half = close_half(r);
        if (r->have_half)
            r->verdict = judge(r, &r->half, &half);
        r->half = half;
        r->have_half = true;
    }
    return r->verdict;
}
