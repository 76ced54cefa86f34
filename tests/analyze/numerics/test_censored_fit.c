#include "analyze/numerics/censored_fit.h"
#include "analyze/numerics/quantity.h"

#include <criterion/criterion.h>
#include <math.h>

/* Source: Tobin, Econometrica 26 (1958) 24-36, durable goods bought against age and liquidity, as in the data
 * set `tobin` of R's package survival; results of its survreg(dist = "gaussian"). Zeros there are upper
 * bounds; with the sign of the goods turned they are lower bounds, and the coefficients change sign. */
static const double TOBIN[20][3] = {{0.0, 57.7, 236}, {0.7, 50.9, 283}, {0.0, 48.5, 207},  {0.0, 41.7, 220},
                                    {0.0, 47.7, 238}, {0.0, 59.8, 216}, {0.0, 44.3, 284},  {3.7, 45.1, 221},
                                    {0.0, 51.7, 275}, {3.0, 50.0, 269}, {10.4, 46.8, 207}, {0.0, 58.0, 249},
                                    {0.0, 58.9, 246}, {0.0, 40.0, 277}, {1.5, 34.1, 231},  {0.0, 39.9, 219},
                                    {0.0, 33.4, 240}, {3.5, 48.1, 266}, {6.1, 46.6, 214},  {0.0, 53.1, 251}};

Test(censored_fit, agrees_with_an_independent_program_on_published_data)
{
    double columns[20 * CENSORED_FIT_COLUMNS_MAX], y[20], coefficients[3], sigma, log_likelihood;
    bool at_least[20];
    struct censored_points points = {.columns = columns, .y = y, .at_least = at_least, .n = 20};
    quantity_init_numerics();
    for (int i = 0; i < 20; i++) {
        columns[3 * i] = 1;
        columns[3 * i + 1] = TOBIN[i][1] / 50;
        columns[3 * i + 2] = TOBIN[i][2] / 250;
        y[i] = -TOBIN[i][0];
        at_least[i] = !(TOBIN[i][0] > 0);
    }
    cr_assert(censored_fit(&points, 3, coefficients, &sigma, &log_likelihood));
    cr_expect_float_eq(-coefficients[0], 15.144866332221, 1e-7, "%.12f", -coefficients[0]);
    cr_expect_float_eq(-coefficients[1] / 50, -0.129059283864553, 1e-9, "%.12f", -coefficients[1] / 50);
    cr_expect_float_eq(-coefficients[2] / 250, -0.045541662889678, 1e-9, "%.12f", -coefficients[2] / 250);
    cr_expect_float_eq(sigma, 5.5725397659952, 1e-8, "%.12f", sigma);
    cr_expect_float_eq(log_likelihood, -28.940133199721, 1e-11, "%.12f", log_likelihood);
}

/* Source: tables of the normal distribution; R's pnorm(u, lower.tail = FALSE, log.p = TRUE) and dnorm(u) /
 * pnorm(u, ...). */
Test(censored_fit, survival_is_right_from_the_middle_to_the_far_tails)
{
    static const struct {
        double u, value, hazard;
    } cases[] = {{0, -0.693147180559945, 0.797884560802865},
                 {5, -15.064998393989, 5.1865039671258},
                 {45, -1017.226094242, 45.022200329},
                 {-45, 0, 0}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double hazard, slope;
        quantity_init_numerics();
        cr_expect_float_eq(censored_fit_log_survival(cases[i].u, &hazard, &slope), cases[i].value,
                           1e-12 + 1e-12 * fabs(cases[i].value), "u = %g", cases[i].u);
        cr_expect_float_eq(hazard, cases[i].hazard, 1e-9, "u = %g: %.12g", cases[i].u, hazard);
        cr_expect(slope >= 0 && slope <= 1, "u = %g: slope %g", cases[i].u, slope);
    }
}

Test(censored_fit, bounds_alone_determine_nothing)
{
    static const double columns[] = {1, 0, 0, 1, 0, 0, 1, 0, 0}, y[] = {2.1, 2.3, 1.9};
    static const bool all[] = {true, true, true}, far_below[] = {false, false, true};
    static const double with_low[] = {2.1, 2.3, -1e6};
    struct censored_points bounds = {.columns = columns, .y = y, .at_least = all, .n = 3},
                           low = {.columns = columns, .y = with_low, .at_least = far_below, .n = 3};
    double mean, sigma, log_likelihood;
    quantity_init_numerics();
    cr_expect_not(censored_fit(&bounds, 1, &mean, &sigma, &log_likelihood));
    cr_assert(censored_fit(&low, 1, &mean, &sigma, &log_likelihood));
    cr_expect_float_eq(mean, 2.2, 1e-12, "a bound far below says nothing");
    cr_expect_float_eq(sigma, 0.1, 1e-12);
}

/* Twelve values at three places, two of them bounds: as they are, and with the known ones of a place as one
 * row; and from what an earlier fit of other points has left. */
Test(censored_fit, rows_for_several_values_and_a_start_give_the_same_answer)
{
    static const double place[] = {0.2, 0.2, 0.2, 0.2, 0.7, 0.7, 0.7, 1.3, 1.3, 1.3, 0.7, 1.3};
    static const double value[] = {1.13, 1.21, 1.08, 1.17, 1.62, 1.71, 1.58, 2.33, 2.21, 2.27, 1.74, 2.11};
    double columns[12 * CENSORED_FIT_COLUMNS_MAX] = {0}, few[5 * CENSORED_FIT_COLUMNS_MAX] = {0}, y[5] = {0},
                        likely[5] = {NAN, NAN, NAN, NAN, NAN}, squares = 0, expected[3], found[3];
    bool at_least[12] = {false}, few_at_least[5] = {false, false, false, true, true};
    struct censored_points all = {.columns = columns, .y = value, .at_least = at_least, .n = 12}, rows;
    quantity_init_numerics();
    at_least[10] = at_least[11] = true;
    for (size_t i = 0, row = 0; i < 12; i++) {
        columns[3 * i] = 1;
        columns[3 * i + 1] = place[i];
        if (i > 0 && i < 10 && place[i] == place[i - 1])
            continue;
        size_t n = 0;
        double sum = 0;
        for (size_t j = i; j < (i < 10 ? 10u : i + 1) && place[j] == place[i]; j++, n++)
            sum += value[j];
        for (size_t j = i; j < i + n; j++)
            squares += (value[j] - sum / (double)n) * (value[j] - sum / (double)n);
        few[3 * row] = sqrt((double)n);
        few[3 * row + 1] = sqrt((double)n) * place[i];
        y[row++] = sum / sqrt((double)n);
    }
    rows = (struct censored_points){.columns = few,
                                    .y = y,
                                    .at_least = few_at_least,
                                    .n = 5,
                                    .more = 7,
                                    .squares = squares,
                                    .likely = likely};
    cr_assert(censored_fit(&all, 2, expected, &expected[2], &(double){0}));
    for (int again = 0; again < 3; again++) {
        double log_likelihood, expected_likelihood;
        censored_fit(&all, 2, expected, &expected[2], &expected_likelihood);
        cr_assert(censored_fit(&rows, 2, found, &found[2], &log_likelihood));
        for (int j = 0; j < 3; j++)
            cr_expect_float_eq(found[j], expected[j], 1e-8, "%d: %.12g, not %.12g", j, found[j], expected[j]);
        cr_expect_float_eq(log_likelihood, expected_likelihood, 1e-10);
        cr_expect_gt(likely[3], y[3], "a bound stands for more than itself");
        if (again == 1)
            likely[3] = 7.5; /* a start that is far off */
    }
}
