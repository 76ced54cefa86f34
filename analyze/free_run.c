#include "analyze/free_run.h"

#include "analyze/effective_feed.h"
#include "analyze/free_run_spectrum.h"
#include "analyze/interval_text.h"
#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/ripple.h"
#include "analyze/numerics/spectrum.h"
#include "analyze/push.h"
#include "analyze/push_motion.h"
#include "analyze/run_mean.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Probability that noise alone makes any sine up to the greatest order stand out. */
#define FALSE_ALARM 0.01
/* That it makes one sine asked for stand out, over all runs; and one of the two mains frequencies. */
#define SINE_P  0.01
#define MAINS_P 0.005
/* The encoder's counts beat with the sampling where they make so many times more doubt than spread noise. */
#define BEAT_SHOWN 3.0
/* A sine needs so many samples a cycle, and so many cycles in a run. */
#define SAMPLES_A_CYCLE 2.5
#define CYCLES_LEAST    3.0
/* Samples of the picture of the feed error, and blocks that drift is fitted to. */
#define TRACE_POINTS 1500u
#define DRIFT_BLOCKS 2000u
/* A mean force beyond this over a fiftieth of the run is no free run. */
#define IN_THE_WAY_N      1.0
#define IN_THE_WAY_BLOCKS 50u
/* Of starting and braking: slower than this share of the speed. */
#define STEADY_SHARE 0.97
/* Harmonics of an encoder's staircase that may beat with the sampling. */
#define BEAT_HARMONICS 6

enum { ECCENTRICITY, TOOTH, MOTOR_TURN, FULL_STEP, SINES };
enum { RUNOUT = SINES, FEED_RATIO, NOISE, MAINS_50, MAINS_60, DRIFT, LEVEL, QUANTITIES };
static const struct {
    const char *key, *label, *unit;
} KINDS[QUANTITIES] = {
    [ECCENTRICITY] = {"eccentricity_um", "feed ripple once per turn of the drive gear", "um"},
    [TOOTH] = {"tooth_ripple_um", "feed ripple once per tooth", "um"},
    [MOTOR_TURN] = {"motor_turn_ripple_um", "feed ripple once per turn of the motor", "um"},
    [FULL_STEP] = {"full_step_ripple_um", "feed ripple once per full step", "um"},
    [RUNOUT] = {"runout_um", "runout of the drive gear (full indicator movement)", "um"},
    [FEED_RATIO] = {"effective_feed_ratio", "measured over commanded feed", "1"},
    [NOISE] = {"noise_n", "noise of a force reading", "N"},
    [MAINS_50] = {"mains_50_n", "mains pick-up at 50 Hz", "N"},
    [MAINS_60] = {"mains_60_n", "mains pick-up at 60 Hz", "N"},
    [DRIFT] = {"zero_drift_n_per_min", "drift of the zero", "N/min"},
    [LEVEL] = {"false_alarm_um", "false-alarm level of the feed ripple", "um"},
};
static const char *const SINE_NAMES[SINES] = {"turn of the drive gear", "tooth", "turn of the motor",
                                              "full step"};

/* Cycles of each sine for one turn of the drive gear; 0: not known. */
static void orders_of(const struct run_record *r, double *orders)
{
    orders[ECCENTRICITY] = 1;
    orders[TOOTH] = r->teeth;
    orders[MOTOR_TURN] = r->reduction;
    orders[FULL_STEP] = r->full_steps_per_rev * r->reduction;
}

/* What all runs share at that value: the encoder's scale in feed, the load cell's in force. */
static void share(int what, double value, const struct calibration *calibration, struct budget *b)
{
    bool force = what == NOISE || what == MAINS_50 || what == MAINS_60 || what == DRIFT;
    budget_init(b);
    if (what == LEVEL)
        return;
    if (!force) {
        run_mean_add(b, "scale of the encoder", KINDS[what].unit,
                     effective_feed_encoder_relative(calibration) * fabs(value), INFINITY, BUDGET_TYPE_B,
                     false);
        return;
    }
    /* Small forces: the slope of the calibration at no load. */
    double relative = calibration_uncertainty_n(calibration, 1);
    run_mean_add(b, PUSH_BUDGET_CALIBRATION_NAME, KINDS[what].unit, relative * fabs(value),
                 calibration->degrees_of_freedom, BUDGET_TYPE_A, false);
}

static struct quantity of_run(int what, double value, double own, double degrees,
                              const struct calibration *calibration, size_t n)
{
    struct budget b, shared;
    budget_init(&b);
    share(what, value, calibration, &shared);
    run_mean_add(&b, "scatter within the run", KINDS[what].unit, own, degrees, BUDGET_TYPE_A, false);
    run_mean_add_scaled(&b, &shared, 1, KINDS[what].unit);
    return budget_combine(&b, value, n);
}

static void put(struct run_finding *run, int what, struct quantity q)
{
    run->quantities[what] = (struct run_quantity){KINDS[what].key, KINDS[what].label, KINDS[what].unit, q};
}

/* The order at which harmonic h of the encoder's staircase shows among samples spacing turns apart. */
static double beat_order(double counts_per_turn, int harmonic, double spacing)
{
    double cycles = harmonic * counts_per_turn * spacing;
    return fabs(cycles - nearbyint(cycles)) / spacing;
}

/* The stretch at full speed. */
static void find_steady(const struct push_motion *m, double speed_mm_s, size_t *first, size_t *last)
{
    size_t window = m->n / 200 + 8;
    *first = 0;
    *last = m->n - 1;
    while (*first + 4 * window < *last) {
        double way = m->feed_mm[*first + window] - m->feed_mm[*first];
        if (way >= STEADY_SHARE * speed_mm_s * (m->time_s[*first + window] - m->time_s[*first]))
            break;
        ++*first;
    }
    while (*first + 4 * window < *last) {
        double way = m->feed_mm[*last] - m->feed_mm[*last - window];
        if (way >= STEADY_SHARE * speed_mm_s * (m->time_s[*last] - m->time_s[*last - window]))
            break;
        --*last;
    }
    /* A window that is fast enough as a whole may begin or end with some of the ramp. */
    if (*first + 8 * window < *last) {
        *first += window;
        *last -= window;
    }
}

/* Which of the sines this run can tell; says why not of the others. wanted receives their indices. */
static size_t choose_orders(const struct run_record *record, double turns, double spacing,
                            const double *orders, int *wanted, struct push_result *r)
{
    size_t n = 0;
    for (int k = 0; k < SINES; k++) {
        bool apart = true;
        if (!(orders[k] > 0)) {
            push_motion_flag(r, "no ripple once per %s: the plan states no teeth", SINE_NAMES[k]);
            continue;
        }
        if (k == ECCENTRICITY && turns < 1) {
            push_motion_flag(
                r, "%.3g of a turn of the drive gear only: runout cannot be told, feed a whole one", turns);
            continue;
        }
        for (size_t j = 0; j < n && apart; j++) {
            apart = fabs(orders[wanted[j]] - orders[k]) * turns >= 1;
            if (!apart)
                push_motion_flag(r, "once per %s and once per %s %s: one ripple for both", SINE_NAMES[k],
                                 SINE_NAMES[wanted[j]],
                                 orders[wanted[j]] == orders[k] ? "are the same order"
                                                                : "are too near each other for this travel");
        }
        if (!apart)
            continue;
        if (orders[k] * spacing * SAMPLES_A_CYCLE > 1)
            push_motion_flag(r,
                             "no ripple once per %s: %.2g samples a cycle, needs %.2g (%.4g Hz, %.3g mm/s)",
                             SINE_NAMES[k], 1 / (orders[k] * spacing), SAMPLES_A_CYCLE,
                             record->sample_rate_hz, record->speed_mm_s);
        else if (k != ECCENTRICITY && orders[k] * turns < CYCLES_LEAST)
            push_motion_flag(r, "no ripple once per %s: %.2g cycles in the run", SINE_NAMES[k],
                             orders[k] * turns);
        else
            wanted[n++] = k;
    }
    return n;
}

/* Adds full steps that are too fast to be told, at the order where they show among the samples: taken off,
 * they do not count as noise. Left alone where another sine, or none, is too near. */
static void add_folded(const double *orders, double turns, double spacing, struct ripple_input *in)
{
    double cycles = orders[FULL_STEP] * spacing;
    double folded = fabs(cycles - nearbyint(cycles)) / spacing;
    if (!(orders[FULL_STEP] > 0) || cycles * SAMPLES_A_CYCLE <= 1 || folded * turns < CYCLES_LEAST ||
        (0.5 / spacing - folded) * turns < CYCLES_LEAST)
        return;
    for (size_t k = 0; k < in->order_count; k++) {
        if (fabs(in->orders[k] - folded) * turns < CYCLES_LEAST)
            return;
    }
    in->orders[in->order_count++] = folded;
}

/* At constant speed the commanded feed is a straight line of time, and what strays from it is the staircase
 * of whole counts: the line is the better commanded feed. Where it strays by more than a count the counts
 * stand as they are. x: turns, y: error in um. */
static void straighten(const struct push_motion *m, size_t first, size_t n, double turn_mm, double *x,
                       double *y)
{
    struct linear_fit line;
    struct err ignored;
    double start_s = m->time_s[first], farthest = 0;
    for (size_t i = 0; i < n; i++)
        x[i] = m->time_s[first + i] - start_s;
    if (linear_fit_polynomial(x, m->feed_mm + first, NULL, n, 1, true, false, &line, &ignored) != ERR_OK)
        farthest = INFINITY;
    for (size_t i = 0; i < n && isfinite(farthest); i++)
        farthest =
            fmax(farthest, fabs(m->feed_mm[first + i] - line.coefficients[0] - line.coefficients[1] * x[i]));
    for (size_t i = 0; i < n; i++) {
        double measured = m->feed_mm[first + i] - m->lost_mm[first + i], feed = m->feed_mm[first + i];
        if (farthest < m->microstep_mm)
            feed = line.coefficients[0] + line.coefficients[1] * x[i];
        x[i] = feed / turn_mm;
        y[i] = 1000 * (feed - measured);
    }
}

/* Ripple, effective feed and the picture of the feed error. */
static enum err_code take_ripple(const struct push_motion *m, const struct run_record *record,
                                 const struct calibration *calibration, struct run_finding *run,
                                 struct err *e)
{
    double turn_mm = m->step_mm * record->full_steps_per_rev * record->reduction;
    double orders[SINES], count_mm = fabs(calibration->encoder_mm_per_count);
    int wanted[SINES] = {0};
    struct ripple_input in = {
        .false_alarm = FALSE_ALARM, .count = 1000 * count_mm, .per_turn = 1000 * turn_mm};
    struct ripple fit;
    size_t first, last, size, points;
    enum err_code code;
    find_steady(m, run->push.speed_mm_s, &first, &last);
    in.n = last - first + 1;
    double turns = (m->feed_mm[last] - m->feed_mm[first]) / turn_mm, spacing = turns / (double)(last - first);
    double *x = malloc(2 * in.n * sizeof *x), *y;
    if (x == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", in.n);
    y = x + in.n;
    straighten(m, first, in.n, turn_mm, x, y);
    in.turns = x;
    in.error = y;
    orders_of(record, orders);
    size_t told = in.order_count = choose_orders(record, turns, spacing, orders, wanted, &run->push);
    in.order_most = 1;
    for (size_t k = 0; k < in.order_count; k++) {
        in.orders[k] = orders[wanted[k]];
        in.order_most = fmax(in.order_most, 1.5 * in.orders[k]);
    }
    in.order_most = fmin(in.order_most, 0.5 / spacing);
    add_folded(orders, turns, spacing, &in);
    code = ripple_fit(&in, &fit, e);
    if (code != ERR_OK) {
        free(x);
        return code;
    }
    double spread = fit.residual_sd * sqrt(2 / (double)in.n);
    for (size_t k = 0; k < told; k++) {
        const struct ripple_sine *s = &fit.sines[k];
        if (s->standard_uncertainty > BEAT_SHOWN * spread)
            push_motion_flag(&run->push,
                             "the encoder's counts beat with the sampling at once per %s: %.2g µm of doubt",
                             SINE_NAMES[wanted[k]], s->standard_uncertainty);
        put(run, wanted[k],
            of_run(wanted[k], s->amplitude, s->standard_uncertainty, fit.degrees_of_freedom, calibration, 1));
    }
    struct quantity *turn = &run->quantities[ECCENTRICITY].q;
    if (turn->present)
        put(run, RUNOUT,
            quantity_from(2 * turn->value, 2 * turn->standard_uncertainty, turn->degrees_of_freedom, 1));
    put(run, LEVEL, quantity_from(fit.level, 0, INFINITY, 1));
    put(run, FEED_RATIO,
        of_run(FEED_RATIO, 1 - fit.slope / (1000 * turn_mm), fit.slope_standard_error / (1000 * turn_mm),
               fit.degrees_of_freedom, calibration, 1));
    size = in.n / TRACE_POINTS + 1;
    points = in.n / size;
    run->trace.x = calloc(points + 1, sizeof *x);
    run->trace.y = calloc(points + 1, sizeof *y);
    if (run->trace.x != NULL && run->trace.y != NULL) {
        run->trace.n = points;
        for (size_t i = 0; i < points * size; i++) {
            run->trace.x[i / size] += x[i] / (double)size;
            run->trace.y[i / size] += (y[i] - fit.intercept - fit.slope * x[i]) / (double)size;
        }
    }
    free(x);
    return ERR_OK;
}

/* Noise and mains pick-up of the stretch before the motion. */
static void take_quiet(const struct run_columns *c, const struct push_motion *m,
                       const struct calibration *calibration, struct run_finding *run)
{
    static const double MAINS_HZ[2] = {50, 60};
    double *t = malloc((m->quiet_count + 1) * sizeof *t), resolution = m->resolution_n, best_p = 2;
    struct spectrum_line line;
    struct err why = {0};
    size_t n = 0;
    if (t == NULL)
        return;
    for (size_t i = 0; i < c->n && n < m->quiet_count; i++) {
        if (!(c->flags[i] & RUN_FLAG_OVER_RANGE))
            t[n++] = (double)c->time_us[i] * 1e-6;
    }
    for (int k = 0; k < 2; k++) {
        if (spectrum_line_fit(t, m->quiet_n, n, MAINS_HZ[k], &line, &why) != ERR_OK) {
            push_motion_flag(&run->push, "no mains pick-up at %.0f Hz: %.100s", MAINS_HZ[k], why.text);
            continue;
        }
        if (line.folded)
            push_motion_flag(&run->push,
                             "%.0f Hz shows as %.3g Hz at this sample rate: what is there may be "
                             "another signal of that frequency",
                             MAINS_HZ[k], line.apparent_frequency_hz);
        double u = line.standard_uncertainty;
        put(run, MAINS_50 + k,
            of_run(MAINS_50 + k, sqrt(fmax(0, line.amplitude * line.amplitude - u * u)), u,
                   line.degrees_of_freedom, calibration, 1));
        if (line.p_value < best_p) {
            /* The scatter about mean, drift and the stronger of the two lines; rounding to whole counts is
             * the converter's and no noise. */
            double square = line.residual_sd * line.residual_sd;
            double noise = sqrt(fmax(0, square - resolution * resolution));
            best_p = line.p_value;
            put(run, NOISE,
                of_run(NOISE, noise, square / fmax(noise, 1e-12) / sqrt(2 * line.degrees_of_freedom),
                       line.degrees_of_freedom, calibration, 1));
        }
    }
    free(t);
}

/* Drift over the whole record, which carries no load anywhere; and whether that is so. */
static void take_drift(const struct run_columns *c, const struct calibration *calibration,
                       struct run_finding *run)
{
    size_t size = c->n / DRIFT_BLOCKS + 1, n = c->n / size, wide;
    double *t = calloc(2 * n + 1, sizeof *t), *force, greatest = 0;
    struct linear_fit fit;
    struct err ignored;
    if (t == NULL)
        return;
    force = t + n;
    for (size_t i = 0; i < n * size; i++) {
        t[i / size] += (double)c->time_us[i] / 60e6 / (double)size;
        force[i / size] +=
            calibration_force_n(calibration, c->force_counts[i], run->push.zero_counts) / (double)size;
    }
    wide = n / IN_THE_WAY_BLOCKS;
    for (size_t b = 0; wide > 0 && b < IN_THE_WAY_BLOCKS; b++) {
        double sum = 0;
        for (size_t i = b * wide; i < (b + 1) * wide; i++)
            sum += force[i] / (double)wide;
        greatest = fmax(greatest, sum);
    }
    if (greatest > IN_THE_WAY_N + fabs(run->push.zero_drift_n))
        push_motion_flag(&run->push, "the force rose to %.3g N: something was in the way", greatest);
    if (linear_fit_polynomial(t, force, NULL, n, 1, true, false, &fit, &ignored) == ERR_OK) {
        /* Means of longer stretches scatter by more where the zero wanders. */
        size_t blocks = 20, each = n / blocks;
        double between = 0, length = 1;
        for (size_t b = 0; each > 0 && b < blocks; b++) {
            double sum = 0;
            for (size_t i = b * each; i < (b + 1) * each; i++)
                sum += force[i] - fit.coefficients[0] - fit.coefficients[1] * t[i];
            between += sum * sum / (double)each;
        }
        length = fmax(1, between / (double)(blocks - 2) / (fit.residual_sd * fit.residual_sd));
        put(run, DRIFT,
            of_run(DRIFT, fit.coefficients[1], fit.standard_errors[1] * sqrt(length), (double)(blocks - 2),
                   calibration, 1));
    }
    free(t);
}

enum err_code free_run_analyse(const struct run_columns *columns, const struct run_record *record,
                               const struct calibration *calibration, const struct push_settings *settings,
                               struct run_finding *run, struct err *e)
{
    struct push_motion m = {0};
    enum err_code code =
        push_motion_take(columns, record, calibration, &m, &run->push, settings->zero_drift_limit_n, e);
    run->push.limited_by = LIMITED_UNCLEAR;
    for (int i = 0; i < QUANTITIES; i++)
        put(run, i, quantity_absent());
    run->quantity_count = QUANTITIES;
    if (code == ERR_OK) {
        push_motion_picture(&m, &run->push.picture);
        take_drift(columns, calibration, run);
        take_quiet(columns, &m, calibration, run);
        if (m.lost_mm != NULL)
            code = take_ripple(&m, record, calibration, run, e);
        else
            push_motion_flag(&run->push, "no encoder: no feed ripple, no runout, no effective feed");
    }
    if (code != ERR_OK)
        run->quantity_count = 0;
    push_motion_free(&m);
    return code;
}

/* The values of one quantity over the counted runs. */
static size_t collect(const struct run_result *const *runs, size_t count, int what, struct quantity *values)
{
    size_t n = 0;
    for (size_t i = 0; i < count; i++) {
        if (runs[i]->analysed && runs[i]->quantity_count == QUANTITIES && runs[i]->quantities[what].q.present)
            values[n++] = runs[i]->quantities[what].q;
    }
    return n;
}

/* One sine over the runs: in the order of its kinds, absent where it does not stand out. level is what noise
 * alone may reach. */
static struct quantity join(int what, const struct quantity *values, size_t n, double noise_p,
                            const struct calibration *calibration, struct budget *budget, double *level)
{
    double *rows = malloc((2 * n + 1) * sizeof *rows);
    struct budget shared;
    struct quantity q, mean;
    *level = NAN;
    budget_init(budget);
    if (rows == NULL || n == 0) {
        free(rows);
        return quantity_absent();
    }
    for (size_t i = 0; i < n; i++) {
        share(what, values[i].value, calibration, &shared);
        double common = budget_standard_uncertainty(&shared), u = values[i].standard_uncertainty;
        rows[i] = values[i].value;
        rows[n + i] = sqrt(fmax(1e-12, u * u - common * common));
    }
    struct ripple_joined joined = ripple_join(rows, rows + n, n, noise_p);
    *level = joined.level;
    free(rows);
    if (!joined.stands_out)
        return quantity_absent();
    share(what, joined.amplitude, calibration, &shared);
    mean = run_mean(values, n, &shared, KINDS[what].unit, budget);
    if (!joined.weak)
        return mean;
    /* Weak sines are joined by their squares, whose interval is not even. */
    budget_init(budget);
    run_mean_add(budget, "scatter within the runs", KINDS[what].unit, joined.standard_uncertainty, INFINITY,
                 BUDGET_TYPE_A, false);
    run_mean_add_scaled(budget, &shared, 1, KINDS[what].unit);
    q = budget_combine(budget, joined.amplitude, n);
    q.low_95 = fmin(q.value, joined.low_95);
    q.high_95 = fmax(q.value, joined.high_95);
    return q;
}

static void scale_by_two(struct quantity *q, struct budget *b)
{
    q->value *= 2;
    q->standard_uncertainty *= 2;
    q->low_95 *= 2;
    q->high_95 *= 2;
    for (size_t i = 0; i < b->count; i++) {
        b->components[i].sensitivity *= 2;
        b->components[i].contribution *= 2;
    }
}

/* First what the test is for: how far the gear runs out and its teeth ripple; then what is not shown. levels:
 * NAN where no run can tell. */
static void say_ripple(const struct quantity *sines, const double *levels, struct outcome *o)
{
    const struct quantity *turn = &sines[ECCENTRICITY], *tooth = &sines[TOOTH];
    /* Full indicator movement is both sides of the swing. */
    struct quantity whole = *turn;
    whole.value *= 2, whole.low_95 *= 2, whole.high_95 *= 2;
    char teeth[80] = "", runout[INTERVAL_TEXT_MAX];
    int tooth_decimals = interval_text_decimals(tooth);
    if (tooth->present)
        snprintf(teeth, sizeof teeth, "; its teeth ripple the feed by %.*f µm", tooth_decimals, tooth->value);
    if (turn->present)
        outcome_say(o,
                    "The drive gear runs out by %s: the feed swings by %.*f µm to either side once a turn%s",
                    interval_text(&whole, " µm in all", runout, sizeof runout), interval_text_decimals(turn),
                    turn->value, teeth);
    else if (isfinite(levels[ECCENTRICITY]))
        outcome_say(o, "The drive gear shows no runout: it is below %.2g µm in all%s",
                    2 * levels[ECCENTRICITY], teeth);
    else if (tooth->present)
        outcome_say(o, "The teeth of the drive gear ripple the feed by %.*f µm; its runout takes a turn",
                    tooth_decimals, tooth->value);
    for (int what = TOOTH; what < SINES; what++) {
        if (isfinite(levels[what]) && !sines[what].present)
            outcome_say(
                o, "No feed ripple once per %s is shown: it is below the false-alarm level (1 %%), %.2g µm",
                SINE_NAMES[what], levels[what]);
    }
}

static enum err_code sum_sines(const struct run_result *const *runs, size_t count,
                               const struct bench_test_context *context, struct quantity *values,
                               struct outcome *o, struct err *e)
{
    double levels[SINES];
    struct quantity sines[SINES];
    struct budget budget;
    enum err_code code = ERR_OK;
    for (int what = 0; what < SINES && code == ERR_OK; what++) {
        size_t n = collect(runs, count, what, values);
        struct quantity q = join(what, values, n, SINE_P, context->calibration, &budget, &levels[what]);
        sines[what] = q;
        code = outcome_add(o, KINDS[what].key, "", KINDS[what].label, "um", &q,
                           budget.count > 0 ? &budget : NULL, what == TOOTH, e);
        if (what != ECCENTRICITY || code != ERR_OK)
            continue;
        scale_by_two(&q, &budget);
        code = outcome_add(o, KINDS[RUNOUT].key, "", KINDS[RUNOUT].label, "um", &q,
                           budget.count > 0 ? &budget : NULL, true, e);
    }
    if (code == ERR_OK)
        say_ripple(sines, levels, o);
    return code;
}

static enum err_code sum_force(const struct run_result *const *runs, size_t count,
                               const struct bench_test_context *context, struct quantity *values,
                               struct outcome *o, struct err *e)
{
    static const int PLAIN[] = {NOISE, DRIFT};
    static const char *const MAINS[] = {"at 50 Hz", "at 60 Hz"};
    struct budget budget, shared;
    enum err_code code = ERR_OK;
    bool any = false;
    double level = NAN, greatest_level = NAN;
    for (size_t i = 0; i < 2 && code == ERR_OK; i++) {
        int what = PLAIN[i];
        size_t n = collect(runs, count, what, values);
        double sum = 0;
        for (size_t j = 0; j < n; j++)
            sum += values[j].value / (double)n;
        share(what, sum, context->calibration, &shared);
        struct quantity q = run_mean(values, n, &shared, KINDS[what].unit, &budget);
        code = outcome_add(o, KINDS[what].key, "", KINDS[what].label, KINDS[what].unit, &q,
                           budget.count > 0 ? &budget : NULL, false, e);
    }
    for (int k = 0; k < 2 && code == ERR_OK; k++) {
        size_t n = collect(runs, count, MAINS_50 + k, values);
        struct quantity q = join(MAINS_50 + k, values, n, MAINS_P, context->calibration, &budget, &level);
        greatest_level = fmax(level, greatest_level);
        if (!q.present)
            continue;
        any = true;
        code =
            outcome_add(o, "mains_n", MAINS[k], "mains pick-up of the load cell", "N", &q, &budget, false, e);
    }
    if (!any && code == ERR_OK) {
        struct quantity none = quantity_absent();
        code = outcome_add(o, "mains_n", "", "mains pick-up of the load cell", "N", &none, NULL, false, e);
        if (isfinite(greatest_level))
            outcome_say(o, "No mains pick-up is shown at 50 or 60 Hz: it is below %.2g N", greatest_level);
    }
    return code;
}

/* The pictures, and what recurs beside the orders asked for, in the run of the most turns. */
static void look_further(const struct run_result *const *runs, size_t count,
                         const struct bench_test_context *context, struct outcome *o)
{
    const struct run_result *longest = NULL;
    struct free_run_peaks peaks;
    struct err why = {0};
    double orders[SINES], known[SINES], beats[BEAT_HARMONICS], most = 10;
    size_t known_count = 0;
    for (size_t i = 0; i < count; i++) {
        const struct run_trace *t = &runs[i]->trace;
        if (runs[i]->analysed && t->n > 1 &&
            (longest == NULL ||
             t->x[t->n - 1] - t->x[0] > longest->trace.x[longest->trace.n - 1] - longest->trace.x[0]))
            longest = runs[i];
    }
    if (longest == NULL)
        return;
    const struct run_record *record = longest->record;
    const struct run_trace *t = &longest->trace;
    double turn_mm = push_feed_per_microstep_mm(record, context->calibration, NULL) * record->microsteps *
                     record->full_steps_per_rev * record->reduction;
    double count_mm = fabs(context->calibration->encoder_mm_per_count);
    /* Of the samples themselves, from that of their blocks in the trace, which is known better. */
    double of_trace = (t->x[t->n - 1] - t->x[0]) / (double)(t->n - 1);
    double about = longest->push.speed_mm_s / record->sample_rate_hz / turn_mm;
    double spacing = of_trace / fmax(1, nearbyint(of_trace / about));
    /* Of orders above half the rate of the trace nothing can be taken off it. */
    double resolved = 0.5 * (double)(t->n - 1) / (t->x[t->n - 1] - t->x[0]);
    orders_of(record, orders);
    for (int k = 0; k < SINES; k++) {
        if (longest->quantities[k].q.present && orders[k] < resolved)
            known[known_count++] = orders[k];
        if (k != FULL_STEP)
            most = fmax(most, 2.5 * orders[k]);
    }
    for (int h = 1; h <= BEAT_HARMONICS; h++)
        beats[h - 1] = beat_order(turn_mm * longest->quantities[FEED_RATIO].q.value / count_mm, h, spacing);
    if (free_run_spectrum(t, known, known_count, beats, BEAT_HARMONICS, most, 1000 * count_mm / 2, o, &peaks,
                          &why) != ERR_OK)
        return;
    /* What a part of a turn makes of runout looks like other orders. */
    for (size_t i = 0; i < peaks.n && peaks.turns >= 1; i++)
        outcome_say(o, "Another ripple stands out: %.2g µm at order %.4g of the drive gear (every %.3g mm)",
                    peaks.amplitudes_um[i], peaks.orders[i], turn_mm / peaks.orders[i]);
    struct outcome_chart *chart = o->chart_count > 0 ? &o->charts[o->chart_count - 1] : NULL;
    for (int k = 0; chart != NULL && k < SINES; k++) {
        if (longest->quantities[k].q.present && orders[k] <= most)
            outcome_mark_x(chart, orders[k], SINE_NAMES[k]);
    }
    free_run_draw_error(t, o);
}

enum err_code free_run_sum_up(const struct run_result *const *runs, size_t count,
                              const struct bench_test_context *context, struct outcome *outcome,
                              struct err *e)
{
    struct quantity *values = malloc((count + 1) * sizeof *values);
    const struct run_result *first = NULL, *failed = NULL;
    enum err_code code;
    bool encoder = false;
    for (size_t i = 0; i < count; i++) {
        bool used = runs[i]->analysed && runs[i]->quantity_count == QUANTITIES;
        outcome->used_count += used;
        if (used && first == NULL)
            first = runs[i];
        if (!runs[i]->analysed && failed == NULL)
            failed = runs[i];
        encoder = encoder || (used && runs[i]->push.with_encoder);
    }
    if (values == NULL)
        code = err_set(e, ERR_MEMORY, "not enough memory for %zu runs", count);
    else if (first == NULL)
        code = err_set(e, ERR_NO_ANSWER, "no run can be used: %.190s",
                       failed != NULL ? failed->why_not : "there is none");
    else
        code = sum_sines(runs, count, context, values, outcome, e);
    if (code == ERR_OK)
        code = effective_feed_sum_up(runs, count, FEED_RATIO, context->calibration, outcome, e);
    if (code == ERR_OK)
        code = sum_force(runs, count, context, values, outcome, e);
    free(values);
    if (code != ERR_OK)
        return code;
    if (!encoder)
        outcome_say(outcome, "Without an encoder there is no feed ripple, no runout and no effective feed");
    else if (first->record->reduction == 1 && first->quantities[ECCENTRICITY].q.present)
        outcome_say(outcome,
                    "The motor drives the gear without reduction: once per turn of the motor is once "
                    "per turn of the gear, and their runouts are one");
    look_further(runs, count, context, outcome);
    outcome->present = true;
    return ERR_OK;
}
