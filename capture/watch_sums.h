/* What can be said of the last second and the last minute of a force signal: mean, noise, mains pick-up,
 * sample rate, history. Samples in, numbers out. Pure: no port, no clock; the only memory is what
 * watch_sums_new takes.
 *
 * All forces are in counts and all times on the rig's clock. NAN stands for what cannot be told yet. */
#ifndef CAPTURE_WATCH_SUMS_H
#define CAPTURE_WATCH_SUMS_H

#include "datasets/format/run_csv.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WATCH_SUMS_WINDOW_US       1000000 /* noise, pick-up and rate: the last second */
#define WATCH_SUMS_HISTORY_STEP_US 100000
#define WATCH_SUMS_HISTORY_STEPS   600 /* one minute of them */

/* Mains frequencies and their first harmonics. All have whole periods in any multiple of 100 ms. */
#define WATCH_SUMS_MAINS_COUNT 4
extern const double watch_sums_mains_hz[WATCH_SUMS_MAINS_COUNT];

struct watch_sums;

/* sample_rate_hz is the rate asked for, above 0; memory is taken for one second of it. ERR_MEMORY. */
enum err_code watch_sums_new(double sample_rate_hz, struct watch_sums **sums, struct err *e);
void watch_sums_free(struct watch_sums *sums); /* NULL is fine */

/* Take samples whose times increase. */
void watch_sums_feed(struct watch_sums *s, const struct raw_sample *samples, size_t count);

/* The samples fed next come from another start of the clock, pause_us after the last one fed: the window is
 * forgotten, the history keeps a hole. */
void watch_sums_resume(struct watch_sums *s, int64_t pause_us);

/* The newest sample, as it came but with its time carried on over every pause; NULL before the first. */
const struct raw_sample *watch_sums_last(const struct watch_sums *s);

/* Microseconds between the first sample ever fed and the newest one. */
int64_t watch_sums_elapsed_us(const struct watch_sums *s);

/* Mean force over the last span_us (at most the window), in counts. */
double watch_sums_mean_counts(const struct watch_sums *s, int64_t span_us);

/* Standard deviation of the force over the window, in counts, about its mean, with n - 1. */
double watch_sums_sd_counts(const struct watch_sums *s);

/* Samples that came a second of rig time, over the window. */
double watch_sums_rate_hz(const struct watch_sums *s);

/* Commanded speed over the window, in microsteps per second. */
double watch_sums_speed_steps_s(const struct watch_sums *s);

enum watch_pickup_state {
    WATCH_PICKUP_WAITING,     /* fewer than 0.5 s of samples without a gap */
    WATCH_PICKUP_CANNOT,      /* even the lowest mains frequency is too high for this sample rate */
    WATCH_PICKUP_BELOW_NOISE, /* nothing stands out of the noise */
    WATCH_PICKUP_SEEN
};

struct watch_pickup {
    enum watch_pickup_state state;
    /* The greatest of those that can be seen. Valid once the state is neither WAITING nor CANNOT. */
    double frequency_hz;
    double amplitude_counts; /* zero to peak */
    double
        detectable_counts; /* white noise of the scatter beside the mains stays below this 99 times of 100 */
    bool can_be_seen[WATCH_SUMS_MAINS_COUNT]; /* by the sample rate */
};

/* Amplitude at the mains frequencies over the longest stretch of whole periods of all of them that ends with
 * the newest sample, holds no gap, and is within the window: G. Goertzel, An algorithm for the evaluation of
 * finite trigonometric series, Amer. Math. Monthly 65 (1958), 34-35 (recurrence from memory).
 *
 * A frequency can be seen when it and its mirror image about half the sample rate are at least one over the
 * length of the stretch apart. One that is too high appears, if at all, at a lower one, as always in sampled
 * data. White noise of standard deviation sd gives n amplitude^2 / (4 sd^2), which has the exponential
 * distribution of mean 1, because both parts of the sum are normal with variance n sd^2 / 2. A force that
 * changes fast leaks into every frequency: read this while nothing is touched. */
struct watch_pickup watch_sums_pickup(const struct watch_sums *s);

/* The last minute in at most columns steps of equal length, oldest first: means_counts receives the mean of
 * each, NAN where there was no sample. Steps keep their borders as time goes on, so that a picture of them
 * moves but does not flicker. Returns how many, at most columns and WATCH_SUMS_HISTORY_STEPS. */
size_t watch_sums_history(const struct watch_sums *s, size_t columns, double *means_counts);

#endif
