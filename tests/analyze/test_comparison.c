#include "analyze/comparison.h"
#include "analyze/comparison_resample.h"

#include "analyze/comparison_size.h"
#include "analyze/numerics/difference.h"
#include "analyze/numerics/power.h"
#include "analyze/numerics/studentised_range.h"
#include "analyze/push_budget.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FEEDERS 4
#define RUNS    160
#define SERIES  2

/* A session put together by hand: feeders of one or two series, runs with a block and a stall force. */
struct bench {
    struct session session;
    struct series series[SERIES];
    struct series *series_pointers[SERIES];
    struct feeder_result feeders[FEEDERS];
    struct run_result runs[RUNS];
    struct run_record records[RUNS];
};
static struct bench *b;

static void begin(void)
{
    quantity_init_numerics();
    b = calloc(1, sizeof *b);
    cr_assert_not_null(b);
    b->session = (struct session){
        .series = b->series_pointers, .runs = b->runs, .feeders = b->feeders, .series_count = 1};
    for (size_t i = 0; i < SERIES; i++) {
        b->series_pointers[i] = &b->series[i];
        for (size_t k = 0; k < CONDITION_COUNT; k++)
            b->series[i].plan.tolerance[k] = CONDITION_KINDS[k].tolerance;
        b->series[i].plan.tolerance[CONDITION_NIP_PRELOAD_N] = 2.5;
        b->series[i].calibration = (struct calibration){
            .degree = 1, .coefficients = {0, 4000}, .load_high_n = 200, .degrees_of_freedom = INFINITY};
    }
}

static void forget(void)
{
    comparison_forget(&b->session);
    b->session.comparisons = NULL;
    b->session.families = NULL;
    b->session.comparison_count = b->session.family_count = 0;
}

static void end(void)
{
    forget();
    free(b);
}

TestSuite(comparison, .init = begin, .fini = end);

static struct feeder_result *add_feeder(const char *name, size_t series, double speed_mm_s)
{
    struct feeder_result *f = &b->feeders[b->session.feeder_count++];
    snprintf(f->name, sizeof f->name, "%s", name);
    f->series = series;
    f->point_count = 1;
    f->points[0].speed_mm_s = speed_mm_s;
    f->conditions.stated[CONDITION_NIP_PRELOAD_N] = true;
    f->conditions.number[CONDITION_NIP_PRELOAD_N] = 41.3;
    conditions_set_word(&f->conditions, CONDITION_FILAMENT_LOT, "R-0417");
    return f;
}

/* Stall forces of a feeder at its speed, one a block from 1 on; blocks NULL. */
static struct run_result *add_runs(size_t feeder, const double *stall_n, const int *blocks, size_t n)
{
    struct feeder_result *f = &b->feeders[feeder];
    struct run_result *first = &b->runs[b->session.run_count];
    for (size_t i = 0; i < n; i++) {
        size_t at = b->session.run_count++;
        b->records[at].speed_mm_s = f->points[0].speed_mm_s;
        b->records[at].block = blocks != NULL ? blocks[i] : (int)i + 1;
        b->runs[at] = (struct run_result){
            .series = f->series, .feeder = feeder, .record = &b->records[at], .analysed = true};
        b->runs[at].push.stall_force_n = quantity_from(stall_n[i], 0.4, 7, 6);
    }
    f->points[0].run_count += n;
    f->points[0].no_onset_count = f->points[0].run_count;
    f->points[0].stall_force_n = quantity_from(stall_n[0], 0.4, 7, n);
    return first;
}

static const struct comparison *compare(void)
{
    struct err e;
    cr_assert_eq(comparison_all(&b->session, &e), ERR_OK);
    return b->session.comparisons;
}

static const double A[] = {84.1, 85.9, 83.2, 86.4, 84.7};
static const double B[] = {72.8, 74.9, 71.6, 75.7, 73.1};
#define EQUAL(x, y) cr_expect_float_eq(x, y, 1e-9, #x " is %.10g, not %.10g", (double)(x), (double)(y))

Test(comparison, complete_blocks_are_paired)
{
    struct difference d;
    struct err e;
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    /* In another order than the blocks: pairs follow the block. */
    static const int blocks[] = {3, 1, 5, 2, 4};
    double shuffled[5];
    for (int i = 0; i < 5; i++)
        shuffled[i] = B[blocks[i] - 1];
    add_runs(0, A, NULL, 5);
    add_runs(1, shuffled, blocks, 5);
    const struct comparison *c = compare();
    cr_assert_eq(b->session.comparison_count, 1);
    cr_expect(c->by_blocks);
    cr_assert_eq(difference_paired(A, B, 5, &d, &e), ERR_OK);
    EQUAL(c->difference.value, d.mean);
    EQUAL(c->difference.standard_uncertainty, d.standard_error);
    EQUAL(c->difference.low_95, d.low_95);
    EQUAL(c->p_value_unadjusted, d.p_value);
    EQUAL(c->p_value, d.p_value);
    cr_expect_eq(c->verdict, VERDICT_A_HIGHER);
    cr_expect_eq(c->reasons.count, 0);
    cr_expect_str_eq(c->quantity, "stall_force_n");
    EQUAL(c->speed_mm_s, 4.9);
    cr_expect(c->a == 0 && c->b == 1);
}

/* A block in which one of the two is missing says nothing of their difference within blocks. */
Test(comparison, incomplete_blocks_are_paired_where_both_have_a_run)
{
    static const int blocks[] = {1, 2, 4, 5};
    static const double of_b[] = {72.8, 74.9, 75.7, 73.1}, of_a[] = {84.1, 85.9, 86.4, 84.7};
    struct difference d;
    struct err e;
    add_feeder("gear-b", 0, 4.9);
    add_feeder("gear-a", 0, 4.9);
    add_runs(0, of_b, blocks, 4);
    add_runs(1, A, NULL, 5);
    const struct comparison *c = compare();
    cr_expect(c->by_blocks);
    cr_assert_eq(difference_paired(of_b, of_a, 4, &d, &e), ERR_OK);
    EQUAL(c->difference.value, d.mean);
    EQUAL(c->difference.standard_uncertainty, d.standard_error);
    EQUAL(c->p_value_unadjusted, d.p_value);
    cr_expect_eq(c->verdict, VERDICT_B_HIGHER);
    cr_expect_eq(c->difference.n, 4);
}

Test(comparison, runs_of_one_block_count_as_one)
{
    /* Two runs in each of three blocks, apart by little; the blocks differ by much. Six independent runs
     * would be too sure. */
    static const double twice_a[] = {61.3, 61.5, 57.2, 57.1, 64.6, 64.9},
                        twice_b[] = {58.8, 59.1, 60.4, 60.2, 57.3, 57.0};
    static const int blocks[] = {1, 1, 2, 2, 3, 3};
    const double mean_a[] = {61.4, 57.15, 64.75}, mean_b[] = {58.95, 60.3, 57.15};
    struct difference d;
    struct err e;
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, twice_a, blocks, 6);
    add_runs(1, twice_b, blocks, 6);
    const struct comparison *c = compare();
    cr_expect(c->by_blocks);
    cr_assert_eq(difference_paired(mean_a, mean_b, 3, &d, &e), ERR_OK);
    EQUAL(c->difference.value, d.mean);
    EQUAL(c->p_value_unadjusted, d.p_value);
    cr_expect_eq(c->difference.n, 3);
}

Test(comparison, feeders_of_two_series_are_not_paired)
{
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 1, 4.9);
    b->session.series_count = 2;
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    cr_expect(!compare()->by_blocks);
}

Test(comparison, what_does_not_differ_is_not_shown_to_differ)
{
    static const double near_a[] = {84.9, 84.2, 85.1, 83.8, 85.6};
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, A, NULL, 5);
    add_runs(1, near_a, NULL, 5);
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_NO_DIFFERENCE_SHOWN);
    cr_expect(c->has_p_value && c->p_value > 0.05);
    cr_expect(c->difference.low_95 < 0 && c->difference.high_95 > 0);
}

/* Four feeders, six pairs: a difference that would pass alone does not pass among six. */
Test(comparison, p_values_are_adjusted_over_all_pairs)
{
    static const double shifts[] = {0, 1.12, 0.23, -0.31};
    for (size_t i = 0; i < 4; i++) {
        char name[8];
        double values[5];
        snprintf(name, sizeof name, "gear-%zu", i);
        add_feeder(name, 0, 4.9);
        for (size_t j = 0; j < 5; j++)
            values[j] = A[j] + shifts[i] + 0.9 * sin(2.3 * (double)(i * 5 + j) + 0.3);
        add_runs(i, values, NULL, 5);
    }
    const struct comparison *c = compare();
    const struct comparison_family *f = b->session.families;
    size_t alone = 0, together = 0;
    cr_assert_eq(b->session.comparison_count, 6);
    cr_assert_eq(b->session.family_count, 1);
    cr_assert_eq(f->design.method, DESIGN_BLOCKS_TUKEY);
    for (size_t i = 0; i < 6; i++) {
        const struct quantity *q = &c[i].difference;
        /* Additive model of 4 feeders and 5 blocks: 12 degrees of freedom. */
        double p = studentised_range_upper(sqrt(2) * fabs(q->value) / q->standard_uncertainty, 4, 12);
        EQUAL(q->degrees_of_freedom, 12);
        EQUAL(c[i].p_value, p);
        EQUAL(c[i].p_value_family, p);
        cr_expect_eq(c[i].verdict == VERDICT_NO_DIFFERENCE_SHOWN, p >= 0.05);
        cr_expect_eq(c[i].family_low_95 > 0 || c[i].family_high_95 < 0, p < 0.05);
        cr_expect(c[i].family_low_95 < q->low_95 && c[i].family_high_95 > q->high_95);
        alone += c[i].p_value_unadjusted < 0.05;
        together += p < 0.05;
    }
    cr_expect(alone > together, "%zu alone, %zu together: the values no longer tell the two apart", alone,
              together);
    cr_expect_eq(f->members[0], 1, "the highest comes first");
    cr_expect_eq(f->letters[0][0], 'a');
    for (size_t i = 1; i < 4; i++)
        cr_expect(f->value[i] <= f->value[i - 1]);
}

/* Two quantities that are each shown with p near 0.03: not among two, by Holm. */
Test(comparison, p_values_are_adjusted_over_quantities_too)
{
    static const double near_a[] = {83.65, 84.72, 82.95, 84.93, 84.21};
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, A, NULL, 5);
    add_runs(1, near_a, NULL, 5);
    const struct comparison *c = compare();
    double alone = c->p_value;
    cr_assert(alone > 0.025 && alone < 0.05, "%g", alone);
    cr_expect(c->shown);
    forget();
    for (size_t i = 0; i < 10; i++)
        b->runs[i].push.slip_onset_n =
            quantity_from(b->runs[i].push.stall_force_n.value - (i < 5 ? 30.2 : 30), 0.9, 31, 1);
    for (size_t i = 0; i < 2; i++) {
        b->feeders[i].points[0].no_onset_count = 0;
        b->feeders[i].points[0].slip_onset_n = quantity_from(54, 1, 4, 5);
    }
    c = compare();
    cr_assert_eq(b->session.comparison_count, 2);
    cr_expect_eq(b->session.adjusted_count, 2);
    EQUAL(c[0].p_value_family, alone);
    /* The onsets lie 0.2 N less apart, so their p is the greater one and the stall forces take the first
     * step. */
    cr_assert(c[1].p_value_family > c[0].p_value_family);
    EQUAL(c[0].p_value, 2 * alone);
    EQUAL(c[1].p_value, fmax(2 * alone, c[1].p_value_family));
    cr_expect_eq(c[0].verdict, VERDICT_NO_DIFFERENCE_SHOWN);
}

/* Stall forces of three feeders, and slip onsets that lie 30 N and a little below them. */
static void add_two_families(const double *shifts)
{
    for (size_t i = 0; i < 3; i++) {
        char name[8];
        double values[5];
        snprintf(name, sizeof name, "gear-%zu", i);
        for (size_t j = 0; j < 5; j++)
            values[j] = A[j] + shifts[i] + 0.3 * sin(2.3 * (double)(i * 5 + j) + 0.3);
        add_feeder(name, 0, 4.9);
        struct run_result *runs = add_runs(i, values, NULL, 5);
        for (size_t j = 0; j < 5; j++)
            runs[j].push.slip_onset_n =
                quantity_from(A[j] - 30 + 0.7 * (i == 1) + 0.3 * cos(1.7 * (double)(i * 5 + j)), 0.9, 31, 1);
        b->feeders[i].points[0].no_onset_count = 0;
        b->feeders[i].points[0].slip_onset_n = quantity_from(54, 1, 4, 5);
    }
}

/* A family that holds a pair which may be alike can still make a false claim: it keeps its share of the
 * level, however clear its other pairs are. One that is shown whole hands it on. */
Test(comparison, only_families_shown_whole_hand_their_share_on)
{
    static const double one_apart[] = {0, 0.05, -12}, all_apart[] = {0, 12, -12};
    add_two_families(one_apart);
    const struct comparison *c = compare();
    size_t changed = 0;
    cr_assert_eq(b->session.comparison_count, 6);
    cr_assert_eq(b->session.adjusted_count, 2);
    cr_assert(c[0].p_value_family > 0.5 && c[1].p_value_family < 1e-6);
    for (size_t i = 0; i < 6; i++)
        EQUAL(c[i].p_value, fmin(1, 2 * c[i].p_value_family));
    forget();
    b->session.feeder_count = b->session.run_count = 0;
    memset(b->feeders, 0, sizeof b->feeders);
    add_two_families(all_apart);
    c = compare();
    for (size_t i = 0; i < 3; i++)
        EQUAL(c[i].p_value, 2 * c[i].p_value_family);
    for (size_t i = 3; i < 6; i++) {
        EQUAL(c[i].p_value, c[i].p_value_family);
        changed += c[i].p_value_family > 0.025 && c[i].p_value_family < 0.05;
    }
    cr_expect_gt(changed, 0, "no pair is shown by the handed share: %g, %g, %g", c[3].p_value_family,
                 c[4].p_value_family, c[5].p_value_family);
}

Test(comparison, accepted_conditions_are_compared_and_told)
{
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9)->conditions.number[CONDITION_NIP_PRELOAD_N] = 47.2;
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    b->session.accept[CONDITION_NIP_PRELOAD_N] = true;
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_A_HIGHER);
    cr_assert_eq(c->accepted.count, 1);
    cr_expect(strstr(text_list_at(&c->accepted, 0), "nip preload") &&
                  strstr(text_list_at(&c->accepted, 0), "41.3") &&
                  strstr(text_list_at(&c->accepted, 0), "47.2") &&
                  strstr(text_list_at(&c->accepted, 0), "2.5"),
              "%s", text_list_at(&c->accepted, 0));
    cr_expect_eq(c->reasons.count, 0);
}

Test(comparison, feeders_that_differ_by_less_than_matters_are_equivalent)
{
    static const double near_a[] = {84.9, 85.2, 83.5, 86.2, 85.1};
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, A, NULL, 5);
    add_runs(1, near_a, NULL, 5);
    b->session.matter_count = 1;
    b->session.matters[0] = (struct plan_matter){"stall_force_n", 1.5};
    const struct comparison *c = compare();
    struct difference d;
    struct err e;
    cr_expect_eq(c->verdict, VERDICT_EQUIVALENT, "%g in %g to %g", c->difference.value, c->difference.low_95,
                 c->difference.high_95);
    cr_assert_eq(difference_paired(A, near_a, 5, &d, &e), ERR_OK);
    /* The less favourable of the two one-sided tests. */
    EQUAL(c->equivalence_p_value, difference_p_value(1.5 - fabs(d.mean), d.standard_error, 4) / 2);
    forget();
    b->session.matters[0].difference = 0.3;
    c = compare();
    cr_expect_eq(c->verdict, VERDICT_NO_DIFFERENCE_SHOWN);
    cr_expect(c->has_equivalence_p_value && c->equivalence_p_value > 0.05);
    forget();
    b->session.matter_count = 0;
    cr_expect_not(compare()->has_equivalence_p_value);
}

/* a is like b and b like c, but a and c are too far apart: two families of two, and one pair refused. */
Test(comparison, tolerances_that_do_not_chain_make_families_of_their_own)
{
    for (size_t i = 0; i < 3; i++) {
        char name[8];
        double values[5];
        snprintf(name, sizeof name, "gear-%zu", i);
        add_feeder(name, 0, 4.9)->conditions.number[CONDITION_NIP_PRELOAD_N] = 40 + 2 * (double)i;
        for (size_t j = 0; j < 5; j++)
            values[j] = A[j] + 3.1 * (double)i + 0.4 * sin(1.9 * (double)(i * 5 + j));
        add_runs(i, values, NULL, 5);
    }
    const struct comparison *c = compare();
    cr_assert_eq(b->session.comparison_count, 3);
    cr_assert_eq(b->session.family_count, 2);
    cr_expect(c[0].has_p_value && !c[1].has_p_value && c[2].has_p_value);
    cr_expect_eq(c[1].verdict, VERDICT_NOT_COMPARABLE);
    cr_expect(c[1].a == 0 && c[1].b == 2);
    cr_expect_neq(c[0].family, c[2].family);
}

Test(comparison, the_gate_names_field_values_and_tolerance)
{
    add_feeder("gear-a", 0, 4.9);
    struct feeder_result *f = add_feeder("gear-b", 0, 4.9);
    f->conditions.number[CONDITION_NIP_PRELOAD_N] = 47.2;
    conditions_set_word(&f->conditions, CONDITION_FILAMENT_LOT, "R-0533");
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_NOT_COMPARABLE);
    cr_expect(!c->has_p_value && !c->difference.present);
    bool preload = false, lot = false;
    for (size_t i = 0; i < c->reasons.count; i++) {
        const char *text = text_list_at(&c->reasons, i);
        preload = preload || (strstr(text, "nip preload") && strstr(text, "41.3") && strstr(text, "47.2") &&
                              strstr(text, "2.5"));
        lot = lot || (strstr(text, "R-0417") && strstr(text, "R-0533"));
    }
    cr_expect(preload && lot, "%zu reasons: %s; %s", c->reasons.count, text_list_at(&c->reasons, 0),
              text_list_at(&c->reasons, 1));
}

Test(comparison, within_the_tolerance_is_comparable_and_the_stricter_plan_rules)
{
    add_feeder("gear-a", 0, 4.9);
    struct feeder_result *f = add_feeder("gear-b", 1, 4.9);
    b->session.series_count = 2;
    f->conditions.number[CONDITION_NIP_PRELOAD_N] = 43.1;
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    cr_expect_eq(compare()->verdict, VERDICT_A_HIGHER);
    forget();
    b->series[1].plan.tolerance[CONDITION_NIP_PRELOAD_N] = 1.1;
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_NOT_COMPARABLE);
    cr_expect_not_null(strstr(text_list_at(&c->reasons, 0), "1.1"), "%s", text_list_at(&c->reasons, 0));
}

Test(comparison, a_condition_stated_on_one_side_only_is_a_difference)
{
    add_feeder("gear-a", 0, 4.9)->conditions.stated[CONDITION_NIP_PRELOAD_N] = false;
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    cr_expect_eq(compare()->verdict, VERDICT_NOT_COMPARABLE);
}

Test(comparison, conditions_that_vary_within_a_feeder_are_named)
{
    add_feeder("gear-a", 0, 4.9);
    struct feeder_result *f = add_feeder("gear-b", 0, 4.9);
    struct conditions range[2] = {f->conditions, f->conditions}, other = f->conditions;
    other.number[CONDITION_NIP_PRELOAD_N] = 37.9;
    conditions_widen(&range[0], &range[1], &other);
    other.number[CONDITION_NIP_PRELOAD_N] = 42.4;
    conditions_widen(&range[0], &range[1], &other);
    f->conditions_range = range;
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_NOT_COMPARABLE);
    cr_assert_eq(c->reasons.count, 2);
    /* Against the other feeder's 41.3 N only the least is too far off. */
    cr_expect_not_null(strstr(text_list_at(&c->reasons, 0), "41.3 N against 37.9 N (tolerance 2.5 N)"), "%s",
                       text_list_at(&c->reasons, 0));
    cr_expect_not_null(strstr(text_list_at(&c->reasons, 1),
                              "runs of gear-b among themselves: nip preload: 37.9 N against "
                              "42.4 N"),
                       "%s", text_list_at(&c->reasons, 1));
}

Test(comparison, simulated_is_never_compared_with_measured)
{
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 1, 4.9);
    b->session.series_count = 2;
    b->series[1].simulated = true;
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_NOT_COMPARABLE);
    cr_expect_not_null(strstr(text_list_at(&c->reasons, 0), "simulated"), "%s", text_list_at(&c->reasons, 0));
}

/* One stall force of six is a bound only: the likelihood of censored values takes it in. */
Test(comparison, a_push_that_met_a_limit_counts_as_a_bound)
{
    static const double more_a[] = {84.1, 85.9, 83.2, 86.4, 84.7, 85.3},
                        more_b[] = {72.8, 74.9, 71.6, 75.7, 73.1, 73.9};
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, more_a, NULL, 6)[3].push.stall_force_n = quantity_at_least(86);
    b->feeders[0].points[0].censored_count = 1;
    add_runs(1, more_b, NULL, 6);
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_A_HIGHER, "%s", text_list_at(&c->reasons, 0));
    cr_expect_eq(b->session.families[0].design.method, DESIGN_CENSORED);
    cr_expect_eq(b->session.families[0].design.censored, 1);
}

Test(comparison, too_many_pushes_that_met_a_limit_are_refused)
{
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    struct run_result *runs = add_runs(0, A, NULL, 5);
    for (size_t i = 0; i < 3; i++)
        runs[i].push.stall_force_n = quantity_at_least(88.1);
    b->feeders[0].points[0].censored_count = 3;
    add_runs(1, B, NULL, 5);
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_NOT_COMPARABLE);
    cr_expect_not_null(
        strstr(text_list_at(&c->reasons, 0), "of gear-a the stall force is known in 2 of 5 blocks only"),
        "%s", text_list_at(&c->reasons, 0));
}

Test(comparison, one_run_each_gives_no_verdict)
{
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, A, NULL, 1);
    add_runs(1, B, NULL, 1);
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_NOT_COMPARABLE);
    cr_expect_not_null(strstr(text_list_at(&c->reasons, 0), "only one block of gear-a"), "%s",
                       text_list_at(&c->reasons, 0));
}

Test(comparison, values_that_do_not_scatter_give_no_verdict)
{
    static const double same_a[] = {84.1, 84.1, 84.1}, same_b[] = {72.3, 72.3, 72.3};
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, same_a, NULL, 3);
    add_runs(1, same_b, NULL, 3);
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_NOT_COMPARABLE);
    cr_expect_not_null(strstr(text_list_at(&c->reasons, 0), "do not scatter"), "%s",
                       text_list_at(&c->reasons, 0));
}

Test(comparison, speeds_that_only_one_has_are_left_out)
{
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 5.1);
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    compare();
    cr_expect_eq(b->session.comparison_count, 0);
}

Test(comparison, onsets_are_compared_only_where_every_run_has_one)
{
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    for (size_t i = 0; i < 10; i++)
        b->runs[i].push.slip_onset_n = quantity_from(b->runs[i].push.stall_force_n.value - 21.7, 0.9, 31, 1);
    for (size_t i = 0; i < 2; i++) {
        b->feeders[i].points[0].no_onset_count = 0;
        b->feeders[i].points[0].slip_onset_n = quantity_from(60, 1, 4, 5);
    }
    const struct comparison *c = compare();
    cr_assert_eq(b->session.comparison_count, 2);
    cr_expect_str_eq(c[1].quantity, "slip_onset_n");
    EQUAL(c[1].difference.value, c[0].difference.value);
    cr_expect_eq(c[1].verdict, VERDICT_A_HIGHER);
    forget();
    b->runs[7].push.slip_onset_n = quantity_absent();
    b->feeders[1].points[0].no_onset_count = 1;
    compare();
    cr_expect_eq(b->session.comparison_count, 1);
}

Test(comparison, one_feeder_or_none_has_nothing_to_be_compared_with)
{
    compare();
    cr_expect_eq(b->session.comparison_count, 0);
    forget();
    add_feeder("gear-a", 0, 4.9);
    add_runs(0, A, NULL, 5);
    compare();
    cr_expect_eq(b->session.comparison_count, 0);
}

/* A gain that is off stretches both forces and so their difference alike. */
Test(comparison, a_common_gain_counts_by_the_size_of_the_difference)
{
    struct difference d;
    struct err e;
    b->series[0].calibration.covariance[1][1] = pow(0.05 * 4000, 2);
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    const struct comparison *c = compare();
    cr_assert_eq(difference_paired(A, B, 5, &d, &e), ERR_OK);
    cr_expect_float_eq(c->difference.standard_uncertainty, hypot(d.standard_error, 0.05 * d.mean), 1e-6);
}

/* A fit is itself known only so well: a difference has its degrees of freedom too. */
Test(comparison, parts_of_the_calibration_stay_apart_in_a_difference)
{
    struct calibration *k = &b->series[0].calibration;
    double u[5], terms, share;
    struct difference d;
    struct err e;
    struct budget budget;
    k->covariance[1][1] = pow(0.05 * 4000, 2);
    k->degrees_of_freedom = 17;
    k->weights_relative = 0.03;
    k->gravity_relative = 0.02;
    k->reversibility_n = 1.37;
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    const struct comparison *c = compare();
    cr_assert_eq(difference_paired(A, B, 5, &d, &e), ERR_OK);
    comparison_budget(&b->session, c, &budget);
    cr_assert_eq(budget.count, 5);
    share = d.mean / 84.86;
    u[0] = d.standard_error;
    u[1] = d.mean * sqrt(0.05 * 0.05 - 0.03 * 0.03 - 0.02 * 0.02);
    u[2] = d.mean * 0.03;
    u[3] = d.mean * 0.02;
    u[4] = share * 1.37 / sqrt(3);
    for (int i = 0; i < 5; i++)
        EQUAL(budget.components[i].contribution, u[i]);
    cr_expect_str_eq(budget.components[1].name, "calibration of the load cell, common to both");
    cr_expect(budget.components[1].type == BUDGET_TYPE_A && budget.components[2].operator_estimate);
    terms = pow(u[0], 4) / 4 + pow(u[1], 4) / 17;
    EQUAL(c->difference.degrees_of_freedom, pow(c->difference.standard_uncertainty, 4) / terms);
}

/* Two calibrations are wrong each in its own way: a difference of two series must stand out from both. */
Test(comparison, two_calibrations_do_not_cancel)
{
    static const double above[] = {85.9, 85.2, 86.1, 84.8, 86.6}, below[] = {83.1, 82.5, 83.6, 82.2, 83.9};
    double alone;
    b->series[0].calibration.covariance[1][1] = pow(0.02 * 4000, 2);
    b->series[1].calibration.covariance[1][1] = pow(0.02 * 4000, 2);
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 1, 4.9);
    b->session.series_count = 2;
    add_runs(0, above, NULL, 5);
    add_runs(1, below, NULL, 5);
    const struct comparison *c = compare();
    cr_expect_eq(c->verdict, VERDICT_A_HIGHER, "the same calibration in both series: its gain is common");
    cr_expect_float_eq(c->difference.value, 2.66, 1e-9);
    alone = c->difference.standard_uncertainty;
    forget();
    b->series[1].calibration.coefficients[1] = 4012.5;
    c = compare();
    cr_expect_eq(c->verdict, VERDICT_NO_DIFFERENCE_SHOWN, "%g, p %g", c->difference.value, c->p_value);
    cr_expect(c->difference.low_95 < 0 && c->difference.high_95 > 0);
    /* Two per cent of 85.7 N and of 83.1 N beside the scatter. */
    cr_expect_float_eq(c->difference.standard_uncertainty, hypot(alone, hypot(1.714, 1.657)), 0.01);
}

static struct budget expect_budget(const struct comparison *c, size_t components)
{
    struct budget budget;
    struct quantity q;
    comparison_budget(&b->session, c, &budget);
    q = budget_combine(&budget, c->difference.value, c->difference.n);
    cr_assert_eq(budget.count, components);
    EQUAL(q.standard_uncertainty, c->difference.standard_uncertainty);
    EQUAL(q.degrees_of_freedom, c->difference.degrees_of_freedom);
    return budget;
}

Test(comparison, the_budget_says_what_the_difference_rests_on)
{
    struct difference d;
    struct err e;
    b->series[0].calibration.covariance[1][1] = pow(0.05 * 4000, 2);
    b->series[1].calibration.covariance[1][1] = pow(0.02 * 4000, 2);
    b->series[1].calibration.degrees_of_freedom = 17;
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_feeder("gear-c", 1, 4.9);
    b->session.series_count = 2;
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    add_runs(2, B, NULL, 4);
    const struct comparison *c = compare();
    cr_assert_eq(b->session.comparison_count, 3);
    cr_assert_eq(difference_paired(A, B, 5, &d, &e), ERR_OK);
    const struct budget first = expect_budget(&c[0], 2);
    cr_expect_str_eq(first.components[0].name, "scatter of the differences, block by block");
    cr_expect_eq(first.components[0].type, BUDGET_TYPE_A);
    EQUAL(first.components[0].contribution, d.standard_error);
    EQUAL(first.components[0].degrees_of_freedom, 4);
    cr_expect_eq(first.components[1].type, BUDGET_TYPE_B);
    cr_expect(first.components[1].operator_estimate, "a stated calibration");
    EQUAL(first.components[1].contribution, 0.05 * d.mean);
    /* As Welch and Satterthwaite have it, with a calibration that is taken as known. */
    EQUAL(c[0].difference.degrees_of_freedom,
          4 * pow(hypot(d.standard_error, 0.05 * d.mean) / d.standard_error, 4));
    const struct budget second = expect_budget(&c[1], 3);
    /* Feeders of two series, three of them: the scatter of all is pooled. */
    double all[14];
    size_t group[14];
    struct anova_one_way one;
    for (size_t i = 0; i < 14; i++) {
        all[i] = i < 5 ? A[i] : B[(i - 5) % 5];
        group[i] = i / 5;
    }
    cr_assert_eq(anova_one_way(all, group, 14, 3, &one, &e), ERR_OK);
    cr_expect_str_eq(second.components[0].name, "scatter of the runs of all");
    EQUAL(second.components[0].contribution, one.residual_sd * sqrt(1 / 5.0 + 1 / 4.0));
    EQUAL(second.components[0].degrees_of_freedom, 11);
    EQUAL(second.components[1].contribution, 0.05 * 84.86);
    EQUAL(second.components[2].contribution, 0.02 * (72.8 + 74.9 + 71.6 + 75.7) / 4);
    cr_expect(second.components[2].type == BUDGET_TYPE_A && !second.components[2].operator_estimate,
              "a fitted calibration is measured");
    EQUAL(second.components[2].degrees_of_freedom, 17);
}

/* In a family over two series a pair of one of them has the few degrees of freedom of its own blocks. */
Test(comparison, forecast_of_a_pair_rests_on_what_it_was_judged_by)
{
    b->session.series_count = 2;
    for (size_t i = 0; i < 4; i++) {
        char name[8];
        double values[5];
        snprintf(name, sizeof name, "gear-%zu", i);
        for (size_t j = 0; j < 5; j++)
            values[j] = A[j] + 0.9 * sin(2.3 * (double)(i * 5 + j) + 0.3);
        add_feeder(name, i / 2, 4.9);
        add_runs(i, values, NULL, 5);
    }
    const struct comparison *c = compare();
    cr_assert_eq(b->session.family_count, 1);
    cr_assert(c->by_blocks && !b->session.families[0].design.by_blocks);
    comparison_sizes(&b->session);
    double degrees = c->scatter_degrees, shift = c->seen_difference / c->scatter,
           critical = comparison_family_factor(NULL, degrees, 4);
    EQUAL(degrees, 4);
    EQUAL(power_noncentral_t(critical, degrees, shift) - power_noncentral_t(-critical, degrees, shift),
          1 - COMPARISON_SIZE_POWER);
}

/* The difference of a pair in blocks is resampled as a whole; the verdict is left as it was. */
Test(comparison, blocks_are_resampled_whole_and_decide_nothing)
{
    static uint32_t index[5 * BOOTSTRAP_DRAWS];
    static double means[BOOTSTRAP_DRAWS], room[BOOTSTRAP_DRAWS];
    struct bootstrap_interval wanted;
    enum verdict verdict;
    double differences[5];
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 0, 4.9);
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    const struct comparison *c = compare();
    verdict = c->verdict;
    cr_expect_not(c->resampled.present);
    cr_assert_eq(comparison_resample(&b->session, NULL), ERR_OK);
    for (int i = 0; i < 5; i++)
        differences[i] = A[i] - B[i];
    cr_assert_eq(bootstrap_draw(5, BOOTSTRAP_DRAWS, BOOTSTRAP_SEED, index, NULL), ERR_OK);
    bootstrap_means(differences, 5, index, BOOTSTRAP_DRAWS, means);
    wanted = bootstrap_percentile(means, NULL, BOOTSTRAP_DRAWS, room);
    cr_assert(c->by_blocks && c->resampled.present);
    EQUAL(c->resampled.low_95, wanted.low_95);
    EQUAL(c->resampled.high_95, wanted.high_95);
    cr_expect_eq(c->verdict, verdict);
}

/* Feeders of two series have no blocks in common: the values of each are resampled by themselves. */
Test(comparison, runs_of_two_series_are_resampled_each_by_themselves)
{
    static uint32_t index[5 * BOOTSTRAP_DRAWS];
    static double means[2][BOOTSTRAP_DRAWS], room[BOOTSTRAP_DRAWS];
    struct bootstrap_interval wanted;
    b->session.series_count = 2;
    add_feeder("gear-a", 0, 4.9);
    add_feeder("gear-b", 1, 4.9);
    add_runs(0, A, NULL, 5);
    add_runs(1, B, NULL, 5);
    const struct comparison *c = compare();
    cr_assert_eq(comparison_resample(&b->session, NULL), ERR_OK);
    for (unsigned i = 0; i < 2; i++) {
        cr_assert_eq(bootstrap_draw(5, BOOTSTRAP_DRAWS, BOOTSTRAP_SEED + i, index, NULL), ERR_OK);
        bootstrap_means(i == 0 ? A : B, 5, index, BOOTSTRAP_DRAWS, means[i]);
    }
    wanted = bootstrap_percentile(means[0], means[1], BOOTSTRAP_DRAWS, room);
    cr_assert(!c->by_blocks && c->resampled.present);
    EQUAL(c->resampled.low_95, wanted.low_95);
    EQUAL(c->resampled.high_95, wanted.high_95);
}
