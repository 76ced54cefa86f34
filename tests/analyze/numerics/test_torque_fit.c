/* Source of the curve: pull-out torque of a two-phase hybrid stepper, Acarnley, Stepping Motors, 4th ed.,
 * with p 50, psi 0.008 Wb, R 1.5 ohm, L 2.8 mH, 24 V square drive (fundamental 4 Vdc / pi); its values below
 * were checked independently by integrating both phase circuits. Flat part, speeds, noise and grip limits of
 * the simulations are typed here. */
#include "analyze/numerics/quantity.h"
#include "analyze/numerics/torque_fit.h"

#include <criterion/criterion.h>
#include <float.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double TEETH = 50, PSI_WB = 0.008, R_OHM = 1.5, L_H = 2.8e-3, SUPPLY_V = 24;
#define T0_NM 3.6
#define PI    3.14159265358979323846

static double w_of_turns(double turns_s)
{
    return 2 * PI * TEETH * turns_s;
}

/* The formula as the book has it, not as the fit writes it. */
static double pull_out_nm(double w)
{
    double z = sqrt(R_OHM * R_OHM + w * w * L_H * L_H), v = 4 * SUPPLY_V / PI;
    return TEETH * PSI_WB * (v / z - w * PSI_WB * R_OHM / (z * z));
}

static double truth_nm(double w)
{
    return fmin(T0_NM, pull_out_nm(w));
}

static double true_corner(void)
{
    double low = 0, high = 1e5;
    for (int i = 0; i < 200; i++) {
        double middle = low / 2 + high / 2;
        *(pull_out_nm(middle) > T0_NM ? &low : &high) = middle;
    }
    return low;
}

/* Random numbers for one seed (Vigna's splitmix64), the same on every machine. */
static double next_uniform(uint64_t *state)
{
    uint64_t z = *state += 0x9E3779B97F4A7C15u;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return ((double)((z ^ (z >> 31)) >> 11) + 0.5) / 9007199254740992.0;
}

static double next_normal(uint64_t *state)
{
    double radius = sqrt(-2 * log(next_uniform(state)));
    return radius * cos(2 * PI * next_uniform(state));
}

static uint64_t seed_of(uint64_t usual)
{
    const char *text = getenv("NIPBENCH_TEST_SEED");
    uint64_t seed = text != NULL ? strtoull(text, NULL, 10) : usual;
    fprintf(stderr, "seed %llu\n", (unsigned long long)seed);
    return seed;
}

static const double TURNS_S[] = {0.7, 1.1, 1.7, 2.6, 3.3, 4.1, 5.3, 7.2, 9.4, 13.0};
#define SPEEDS  (sizeof TURNS_S / sizeof TURNS_S[0])
#define REPEATS 4
#define POINTS  (SPEEDS * REPEATS)

struct curve {
    double w[POINTS], torque[POINTS];
    bool at_least[POINTS];
    size_t censored;
};

/* Noise of sd noise_nm on the true torque; where grip_nm > 0, grip of that much on average gives way first in
 * some runs, whose torque is then known only to be greater than what the grip held. */
static void simulate(struct curve *c, double (*truth)(double), double noise_nm, double grip_nm,
                     uint64_t *state)
{
    c->censored = 0;
    for (size_t i = 0; i < POINTS; i++) {
        double grip = grip_nm > 0 ? grip_nm * (1 + 0.04 * next_normal(state)) : INFINITY;
        c->w[i] = w_of_turns(TURNS_S[i % SPEEDS]);
        c->torque[i] = truth(c->w[i]) + noise_nm * next_normal(state);
        c->at_least[i] = c->torque[i] > grip;
        c->torque[i] = fmin(c->torque[i], grip);
        c->censored += c->at_least[i];
    }
}

/* The model with the least AICc, as a caller chooses. */
static bool fit_best(const struct curve *c, struct torque_fit *best)
{
    bool any = false;
    for (int m = 0; m < TORQUE_FIT_MODELS; m++) {
        struct torque_fit fit;
        struct err e = {0};
        if (torque_fit((enum torque_fit_model)m, c->w, c->torque, c->at_least, POINTS, &fit, &e) != ERR_OK)
            continue;
        if (!any || fit.aicc < best->aicc)
            *best = fit;
        any = true;
    }
    return any;
}

Test(torque_fit, the_curve_is_the_published_formula)
{
    static const double turns_s[] = {0, 0.5, 1, 2, 5, 10, 20};
    static const double torque_nm[] = {8.1487330863, 7.5109471810, 6.5305069909, 4.7226835585,
                                       2.2811758118, 1.1803982331, 0.5955236171};
    double v = 4 * SUPPLY_V / PI;
    struct torque_fit fit = {
        .model = TORQUE_FIT_PULL_OUT,
        .p = 4,
        .parameters = {100, TEETH * PSI_WB * v / R_OHM, TEETH * PSI_WB * PSI_WB / R_OHM, L_H / R_OHM}};
    for (size_t i = 0; i < sizeof turns_s / sizeof turns_s[0]; i++)
        cr_expect_float_eq(torque_fit_at(&fit, w_of_turns(turns_s[i]), NULL), torque_nm[i], 6e-11,
                           "%g turns/s", turns_s[i]);
}

Test(torque_fit, exact_points_give_the_parameters_back)
{
    struct curve c;
    struct torque_fit fit;
    struct err e = {0};
    uint64_t state = 1;
    double corner = 0, corner_error = 0, v = 4 * SUPPLY_V / PI;
    quantity_init_numerics();
    simulate(&c, truth_nm, 0, 0, &state);
    cr_assert_eq(torque_fit(TORQUE_FIT_PULL_OUT, c.w, c.torque, NULL, POINTS, &fit, &e), ERR_OK, "%s",
                 e.text);
    cr_expect_float_eq(fit.parameters[0], T0_NM, 1e-7);
    cr_expect_float_eq(fit.parameters[1], TEETH * PSI_WB * v / R_OHM, 1e-4, "%.8f", fit.parameters[1]);
    cr_expect_float_eq(fit.parameters[2] / (TEETH * PSI_WB * PSI_WB / R_OHM), 1, 1e-4, "%g",
                       fit.parameters[2]);
    cr_expect_float_eq(fit.parameters[3] / (L_H / R_OHM), 1, 1e-4, "%g", fit.parameters[3]);
    cr_expect(torque_fit_corner(&fit, &corner, &corner_error));
    cr_expect_float_eq(corner / true_corner(), 1, 1e-7, "%.9g", corner);
    cr_expect_eq(fit.degrees_of_freedom, POINTS - 4);
}

struct tally {
    int covered[SPEEDS], corner_seen, corner_covered, draws;
    double error_sum[SPEEDS], error_squares[SPEEDS], scatter_sum;
};

/* Fit `draws` simulated curves and count how often the 95 % band holds the true curve. */
static void count_coverage(struct tally *t, double grip_nm, bool forget_bounds, int draws, uint64_t *state)
{
    memset(t, 0, sizeof *t);
    for (int draw = 0; draw < draws; draw++) {
        struct curve c;
        struct torque_fit fit;
        struct err e = {0};
        double corner, corner_error, k;
        simulate(&c, truth_nm, 0.08, grip_nm, state);
        cr_assert_eq(torque_fit(TORQUE_FIT_PULL_OUT, c.w, c.torque, forget_bounds ? NULL : c.at_least, POINTS,
                                &fit, &e),
                     ERR_OK, "%s", e.text);
        k = quantity_t_975(fit.degrees_of_freedom);
        for (size_t i = 0; i < SPEEDS; i++) {
            double error_nm, w = w_of_turns(TURNS_S[i]),
                             miss = torque_fit_at(&fit, w, &error_nm) - truth_nm(w);
            t->covered[i] += fabs(miss) <= k * error_nm;
            t->error_sum[i] += miss;
            t->error_squares[i] += miss * miss;
        }
        if (torque_fit_corner(&fit, &corner, &corner_error)) {
            t->corner_seen++;
            t->corner_covered += fabs(corner - true_corner()) <= k * corner_error;
        }
        t->scatter_sum += fit.scatter_nm;
        t->draws++;
    }
}

static double report_coverage(const struct tally *t, const char *what)
{
    double all = 0;
    fprintf(stderr, "%s, %d draws: band holds the truth", what, t->draws);
    for (size_t i = 0; i < SPEEDS; i++) {
        fprintf(stderr, " %.1f", 100.0 * t->covered[i] / t->draws);
        all += (double)t->covered[i] / t->draws / (double)SPEEDS;
    }
    fprintf(stderr, " %% by speed, %.1f %% in all; corner %d of %d; scatter %.4f\n", 100 * all,
            t->corner_covered, t->corner_seen, t->scatter_sum / t->draws);
    return all;
}

Test(torque_fit, the_band_holds_the_true_curve_as_often_as_it_says)
{
    uint64_t state = seed_of(20117);
    struct tally t;
    double all;
    quantity_init_numerics();
    count_coverage(&t, 0, false, 300, &state);
    all = report_coverage(&t, "no bounds");
    cr_expect(all >= 0.90 && all <= 0.99, "%.3f", all);
    for (size_t i = 0; i < SPEEDS; i++)
        cr_expect(t.covered[i] >= 0.88 * t.draws, "%g turns/s: %d of %d", TURNS_S[i], t.covered[i], t.draws);
    cr_expect_geq(t.corner_seen, 295);
    cr_expect(t.corner_covered >= 0.90 * t.corner_seen, "%d of %d", t.corner_covered, t.corner_seen);
    cr_expect_float_eq(t.scatter_sum / t.draws, 0.08, 0.002);
}

/* Grip of 3.62 N m on average gives way before the motor in about half of the pushes on the flat part. */
Test(torque_fit, lower_bounds_do_not_bias_the_curve)
{
    uint64_t state = seed_of(33391);
    struct tally t, forgotten;
    double all;
    quantity_init_numerics();
    count_coverage(&t, 3.62, false, 300, &state);
    all = report_coverage(&t, "with bounds");
    count_coverage(&forgotten, 3.62, true, 100, &state);
    report_coverage(&forgotten, "bounds taken as values");
    cr_expect(all >= 0.90 && all <= 0.99, "%.3f", all);
    for (size_t i = 0; i < SPEEDS; i++) {
        double n = t.draws, mean = t.error_sum[i] / n, sd = sqrt(t.error_squares[i] / n - mean * mean);
        cr_expect(t.covered[i] >= 0.88 * t.draws, "%g turns/s: %d of %d", TURNS_S[i], t.covered[i], t.draws);
        cr_expect_leq(fabs(mean), 0.35 * sd + 3.5 * sd / sqrt(n), "%g turns/s: off by %g, sd %g", TURNS_S[i],
                      mean, sd);
    }
    cr_expect_lt(fabs(t.error_sum[0] / t.draws), 0.006, "flat part off by %g", t.error_sum[0] / t.draws);
    cr_expect_lt(forgotten.error_sum[0] / forgotten.draws, -0.03, "values would be biased: %g",
                 forgotten.error_sum[0] / forgotten.draws);
}

static double constant_nm(double w)
{
    (void)w;
    return 2.385;
}

static double droop_nm(double w)
{
    return 3.1 - 4.2e-4 * w;
}

Test(torque_fit, aicc_chooses_the_model_that_made_the_points)
{
    static double (*const truths[])(double) = {constant_nm, droop_nm, truth_nm};
    uint64_t state = seed_of(4409);
    quantity_init_numerics();
    for (int m = 0; m < TORQUE_FIT_MODELS; m++) {
        int right = 0;
        for (int draw = 0; draw < 40; draw++) {
            struct curve c;
            struct torque_fit best = {0};
            simulate(&c, truths[m], 0.08, draw % 2 == 0 ? 0 : 0.98 * truths[m](0), &state);
            cr_assert(fit_best(&c, &best));
            right += best.model == (enum torque_fit_model)m;
        }
        fprintf(stderr, "model %d chosen %d of 40 times\n", m, right);
        /* AIC is known to take a model too many in some of ten cases; the pull-out curve cannot be mistaken.
         */
        cr_expect_geq(right, m == TORQUE_FIT_PULL_OUT ? 40 : 30, "model %d: %d of 40", m, right);
    }
}

/* Without bounds constant and droop are plain least squares: mean, sd and the straight line of the textbooks.
 */
Test(torque_fit, without_bounds_the_simple_models_are_least_squares)
{
    static const double w[] = {100, 250, 400, 650, 900}, torque[] = {2.91, 2.62, 2.68, 2.2, 2.07};
    struct torque_fit constant, droop;
    double mean = 0, squares = 0, ww = 0, wt = 0, error;
    quantity_init_numerics();
    for (int i = 0; i < 5; i++)
        mean += torque[i] / 5;
    for (int i = 0; i < 5; i++) {
        squares += (torque[i] - mean) * (torque[i] - mean);
        ww += (w[i] - 460) * (w[i] - 460);
        wt += (w[i] - 460) * (torque[i] - mean);
    }
    cr_assert_eq(torque_fit(TORQUE_FIT_CONSTANT, w, torque, NULL, 5, &constant, NULL), ERR_OK);
    cr_expect_float_eq(torque_fit_at(&constant, 77, &error), mean, 1e-12);
    cr_expect_float_eq(constant.scatter_nm, sqrt(squares / 4), 1e-10);
    cr_expect_float_eq(error, sqrt(squares / 4 / 5), 1e-10);
    cr_expect_float_eq(constant.log_likelihood, -2.5 * (log(2 * PI * squares / 5) + 1), 1e-9);
    cr_expect_float_eq(constant.aicc, 4 - 2 * constant.log_likelihood + 12.0 / 2, 1e-9);
    cr_assert_eq(torque_fit(TORQUE_FIT_DROOP, w, torque, NULL, 5, &droop, NULL), ERR_OK);
    cr_expect_float_eq(droop.parameters[1], -wt / ww, 1e-12);
    cr_expect_float_eq(droop.scatter_nm, sqrt((squares - wt * wt / ww) / 3), 1e-10);
    cr_expect_float_eq(sqrt(droop.covariance[1][1]), droop.scatter_nm / sqrt(ww), 1e-12);
}

/* Source: R's package survival, survreg(dist = "gaussian") on the numbers below: its covariance is that of
 * the observed information, without the factor m / (m - p). */
Test(torque_fit, bounds_agree_with_an_independent_program)
{
    static const double w[] = {0.2, 0.5, 0.9, 1.3, 1.8, 2.2, 2.9, 3.4, 3.7, 4.1};
    static const double torque[] = {2.41, 2.88, 2.65, 3.30, 3.05, 3.62, 3.31, 4.40, 3.90, 4.62};
    static const bool at_least[] = {false, false, true, false, true, false, true, false, false, false};
    double widen = sqrt(7.0 / 5);
    struct torque_fit fit;
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(torque_fit(TORQUE_FIT_DROOP, w, torque, at_least, 10, &fit, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(fit.parameters[0], 2.54351445988398, 1e-7);
    cr_expect_float_eq(-fit.parameters[1], 0.47872431543385, 1e-7);
    cr_expect_float_eq(fit.scatter_nm, 0.20762195632421 * widen, 1e-7);
    cr_expect_float_eq(fit.log_likelihood, 0.77779264190068, 1e-10);
    cr_expect_float_eq(sqrt(fit.covariance[0][0]), 0.137742322393327 * widen, 1e-6);
    cr_expect_float_eq(sqrt(fit.covariance[1][1]), 0.052999207820836 * widen, 1e-6);
}

/* Minus the log likelihood in the natural parameters T0, A, B, tau and the logarithm of the scatter, written
 * out plainly. */
static double minus_log_likelihood(const struct curve *c, const double *v)
{
    double sum = 0, sigma = exp(v[4]);
    for (size_t i = 0; i < POINTS; i++) {
        double w = c->w[i], z2 = 1 + w * w * v[3] * v[3], u;
        u = (c->torque[i] - fmin(v[0], v[1] / sqrt(z2) - v[2] * w / z2)) / sigma;
        sum += c->at_least[i] ? -log(erfc(u / sqrt(2)) / 2) : u * u / 2 + v[4] + log(2 * PI) / 2;
    }
    return sum;
}

/* The covariance against second differences of the likelihood: their matrix times the covariance must be the
 * unit matrix times m / (m - p), for the parameters and also for the scatter, which is correlated with them
 * by the bounds. */
Test(torque_fit, covariance_is_that_of_the_observed_information)
{
    struct curve c;
    struct torque_fit fit;
    struct err e = {0};
    uint64_t state = 271;
    double v[5], h[5], second[5][5], m, worst = 0;
    quantity_init_numerics();
    simulate(&c, truth_nm, 0.25, 3.7, &state);
    cr_assert_eq(torque_fit(TORQUE_FIT_PULL_OUT, c.w, c.torque, c.at_least, POINTS, &fit, &e), ERR_OK, "%s",
                 e.text);
    m = (double)(POINTS - c.censored);
    cr_expect_eq(fit.degrees_of_freedom, m - 4);
    cr_assert(fit.parameters[2] > 1e-6 && fit.flat_part_seen, "choose a seed without a limit: B %g",
              fit.parameters[2]);
    for (int j = 0; j < 5; j++) {
        v[j] = j < 4 ? fit.parameters[j] : log(fit.scatter_nm * sqrt((m - 4) / m));
        h[j] = j < 4 ? 1e-4 * sqrt(fit.covariance[j][j]) : 1e-4;
    }
    cr_expect_float_eq(-minus_log_likelihood(&c, v), fit.log_likelihood, 1e-9);
    for (int j = 0; j < 5; j++) {
        for (int k = 0; k < 5; k++) {
            second[j][k] = 0;
            for (int side = 0; side < 4; side++) {
                double at[5];
                int a = side & 1 ? 1 : -1, b = side & 2 ? 1 : -1;
                memcpy(at, v, sizeof at);
                at[j] += a * h[j];
                at[k] += b * h[k];
                second[j][k] += a * b * minus_log_likelihood(&c, at) / (4 * h[j] * h[k]);
            }
        }
    }
    for (int j = 0; j < 4; j++) { /* take the scatter out */
        for (int k = 0; k < 4; k++)
            second[j][k] -= second[j][4] * second[4][k] / second[4][4];
    }
    for (int i = 0; i < 4; i++) {
        for (int k = 0; k < 4; k++) {
            double product = 0;
            for (int j = 0; j < 4; j++)
                product += second[i][j] * fit.covariance[j][k] * h[i] / h[k];
            worst = fmax(worst, fabs(product * (m - 4) / m - (i == k)));
        }
    }
    fprintf(stderr, "information times covariance differs from 1 by %.2g\n", worst);
    cr_expect_lt(worst, 0.02, "%g", worst);
}

/* All slow points are bounds: no flat part is seen, so there is no corner, and the curve is the falling part.
 */
Test(torque_fit, a_flat_part_that_grip_hides_is_not_made_up)
{
    struct curve c;
    struct torque_fit fit;
    struct err e = {0};
    uint64_t state = seed_of(815);
    double corner, corner_error, error;
    quantity_init_numerics();
    simulate(&c, truth_nm, 0.03, 0, &state);
    for (size_t i = 0; i < POINTS; i++) {
        if (c.w[i] < 1.1 * true_corner()) {
            c.at_least[i] = true;
            c.torque[i] = 2.2;
        }
    }
    cr_assert_eq(torque_fit(TORQUE_FIT_PULL_OUT, c.w, c.torque, c.at_least, POINTS, &fit, &e), ERR_OK, "%s",
                 e.text);
    cr_expect_not(fit.flat_part_seen);
    cr_expect_not(torque_fit_corner(&fit, &corner, &corner_error));
    cr_expect_float_eq(torque_fit_at(&fit, w_of_turns(7.2), &error), truth_nm(w_of_turns(7.2)), 0.05);
    cr_expect(error > 0 && error < 0.05, "%g", error);
    torque_fit_at(&fit, w_of_turns(0.7), &error);
    cr_expect_gt(error, 0.05, "the unseen part must be uncertain: %g", error);
}

Test(torque_fit, what_cannot_be_answered_is_refused)
{
    static const double w[] = {10, 20, 30, 40, 50, 60, 70, 80},
                        torque[] = {3, 3.1, 2.9, 2.5, 2.1, 1.9, 1.6, 1.5};
    static const double same[] = {10, 10, 10, 10, 10, 10, 10, 10}, bad[] = {3, 3, NAN, 2, 2, 2, 1, 1};
    static const double negative[] = {10, -20, 30, 40, 50, 60, 70, 80};
    static const bool most[] = {true, true, true, true, true, true, false, true};
    struct torque_fit fit;
    struct err e = {0};
    quantity_init_numerics();
    cr_expect_eq(torque_fit(TORQUE_FIT_PULL_OUT, w, torque, NULL, 6, &fit, &e), ERR_NO_ANSWER, "six points");
    cr_expect_eq(torque_fit(TORQUE_FIT_PULL_OUT, w, torque, most, 8, &fit, &e), ERR_NO_ANSWER, "one value");
    cr_expect_eq(torque_fit(TORQUE_FIT_CONSTANT, w, torque, most, 8, &fit, &e), ERR_NO_ANSWER, "one value");
    cr_expect_eq(torque_fit(TORQUE_FIT_DROOP, same, torque, NULL, 8, &fit, &e), ERR_NO_ANSWER, "one speed");
    cr_expect_eq(torque_fit(TORQUE_FIT_CONSTANT, w, bad, NULL, 8, &fit, &e), ERR_NO_ANSWER, "not a number");
    cr_expect(strstr(e.text, "point 3") != NULL, "%s", e.text);
    cr_expect_eq(torque_fit(TORQUE_FIT_CONSTANT, negative, torque, NULL, 8, &fit, &e), ERR_NO_ANSWER,
                 "negative speed");
    cr_expect_eq(torque_fit(TORQUE_FIT_MODELS, w, torque, NULL, 8, &fit, &e), ERR_CALLER);
    cr_expect_eq(torque_fit(TORQUE_FIT_PULL_OUT, w, torque, NULL, 8, &fit, &e), ERR_OK, "%s", e.text);
}
