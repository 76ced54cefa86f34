#include "analyze/comparison.h"

#include "analyze/bench_test.h"
#include "analyze/numerics/difference.h"
#include "analyze/outcome_comparison.h"
#include "analyze/push_budget.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const VERDICT_NAMES[VERDICT_COUNT] = {"a_higher", "b_higher", "no_difference_shown", "equivalent",
                                                  "not_comparable"};

/* Two-sided level of the verdicts, and of the 95 % intervals. */
#define LEVEL 0.05

void comparison_reason(struct comparison *c, const char *format, ...)
{
    va_list arguments;
    if (c->reason_count >= COMPARISON_REASONS_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(c->reasons[c->reason_count++], sizeof c->reasons[0], format, arguments);
    va_end(arguments);
}

/* Of two plans' tolerances the stricter. */
static void tolerances(const struct session *s, const struct feeder_result *a, const struct feeder_result *b,
                       double *out)
{
    for (size_t i = 0; i < CONDITION_COUNT; i++)
        out[i] = fmin(s->series[a->series]->plan.tolerance[i], s->series[b->series]->plan.tolerance[i]);
}

void comparison_gate(const struct session *s, struct comparison *c, const bool *ignored)
{
    const struct feeder_result *a = &s->feeders[c->a], *b = &s->feeders[c->b];
    struct condition_difference differences[CONDITION_COUNT];
    double tolerance[CONDITION_COUNT];
    size_t count;
    tolerances(s, a, b, tolerance);
    count = conditions_compare(&a->conditions, &b->conditions, tolerance, differences);
    for (size_t i = 0; i < count; i++) {
        if (ignored == NULL || !ignored[differences[i].id])
            comparison_reason(c, "%s", differences[i].text);
    }
    if (a->conditions_vary)
        comparison_reason(c, "the conditions of %s differ from run to run", a->name);
    if (b->conditions_vary)
        comparison_reason(c, "the conditions of %s differ from run to run", b->name);
    if (s->series[a->series]->simulated != s->series[b->series]->simulated)
        comparison_reason(c, "one of the two was measured, the other is simulated");
}

static const struct quantity *quantity_of(const struct run_result *run, bool onset)
{
    return onset ? &run->push.slip_onset_n : &run->push.stall_force_n;
}

static bool wanted_run(const struct run_result *run, size_t series, size_t feeder, double speed_mm_s,
                       bool onset)
{
    return run->analysed && run->series == series && run->feeder == feeder &&
           bench_test_is_plain_push(run->record->test) &&
           fabs(run->record->speed_mm_s - speed_mm_s) <= 1e-6 * speed_mm_s &&
           quantity_of(run, onset)->present && !quantity_of(run, onset)->at_least;
}

/* Values of one feeder at one speed with the block of each; returns the count. Several runs in one block
 * share its mounting: they are one value, their mean, and not so many independent ones. */
static size_t gather(const struct session *s, size_t feeder, double speed_mm_s, bool onset, double *values,
                     int *blocks)
{
    const struct feeder_result *f = &s->feeders[feeder];
    size_t n = 0;
    for (size_t i = 0; i < s->run_count; i++) {
        const struct run_result *run = &s->runs[i];
        if (!wanted_run(run, f->series, feeder, speed_mm_s, onset))
            continue;
        size_t j = 0, together = 0;
        double sum = 0;
        while (j < n && blocks[j] != run->record->block)
            j++;
        if (j < n)
            continue;
        for (size_t k = i; k < s->run_count; k++) {
            const struct run_result *other = &s->runs[k];
            if (wanted_run(other, f->series, feeder, speed_mm_s, onset) &&
                other->record->block == run->record->block) {
                sum += quantity_of(other, onset)->value;
                together++;
            }
        }
        values[n] = sum / (double)together;
        blocks[n++] = run->record->block;
    }
    return n;
}

/* Bring both groups to the blocks they share, one value each; false when a block holds several or too few are
 * shared. */
static bool pair_by_block(double *a, const int *block_a, size_t na, double *b, const int *block_b, size_t nb,
                          size_t *shared)
{
    double *pa = malloc((na + 1) * sizeof *pa), *pb = malloc((na + 1) * sizeof *pb);
    bool single = pa != NULL && pb != NULL;
    size_t n = 0;
    for (size_t i = 0; single && i < na; i++) {
        size_t partners = 0, at = 0;
        for (size_t j = 0; j < na; j++)
            single = single && (j == i || block_a[j] != block_a[i]);
        for (size_t j = 0; j < nb; j++) {
            if (block_b[j] == block_a[i]) {
                partners++;
                at = j;
            }
        }
        single = single && partners <= 1;
        if (single && partners == 1) {
            pa[n] = a[i];
            pb[n++] = b[at];
        }
    }
    /* Unpaired runs would be thrown away: only pair when nothing is. */
    single = single && n >= 2 && n == na && n == nb;
    if (single) {
        memcpy(a, pa, n * sizeof *a);
        memcpy(b, pb, n * sizeof *b);
        *shared = n;
    }
    free(pa);
    free(pb);
    return single;
}

static double mean_of(const double *values, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += values[i];
    return sum / (double)n;
}

bool comparison_same_calibration(const struct session *s, const struct feeder_result *fa,
                                 const struct feeder_result *fb)
{
    const struct calibration *a = &s->series[fa->series]->calibration,
                             *b = &s->series[fb->series]->calibration;
    if (fa->series == fb->series)
        return true;
    if (strcmp(a->date, b->date) != 0 || strcmp(a->rig_serial, b->rig_serial) != 0 || a->degree != b->degree)
        return false;
    for (int i = 0; i <= a->degree; i++) {
        if (a->coefficients[i] != b->coefficients[i])
            return false;
        for (int j = 0; j <= a->degree; j++) {
            if (a->covariance[i][j] != b->covariance[i][j])
                return false;
        }
    }
    return true;
}

/* What the calibration adds to the uncertainty of a difference. A wrong gain that is common to both stretches
 * both forces and so their difference alike, and a load cell that reads less with rising loads does so for
 * both: their share grows with the difference only. Two calibrations are wrong each in its own way. */
static void add_calibrations(struct budget *budget, const struct session *s, const struct feeder_result *fa,
                             const struct feeder_result *fb, double mean_a, double mean_b, double difference)
{
    const struct calibration *a = &s->series[fa->series]->calibration,
                             *b = &s->series[fb->series]->calibration;
    if (comparison_same_calibration(s, fa, fb)) {
        push_budget_add_calibration(budget, mean_a, mean_a > 0 ? fabs(difference) / mean_a : 0,
                                    ", common to both", a);
        return;
    }
    push_budget_add_calibration(budget, mean_a, 1, " of a", a);
    push_budget_add_calibration(budget, mean_b, 1, " of b", b);
}

/* What the mean of a feeder's runs at a speed owes to the runs' own scatter: variance in N^2; adds to the
 * degrees of freedom. */
static double own_variance_of_mean(const struct session *s, size_t feeder, double speed_mm_s, bool onset,
                                   double *degrees)
{
    double variance = 0;
    size_t n = 0;
    for (size_t i = 0; i < s->run_count; i++) {
        const struct run_result *run = &s->runs[i];
        if (!wanted_run(run, s->feeders[feeder].series, feeder, speed_mm_s, onset))
            continue;
        variance +=
            push_budget_own_variance(onset ? &run->push.onset_budget : &run->push.stall_budget, degrees);
        n++;
    }
    return n > 0 ? variance / ((double)n * (double)n) : 0;
}

static void judge(const struct session *s, struct comparison *c, bool onset, double *a, double *b,
                  int *block_a, int *block_b)
{
    struct difference d;
    struct err e;
    enum err_code code;
    const struct feeder_result *fa = &s->feeders[c->a], *fb = &s->feeders[c->b];
    size_t na = gather(s, c->a, c->speed_mm_s, onset, a, block_a);
    size_t nb = gather(s, c->b, c->speed_mm_s, onset, b, block_b), shared = 0;
    c->by_blocks = fa->series == fb->series && pair_by_block(a, block_a, na, b, block_b, nb, &shared);
    code = c->by_blocks ? difference_paired(a, b, shared, &d, &e) : difference_welch(a, na, b, nb, &d, &e);
    if (code != ERR_OK) {
        c->verdict = VERDICT_NOT_COMPARABLE;
        comparison_reason(c, "%.200s", e.text);
        return;
    }
    budget_init(&c->budget);
    /* A few blocks may agree by chance better than any run is known: the interval is not narrower than the
     * runs' own scatter. */
    double own_degrees = 0;
    double own = sqrt(own_variance_of_mean(s, c->a, c->speed_mm_s, onset, &own_degrees) +
                      own_variance_of_mean(s, c->b, c->speed_mm_s, onset, &own_degrees));
    if (d.standard_error >= own)
        push_budget_add(&c->budget,
                        c->by_blocks ? "scatter of the differences, block by block"
                                     : "scatter of the runs of both",
                        d.standard_error, d.degrees_of_freedom, BUDGET_TYPE_A, false);
    else
        push_budget_add(&c->budget, "scatter within the runs of both", own, own_degrees, BUDGET_TYPE_A,
                        false);
    add_calibrations(&c->budget, s, fa, fb, mean_of(a, na), mean_of(b, nb), d.mean);
    c->difference = budget_combine(&c->budget, d.mean, na < nb ? na : nb);
    c->has_p_value = true;
    /* A gain common to both cannot make a difference out of none; two calibrations can. */
    c->p_value_unadjusted = comparison_same_calibration(s, fa, fb)
                                ? d.p_value
                                : difference_p_value(d.mean, c->difference.standard_uncertainty,
                                                     c->difference.degrees_of_freedom);
    /* Only until all p values are adjusted. */
    c->verdict = d.mean > 0 ? VERDICT_A_HIGHER : VERDICT_B_HIGHER;
}

static const struct speed_point *point_at(const struct feeder_result *f, double speed_mm_s)
{
    for (size_t i = 0; i < f->point_count; i++) {
        if (fabs(f->points[i].speed_mm_s - speed_mm_s) <= 1e-6 * speed_mm_s)
            return &f->points[i];
    }
    return NULL;
}

/* Whether there is anything to compare: both have the speed and the quantity in every run. */
static bool wanted(const struct speed_point *a, const struct speed_point *b, bool onset)
{
    if (a == NULL || b == NULL || a->run_count == 0 || b->run_count == 0)
        return false;
    return !onset || (a->slip_onset_n.present && b->slip_onset_n.present && a->no_onset_count == 0 &&
                      b->no_onset_count == 0);
}

static enum err_code adjust(struct session *s, struct err *e)
{
    double *p = malloc((s->comparison_count + 1) * sizeof *p),
           *adjusted = malloc((s->comparison_count + 1) * sizeof *p);
    size_t n = 0;
    if (p == NULL || adjusted == NULL) {
        free(p);
        free(adjusted);
        return err_set(e, ERR_MEMORY, "not enough memory to adjust %zu p values", s->comparison_count);
    }
    for (size_t i = 0; i < s->comparison_count; i++) {
        if (s->comparisons[i].has_p_value)
            p[n++] = s->comparisons[i].p_value_unadjusted;
    }
    difference_holm(p, n, adjusted);
    n = 0;
    for (size_t i = 0; i < s->comparison_count; i++) {
        struct comparison *c = &s->comparisons[i];
        if (!c->has_p_value)
            continue;
        c->p_value = adjusted[n++];
        if (c->p_value >= LEVEL)
            c->verdict = VERDICT_NO_DIFFERENCE_SHOWN;
    }
    free(p);
    free(adjusted);
    return ERR_OK;
}

enum err_code comparison_all(struct session *s, struct err *e)
{
    size_t most = 0;
    double *a = malloc((s->run_count + 1) * sizeof *a), *b = malloc((s->run_count + 1) * sizeof *b);
    int *block_a = malloc((s->run_count + 1) * sizeof *block_a),
        *block_b = malloc((s->run_count + 1) * sizeof *block_b);
    enum err_code code = ERR_OK;
    for (size_t i = 0; i < s->feeder_count; i++)
        most += 2 * s->feeders[i].point_count * (s->feeder_count - 1 - i);
    most += outcome_comparison_most(s);
    s->comparisons = calloc(most + 1, sizeof *s->comparisons);
    if (s->comparisons == NULL || a == NULL || b == NULL || block_a == NULL || block_b == NULL) {
        code = err_set(e, ERR_MEMORY, "not enough memory to compare %zu feeders", s->feeder_count);
        goto out;
    }
    for (size_t i = 0; i < s->feeder_count; i++) {
        for (size_t j = i + 1; j < s->feeder_count; j++) {
            for (size_t k = 0; k < 2 * s->feeders[i].point_count; k++) {
                bool onset = k >= s->feeders[i].point_count;
                const struct speed_point *pa = &s->feeders[i].points[k % s->feeders[i].point_count];
                const struct speed_point *pb = point_at(&s->feeders[j], pa->speed_mm_s);
                struct comparison *c = &s->comparisons[s->comparison_count];
                if (!wanted(pa, pb, onset))
                    continue;
                *c = (struct comparison){.a = i, .b = j, .speed_mm_s = pa->speed_mm_s};
                snprintf(c->quantity, sizeof c->quantity, "%s", onset ? "slip_onset_n" : "stall_force_n");
                snprintf(c->unit, sizeof c->unit, "N");
                s->comparison_count++;
                comparison_gate(s, c, NULL);
                if (!onset && pa->censored_count > 0)
                    comparison_reason(
                        c,
                        "%zu of %zu pushes of %s met a limit before they stalled: only \"at least\" is known",
                        pa->censored_count, pa->run_count, s->feeders[i].name);
                if (!onset && pb->censored_count > 0)
                    comparison_reason(
                        c,
                        "%zu of %zu pushes of %s met a limit before they stalled: only \"at least\" is known",
                        pb->censored_count, pb->run_count, s->feeders[j].name);
                if (c->reason_count > 0)
                    c->verdict = VERDICT_NOT_COMPARABLE;
                else
                    judge(s, c, onset, a, b, block_a, block_b);
            }
        }
    }
    outcome_comparison_add(s);
    code = adjust(s, e);
out:
    free(a);
    free(b);
    free(block_a);
    free(block_b);
    return code;
}
