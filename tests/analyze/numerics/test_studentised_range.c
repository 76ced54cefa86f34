#include "analyze/numerics/quantity.h"
#include "analyze/numerics/studentised_range.h"
#include "tests/analyze/numerics/near.h"

#include <criterion/criterion.h>
#include <gsl/gsl_cdf.h>
#include <math.h>

struct point {
    double q;
    int k;
    double degrees_of_freedom, probability;
};

/* Source: SciPy, scipy/stats/tests/data/studentized_range_mpmath_ref.json: the probability below q, worked
 * out with mpmath; a half of its 72 values, of every q. */
static const struct point BELOW[] = {
    {0.1, 3, 3, 0.0027502772229359594},    {0.1, 3, 10, 0.0027520560662338336},
    {0.1, 3, 120, 0.002752755744313648},   {0.1, 10, 3, 1.7362668562706085e-11},
    {0.1, 10, 50, 1.0862189999210748e-12}, {0.1, 10, 120, 9.159348906295542e-13},
    {0.1, 20, 3, 9.539763646681808e-22},   {0.1, 20, 10, 2.505275157135514e-24},
    {0.1, 20, 50, 5.571947730052616e-26},  {1, 3, 3, 0.22331624289542043},
    {1, 3, 10, 0.23510918942128056},       {1, 3, 120, 0.24023154593376422},
    {1, 10, 3, 0.003971273224673166},      {1, 10, 50, 0.000651656693149116},
    {1, 10, 120, 0.0005731712496327297},   {1, 20, 3, 9.2267674885784e-05},
    {1, 20, 10, 2.746798012658064e-06},    {1, 20, 50, 1.5682573722040226e-07},
    {4, 3, 3, 0.8711786295203324},         {4, 3, 10, 0.9566506502400175},
    {4, 3, 120, 0.9849546621386962},       {4, 10, 3, 0.6164875232404174},
    {4, 10, 50, 0.8450530667988544},       {4, 10, 120, 0.8611036193280976},
    {4, 20, 3, 0.46523135355387657},       {4, 20, 10, 0.5574947140294286},
    {4, 20, 50, 0.6318042819232383},       {10, 3, 3, 0.9881335633712994},
    {10, 3, 10, 0.999908236635449},        {10, 3, 120, 0.9999999996690216},
    {10, 10, 3, 0.9570401457077894},       {10, 10, 50, 0.9999997977351971},
    {10, 10, 120, 0.9999999950566264},     {10, 20, 3, 0.9312318042339768},
    {10, 20, 10, 0.9977643922032399},      {10, 20, 50, 0.9999991743904675},
};

/* Source: Gauss-Legendre integration in another program (NumPy, 400 by 800 points; the digits are those that
 * do not change with 700 by 1300). Small probabilities above q, few and fractional degrees of freedom, many
 * means; and the relative error that is promised. */
static const struct {
    struct point above;
    double promised;
} ABOVE[] = {
    {{7.31, 3, 2, 0.063977566229588}, 1e-12},    {{2.5, 4, 2, 0.47219493936691}, 1e-12},
    {{25.3, 5, 4.7, 8.885257404655e-05}, 1e-12}, {{12.6, 16, 8.25, 0.00067979505385120}, 1e-12},
    {{40, 3, 1, 0.033742535838936}, 1e-12},      {{9.2, 3, 47.5, 1.3130764571855e-07}, 1e-12},
    {{0.013, 2, 3, 0.99324275460789}, 1e-12},    {{31, 40, 120, 6.9367664461390e-41}, 1e-10},
    {{18, 128, 10, 0.00011990167314486}, 1e-7},  {{14, 128, 2000, 1.1138715867662e-18}, 1e-7},
};

Test(studentised_range, agrees_with_values_of_many_digits)
{
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof BELOW / sizeof BELOW[0]; i++) {
        const struct point *p = &BELOW[i];
        double above = studentised_range_upper(p->q, p->k, p->degrees_of_freedom);
        cr_expect_float_eq(1 - above, p->probability, 1e-12, "%g, %d, %g: %.17g", p->q, p->k,
                           p->degrees_of_freedom, 1 - above);
    }
}

Test(studentised_range, small_probabilities_keep_their_digits)
{
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof ABOVE / sizeof ABOVE[0]; i++) {
        const struct point *p = &ABOVE[i].above;
        expect_near(studentised_range_upper(p->q, p->k, p->degrees_of_freedom), p->probability,
                    ABOVE[i].promised);
    }
}

/* The range of two values is Student's t times sqrt(2), in closed form at any degrees of freedom. */
Test(studentised_range, two_means_are_students_t)
{
    static const double degrees[] = {1, 1.37, 2, 3.5, 7.3, 29, 400, 3.1e7},
                        q[] = {1e-3, 0.71, 3.6, 9.4, 31, 2e4};
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof degrees / sizeof degrees[0]; i++) {
        for (size_t j = 0; j < sizeof q / sizeof q[0]; j++) {
            double expected = 2 * gsl_cdf_tdist_Q(q[j] / M_SQRT2, degrees[i]);
            if (expected > 1e-250)
                expect_near(studentised_range_upper(q[j], 2, degrees[i]), expected, 1e-10);
        }
    }
    expect_near(studentised_range_upper(5, 2, INFINITY), 2 * gsl_cdf_ugaussian_Q(5 / M_SQRT2), 1e-13);
    expect_near(studentised_range_upper(30, 2, INFINITY), 2 * gsl_cdf_ugaussian_Q(30 / M_SQRT2), 1e-13);
}

/* Source: R, ptukey over the three t of R's t.test on `PlantGrowth` (Games and Howell). */
Test(studentised_range, fractional_degrees_agree_with_r)
{
    static const struct point pairs[] = {
        {0.371 / 0.311434851400203, 3, 16.523585056859300, .474554922194},
        {0.494 / 0.231487940650624, 3, 16.785764482605718, .112889176854},
        {0.865 / 0.2873660074229766, 3, 14.1035691227603408, .0237034547392}};
    quantity_init_numerics();
    for (size_t i = 0; i < 3; i++)
        expect_near(studentised_range_upper(M_SQRT2 * pairs[i].q, 3, pairs[i].degrees_of_freedom),
                    pairs[i].probability, 1e-10);
}

/* Source: the usual table of the studentised range at 5 %, to the digits of R's qtukey (3.314493: sigma
 * known). */
Test(studentised_range, quantiles_agree_with_the_table)
{
    static const struct point table[] = {{3.876777, 3, 10, .05},
                                         {4.046093, 4, 16, .05},
                                         {3.577935, 3, 20, .05},
                                         {4.231857, 5, 20, .05},
                                         {3.314493, 3, INFINITY, .05}};
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++)
        cr_expect_float_eq(studentised_range_quantile(.05, table[i].k, table[i].degrees_of_freedom),
                           table[i].q, 6e-7, "%d, %g", table[i].k, table[i].degrees_of_freedom);
    /* As many digits as the integral of the source above gives. */
    expect_near(studentised_range_quantile(.05, 3, 6), 4.33919547652034, 1e-12);
    expect_near(studentised_range_quantile(.05, 3, 27), 3.50642612335417, 1e-12);
}

Test(studentised_range, a_quantile_is_exceeded_with_its_probability)
{
    static const double p[] = {1e-9, 0.01, 0.05, 0.5, 0.999}, degrees[] = {1, 2, 4.6, 33, 1e5, INFINITY};
    static const int k[] = {2, 3, 7, 40};
    quantity_init_numerics();
    for (size_t i = 0; i < sizeof p / sizeof p[0]; i++) {
        for (size_t j = 0; j < sizeof degrees / sizeof degrees[0]; j++) {
            for (size_t l = 0; l < sizeof k / sizeof k[0]; l++) {
                double q = studentised_range_quantile(p[i], k[l], degrees[j]);
                expect_near(studentised_range_upper(q, k[l], degrees[j]), p[i], 1e-11);
            }
        }
    }
}

Test(studentised_range, the_ends_and_what_lies_outside)
{
    quantity_init_numerics();
    cr_expect_eq(studentised_range_upper(0, 3, 8), 1);
    cr_expect_eq(studentised_range_upper(-2, 3, 8), 1);
    cr_expect_eq(studentised_range_upper(INFINITY, 3, 8), 0);
    cr_expect_eq(studentised_range_upper(1e19, 3, INFINITY), 0);
    expect_near(studentised_range_upper(1e19, 2, 1), 2 * gsl_cdf_tdist_Q(1e19 / M_SQRT2, 1), 1e-10);
    cr_expect_lt(studentised_range_upper(1e19, 3, 8), 1e-100);
    cr_expect(isnan(studentised_range_upper(NAN, 3, 8)));
    cr_expect(isnan(studentised_range_upper(2, 1, 8)));
    cr_expect(isnan(studentised_range_upper(2, 3, 0.9)));
    cr_expect(isnan(studentised_range_upper(2, 3, NAN)));
    cr_expect(isnan(studentised_range_quantile(0, 3, 8)));
    cr_expect(isnan(studentised_range_quantile(1, 3, 8)));
    cr_expect(isnan(studentised_range_quantile(0.05, 1, 8)));
    cr_expect(isnan(studentised_range_quantile(0.05, 3, 0)));
}
