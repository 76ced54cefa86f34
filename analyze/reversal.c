#include "analyze/reversal.h"

#include "analyze/numerics/loop_fit.h"
#include "analyze/push.h"
#include "analyze/push_loading.h"
#include "analyze/reversal_loop.h"
#include "analyze/reversal_say.h"
#include "analyze/run_mean.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double PI = 3.14159265358979323846;

/* Points of the picture of a loop. */
#define TRACE_POINTS 1200u
#define BENDS_MAX    6

/* The quantities of a run, in the order of the enum. */
static const struct {
    const char *key, *label, *unit;
    bool compared;
} KINDS[REVERSAL_QUANTITIES] = {
    [REVERSAL_TOP] = {"greatest_force_n", "force at the turn", "N", false},
    [REVERSAL_LOST] = {"lost_motion_mm", "lost motion, drive to encoder", "mm", true},
    [REVERSAL_TUBE] = {"lost_motion_tube_mm", "lost motion of the guide tube", "mm", true},
    [REVERSAL_ENERGY] = {"hysteresis_mj", "hysteresis energy of a loop", "mJ", true},
    [REVERSAL_RATIO] = {"force_ratio", "force before the turn over force sliding back", "1", false},
    [REVERSAL_FRICTION] = {"guide_tube_friction", "friction coefficient of the guide tube", "1", true},
    [REVERSAL_STIFFNESS] = {"stiffness_n_per_mm", "stiffness near contact", "N/mm", false},
};

/* What all runs share, in the unit of the quantity, at that value. top_n and slide_n: of the run or the
 * mean over runs. */
struct sharing {
    const struct run_record *record;
    const struct calibration *calibration;
    const struct push_settings *settings;
    double top_n, slide_n;
};

static void share_feed(const struct sharing *s, double value, const char *unit, struct budget *b)
{
    const struct calibration *c = s->calibration;
    double relative = 0, degrees = INFINITY;
    bool measured = false;
    push_feed_per_microstep_mm(s->record, c, &relative);
    for (size_t i = 0; i < c->feed_count; i++) {
        if (strcmp(c->feeds[i].feeder, s->record->feeder) == 0) {
            degrees = c->feeds[i].degrees_of_freedom;
            measured = !isinf(degrees);
        }
    }
    run_mean_add(b, PUSH_BUDGET_DIAMETER_NAME, unit, relative * fabs(value), degrees,
                 measured ? BUDGET_TYPE_A : BUDGET_TYPE_B, !measured);
}

static double ratio_reversibility(const struct sharing *s)
{
    return budget_rectangular(s->calibration->reversibility_n) / s->slide_n;
}

/* When within one sample the direction turned round is not known, and the two forces at the turn are read on
 * either side of it: what the force rises by in a sample, as a share of it, is their ratio's standard
 * uncertainty, alike for all cycles. Without a tube both ways run through the same feeds, and where the turn
 * was falls out; but force and feed of a sample are read up to a quarter of one apart from where both are
 * taken to be, which moves one way up and the other down. The force rises over most of the travel. An
 * estimate. 0 where the record does not tell the travel. */
static double turn_sample(const struct run_record *record)
{
    double way_mm = fabs(record->speed_mm_s) / record->sample_rate_hz;
    if (!(record->travel_mm > 0) || !(record->sample_rate_hz > 0))
        return 0;
    if (!reversal_has_tube(run_record_conditions(record)))
        way_mm = 2 * budget_rectangular(way_mm / 4);
    return way_mm / record->travel_mm;
}
#define TURN_SAMPLE_NAME "one sample at the turn"

static void share(int what, const struct sharing *s, double value, struct budget *b)
{
    struct budget force = {0};
    double bend = reversal_bend_deg(run_record_conditions(s->record)) * PI / 180;
    budget_init(b);
    switch (what) {
    case REVERSAL_TOP:
        push_budget_add_bench(b, value, s->calibration, s->settings);
        break;
    case REVERSAL_LOST:
    case REVERSAL_TUBE:
        share_feed(s, value, "mm", b);
        break;
    case REVERSAL_ENERGY:
        budget_init(&force);
        push_budget_add_bench(&force, s->top_n, s->calibration, s->settings);
        run_mean_add_scaled(b, &force, value / s->top_n, "mJ");
        share_feed(s, value, "mJ", b);
        break;
    case REVERSAL_RATIO:
        run_mean_add(b, PUSH_BUDGET_REVERSIBILITY_NAME, "1", value * ratio_reversibility(s), INFINITY,
                     BUDGET_TYPE_B, false);
        run_mean_add(b, TURN_SAMPLE_NAME, "1", value * turn_sample(s->record), INFINITY, BUDGET_TYPE_B,
                     false);
        break;
    case REVERSAL_FRICTION:
        run_mean_add(b, PUSH_BUDGET_REVERSIBILITY_NAME, "1", ratio_reversibility(s) / (2 * bend), INFINITY,
                     BUDGET_TYPE_B, false);
        run_mean_add(b, TURN_SAMPLE_NAME, "1", turn_sample(s->record) / (2 * bend), INFINITY, BUDGET_TYPE_B,
                     false);
        break;
    default:
        push_budget_add_bench(&force, s->top_n, s->calibration, s->settings);
        run_mean_add_scaled(b, &force, value / s->top_n, "N/mm");
        share_feed(s, value, "N/mm", b);
        break;
    }
}

static void put(struct run_finding *run, int what, struct quantity q)
{
    run->quantities[what] = (struct run_quantity){KINDS[what].key, KINDS[what].label, KINDS[what].unit, q};
}

/* A quantity of one run: what its cycles leave uncertain, and what all runs share. */
static struct quantity of_run(int what, const struct loop_mean *m, double value, double own,
                              const struct sharing *s)
{
    struct budget b, shared;
    budget_init(&b);
    if (m->n == 0)
        return quantity_absent();
    share(what, s, value, &shared);
    run_mean_add(&b, "scatter within the run", KINDS[what].unit, own, m->degrees_of_freedom, BUDGET_TYPE_A,
                 false);
    run_mean_add_scaled(&b, &shared, 1, KINDS[what].unit);
    return budget_combine(&b, value, m->n);
}

static enum err_code draw_loop(const struct push_motion *m, struct run_trace *trace, struct err *e)
{
    size_t size = m->n / TRACE_POINTS + 1, n = m->n / size;
    trace->x = calloc(n + 1, sizeof *trace->x);
    trace->y = calloc(n + 1, sizeof *trace->y);
    if (trace->x == NULL || trace->y == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for a picture");
    trace->n = n;
    for (size_t i = 0; i < n * size; i++) {
        trace->x[i / size] += m->feed_mm[i] / (double)size;
        trace->y[i / size] += m->force_n[i] / (double)size;
    }
    return ERR_OK;
}

static void fill_quantities(const struct reversal_loops *l, const struct push_motion *m,
                            const struct sharing *s, struct run_finding *run)
{
    const struct conditions *c = run_record_conditions(s->record);
    double bend = reversal_bend_deg(c) * PI / 180;
    bool tube = reversal_has_tube(c);
    /* Zero noise of the run moves the force at the turn, and the ratio by what it is to both. */
    double zero_n = hypot(m->zero_noise_n, m->zero_drift_uncertainty_n);
    double ratio = exp(l->log_ratio.value);
    double log_error = l->log_ratio.n > 0 ? hypot(l->log_ratio.standard_error,
                                                  zero_n * fabs(1 / l->slide_n.value - 1 / l->top_n.value))
                                          : 0;
    for (int i = 0; i < REVERSAL_QUANTITIES; i++)
        put(run, i, quantity_absent());
    run->quantity_count = REVERSAL_QUANTITIES;
    put(run, REVERSAL_TOP,
        of_run(REVERSAL_TOP, &l->top_n, l->top_n.value, hypot(l->top_n.standard_error, zero_n), s));
    put(run, REVERSAL_ENERGY,
        of_run(REVERSAL_ENERGY, &l->energy_mj, l->energy_mj.value, l->energy_mj.standard_error, s));
    put(run, REVERSAL_STIFFNESS,
        of_run(REVERSAL_STIFFNESS, &l->stiffness_n_per_mm, l->stiffness_n_per_mm.value,
               l->stiffness_n_per_mm.standard_error, s));
    put(run, REVERSAL_LOST,
        of_run(REVERSAL_LOST, &l->lost_mm, l->lost_mm.value, l->lost_mm.standard_error, s));
    if (l->lost_least_mm > 0)
        put(run, REVERSAL_LOST, quantity_at_least(l->lost_least_mm));
    if (!reversal_cell_at_feeder(c) && tube)
        return;
    put(run, REVERSAL_RATIO, of_run(REVERSAL_RATIO, &l->log_ratio, ratio, ratio * log_error, s));
    if (tube)
        put(run, REVERSAL_FRICTION,
            of_run(REVERSAL_FRICTION, &l->log_ratio, l->log_ratio.value / (2 * bend), log_error / (2 * bend),
                   s));
}

static enum err_code answer(const struct push_motion *m, const struct run_record *record,
                            const struct calibration *calibration, const struct push_settings *settings,
                            struct run_finding *run, struct err *e)
{
    struct push_result *r = &run->push;
    struct reversal_loops loops;
    double turn_mm = m->step_mm * record->full_steps_per_rev * record->reduction;
    struct push_gear gear = {.turn_mm = turn_mm,
                             .pitch_mm = record->teeth > 0 ? turn_mm / record->teeth : 0,
                             .runout_mm = settings->estimates[PLAN_ESTIMATE_RUNOUT_MM]};
    struct push_motion first = *m;
    const struct conditions *conditions = run_record_conditions(record);
    bool tube = reversal_has_tube(conditions);
    enum err_code code = reversal_loop_take(m, r, tube && reversal_cell_at_feeder(conditions), &gear,
                                            calibration->encoder_mm_per_count, &loops, e);
    if (code != ERR_OK)
        return code;
    if (loops.stalled)
        return err_set(e, ERR_NO_ANSWER,
                       "the force fell from %.4g N on the way forward: the feeder stalled or slipped, and no "
                       "loop below slip onset is there; use less travel",
                       loops.stalled_n);
    if (loops.slipped)
        return err_set(
            e, ERR_NO_ANSWER,
            "the push went past slip onset at about %.4g N: lost motion and hysteresis of this run "
            "hold slip as well; use less travel",
            loops.slip_onset_n);
    struct sharing s = {.record = record,
                        .calibration = calibration,
                        .settings = settings,
                        .top_n = loops.top_n.value,
                        .slide_n = loops.slide_n.value};
    if (!(s.top_n > 0))
        return err_set(e, ERR_NO_ANSWER, "no force at the turn can be read: %.120s", loops.turn_why);
    fill_quantities(&loops, m, &s, run);
    if (loops.used < loops.cycles)
        push_motion_flag(r, "%zu of %zu cycles are not whole loops and are left out",
                         loops.cycles - loops.used, loops.cycles);
    if (loops.cycles == 1)
        push_motion_flag(r, "one cycle only: no contact follows a release, so no lost motion");
    else if (!r->with_encoder)
        push_motion_flag(r, "no encoder: lost motion is crossed with no force on, both ways, and leaves no "
                            "mark in the force");
    else if (loops.lost_mm.n == 0 && loops.lost_why[0] != '\0')
        push_motion_flag(r, "the lost motion was not crossed to its end: %.90s", loops.lost_why);
    if (tube && reversal_cell_at_feeder(conditions) && loops.log_ratio.n == 0)
        push_motion_flag(r, "no friction of the guide tube: %.110s", loops.turn_why);
    first.n = m->legs[1] + 1;
    push_motion_picture(&first, &r->picture);
    return draw_loop(m, &run->trace, e);
}

enum err_code reversal_analyse(const struct run_columns *columns, const struct run_record *record,
                               const struct calibration *calibration, const struct push_settings *settings,
                               struct run_finding *run, struct err *e)
{
    struct push_motion m = {0};
    enum err_code code = push_motion_take_both_ways(columns, record, calibration, &m, &run->push,
                                                    settings->zero_drift_limit_n, e);
    run->push.limited_by = LIMITED_UNCLEAR;
    if (code == ERR_OK)
        code = answer(&m, record, calibration, settings, run, e);
    if (code != ERR_OK)
        run->quantity_count = 0;
    push_motion_free(&m);
    return code;
}

/* The onset of slip that this feeder is known to have near that speed; 0 where none is known. */
static double known_onset_n(const struct bench_test_context *context, const struct run_record *record)
{
    const struct feeder_result *f = context->feeder;
    double nearest = INFINITY, onset = 0;
    if (f == NULL || fabs(reversal_bend_deg(&f->conditions) -
                          reversal_bend_deg(run_record_conditions(record))) >= REVERSAL_BEND_LEAST_DEG)
        return 0;
    for (size_t i = 0; i < f->point_count; i++) {
        const struct quantity *q = &f->points[i].slip_onset_n;
        double off = fabs(f->points[i].speed_mm_s - record->speed_mm_s);
        if (q->present && !q->at_least && off < nearest) {
            nearest = off;
            onset = q->low_95;
        }
    }
    return onset;
}

/* Whether a run counts. past: of those left out, past the slip onset known from pushes. */
static bool counts(const struct run_result *run, const struct bench_test_context *context, double *past_n)
{
    if (!run->analysed || run->quantity_count != REVERSAL_QUANTITIES)
        return false;
    double onset = known_onset_n(context, run->record);
    if (!(onset > 0) || run->quantities[REVERSAL_TOP].q.value <= onset)
        return true;
    *past_n = onset;
    return false;
}

static int by_bend(const void *a, const void *b)
{
    double p = ((const struct reversal_bend *)a)->deg, q = ((const struct reversal_bend *)b)->deg;
    return p < q ? -1 : p > q;
}

/* Means over the counted runs of one bend. */
static enum err_code sum_bend(const struct run_result *const *runs, size_t count,
                              const struct bench_test_context *context, struct reversal_bend *bend,
                              struct outcome *outcome, struct err *e)
{
    struct quantity *values = malloc((count + 1) * sizeof *values);
    struct sharing s = {.calibration = context->calibration, .settings = context->settings};
    enum err_code code = ERR_OK;
    double unused;
    if (values == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", count);
    for (int what = 0; what < REVERSAL_QUANTITIES && code == ERR_OK; what++) {
        struct budget shared, budget;
        size_t n = 0, bounds = 0;
        double sum = 0, least = 0, slide = 0;
        for (size_t i = 0; i < count; i++) {
            if (!counts(runs[i], context, &unused) ||
                fabs(reversal_bend_deg(run_record_conditions(runs[i]->record)) - bend->deg) >=
                    REVERSAL_BEND_LEAST_DEG)
                continue;
            const struct quantity *q = &runs[i]->quantities[what].q;
            s.record = runs[i]->record;
            if (q->present && q->at_least) {
                bounds++;
                least = fmax(least, q->value);
            } else if (q->present) {
                sum += q->value;
                values[n++] = *q;
            }
            if (what == REVERSAL_RATIO && q->present)
                slide += runs[i]->quantities[REVERSAL_TOP].q.value / q->value;
            bend->first = bend->first == NULL ? runs[i] : bend->first;
        }
        if (what == REVERSAL_TOP)
            s.top_n = n > 0 ? sum / (double)n : NAN;
        s.slide_n = slide > 0 ? slide / (double)n : s.slide_n > 0 ? s.slide_n : s.top_n;
        budget_init(&budget);
        share(what, &s, n > 0 ? sum / (double)n : 0, &shared);
        bend->means[what] = run_mean(values, n, &shared, KINDS[what].unit, &budget);
        if (n == 0 && bounds > 0) {
            bend->means[what] = quantity_at_least(least);
            bend->means[what].n = (uint32_t)bounds;
        }
        if ((what == REVERSAL_FRICTION && bend->deg < REVERSAL_BEND_LEAST_DEG) ||
            what == REVERSAL_STIFFNESS || what == REVERSAL_TUBE)
            continue;
        code = outcome_add(outcome, KINDS[what].key, bend->setting, KINDS[what].label, KINDS[what].unit,
                           &bend->means[what], budget.count > 0 ? &budget : NULL, KINDS[what].compared, e);
    }
    free(values);
    return code;
}

/* What the same feeder loses with the tube more than without one: the tube's part. */
static enum err_code add_tube(struct reversal_bend *bends, size_t count,
                              const struct bench_test_context *context, struct outcome *o, struct err *e)
{
    const struct quantity *without = &bends[0].means[REVERSAL_LOST];
    enum err_code code = ERR_OK;
    if (count < 2 || bends[0].deg >= REVERSAL_BEND_LEAST_DEG || !without->present || without->at_least)
        return ERR_OK;
    for (size_t i = 1; i < count && code == ERR_OK; i++) {
        const struct quantity *with = &bends[i].means[REVERSAL_LOST];
        struct sharing s = {.record = bends[i].first->record,
                            .calibration = context->calibration,
                            .settings = context->settings};
        struct budget budget, shared;
        const struct quantity *both[2] = {with, without};
        if (!with->present || with->at_least || !reversal_encoder_at_end(run_record_conditions(s.record)))
            continue;
        budget_init(&budget);
        for (int k = 0; k < 2; k++) {
            double u = both[k]->standard_uncertainty;
            share(REVERSAL_LOST, &s, both[k]->value, &shared);
            double common = budget_standard_uncertainty(&shared),
                   own = sqrt(fmax(0, u * u - common * common));
            run_mean_add(&budget, k == 0 ? "scatter with the tube" : "scatter without a tube", "mm", own,
                         both[k]->degrees_of_freedom * pow(own / u, 4), BUDGET_TYPE_A, false);
        }
        /* The scale of the feed is the same in both and goes with their difference. */
        share(REVERSAL_TUBE, &s, with->value - without->value, &shared);
        run_mean_add_scaled(&budget, &shared, 1, "mm");
        bends[i].means[REVERSAL_TUBE] = budget_combine(&budget, with->value - without->value, with->n);
        code = outcome_add(o, KINDS[REVERSAL_TUBE].key, bends[i].setting, KINDS[REVERSAL_TUBE].label,
                           KINDS[REVERSAL_TUBE].unit, &bends[i].means[REVERSAL_TUBE], &budget,
                           KINDS[REVERSAL_TUBE].compared, e);
    }
    return code;
}

/* Ratio against bend over the counted runs: the law of belt friction. *belt.n is 0 for fewer than two bends.
 */
static enum err_code fit_law(const struct run_result *const *runs, size_t count,
                             const struct bench_test_context *context, struct loop_belt *belt, double *widest,
                             struct err *e)
{
    double *room = malloc(4 * (count + 1) * sizeof *room), unused;
    size_t n = 0;
    struct loop_belt fit;
    memset(belt, 0, sizeof *belt);
    *widest = 0;
    if (room == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", count);
    for (size_t i = 0; i < count; i++) {
        struct sharing s = {.record = runs[i]->record, .calibration = context->calibration};
        struct budget shared;
        if (!counts(runs[i], context, &unused) || !reversal_has_tube(run_record_conditions(runs[i]->record)))
            continue;
        const struct quantity *q = &runs[i]->quantities[REVERSAL_RATIO].q;
        if (!q->present || !(q->value > 0))
            continue;
        s.slide_n = runs[i]->quantities[REVERSAL_TOP].q.value / q->value;
        share(REVERSAL_RATIO, &s, q->value, &shared);
        double common = budget_standard_uncertainty(&shared), u = q->standard_uncertainty;
        double *row = room + n++;
        row[0] = reversal_bend_deg(run_record_conditions(runs[i]->record)) * PI / 180;
        row[count] = log(q->value);
        row[2 * count] = sqrt(fmax(u * u / 1e4, u * u - common * common)) / q->value;
        row[3 * count] = turn_sample(s.record);
        *widest = fmax(*widest, row[0]);
    }
    struct err ignored;
    if (n > 0 &&
        loop_fit_belt(room, room + count, room + 2 * count, room + 3 * count, n, &fit, &ignored) == ERR_OK &&
        fit.bends > 1)
        *belt = fit;
    free(room);
    return ERR_OK;
}

static enum err_code add_law(const struct loop_belt *belt, double widest, const struct sharing *s,
                             struct outcome *o, struct quantity *q, struct err *e)
{
    struct budget budget;
    budget_init(&budget);
    run_mean_add(&budget, belt->repeated ? "scatter of the runs" : "scatter within the runs", "1",
                 belt->standard_error, belt->degrees_of_freedom, BUDGET_TYPE_A, false);
    run_mean_add(&budget, PUSH_BUDGET_REVERSIBILITY_NAME, "1", ratio_reversibility(s) / (2 * widest),
                 INFINITY, BUDGET_TYPE_B, false);
    run_mean_add(&budget, TURN_SAMPLE_NAME, "1", belt->shared_error, INFINITY, BUDGET_TYPE_B, false);
    *q = budget_combine(&budget, belt->friction, belt->n);
    return outcome_add(o, KINDS[REVERSAL_FRICTION].key, "over all bends", KINDS[REVERSAL_FRICTION].label, "1",
                       q, &budget, false, e);
}

/* The bends of the counted runs in rising order; returns how many. */
static size_t list_bends(const struct run_result *const *runs, size_t count,
                         const struct bench_test_context *context, struct reversal_bend *bends,
                         struct outcome *o)
{
    size_t n = 0;
    double past_n = 0;
    bool stated = false;
    for (size_t i = 0; i < count; i++) {
        double onset = 0;
        size_t j = 0;
        if (!counts(runs[i], context, &onset)) {
            past_n = fmax(past_n, onset);
            continue;
        }
        double deg = reversal_bend_deg(run_record_conditions(runs[i]->record));
        stated = stated || run_record_conditions(runs[i]->record)->stated[CONDITION_GUIDE_TUBE_BEND_DEG];
        while (j < n && fabs(bends[j].deg - deg) >= REVERSAL_BEND_LEAST_DEG)
            j++;
        if (j == BENDS_MAX) {
            outcome_warn(o, "more than %d bends of the guide tube: %.4g degrees is left out", BENDS_MAX, deg);
            continue;
        }
        if (j == n)
            bends[n++] = (struct reversal_bend){.deg = deg};
        bends[j].n++;
        o->used_count++;
    }
    if (past_n > 0)
        outcome_warn(o,
                     "runs that went past the slip onset known of this feeder (%.4g N at the least) are left "
                     "out: their lost motion and hysteresis hold slip as well; use less travel",
                     past_n);
    qsort(bends, n, sizeof *bends, by_bend);
    for (size_t i = 0; i < n && (n > 1 || stated); i++) {
        if (bends[i].deg < REVERSAL_BEND_LEAST_DEG)
            snprintf(bends[i].setting, sizeof bends[i].setting, "without a guide tube");
        else
            snprintf(bends[i].setting, sizeof bends[i].setting, "with %.4g degrees of bend", bends[i].deg);
    }
    return n;
}

enum err_code reversal_sum_up(const struct run_result *const *runs, size_t count,
                              const struct bench_test_context *context, struct outcome *outcome,
                              struct err *e)
{
    struct reversal_bend bends[BENDS_MAX] = {0};
    struct sharing s = {.calibration = context->calibration, .settings = context->settings};
    struct loop_belt belt;
    struct quantity friction = quantity_absent();
    double widest;
    size_t n = list_bends(runs, count, context, bends, outcome);
    enum err_code code = ERR_OK;
    if (n == 0) {
        for (size_t i = 0; i < count; i++) {
            if (!runs[i]->analysed && runs[i]->why_not != NULL)
                return err_set(e, ERR_NO_ANSWER, "no run can be used: %.190s", runs[i]->why_not);
        }
        return err_set(e, ERR_NO_ANSWER, "%s",
                       outcome->warning_count > 0 ? outcome->warnings[0] : "no run can be used");
    }
    for (size_t i = 0; i < n && code == ERR_OK; i++)
        code = sum_bend(runs, count, context, &bends[i], outcome, e);
    for (size_t i = 0; i < n; i++)
        s.record = bends[i].first != NULL ? bends[i].first->record : s.record;
    if (code == ERR_OK)
        code = add_tube(bends, n, context, outcome, e);
    if (code == ERR_OK)
        code = fit_law(runs, count, context, &belt, &widest, e);
    if (code != ERR_OK)
        return code;
    for (size_t i = 0; i < n; i++) {
        if (bends[i].means[REVERSAL_RATIO].present) {
            s.record = bends[i].first->record;
            s.slide_n = bends[i].means[REVERSAL_TOP].value / bends[i].means[REVERSAL_RATIO].value;
        }
    }
    if (belt.n > 0)
        code = add_law(&belt, widest, &s, outcome, &friction, e);
    else
        friction = bends[n - 1].means[REVERSAL_FRICTION];
    reversal_say(bends, n, &friction, &belt, widest, outcome);
    reversal_draw(bends, n, outcome);
    outcome->present = code == ERR_OK;
    return code;
}
