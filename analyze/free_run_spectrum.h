/* What recurs in the feed error of one run beside the orders that are asked for, and the pictures of it. No
 * I/O. */
#ifndef ANALYZE_FREE_RUN_SPECTRUM_H
#define ANALYZE_FREE_RUN_SPECTRUM_H

#include "analyze/analysis.h"
#include "analyze/outcome.h"

#include <stddef.h>

#define FREE_RUN_PEAKS_MAX 5
struct free_run_peaks {
    size_t n;
    double orders[FREE_RUN_PEAKS_MAX], amplitudes_um[FREE_RUN_PEAKS_MAX];
    double level_um; /* false-alarm level, once the known orders and the peaks are taken away */
    double turns;    /* of the drive gear */
};

/* known: known_count orders (at most 4) that are asked for already. Orders within one cycle of the whole run
 * of these are left out, and so are those of beats (beat_count), and peaks of no more than floor_um: the
 * staircase of the encoder's counts makes as much at orders that shift with every ripple. trace: feed error
 * in um against turns, of even spacing. ERR_NO_ANSWER when it is too short. Adds the chart "ripple" to
 * outcome where that is not NULL. */
enum err_code free_run_spectrum(const struct run_trace *trace, const double *known, size_t known_count,
                                const double *beats, size_t beat_count, double order_most, double floor_um,
                                struct outcome *outcome, struct free_run_peaks *peaks, struct err *e);

/* Adds the chart "feed-error": error against turns, a few turns of it. */
void free_run_draw_error(const struct run_trace *trace, struct outcome *outcome);

#endif
