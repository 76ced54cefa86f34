#include "analyze/numerics/tick.h"

#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/spectrum.h"

#include <gsl/gsl_math.h>
#include <gsl/gsl_statistics.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SAMPLES_MOST           4096u
#define SAMPLES_A_PERIOD_LEAST 3.0
#define PERIODS_LEAST          4.0
/* Frequencies are tried this densely, in parts of the resolution 1 / span, a little beyond the range on the
 * short side: the feed is not known better. */
#define STEPS_A_RESOLUTION 4.0
#define SHORTEST           0.96
#define FREQUENCIES_MOST   4000u

/* What a parabola leaves of the force; false without memory. */
static bool take_off_parabola(const double *feed_mm, const double *force_n, size_t n, double *rest_n,
                              double *room, struct err *e)
{
    struct linear_fit fit;
    double middle_mm = (feed_mm[0] + feed_mm[n - 1]) / 2;
    for (size_t i = 0; i < n; i++)
        room[i] = feed_mm[i] - middle_mm;
    if (linear_fit_polynomial(room, force_n, NULL, n, 2, true, false, &fit, e) != ERR_OK)
        return false;
    for (size_t i = 0; i < n; i++)
        rest_n[i] = force_n[i] - fit.coefficients[0] -
                    room[i] * (fit.coefficients[1] + room[i] * fit.coefficients[2]);
    return true;
}

enum err_code tick_find(const double *feed_mm, const double *force_n, size_t n, double period_mm,
                        double longest_mm, double fall_n, double noise_n, struct tick *tick, struct err *e)
{
    size_t first = n > SAMPLES_MOST ? n - SAMPLES_MOST : 0, best = 0;
    enum err_code code = ERR_NO_ANSWER;
    memset(tick, 0, sizeof *tick);
    feed_mm += first;
    force_n += first;
    n -= first;
    double span_mm = n > 1 ? feed_mm[n - 1] - feed_mm[0] : 0;
    double samples = span_mm > 0 ? period_mm * (double)(n - 1) / span_mm : 0;
    if (!(samples >= SAMPLES_A_PERIOD_LEAST && span_mm >= PERIODS_LEAST * period_mm))
        return err_set(e, ERR_NO_ANSWER, "%.3g samples in a period and %.3g periods are too few", samples,
                       period_mm > 0 ? span_mm / period_mm : 0);
    longest_mm = fmax(1.02 * period_mm, fmin(longest_mm, span_mm / PERIODS_LEAST));
    double low = 1 / longest_mm, high = 1 / (SHORTEST * period_mm);
    size_t count = (size_t)fmin(FREQUENCIES_MOST, ceil((high - low) * span_mm * STEPS_A_RESOLUTION) + 2);
    double *frequencies = calloc(2 * count + 2 * n, sizeof *frequencies), *power, *rest_n;
    if (frequencies == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu frequencies", count);
    power = frequencies + count;
    rest_n = power + count;
    for (size_t i = 0; i < count; i++)
        frequencies[i] = low + (high - low) * (double)i / (double)(count - 1);
    if (take_off_parabola(feed_mm, force_n, n, rest_n, rest_n + n, e))
        code = spectrum_power(feed_mm, rest_n, n, frequencies, count, power, e);
    if (code == ERR_OK) {
        for (size_t i = 0; i < count; i++)
            best = power[i] > power[best] ? i : best;
        /* The fundamental of a saw tooth of fall f has the amplitude f / pi. */
        double square = gsl_pow_2(fall_n / M_PI) / 2;
        double level = spectrum_false_alarm_level(TICK_FALSE_ALARM, feed_mm, n, high);
        tick->period_mm = 1 / frequencies[best];
        tick->amplitude_n = sqrt(2 * power[best] * gsl_stats_variance(rest_n, 1, n));
        tick->false_alarm = spectrum_false_alarm(power[best], feed_mm, n, high);
        tick->seen = tick->false_alarm <= TICK_FALSE_ALARM;
        tick->would_be_seen = square / (square + noise_n * noise_n) > 2 * level;
    }
    free(frequencies);
    return code;
}
