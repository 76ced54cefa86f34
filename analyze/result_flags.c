#include "analyze/result_flags.h"

#include "analyze/bench_test.h"
#include "analyze/force_check.h"
#include "analyze/push_motion.h"
#include "datasets/format/date_time.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static void add(struct result_flags *flags, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void add(struct result_flags *flags, const char *format, ...)
{
    va_list arguments;
    if (flags->count >= RESULT_FLAGS_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(flags->text[flags->count++], sizeof flags->text[0], format, arguments);
    va_end(arguments);
}

static bool outside(const struct calibration *c, const struct quantity *q)
{
    return q->present && (q->value > c->load_high_n || q->value < c->load_low_n);
}

/* Whether the plan allows its calibration for that run; else why is a part of a sentence. */
static bool calibration_allowed(const struct series *series, const struct run_record *record, char *why,
                                size_t size)
{
    int64_t start_s;
    if (series->plan.calibration_max_age_days == 0)
        return true;
    if (!date_time_read(record->start_time, &start_s)) {
        snprintf(why, size, "has an age that cannot be told, for the run has no start time that can be read");
        return false;
    }
    return plan_allows_calibration(&series->plan, series->calibration.date, start_s, why, size);
}

void result_flags_run(struct push_result *push, const struct run_record *record, const struct series *series)
{
    const struct calibration *c = &series->calibration;
    const struct quantity *stall = &push->stall_force_n;
    char why[120];
    if (!calibration_allowed(series, record, why, sizeof why))
        push_motion_flag(push, "the calibration %s", why);
    if (stall->at_least && outside(c, stall))
        push_motion_flag(push, "%.4g N is outside the calibrated range of %.4g to %.4g N", stall->value,
                         c->load_low_n, c->load_high_n);
}

/* Runs behind one result, and how many of them are beyond the range, have a calibration past its age, and so
 * on. */
struct tally {
    size_t runs, outside, too_old;
    size_t coarse, separate; /* read by few readings; by separate instruments */
    double between_n;        /* greatest rise of the force between two readings of such runs */
};

static void count_run(struct tally *t, const struct run_result *run, const struct quantity *q,
                      const struct series *series)
{
    char why[120];
    if (!run->analysed || !q->present)
        return;
    t->runs++;
    t->outside += outside(&series->calibration, q);
    t->too_old += !calibration_allowed(series, run->record, why, sizeof why);
    if (!run->push.sampling.coarse && run->record->separate == NULL)
        return;
    t->coarse++;
    t->separate += run->record->separate != NULL;
    t->between_n = fmax(t->between_n, run->push.sampling.force_n);
}

static void say(struct result_flags *flags, const struct tally *t, const struct series *series)
{
    const struct calibration *c = &series->calibration;
    flags->count = 0;
    if (t->outside > 0)
        add(flags, "extrapolated: %zu of %zu runs outside the calibrated range of %.4g to %.4g N", t->outside,
            t->runs, c->load_low_n, c->load_high_n);
    if (t->too_old > 0)
        add(flags, "calibration not within the %g days that the plan allows in %zu of %zu runs",
            series->plan.calibration_max_age_days, t->too_old, t->runs);
    if (t->coarse > 0)
        add(flags,
            "%s in %zu of %zu runs: the force rises by up to %.2g N from one reading to the next, so it is "
            "resolved to about ± %.2g N by them",
            t->separate > 0 ? "separate instruments" : "coarse readings", t->coarse, t->runs, t->between_n,
            t->between_n / 2);
}

/* Whether the interval of a mean is from draws, by what its budget holds. */
static void say_drawn(struct result_flags *flags, const struct budget *b)
{
    for (size_t i = 0; i < b->count; i++) {
        if (strcmp(b->components[i].name, FORCE_CHECK_COMPONENT_NAME) == 0)
            add(flags,
                "linear propagation of the calibration's uncertainty is not good enough here: the interval "
                "is "
                "from %d,000 Monte-Carlo draws (JCGM 101)",
                FORCE_CHECK_DRAWS / 1000);
    }
}

static bool same_speed(double a, double b)
{
    return fabs(a - b) <= 1e-6 * fmax(fabs(a), fabs(b));
}

void result_flags_feeder(struct feeder_result *feeder, const struct run_result *const *runs, size_t count,
                         const struct series *series)
{
    struct tally curve = {0};
    for (size_t j = 0; j < feeder->point_count; j++) {
        struct speed_point *point = &feeder->points[j];
        struct tally stall = {0}, onset = {0};
        for (size_t i = 0; i < count; i++) {
            if (!bench_test_is_plain_push(runs[i]->record->test) ||
                !same_speed(runs[i]->record->speed_mm_s, point->speed_mm_s))
                continue;
            count_run(&stall, runs[i], &runs[i]->push.stall_force_n, series);
            count_run(&onset, runs[i], &runs[i]->push.slip_onset_n, series);
        }
        say(&point->stall_flags, &stall, series);
        say(&point->onset_flags, &onset, series);
        say_drawn(&point->stall_flags, &point->stall_budget);
        say_drawn(&point->onset_flags, &point->onset_budget);
    }
    for (size_t i = 0; i < count; i++) {
        if (bench_test_is_plain_push(runs[i]->record->test) && runs[i]->push.limited_by != LIMITED_UNCLEAR)
            count_run(&curve, runs[i], &runs[i]->push.stall_force_n, series);
    }
    if (feeder->torque_curve.present)
        say(&feeder->torque_curve.flags, &curve, series);
}

static const struct result_flags *flags_at(const struct feeder_result *feeder, double speed_mm_s, bool onset)
{
    static const struct result_flags none;
    for (size_t j = 0; j < feeder->point_count; j++) {
        const struct speed_point *point = &feeder->points[j];
        if (same_speed(point->speed_mm_s, speed_mm_s))
            return onset ? &point->onset_flags : &point->stall_flags;
    }
    return &none;
}

static bool holds(const struct result_flags *flags, const char *text)
{
    for (size_t i = 0; i < flags->count; i++) {
        if (strcmp(flags->text[i], text) == 0)
            return true;
    }
    return false;
}

/* Whether a run of that test counts in an outcome: those of its kind, or all where it is of no kind. */
static bool counts_in(const struct run_result *run, const char *test)
{
    for (int kind = 0; kind < PLAN_TEST_KINDS; kind++) {
        if (strcmp(PLAN_TEST_NAMES[kind], test) == 0)
            return run->record->test == (enum plan_test_kind)kind;
    }
    return true;
}

/* Whether any force that the run gives is beyond the calibrated range. Forces of other tests may be near zero
 * or pull without being forces that the calibration was made for the sake of: only their size counts. */
static bool any_outside(const struct run_result *run, const struct calibration *c)
{
    if (outside(c, &run->push.stall_force_n) || outside(c, &run->push.slip_onset_n))
        return true;
    for (size_t i = 0; i < run->quantity_count; i++) {
        const struct run_quantity *q = &run->quantities[i];
        if (strcmp(q->unit, "N") == 0 && q->q.present && fabs(q->q.value) > c->load_high_n)
            return true;
    }
    return false;
}

static void flags_of_outcome(const struct session *s, size_t feeder, const char *test,
                             struct result_flags *flags)
{
    const struct series *series = s->series[s->feeders[feeder].series];
    struct tally tally = {0};
    char why[120];
    for (size_t i = 0; i < s->run_count; i++) {
        const struct run_result *run = &s->runs[i];
        if (run->feeder != feeder || run->series != s->feeders[feeder].series || !run->analysed ||
            !counts_in(run, test))
            continue;
        tally.runs++;
        tally.outside += any_outside(run, &series->calibration);
        tally.too_old += !calibration_allowed(series, run->record, why, sizeof why);
    }
    say(flags, &tally, series);
}

void result_flags_outcomes(struct session *s)
{
    for (size_t i = 0; i < s->feeder_count; i++) {
        for (size_t k = 0; k < s->feeders[i].outcome_count; k++) {
            struct outcome *o = &s->feeders[i].outcomes[k];
            struct result_flags flags;
            if (!o->present)
                continue;
            flags_of_outcome(s, i, o->test, &flags);
            for (size_t j = 0; j < flags.count; j++)
                outcome_warn(o, "%s", flags.text[j]);
        }
    }
}

/* Flags of outcomes, worked out when first asked for: every comparison of a feeder asks for the same ones. */
struct outcome_flags {
    bool known;
    struct result_flags flags;
};

static const struct result_flags *flags_of(const struct session *s, size_t feeder, const char *test,
                                           struct outcome_flags *of_feeder)
{
    static const struct result_flags none;
    size_t k = 0;
    while (k < s->feeders[feeder].outcome_count && strcmp(s->feeders[feeder].outcomes[k].test, test) != 0)
        k++;
    if (k == s->feeders[feeder].outcome_count)
        return &none;
    if (!of_feeder[k].known)
        flags_of_outcome(s, feeder, test, &of_feeder[k].flags);
    of_feeder[k].known = true;
    return &of_feeder[k].flags;
}

static void flag_comparison(const struct session *s, struct comparison *c, const struct result_flags *a,
                            const struct result_flags *b)
{
    struct result_flags flags = {.count = 0};
    for (size_t j = 0; j < a->count; j++)
        add(&flags, "%s: %s", holds(b, a->text[j]) ? "both" : s->feeders[c->a].name, a->text[j]);
    for (size_t j = 0; j < b->count; j++) {
        if (!holds(a, b->text[j]))
            add(&flags, "%s: %s", s->feeders[c->b].name, b->text[j]);
    }
    for (size_t j = 0; j < flags.count; j++)
        text_list_add(&c->flags, flags.text[j]);
}

enum err_code result_flags_comparisons(struct session *s, struct err *e)
{
    size_t most = 1;
    struct outcome_flags *outcomes;
    bool lost = false;
    for (size_t i = 0; i < s->feeder_count; i++)
        most = s->feeders[i].outcome_count > most ? s->feeders[i].outcome_count : most;
    outcomes = calloc(s->feeder_count * most + 1, sizeof *outcomes);
    if (outcomes == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the flags of %zu feeders", s->feeder_count);
    for (size_t i = 0; i < s->comparison_count; i++) {
        struct comparison *c = &s->comparisons[i];
        bool onset = strcmp(c->quantity, "slip_onset_n") == 0;
        text_list_free(&c->flags);
        if (c->verdict == VERDICT_NOT_COMPARABLE)
            continue;
        if (c->test[0] != 0)
            flag_comparison(s, c, flags_of(s, c->a, c->test, &outcomes[c->a * most]),
                            flags_of(s, c->b, c->test, &outcomes[c->b * most]));
        else
            flag_comparison(s, c, flags_at(&s->feeders[c->a], c->speed_mm_s, onset),
                            flags_at(&s->feeders[c->b], c->speed_mm_s, onset));
        lost = lost || c->flags.lost;
    }
    free(outcomes);
    return lost ? err_set(e, ERR_MEMORY, "not enough memory for the flags of comparisons") : ERR_OK;
}
