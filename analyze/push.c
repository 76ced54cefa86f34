#include "analyze/push.h"

#include "analyze/approach_feed.h"
#include "analyze/force_check.h"
#include "analyze/numerics/limit_cause.h"
#include "analyze/numerics/tick.h"
#include "analyze/push_budget.h"
#include "analyze/push_drops.h"
#include "analyze/push_loading.h"
#include "analyze/push_motion.h"
#include "analyze/push_sampling.h"
#include "analyze/push_signal.h"
#include "datasets/format/kept.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const LIMITED_NAMES[LIMITED_COUNT] = {"motor", "grip", "limit", "unclear"};

#define PI 3.14159265358979323846
/* Contact: the force is this many noise sds, and this share of the greatest force, above zero. */
#define CONTACT_SDS   6.0
#define CONTACT_SHARE 0.03
/* A drop must be this share of the greatest force; events of the stall reach this share of the greatest peak.
 */
#define DROP_SHARE  0.01
#define EVENT_SHARE 0.7
/* The fitted approach to a level is believed where it leads to the level within this share. */
#define LEVEL_AGREEMENT 0.01
/* Feed has stopped when at least this share of it is lost. */
#define STALLED_SHARE 0.9
/* A push that ends above its events by this share, and rising, had not stalled at them. */
#define ABOVE_EVENTS_SHARE 1.05
#define PEAK_SDS           3.0
/* The beat of a motor in a level: looked for up to so many cycles of feed and this share of the tooth pitch;
 * its absence says something where the search went to so many cycles at least. */
#define TICK_SLOWEST     10.0
#define TEETH_CLEAR      0.7
#define TICK_SLOW_ENOUGH 3.0
/* Drops of this many cycles are no single cycles. */
#define CYCLES_LARGE 3.0
/* Relative scatter assumed of a single event, where none can be seen: an estimate, not a measurement. */
#define SINGLE_EVENT_SCATTER 0.02
#define SURE                 0.9
/* Full steps over which the speed at a stall is taken, and the share of the commanded one that counts as
 * reached. */
#define SPEED_STEPS   2.5
#define SPEED_REACHED 0.9
/* Relative standard uncertainty of a stiffness that is a mere slope: what creep, which is not known then, may
 * take off it. An estimate. */
#define SLOPE_RELATIVE_SD 0.03

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

static size_t find_contact(const struct push_motion *m, const struct push_result *r)
{
    double level = fmax(CONTACT_SDS * r->noise_n, CONTACT_SHARE * r->greatest_force_n);
    size_t i = m->n;
    double greatest = 0;
    for (size_t j = 0; j < m->n && greatest < 0.5 * r->greatest_force_n; j++) {
        i = j;
        if (m->force_n[i] > greatest)
            greatest = m->force_n[i];
    }
    /* Back from half the greatest force to the last sample under the level: a spike before contact does no
     * harm. */
    while (i > 0 && m->force_n[i] > level)
        i--;
    return i + 1 < m->n ? i + 1 : m->n - 1;
}

/* Everything that the force rests on once the events or fits have had their say in b. */
static struct quantity combine(struct push_result *r, const struct push_motion *m,
                               const struct calibration *calibration, const struct push_settings *settings,
                               struct budget *b, double value_n, size_t n)
{
    push_budget_add_zero(b, m);
    push_budget_add_bench(b, value_n, calibration, settings);
    if (value_n > calibration->load_high_n || value_n < calibration->load_low_n)
        push_motion_flag(r, "%.4g N is outside the calibrated range of %.4g to %.4g N", value_n,
                         calibration->load_low_n, calibration->load_high_n);
    struct quantity q = budget_combine(b, value_n, n);
    enum force_check check = force_check(calibration, (unsigned long)m->run_number, b, &q);
    const char *why = calibration->degree > 1 ? "curved calibration" : "uncertain calibration";
    if (check == FORCE_CHECK_REPLACED)
        push_motion_flag(r,
                         "linear propagation is not good enough at %.4g N (%s): the interval is from %d,000 "
                         "Monte-Carlo draws (JCGM 101)",
                         value_n, why, FORCE_CHECK_DRAWS / 1000);
    else if (check == FORCE_CHECK_FAILED)
        push_motion_flag(r,
                         "linear propagation is doubtful at %.4g N (%s), and so is its interval: within its "
                         "uncertainty the calibration turns back",
                         value_n, why);
    return q;
}

/* An eccentric gear that creeps round while the motor stalls again and again changes its lever: the stall
 * force wanted is that of the first stall, and the median event lies half the advance further on. The advance
 * is what the feed between the first and the last event exceeds the cycles lost by. */
static double lever_wander_n(const struct push_motion *m, const struct drop *drops, size_t count,
                             double cycles, double turn_mm, double runout_mm, double force_n)
{
    double radius_mm = turn_mm / (2 * PI);
    double lost_mm =
        PUSH_FULL_STEPS_PER_CYCLE * m->step_mm * fmax(1, floor(cycles + 0.5)) * ((double)count - 1);
    double advance_mm = fmax(0, drops[count - 1].feed_mm - drops[0].feed_mm - lost_mm) / 2;
    return force_n * runout_mm / radius_mm * fmin(1, advance_mm / radius_mm);
}

/* How much of a force a motor's cycle could take away unseen: nothing where a fall of 4 full steps would
 * stand out of the noise or come too often for the sampling. */
static double hidden_fall_n(const struct push_motion *m, const struct push_result *r, double noise_n,
                            double stiffness_n_per_mm)
{
    double cycle_mm = PUSH_FULL_STEPS_PER_CYCLE * m->step_mm, fall_n = cycle_mm * stiffness_n_per_mm;
    double samples = cycle_mm * (double)(m->n - 1) / (m->feed_mm[m->n - 1] - m->feed_mm[0]);
    if (samples >= PUSH_SAMPLING_PERIOD_LEAST &&
        fall_n > DROPS_STAND_OUT * noise_n * sqrt(2 / fmax(1, samples / 2)) &&
        fall_n > 1.5 * DROP_SHARE * r->greatest_force_n)
        return 0;
    return fall_n;
}

/* The force that the push reached at least: its last mean, less what that is not known by (95 %, one-sided).
 */
static struct quantity at_least(struct push_result *r, const struct push_motion *m,
                                const struct calibration *calibration, const struct push_settings *settings,
                                double force_end_n, size_t samples)
{
    struct budget b;
    budget_init(&b);
    push_budget_add(&b, "noise", r->noise_n / sqrt((double)samples), INFINITY, BUDGET_TYPE_A, false);
    struct quantity q = combine(r, m, calibration, settings, &b, force_end_n, 1);
    return quantity_at_least(force_end_n - 1.645 * q.standard_uncertainty);
}

/* A motor that loses step beats in the level even where no single drop can be made out. True when it may be
 * there unseen. The teeth pass too, so the search ends short of their pitch; with much slip the beat is
 * slower than that. */
static bool look_for_ticks(const struct push_motion *m, const struct push_signal *signal, size_t contact,
                           double pitch_mm, double fall_n, struct tick *tick)
{
    struct err e;
    size_t last = (size_t)(PUSH_LEVEL_PART * (double)m->n);
    double cycle_mm = PUSH_FULL_STEPS_PER_CYCLE * m->step_mm;
    double longest_mm = fmin(TICK_SLOWEST * cycle_mm, pitch_mm > 0 ? TEETH_CLEAR * pitch_mm : INFINITY);
    return tick_find(m->feed_mm + m->n - last, signal->force_n + m->n - contact - last, last, cycle_mm,
                     longest_mm, fall_n, signal->noise_n, tick, &e) != ERR_OK ||
           tick->seen || !tick->would_be_seen || longest_mm < TICK_SLOW_ENOUGH * cycle_mm;
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

static double peak_sd(const struct drop *drops, size_t count)
{
    double mean = 0, square = 0;
    for (size_t i = 0; i < count; i++)
        mean += drops[i].peak_n / (double)count;
    for (size_t i = 0; i < count; i++)
        square += (drops[i].peak_n - mean) * (drops[i].peak_n - mean);
    return count > 1 ? sqrt(square / ((double)count - 1)) : 0;
}

/* What is not known of the time stamps brings to what the loading gives, as standard uncertainties. */
struct stamps_effect {
    double onset_n, stiffness_n_per_mm, creep_per_n;
};

/* The loading fitted again with all its feed later by the standard uncertainty: what that changes is what it
 * brings. At a steady speed it is little, for the fit has room for any offset of the feed; it is more where
 * the drive speeds up under load. A single reading is off by its own jitter, and so is the force at the onset
 * that it marks. signal: of drops that were read as a motor's; else NULL. */
static struct stamps_effect stamps_effect(const struct push_motion *m, const struct push_result *r,
                                          size_t contact, size_t end, const struct push_stamps *stamps,
                                          const struct push_gear *gear, const struct push_loading *l,
                                          const struct push_signal *signal, const struct drop *drops,
                                          size_t count)
{
    double rise_n_s = l->force_fit.stiffness_n_per_mm * r->speed_mm_s;
    struct stamps_effect effect = {.onset_n = rise_n_s * stamps->shift_s};
    double *feed_mm = malloc(m->n * sizeof *feed_mm);
    struct push_loading again = {0};
    struct drop as_motor[PUSH_EVENTS_MAX];
    if (feed_mm != NULL) {
        struct push_motion late = push_stamps_shift(m, stamps->shift_s, feed_mm);
        if (signal != NULL)
            push_loading_fit_as_motor(&late, r, contact, end, signal, drops, count, gear, l, as_motor,
                                      &again);
        else
            push_loading_fit(&late, r, contact, end, 0, 0, gear, &again);
    }
    if (again.fitted) {
        effect.stiffness_n_per_mm =
            fabs(again.force_fit.stiffness_n_per_mm - l->force_fit.stiffness_n_per_mm);
        effect.creep_per_n = fabs(again.fit.creep_per_n - l->fit.creep_per_n);
    }
    /* Else all of the shift: an onset that comes and goes with it is no better known. */
    if (again.fitted && again.fit.onset_found && l->fit.onset_found)
        effect.onset_n = fabs(again.fit.onset_n - l->fit.onset_n);
    effect.onset_n = hypot(effect.onset_n, rise_n_s * stamps->jitter_s);
    free(feed_mm);
    return effect;
}

static void say_why(struct push_result *r, const struct limit_cause *cause, const struct push_loading *l,
                    double strength, const struct push_motion *m, size_t count, double pitch_mm)
{
    if (count > 0 && cause->cycles > 0)
        add_evidence(r,
                     "%zu drops; the median one stands for %.2f electrical cycles of the motor (4 full "
                     "steps, %.3f mm)",
                     count, cause->cycles, PUSH_FULL_STEPS_PER_CYCLE * m->step_mm);
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
        add_evidence(r, "lost share of feed at the end of the loading %.1f %%%s",
                     100 * fmax(0, l->fit.lost_share_end),
                     l->fit.onset_found ? ", past an onset of gross slip" : ", all of it creep");
}

/* A motor gives another force at another speed: one that stalls before it has come to the commanded speed
 * says nothing of that. Commanded speed over the last microsteps before sample end, where there are enough of
 * them. */
static void flag_speeding_up(struct push_result *r, const struct push_motion *m, size_t contact, size_t end,
                             double commanded_mm_s)
{
    size_t from = end - 1;
    while (from > contact && m->feed_mm[end - 1] - m->feed_mm[from] < SPEED_STEPS * m->step_mm)
        from--;
    double feed_mm = m->feed_mm[end - 1] - m->feed_mm[from], time_s = m->time_s[end - 1] - m->time_s[from];
    if (feed_mm < SPEED_STEPS * m->step_mm || !(time_s > 0) ||
        feed_mm / time_s > SPEED_REACHED * commanded_mm_s)
        return;
    push_motion_flag(
        r,
        "it stalled while it still gained speed, at %.3g of %.3g mm/s: this is no force at that speed; "
        "accelerate faster, or begin further from the blocked end",
        feed_mm / time_s, commanded_mm_s);
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

static enum err_code answer(const struct push_motion *m, const struct run_record *record,
                            const struct calibration *calibration, const struct push_settings *settings,
                            struct drop *drops, struct push_result *r, struct err *e)
{
    size_t contact = find_contact(m, r), count;
    double turn_mm = m->step_mm * record->full_steps_per_rev * record->reduction;
    double pitch_mm = record->teeth > 0 ? turn_mm / record->teeth : 0;
    double runout_mm = settings->estimates[PLAN_ESTIMATE_RUNOUT_MM];
    double strength = 0;
    struct limit_cause_drop marks[PUSH_EVENTS_MAX];
    struct drop as_motor[PUSH_EVENTS_MAX];
    const struct push_gear gear = {turn_mm, pitch_mm, runout_mm};
    struct push_loading l;
    struct limit_cause cause = {0}, of_drops = {0};
    struct push_level level = {0};
    const struct push_stamps stamps = push_stamps_of(record);
    char blind_why[160];
    bool motor_read = false;
    struct push_signal signal;
    struct limit_cause_evidence evidence = {.motor_cycle_mm = PUSH_FULL_STEPS_PER_CYCLE * m->step_mm,
                                            .tooth_pitch_mm = pitch_mm,
                                            .relative_sd = m->relative_feed};
    if (r->greatest_force_n < 2 * CONTACT_SDS * r->noise_n)
        return err_set(e, ERR_NO_ANSWER,
                       "the force never rises clearly above the noise of %.3g N: was the end blocked?",
                       r->noise_n);
    signal = push_signal_of(m, r->noise_n, contact, r->with_encoder ? calibration->encoder_mm_per_count : 0);
    r->approach_feed_ratio =
        approach_feed_ratio(m, contact, turn_mm, pitch_mm, runout_mm, calibration->encoder_mm_per_count);
    count = drops_find(m->feed_mm + contact, signal.force_n, m->n - contact, signal.quiet_n,
                       signal.quiet_count, DROP_SHARE * r->greatest_force_n, drops, PUSH_EVENTS_MAX);
    count = keep_stall_events(drops, count);
    size_t end = count > 0 ? contact + drops[0].index : m->n;
    push_loading_fit(m, r, contact, end, 0, 0, &gear, &l);
    double rise_n_per_mm = push_sampling_stiffness(m, &l, contact, end);
    push_sampling_of(m, contact, end, rise_n_per_mm, pitch_mm, drops, count, r);
    if (count > 0)
        flag_speeding_up(r, m, contact, end, record->speed_mm_s);
    bool blind = push_sampling_hides_period(&r->sampling, blind_why);
    evidence.onset_known = l.fitted;
    evidence.onset_found = l.fitted && l.fit.onset_found;
    if (count > 0 && l.fitted && !blind) {
        /* Were it the motor, its limit is known from the first peak, and with it the load angle all along the
         * loading. */
        struct push_loading motor;
        push_loading_fit_as_motor(m, r, contact, end, &signal, drops, count, &gear, &l, as_motor, &motor);
        const struct slip_onset *loading = &(motor.fitted ? &motor : &l)->force_fit;
        double stiffness = loading->stiffness_n_per_mm;
        /* Force on position holds whatever the nip loses. */
        if (signal.by_position)
            stiffness = signal.stiffness_n_per_mm;
        else
            evidence.relative_sd =
                hypot(m->relative_feed, loading->stiffness_standard_error_n_per_mm / stiffness);
        push_drops_evidence(m, signal.noise_n, as_motor, drops, count, stiffness, marks, &evidence);
        of_drops = limit_cause_of_drops(&evidence);
        cause = limit_cause_weigh_with(&evidence, &of_drops);
        if (motor.fitted && cause.probability[LIMIT_CAUSE_MOTOR] > 0.5) {
            l = motor;
            motor_read = true;
            memcpy(drops, as_motor, count * sizeof *drops);
            evidence.onset_found = l.fit.onset_found;
        }
    } else if (count > 0) {
        /* The loading has too few readings for a fit, or the cycles have. */
        double stiffness = rise_n_per_mm;
        memcpy(as_motor, drops, count * sizeof *drops);
        if (stiffness > 0 && !blind) {
            double of_motor = push_loading_read_as_motor(m, contact, &signal, stiffness, as_motor, count);
            stiffness = of_motor > 0 ? of_motor : stiffness;
        }
        if (signal.by_position)
            stiffness = signal.stiffness_n_per_mm;
        else
            evidence.relative_sd = hypot(m->relative_feed, SLOPE_RELATIVE_SD);
        if (stiffness > 0) {
            push_drops_evidence(m, signal.noise_n, as_motor, drops, count, stiffness, marks, &evidence);
            of_drops = limit_cause_of_drops(&evidence);
            cause = limit_cause_weigh_with(&evidence, &of_drops);
        }
        if (!blind && cause.probability[LIMIT_CAUSE_MOTOR] > 0.5) {
            motor_read = true;
            memcpy(drops, as_motor, count * sizeof *drops);
        }
    }
    /* Only now: the loading of a motor read without its load angle would show slip that is none. */
    evidence.lost_share_before = l.fitted ? l.fit.lost_share_end : 0;
    double force_end = 0;
    size_t tail = m->n / 50 + 1;
    for (size_t i = m->n - tail; i < m->n; i++)
        force_end += m->force_n[i] / (double)tail;
    if (count == 0)
        level = push_sampling_level(m, r->noise_n, rise_n_per_mm);
    r->settled = level.reached && !(level.lost_share < STALLED_SHARE) && !m->saturated;
    if (level.reached && level.lost_share < STALLED_SHARE)
        push_motion_flag(r, "the force levels off but %.0f %% of the feed goes on: is the end blocked?",
                         100 * (1 - level.lost_share));
    evidence.settled = r->settled;

    rise_n_per_mm = push_sampling_stiffness(m, &l, contact, end);
    double hidden_n = rise_n_per_mm > 0 ? hidden_fall_n(m, r, signal.noise_n, rise_n_per_mm) : 0;
    double unseen_n = fmax(hidden_n, push_sampling_unseen_fall_n(&r->sampling, rise_n_per_mm));
    const char *unseen_name = unseen_n > hidden_n ? PUSH_BUDGET_UNSEEN_NAME : PUSH_BUDGET_HIDDEN_NAME;
    struct tick tick = {0};
    bool ticks_ruled_out = false;
    if (hidden_n > 0 && (r->settled || (count > 0 && cause.cycles < CYCLES_LARGE))) {
        ticks_ruled_out = !look_for_ticks(m, &signal, contact, pitch_mm, hidden_n, &tick);
        evidence.ticks_seen = tick.seen;
    }
    double unused, median_peak_n = count > 0 ? drops_median_peak(drops, count, &unused) : 0;
    double greatest_peak_n = 0;
    for (size_t i = 0; i < count; i++)
        greatest_peak_n = fmax(greatest_peak_n, drops[i].peak_n);
    bool risen_on = count > 0 && force_end > fmax(ABOVE_EVENTS_SHARE * greatest_peak_n,
                                                  greatest_peak_n + PEAK_SDS * peak_sd(drops, count));
    if (risen_on)
        push_motion_flag(r, "the push ended at %.4g N, above its events: it had not stalled at them",
                         force_end);
    if (m->saturated || risen_on) {
        r->stall_force_n = at_least(r, m, calibration, settings, fmax(force_end, median_peak_n), tail);
    } else if (count >= 2) {
        double error, median = drops_median_peak(drops, count, &error);
        push_budget_add(&r->stall_budget, "scatter of the stall events", error, (double)count - 1,
                        BUDGET_TYPE_A, false);
        if (evidence.drop_count > 0 && cause.probability[LIMIT_CAUSE_MOTOR] > 0.5)
            push_budget_add(&r->stall_budget, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_RUNOUT_MM],
                            lever_wander_n(m, drops, count, cause.cycles, turn_mm, runout_mm, median),
                            INFINITY, BUDGET_TYPE_B, true);
        push_budget_add(&r->stall_budget, unseen_name, budget_rectangular(unseen_n), INFINITY, BUDGET_TYPE_B,
                        false);
        double between_n = push_sampling_peak_uncertainty_n(&r->sampling, motor_read);
        push_budget_add(&r->stall_budget, PUSH_BUDGET_BETWEEN_NAME, between_n, INFINITY, BUDGET_TYPE_B,
                        false);
        if (between_n > 0)
            push_budget_add(&r->stall_budget, PUSH_BUDGET_STAMPS_NAME,
                            push_stamps_reading_n(&stamps, r->speed_mm_s, rise_n_per_mm), INFINITY,
                            BUDGET_TYPE_B, false);
        r->stall_force_n = combine(r, m, calibration, settings, &r->stall_budget, median, count);
        double period = drops_period_mm(m->feed_mm + contact, m->force_n + contact, drops, count, &strength);
        if (period > 0 && strength > 0.3)
            r->drop_period_mm =
                quantity_from(period, hypot(m->relative_feed * period, 0.02 * period / sqrt((double)count)),
                              (double)count, count);
    } else if (count == 1) {
        push_budget_add(&r->stall_budget, "reading of the one event", drops[0].peak_standard_error_n,
                        INFINITY, BUDGET_TYPE_A, false);
        push_budget_add(&r->stall_budget, PUSH_BUDGET_STAMPS_NAME,
                        push_stamps_reading_n(&stamps, r->speed_mm_s, rise_n_per_mm), INFINITY, BUDGET_TYPE_B,
                        false);
        push_budget_add(&r->stall_budget, unseen_name, budget_rectangular(unseen_n), INFINITY, BUDGET_TYPE_B,
                        false);
        push_budget_add(&r->stall_budget, "scatter of events, not seen",
                        SINGLE_EVENT_SCATTER * drops[0].peak_n, INFINITY, BUDGET_TYPE_B, false);
        r->stall_force_n = combine(r, m, calibration, settings, &r->stall_budget, drops[0].peak_n, 1);
        push_motion_flag(r, "one event only: its scatter is an estimate of %.0f %%, not a measurement",
                         100 * SINGLE_EVENT_SCATTER);
    } else if (r->settled) {
        /* From the fit of force on feed even where there is an encoder: the level is read off the force
         * itself. Where that fit shows no gross slip, or none that leads to this level, the level is what the
         * last part says. */
        const struct slip_onset *f = &l.force_fit;
        bool fits =
            l.fitted && f->onset_found && fabs(f->settle_n - level.value_n) < LEVEL_AGREEMENT * level.value_n;
        push_budget_add(&r->stall_budget, "fit of the approach to the level",
                        fits ? f->settle_standard_error_n : 0, fits ? f->degrees_of_freedom : INFINITY,
                        BUDGET_TYPE_A, false);
        push_budget_add(&r->stall_budget, "wandering of the level", level.wander_n, INFINITY, BUDGET_TYPE_B,
                        false);
        push_budget_add(&r->stall_budget, unseen_name, budget_rectangular(unseen_n), INFINITY, BUDGET_TYPE_B,
                        false);
        r->stall_force_n =
            combine(r, m, calibration, settings, &r->stall_budget, fits ? f->settle_n : level.value_n, 1);
    } else {
        r->stall_force_n = at_least(r, m, calibration, settings, force_end, tail);
    }
    if (l.fitted) {
        const struct slip_onset *f = &l.fit;
        struct stamps_effect late = {0};
        if (stamps.apply)
            late = stamps_effect(m, r, contact, end, &stamps, &gear, &l, motor_read ? &signal : NULL, drops,
                                 count);
        r->creep_per_n = quantity_from(f->creep_per_n, hypot(f->creep_standard_error_per_n, late.creep_per_n),
                                       f->degrees_of_freedom, 1);
        r->stiffness_n_per_mm =
            quantity_from(rise_n_per_mm,
                          hypot(hypot(l.force_fit.stiffness_standard_error_n_per_mm, late.stiffness_n_per_mm),
                                m->relative_feed * rise_n_per_mm),
                          l.force_fit.degrees_of_freedom, 1);
        if (f->onset_found && hidden_n > 0) {
            push_motion_flag(
                r, "no slip onset: lost motor cycles would fall by %.2g N only and could pass for slip",
                hidden_n);
        } else if (f->onset_found) {
            push_budget_add(&r->onset_budget, "fit of the onset", f->onset_standard_error_n,
                            f->degrees_of_freedom, BUDGET_TYPE_A, false);
            /* No onset is known better than the force rises from one sample to the next. */
            push_budget_add(&r->onset_budget, "force from one sample to the next",
                            rise_n_per_mm * r->sampling.feed_mm / sqrt(12.0), INFINITY, BUDGET_TYPE_B, false);
            push_budget_add(&r->onset_budget, PUSH_BUDGET_STAMPS_NAME, late.onset_n, INFINITY, BUDGET_TYPE_B,
                            false);
            r->slip_onset_n = combine(r, m, calibration, settings, &r->onset_budget, f->onset_n, 1);
        }
    } else {
        push_motion_flag(r, "no slip onset: %s", l.why_not);
    }
    if ((count > 0 && !risen_on && !m->saturated) || r->settled) {
        evidence.cycles_hidden = hidden_n > 0 && !ticks_ruled_out;
        if (blind) {
            /* What is seen of drops that come too quickly is what the readings happen to fall on. */
            evidence = (struct limit_cause_evidence){0};
            add_evidence(r, "%s", blind_why);
        } else if (tick.seen) {
            /* The few drops that stood out of many say less than the beat of all of them. */
            evidence.settled = true;
            evidence.drop_count = 0;
            /* What the loading shows as slip is then lost cycles for the most part. */
            evidence.onset_known = false;
        }
        cause = limit_cause_weigh_with(&evidence, &of_drops);
        name_limit(r, &cause);
        /* A level, and cycles that would not have been seen: it may as well be the motor, tick by tick. */
        if (r->settled && evidence.cycles_hidden && !tick.seen)
            r->limited_by = LIMITED_UNCLEAR;
        /* Drops hardly larger than cycles that are mostly missed may be those that noise helped up. */
        if (!r->settled && hidden_n > 0 && r->limited_by == LIMITED_GRIP && cause.cycles < CYCLES_LARGE)
            r->limited_by = LIMITED_UNCLEAR;
        if (tick.seen && !blind)
            add_evidence(r,
                         "the level beats every %.3f mm of commanded feed, as a motor does that loses step",
                         tick.period_mm);
        say_why(r, &cause, &l, strength, m, count, pitch_mm);
    } else if (!m->saturated && !level.rising && (blind || (count == 0 && level.few))) {
        cause = limit_cause_weigh(&(struct limit_cause_evidence){0});
        memcpy(r->probability, cause.probability, sizeof r->probability);
        add_evidence(r, "%s",
                     blind ? blind_why : "too few readings near the end to tell a level from a rise");
    } else {
        r->limited_by =
            record->ended == RUN_LIMIT || record->ended == RUN_COMPLETE ? LIMITED_LIMIT : LIMITED_UNCLEAR;
        r->probability[LIMIT_CAUSE_NEITHER] = 1;
        add_evidence(r, "the push ended before it stalled (%s)",
                     m->saturated ? "converter at the end of its range"
                                  : kept_text_or_empty(record->ended_why));
    }
    push_sampling_flag(r, record);
    r->event_count = count;
    for (size_t i = 0; i < count; i++)
        r->events[i] = (struct push_event){drops[i].feed_mm, drops[i].peak_n, drops[i].trough_n};
    push_signal_free(&signal);
    return ERR_OK;
}

enum err_code push_analyse_with(const struct run_columns *columns, const struct run_record *record,
                                const struct calibration *calibration, const struct push_settings *settings,
                                struct push_result *result, struct err *e)
{
    struct push_motion m = {0};
    struct drop *drops = malloc(PUSH_EVENTS_MAX * sizeof *drops);
    enum err_code code;
    memset(result, 0, sizeof *result);
    result->limited_by = LIMITED_UNCLEAR;
    if (drops == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the events of a run");
    code = push_motion_take(columns, record, calibration, &m, result, settings->zero_drift_limit_n, e);
    if (code == ERR_OK) {
        push_motion_picture(&m, &result->picture);
        code = answer(&m, record, calibration, settings, drops, result, e);
    }
    if (code != ERR_OK)
        memset(result, 0, sizeof *result);
    free(drops);
    push_motion_free(&m);
    return code;
}

enum err_code push_analyse(const struct run_columns *columns, const struct run_record *record,
                           const struct calibration *calibration, struct push_result *result, struct err *e)
{
    struct push_settings settings = push_budget_settings(NULL);
    return push_analyse_with(columns, record, calibration, &settings, result, e);
}
