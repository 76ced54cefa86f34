/* Power of the two one-sided tests and the interval of a standard deviation. Figures to twelve digits: R 4.2,
 * integrate() of pnorm(margin - t s) - pnorm(-margin + t s) over the density 2 df s dchisq(df s^2, df); the
 * verdicts themselves are drawn too. */
#include "analyze/numerics/design_compare.h"
#include "analyze/numerics/difference.h"
#include "analyze/numerics/equivalence_power.h"
#include "analyze/numerics/quantity.h"
#include "analyze/numerics/sd_interval.h"

#include <criterion/criterion.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

TestSuite(equivalence_power, .init = quantity_init_numerics);

Test(equivalence_power, agrees_with_integration_by_another_program)
{
    static const struct {
        struct power_design design;
        int repeats;
        double margin, difference, power;
    } rows[] = {
        {{2, false, 1, 0.05, NULL}, 8, 1.5, 0, 0.772004037284},
        {{2, true, 1, 0.05, NULL}, 8, 1.5, 0, 0.708063901653},
        {{2, false, 1.3, 0.05, NULL}, 5, 2, 0, 0.451473339370},
        {{2, false, 1, 0.05, NULL}, 12, 1, 0.2, 0.485781157675},
        {{2, true, 1, 0.05, NULL}, 3, 2.3, 0, 0.386696310528},
        {{3, false, 0.7, 0.05, NULL}, 20, 0.6, 0, 0.403076591854},
        {{4, true, 0.85, 0.1, NULL}, 9, 1.1, -0.35, 0.276367676671},
        {{2, false, 1, 0.05, NULL}, 4, 0.8, 0, 0.012498774417},
        {{2, false, 2.4, 0.01, NULL}, 400, 0.7, 0.1, 0.876884736153},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        cr_expect_float_eq(
            equivalence_power(&rows[i].design, rows[i].repeats, rows[i].margin, rows[i].difference),
            rows[i].power, 1e-9, "row %zu", i);
}

/* Share of drawn pairs of feeders that the verdict calls equivalent; the pair differs by difference. */
static double drawn_share(gsl_rng *rng, const struct power_design *d, int repeats, double margin,
                          double difference, int draws)
{
    int called = 0;
    for (int i = 0; i < draws; i++) {
        double a[32], b[32];
        struct difference got;
        for (int k = 0; k < repeats; k++) {
            /* A block effect that is larger than the scatter. */
            double block = d->blocks ? gsl_ran_gaussian(rng, 3) : 0;
            a[k] = difference + block + gsl_ran_gaussian(rng, d->sd);
            b[k] = block + gsl_ran_gaussian(rng, d->sd);
        }
        if (d->blocks) {
            difference_paired(a, b, (size_t)repeats, &got, NULL);
        } else {
            double ma, mb, sa, sb;
            difference_mean_sd(a, (size_t)repeats, &ma, &sa);
            difference_mean_sd(b, (size_t)repeats, &mb, &sb);
            got.mean = ma - mb;
            got.standard_error = sqrt((sa * sa + sb * sb) / repeats);
            got.degrees_of_freedom = 2 * (repeats - 1);
        }
        called +=
            design_equivalence_p(got.mean, got.standard_error, got.degrees_of_freedom, margin) < d->level;
    }
    return (double)called / draws;
}

Test(equivalence_power, drawn_feeders_are_called_alike_as_often_as_forecast)
{
    static const struct {
        struct power_design design;
        int repeats;
        double margin, difference;
    } rows[] = {{{2, true, 1.2, 0.05, NULL}, 7, 2.1, 0},
                {{2, false, 1.2, 0.05, NULL}, 5, 2.4, 0.5},
                {{2, true, 0.8, 0.1, NULL}, 4, 1.3, 0}};
    enum { DRAWS = 40000 };
    const unsigned long seed = 20417;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    cr_assert_not_null(rng);
    gsl_rng_set(rng, seed);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        double power =
            equivalence_power(&rows[i].design, rows[i].repeats, rows[i].margin, rows[i].difference);
        double share =
            drawn_share(rng, &rows[i].design, rows[i].repeats, rows[i].margin, rows[i].difference, DRAWS);
        cr_expect_float_eq(share, power, 4 * sqrt(power * (1 - power) / DRAWS), "row %zu, seed %lu: %g of %g",
                           i, seed, share, power);
    }
    gsl_rng_free(rng);
}

Test(equivalence_power, least_repeats_are_those_of_another_program)
{
    static const struct {
        struct power_design design;
        double margin, power;
        int repeats;
    } rows[] = {{{2, false, 1, 0.05, NULL}, 1.5, 0.8, 9},
                {{2, true, 1, 0.05, NULL}, 1.5, 0.8, 10},
                {{3, true, 0.85, 0.05, NULL}, 0.7, 0.9, 44},
                {{2, true, 1, 0.05, NULL}, 6, 0.5, 2}};
    struct err e;
    int repeats;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        cr_expect_eq(equivalence_repeats(&rows[i].design, rows[i].margin, rows[i].power, &repeats, &e),
                     ERR_OK);
        cr_expect_eq(repeats, rows[i].repeats, "row %zu: %d", i, repeats);
    }
    cr_expect_eq(equivalence_repeats(&rows[0].design, 1e-4, 0.8, &repeats, &e), ERR_NO_ANSWER);
}

Test(equivalence_power, margin_of_present_repeats)
{
    const struct power_design d = {2, true, 1.25, 0.05, NULL}, many = {5, false, 0.03, 0.05, NULL};
    struct err e;
    double margin;
    /* R: uniroot() over the integral above. */
    cr_expect_eq(equivalence_margin(&d, 6, 0.8, &margin, &e), ERR_OK);
    cr_expect_float_eq(margin, 2.470184414231, 1e-8);
    cr_expect_eq(equivalence_margin(&many, 150, 0.95, &margin, &e), ERR_OK);
    cr_expect_float_eq(equivalence_power(&many, 150, margin, 0), 0.95, 1e-8);
}

Test(equivalence_power, nonsense_has_no_answer)
{
    const struct power_design d = {2, true, 1, 0.05, NULL}, none = {1, true, 1, 0.05, NULL},
                              flat = {2, true, 0, 0.05, NULL};
    struct err e;
    int repeats;
    double margin;
    cr_expect(isnan(equivalence_power(&d, 1, 1, 0)));
    cr_expect(isnan(equivalence_power(&d, 5, 0, 0)));
    cr_expect(isnan(equivalence_power(&d, 5, 1, NAN)));
    cr_expect(isnan(equivalence_power(&none, 5, 1, 0)));
    cr_expect(isnan(equivalence_power(&flat, 5, 1, 0)));
    cr_expect_eq(equivalence_repeats(&none, 1, 0.8, &repeats, &e), ERR_CALLER);
    cr_expect_eq(equivalence_repeats(&d, -1, 0.8, &repeats, &e), ERR_CALLER);
    cr_expect_eq(equivalence_repeats(&d, 1, 0.05, &repeats, &e), ERR_CALLER);
    cr_expect_eq(equivalence_margin(&d, 1, 0.8, &margin, &e), ERR_CALLER);
    cr_expect_eq(equivalence_margin(&flat, 4, 0.8, &margin, &e), ERR_CALLER);
}

Test(equivalence_power, degrees_of_freedom_of_designs)
{
    const struct power_design blocks = {3, true, 1, 0.05, NULL}, groups = {3, false, 1, 0.05, NULL};
    cr_expect_float_eq(power_degrees_of_freedom(&blocks, 6), 10, 0);
    cr_expect_float_eq(power_degrees_of_freedom(&groups, 6), 15, 0);
    cr_expect(isnan(power_degrees_of_freedom(&groups, 1)));
}

/* R: sd * sqrt(df / qchisq(c(.975, .025), df)). */
Test(equivalence_power, interval_of_a_standard_deviation)
{
    static const struct {
        double sd, degrees_of_freedom, low, high;
    } rows[] = {{1.3, 5, 0.8114704029367, 3.188398185113},
                {0.42, 2, 0.2186764720135, 2.639588572524},
                {7.1, 61.5, 6.036980536541, 8.620907565553}};
    double low, high;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        sd_interval(rows[i].sd, rows[i].degrees_of_freedom, &low, &high);
        cr_expect_float_eq(low, rows[i].low, 1e-10);
        cr_expect_float_eq(high, rows[i].high, 1e-10);
    }
    sd_interval(1.7, INFINITY, &low, &high);
    cr_expect(low == 1.7 && high == 1.7);
    sd_interval(1.7, 0, &low, &high);
    cr_expect(isnan(low) && isnan(high));
}
