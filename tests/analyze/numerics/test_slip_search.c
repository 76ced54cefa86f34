/* What the search leaves out, on loadings made here: feed is even, and the force follows s = c F + g max(0, F
 * - onset) with noise. */
#include "analyze/numerics/slip_search.h"

#include "analyze/numerics/quantity.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define SAMPLES_MOST 2000

TestSuite(slip_search, .init = quantity_init_numerics);

static double feed_mm[SAMPLES_MOST], force_n[SAMPLES_MOST], lost_mm[SAMPLES_MOST];

static void make_loading(size_t n, double noise_n, bool past_onset, struct model_random *draws)
{
    double stiffness = 30 + 20 * model_random_uniform(draws), creep = 0.001 * model_random_uniform(draws),
           onset_n = 20 + 60 * model_random_uniform(draws),
           gross = past_onset ? 0.002 + 0.04 * model_random_uniform(draws) : 0,
           step = (1.5 + 2 * model_random_uniform(draws)) / (double)n, f = 0, x = 0;
    for (size_t i = 0; i < n; i++) {
        feed_mm[i] = x;
        force_n[i] = f + noise_n * model_random_normal(draws);
        lost_mm[i] = x - f / stiffness + noise_n / 40 * model_random_normal(draws);
        for (int part = 0; part < 20; part++) {
            f += step / 20 * stiffness * (1 - creep * f - gross * fmax(0, f - onset_n));
            x += step / 20;
        }
    }
}

/* One loading, with all gains and as slip_onset asks for them. The best may not be left out, nor may the
 * onset that is read off the gains depend on what was. Returns how many were left out. */
static size_t compare(size_t n, bool encoder, size_t ripples, const char *legend)
{
    static double all[SAMPLES_MOST], some[SAMPLES_MOST];
    struct slip_onset_input in = {.n = n,
                                  .feed_mm = feed_mm,
                                  .force_n = force_n,
                                  .lost_mm = encoder ? lost_mm : NULL,
                                  .ripple_count = ripples,
                                  .ripples = {{25.1, 0.02}, {0.71, 0.002}}};
    struct slip_search q;
    struct slip_search_normal base = {0};
    struct err e = {0};
    static double residuals[SAMPLES_MOST];
    size_t best = 0, left_out = 0;
    cr_assert_eq(slip_search_set_up(&in, &q, &e), ERR_OK, "%s: %s", legend, e.text);
    slip_search_set_limit(&in, 0, &q);
    slip_search_set_ripples(&in, &q, 0, 0, 0);
    if (ripples > 0)
        slip_search_set_priors(&in, &q, 1, (const double[2]){0.02, 0.002}, 1e-5);
    cr_assert(slip_search_fit_base(&q, &base), "%s", legend);
    slip_search_gains(&q, &base, INFINITY, all);
    for (size_t i = 0; i < n; i++) {
        cr_assert(!isnan(all[i]), "%s: sample %zu was left out", legend, i);
        best = all[i] > all[best] ? i : best;
    }
    /* The scatter that an onset at the best sample leaves is the least that slip_onset could come with. */
    double variance =
               fmax(0, slip_search_base_residuals(&q, &base, residuals) - all[best]) / (double)(n - q.p),
           within = SLIP_SEARCH_NEAR * variance, worst = -INFINITY;
    slip_search_gains(&q, &base, within, some);
    for (size_t i = 0; i < n; i++) {
        if (isnan(some[i])) {
            left_out++;
            worst = fmax(worst, all[i]);
        } else {
            cr_assert_eq(some[i], all[i], "%s: sample %zu", legend, i);
        }
    }
    cr_expect(worst < all[best], "%s: one left out has %g, the best %g", legend, worst, all[best]);
    cr_expect_eq(slip_search_refine(some, n, variance), slip_search_refine(all, n, variance), "%s", legend);
    slip_search_free(&q);
    return left_out;
}

Test(slip_search, what_is_left_out_is_not_the_best)
{
    uint64_t seed = getenv("NIPBENCH_TEST_SEED") ? strtoull(getenv("NIPBENCH_TEST_SEED"), NULL, 10) : 70517;
    static const size_t sizes[] = {30, 47, 128, 128, 517, 2000};
    static const double noises[] = {0.003, 0.05, 0.4, 1} /* of a mean of many readings */;
    struct model_random draws = {seed};
    size_t left_out = 0, samples = 0;
    fprintf(stderr, "seed %llu\n", (unsigned long long)seed);
    for (int round = 0; round < 960; round++) {
        size_t n = sizes[round % 6];
        double noise_n = noises[round / 6 % 4];
        bool encoder = round / 24 % 2 == 1, past_onset = round / 48 % 4 != 0;
        size_t ripples = (size_t)round / 192 % 3;
        char legend[120];
        make_loading(n, noise_n, past_onset, &draws);
        snprintf(legend, sizeof legend, "round %d, %zu samples, noise %g N%s, %zu ripples", round, n, noise_n,
                 encoder ? ", encoder" : "", ripples);
        left_out += compare(n, encoder, ripples, legend);
        samples += n;
    }
    fprintf(stderr, "%zu of %zu samples left out\n", left_out, samples);
    cr_expect(left_out > samples / 4, "%zu of %zu", left_out, samples);
}

/* The vertex of an exact parabola, and the greatest where the points are none. */
Test(slip_search, the_vertex_is_between_samples)
{
    static const double gain[] = {0, 0, 1, 4, 6, 7, 6.5, 5, 2, 0, 0}, ramp[] = {0, 0, 1, 2, 3, 4, 5};
    double exact[21];
    for (int i = 0; i < 21; i++)
        exact[i] = 90 - (i - 11.3) * (i - 11.3) / 2;
    cr_expect_float_eq(slip_search_refine(exact, 21, 3), 11.3, 1e-12);
    double vertex = slip_search_refine(gain, 11, 1);
    cr_expect(vertex > 4.5 && vertex < 6, "%g", vertex);
    cr_expect_eq(slip_search_refine(ramp, 7, 1), 0, "the greatest lies at the end");
}
