/* The code under test is included, not linked: its candidate search is private and is held to plain least
 * squares. */
#include "analyze/numerics/slip_search.h"

#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/quantity.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A loading by the equations of slip_onset.h, integrated here and independent of the simulator's model:
 * dF/dx = k (1 - s(F)) dg/dx / (1 + k (1 - s(F)) lag'(F)), g the feed of an eccentric gear. */
struct loading {
    double stiffness, creep, gross, onset_n; /* N/mm, 1/N, 1/N, N */
    double step_mm, motor_limit_n;           /* 0: no lag */
    double runout_mm, turn_mm, phase;        /* 0: none */
    double travel_mm, noise_n, noise_lost_mm;
    uint64_t seed;
};

struct arrays {
    size_t n;
    double *feed, *force, *lost;
};

static double slope_at(const struct loading *l, double x, double f)
{
    double share = l->creep * f + (f > l->onset_n ? l->gross * (f - l->onset_n) : 0);
    double passed = l->stiffness * (1 - share), gear = 1, lag = 0;
    if (l->turn_mm > 0)
        gear -= l->runout_mm * 2 * M_PI / l->turn_mm * sin(2 * M_PI * x / l->turn_mm + l->phase);
    if (l->motor_limit_n > 0)
        lag = l->step_mm * 2 / M_PI / sqrt(l->motor_limit_n * l->motor_limit_n - f * f);
    return passed * gear / (1 + passed * lag);
}

static struct arrays integrate(const struct loading *l, size_t n)
{
    enum { PARTS = 8 };
    struct arrays a = {n, malloc(n * sizeof(double)), malloc(n * sizeof(double)), malloc(n * sizeof(double))};
    struct model_random draws = {l->seed};
    double h = l->travel_mm / (double)(n - 1) / PARTS, x = 0, f = 0;
    cr_assert(a.feed != NULL && a.force != NULL && a.lost != NULL);
    for (size_t i = 0; i < n; i++) {
        a.feed[i] = x;
        a.force[i] = f + l->noise_n * model_random_normal(&draws);
        /* Filament travel is force over stiffness; what the feed exceeds it by is lost. */
        a.lost[i] = x - f / l->stiffness + l->noise_lost_mm * model_random_normal(&draws);
        for (int part = 0; part < PARTS; part++) {
            double a1 = slope_at(l, x, f), a2 = slope_at(l, x + h / 2, f + h / 2 * a1);
            double a3 = slope_at(l, x + h / 2, f + h / 2 * a2), a4 = slope_at(l, x + h, f + h * a3);
            f += h / 6 * (a1 + 2 * a2 + 2 * a3 + a4);
            x += h;
        }
    }
    return a;
}

static void free_arrays(struct arrays *a)
{
    free(a->feed);
    free(a->force);
    free(a->lost);
}

static const struct loading PLAIN = {
    .stiffness = 43.7, .creep = 0.00071, .gross = 0.0418, .onset_n = 68.3, .travel_mm = 3.13, .seed = 70211};

static double settle_of(const struct loading *l)
{
    return (1 + l->gross * l->onset_n) / (l->creep + l->gross);
}

static struct slip_onset_input input_of(const struct arrays *a, bool encoder)
{
    return (struct slip_onset_input){.n = a->n,
                                     .feed_mm = a->feed,
                                     .force_n = a->force,
                                     .lost_mm = encoder ? a->lost : NULL,
                                     .bic_gain_least = 12};
}

static struct slip_onset fit_of(const struct loading *l, size_t n, bool encoder, bool lag_known)
{
    struct arrays a = integrate(l, n);
    struct slip_onset_input in = input_of(&a, encoder);
    struct slip_onset fit;
    struct err e = {0};
    in.full_step_mm = l->step_mm;
    if (lag_known) {
        in.motor_limit_n = l->motor_limit_n;
        in.motor_limit_standard_uncertainty_n = 0.004 * l->motor_limit_n;
    }
    if (l->turn_mm > 0) {
        in.ripple_count = 1;
        in.ripples[0].period_mm = l->turn_mm;
        in.ripples[0].amplitude_mm = 0.02;
    }
    cr_assert_eq(slip_onset_fit(&in, &fit, &e), ERR_OK, "%s", e.text);
    free_arrays(&a);
    return fit;
}

static void begin(void)
{
    quantity_init_numerics();
}

TestSuite(slip_onset, .init = begin);

static void close_to(const char *legend, const char *what, double value, double truth, double relative)
{
    cr_expect(fabs(value - truth) <= relative * fabs(truth), "%s: %s %.8g against %.8g", legend, what, value,
              truth);
}

Test(slip_onset, noise_free_loading_gives_back_what_it_was_made_from)
{
    static const struct {
        const char *legend;
        double step_mm, motor_limit_n, runout_mm;
        bool encoder, lag_known;
        double onset_relative, rest_relative;
    } cases[] = {
        {"force on feed", 0, 0, 0, false, false, 0.0002, 0.002},
        {"lost feed", 0, 0, 0, true, false, 0.0002, 0.002},
        {"force on feed, load angle known", 0.131, 117, 0, false, true, 0.0002, 0.002},
        {"lost feed, load angle known", 0.131, 117, 0, true, true, 0.0002, 0.002},
        {"force on feed, load angle not known", 0.131, 117, 0, false, false, 0.0005, 0.01},
        {"lost feed, load angle not known", 0.131, 117, 0, true, false, 0.0005, 0.01},
        {"force on feed, eccentric gear", 0, 0, 0.013, false, false, 0.001, 0.02},
        {"lost feed, eccentric gear", 0, 0, 0.013, true, false, 0.001, 0.02},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct loading l = PLAIN;
        struct slip_onset fit;
        l.step_mm = cases[i].step_mm;
        l.motor_limit_n = cases[i].motor_limit_n;
        l.runout_mm = cases[i].runout_mm;
        l.turn_mm = cases[i].runout_mm > 0 ? 25.9 : 0;
        l.phase = 1.9;
        fit = fit_of(&l, 2411, cases[i].encoder, cases[i].lag_known);
        cr_expect(fit.onset_found, "%s", cases[i].legend);
        close_to(cases[i].legend, "onset", fit.onset_n, l.onset_n, cases[i].onset_relative);
        close_to(cases[i].legend, "gross slip", fit.gross_slip_per_n, l.gross, cases[i].rest_relative);
        close_to(cases[i].legend, "level", fit.settle_n, settle_of(&l), cases[i].onset_relative);
        cr_expect(fabs(fit.creep_per_n - l.creep) < cases[i].rest_relative * l.gross, "%s: creep %g",
                  cases[i].legend, fit.creep_per_n);
        if (!cases[i].encoder)
            close_to(cases[i].legend, "stiffness", fit.stiffness_n_per_mm, l.stiffness,
                     cases[i].rest_relative);
        cr_log_info("%s: onset %.6g (%.6g) creep %.4g (%.4g) gross %.4g (%.4g) level %.6g (%.6g) k %.5g",
                    cases[i].legend, fit.onset_n, l.onset_n, fit.creep_per_n, l.creep, fit.gross_slip_per_n,
                    l.gross, fit.settle_n, settle_of(&l), fit.stiffness_n_per_mm);
    }
}

/* Standard errors hold: over many seeds the errors in units of them scatter by about one. */
static void errors_match(const char *legend, bool encoder, double step_mm, bool lag_known, double runout_mm)
{
    enum { SEEDS = 40 };
    double onset = 0, level = 0, creep = 0;
    for (uint64_t seed = 9001; seed < 9001 + SEEDS; seed++) {
        struct loading l = PLAIN;
        struct slip_onset fit;
        double z, zl, zc;
        l.seed = seed;
        l.noise_n = 0.31;
        l.noise_lost_mm = 0.004;
        l.step_mm = step_mm;
        l.motor_limit_n = step_mm > 0 ? 117 : 0;
        l.runout_mm = runout_mm;
        l.turn_mm = runout_mm > 0 ? 25.9 : 0;
        l.phase = (double)(seed % 40) * 0.157;
        fit = fit_of(&l, 1207, encoder, lag_known);
        cr_assert(fit.onset_found, "%s, seed %llu", legend, (unsigned long long)seed);
        z = (fit.onset_n - l.onset_n) / fit.onset_standard_error_n;
        zl = (fit.settle_n - settle_of(&l)) / fit.settle_standard_error_n;
        zc = (fit.creep_per_n - l.creep) / fit.creep_standard_error_per_n;
        cr_expect(fabs(z) < 4.2, "%s, seed %llu: onset %.3f +- %.3f N, truth %.3f", legend,
                  (unsigned long long)seed, fit.onset_n, fit.onset_standard_error_n, l.onset_n);
        onset += z * z / SEEDS;
        level += zl * zl / SEEDS;
        creep += zc * zc / SEEDS;
    }
    cr_log_info("%s: rms error in standard errors: onset %.2f, level %.2f, creep %.2f", legend, sqrt(onset),
                sqrt(level), sqrt(creep));
    cr_expect(onset > 0.35 && onset < 2.4, "%s: mean square error of onset %.2f standard errors squared",
              legend, onset);
    cr_expect(level > 0.35 && level < 2.4, "%s: mean square error of level %.2f", legend, level);
    cr_expect(creep > 0.35 && creep < 2.4, "%s: mean square error of creep %.2f", legend, creep);
}

Test(slip_onset, standard_errors_hold_without_encoder)
{
    errors_match("force on feed", false, 0, false, 0);
}

Test(slip_onset, standard_errors_hold_with_encoder)
{
    errors_match("lost feed", true, 0, false, 0);
}

Test(slip_onset, standard_errors_hold_when_the_motor_limit_is_known)
{
    errors_match("load angle known", false, 0.131, true, 0);
}

Test(slip_onset, standard_errors_hold_when_the_motor_limit_is_not_known)
{
    errors_match("load angle not known", false, 0.131, false, 0);
}

Test(slip_onset, standard_errors_hold_with_runout)
{
    errors_match("runout, force on feed", false, 0, false, 0.013);
    errors_match("runout, lost feed", true, 0, false, 0.013);
}

Test(slip_onset, creep_alone_has_no_onset)
{
    int claimed = 0;
    for (uint64_t seed = 4401; seed < 4441; seed++) {
        struct loading l = PLAIN;
        struct slip_onset fit;
        bool encoder = seed % 2 == 0;
        l.seed = seed;
        l.onset_n = 1000;
        l.travel_mm = 2.1;
        l.noise_n = 0.31;
        l.noise_lost_mm = 0.004;
        fit = fit_of(&l, 907, encoder, false);
        claimed += fit.onset_found;
        if (fit.onset_found) {
            cr_log_warn("seed %llu: a false onset at %.2f N", (unsigned long long)seed, fit.onset_n);
            continue;
        }
        cr_expect(fit.bic_gain <= 12, "seed %llu: gain %g", (unsigned long long)seed, fit.bic_gain);
        cr_expect_eq(fit.gross_slip_per_n, 0);
        cr_expect(fabs(fit.creep_per_n - l.creep) < 4.2 * fit.creep_standard_error_per_n,
                  "seed %llu: creep %g +- %g", (unsigned long long)seed, fit.creep_per_n,
                  fit.creep_standard_error_per_n);
    }
    cr_expect(claimed <= 1, "%d false onsets in 40", claimed);
}

Test(slip_onset, a_load_angle_is_not_taken_for_slip)
{
    int claimed = 0;
    for (uint64_t seed = 5201; seed < 5221; seed++) {
        struct loading l = PLAIN;
        struct slip_onset fit;
        l.seed = seed;
        l.onset_n = 1000;
        l.travel_mm = 2.1;
        l.noise_n = 0.31;
        l.step_mm = 0.131;
        l.motor_limit_n = 93;
        fit = fit_of(&l, 907, false, seed % 2 == 0);
        claimed += fit.onset_found;
    }
    cr_expect(claimed <= 1, "%d false onsets in 20", claimed);
}

Test(slip_onset, what_cannot_be_fitted_is_refused)
{
    struct loading l = PLAIN;
    struct arrays a = integrate(&l, 203);
    struct slip_onset_input in = input_of(&a, true);
    struct slip_onset fit;
    struct err e = {0};
    double keep;
    in.n = 29;
    cr_expect_eq(slip_onset_fit(&in, &fit, &e), ERR_NO_ANSWER);
    cr_expect_not_null(strstr(e.text, "29 samples is too short"), "%s", e.text);
    in.n = 0;
    cr_expect_eq(slip_onset_fit(&in, &fit, &e), ERR_NO_ANSWER);
    in.n = a.n;
    double *columns[] = {a.feed, a.force, a.lost};
    for (size_t i = 0; i < 3; i++) {
        const double bad[] = {NAN, INFINITY, -INFINITY};
        for (size_t j = 0; j < 3; j++) {
            keep = columns[i][117];
            columns[i][117] = bad[j];
            cr_expect_eq(slip_onset_fit(&in, &fit, &e), ERR_NO_ANSWER, "column %zu", i);
            cr_expect_not_null(strstr(e.text, "sample 117"), "%s", e.text);
            columns[i][117] = keep;
        }
    }
    cr_expect_eq(slip_onset_fit(&in, &fit, &e), ERR_OK, "%s", e.text);
    for (size_t i = 0; i < a.n; i++)
        a.force[i] = 31.7;
    cr_expect_eq(slip_onset_fit(&in, &fit, &e), ERR_NO_ANSWER, "flat force, with encoder");
    for (size_t i = 0; i < a.n; i++)
        a.force[i] = -3.1 - 0.07 * (double)i;
    cr_expect_eq(slip_onset_fit(&in, &fit, &e), ERR_NO_ANSWER, "force that only pulls");
    for (size_t i = 0; i < a.n; i++) {
        a.force[i] = 0.21 * (double)i;
        a.feed[i] = 1.7;
    }
    cr_expect_eq(slip_onset_fit(&in, &fit, &e), ERR_NO_ANSWER, "feed that stands still");
    free_arrays(&a);
}

Test(slip_onset, flat_force_without_encoder_is_refused_or_has_no_onset)
{
    struct loading l = PLAIN;
    struct arrays a = integrate(&l, 203);
    struct slip_onset_input in = input_of(&a, false);
    struct slip_onset fit;
    struct err e = {0};
    for (size_t i = 0; i < a.n; i++)
        a.force[i] = 31.7;
    if (slip_onset_fit(&in, &fit, &e) == ERR_OK)
        cr_expect(!fit.onset_found);
    free_arrays(&a);
}

/* Not timed: a search in n^2 would not come back. */
Test(slip_onset, a_million_samples_are_fitted)
{
    struct loading l = PLAIN;
    struct arrays a;
    struct slip_onset_input in;
    struct slip_onset fit;
    struct err e = {0};
    l.noise_n = 0.31;
    a = integrate(&l, 1000000);
    in = input_of(&a, false);
    cr_assert_eq(slip_onset_fit(&in, &fit, &e), ERR_OK, "%s", e.text);
    cr_expect(fit.onset_found);
    cr_expect_float_eq(fit.onset_n, l.onset_n, 0.1, "onset %g", fit.onset_n);
    free_arrays(&a);
}

/* Every candidate by itself: the base columns and H_i in plain least squares. The gain is by how much the
 * residual sum falls, where the slip comes out positive. */
static void search_agrees(bool encoder, double runout_mm, uint64_t seed)
{
    struct loading l = PLAIN;
    struct arrays a;
    struct slip_onset_input in;
    struct slip_search q = {0};
    struct slip_search_normal base = {0};
    struct linear_fit plain, with;
    struct err e = {0};
    double gain[97], residuals[97], rows[97 * SLIP_SEARCH_ALL_MAX], base_sum;
    size_t compared = 0;
    l.seed = seed;
    l.noise_n = 0.42;
    l.noise_lost_mm = 0.006;
    l.runout_mm = runout_mm;
    l.turn_mm = 1.7;
    a = integrate(&l, 97);
    in = input_of(&a, encoder);
    in.ripple_count = runout_mm > 0;
    in.ripples[0].period_mm = 1.7;
    in.ripples[0].amplitude_mm = 0.02;
    cr_assert_eq(slip_search_set_up(&in, &q, &e), ERR_OK);
    slip_search_set_limit(&in, 0, &q);
    slip_search_set_ripples(&in, &q, 0, 0, 0);
    cr_assert(slip_search_fit_base(&q, &base));
    base_sum = slip_search_base_residuals(&q, &base, residuals);
    slip_search_gains(&q, &base, INFINITY, gain);
    for (size_t j = 0; j < q.n; j++)
        memcpy(rows + j * q.p, q.columns + j * SLIP_SEARCH_WIDTH, q.p * sizeof *rows);
    cr_assert_eq(linear_fit(rows, q.y, NULL, q.n, q.p, false, &plain, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(plain.residual_sum, base_sum, 1e-9 * base_sum);
    for (size_t i = 8; i + 8 <= q.n; i++) {
        double onset = q.f[i] / q.f_scale;
        for (size_t j = 0; j < q.n; j++) {
            double *row = rows + j * (q.p + 1);
            memcpy(row, q.columns + j * SLIP_SEARCH_WIDTH, q.p * sizeof *row);
            row[q.p] = j > i ? (q.w[j] - q.w[i]) - onset * (q.x[j] - q.x[i]) : 0;
        }
        cr_assert_eq(linear_fit(rows, q.y, NULL, q.n, q.p + 1, false, &with, &e), ERR_OK, "%s", e.text);
        double wanted = plain.residual_sum - with.residual_sum;
        bool forward = with.coefficients[q.p] * (encoder ? 1 : -1) > 0;
        cr_expect(fabs(gain[i] - (forward ? wanted : 0)) < 1e-9 * plain.residual_sum,
                  "seed %llu, candidate %zu: %g against %g (%d)", (unsigned long long)seed, i, gain[i],
                  wanted, forward);
        compared += forward;
    }
    cr_expect(compared > 20, "%zu candidates compared", compared);
    for (size_t i = 0; i < 3; i++)
        cr_expect(gain[i] == 0 && gain[q.n - 1 - i] == 0);
    slip_search_free(&q);
    free_arrays(&a);
}

Test(slip_onset, every_candidate_agrees_with_plain_least_squares)
{
    for (uint64_t seed = 311; seed < 314; seed++) {
        search_agrees(false, 0, seed);
        search_agrees(true, 0, seed);
        search_agrees(false, 0.011, seed);
        search_agrees(true, 0.011, seed);
    }
}

Test(slip_onset, the_lag_of_the_rotor_is_a_full_step_at_its_limit)
{
    cr_expect_float_eq(slip_onset_lag_mm(0.131, 117, 117), 0.131, 1e-12);
    cr_expect_float_eq(slip_onset_lag_mm(0.131, 58.5, 117), 0.131 / 3, 1e-12);
    cr_expect_float_eq(slip_onset_lag_mm(0.131, -58.5, 117), -0.131 / 3, 1e-12);
    cr_expect_float_eq(slip_onset_lag_mm(0.131, 400, 117), 0.131, 1e-12);
}
