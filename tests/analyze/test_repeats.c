/* Repeats by a stated scatter and by that of pilot series put together by hand. Figures to ten digits:
 * R 4.2.2, power.t.test(strict = TRUE, tol = 1e-13), var(), deviance() of aov(), and sd * sqrt(df /
 * qchisq(c(.975, .025), df)). */
#include "analyze/repeats.h"

#include "analyze/comparison.h"
#include "analyze/comparison_size.h"
#include "analyze/repeats_scatter.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FEEDERS 4
#define RUNS    40
#define SERIES  3

struct bench {
    struct session session;
    struct series series[SERIES];
    struct series *series_pointers[SERIES];
    struct feeder_result feeders[FEEDERS];
    struct run_result runs[RUNS];
    struct run_record records[RUNS];
};
static struct bench *b;
static struct repeats_plan *plans;
static size_t count;
static struct err e;

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
        b->series[i].calibration = (struct calibration){
            .degree = 1, .coefficients = {0, 4000}, .load_high_n = 200, .degrees_of_freedom = INFINITY};
    }
}

static void forget(void)
{
    free(plans);
    comparison_forget(&b->session);
    plans = NULL;
    b->session.comparisons = NULL;
    b->session.families = NULL;
}

static void end(void)
{
    forget();
    free(b);
}

TestSuite(repeats, .init = begin, .fini = end);

/* A feeder of a series with these stall forces at 4.9 mm/s, one for each block from 1 on. */
static void add(const char *name, size_t series, const double *stall_n, size_t n)
{
    size_t feeder = b->session.feeder_count++;
    struct feeder_result *f = &b->feeders[feeder];
    if (series >= b->session.series_count)
        b->session.series_count = series + 1;
    snprintf(f->name, sizeof f->name, "%s", name);
    f->series = series;
    f->point_count = 1;
    f->points[0].speed_mm_s = 4.9;
    f->points[0].run_count = f->points[0].no_onset_count = n;
    f->points[0].stall_force_n = quantity_from(stall_n[0], 0.4, 7, n);
    for (size_t i = 0; i < n; i++) {
        size_t at = b->session.run_count++;
        b->records[at].speed_mm_s = 4.9;
        b->records[at].block = (int)i + 1;
        b->records[at].order = (int)at + 1;
        b->records[at].rows = 1500;
        b->records[at].sample_rate_hz = 500;
        b->runs[at] = (struct run_result){
            .series = series, .feeder = feeder, .record = &b->records[at], .analysed = true, .fed_mm = 8};
        b->runs[at].push.stall_force_n = quantity_from(stall_n[i], 0.4, 7, 6);
    }
}

static struct repeats_aim aim_of(double difference)
{
    return (struct repeats_aim){.difference = difference, .power = 0.8, .level = 0.05};
}

/* The only plan of the session. */
static const struct repeats_plan *plan_by(const struct repeats_aim *aim)
{
    forget();
    cr_assert_eq(comparison_all(&b->session, &e), ERR_OK);
    cr_assert_eq(repeats_from_session(&b->session, REPEATS_STALL, NAN, aim, &plans, &count, &e), ERR_OK, "%s",
                 e.text);
    cr_assert_eq(count, 1);
    return plans;
}

static enum err_code refusal(const char *quantity, double speed_mm_s, const struct repeats_aim *aim)
{
    enum err_code code;
    forget();
    cr_assert_eq(comparison_all(&b->session, &e), ERR_OK);
    code = repeats_from_session(&b->session, quantity, speed_mm_s, aim, &plans, &count, &e);
    cr_expect_null(plans);
    return code;
}

static const double A[] = {84.1, 85.9, 83.2, 86.4, 84.7}, B[] = {72.8, 74.9, 71.6, 75.7, 74.3},
                    C[] = {78.2, 80.7, 78.3, 80.7, 80.2};
static const double U[] = {61.2, 63.9, 60.1, 64.4, 62.3, 59.7}, V[] = {58.4, 58.9, 57.7, 58.8},
                    W[] = {50.1, 58.3, 47.7, 61.9, 52.4, 44.8}, X[] = {66.2, 66.5, 66.1, 66.7, 66.35, 66.0};
#define EQUAL(x, y) cr_expect_float_eq(x, y, 1e-9, #x " is %.12g, not %.12g", (double)(x), (double)(y))
#define COUNT(c, x, y, z)                                                                                    \
    cr_expect((c).value == (x) && (c).low_95 == (y) && (c).high_95 == (z), "%d (%d to %d)", (c).value,       \
              (c).low_95, (c).high_95)

static const struct repeats_row *row_of(const struct repeats_plan *p, int repeats)
{
    for (size_t i = 0; i < p->row_count; i++) {
        if (p->rows[i].repeats == repeats)
            return &p->rows[i];
    }
    cr_assert_fail("no row of %d repeats", repeats);
    return NULL;
}

/* power.t.test(delta = 1.5, sd = 1, power = .8): n = 8.0603; n = 8, delta = 1: .461238849504, and paired with
 * an sd of differences of sqrt(2): .408033082738. */
Test(repeats, stated_scatter_gives_published_power)
{
    struct repeats_aim aim = aim_of(1.5);
    struct repeats_plan p;
    aim.design = REPEATS_GROUPS;
    cr_assert_eq(repeats_from_scatter(1, &aim, &p, &e), ERR_OK);
    cr_expect(p.answered && !p.blocks && p.feeders == 2 && p.present == 0);
    COUNT(p.find, 9, 9, 9);
    COUNT(p.alike, 9, 9, 9);
    aim.difference = 1;
    cr_assert_eq(repeats_from_scatter(1, &aim, &p, &e), ERR_OK);
    EQUAL(row_of(&p, 8)->power, 0.461238849504);
    aim.design = REPEATS_AS_RUN;
    cr_assert_eq(repeats_from_scatter(1, &aim, &p, &e), ERR_OK);
    cr_expect(p.blocks);
    EQUAL(row_of(&p, 8)->power, 0.408033082738);
    EQUAL(power_of_pair(&(struct power_design){2, true, 1, 0.05, NULL}, 8, row_of(&p, 8)->found), 0.8);
    cr_expect_eq(p.rows[p.row_count - 1].repeats, 30);
    aim.difference = 0.2;
    cr_assert_eq(repeats_from_scatter(1, &aim, &p, &e), ERR_OK);
    cr_expect_geq(p.rows[p.row_count - 1].repeats, p.find.value, "the table ends before what is needed");
}

Test(repeats, difference_out_of_reach_has_no_number)
{
    const struct repeats_aim aim = aim_of(1e-4);
    struct repeats_plan p;
    cr_assert_eq(repeats_from_scatter(1, &aim, &p, &e), ERR_OK);
    cr_expect(p.answered);
    COUNT(p.find, 0, 0, 0);
    COUNT(p.alike, 0, 0, 0);
}

Test(repeats, two_feeders_in_blocks)
{
    const struct repeats_aim aim = aim_of(0.6);
    add("gear-a", 0, A, 5);
    add("gear-b", 0, B, 5);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect(p->answered && p->run_by_blocks && p->blocks && !p->scatter.own);
    cr_expect(p->values == 10 && p->lower_bounds == 0 && p->present == 5 && p->feeders == 2);
    EQUAL(p->scatter.sd, 0.335410196625);
    EQUAL(p->scatter.degrees_of_freedom, 4);
    EQUAL(p->scatter.low_95, 0.2009553640015);
    EQUAL(p->scatter.high_95, 0.963819860239);
    COUNT(p->find, 8, 5, 43);
    EQUAL(p->found.value, 0.7978412144859);
    EQUAL(p->found.high_95, 0.7978412144859 * 0.963819860239 / 0.335410196625);
    /* compare forecasts the same. */
    comparison_sizes(&b->session);
    EQUAL(b->session.comparisons[0].seen_difference, p->found.value);
}

Test(repeats, three_feeders_in_blocks_pool_their_scatter)
{
    const struct repeats_aim aim = aim_of(2);
    add("gear-a", 0, A, 5);
    add("gear-b", 0, B, 5);
    add("gear-c", 0, C, 5);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect(p->count == 3 && p->feeders == 3 && !p->scatter.own);
    cr_expect_str_eq(p->method, DESIGN_METHOD_NAMES[DESIGN_BLOCKS_TUKEY]);
    EQUAL(p->scatter.sd, 0.3991657967979);
    EQUAL(p->scatter.degrees_of_freedom, 8);
    EQUAL(row_of(p, 6)->power,
          power_of_pair(&(struct power_design){3, true, 0.3991657967979, 0.05, NULL}, 6, 2));
    comparison_sizes(&b->session);
    EQUAL(b->session.comparisons[0].seen_difference, p->found.value);
}

Test(repeats, groups_planned_after_blocks_have_the_blocks_in_their_scatter)
{
    struct repeats_aim aim = aim_of(2);
    aim.design = REPEATS_GROUPS;
    aim.feeders = 5;
    add("gear-a", 0, A, 5);
    add("gear-b", 0, B, 5);
    add("gear-c", 0, C, 5);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect(p->run_by_blocks && !p->blocks);
    EQUAL(p->run_scatter.sd, 0.3991657967979);
    EQUAL(p->scatter.sd, 1.41809731683);
    EQUAL(p->scatter.degrees_of_freedom, 12);
    EQUAL(row_of(p, 6)->power,
          power_of_pair(&(struct power_design){5, false, 1.41809731683, 0.05, NULL}, 6, 2));
    /* What the series could see is of the three feeders in blocks that it had. */
    EQUAL(power_of_pair(&(struct power_design){3, true, 0.3991657967979, 0.05, NULL}, 5, p->found.value),
          0.8);
}

Test(repeats, two_series_are_independent_groups)
{
    struct repeats_aim aim = aim_of(2);
    add("gear-u", 0, U, 6);
    add("gear-v", 1, V, 4);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect(!p->run_by_blocks && !p->blocks && !p->scatter.own && p->present == 4);
    cr_expect_str_eq(p->method, DESIGN_METHOD_NAMES[DESIGN_WELCH]);
    EQUAL(p->scatter.sd, 1.430268040147);
    EQUAL(p->scatter.degrees_of_freedom, 5.753747067437);
    aim.design = REPEATS_BLOCKS;
    cr_expect_eq(refusal(REPEATS_STALL, NAN, &aim), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "not compared in blocks"), "%s", e.text);
}

Test(repeats, feeders_that_scatter_differently_go_by_the_pair_that_scatters_most)
{
    const struct repeats_aim aim = aim_of(8);
    add("gear-u", 0, U, 6);
    add("gear-w", 1, W, 6);
    add("gear-x", 2, X, 6);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect_str_eq(p->method, DESIGN_METHOD_NAMES[DESIGN_GAMES_HOWELL]);
    cr_expect(p->scatter.own && p->scatter.a == 0 && p->scatter.b == 1);
    EQUAL(p->scatter.sd, 4.786090958879);
    EQUAL(p->scatter.degrees_of_freedom, 5.895784911818);
    /* power.t.test at .05 / 3. */
    cr_expect_eq(p->find.value, 10);
}

Test(repeats, the_same_within_blocks)
{
    const struct repeats_aim aim = aim_of(8);
    add("gear-u", 0, U, 6);
    add("gear-w", 0, W, 6);
    add("gear-x", 0, X, 6);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect_str_eq(p->method, DESIGN_METHOD_NAMES[DESIGN_BLOCKS_OWN]);
    cr_expect(p->scatter.own && p->scatter.a == 1 && p->scatter.b == 2);
    EQUAL(p->scatter.sd, 4.399872157234);
    EQUAL(p->scatter.degrees_of_freedom, 5);
    /* power.t.test(type = "paired") at .05 / 3. */
    cr_expect_eq(p->find.value, 10);
}

Test(repeats, single_feeder_plans_by_its_runs)
{
    struct repeats_aim aim = {.difference = 3, .power = 0.9, .level = 0.01};
    add("gear-u", 0, U, 6);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect(p->count == 1 && p->feeders == 2 && !p->blocks && p->present == 6 && p->method == NULL);
    EQUAL(p->scatter.sd, 1.947990417499);
    EQUAL(p->scatter.low_95, 1.215951206926);
    EQUAL(p->scatter.high_95, 4.777668547515);
    COUNT(p->find, 15, 7, 78);
}

/* A bound far below all values tells nothing: the scatter is that of the others. */
Test(repeats, lower_bounds_are_counted_and_leave_the_scatter_to_the_rest)
{
    static const double with_bound[] = {61.2, 63.9, 60.1, 64.4, 62.3, 59.7, 5.3};
    const struct repeats_aim aim = aim_of(3);
    add("gear-u", 0, with_bound, 7);
    b->runs[6].push.stall_force_n = quantity_at_least(5.3);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect(p->values == 7 && p->lower_bounds == 1);
    cr_expect_float_eq(p->scatter.sd, 1.947990417499, 1e-6);
    EQUAL(p->scatter.degrees_of_freedom, 5);
}

Test(repeats, lower_bounds_of_a_family)
{
    const struct repeats_aim aim = aim_of(3);
    add("gear-u", 0, U, 6);
    add("gear-w", 0, W, 6);
    b->runs[3].push.stall_force_n = quantity_at_least(62.7);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect_str_eq(p->method, DESIGN_METHOD_NAMES[DESIGN_CENSORED]);
    cr_expect(p->values == 12 && p->lower_bounds == 1 && p->scatter.sd > 0);
    cr_expect_lt(p->scatter.degrees_of_freedom, 5.5, "11 known values, 7 effects");
}

Test(repeats, too_little_scatter_is_refused)
{
    static const double flat[] = {70.25, 70.25, 70.25, 70.25};
    const struct repeats_aim aim = aim_of(2);
    add("gear-u", 0, U, 2);
    cr_expect_eq(refusal(REPEATS_STALL, NAN, &aim), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "known from 1 degree of freedom, too few"), "%s", e.text);
    b->session.feeder_count = b->session.run_count = 0;
    add("gear-flat", 0, flat, 4);
    cr_expect_eq(refusal(REPEATS_STALL, NAN, &aim), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "do not scatter at all"), "%s", e.text);
}

/* Where two feeders were not measured alike each is a pilot of its own; one that cannot answer says why. */
Test(repeats, feeders_of_no_family_are_planned_one_by_one)
{
    const struct repeats_aim aim = aim_of(2);
    add("gear-u", 0, U, 6);
    add("gear-v", 0, V, 2);
    for (int i = 0; i < 2; i++) {
        b->feeders[i].conditions.stated[CONDITION_NIP_PRELOAD_N] = true;
        b->feeders[i].conditions.number[CONDITION_NIP_PRELOAD_N] = 40 + 30 * i;
    }
    cr_assert_eq(comparison_all(&b->session, &e), ERR_OK);
    cr_assert_eq(repeats_from_session(&b->session, REPEATS_STALL, 4.9, &aim, &plans, &count, &e), ERR_OK);
    cr_assert_eq(count, 2);
    cr_expect(plans[0].answered && plans[0].count == 1 && plans[0].members[0] == 0);
    cr_expect(!plans[1].answered && plans[1].members[0] == 1);
    cr_expect_not_null(strstr(plans[1].why_not, "1 degree of freedom"), "%s", plans[1].why_not);
}

Test(repeats, difference_that_matters_stands_in_and_the_one_seen_never)
{
    struct repeats_aim aim = aim_of(NAN);
    add("gear-a", 0, A, 5);
    add("gear-b", 0, B, 5);
    const struct repeats_plan *p = plan_by(&aim);
    cr_expect(isnan(p->difference) && p->find.value == 0 && isnan(row_of(p, 8)->power));
    cr_expect(p->found.value > 0 && p->margin.value > 0 && row_of(p, 8)->found > 0);
    b->series[0].plan.matters[0] = (struct plan_matter){REPEATS_STALL, 0.9};
    b->series[0].plan.matter_count = 1;
    p = plan_by(&aim);
    cr_expect(p->matters && p->difference == 0.9 && p->find.value > 1);
    b->session.matters[0] = (struct plan_matter){REPEATS_STALL, 0.7};
    b->session.matter_count = 1;
    p = plan_by(&aim);
    cr_expect(p->matters && p->difference == 0.7);
    aim.difference = 0.6;
    p = plan_by(&aim);
    cr_expect(!p->matters && p->difference == 0.6);
}

Test(repeats, quantity_and_speed_must_be_there)
{
    const struct repeats_aim aim = aim_of(2);
    cr_expect_eq(refusal(REPEATS_STALL, NAN, &aim), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "no push into a blocked end"), "%s", e.text);
    add("gear-u", 0, U, 6);
    cr_expect_eq(refusal("backlash_mm", NAN, &aim), ERR_USAGE);
    cr_expect_not_null(strstr(e.text, "'backlash_mm'"), "%s", e.text);
    cr_expect_eq(refusal(REPEATS_STALL, 5.2, &aim), ERR_USAGE);
    cr_expect_not_null(strstr(e.text, "no push at 5.2 mm/s; there are pushes at 4.9 mm/s"), "%s", e.text);
    cr_expect_eq(refusal(REPEATS_ONSET, NAN, &aim), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "6 of 6 pushes of gear-u at 4.9 mm/s have no slip onset"), "%s",
                       e.text);
}

Test(repeats, effort_of_one_more_block)
{
    struct plan *plan = &b->series[0].plan;
    add("gear-a", 0, A, 5);
    add("gear-b", 0, B, 5);
    plan->feeder_count = 2;
    plan->test_count = 1;
    plan->tests[0].kind = PLAN_BLOCKED_PUSH;
    plan->tests[0].speed_count = 1;
    plan->tests[0].speeds_mm_s[0] = 4.9;
    struct repeats_effort effort = repeats_effort_of(&b->session);
    cr_expect(effort.present && effort.runs == 2);
    EQUAL(effort.feed_mm, 16);
    EQUAL(effort.recording_s, 6);
    b->session.series_count = 2;
    cr_expect_not(repeats_effort_of(&b->session).present);
}
