/* Forces worked out backwards from calibrations made here, against a simulation of its own in this file. */
#include "analyze/force_check.h"

#include "analyze/push.h"
#include "analyze/push_budget.h"
#include "analyze/result_flags.h"
#include "analyze/speed_sweep.h"
#include "tests/sim/simulate.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define PI    3.14159265358979323846
#define DRAWS 400000

static void begin(void)
{
    quantity_init_numerics();
}

TestSuite(force_check, .init = begin);

/* Random numbers for one seed (Vigna's splitmix64), not those of the code under test. */
static double uniform(uint64_t *state)
{
    uint64_t z = *state += 0x9E3779B97F4A7C15u;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return ((double)((z ^ (z >> 31)) >> 11) + 0.5) / 9007199254740992.0;
}

static double normal(uint64_t *state)
{
    double radius = sqrt(-2 * log(uniform(state)));
    return radius * cos(2 * PI * uniform(state));
}

/* A load cell that loses more than half of its slope by 180 N: 2711 counts/N, and so many less at load. */
static struct calibration curved(double u_slope, double u_curve, double correlation, double degrees)
{
    struct calibration c = {
        .degree = 2, .degrees_of_freedom = degrees, .load_low_n = 0, .load_high_n = 187.3};
    c.coefficients[0] = 8317.4;
    c.coefficients[1] = 2711.3;
    c.coefficients[2] = -4.93;
    c.covariance[1][1] = u_slope * u_slope;
    c.covariance[2][2] = u_curve * u_curve;
    c.covariance[1][2] = c.covariance[2][1] = correlation * u_slope * u_curve;
    return c;
}

static struct calibration straight(double relative)
{
    struct calibration c = {
        .degree = 1, .degrees_of_freedom = INFINITY, .load_low_n = 0, .load_high_n = 187.3};
    c.coefficients[1] = -2711.3; /* wired the other way round */
    c.covariance[1][1] = pow(relative * c.coefficients[1], 2);
    return c;
}

static struct quantity force(double value_n, double other_n, const struct calibration *c, struct budget *b)
{
    budget_init(b);
    push_budget_add(b, "scatter", other_n, INFINITY, BUDGET_TYPE_A, false);
    push_budget_add(b, PUSH_BUDGET_CALIBRATION_NAME, calibration_uncertainty_n(c, value_n),
                    c->degrees_of_freedom, BUDGET_TYPE_A, false);
    return budget_combine(b, value_n, 7);
}

static int by_value(const void *a, const void *b)
{
    double p = *(const double *)a, q = *(const double *)b;
    return p < q ? -1 : p > q;
}

/* Standard deviation and the middle 95 % of the forces that belong to one reading. */
static void simulate(const struct calibration *c, double value_n, double other_n, double *sd, double *low,
                     double *high)
{
    uint64_t state = 20270418;
    double *forces = malloc(DRAWS * sizeof *forces), sum = 0, square = 0;
    double b0 = c->coefficients[1], a0 = c->degree == 2 ? c->coefficients[2] : 0;
    double u_b = sqrt(c->covariance[1][1]), u_a = sqrt(c->covariance[2][2]);
    double r = u_a > 0 ? c->covariance[1][2] / (u_a * u_b) : 0;
    double d0 = b0 * value_n + a0 * value_n * value_n, slope = b0 + 2 * a0 * value_n;
    cr_assert_not_null(forces);
    for (size_t i = 0; i < DRAWS; i++) {
        double z = normal(&state), b = b0 + u_b * z;
        double a = a0 + u_a * (r * z + sqrt(1 - r * r) * normal(&state));
        double d = d0 + slope * other_n * normal(&state);
        /* The schoolbook root of a L^2 + b L - d. */
        forces[i] = c->degree == 2 ? (-b + sqrt(b * b + 4 * a * d)) / (2 * a) : d / b;
        sum += (forces[i] - value_n) / DRAWS;
        square += (forces[i] - value_n) * (forces[i] - value_n) / DRAWS;
    }
    qsort(forces, DRAWS, sizeof *forces, by_value);
    *sd = sqrt(square - sum * sum);
    *low = forces[DRAWS / 40];
    *high = forces[DRAWS - DRAWS / 40];
    free(forces);
}

static void replaced_as_simulated(const struct calibration *c, double value_n, double other_n)
{
    struct budget b;
    struct quantity q = force(value_n, other_n, c, &b), linear = q;
    double sd, low, high;
    cr_assert_eq(force_check(c, 23, &b, &q), FORCE_CHECK_REPLACED);
    simulate(c, value_n, other_n, &sd, &low, &high);
    /* 4 times what two simulations differ by at random at an end of the interval. */
    cr_expect_float_eq(q.standard_uncertainty, sd, 0.015 * sd, "%g, simulated %g", q.standard_uncertainty,
                       sd);
    cr_expect_float_eq(q.low_95, low, 0.03 * sd, "%g, simulated %g", q.low_95, low);
    cr_expect_float_eq(q.high_95, high, 0.03 * sd, "%g, simulated %g", q.high_95, high);
    cr_expect(fabs(linear.low_95 - low) > 0.05 * sd || fabs(linear.high_95 - high) > 0.05 * sd,
              "the linear interval is as good");
    cr_expect_eq(q.value, value_n);
    cr_expect_eq(q.n, 7);
    cr_expect_float_eq(budget_standard_uncertainty(&b), q.standard_uncertainty,
                       1e-9 * q.standard_uncertainty);
    cr_expect_str_eq(b.components[b.count - 1].name, FORCE_CHECK_COMPONENT_NAME);
}

Test(force_check, a_strongly_curved_calibration_gets_the_interval_of_a_direct_simulation)
{
    struct calibration c = curved(26.3, 0.23, -0.63, INFINITY);
    replaced_as_simulated(&c, 163.9, 1.37);
}

Test(force_check, a_very_uncertain_straight_calibration_does_too)
{
    struct calibration c = straight(0.14);
    replaced_as_simulated(&c, 83.7, 0.61);
}

Test(force_check, few_degrees_of_freedom_widen_the_interval_about_the_value)
{
    struct calibration known = curved(26.3, 0.23, -0.63, INFINITY), fitted = curved(26.3, 0.23, -0.63, 9);
    struct budget b;
    struct quantity a = force(163.9, 0.02, &known, &b), f;
    cr_assert_eq(force_check(&known, 23, &b, &a), FORCE_CHECK_REPLACED);
    f = force(163.9, 0.02, &fitted, &b);
    cr_assert_eq(force_check(&fitted, 23, &b, &f), FORCE_CHECK_REPLACED);
    /* t for 9 degrees of freedom over the normal value, from tables. */
    cr_expect_float_eq((f.high_95 - f.value) / (a.high_95 - a.value), 2.262157 / 1.959964, 1e-5);
    cr_expect_float_eq((f.value - f.low_95) / (a.value - a.low_95), 2.262157 / 1.959964, 1e-5);
    cr_expect_eq(f.standard_uncertainty, a.standard_uncertainty);
}

Test(force_check, the_seed_alone_makes_the_interval)
{
    struct calibration c = curved(26.3, 0.23, -0.63, INFINITY);
    struct budget b;
    struct quantity first = force(163.9, 1.37, &c, &b), again, other;
    force_check(&c, 23, &b, &first);
    again = force(163.9, 1.37, &c, &b);
    force_check(&c, 23, &b, &again);
    other = force(163.9, 1.37, &c, &b);
    force_check(&c, 24, &b, &other);
    cr_expect_eq(first.low_95, again.low_95);
    cr_expect_eq(first.high_95, again.high_95);
    cr_expect_neq(first.low_95, other.low_95);
}

Test(force_check, an_ordinary_calibration_changes_nothing_and_costs_nothing)
{
    struct calibration kinds[] = {straight(0.0008), straight(0.02), curved(2.9, 0.021, -0.96, 34)};
    struct timespec from, to;
    kinds[2].coefficients[2] = -0.041;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &from);
    for (size_t i = 0; i < 300; i++) {
        const struct calibration *c = &kinds[i % 3];
        struct budget b, before;
        struct quantity q = force(84.3 + 0.31 * (double)(i % 17), 0.47, c, &b), linear = q;
        before = b;
        cr_assert_eq(force_check(c, i, &b, &q), FORCE_CHECK_LINEAR, "case %zu", i);
        cr_assert_eq(q.low_95, linear.low_95);
        cr_assert_eq(q.high_95, linear.high_95);
        cr_assert_eq(q.standard_uncertainty, linear.standard_uncertainty);
        cr_assert_eq(b.count, before.count);
    }
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &to);
    double seconds = (double)(to.tv_sec - from.tv_sec) + 1e-9 * (double)(to.tv_nsec - from.tv_nsec);
    /* Draws would take some ten seconds and more under a sanitizer. */
    cr_expect(seconds < 1, "%g s", seconds);
}

Test(force_check, a_calibration_that_may_turn_back_before_the_reading_has_no_answer)
{
    struct calibration c = curved(31.7, 1.9, 0, INFINITY);
    struct budget b;
    struct quantity q = force(186.1, 1.37, &c, &b), linear = q;
    size_t count = b.count;
    cr_expect_eq(force_check(&c, 23, &b, &q), FORCE_CHECK_FAILED);
    /* Here a few draws in a thousand only have no load. */
    struct calibration rarely = curved(31.7, 0.29, -0.63, INFINITY);
    struct budget of_rarely;
    struct quantity r = force(178.3, 1.37, &rarely, &of_rarely);
    cr_expect_eq(force_check(&rarely, 23, &of_rarely, &r), FORCE_CHECK_FAILED);
    cr_expect_eq(memcmp(&q, &linear, sizeof q), 0);
    cr_expect_eq(b.count, count);
}

Test(force_check, absent_values_bounds_and_exact_calibrations_are_left_alone)
{
    struct calibration c = curved(26.3, 0.23, -0.63, INFINITY), exact = curved(0, 0, 0, INFINITY);
    struct budget b;
    budget_init(&b);
    struct quantity none = quantity_absent(), bound = quantity_at_least(163.9),
                    q = force(163.9, 1.37, &exact, &b);
    cr_expect_eq(force_check(&c, 23, &b, &none), FORCE_CHECK_LINEAR);
    cr_expect_eq(force_check(&c, 23, &b, &bound), FORCE_CHECK_LINEAR);
    cr_expect_eq(force_check(&exact, 23, &b, &q), FORCE_CHECK_LINEAR);
    cr_expect(!none.present && bound.at_least);
}

/* Motor 84.9 N, by a calibration of this relative uncertainty. */
static void push(double relative, int number, struct push_result *result)
{
    struct model_parameters p = model_default();
    struct model_state state = {0};
    struct simulated_push push = {
        .speed_mm_s = 3.7, .travel_mm = 13.1, .acceleration_mm_s2 = 200, .sample_rate_hz = 1000, .rest_s = 1};
    struct run_columns columns;
    struct run_record record;
    struct model_truth truth;
    struct err e = {0};
    p.sensor.full_scale_n = 400;
    p.motor.supply_v = 24;
    model_mount(&p, &state, 52017);
    struct calibration c = simulate_exact_calibration(&p);
    c.covariance[1][1] = pow(relative * c.coefficients[1], 2);
    cr_assert(simulate_push(&p, &state, &push, &columns, &record, &truth));
    record.number = number;
    cr_assert_eq(push_analyse(&columns, &record, &c, result, &e), ERR_OK, "%s", e.text);
    run_columns_free(&columns);
    run_record_free(&record);
}

Test(force_check, a_push_says_that_its_interval_is_from_draws)
{
    static struct push_result ordinary, doubtful, other;
    push(0.002, 31, &ordinary);
    cr_expect_eq(ordinary.flag_count, 0, "%s", ordinary.flags[0]);
    push(0.16, 31, &doubtful);
    cr_assert_eq(doubtful.flag_count, 1);
    cr_expect(strstr(doubtful.flags[0], "the interval is from 200,000 Monte-Carlo draws (JCGM 101)") != NULL,
              "%s", doubtful.flags[0]);
    /* A reciprocal leans to the high side. */
    const struct quantity *q = &doubtful.stall_force_n;
    cr_expect_eq(q->value, ordinary.stall_force_n.value);
    cr_expect(q->high_95 - q->value > 1.5 * (q->value - q->low_95), "[%g, %g]", q->low_95, q->high_95);
    push(0.16, 32, &other);
    cr_expect_neq(q->low_95, other.stall_force_n.low_95);
}

Test(force_check, so_does_the_mean_of_runs)
{
    static struct run_record records[3];
    static struct run_result results[3];
    static struct feeder_result feeder;
    static struct series series;
    const struct run_result *runs[3];
    const double stalls_n[] = {163.1, 164.9, 163.6};
    struct push_settings settings = push_budget_settings(NULL);
    double sd, low, high;
    series.calibration = curved(26.3, 0.23, -0.63, INFINITY);
    for (int i = 0; i < 3; i++) {
        records[i] = (struct run_record){.number = 5 + i,
                                         .speed_mm_s = 2.7,
                                         .drive_diameter_mm = 11,
                                         .full_steps_per_rev = 200,
                                         .microsteps = 16,
                                         .reduction = 1};
        results[i] = (struct run_result){.record = &records[i], .analysed = true};
        results[i].push.stall_force_n = quantity_from(stalls_n[i], 1, INFINITY, 4);
        runs[i] = &results[i];
    }
    speed_sweep_points(runs, 3, &series.calibration, &settings, &feeder);
    result_flags_feeder(&feeder, runs, 3, &series);
    const struct speed_point *point = &feeder.points[0];
    const struct quantity *q = &point->stall_force_n;
    cr_assert_eq(feeder.point_count, 1);
    cr_assert_eq(point->stall_flags.count, 1);
    cr_expect(strstr(point->stall_flags.text[0], "200,000 Monte-Carlo draws") != NULL);
    cr_expect_eq(point->onset_flags.count, 0);
    /* The rest of the budget is small beside the calibration. */
    simulate(&series.calibration, q->value, 0.9, &sd, &low, &high);
    cr_expect_float_eq(q->standard_uncertainty, sd, 0.03 * sd, "%g, simulated %g", q->standard_uncertainty,
                       sd);
    cr_expect(q->high_95 - q->value > 1.15 * (q->value - q->low_95), "[%g, %g]", q->low_95, q->high_95);
}
