#include "analyze/push.h"

#include "analyze/numerics/drops.h"
#include "analyze/numerics/limit_cause.h"
#include "analyze/numerics/slip_onset.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const LIMITED_NAMES[LIMITED_COUNT] = {"motor", "grip", "limit", "unclear"};

#define PI                   3.14159265358979323846
#define FULL_STEPS_PER_CYCLE 4.0
/* Unloaded samples needed for a zero, and left out beside the motion: the filament needs a moment to spring
 * back. */
#define QUIET_LEAST    20u
#define SETTLE_TIME_US 100000
/* Braking has begun where the feed runs slower than this share of its speed. */
#define BRAKING_SHARE 0.97
/* Contact: the force is this many noise sds, and this share of the greatest force, above zero. */
#define CONTACT_SDS   6.0
#define CONTACT_SHARE 0.03
/* A drop must be this share of the greatest force; events of the stall reach this share of the greatest peak.
 */
#define DROP_SHARE  0.01
#define EVENT_SHARE 0.7
/* The last part of a rise to the motor's limit is left out of the loading fit: the load angle is then near 90
 * degrees and its sine nearly flat, so that noise in force becomes a large error of the lag. */
#define NEAR_PEAK_SHARE 0.95
#define NEAR_PEAK_MEAN  8u
/* The lever of an eccentric gear differs a little between the loading and its peak: relative standard
 * uncertainty of the motor's limit along the loading (runout of about 0.02 mm on a radius of 5 mm). */
#define LEVER_SHARE 0.004
/* Expected runout of a drive gear, an operator's estimate where nothing was measured: mm, one standard
 * deviation. */
#define ECCENTRICITY_MM 0.02
#define TOOTH_RIPPLE_MM 0.002
/* BIC gain that an onset must bring. Above 10 is strong evidence by the usual reading (Kass and Raftery, J.
 * Am. Stat. Assoc. 90, 1995). */
#define ONSET_BIC_GAIN 12.0
/* A level: over this last part of the push the force rises by less than this share of what stiffness alone
 * would make it; the fitted approach is believed where it leads to the level within this share. */
#define LEVEL_PART      0.2
#define LEVEL_SLOPE     0.03
#define LEVEL_AGREEMENT 0.01
/* Relative scatter assumed of a single event, where none can be seen: an estimate, not a measurement. */
#define SINGLE_EVENT_SCATTER 0.02
/* Creep of the load cell and wandering of its zero between the two zero readings: relative standard
 * uncertainty, an estimate for an ordinary strain-gauge cell (common practice, no source). */
#define CELL_CREEP_SHARE 0.0003
#define SURE             0.9

/* The push in newtons and millimetres, between the start and the end of motion. */
struct motion {
    size_t n;
    double *force_n, *feed_mm, *lost_mm;
    double *quiet_n;
    size_t quiet_count;
    double zero_uncertainty_n;
    double relative_feed; /* relative standard uncertainty of feed */
    double step_mm;       /* feed of one full step */
};

static void add_flag(struct push_result *r, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void add_flag(struct push_result *r, const char *format, ...)
{
    va_list arguments;
    if (r->flag_count >= PUSH_FLAGS_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(r->flags[r->flag_count++], sizeof r->flags[0], format, arguments);
    va_end(arguments);
}

static void add_evidence(struct push_result *r, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
static void add_evidence(struct push_result *r, const char *format, ...)
{
    va_list arguments;
    if (r->evidence_count >= PUSH_EVIDENCE_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(r->evidence[r->evidence_count++], sizeof r->evidence[0], format, arguments);
    va_end(arguments);
}

double push_feed_per_microstep_mm(const struct run_record *record, const struct calibration *calibration,
                                  double *relative)
{
    double counts = (double)record->full_steps_per_rev * record->microsteps * record->reduction;
    for (size_t i = 0; i < calibration->feed_count; i++) {
        const struct calibration_feed *f = &calibration->feeds[i];
        if (strcmp(f->feeder, record->feeder) == 0) {
            if (relative != NULL)
                *relative = f->standard_uncertainty_mm_per_microstep / f->mm_per_microstep;
            return f->mm_per_microstep;
        }
    }
    if (relative != NULL)
        *relative = record->drive_diameter_standard_uncertainty_mm / record->drive_diameter_mm;
    return PI * record->drive_diameter_mm / counts;
}

static void free_motion(struct motion *m)
{
    free(m->force_n);
    free(m->feed_mm);
    free(m->lost_mm);
    free(m->quiet_n);
}

struct zero {
    double counts, sd_counts, middle_us;
    size_t n;
};

static struct zero mean_between(const struct run_columns *c, int64_t low_us, int64_t high_us)
{
    struct zero z = {0};
    double sum = 0, square = 0, time = 0;
    for (size_t i = 0; i < c->n; i++) {
        if (c->time_us[i] < low_us || c->time_us[i] >= high_us || (c->flags[i] & RUN_FLAG_OVER_RANGE))
            continue;
        double d = (double)c->force_counts[i] - (double)c->force_counts[0];
        sum += d;
        square += d * d;
        time += (double)c->time_us[i];
        z.n++;
    }
    if (z.n == 0)
        return z;
    z.counts = sum / (double)z.n + (double)c->force_counts[0];
    z.middle_us = time / (double)z.n;
    if (z.n > 1)
        z.sd_counts = sqrt(fmax(0, (square - sum * sum / (double)z.n) / (double)(z.n - 1)));
    return z;
}

/* Commanded feed is recorded in whole microsteps; a centred average over a few of them takes the staircase
 * away and is exact at constant speed. The half width spans at least 4 counts. */
static void smooth_feed(double *feed_mm, size_t n, double step_mm)
{
    double travel = feed_mm[n - 1] - feed_mm[0];
    double per_sample = travel / (double)(n - 1);
    size_t half;
    double *sums;
    if (!(per_sample > 0) || per_sample > 8 * step_mm)
        return;
    half = (size_t)ceil(4 * step_mm / per_sample);
    if (half > n / 8)
        half = n / 8;
    sums = malloc((n + 1) * sizeof *sums);
    if (sums == NULL)
        return;
    sums[0] = 0;
    for (size_t i = 0; i < n; i++)
        sums[i + 1] = sums[i] + feed_mm[i];
    for (size_t i = 0; i < n; i++) {
        size_t h = half;
        if (h > i)
            h = i;
        if (h > n - 1 - i)
            h = n - 1 - i;
        feed_mm[i] = (sums[i + h + 1] - sums[i - h]) / (double)(2 * h + 1);
    }
    free(sums);
}

/* Zero before and after, in counts, drawn as a straight line through the run; noise from the stretch before.
 */
static enum err_code take_zero(const struct run_columns *c, const struct run_record *record,
                               const struct calibration *calibration, struct motion *m, struct push_result *r,
                               double *slope_counts_us, double *middle_us, struct err *e)
{
    struct zero before = mean_between(c, 0, record->push_start_us);
    /* The motor is cut a moment after the motion ends, and only then does the filament let go. */
    int64_t after_us = c->n > 0 ? (c->time_us[c->n - 1] - record->push_end_us) / 4 : 0;
    struct zero after = mean_between(
        c, record->push_end_us + (after_us > SETTLE_TIME_US ? after_us : SETTLE_TIME_US), INT64_MAX);
    double per_n = fabs(calibration_counts(calibration, 1, 0) - calibration_counts(calibration, 0, 0));
    if (before.n < QUIET_LEAST)
        return err_set(e, ERR_NO_ANSWER, "only %zu unloaded samples before the push: no zero can be taken",
                       before.n);
    r->zero_counts = before.counts;
    r->noise_n = before.sd_counts / per_n;
    *slope_counts_us = 0;
    *middle_us = before.middle_us;
    m->zero_uncertainty_n = r->noise_n / sqrt((double)before.n);
    if (after.n >= QUIET_LEAST) {
        *slope_counts_us = (after.counts - before.counts) / (after.middle_us - before.middle_us);
        r->zero_drift_n = calibration_force_n(calibration, after.counts, before.counts);
        /* The drift between the two zeros is taken as a straight line; how far it strays from one is not
         * seen. A rectangle of half the drift either way at mid-run covers it. */
        m->zero_uncertainty_n = hypot(m->zero_uncertainty_n, fabs(r->zero_drift_n) / 2 / sqrt(12.0));
    } else {
        add_flag(r, "no zero after the push: drift is not corrected");
    }
    m->quiet_n = malloc(before.n * sizeof *m->quiet_n);
    if (m->quiet_n == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", before.n);
    for (size_t i = 0; i < c->n && m->quiet_count < before.n; i++) {
        if (c->time_us[i] < record->push_start_us && !(c->flags[i] & RUN_FLAG_OVER_RANGE))
            m->quiet_n[m->quiet_count++] =
                calibration_force_n(calibration, c->force_counts[i], before.counts);
    }
    return ERR_OK;
}

/* While the motor brakes it turns slower and may push harder than at the speed in question: the push ends
 * where the braking begins. */
static void leave_out_braking(const struct run_columns *c, size_t first, struct motion *m, double speed_mm_s)
{
    size_t window = m->n / 200 + 8;
    while (m->n > 4 * window) {
        size_t last = m->n - 1;
        double span_s = (double)(c->time_us[first + last] - c->time_us[first + last - window]) * 1e-6;
        if (m->feed_mm[last] - m->feed_mm[last - window] >= BRAKING_SHARE * speed_mm_s * span_s)
            break;
        m->n--;
    }
}

static enum err_code take_motion(const struct run_columns *c, const struct run_record *record,
                                 const struct calibration *calibration, struct motion *m,
                                 struct push_result *r, struct err *e)
{
    double slope = 0, middle_us = 0, per_microstep;
    size_t first = 0, last, over = 0, jumps = 0;
    enum err_code code = take_zero(c, record, calibration, m, r, &slope, &middle_us, e);
    if (code != ERR_OK)
        return code;
    per_microstep = push_feed_per_microstep_mm(record, calibration, &m->relative_feed);
    m->step_mm = per_microstep * record->microsteps;
    while (first < c->n && c->time_us[first] < record->push_start_us)
        first++;
    while (first + 1 < c->n && c->commanded_steps[first + 1] <= c->commanded_steps[first])
        first++;
    last = first;
    while (last + 1 < c->n && c->time_us[last + 1] <= record->push_end_us)
        last++;
    while (last > first && c->commanded_steps[last] <= c->commanded_steps[last - 1])
        last--;
    if (last < first + QUIET_LEAST)
        return err_set(e, ERR_NO_ANSWER, "no forward feed between the start and the end of the push");
    m->n = last - first + 1;
    r->with_encoder = c->encoder_counts != NULL && calibration->encoder_mm_per_count > 0;
    m->force_n = malloc(m->n * sizeof *m->force_n);
    m->feed_mm = malloc(m->n * sizeof *m->feed_mm);
    m->lost_mm = r->with_encoder ? malloc(m->n * sizeof *m->lost_mm) : NULL;
    if (m->force_n == NULL || m->feed_mm == NULL || (r->with_encoder && m->lost_mm == NULL))
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", m->n);
    for (size_t i = 0; i < m->n; i++) {
        size_t j = first + i;
        double zero = r->zero_counts + slope * ((double)c->time_us[j] - middle_us);
        m->force_n[i] = calibration_force_n(calibration, c->force_counts[j], zero);
        m->feed_mm[i] = per_microstep * ((double)c->commanded_steps[j] - (double)c->commanded_steps[first]);
        over += (c->flags[j] & RUN_FLAG_OVER_RANGE) != 0;
        r->greatest_force_n = fmax(r->greatest_force_n, m->force_n[i]);
        if (i > 0 && c->commanded_steps[j] < c->commanded_steps[j - 1])
            return err_set(e, ERR_NO_ANSWER, "the commanded feed runs backward during the push");
    }
    smooth_feed(m->feed_mm, m->n, per_microstep);
    for (size_t i = 0; i < m->n && r->with_encoder; i++)
        m->lost_mm[i] =
            m->feed_mm[i] - calibration->encoder_mm_per_count *
                                ((double)c->encoder_counts[first + i] - (double)c->encoder_counts[first]);
    /* Median sampling interval from the whole stretch; a jump of three times as much is a hole in the record.
     */
    double interval_us = (double)(c->time_us[last] - c->time_us[first]) / (double)(m->n - 1);
    for (size_t j = first + 1; j <= last; j++)
        jumps += (double)(c->time_us[j] - c->time_us[j - 1]) > 3 * interval_us;
    size_t quarter = m->n / 4;
    r->speed_mm_s = (m->feed_mm[m->n - 1 - quarter] - m->feed_mm[quarter]) /
                    ((double)(c->time_us[last - quarter] - c->time_us[first + quarter]) * 1e-6);
    leave_out_braking(c, first, m, r->speed_mm_s);
    if (over > 0)
        add_flag(r, "%zu samples at the end of the converter's range: their force is not known", over);
    if (jumps > 0 || record->gaps > 0)
        add_flag(r, "%lld gaps in the record, %zu of them during the push", (long long)record->gaps, jumps);
    return ERR_OK;
}

static size_t find_contact(const struct motion *m, const struct push_result *r)
{
    double level = fmax(CONTACT_SDS * r->noise_n, CONTACT_SHARE * r->greatest_force_n);
    size_t i = m->n;
    double greatest = 0;
    for (size_t j = 0; j < m->n && greatest < 0.5 * r->greatest_force_n; j++)
        greatest = fmax(greatest, m->force_n[i = j]);
    /* Back from half the greatest force to the last sample under the level: a spike before contact does no
     * harm. */
    while (i > 0 && m->force_n[i] > level)
        i--;
    return i + 1 < m->n ? i + 1 : m->n - 1;
}

/* Fits to the loading from contact to the first drop or the end. */
struct loading {
    bool fitted;                 /* force_fit holds stiffness */
    struct slip_onset force_fit; /* of F on feed */
    struct slip_onset fit;       /* the one to answer from: of lost feed where there is an encoder */
    char why_not[160];
};

/* Where the mean of a few samples first reaches a force: a first drop that was missed is then left out too.
 */
static size_t before_force(const struct motion *m, size_t contact, size_t end, double force_n)
{
    double sum = 0;
    for (size_t i = contact; i < end; i++) {
        sum += m->force_n[i] - (i >= contact + NEAR_PEAK_MEAN ? m->force_n[i - NEAR_PEAK_MEAN] : 0);
        if (i >= contact + NEAR_PEAK_MEAN && sum / NEAR_PEAK_MEAN > force_n)
            return i;
    }
    return end;
}

static void fit_loading(const struct motion *m, const struct push_result *r, size_t contact, size_t end,
                        double motor_limit_n, double motor_limit_uncertainty_n, double turn_mm,
                        double pitch_mm, struct loading *l)
{
    struct err e;
    struct slip_onset_input in = {.feed_mm = m->feed_mm + contact,
                                  .force_n = m->force_n + contact,
                                  .full_step_mm = m->step_mm,
                                  .motor_limit_n = motor_limit_n,
                                  .motor_limit_standard_uncertainty_n = motor_limit_uncertainty_n,
                                  .ripple_count = pitch_mm > 0 ? 2 : 1,
                                  .ripples = {{turn_mm, ECCENTRICITY_MM}, {pitch_mm, TOOTH_RIPPLE_MM}},
                                  .bic_gain_least = ONSET_BIC_GAIN};
    memset(l, 0, sizeof *l);
    in.n = end > contact ? end - contact : 0;
    if (slip_onset_fit(&in, &l->force_fit, &e) != ERR_OK) {
        snprintf(l->why_not, sizeof l->why_not, "%.150s", e.text);
        return;
    }
    l->fitted = true;
    l->fit = l->force_fit;
    if (r->with_encoder) {
        in.lost_mm = m->lost_mm + contact;
        if (slip_onset_fit(&in, &l->fit, &e) != ERR_OK)
            l->fit = l->force_fit;
    }
}

/* Peaks and loading read as those of a motor. Its rises bend with the slip that the loading shows, and the
 * loading bends with the limit that the rises show: where there is slip, a second pass lets each have the
 * other's. */
static void fit_as_motor(const struct motion *m, const struct push_result *r, size_t contact, size_t end,
                         const struct drop *drops, size_t count, double turn_mm, double pitch_mm,
                         const struct loading *plain, struct drop *as_motor, struct loading *motor)
{
    struct motor_rise rise = {.full_step_mm = m->step_mm,
                              .stiffness_n_per_mm = plain->force_fit.stiffness_n_per_mm};
    for (int pass = 0; pass < 2; pass++) {
        double error, near_n;
        memcpy(as_motor, drops, count * sizeof *drops);
        drops_read_motor_peaks(m->feed_mm + contact, m->force_n + contact, m->n - contact, r->noise_n, &rise,
                               as_motor, count);
        near_n = NEAR_PEAK_SHARE * fmin(as_motor[0].peak_n, drops_median_peak(as_motor, count, &error));
        fit_loading(m, r, contact, before_force(m, contact, end, near_n), as_motor[0].peak_n,
                    hypot(as_motor[0].peak_standard_error_n, LEVER_SHARE * as_motor[0].peak_n), turn_mm,
                    pitch_mm, motor);
        if (!motor->fitted)
            return;
        rise = (struct motor_rise){m->step_mm, motor->force_fit.stiffness_n_per_mm, motor->fit.creep_per_n,
                                   motor->fit.gross_slip_per_n, motor->fit.onset_n};
    }
}

/* How far the filament came back at each drop under each hypothesis. A motor that loses step stood at a load
 * angle of 90 degrees and gives back the lag between peak and trough; how far a motor lagged that never lost
 * step is not known, a quarter of a full step give or take as much. */
static void work_out_drops(const struct motion *m, const struct push_result *r, const struct drop *as_motor,
                           const struct drop *as_grip, size_t count, double stiffness,
                           struct limit_cause_drop *out, struct limit_cause_evidence *evidence)
{
    double reading = r->noise_n;
    for (size_t i = 0; i < count; i++) {
        double peak = as_motor[i].peak_n;
        double lag = slip_onset_lag_mm(m->step_mm, peak, peak) -
                     slip_onset_lag_mm(m->step_mm, as_motor[i].trough_n, peak);
        out[i].fallback_mm = (peak - as_motor[i].trough_n) / stiffness + lag;
        out[i].fallback_most_mm = peak / stiffness + m->step_mm;
        out[i].slip_back_mm = (as_grip[i].peak_n - as_grip[i].trough_n) / stiffness + m->step_mm / 4;
        out[i].slip_back_most_mm = as_grip[i].peak_n / stiffness;
        reading = fmax(reading, as_grip[i].peak_standard_error_n);
    }
    evidence->drops = out;
    evidence->drop_count = count;
    evidence->fallback_sd_mm = 1.5 * reading / stiffness;
    evidence->slip_back_sd_mm = hypot(evidence->fallback_sd_mm, m->step_mm / 4);
}

static void combine(struct push_result *r, const struct motion *m, const struct calibration *calibration,
                    struct quantity *q, double value, double error, double degrees_of_freedom, size_t n)
{
    /* The zero is one reading for the whole push and the calibration one curve: both add to what the events
     * scatter. */
    double systematic = hypot(hypot(m->zero_uncertainty_n, CELL_CREEP_SHARE * value),
                              calibration_uncertainty_n(calibration, value));
    double whole = hypot(error, systematic);
    double effective = degrees_of_freedom;
    if (error > 0 && whole > error)
        effective =
            degrees_of_freedom * pow(whole / error, 4); /* Welch-Satterthwaite, systematic parts well known */
    *q = quantity_from(value, whole, effective, n);
    if (value > calibration->load_high_n || value < calibration->load_low_n)
        add_flag(r, "%.4g N is outside the calibrated range of %.4g to %.4g N", value,
                 calibration->load_low_n, calibration->load_high_n);
}

/* The end of a push without drops: a straight line through its last part. */
struct level {
    bool reached;    /* the force hardly rises with feed any more: nearly all of it is lost */
    double value_n;  /* mean of the last part */
    double wander_n; /* how far it moves in it, by wear, drift or the rest of the approach: a rectangle either
                        way */
};

static struct level find_level(const struct motion *m, double stiffness_n_per_mm)
{
    struct level level = {0};
    size_t n = (size_t)(LEVEL_PART * (double)m->n), first = m->n - n;
    double sx = 0, sxx = 0, sy = 0, sxy = 0, d, slope, length;
    if (n < QUIET_LEAST)
        return level;
    for (size_t i = first; i < m->n; i++) {
        double x = m->feed_mm[i] - m->feed_mm[first], y = m->force_n[i];
        sx += x;
        sxx += x * x;
        sy += y;
        sxy += x * y;
    }
    length = m->feed_mm[m->n - 1] - m->feed_mm[first];
    d = (double)n * sxx - sx * sx;
    if (!(d > 0))
        return level;
    slope = ((double)n * sxy - sx * sy) / d;
    level.value_n = sy / (double)n;
    level.wander_n = fabs(slope) * length / 2 / sqrt(3.0);
    level.reached = fabs(slope) < LEVEL_SLOPE * stiffness_n_per_mm;
    return level;
}

/* An eccentric gear that creeps round while the motor stalls again and again changes its lever: the stall
 * force wanted is that of the first stall, and the median event lies half the advance further on. The advance
 * is what the feed between the first and the last event exceeds the cycles lost by. */
static double lever_wander_n(const struct motion *m, const struct drop *drops, size_t count, double cycles,
                             double turn_mm, double force_n)
{
    double radius_mm = turn_mm / (2 * PI);
    double lost_mm = FULL_STEPS_PER_CYCLE * m->step_mm * fmax(1, floor(cycles + 0.5)) * ((double)count - 1);
    double advance_mm = fmax(0, drops[count - 1].feed_mm - drops[0].feed_mm - lost_mm) / 2;
    return force_n * ECCENTRICITY_MM / radius_mm * fmin(1, advance_mm / radius_mm);
}

static size_t keep_stall_events(struct drop *drops, size_t count)
{
    double greatest = 0;
    size_t kept = 0;
    for (size_t i = 0; i < count; i++)
        greatest = fmax(greatest, drops[i].peak_n);
    for (size_t i = 0; i < count; i++) {
        if (drops[i].peak_n >= EVENT_SHARE * greatest)
            drops[kept++] = drops[i];
    }
    return kept;
}

static void take_picture(const struct motion *m, struct push_picture *p)
{
    double low = m->feed_mm[0], high = m->feed_mm[m->n - 1];
    size_t column_before = PUSH_PICTURE_COLUMNS;
    for (size_t i = 0; i < m->n; i++) {
        size_t column = (size_t)((m->feed_mm[i] - low) / (high - low) * (PUSH_PICTURE_COLUMNS - 1));
        if (column >= PUSH_PICTURE_COLUMNS)
            column = PUSH_PICTURE_COLUMNS - 1;
        if (column != column_before) {
            p->feed_mm[p->n] = m->feed_mm[i];
            p->force_low_n[p->n] = p->force_high_n[p->n] = m->force_n[i];
            p->n++;
            column_before = column;
        }
        p->force_low_n[p->n - 1] = fmin(p->force_low_n[p->n - 1], m->force_n[i]);
        p->force_high_n[p->n - 1] = fmax(p->force_high_n[p->n - 1], m->force_n[i]);
    }
}

static void say_why(struct push_result *r, const struct limit_cause *cause, const struct loading *l,
                    double strength, const struct motion *m, size_t count, double pitch_mm)
{
    if (count > 0 && cause->cycles > 0)
        add_evidence(r,
                     "%zu drops; the median one stands for %.2f electrical cycles of the motor (4 full "
                     "steps, %.3f mm)",
                     count, cause->cycles, FULL_STEPS_PER_CYCLE * m->step_mm);
    if (count > 0 && cause->pitches > 0)
        add_evidence(r, "and for %.2f tooth pitches (%.3f mm)", cause->pitches, pitch_mm);
    if (count > 1)
        add_evidence(r, "the drops scatter by %.0f %% of their size", 100 * cause->scatter);
    if (r->drop_period_mm.present)
        add_evidence(r, "they recur every %.3f mm of commanded feed (autocorrelation %.2f)",
                     r->drop_period_mm.value, strength);
    if (r->settled)
        add_evidence(r, "no drops: the force levels off while the feed goes on");
    if (l->fitted)
        add_evidence(r, "lost share of feed at the end of the loading %.1f %%%s", 100 * l->fit.lost_share_end,
                     l->fit.onset_found ? ", past an onset of gross slip" : ", all of it creep");
}

static void name_limit(struct push_result *r, const struct limit_cause *cause)
{
    memcpy(r->probability, cause->probability, sizeof r->probability);
    if (cause->probability[LIMIT_CAUSE_MOTOR] > SURE)
        r->limited_by = LIMITED_MOTOR;
    else if (cause->probability[LIMIT_CAUSE_GRIP] > SURE)
        r->limited_by = LIMITED_GRIP;
    else
        r->limited_by = LIMITED_UNCLEAR;
}

static enum err_code answer(const struct motion *m, const struct run_record *record,
                            const struct calibration *calibration, struct drop *drops, struct push_result *r,
                            struct err *e)
{
    size_t contact = find_contact(m, r), count;
    double turn_mm = m->step_mm * record->full_steps_per_rev * record->reduction;
    double pitch_mm = record->teeth > 0 ? turn_mm / record->teeth : 0;
    double strength = 0;
    struct limit_cause_drop marks[PUSH_EVENTS_MAX];
    struct drop as_motor[PUSH_EVENTS_MAX];
    struct loading l;
    struct limit_cause cause = {0};
    struct level level = {0};
    struct limit_cause_evidence evidence = {.motor_cycle_mm = FULL_STEPS_PER_CYCLE * m->step_mm,
                                            .tooth_pitch_mm = pitch_mm};
    if (r->greatest_force_n < 2 * CONTACT_SDS * r->noise_n)
        return err_set(e, ERR_NO_ANSWER,
                       "the force never rises clearly above the noise of %.3g N: was the end blocked?",
                       r->noise_n);
    count = drops_find(m->feed_mm + contact, m->force_n + contact, m->n - contact, m->quiet_n, m->quiet_count,
                       DROP_SHARE * r->greatest_force_n, drops, PUSH_EVENTS_MAX);
    count = keep_stall_events(drops, count);
    size_t end = count > 0 ? contact + drops[0].index : m->n;
    fit_loading(m, r, contact, end, 0, 0, turn_mm, pitch_mm, &l);
    evidence.onset_known = l.fitted;
    evidence.onset_found = l.fitted && l.fit.onset_found;
    if (count > 0 && l.fitted) {
        /* Were it the motor, its limit is known from the first peak, and with it the load angle all along the
         * loading. */
        struct loading motor;
        fit_as_motor(m, r, contact, end, drops, count, turn_mm, pitch_mm, &l, as_motor, &motor);
        work_out_drops(m, r, as_motor, drops, count, (motor.fitted ? motor : l).force_fit.stiffness_n_per_mm,
                       marks, &evidence);
        cause = limit_cause_weigh(&evidence);
        if (motor.fitted && cause.probability[LIMIT_CAUSE_MOTOR] > 0.5) {
            l = motor;
            memcpy(drops, as_motor, count * sizeof *drops);
            evidence.onset_found = l.fit.onset_found;
        }
    }
    double force_end = 0;
    size_t tail = m->n / 50 + 1;
    for (size_t i = m->n - tail; i < m->n; i++)
        force_end += m->force_n[i] / (double)tail;
    if (count == 0 && l.fitted)
        level = find_level(m, l.force_fit.stiffness_n_per_mm);
    r->settled = level.reached;
    evidence.settled = r->settled;

    if (count >= 2) {
        double error, median = drops_median_peak(drops, count, &error);
        if (evidence.drop_count > 0 && cause.probability[LIMIT_CAUSE_MOTOR] > 0.5)
            error = hypot(error, lever_wander_n(m, drops, count, cause.cycles, turn_mm, median));
        combine(r, m, calibration, &r->stall_force_n, median, error, (double)count - 1, count);
        double period = drops_period_mm(m->feed_mm + contact, m->force_n + contact, drops, count, &strength);
        if (period > 0 && strength > 0.3)
            r->drop_period_mm =
                quantity_from(period, hypot(m->relative_feed * period, 0.02 * period / sqrt((double)count)),
                              (double)count, count);
    } else if (count == 1) {
        combine(r, m, calibration, &r->stall_force_n, drops[0].peak_n,
                hypot(drops[0].peak_standard_error_n, SINGLE_EVENT_SCATTER * drops[0].peak_n), 50, 1);
        add_flag(r, "one event only: its scatter is an estimate of %.0f %%, not a measurement",
                 100 * SINGLE_EVENT_SCATTER);
    } else if (r->settled) {
        /* From the fit of force on feed even where there is an encoder: the level is read off the force
         * itself. Where that fit shows no gross slip, or none that leads to this level, the level is what the
         * last part says. */
        const struct slip_onset *f = &l.force_fit;
        bool fits = f->onset_found && fabs(f->settle_n - level.value_n) < LEVEL_AGREEMENT * level.value_n;
        combine(r, m, calibration, &r->stall_force_n, fits ? f->settle_n : level.value_n,
                hypot(fits ? f->settle_standard_error_n : 0, level.wander_n), f->degrees_of_freedom, 1);
    } else {
        r->stall_force_n = quantity_at_least(force_end);
    }
    if (l.fitted) {
        const struct slip_onset *f = &l.fit;
        r->creep_per_n =
            quantity_from(f->creep_per_n, f->creep_standard_error_per_n, f->degrees_of_freedom, 1);
        r->stiffness_n_per_mm = quantity_from(l.force_fit.stiffness_n_per_mm,
                                              hypot(l.force_fit.stiffness_standard_error_n_per_mm,
                                                    m->relative_feed * l.force_fit.stiffness_n_per_mm),
                                              l.force_fit.degrees_of_freedom, 1);
        if (f->onset_found)
            combine(r, m, calibration, &r->slip_onset_n, f->onset_n, f->onset_standard_error_n,
                    f->degrees_of_freedom, 1);
    } else {
        add_flag(r, "no slip onset: %s", l.why_not);
    }
    if (count > 0 || r->settled) {
        cause = limit_cause_weigh(&evidence);
        name_limit(r, &cause);
        say_why(r, &cause, &l, strength, m, count, pitch_mm);
    } else {
        r->limited_by =
            record->ended == RUN_LIMIT || record->ended == RUN_COMPLETE ? LIMITED_LIMIT : LIMITED_UNCLEAR;
        r->probability[LIMIT_CAUSE_NEITHER] = 1;
        add_evidence(r, "neither drops nor a level were reached: the push ended first (%s)",
                     record->ended_why);
    }
    r->event_count = count;
    for (size_t i = 0; i < count; i++)
        r->events[i] = (struct push_event){drops[i].feed_mm, drops[i].peak_n, drops[i].trough_n};
    return ERR_OK;
}

enum err_code push_analyse(const struct run_columns *columns, const struct run_record *record,
                           const struct calibration *calibration, struct push_result *result, struct err *e)
{
    struct motion m = {0};
    struct drop *drops = malloc(PUSH_EVENTS_MAX * sizeof *drops);
    enum err_code code;
    memset(result, 0, sizeof *result);
    result->limited_by = LIMITED_UNCLEAR;
    if (drops == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the events of a run");
    code = take_motion(columns, record, calibration, &m, result, e);
    if (code == ERR_OK) {
        take_picture(&m, &result->picture);
        code = answer(&m, record, calibration, drops, result, e);
    }
    if (code != ERR_OK)
        memset(result, 0, sizeof *result);
    free(drops);
    free_motion(&m);
    return code;
}
