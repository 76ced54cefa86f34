#include "analyze/push_loading.h"

#include "analyze/numerics/pair.h"
#include "analyze/numerics/parabola.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The last part of a rise to the motor's limit is left out of the loading fit: the load angle is then near 90
 * degrees and its sine nearly flat, so that noise in force becomes a large error of the lag. */
#define NEAR_PEAK_SHARE 0.95
#define NEAR_PEAK_MEAN  8u
/* The lever of an eccentric gear differs a little between the loading and its peak: relative standard
 * uncertainty of the motor's limit along the loading (runout of about 0.02 mm on a radius of 5 mm). */
#define LEVER_SHARE 0.004
/* Feed error expected once per tooth, as the runout. */
#define TOOTH_RIPPLE_MM 0.002
/* BIC gain that an onset must bring. Above 10 is strong evidence by the usual reading (Kass and Raftery, J.
 * Am. Stat. Assoc. 90, 1995). */
#define ONSET_BIC_GAIN 12.0
/* Force by position is believed when it leaves at most this many times the noise of the unloaded reading. */
#define SPRING_MISFIT 1.3
/* Where the lost feed is fitted, up to this share of the level. */
#define NEAR_LEVEL_SHARE 0.98
/* Peaks are read with the slip of the loading where that is known: the share lost at a peak within this, as a
 * standard error. Of few readings it is not, and slip that is none would bend the rises more than any. */
#define SLIP_KNOWN 0.05
/* Samples of a loading that are fitted one by one; a longer one is averaged in blocks to fewer. */
#define BLOCKS_MOST 128u

/* Where the mean of a few samples first reaches a force: a first drop that was missed is then left out too.
 */
static size_t before_force(const struct push_motion *m, size_t contact, size_t end, double force_n)
{
    double sum = 0;
    for (size_t i = contact; i < end; i++) {
        sum += m->force_n[i] - (i >= contact + NEAR_PEAK_MEAN ? m->force_n[i - NEAR_PEAK_MEAN] : 0);
        if (i >= contact + NEAR_PEAK_MEAN && sum / NEAR_PEAK_MEAN > force_n)
            return i;
    }
    return end;
}

/* With an encoder the force may be had with less noise than sample by sample: the blocked end is a spring,
 * and where its filament stands says how hard it is pushed. A parabola of force on measured position, where
 * that leaves no more than the noise; NULL where it leaves more (the end is no such spring), or without
 * memory. *error_n is its standard error. */
static double *force_by_position(const struct push_motion *m, const struct push_result *r, size_t first,
                                 size_t n, double *error_n)
{
    struct parabola fit;
    struct err e;
    double *position_mm = malloc((n + 1) * sizeof *position_mm);
    if (position_mm == NULL)
        return NULL;
    for (size_t i = 0; i < n; i++)
        position_mm[i] = m->feed_mm[first + i] - m->lost_mm[first + i];
    if (parabola_fit(position_mm, m->force_n + first, n, 2, &fit, &e) != ERR_OK ||
        fit.residual_sd > SPRING_MISFIT * r->noise_n) {
        free(position_mm);
        return NULL;
    }
    for (size_t i = 0; i < n; i++)
        position_mm[i] = parabola_value(&fit, position_mm[i]);
    *error_n = 2 * fit.residual_sd / sqrt((double)n);
    return position_mm;
}

static double mean_of_block(const double *values, size_t first, size_t n)
{
    pair sums = {0};
    size_t i = first;
    for (; i + 2 <= first + n; i += 2)
        sums += pair_at(values + i);
    return (pair_sum(sums) + (i < first + n ? values[i] : 0)) / (double)n;
}

/* Slip onset of a long loading from the means of blocks: short beside a tooth pitch, they say as much as all
 * samples, in a bounded time. */
static enum err_code fit_in_blocks(const struct slip_onset_input *in, struct slip_onset *fit, struct err *e)
{
    size_t size = in->n / BLOCKS_MOST + 1, blocks = in->n / size;
    struct slip_onset_input means = *in;
    enum err_code code;
    double *room;
    if (size == 1)
        return slip_onset_fit(in, fit, e);
    room = malloc(3 * blocks * sizeof *room);
    if (room == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for a loading of %zu samples", in->n);
    for (size_t i = 0; i < blocks; i++) {
        room[i] = mean_of_block(in->feed_mm, i * size, size);
        room[blocks + i] = mean_of_block(in->force_n, i * size, size);
        room[2 * blocks + i] = in->lost_mm != NULL ? mean_of_block(in->lost_mm, i * size, size) : 0;
    }
    means.n = blocks;
    means.feed_mm = room;
    means.force_n = room + blocks;
    means.lost_mm = in->lost_mm != NULL ? room + 2 * blocks : NULL;
    code = slip_onset_fit(&means, fit, e);
    free(room);
    return code;
}

/* None where none is expected: of a gear that is stated to run true, or that has no teeth. */
static void add_ripple(struct slip_onset_input *in, double period_mm, double expected_mm)
{
    if (!(period_mm > 0) || !(expected_mm > 0))
        return;
    in->ripples[in->ripple_count].period_mm = period_mm;
    in->ripples[in->ripple_count++].amplitude_mm = expected_mm;
}

void push_loading_fit(const struct push_motion *m, const struct push_result *r, size_t contact, size_t end,
                      double motor_limit_n, double motor_limit_uncertainty_n, const struct push_gear *gear,
                      struct push_loading *l)
{
    struct err e;
    struct slip_onset_input in = {.feed_mm = m->feed_mm + contact,
                                  .force_n = m->force_n + contact,
                                  .full_step_mm = m->step_mm,
                                  .motor_limit_n = motor_limit_n,
                                  .motor_limit_standard_uncertainty_n = motor_limit_uncertainty_n,
                                  .bic_gain_least = ONSET_BIC_GAIN};
    memset(l, 0, sizeof *l);
    add_ripple(&in, gear->turn_mm, gear->runout_mm);
    add_ripple(&in, gear->pitch_mm, TOOTH_RIPPLE_MM);
    in.n = end > contact ? end - contact : 0;
    if (fit_in_blocks(&in, &l->force_fit, &e) != ERR_OK) {
        snprintf(l->why_not, sizeof l->why_not, "%.150s", e.text);
        return;
    }
    l->fitted = true;
    l->fit = l->force_fit;
    if (r->with_encoder) {
        in.lost_mm = m->lost_mm + contact;
        /* On a level the force decides how much feed is lost, and its slow drift adds up in the lost feed:
         * the fit ends short of where all feed is lost. */
        if (l->force_fit.onset_found)
            in.n = before_force(m, contact, end, NEAR_LEVEL_SHARE * l->force_fit.settle_n) - contact;
        double error_n = 0, *force_n = force_by_position(m, r, contact, in.n, &error_n);
        if (force_n != NULL)
            in.force_n = force_n;
        if (fit_in_blocks(&in, &l->fit, &e) == ERR_OK)
            l->fit.onset_standard_error_n = hypot(l->fit.onset_standard_error_n, error_n);
        else
            l->fit = l->force_fit;
        free(force_n);
    }
}

double push_loading_read_as_motor(const struct push_motion *m, size_t contact,
                                  const struct push_signal *signal, double slope_n_per_mm,
                                  struct drop *as_motor, size_t count)
{
    double error, peak_n = drops_median_peak(as_motor, count, &error);
    double from_n = PUSH_LOADING_SLOPE_FROM * peak_n, to_n = PUSH_LOADING_SLOPE_TO * peak_n;
    double spring_mm = (to_n - from_n) / slope_n_per_mm - (slip_onset_lag_mm(m->step_mm, to_n, peak_n) -
                                                           slip_onset_lag_mm(m->step_mm, from_n, peak_n));
    struct motor_rise rise = {.full_step_mm = m->step_mm};
    if (!(peak_n > 0 && spring_mm > 0))
        return 0;
    rise.stiffness_n_per_mm = (to_n - from_n) / spring_mm;
    drops_read_motor_peaks(m->feed_mm + contact, signal->force_n, m->n - contact, signal->noise_n, &rise,
                           as_motor, count);
    return rise.stiffness_n_per_mm;
}

/* Peaks and loading read as those of a motor. Its rises bend with the slip that the loading shows, and the
 * loading bends with the limit that the rises show: where there is slip, a second pass lets each have the
 * other's. */
void push_loading_fit_as_motor(const struct push_motion *m, const struct push_result *r, size_t contact,
                               size_t end, const struct push_signal *signal, const struct drop *drops,
                               size_t count, const struct push_gear *gear, const struct push_loading *plain,
                               struct drop *as_motor, struct push_loading *motor)
{
    struct motor_rise rise = {.full_step_mm = m->step_mm,
                              .stiffness_n_per_mm = plain->force_fit.stiffness_n_per_mm};
    for (int pass = 0; pass < 2; pass++) {
        double error, near_n;
        memcpy(as_motor, drops, count * sizeof *drops);
        drops_read_motor_peaks(m->feed_mm + contact, signal->force_n, m->n - contact, signal->noise_n, &rise,
                               as_motor, count);
        near_n = NEAR_PEAK_SHARE * fmin(as_motor[0].peak_n, drops_median_peak(as_motor, count, &error));
        push_loading_fit(m, r, contact, before_force(m, contact, end, near_n), as_motor[0].peak_n,
                         hypot(as_motor[0].peak_standard_error_n, LEVER_SHARE * as_motor[0].peak_n), gear,
                         motor);
        if (!motor->fitted)
            return;
        rise = (struct motor_rise){m->step_mm, motor->force_fit.stiffness_n_per_mm, 0, 0, 0};
        if (motor->fit.creep_standard_error_per_n * as_motor[0].peak_n < SLIP_KNOWN) {
            rise.creep_per_n = motor->fit.creep_per_n;
            rise.gross_slip_per_n = motor->fit.gross_slip_per_n;
            rise.onset_n = motor->fit.onset_n;
        }
    }
}
