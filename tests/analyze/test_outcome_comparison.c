#include "analyze/outcome_comparison.h"

#include "analyze/comparison.h"
#include "analyze/numerics/difference.h"
#include "analyze/push_budget.h"
#include "analyze/result_flags.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FEEDERS 3

/* Three feeders, two of them in the first series. */
static struct bench {
    struct session session;
    struct series series[2], *series_pointers[2];
    struct feeder_result feeders[FEEDERS];
    struct outcome outcomes[FEEDERS][2];
    struct run_result runs[2];
    struct run_record records[2];
} * b;

static void begin(void)
{
    quantity_init_numerics();
    b = calloc(1, sizeof *b);
    cr_assert_not_null(b);
    b->session = (struct session){.series = b->series_pointers,
                                  .feeders = b->feeders,
                                  .runs = b->runs,
                                  .series_count = 2,
                                  .feeder_count = 2};
    for (size_t i = 0; i < 2; i++) {
        b->series_pointers[i] = &b->series[i];
        for (size_t k = 0; k < CONDITION_COUNT; k++)
            b->series[i].plan.tolerance[k] = CONDITION_KINDS[k].tolerance;
        b->series[i].calibration = (struct calibration){.degree = 1,
                                                        .coefficients = {0, 4000 + (double)i},
                                                        .load_high_n = 120,
                                                        .degrees_of_freedom = INFINITY};
    }
    for (size_t i = 0; i < FEEDERS; i++) {
        struct feeder_result *f = &b->feeders[i];
        snprintf(f->name, sizeof f->name, "gear-%c", (char)('a' + i));
        f->series = i == 2;
        f->outcomes = b->outcomes[i];
        f->outcome_count = 1;
        f->conditions.stated[CONDITION_NIP_PRELOAD_N] = true;
        f->conditions.number[CONDITION_NIP_PRELOAD_N] = 41.3;
        outcome_init(&b->outcomes[i][0], "loaded-feed");
        b->outcomes[i][0].present = true;
    }
}

static void end(void)
{
    for (size_t i = 0; i < FEEDERS; i++) {
        for (size_t k = 0; k < b->feeders[i].outcome_count; k++)
            outcome_free(&b->outcomes[i][k]);
    }
    comparison_forget(&b->session);
    free(b);
}

TestSuite(outcome_comparison, .init = begin, .fini = end);

static void component(struct budget *budget, const char *name, double u, double sensitivity, double degrees)
{
    struct budget_component c = {.standard_uncertainty = u,
                                 .sensitivity = sensitivity,
                                 .degrees_of_freedom = degrees,
                                 .type = BUDGET_TYPE_A};
    struct err e = {0};
    snprintf(c.name, sizeof c.name, "%s", name);
    cr_assert_eq(budget_add(budget, &c, &e), ERR_OK, "%s", e.text);
}

/* A force whose scatter has those degrees of freedom, with parts from calibration, alignment and creep. */
static void add(size_t feeder, const char *key, const char *setting, double value, double scatter,
                double degrees)
{
    struct budget budget;
    struct err e = {0};
    struct quantity q;
    budget_init(&budget);
    component(&budget, "scatter of the runs", scatter, 1, degrees);
    component(&budget, PUSH_BUDGET_WEIGHTS_NAME, 0.004 * value, 1, INFINITY);
    component(&budget, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_ALIGNMENT_DEG], 0.003 * value, 1, INFINITY);
    component(&budget, PUSH_BUDGET_ESTIMATE_NAMES[PLAN_ESTIMATE_CELL_CREEP_PERCENT], 0.002 * value, 1,
              INFINITY);
    q = budget_combine(&budget, value, 7);
    cr_assert_eq(outcome_add(&b->outcomes[feeder][0], key, setting, "slip onset", "N", &q, &budget, true, &e),
                 ERR_OK);
}

static const struct comparison *compare(size_t expected)
{
    struct err e = {0};
    cr_assert_eq(comparison_all(&b->session, &e), ERR_OK);
    cr_assert_eq(b->session.comparison_count, expected, "%zu comparisons", b->session.comparison_count);
    return b->session.comparisons;
}
#define EQUAL(x, y) cr_expect_float_eq(x, y, 1e-9, #x " is %.10g, not %.10g", (double)(x), (double)(y))

Test(outcome_comparison, what_both_owe_to_one_calibration_cancels_as_far_as_it_is_equal)
{
    struct budget budget;
    add(0, "slip_onset_n", "", 43.7, 0.37, 11);
    add(1, "slip_onset_n", "", 31.2, 0.29, 8);
    const struct comparison *c = compare(1);
    /* Scatter and creep of the cell add up; weights and alignment leave their share of 12.5 N. */
    double u = sqrt(0.37 * 0.37 + 0.29 * 0.29 + pow(0.004 * 12.5, 2) + pow(0.003 * 12.5, 2) +
                    pow(0.002 * 43.7, 2) + pow(0.002 * 31.2, 2));
    EQUAL(c->difference.value, 12.5);
    EQUAL(c->difference.standard_uncertainty, u);
    /* Welch and Satterthwaite over the two scatters, the only ones with finite degrees of freedom. */
    EQUAL(c->difference.degrees_of_freedom, pow(u, 4) / (pow(0.37, 4) / 11 + pow(0.29, 4) / 8));
    EQUAL(c->p_value, difference_p_value(12.5, u, c->difference.degrees_of_freedom));
    cr_expect_eq(c->verdict, VERDICT_A_HIGHER);
    cr_expect_str_eq(c->test, "loaded-feed");
    cr_expect_str_eq(c->quantity, "slip_onset_n");
    cr_expect_str_eq(c->unit, "N");
    cr_expect_not(c->by_blocks);
    cr_expect_eq(c->difference.n, 7);
    comparison_budget(&b->session, c, &budget);
    EQUAL(budget_standard_uncertainty(&budget), u);
}

Test(outcome_comparison, two_calibrations_and_two_series_cancel_nothing)
{
    b->feeders[1].series = 1;
    add(0, "slip_onset_n", "", 43.7, 0.37, 11);
    add(1, "slip_onset_n", "", 31.2, 0.29, 8);
    const struct comparison *c = compare(1);
    double share = pow(0.004, 2) + pow(0.003, 2) + pow(0.002, 2);
    EQUAL(c->difference.standard_uncertainty,
          sqrt(0.37 * 0.37 + 0.29 * 0.29 + share * (43.7 * 43.7 + 31.2 * 31.2)));
}

Test(outcome_comparison, one_calibration_in_two_series_cancels_and_alignment_does_not)
{
    b->feeders[1].series = 1;
    b->series[1].calibration.coefficients[1] = b->series[0].calibration.coefficients[1];
    add(0, "slip_onset_n", "", 43.7, 0.37, 11);
    add(1, "slip_onset_n", "", 31.2, 0.29, 8);
    const struct comparison *c = compare(1);
    double share = pow(0.003, 2) + pow(0.002, 2);
    EQUAL(c->difference.standard_uncertainty,
          sqrt(0.37 * 0.37 + 0.29 * 0.29 + pow(0.004 * 12.5, 2) + share * (43.7 * 43.7 + 31.2 * 31.2)));
}

Test(outcome_comparison, opposite_signs_of_a_common_error_add_up)
{
    struct outcome_quantity x = {.unit = "1"}, y = {.unit = "1"};
    struct budget d;
    component(&x.budget, PUSH_BUDGET_GRAVITY_NAME, 0.013, 2, INFINITY);
    component(&y.budget, PUSH_BUDGET_GRAVITY_NAME, 0.017, -1, INFINITY);
    x.q = budget_combine(&x.budget, 0.71, 5);
    y.q = budget_combine(&y.budget, 0.43, 5);
    outcome_comparison_budget(&x, &y, true, true, &d);
    cr_expect_eq(d.count, 1);
    EQUAL(d.components[0].contribution, 0.043);
    outcome_comparison_budget(&x, &y, false, true, &d);
    EQUAL(d.components[0].contribution, hypot(0.026, 0.017));
}

Test(outcome_comparison, quantity_whose_budget_tells_something_else_counts_as_a_whole)
{
    struct outcome_quantity x = {.unit = "mm"}, y = {.unit = "mm"};
    struct budget d;
    component(&x.budget, PUSH_BUDGET_GRAVITY_NAME, 0.013, 1, INFINITY);
    x.q = quantity_from(0.71, 0.05, 6, 5);
    y.q = quantity_from(0.43, 0.02, 4, 5);
    outcome_comparison_budget(&x, &y, true, true, &d);
    cr_expect_eq(d.count, 2);
    EQUAL(budget_standard_uncertainty(&d), hypot(0.05, 0.02));
    EQUAL(budget_degrees_of_freedom(&d), pow(hypot(0.05, 0.02), 4) / (pow(0.05, 4) / 6 + pow(0.02, 4) / 4));
}

Test(outcome_comparison, more_components_than_a_budget_holds_are_lumped_and_none_is_lost)
{
    struct outcome_quantity x = {.unit = "N"}, y = {.unit = "N"};
    struct budget d;
    double squares = 0;
    for (int i = 0; i < BUDGET_COMPONENTS_MAX; i++) {
        char name[24];
        double u = 0.1 + 0.013 * i;
        snprintf(name, sizeof name, "a %d", i);
        component(&x.budget, name, u, 1, INFINITY);
        snprintf(name, sizeof name, "b %d", i);
        component(&y.budget, name, u, 1, 9);
        squares += 2 * u * u;
    }
    x.q = budget_combine(&x.budget, 31.7, 5);
    y.q = budget_combine(&y.budget, 29.3, 5);
    outcome_comparison_budget(&x, &y, true, true, &d);
    cr_expect_eq(d.count, BUDGET_COMPONENTS_MAX);
    EQUAL(budget_standard_uncertainty(&d), sqrt(squares));
    cr_expect(isfinite(budget_degrees_of_freedom(&d)));
}

Test(outcome_comparison, bound_is_refused_with_the_reason)
{
    const struct quantity bound = quantity_at_least(57.3);
    struct err e = {0};
    outcome_add(&b->outcomes[0][0], "slip_onset_n", "", "slip onset", "N", &bound, NULL, true, &e);
    add(1, "slip_onset_n", "", 31.2, 0.29, 8);
    const struct comparison *c = compare(1);
    cr_expect_eq(c->verdict, VERDICT_NOT_COMPARABLE);
    cr_expect_not(c->has_p_value);
    cr_expect_not(c->difference.present);
    cr_expect_str_eq(text_list_at(&c->reasons, 0), "of gear-a only \"at least\" is known of slip onset");
}

Test(outcome_comparison, value_without_uncertainty_is_refused)
{
    struct quantity bare = {.present = true, .value = 43.7};
    struct err e = {0};
    outcome_add(&b->outcomes[0][0], "x_mm", "", "x", "mm", &bare, NULL, true, &e);
    outcome_add(&b->outcomes[1][0], "x_mm", "", "x", "mm", &bare, NULL, true, &e);
    const struct comparison *c = compare(1);
    cr_expect_eq(c->verdict, VERDICT_NOT_COMPARABLE);
    cr_expect_str_eq(text_list_at(&c->reasons, 0), "how sure the two values are is not known");
}

Test(outcome_comparison, only_the_same_test_key_setting_and_unit_are_compared)
{
    const struct quantity q = quantity_from(23.17, 0.31, 7, 8);
    struct err e = {0};
    add(0, "slip_onset_n", "at 41 N", 43.7, 0.37, 11);
    add(1, "slip_onset_n", "at 57 N", 31.2, 0.29, 8);
    add(0, "onset_n", "", 43.7, 0.37, 11);
    outcome_add(&b->outcomes[1][0], "onset_n", "", "onset", "mN", &q, NULL, true, &e);
    outcome_add(&b->outcomes[0][0], "other_n", "", "other", "N", &q, NULL, false, &e);
    outcome_add(&b->outcomes[1][0], "other_n", "", "other", "N", &q, NULL, true, &e);
    compare(0);
}

Test(outcome_comparison, outcome_without_an_answer_is_not_compared)
{
    add(0, "slip_onset_n", "", 43.7, 0.37, 11);
    add(1, "slip_onset_n", "", 31.2, 0.29, 8);
    b->outcomes[1][0].present = false;
    compare(0);
}

/* Whether the comparison is refused, when the second feeder's preload is another and both plans go through
 * the ladders said. */
static bool refused(size_t preloads_a, size_t preloads_b, const char *test)
{
    bool answer;
    comparison_forget(&b->session);
    b->feeders[1].series = 1;
    b->feeders[1].conditions.number[CONDITION_NIP_PRELOAD_N] = 63.8;
    for (size_t i = 0; i < 2; i++) {
        snprintf(b->outcomes[i][0].test, sizeof b->outcomes[i][0].test, "%s", test);
        b->series[i].plan.test_count = 1;
        b->series[i].plan.tests[0].kind = PLAN_LOADED_FEED;
        b->series[i].plan.tests[0].nip_preload_count = i == 0 ? preloads_a : preloads_b;
    }
    answer = compare(1)->verdict == VERDICT_NOT_COMPARABLE;
    return answer;
}

Test(outcome_comparison, condition_that_the_test_sets_itself_is_no_obstacle)
{
    add(0, "slip_onset_n", "", 43.7, 0.37, 11);
    add(1, "slip_onset_n", "", 31.2, 0.29, 8);
    cr_expect_not(refused(5, 5, "loaded-feed"));
    cr_expect(refused(0, 0, "loaded-feed"), "without a ladder the preload is the feeder's own");
    cr_expect(refused(5, 0, "loaded-feed"), "both must set it");
    cr_expect(refused(5, 5, "reversal"), "another test does not set it");
    cr_expect(refused(5, 5, "operating-chart"), "its pushes have the feeder's own preload");
}

Test(outcome_comparison, p_values_are_adjusted_over_all_of_the_session)
{
    static const double shift[] = {1.7, 0.9, 0.4};
    char key[16];
    for (int i = 0; i < 3; i++) {
        snprintf(key, sizeof key, "q%d_n", i);
        add(0, key, "", 43.7, 0.31, 11);
        add(1, key, "", 43.7 - shift[i], 0.29, 8);
    }
    const struct comparison *c = compare(3);
    double p[3], adjusted[3];
    for (int i = 0; i < 3; i++)
        p[i] = c[i].p_value_unadjusted;
    difference_holm(p, 3, adjusted);
    for (int i = 0; i < 3; i++)
        EQUAL(c[i].p_value, adjusted[i]);
    cr_expect_gt(c[0].p_value, c[0].p_value_unadjusted);
    cr_expect_eq(c[0].verdict, VERDICT_A_HIGHER);
    cr_expect_eq(c[2].verdict, VERDICT_NO_DIFFERENCE_SHOWN);
}

Test(outcome_comparison, forces_beyond_the_calibrated_range_are_carried_to_outcome_and_comparison)
{
    static struct run_quantity quantity[2];
    add(0, "slip_onset_n", "", 43.7, 0.37, 11);
    add(1, "slip_onset_n", "", 31.2, 0.29, 8);
    for (size_t i = 0; i < 2; i++) {
        b->records[i].test = PLAN_LOADED_FEED;
        b->runs[i] =
            (struct run_result){.feeder = i, .record = &b->records[i], .analysed = true, .quantity_count = 1};
        b->runs[i].quantities = &quantity[i];
        b->runs[i].quantities[0] = (struct run_quantity){"feed_force_n", "feed force", "N",
                                                         quantity_from(i == 0 ? 123.4 : 118.7, 0.3, 9, 1)};
    }
    b->session.run_count = 2;
    compare(1);
    result_flags_outcomes(&b->session);
    cr_assert_eq(result_flags_comparisons(&b->session, NULL), ERR_OK);
    cr_assert_eq(b->outcomes[0][0].warning_count, 1);
    cr_expect_str_eq(b->outcomes[0][0].warnings[0],
                     "extrapolated: 1 of 1 runs outside the calibrated range of 0 to 120 N");
    cr_expect_eq(b->outcomes[1][0].warning_count, 0);
    cr_assert_eq(b->session.comparisons[0].flags.count, 1);
    cr_expect_eq(strncmp(text_list_at(&b->session.comparisons[0].flags, 0), "gear-a: extrapolated", 20), 0);
}
