/* When a reading of the force converter is steady enough to be taken: samples in, verdict out. Pure: no port,
 * no clock, no memory of its own.
 *
 * The window is two halves that stand one after the other, each of a fixed number of samples. It is steady
 * when
 *   - the means of its halves differ by less than 2 standard errors of that difference (or by less than one
 *     count: a quiet converter may repeat the same count for ever), and
 *   - in neither half is the scatter above 1.5 times the quiet scatter, or 1.5 counts if that is more.
 * A window that is not steady moves on by one half. The standard error of a half is that of the means of its
 * eight blocks, so that noise which lasts over several samples (a filter in the converter, mains pick-up) is
 * not taken for more certainty than there is. With white noise the first test passes about 14 of 15 steady
 * windows, so that a steady load is rarely made to wait for more than two. */
#ifndef CAPTURE_STABLE_READING_H
#define CAPTURE_STABLE_READING_H

#include "datasets/format/run_csv.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define STABLE_READING_BLOCKS          8   /* of a half */
#define STABLE_READING_WINDOW_S        1.0 /* rig time; longer when that is fewer than ... */
#define STABLE_READING_SAMPLES_LEAST   32  /* ... samples */
#define STABLE_READING_STANDARD_ERRORS 2.0 /* of the difference of the halves */
#define STABLE_READING_SCATTER_RATIO   1.5 /* to the quiet scatter */
#define STABLE_READING_COUNT           1.0 /* resolution: differences below it are none */

/* Mean and scatter of one half. */
struct stable_half {
    double mean_counts;
    double sd_counts;             /* of the samples */
    double standard_error_counts; /* of the mean, from the blocks */
    int64_t over_range;           /* samples at an end of the converter's range */
};

enum stable_verdict {
    STABLE_WAITING, /* no whole window yet */
    STABLE_MOVING,  /* the means of the halves differ */
    STABLE_SHAKING, /* they agree, but the scatter is too large */
    STABLE_STEADY,
    STABLE_OVER_RANGE /* both halves have samples at an end of the range */
};

struct stable_reading {
    /* Set by stable_reading_begin. */
    int64_t half_samples; /* a multiple of STABLE_READING_BLOCKS */
    int64_t counts_min, counts_max;
    double quiet_sd_counts; /* 0: not known yet, the scatter is not tested */
    /* The latest window. Valid once verdict is not STABLE_WAITING. */
    enum stable_verdict verdict;
    double mean_counts;
    double sd_counts;             /* of the samples about the mean of their half */
    double standard_error_counts; /* of mean_counts */
    double difference_counts;     /* of the halves, later minus earlier */
    double difference_allowed_counts,
        sd_allowed_counts; /* the latter 0 while nothing is known to compare with */
    int64_t n;
    int64_t first_us, last_us; /* rig time of the first and last sample ever fed */
    /* The half in hand. */
    bool have_first, have_half;
    struct stable_half half;
    int64_t filled, over_range;
    double origin_counts, sum, sum_squares; /* about origin_counts, so that no digits are lost */
    double block_sum, block_means_sum, block_means_squares;
};

/* Begin anew. sample_rate_hz above 0; quiet_sd_counts 0 when it is not known. Samples at or beyond counts_min
 * or counts_max count as over range, whether the rig flags them or not. */
void stable_reading_begin(struct stable_reading *r, double sample_rate_hz, int64_t counts_min,
                          int64_t counts_max, double quiet_sd_counts);

/* Take samples until a window ends in STABLE_STEADY or STABLE_OVER_RANGE, the rest is then passed over; else
 * take all. Returns the verdict on the latest window. */
enum stable_verdict stable_reading_feed(struct stable_reading *r, const struct raw_sample *samples,
                                        size_t count);

/* Seconds of rig time between the first sample fed and the last one. */
double stable_reading_waited_s(const struct stable_reading *r);

/* Seconds of rig time that one window takes at that rate. */
double stable_reading_window_s(double sample_rate_hz);

#endif
