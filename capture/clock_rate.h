/* How fast the rig's clock runs against this machine's. Frames arrive late by what the line, the driver and
 * the scheduler take, never early, so the least delay within a second is nearly free of that; the straight
 * line through those least delays (least squares) has the difference of the two clocks as its slope. */
#ifndef CAPTURE_CLOCK_RATE_H
#define CAPTURE_CLOCK_RATE_H

#include <stdbool.h>
#include <stdint.h>

#define CLOCK_RATE_SPAN_US     1000000 /* the least delay is taken over so much of the rig's clock */
#define CLOCK_RATE_SPANS_LEAST 5       /* fewer give no slope that deserves an uncertainty */

struct clock_rate {
    bool begun;
    int64_t first_rig_us, first_host_us;
    int64_t span;                /* which one is being filled, from 0 */
    double least_us, least_at_s; /* its least delay, and when */
    double n, t, tt, y, ty, yy;  /* sums over the spans that are full: time in s, delay in us */
};

void clock_rate_begin(struct clock_rate *c);

/* A frame whose newest sample was taken at rig_us arrived at host_us; both monotonic, microseconds. */
void clock_rate_add(struct clock_rate *c, int64_t rig_us, int64_t host_us);

/* How much faster the rig's clock ran, in parts per million (negative: slower), with its standard
 * uncertainty, which is that of the slope. false, and NAN, with less than CLOCK_RATE_SPANS_LEAST seconds. */
bool clock_rate_result(const struct clock_rate *c, double *ppm, double *standard_uncertainty_ppm);

#endif
