#include "capture/watch_sums.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define STRETCH_US            100000 /* whole periods of 50, 60, 100 and 120 Hz */
#define STRETCHES_MAX         (WATCH_SUMS_WINDOW_US / STRETCH_US)
#define STRETCHES_LEAST       5
#define GAP_PERIODS           1.5  /* samples farther apart have lost some between them */
#define NOISE_PASSES_FOR_SEEN 0.01 /* share of quiet windows, over all frequencies together */

const double watch_sums_mains_hz[WATCH_SUMS_MAINS_COUNT] = {50, 60, 100, 120};

struct history_step {
    double sum;
    int64_t n;
};

struct watch_sums {
    double period_us;
    /* The window is samples[first .. end - 1]; no gap from samples[whole_from] on. There is room for twice as
     * many as a window holds, so that moving them to the front is rare. */
    size_t room, first, whole_from, end;
    bool have_last, resumed;
    int64_t pause_us;
    int64_t offset_us; /* from the clock of the samples to the one carried on */
    int64_t first_time_us;
    struct raw_sample last;
    int64_t history_last; /* number of the newest step since time 0; its place is that modulo the size */
    struct history_step history[WATCH_SUMS_HISTORY_STEPS];
    struct raw_sample samples[];
};

enum err_code watch_sums_new(double sample_rate_hz, struct watch_sums **sums, struct err *e)
{
    /* Some rigs run a little fast. */
    size_t window = (size_t)ceil(1.1 * sample_rate_hz * WATCH_SUMS_WINDOW_US * 1e-6) + 2;
    struct watch_sums *s = calloc(1, sizeof *s + 2 * window * sizeof s->samples[0]);
    *sums = s;
    if (s == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    s->period_us = 1e6 / sample_rate_hz;
    s->room = 2 * window;
    return ERR_OK;
}

void watch_sums_free(struct watch_sums *sums)
{
    free(sums);
}

static int64_t floor_divide(int64_t a, int64_t b)
{
    return a / b - (a % b < 0);
}

static size_t place_of(int64_t step)
{
    int64_t place = step % WATCH_SUMS_HISTORY_STEPS;
    return (size_t)(place < 0 ? place + WATCH_SUMS_HISTORY_STEPS : place);
}

static void note_history(struct watch_sums *s, const struct raw_sample *sample)
{
    int64_t step = floor_divide(sample->time_us, WATCH_SUMS_HISTORY_STEP_US);
    struct history_step *h;
    if (!s->have_last)
        s->history_last = step;
    if (step - s->history_last >= WATCH_SUMS_HISTORY_STEPS) {
        memset(s->history, 0, sizeof s->history);
        s->history_last = step;
    }
    while (s->history_last < step)
        s->history[place_of(++s->history_last)] = (struct history_step){0};
    h = &s->history[place_of(step)];
    h->sum += sample->force_counts;
    h->n++;
}

static void append(struct watch_sums *s, const struct raw_sample *sample)
{
    if (s->end == s->room) {
        /* More than the window was made for: the oldest half makes room. */
        if (s->first == 0)
            s->first = s->room / 2;
        memmove(s->samples, s->samples + s->first, (s->end - s->first) * sizeof s->samples[0]);
        s->whole_from = s->whole_from > s->first ? s->whole_from - s->first : 0;
        s->end -= s->first;
        s->first = 0;
    }
    if (s->end > s->first && (double)(sample->time_us - s->last.time_us) > GAP_PERIODS * s->period_us)
        s->whole_from = s->end;
    s->samples[s->end++] = *sample;
    while (sample->time_us - s->samples[s->first].time_us >= WATCH_SUMS_WINDOW_US)
        s->first++;
    if (s->whole_from < s->first)
        s->whole_from = s->first;
}

void watch_sums_feed(struct watch_sums *s, const struct raw_sample *samples, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        struct raw_sample sample = samples[i];
        if (s->resumed)
            s->offset_us = s->last.time_us + s->pause_us - sample.time_us;
        s->resumed = false;
        sample.time_us += s->offset_us;
        if (!s->have_last)
            s->first_time_us = sample.time_us;
        note_history(s, &sample);
        append(s, &sample);
        s->have_last = true;
        s->last = sample;
    }
}

void watch_sums_resume(struct watch_sums *s, int64_t pause_us)
{
    if (!s->have_last)
        return;
    s->first = s->whole_from = s->end = 0;
    s->resumed = true;
    s->pause_us = pause_us;
}

const struct raw_sample *watch_sums_last(const struct watch_sums *s)
{
    return s->have_last ? &s->last : NULL;
}

int64_t watch_sums_elapsed_us(const struct watch_sums *s)
{
    return s->have_last ? s->last.time_us - s->first_time_us : 0;
}

/* Mean about the first of them, so that no digits are lost. */
static double mean_of(const struct raw_sample *samples, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += (double)samples[i].force_counts - samples[0].force_counts;
    return samples[0].force_counts + sum / (double)n;
}

static double squares_of(const struct raw_sample *samples, size_t n, double mean)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += (samples[i].force_counts - mean) * (samples[i].force_counts - mean);
    return sum;
}

double watch_sums_mean_counts(const struct watch_sums *s, int64_t span_us)
{
    size_t from = s->end;
    if (s->end == s->first)
        return NAN;
    while (from > s->first && s->last.time_us - s->samples[from - 1].time_us < span_us)
        from--;
    return mean_of(s->samples + from, s->end - from);
}

double watch_sums_sd_counts(const struct watch_sums *s)
{
    size_t n = s->end - s->first;
    const struct raw_sample *window = s->samples + s->first;
    if (n < 2)
        return NAN;
    return sqrt(squares_of(window, n, mean_of(window, n)) / (double)(n - 1));
}

/* Time from the first to the last sample of the window; NAN when there are not two. */
static double spread_s(const struct watch_sums *s)
{
    if (s->end < s->first + 2)
        return NAN;
    return (double)(s->samples[s->end - 1].time_us - s->samples[s->first].time_us) * 1e-6;
}

double watch_sums_rate_hz(const struct watch_sums *s)
{
    return (double)(s->end - s->first - 1) / spread_s(s);
}

double watch_sums_speed_steps_s(const struct watch_sums *s)
{
    double spread = spread_s(s);
    if (isnan(spread))
        return NAN;
    return ((double)s->samples[s->end - 1].commanded_steps - s->samples[s->first].commanded_steps) / spread;
}

/* Amplitude of the sine of that many turns a sample. Goertzel's recurrence. */
static double amplitude_of(const struct raw_sample *samples, size_t n, double mean, double turns)
{
    double twice_cosine = 2 * cos(2 * M_PI * turns);
    double before = 0, now = 0;
    for (size_t i = 0; i < n; i++) {
        double next = samples[i].force_counts - mean + twice_cosine * now - before;
        before = now;
        now = next;
    }
    return 2 * sqrt(fmax(0, now * now + before * before - twice_cosine * now * before)) / (double)n;
}

struct watch_pickup watch_sums_pickup(const struct watch_sums *s)
{
    struct watch_pickup p = {.state = WATCH_PICKUP_WAITING};
    size_t whole = s->end - s->whole_from;
    size_t n = 0;
    int seen = 0;
    double rate_hz, length_s, mean, variance;
    const struct raw_sample *samples;
    if (whole < 2)
        return p;
    rate_hz = (double)(whole - 1) * 1e6 /
              (double)(s->samples[s->end - 1].time_us - s->samples[s->whole_from].time_us);
    for (int k = STRETCHES_MAX; k >= STRETCHES_LEAST && n == 0; k--) {
        long wanted = lround(k * STRETCH_US * 1e-6 * rate_hz);
        if (wanted >= 2 && (size_t)wanted <= whole)
            n = (size_t)wanted;
    }
    if (n == 0)
        return p;
    samples = s->samples + s->end - n;
    length_s = (double)n / rate_hz;
    mean = mean_of(samples, n);
    variance = squares_of(samples, n, mean) / (double)n;
    p.amplitude_counts = -1;
    for (int i = 0; i < WATCH_SUMS_MAINS_COUNT; i++) {
        double amplitude;
        /* A thousandth of room, because the rate is a measured one. */
        p.can_be_seen[i] = rate_hz - 2 * watch_sums_mains_hz[i] >= 0.999 / length_s;
        if (!p.can_be_seen[i])
            continue;
        amplitude = amplitude_of(samples, n, mean, watch_sums_mains_hz[i] / rate_hz);
        variance -= amplitude * amplitude / 2;
        seen++;
        if (amplitude > p.amplitude_counts) {
            p.amplitude_counts = amplitude;
            p.frequency_hz = watch_sums_mains_hz[i];
        }
    }
    if (seen == 0) {
        p.amplitude_counts = 0;
        p.state = WATCH_PICKUP_CANNOT;
        return p;
    }
    p.detectable_counts = sqrt(fmax(0, variance) * 4 * log((double)seen / NOISE_PASSES_FOR_SEEN) / (double)n);
    p.state = p.amplitude_counts > p.detectable_counts ? WATCH_PICKUP_SEEN : WATCH_PICKUP_BELOW_NOISE;
    return p;
}

size_t watch_sums_history(const struct watch_sums *s, size_t columns, double *means_counts)
{
    size_t steps, count;
    int64_t last_column;
    if (columns == 0)
        return 0;
    steps = (WATCH_SUMS_HISTORY_STEPS + columns - 1) / columns; /* of one column */
    count = (WATCH_SUMS_HISTORY_STEPS + steps - 1) / steps;
    last_column = floor_divide(s->history_last, (int64_t)steps);
    for (size_t i = 0; i < count; i++) {
        int64_t from = (last_column - (int64_t)(count - 1 - i)) * (int64_t)steps;
        double sum = 0;
        int64_t n = 0;
        for (int64_t step = from; step < from + (int64_t)steps; step++) {
            const struct history_step *h = &s->history[place_of(step)];
            if (step > s->history_last || step <= s->history_last - WATCH_SUMS_HISTORY_STEPS)
                continue;
            sum += h->sum;
            n += h->n;
        }
        means_counts[i] = n > 0 ? sum / (double)n : NAN;
    }
    return count;
}
