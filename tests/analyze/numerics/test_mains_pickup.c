/* Against sinusoids of known amplitude on known noise, noise alone, and one series worked out elsewhere. */
#include "analyze/numerics/mains_pickup.h"

#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { READINGS_MAX = 120000 };
static double t_s[READINGS_MAX], y[READINGS_MAX];
static gsl_rng *rng;

static void begin(void)
{
    const char *text = getenv("NIPBENCH_TEST_SEED");
    unsigned long seed = text != NULL ? strtoul(text, NULL, 10) : 20261129;
    quantity_init_numerics();
    rng = gsl_rng_alloc(gsl_rng_mt19937);
    cr_assert_not_null(rng);
    gsl_rng_set(rng, seed);
    cr_log_info("seed %lu", seed);
}

static void end(void)
{
    gsl_rng_free(rng);
}

TestSuite(mains_pickup, .init = begin, .fini = end);

/* White noise of that sd on a slow drift, on a clock that has run for a while. */
static void make_noise(size_t n, double rate_hz, double sd)
{
    cr_assert(n <= READINGS_MAX);
    for (size_t i = 0; i < n; i++) {
        t_s[i] = 86413.7 + (double)i / rate_hz;
        y[i] = 12.4 + 0.3 * (double)i / (double)n + (sd > 0 ? gsl_ran_gaussian(rng, sd) : 0);
    }
}

static void add_sine(size_t n, double hz, double amplitude)
{
    double phase = 2 * M_PI * gsl_rng_uniform(rng);
    for (size_t i = 0; i < n; i++)
        y[i] += amplitude * cos(2 * M_PI * hz * (t_s[i] - t_s[0]) + phase);
}

static struct mains_pickup find(size_t n)
{
    struct mains_pickup m;
    struct err e = {0};
    cr_assert_eq(mains_pickup_find(t_s, y, n, 0.01, &m, &e), ERR_OK, "%s", e.text);
    return m;
}

static bool any_found(const struct mains_pickup *m)
{
    bool any = false;
    for (int j = 0; j < MAINS_PICKUP_LINES; j++)
        any = any || m->lines[j].found;
    return any;
}

/* The same formulas by NumPy (lstsq, rfft) and SciPy (stats.f.sf), once, on readings that need no file. */
Test(mains_pickup, agrees_with_what_was_worked_out_elsewhere)
{
    static const struct {
        int line;
        double amplitude, u, p;
    } expected[] = {{0, 0.19758240, 0.00576060, 2.3824194736e-22},
                    {1, 0.08101098, 0.00402533, 1.2663374767e-16},
                    {3, 0.10916529, 0.00147865, 4.9390618489e-29}};
    for (int i = 0; i < 545; i++) {
        t_s[i] = i / 1000.0;
        y[i] = 0.3 * sin(7.1 * i * i) + 0.2 * cos(2 * M_PI * 50 * t_s[i] + 1) +
               0.1 * sin(2 * M_PI * 120 * t_s[i]);
    }
    struct mains_pickup m = find(545);
    for (size_t k = 0; k < 3; k++) {
        const struct mains_line *line = &m.lines[expected[k].line];
        cr_expect_float_eq(line->amplitude, expected[k].amplitude, 1e-8, "%.10g", line->amplitude);
        cr_expect_float_eq(line->standard_uncertainty, expected[k].u, 1e-8, "%.10g",
                           line->standard_uncertainty);
        cr_expect_float_eq(line->p_value / expected[k].p, 1, 1e-6, "%.10g", line->p_value);
    }
}

/* Mean and scatter over many draws: the standard uncertainty is the scatter, and no bias is left. */
Test(mains_pickup, amplitude_is_right_within_its_uncertainty)
{
    static const struct {
        double rate_hz, hz, amplitude, sd;
        size_t n;
        int line;
    } cases[] = {{1000, 50, 0.113, 0.3, 1090, 0},  {500, 60, 0.237, 0.3, 549, 1},
                 {1000, 100, 0.193, 0.41, 730, 2}, {4000, 120, 0.151, 0.83, 4361, 3},
                 {200, 50, 0.41, 0.3, 287, 0},     {50000, 120, 0.0871, 1.7, 54500, 3}};
    enum { DRAWS = 60 };
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        double sum = 0, square = 0, u = 0, noise = 0;
        int found = 0;
        for (int d = 0; d < DRAWS; d++) {
            make_noise(cases[k].n, cases[k].rate_hz, cases[k].sd);
            add_sine(cases[k].n, cases[k].hz, cases[k].amplitude);
            struct mains_pickup m = find(cases[k].n);
            double off = m.lines[cases[k].line].amplitude - cases[k].amplitude;
            sum += off / DRAWS;
            square += off * off / DRAWS;
            u += m.lines[cases[k].line].standard_uncertainty / DRAWS;
            noise += m.noise_sd / DRAWS;
            found += m.lines[cases[k].line].found;
        }
        cr_expect(fabs(sum) < 3.5 * u / sqrt(DRAWS) + 0.06 * u, "%g Hz at %g Hz: off by %g, u %g",
                  cases[k].hz, cases[k].rate_hz, sum, u);
        cr_expect(sqrt(square) > 0.7 * u && sqrt(square) < 1.4 * u, "%g Hz at %g Hz: scatter %g, u %g",
                  cases[k].hz, cases[k].rate_hz, sqrt(square), u);
        cr_expect(fabs(noise / cases[k].sd - 1) < 0.06, "%g Hz at %g Hz: noise %g of %g", cases[k].hz,
                  cases[k].rate_hz, noise, cases[k].sd);
        cr_expect(found == DRAWS, "%g Hz at %g Hz: found %d times", cases[k].hz, cases[k].rate_hz, found);
    }
}

/* What noise adds to the square of an amplitude is taken off: the sum over two blocks of two squares is below
 * its mean in 59 % of the draws (chi-square with 4 degrees of freedom), and then nothing is left. */
Test(mains_pickup, noise_alone_has_no_amplitude_more_often_than_not)
{
    enum { DRAWS = 300 };
    int none = 0;
    for (int d = 0; d < DRAWS; d++) {
        make_noise(1090, 1000, 0.3);
        none += find(1090).lines[2].amplitude == 0;
    }
    cr_expect(none > 141 && none < 213, "%d of %d", none, DRAWS);
}

/* At 1 % the number of false finds is binomial: 10 and a standard deviation of 3.1. */
Test(mains_pickup, noise_alone_is_taken_for_mains_as_often_as_stated)
{
    static const struct {
        double rate_hz;
        size_t n;
        bool coloured;
    } cases[] = {
        {1000, 1090, false}, {500, 203, false}, {3000, 1650, false}, {200, 287, false}, {1000, 1090, true}};
    enum { DRAWS = 1000 };
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        int found = 0;
        for (int d = 0; d < DRAWS; d++) {
            double before;
            make_noise(cases[k].n, cases[k].rate_hz, 0.3);
            before = y[0];
            /* A filter: noise that falls by a factor of three in power from low frequencies to 120 Hz. */
            for (size_t i = 0; cases[k].coloured && i < cases[k].n; i++)
                before = y[i] = 0.6 * before + 0.4 * y[i];
            struct mains_pickup m = find(cases[k].n);
            found += any_found(&m);
        }
        cr_expect(found > 1 && found < 23, "%zu readings at %g Hz: %d of %d", cases[k].n, cases[k].rate_hz,
                  found, DRAWS);
    }
}

Test(mains_pickup, what_is_called_detectable_is_found_at_least_every_second_time)
{
    enum { DRAWS = 300 };
    double amplitude = 0;
    int found = 0;
    for (int d = 0; d < 30; d++) {
        make_noise(1090, 1000, 0.3);
        amplitude += find(1090).detectable / 30;
    }
    for (int d = 0; d < DRAWS; d++) {
        make_noise(1090, 1000, 0.3);
        add_sine(1090, 60, amplitude);
        found += find(1090).lines[1].found;
    }
    cr_expect(found > 140 && found < 240, "%d of %d at %g", found, DRAWS, amplitude);
}

/* One strong line is not found at the others, and leaves their amplitudes alone. */
Test(mains_pickup, a_strong_line_leaks_nowhere)
{
    make_noise(1090, 1000, 0.1);
    add_sine(1090, 50, 7.3);
    struct mains_pickup m = find(1090);
    cr_expect(m.lines[0].found && fabs(m.lines[0].amplitude - 7.3) < 0.03, "%g", m.lines[0].amplitude);
    for (int j = 1; j < MAINS_PICKUP_LINES; j++)
        cr_expect(m.lines[j].amplitude < 0.03, "%g Hz: %g", MAINS_PICKUP_HZ[j], m.lines[j].amplitude);
    cr_expect(fabs(m.noise_sd - 0.1) < 0.02, "%g", m.noise_sd);
}

/* Mains strays by 0.2 Hz; half a second does not mind, however long the rest is. */
Test(mains_pickup, a_frequency_that_strays_is_found_in_a_long_rest)
{
    make_noise(20000, 1000, 0.3);
    add_sine(20000, 50.2, 0.4);
    struct mains_pickup m = find(20000);
    cr_expect(m.lines[0].found && fabs(m.lines[0].amplitude - 0.4) < 0.02, "%g", m.lines[0].amplitude);
}

Test(mains_pickup, noise_of_no_scatter_holds_nothing)
{
    make_noise(1090, 1000, 0);
    for (size_t i = 0; i < 1090; i++)
        y[i] = 12.5;
    struct mains_pickup m = find(1090);
    cr_expect(!any_found(&m));
    cr_expect(m.noise_sd == 0 && m.detectable == 0);
}

Test(mains_pickup, what_the_rate_cannot_show_is_not_looked_for)
{
    static const struct {
        double rate_hz;
        size_t n, visible;
    } cases[] = {{1000, 1000, 4}, {210, 300, 3}, {130, 200, 2}, {110, 200, 1}};
    struct mains_pickup m;
    struct err e = {0};
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        make_noise(cases[k].n, cases[k].rate_hz, 0.3);
        cr_expect_eq(find(cases[k].n).visible_count, cases[k].visible, "%g Hz", cases[k].rate_hz);
    }
    make_noise(40, 10, 0.3);
    cr_expect_eq(mains_pickup_find(t_s, y, 40, 0.01, &m, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "cannot show 50 Hz") != NULL, "%s", e.text);
    make_noise(150, 1000, 0.3);
    cr_expect_eq(mains_pickup_find(t_s, y, 150, 0.01, &m, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "shorter than 0.2 s") != NULL, "%s", e.text);
    make_noise(500, 1000, 0.3);
    y[317] = NAN;
    cr_expect_eq(mains_pickup_find(t_s, y, 500, 0.01, &m, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "reading 318") != NULL, "%s", e.text);
    cr_expect_eq(mains_pickup_find(t_s, y, 0, 0.01, &m, &e), ERR_NO_ANSWER);
}
