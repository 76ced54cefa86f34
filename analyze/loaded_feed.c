#include "analyze/loaded_feed.h"

#include "analyze/between_mountings.h"
#include "analyze/loaded_feed_chart.h"
#include "analyze/loaded_feed_groups.h"
#include "analyze/numerics/difference.h"
#include "analyze/numerics/lost_share.h"
#include "analyze/push.h"
#include "analyze/push_motion.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The level of the force is that of the last part of the feed; it counts as come up to when half of that part
 * is no further above the other half than this share of it, or so many standard errors. */
#define LEVEL_PART  (1.0 / 3)
#define LEVEL_SHARE 0.02
#define LEVEL_SDS   5.0
/* Steady from where the smoothed force first comes this near to the level, and so much of the feed later. */
#define NEAR_SHARE  0.01
#define NEAR_SDS    4.0
#define SMOOTH_PART 200u
#define MARGIN      0.03
/* The steady part must be at least this share of the feed, and so long. */
#define STEADY_SHARE_LEAST 0.2
#define STEADY_LEAST_MM    2.0
/* A fall of the force: means of so many samples below the level by so much of it and so many deviations. */
#define FALL_WINDOW 5u
#define FALL_SHARE  0.04
#define FALL_SDS    6.0
#define CONTACT_SDS 6.0
#define MEAN_BLOCKS 10u
/* Feed has stopped where this share of it is lost and the force has settled; where it rises and drops, whole
 * cycles or teeth make the share uneven, and less will do. */
#define STOPPED_SHARE       0.98
#define STOPPED_SHARE_LEAST 0.8

/* Standard error of the mean of a stretch from the means of blocks of it, noise being seldom white. */
static double mean_error(const double *values, size_t n)
{
    double means[MEAN_BLOCKS], unused, sd;
    for (size_t k = 0; k < MEAN_BLOCKS; k++) {
        size_t from = k * n / MEAN_BLOCKS, to = (k + 1) * n / MEAN_BLOCKS;
        difference_mean_sd(values + from, to - from, &means[k], &unused);
    }
    difference_mean_sd(means, MEAN_BLOCKS, &unused, &sd);
    return sd / sqrt((double)MEAN_BLOCKS);
}

/* First sample of the steady part. */
static enum err_code find_steady(const struct push_motion *m, const struct push_result *r, double set_n,
                                 size_t *first, struct err *e)
{
    size_t part = (size_t)(LEVEL_PART * (double)m->n), from = m->n - part, half = part / 2;
    size_t window = m->n / SMOOTH_PART + 3, i = window;
    double level, before, after, sd, error, sum = 0, near_n;
    double whole_mm = m->feed_mm[m->n - 1] - m->feed_mm[0];
    if (m->saturated)
        return err_set(e, ERR_NO_ANSWER,
                       "the converter came to the end of its range before the force was steady");
    if (part < 2 * PUSH_MOTION_QUIET_LEAST)
        return err_set(e, ERR_NO_ANSWER, "only %zu samples of feed: no steady part can be told", m->n);
    difference_mean_sd(m->force_n + from, part, &level, &sd);
    difference_mean_sd(m->force_n + from, half, &before, &sd);
    difference_mean_sd(m->force_n + from + half, part - half, &after, &sd);
    error = mean_error(m->force_n + from, part);
    if (level < CONTACT_SDS * r->noise_n && !(set_n < CONTACT_SDS * r->noise_n))
        return err_set(e, ERR_NO_ANSWER,
                       "the force never rises clearly above the noise of %.3g N: was the brake on?",
                       r->noise_n);
    if (after - before > fmax(LEVEL_SHARE * fabs(level), LEVEL_SDS * error))
        return err_set(e, ERR_NO_ANSWER,
                       "the force was still rising when the feed ended: the travel is too short for this "
                       "load");
    near_n = level - fmax(NEAR_SHARE * level, NEAR_SDS * fmax(r->noise_n / sqrt((double)window), error));
    for (size_t k = 0; k < window; k++)
        sum += m->force_n[k];
    while (i < from && sum / (double)window < near_n) {
        sum += m->force_n[i] - m->force_n[i - window];
        i++;
    }
    double start_mm = m->feed_mm[i] + MARGIN * whole_mm;
    while (i < m->n - 1 && m->feed_mm[i] < start_mm)
        i++;
    double steady_mm = m->feed_mm[m->n - 1] - m->feed_mm[i];
    if (steady_mm < STEADY_SHARE_LEAST * whole_mm || steady_mm < STEADY_LEAST_MM)
        return err_set(e, ERR_NO_ANSWER,
                       "no steady part: %.2g of %.2g mm of feed are left once the force is up", steady_mm,
                       whole_mm);
    *first = i;
    return ERR_OK;
}

/* Whether the force falls well below its level and comes up again: teeth that tear, or a brake that sticks.
 * Its mean is then no force at which the lost share holds. */
static bool falls(const struct push_motion *m, const struct push_result *r, size_t first)
{
    double level, unused, sum = 0;
    difference_mean_sd(m->force_n + first, m->n - first, &level, &unused);
    for (size_t i = first; i < m->n; i++) {
        sum += m->force_n[i];
        if (i >= first + FALL_WINDOW)
            sum -= m->force_n[i - FALL_WINDOW];
        if (i + 1 >= first + FALL_WINDOW &&
            sum / FALL_WINDOW < level * (1 - FALL_SHARE) - FALL_SDS * r->noise_n / sqrt(FALL_WINDOW))
            return true;
    }
    return false;
}

static void add(struct run_finding *run, const char *key, const char *label, const char *unit,
                struct quantity q)
{
    run->quantities[run->quantity_count++] = (struct run_quantity){key, label, unit, q};
}

static struct quantity steady_force(const struct push_motion *m, size_t first,
                                    const struct calibration *calibration,
                                    const struct push_settings *settings)
{
    struct budget b;
    double mean, unused;
    budget_init(&b);
    difference_mean_sd(m->force_n + first, m->n - first, &mean, &unused);
    push_budget_add(&b, "noise and unrest of the brake", mean_error(m->force_n + first, m->n - first),
                    MEAN_BLOCKS - 1, BUDGET_TYPE_A, false);
    push_budget_add_zero(&b, m);
    push_budget_add_bench(&b, mean, calibration, settings);
    return budget_combine(&b, mean, 1);
}

/* Whether the feed has stopped; *push then receives the run analysed as a push against a blocked end, which
 * it was. */
static bool stopped(const struct run_columns *columns, const struct run_record *record,
                    const struct calibration *calibration, const struct push_settings *settings,
                    double lost_share, struct push_result *push)
{
    struct push_result *as_push;
    struct err unused = {0};
    bool is;
    if (lost_share < STOPPED_SHARE_LEAST)
        return false;
    as_push = malloc(sizeof *as_push);
    if (as_push == NULL)
        return false;
    is = push_analyse_with(columns, record, calibration, settings, as_push, &unused) == ERR_OK &&
         (as_push->event_count >= 2 || lost_share > STOPPED_SHARE);
    if (is)
        *push = *as_push;
    free(as_push);
    return is;
}

enum err_code loaded_feed_analyse(const struct run_columns *columns, const struct run_record *record,
                                  const struct calibration *calibration, const struct push_settings *settings,
                                  struct run_finding *run, struct err *e)
{
    struct push_motion m = {0};
    struct push_result *r = &run->push;
    struct lost_share lost = {0};
    const struct conditions *conditions = run_record_conditions(record);
    bool set = conditions->stated[CONDITION_BRAKE_LOAD_N];
    double set_n = set ? conditions->number[CONDITION_BRAKE_LOAD_N] : NAN;
    size_t first = 0;
    enum err_code code;
    memset(r, 0, sizeof *r);
    r->limited_by = LIMITED_UNCLEAR;
    run->quantity_count = 0;
    if (columns->encoder_counts == NULL || calibration->encoder_mm_per_count == 0)
        return err_set(e, ERR_NO_ANSWER,
                       "loaded-feed needs an encoder on the filament: lost feed is commanded minus measured");
    code = push_motion_take(columns, record, calibration, &m, r, settings->zero_drift_limit_n, e);
    if (code == ERR_OK) {
        push_motion_picture(&m, &r->picture);
        code = find_steady(&m, r, set_n, &first, e);
    }
    if (code == ERR_OK) {
        double turn_mm = m.step_mm * record->full_steps_per_rev * record->reduction;
        const struct lost_share_ripple ripple = {
            .turn_mm = turn_mm,
            .pitch_mm = record->teeth > 0 ? turn_mm / record->teeth : 0,
            .motor_turn_mm = record->reduction > 1.01 ? turn_mm / record->reduction : 0,
            .runout_mm = settings->estimates[PLAN_ESTIMATE_RUNOUT_MM],
            .encoder_mm = calibration->encoder_mm_per_count};
        code = lost_share_fit(m.feed_mm + first, m.lost_mm + first, m.n - first, &ripple, &lost, e);
    }
    if (code == ERR_OK) {
        struct quantity share =
            quantity_from(lost.share, lost.standard_error, lost.degrees_of_freedom, lost.blocks);
        struct quantity force = steady_force(&m, first, calibration, settings), stall = quantity_absent();
        if (stopped(columns, record, calibration, settings, lost.share, r)) {
            stall = r->stall_force_n.present && !r->stall_force_n.at_least ? r->stall_force_n : force;
            force = quantity_absent();
        } else if (falls(&m, r, first)) {
            push_motion_free(&m);
            return err_set(e, ERR_NO_ANSWER,
                           "the force falls and rises again while the feed goes on: teeth tear, or the brake "
                           "sticks");
        }
        add(run, "brake_load_n", "brake load as set", "N",
            set ? quantity_from(set_n, 0, INFINITY, 1) : quantity_absent());
        add(run, "feed_force_n", "feed force", "N", force);
        add(run, "lost_share", "lost share of feed", "1", share);
        add(run, "stall_force_n", "force at which feed stopped", "N", stall);
    }
    push_motion_free(&m);
    return code;
}

enum err_code loaded_feed_sum_up(const struct run_result *const *runs, size_t count,
                                 const struct bench_test_context *context, struct outcome *outcome,
                                 struct err *e)
{
    struct loaded_feed_groups groups = {0};
    enum err_code code = loaded_feed_groups_take(runs, count, &groups, e);
    if (code == ERR_OK)
        code = loaded_feed_groups_fit(&groups, context, outcome, e);
    if (code == ERR_OK)
        between_mountings_say(runs, count, outcome);
    if (code == ERR_OK)
        code = loaded_feed_chart_draw(&groups, outcome, e);
    loaded_feed_groups_free(&groups);
    return code;
}
