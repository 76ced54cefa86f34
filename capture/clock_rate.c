#include "capture/clock_rate.h"

#include <math.h>

void clock_rate_begin(struct clock_rate *c)
{
    *c = (struct clock_rate){0};
}

static void close_span(struct clock_rate *c)
{
    double t = c->least_at_s;
    double y = c->least_us;
    c->n++;
    c->t += t;
    c->y += y;
    c->tt += t * t;
    c->ty += t * y;
    c->yy += y * y;
}

void clock_rate_add(struct clock_rate *c, int64_t rig_us, int64_t host_us)
{
    double at_s, delay_us;
    int64_t span;
    if (!c->begun) {
        c->begun = true;
        c->first_rig_us = rig_us;
        c->first_host_us = host_us;
        c->least_us = INFINITY;
    }
    at_s = (double)(rig_us - c->first_rig_us) * 1e-6;
    delay_us = (double)((host_us - c->first_host_us) - (rig_us - c->first_rig_us));
    span = (rig_us - c->first_rig_us) / CLOCK_RATE_SPAN_US;
    if (span != c->span) {
        if (isfinite(c->least_us))
            close_span(c);
        c->span = span;
        c->least_us = INFINITY;
    }
    if (delay_us < c->least_us) {
        c->least_us = delay_us;
        c->least_at_s = at_s;
    }
}

bool clock_rate_result(const struct clock_rate *c, double *ppm, double *standard_uncertainty_ppm)
{
    double stt = c->tt - c->t * c->t / c->n;
    double sty = c->ty - c->t * c->y / c->n;
    double syy = c->yy - c->y * c->y / c->n;
    double slope, residual;
    *ppm = *standard_uncertainty_ppm = NAN;
    if (c->n < CLOCK_RATE_SPANS_LEAST || !(stt > 0))
        return false;
    slope = sty / stt; /* microseconds of delay that are gained in a second */
    residual = fmax(syy - slope * sty, 0) / (c->n - 2);
    *ppm = -slope; /* a rig that runs fast takes its samples ever earlier by this machine's clock */
    *standard_uncertainty_ppm = sqrt(residual / stt);
    return true;
}
