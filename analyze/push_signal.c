#include "analyze/push_signal.h"

#include "analyze/numerics/parabola.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The parabola may leave this many times the noise of the unloaded reading. */
#define SPRING_MISFIT 1.3
/* Error of a position read in whole counts, in counts: a rectangle of one count, and the jitter of when the
 * count changes against when the force is read, half as much again. */
#define COUNT_SD (1.5 / 3.4641016151377544)

struct push_signal push_signal_of(const struct push_motion *m, double noise_n, size_t contact,
                                  double encoder_mm_per_count)
{
    struct push_signal s = {m->force_n + contact, m->quiet_n, m->quiet_count, noise_n, false, 0, NULL};
    size_t n = m->n - contact;
    struct parabola fit;
    struct err e;
    double greatest_mm = -INFINITY, slope, position_sd_n, share;
    double *rows;
    if (m->lost_mm == NULL || !(encoder_mm_per_count != 0) || n < PUSH_MOTION_QUIET_LEAST || !(noise_n > 0))
        return s;
    rows = malloc((n + m->quiet_count + 1) * sizeof *rows);
    if (rows == NULL)
        return s;
    for (size_t i = 0; i < n; i++) {
        rows[i] = m->feed_mm[contact + i] - m->lost_mm[contact + i];
        if (rows[i] > greatest_mm) /* fmax would be a call for each sample */
            greatest_mm = rows[i];
    }
    if (parabola_fit(rows, s.force_n, n, 2, &fit, &e) != ERR_OK) {
        free(rows);
        return s;
    }
    slope = parabola_slope(&fit, greatest_mm);
    position_sd_n = COUNT_SD * fabs(encoder_mm_per_count) * slope;
    if (!(slope > 0) || fit.residual_sd > SPRING_MISFIT * hypot(noise_n, position_sd_n)) {
        free(rows);
        return s;
    }
    share = noise_n * noise_n / (noise_n * noise_n + position_sd_n * position_sd_n); /* of the position */
    for (size_t i = 0; i < n; i++)
        rows[i] = share * parabola_value(&fit, rows[i]) + (1 - share) * s.force_n[i];
    for (size_t i = 0; i < m->quiet_count; i++)
        rows[n + i] =
            (1 - share) * m->quiet_n[i] + share * position_sd_n * sqrt(12.0) * push_motion_dither(i);
    s.owned = rows;
    s.force_n = rows;
    s.quiet_n = rows + n;
    s.noise_n = hypot((1 - share) * noise_n, share * position_sd_n);
    s.by_position = true;
    s.stiffness_n_per_mm = slope;
    return s;
}

void push_signal_free(struct push_signal *s)
{
    free(s->owned);
}
