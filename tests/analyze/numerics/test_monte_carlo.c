/* Source: JCGM 101:2008, 9.2 (additive model) and 9.4 (comparison loss), figures from memory; every one is
 * also worked out here in closed form, which is what the tests hold to. The seeds are fixed, so that the
 * tests cannot fail by chance; with 10^6 trials a standard deviation is good to 0.1 % and an end of an
 * interval to about 0.3 %. */
#include "analyze/numerics/monte_carlo.h"
#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static const struct monte_carlo_settings MANY = {.seed = 20873, .trials_most = 1000000};

static void assert_near(double value, double expected, double tolerance)
{
    cr_assert(fabs(value - expected) <= tolerance, "%.15g, expected %.15g", value, expected);
}

static bool sum_of_four(const double *x, double *y, void *context)
{
    (void)context;
    y[0] = x[0] + x[1] + x[2] + x[3];
    return true;
}

static void four(struct monte_carlo_input *in, enum monte_carlo_distribution distribution, double scale)
{
    for (int i = 0; i < 4; i++)
        in[i] = (struct monte_carlo_input){.distribution = distribution, .scale = scale};
}

/* 9.2.2: four standard normals: u 2.0, interval -3.92 to 3.92. */
Test(monte_carlo, four_normals_give_the_normal_interval)
{
    struct monte_carlo_input in[4];
    struct monte_carlo r;
    four(in, MONTE_CARLO_NORMAL, 1);
    cr_assert_eq(monte_carlo_run(sum_of_four, NULL, 1, 0, in, 4, NULL, &MANY, &r, NULL), ERR_OK);
    cr_assert_eq(r.trials, 1000000);
    assert_near(r.mean, 0, 0.008);
    assert_near(r.sd, 2, 0.006);
    assert_near(r.low_95, -3.919928, 0.02);
    assert_near(r.high_95, 3.919928, 0.02);
    assert_near(r.shortest_high - r.shortest_low, 2 * 3.919928, 0.03);
}

/* 9.2.3: four rectangulars of sd 1: u 2.0, interval -3.88 to 3.88. Exact: P(sum of four uniforms > 4 - d) =
 * d^4 / 24 = 0.025 for d = 0.6^(1/4), so the end is (2 - d) 2 sqrt(3). */
Test(monte_carlo, four_rectangulars_give_the_closed_form)
{
    struct monte_carlo_input in[4];
    struct monte_carlo r;
    double end = (2 - pow(0.6, 0.25)) * 2 * sqrt(3);
    assert_near(end, 3.88, 0.005); /* as published */
    four(in, MONTE_CARLO_RECTANGULAR, sqrt(3));
    cr_assert_eq(monte_carlo_run(sum_of_four, NULL, 1, 0, in, 4, NULL, &MANY, &r, NULL), ERR_OK);
    assert_near(r.sd, 2, 0.005);
    assert_near(r.low_95, -end, 0.012);
    assert_near(r.high_95, end, 0.012);
}

/* 9.2.3.4 and 9.2.4: the linear interval +-3.92 of four rectangulars stands to one and two significant digits
 * (it differs by 0.04, delta is 0.05) and not to three; of 10 times one wider one (linear +-19.8, Monte Carlo
 * +-17.0) it does not stand to two. */
Test(monte_carlo, the_verdict_depends_on_the_digits_asked_for)
{
    struct monte_carlo_input in[4];
    struct monte_carlo r;
    struct monte_carlo_verdict v;
    struct quantity linear = quantity_from(0, 2, INFINITY, 4);
    four(in, MONTE_CARLO_RECTANGULAR, sqrt(3));
    cr_assert_eq(monte_carlo_run(sum_of_four, NULL, 1, 0, in, 4, NULL, &MANY, &r, NULL), ERR_OK);
    v = monte_carlo_judge(&r, &linear, 2);
    cr_assert(v.validated);
    assert_near(v.tolerance, 0.05, 1e-15);
    assert_near(v.high_difference, 3.92 - 3.88, 0.012);
    cr_assert_not(monte_carlo_judge(&r, &linear, 3).validated);
    in[3].scale *= 10;
    cr_assert_eq(monte_carlo_run(sum_of_four, NULL, 1, 0, in, 4, NULL, &MANY, &r, NULL), ERR_OK);
    linear = quantity_from(0, sqrt(103), INFINITY, 4);
    assert_near(r.sd, sqrt(103), 0.02);
    assert_near(r.high_95, 17.0, 0.05);
    v = monte_carlo_judge(&r, &linear, 2);
    cr_assert_not(v.validated);
    assert_near(v.low_difference, 19.9 - 17.0, 0.1);
}

static bool loss(const double *x, double *y, void *context)
{
    (void)context;
    y[0] = x[0] * x[0] + x[1] * x[1];
    return true;
}

/* 9.4.2: X1 = X2 = 0, u 0.005: the loss is exponential with mean and sd 50e-6, and its shortest 95 % interval
 * is 0 to -50e-6 ln 0.05 = 150e-6; the linear uncertainty is 0. */
Test(monte_carlo, a_sum_of_squares_at_zero_is_exponential_and_the_linear_result_fails)
{
    struct monte_carlo_input in[2] = {{MONTE_CARLO_NORMAL, 0, 0.005, 0}, {MONTE_CARLO_NORMAL, 0, 0.005, 0}};
    struct monte_carlo r;
    struct quantity linear = quantity_from(0, 0, INFINITY, 1);
    cr_assert_eq(monte_carlo_run(loss, NULL, 1, 0, in, 2, NULL, &MANY, &r, NULL), ERR_OK);
    assert_near(r.mean, 50e-6, 0.2e-6);
    assert_near(r.sd, 50e-6, 0.3e-6);
    assert_near(r.shortest_low, 0, 0.2e-6);
    assert_near(r.shortest_high, -50e-6 * log(0.05), 1.0e-6);
    assert_near(r.low_95, -50e-6 * log(0.975), 0.1e-6);
    assert_near(r.high_95, -50e-6 * log(0.025), 1.5e-6);
    cr_assert_not(monte_carlo_judge(&r, &linear, 1).validated);
}

/* 9.4.2.2, X1 = 0.010 and correlation 0, 0.9: mean x1^2 + 2 u^2 = 150e-6; variance 4 u^4 (1 + r^2) + 4 u^2
 * x1^2, that is sd 112e-6 and 121e-6 as published. */
Test(monte_carlo, correlation_widens_the_sum_of_squares)
{
    struct monte_carlo_input in[2] = {{MONTE_CARLO_NORMAL, 0.010, 0.005, 0},
                                      {MONTE_CARLO_NORMAL, 0, 0.005, 0}};
    struct monte_carlo r;
    for (int i = 0; i < 2; i++) {
        double c = i * 0.9, u2 = 0.005 * 0.005, matrix[4] = {1, c, c, 1};
        double sd = sqrt(4 * u2 * u2 * (1 + c * c) + 4 * u2 * 1e-4);
        assert_near(sd, i == 0 ? 112e-6 : 121e-6, 0.5e-6);
        cr_assert_eq(monte_carlo_run(loss, NULL, 1, 0, in, 2, matrix, &MANY, &r, NULL), ERR_OK);
        assert_near(r.mean, 150e-6, 0.5e-6);
        assert_near(r.sd, sd, 0.5e-6);
    }
}

static bool first_of_two(const double *x, double *y, void *context)
{
    (void)context;
    y[0] = -7;
    y[1] = x[0];
    return true;
}

/* Closed forms: triangular, the upper 2.5 % begins at 1 - sqrt(0.05); arcsine, at sin(0.475 pi); t with 5
 * degrees of freedom, 2.5705818 and sd sqrt(5/3). The second output is the one asked for. */
Test(monte_carlo, each_distribution_has_its_own_spread)
{
    static const struct {
        struct monte_carlo_input in;
        double sd, end, sd_tolerance, end_tolerance;
    } CASES[] = {
        {{MONTE_CARLO_NORMAL, 12.7, 0.3, 0}, 0.3, 0.3 * 1.959964, 0.001, 0.003},
        {{MONTE_CARLO_RECTANGULAR, 12.7, 0.3, 0}, 0.17320508, 0.3 * 0.95, 0.0005, 0.0005},
        {{MONTE_CARLO_TRIANGULAR, 12.7, 0.3, 0}, 0.12247449, 0.3 * 0.77639320, 0.0005, 0.001},
        {{MONTE_CARLO_ARCSINE, 12.7, 0.3, 0}, 0.21213203, 0.3 * 0.99691733, 0.0005, 0.0001},
        {{MONTE_CARLO_T, 12.7, 0.3, 5}, 0.3 * 1.29099445, 0.3 * 2.5705818, 0.002, 0.006},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
        struct monte_carlo r;
        cr_assert_eq(monte_carlo_run(first_of_two, NULL, 2, 1, &CASES[i].in, 1, NULL, &MANY, &r, NULL),
                     ERR_OK);
        assert_near(r.mean, 12.7, 0.002);
        assert_near(r.sd, CASES[i].sd, CASES[i].sd_tolerance);
        assert_near(monte_carlo_standard_uncertainty(&CASES[i].in), CASES[i].sd, 1e-8);
        assert_near(r.low_95, 12.7 - CASES[i].end, CASES[i].end_tolerance);
        assert_near(r.high_95, 12.7 + CASES[i].end, CASES[i].end_tolerance);
    }
}

/* Clause 7.9: with one digit of u = 2 asked for, the ends are good to delta / 5 = 0.1 long before a million
 * trials; and no sooner than ten blocks. */
Test(monte_carlo, trials_stop_when_the_digits_stand)
{
    struct monte_carlo_settings s = {.seed = 4711, .trials_most = 1000000, .digits = 1};
    struct monte_carlo_input in[4];
    struct monte_carlo r;
    struct quantity linear = quantity_from(0, 2, INFINITY, 4);
    four(in, MONTE_CARLO_NORMAL, 1);
    cr_assert_eq(monte_carlo_run(sum_of_four, NULL, 1, 0, in, 4, NULL, &s, &r, NULL), ERR_OK);
    cr_assert(r.settled);
    cr_assert_eq(r.trials, 100000, "%zu", r.trials);
    assert_near(r.tolerance, 0.5, 1e-15);
    cr_assert(monte_carlo_judge(&r, &linear, 1).validated);
    cr_assert(monte_carlo_judge(&r, &linear, 1).from_settled);
    cr_assert_not(monte_carlo_judge(&r, &linear, 3).from_settled);
    s.digits = 3;
    cr_assert_eq(monte_carlo_run(sum_of_four, NULL, 1, 0, in, 4, NULL, &s, &r, NULL), ERR_OK);
    cr_assert_not(r.settled);
    cr_assert_eq(r.trials, 1000000);
}

Test(monte_carlo, the_seed_alone_decides)
{
    struct monte_carlo_settings s = {.seed = 8191, .trials_most = 10000};
    struct monte_carlo_input in[4];
    struct monte_carlo a, b;
    four(in, MONTE_CARLO_T, 0.7);
    for (int i = 0; i < 4; i++)
        in[i].degrees_of_freedom = 6;
    cr_assert_eq(monte_carlo_run(sum_of_four, NULL, 1, 0, in, 4, NULL, &s, &a, NULL), ERR_OK);
    cr_assert_eq(monte_carlo_run(sum_of_four, NULL, 1, 0, in, 4, NULL, &s, &b, NULL), ERR_OK);
    cr_assert(a.mean == b.mean && a.sd == b.sd && a.low_95 == b.low_95 && a.shortest_high == b.shortest_high);
    s.seed++;
    cr_assert_eq(monte_carlo_run(sum_of_four, NULL, 1, 0, in, 4, NULL, &s, &b, NULL), ERR_OK);
    cr_assert_neq(a.mean, b.mean);
}

/* JCGM 101 7.9.2, examples: u = 0.00035 to two digits is 35e-5, delta 5e-6; u = 2 K to one digit, delta 0.5
 * K. */
Test(monte_carlo, the_tolerance_is_half_the_last_digit)
{
    assert_near(monte_carlo_tolerance(0.00035, 2) / 5e-6, 1, 1e-12);
    assert_near(monte_carlo_tolerance(2, 1), 0.5, 1e-15);
    assert_near(monte_carlo_tolerance(0.0996, 2), 0.005, 1e-15); /* reads 0.10 */
    cr_assert_eq(monte_carlo_tolerance(0, 2), 0);
}

static bool root(const double *x, double *y, void *context)
{
    (void)context;
    y[0] = sqrt(x[0]);
    return x[0] >= 0;
}

Test(monte_carlo, a_few_failed_trials_are_counted_and_many_refused)
{
    struct monte_carlo_settings s = {.seed = 99, .trials_most = 20000};
    struct monte_carlo_input in = {MONTE_CARLO_NORMAL, 0.9, 0.3, 0};
    struct monte_carlo r;
    cr_assert_eq(monte_carlo_run(root, NULL, 1, 0, &in, 1, NULL, &s, &r, NULL), ERR_OK);
    cr_assert(r.failed > 10 && r.failed < 60, "%zu", r.failed); /* 0.135 % of 20000 are 27 */
    cr_assert_eq(r.trials, 20000);
    in.centre = 0.3;
    cr_assert_eq(monte_carlo_run(root, NULL, 1, 0, &in, 1, NULL, &s, &r, NULL), ERR_NO_ANSWER);
}

Test(monte_carlo, refuses_what_makes_no_sense)
{
    struct monte_carlo_settings s = {.seed = 99, .trials_most = 9999};
    struct monte_carlo_input in[2] = {{MONTE_CARLO_NORMAL, 1, 1, 0}, {MONTE_CARLO_RECTANGULAR, 1, 1, 0}};
    double correlated[4] = {1, 0.5, 0.5, 1}, impossible[4] = {1, 1.2, 1.2, 1};
    struct monte_carlo r;
    cr_assert_eq(monte_carlo_run(loss, NULL, 1, 0, in, 2, NULL, &s, &r, NULL), ERR_CALLER);
    s.trials_most = 20000;
    cr_assert_eq(monte_carlo_run(loss, NULL, 1, 0, in, 2, correlated, &s, &r, NULL), ERR_NO_ANSWER);
    in[1].distribution = MONTE_CARLO_NORMAL;
    cr_assert_eq(monte_carlo_run(loss, NULL, 1, 0, in, 2, impossible, &s, &r, NULL), ERR_NO_ANSWER);
    in[1].scale = -1;
    cr_assert_eq(monte_carlo_run(loss, NULL, 1, 0, in, 2, NULL, &s, &r, NULL), ERR_NO_ANSWER);
    in[1] = (struct monte_carlo_input){MONTE_CARLO_T, 0, 1, 0.5};
    cr_assert_eq(monte_carlo_run(loss, NULL, 1, 0, in, 2, NULL, &s, &r, NULL), ERR_NO_ANSWER);
}
