#include "analyze/numerics/ripple.h"

#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>

TestSuite(ripple, .init = quantity_init_numerics);

static const double PI = 3.14159265358979323846;

static double noise(unsigned *state)
{
    double sum = -6;
    for (int i = 0; i < 12; i++) {
        *state = *state * 1664525u + 1013904223u;
        sum += (*state >> 8) / 16777216.0;
    }
    return sum;
}

#define N 4000
static double turns[N], error[N];

static void make(double eccentric, double tooth, unsigned seed)
{
    for (int i = 0; i < N; i++) {
        turns[i] = 0.00113 * i;
        error[i] = 3.7 + 41.3 * turns[i] + eccentric * sin(2 * PI * turns[i] + 0.77) +
                   tooth * sin(2 * PI * 23 * turns[i] - 1.3) + 1.9 * noise(&seed);
    }
}

static enum err_code fit(struct ripple *r, struct err *e)
{
    struct ripple_input in = {.n = N,
                              .turns = turns,
                              .error = error,
                              .order_count = 2,
                              .orders = {1, 23},
                              .false_alarm = 0.01,
                              .order_most = 35};
    return ripple_fit(&in, r, e);
}

Test(ripple, two_orders_a_drift_and_noise_are_told_apart)
{
    struct ripple r;
    struct err e;
    make(13.4, 0.83, 19);
    cr_assert_eq(fit(&r, &e), ERR_OK, "%s", e.text);
    for (int k = 0; k < 2; k++) {
        double truth = k == 0 ? 13.4 : 0.83, off = fabs(r.sines[k].amplitude - truth);
        cr_expect(off < 3 * r.sines[k].standard_uncertainty, "%g", r.sines[k].amplitude);
        cr_expect(r.sines[k].standard_uncertainty > 0.02 && r.sines[k].standard_uncertainty < 0.1);
        cr_expect(r.sines[k].stands_out);
    }
    cr_expect(fabs(r.slope - 41.3) < 3 * r.slope_standard_error, "%g", r.slope);
    cr_expect_float_eq(r.residual_sd, 1.9, 0.1);
}

Test(ripple, noise_alone_does_not_stand_out)
{
    struct ripple r;
    struct err e;
    int claims = 0;
    for (unsigned seed = 1; seed <= 60; seed++) {
        make(0, 0, seed * 7919);
        cr_assert_eq(fit(&r, &e), ERR_OK);
        claims += r.sines[0].stands_out + r.sines[1].stands_out;
    }
    cr_expect(claims <= 1, "%d", claims);
}

Test(ripple, too_short_a_series_is_refused)
{
    struct ripple_input in = {.n = 12, .turns = turns, .error = error, .false_alarm = 0.01, .order_most = 5};
    struct ripple r;
    struct err e;
    cr_expect_eq(ripple_fit(&in, &r, &e), ERR_NO_ANSWER);
}

Test(ripple, runs_joined_see_what_one_alone_does_not)
{
    double weak[] = {0.31, 0.27, 0.34, 0.29, 0.33, 0.3}, u[] = {0.1, 0.1, 0.1, 0.1, 0.1, 0.1};
    struct ripple_joined one = ripple_join(weak, u, 1, 1e-4), all = ripple_join(weak, u, 6, 1e-4);
    cr_expect_not(one.stands_out);
    cr_expect(all.stands_out);
    /* Of what a run shows, one variance is off its square already; the second comes off here. */
    cr_expect_float_eq(all.amplitude, sqrt(0.09460 - 0.01), 1e-4);
    cr_expect(all.standard_uncertainty > 0.03 && all.standard_uncertainty < 0.06, "%g",
              all.standard_uncertainty);
    cr_expect(all.level < one.level);
}

Test(ripple, rounding_to_counts_is_told_by_what_it_does_at_an_order)
{
    /* Counts of 5 and a way of a sample that meets them nowhere: spread noise of that size would make more
     * than twice as much of it. Where the beat is the tooth's order it makes far more. */
    static double clean[N];
    struct ripple r;
    struct err e;
    double u[2], amplitude[2];
    for (int beat = 0; beat < 2; beat++) {
        double per_sample = beat ? 25 + 5 * 23 * 0.00113 : 16.9098300563;
        struct ripple_input in = {.n = N,
                                  .turns = turns,
                                  .error = error,
                                  .order_count = 2,
                                  .orders = {1, 23},
                                  .false_alarm = 0.01,
                                  .order_most = 35,
                                  .count = 5,
                                  .per_turn = per_sample / 0.00113};
        for (int i = 0; i < N; i++) {
            turns[i] = 0.00113 * i;
            clean[i] = per_sample * i + 1.7;
            error[i] = per_sample * i - 5 * floor(clean[i] / 5);
        }
        cr_assert_eq(ripple_fit(&in, &r, &e), ERR_OK, "%s", e.text);
        u[beat] = r.sines[1].standard_uncertainty;
        amplitude[beat] = r.sines[1].raw_amplitude;
    }
    double white = 5 / sqrt(12.0) * sqrt(2.0 / N);
    cr_expect(u[0] < white / 2, "%g of %g", u[0], white);
    cr_expect(u[1] > 20 * white, "%g of %g", u[1], white);
    cr_expect(amplitude[0] < 4 * u[0] && amplitude[1] < 3 * u[1], "%g %g, %g %g", amplitude[0], u[0],
              amplitude[1], u[1]);
}

Test(ripple, weak_sines_of_several_runs_hold_what_their_interval_says)
{
    enum { RUNS = 4 };
    unsigned state = 23;
    for (int strength = 0; strength < 3; strength++) {
        double truth = (double[]){0, 0.19, 0.37}[strength];
        int held = 0, claims = 0, weak = 0, all = truth > 0 ? 1000 : 4000;
        for (int series = 0; series < all; series++) {
            double amplitudes[RUNS], u[RUNS];
            for (int i = 0; i < RUNS; i++) {
                u[i] = 0.1 + 0.03 * i;
                double a = truth + u[i] * noise(&state), b = u[i] * noise(&state);
                amplitudes[i] = sqrt(fmax(0, a * a + b * b - u[i] * u[i]));
            }
            struct ripple_joined j = ripple_join(amplitudes, u, RUNS, 0.01);
            claims += j.stands_out;
            weak += j.weak;
            held += j.weak && j.low_95 <= truth && truth <= j.high_95;
        }
        double share = (double)held / weak, claimed = (double)claims / all;
        cr_expect(weak > all / 4, "%d", weak);
        if (truth == 0) {
            cr_expect(claimed > 0.005 && claimed < 0.015, "%g", claimed);
            continue;
        }
        cr_expect(share > 0.93 && share < 0.97, "amplitude %g: %g of %d", truth, share, weak);
    }
}
