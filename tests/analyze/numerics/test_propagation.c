/* Source: JCGM 100:2008 (GUM), annexes H.2 (simultaneous resistance and reactance) and H.3 (thermometer).
 * Figures with more digits than it prints were recomputed from its data. */
#include "analyze/numerics/difference.h"
#include "analyze/numerics/propagation.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static void assert_near(double value, double expected, double tolerance)
{
    cr_assert(fabs(value - expected) <= tolerance, "%.15g, expected %.15g", value, expected);
}

static void add(struct propagation_inputs *in, const char *name, const char *unit, double value, double u,
                double degrees)
{
    struct budget_component c = {.standard_uncertainty = u, .degrees_of_freedom = degrees};
    strcpy(c.name, name);
    strcpy(c.unit, unit);
    cr_assert_eq(propagation_add(in, &c, value, NULL), ERR_OK);
}

enum { OBSERVATIONS = 5 };
static const double VOLT[OBSERVATIONS] = {5.007, 4.994, 5.005, 4.990, 4.999};
static const double AMPERE[OBSERVATIONS] = {19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3};
static const double RADIAN[OBSERVATIONS] = {1.0456, 1.0438, 1.0468, 1.0428, 1.0433};

static double correlation_of_means(const double *a, const double *b)
{
    double mean_a, mean_b, sd_a, sd_b, sum = 0;
    difference_mean_sd(a, OBSERVATIONS, &mean_a, &sd_a);
    difference_mean_sd(b, OBSERVATIONS, &mean_b, &sd_b);
    for (int i = 0; i < OBSERVATIONS; i++)
        sum += (a[i] - mean_a) * (b[i] - mean_b);
    return sum / (OBSERVATIONS - 1) / (sd_a * sd_b);
}

static void h2_inputs(struct propagation_inputs *in)
{
    static const double *const SERIES[] = {VOLT, AMPERE, RADIAN};
    static const char *const NAMES[] = {"voltage", "current", "phase"}, *const UNITS[] = {"V", "A", "rad"};
    memset(in, 0, sizeof *in);
    for (int i = 0; i < 3; i++) {
        double mean, sd;
        difference_mean_sd(SERIES[i], OBSERVATIONS, &mean, &sd);
        add(in, NAMES[i], UNITS[i], mean, sd / sqrt(OBSERVATIONS), OBSERVATIONS - 1);
    }
    for (size_t i = 0; i < 3; i++) {
        for (size_t j = 0; j < i; j++)
            cr_assert_eq(
                budget_correlate(&in->budget, i, j, correlation_of_means(SERIES[i], SERIES[j]), NULL),
                ERR_OK);
    }
}

static bool h2_model(const double *x, double *y, void *context)
{
    (void)context;
    y[0] = x[0] / x[1] * cos(x[2]);
    y[1] = x[0] / x[1] * sin(x[2]);
    y[2] = x[0] / x[1];
    return true;
}

/* Correlations of the inputs as the annex prints them: -0.36, 0.86, -0.65. */
Test(propagation, gum_h2_inputs_are_correlated_as_printed)
{
    struct propagation_inputs in;
    h2_inputs(&in);
    assert_near(in.budget.correlation[0][1], -0.36, 0.005);
    assert_near(in.budget.correlation[0][2], 0.86, 0.005);
    assert_near(in.budget.correlation[1][2], -0.65, 0.005);
}

/* Published: R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236), r -0.588, -0.485, 0.993. The published
 * u(X) comes from rounded correlations; recomputed 0.2955817. */
Test(propagation, gum_h2_comes_out_in_all_nine_numbers)
{
    struct propagation_inputs in;
    struct propagation p;
    h2_inputs(&in);
    cr_assert_eq(propagation_run(h2_model, NULL, &in, NULL, 3, &p, NULL), ERR_OK);
    assert_near(p.values[0], 127.732170, 5e-7);
    assert_near(p.values[1], 219.846512, 5e-7);
    assert_near(p.values[2], 254.259702, 5e-7);
    assert_near(p.standard_uncertainties[0], 0.0710714, 5e-8);
    assert_near(p.standard_uncertainties[1], 0.2955817, 5e-8);
    assert_near(p.standard_uncertainties[2], 0.2363361, 5e-8);
    assert_near(p.correlation[0][1], -0.588, 5e-4);
    assert_near(p.correlation[0][2], -0.485, 5e-4);
    assert_near(p.correlation[1][2], 0.993, 5e-4);
    for (int k = 0; k < 3; k++) {
        cr_assert_not(p.doubtful[k]);
        assert_near(p.degrees_of_freedom[k], 4,
                    1e-12); /* all inputs from the same five sets of observations */
    }
}

/* The annex's second approach: work R, X, Z out for each set, then take means. Same uncertainties to first
 * order. */
Test(propagation, gum_h2_agrees_with_its_second_approach)
{
    struct propagation_inputs in;
    struct propagation p;
    double y[3][OBSERVATIONS];
    h2_inputs(&in);
    cr_assert_eq(propagation_run(h2_model, NULL, &in, NULL, 3, &p, NULL), ERR_OK);
    for (int i = 0; i < OBSERVATIONS; i++) {
        double x[3] = {VOLT[i], AMPERE[i], RADIAN[i]}, out[3];
        h2_model(x, out, NULL);
        for (int k = 0; k < 3; k++)
            y[k][i] = out[k];
    }
    for (int k = 0; k < 3; k++) {
        double mean, sd;
        difference_mean_sd(y[k], OBSERVATIONS, &mean, &sd);
        assert_near(p.values[k], mean, 1e-3);
        assert_near(p.standard_uncertainties[k] / (sd / sqrt(OBSERVATIONS)), 1, 4e-3);
    }
}

static void h2_sensitivities(const double *x, double *c)
{
    double v = x[0], i = x[1], phi = x[2];
    const double rows[9] = {cos(phi) / i,
                            -v / (i * i) * cos(phi),
                            -v / i * sin(phi),
                            sin(phi) / i,
                            -v / (i * i) * sin(phi),
                            v / i * cos(phi),
                            1 / i,
                            -v / (i * i),
                            0};
    memcpy(c, rows, sizeof rows);
}

Test(propagation, differences_agree_with_derivatives_to_nine_digits)
{
    struct propagation_inputs in;
    struct propagation numeric, supplied;
    double c[9];
    h2_inputs(&in);
    h2_sensitivities(in.values, c);
    cr_assert_eq(propagation_run(h2_model, NULL, &in, NULL, 3, &numeric, NULL), ERR_OK);
    cr_assert_eq(propagation_run(h2_model, NULL, &in, c, 3, &supplied, NULL), ERR_OK);
    for (int k = 0; k < 3; k++) {
        for (int i = 0; i < 3; i++) {
            assert_near(numeric.sensitivities[k][i], c[k * 3 + i], 1e-9 * fmax(1, fabs(c[k * 3 + i])));
            cr_assert_eq(supplied.sensitivities[k][i], c[k * 3 + i]);
        }
        assert_near(numeric.standard_uncertainties[k] / supplied.standard_uncertainties[k], 1, 1e-9);
    }
}

Test(propagation, supplied_sensitivities_are_taken_as_they_are)
{
    struct propagation_inputs in;
    struct propagation p;
    double c[9];
    h2_inputs(&in);
    h2_sensitivities(in.values, c);
    for (int i = 0; i < 9; i++)
        c[i] *= 2;
    cr_assert_eq(propagation_run(h2_model, NULL, &in, c, 3, &p, NULL), ERR_OK);
    assert_near(p.standard_uncertainties[2], 2 * 0.2363361, 1e-7);
}

Test(propagation, the_budget_of_an_output_adds_up_to_its_uncertainty)
{
    struct propagation_inputs in;
    struct propagation p;
    struct budget b;
    h2_inputs(&in);
    cr_assert_eq(propagation_run(h2_model, NULL, &in, NULL, 3, &p, NULL), ERR_OK);
    for (size_t k = 0; k < 3; k++) {
        propagation_budget(&p, &in, k, &b);
        cr_assert_eq(b.count, 3);
        cr_assert_str_eq(b.components[2].name, "phase");
        cr_assert_str_eq(b.components[2].unit, "rad");
        assert_near(budget_standard_uncertainty(&b), p.standard_uncertainties[k], 1e-12);
    }
    cr_assert_eq(b.components[2].contribution, 0); /* the impedance does not depend on the phase */
    assert_near(b.components[1].contribution,
                p.values[2] * in.budget.components[1].standard_uncertainty / in.values[1], 1e-9);
}

static bool h3_model(const double *x, double *y, void *context)
{
    (void)context;
    y[0] = x[0] + x[1] * (30 - 20);
    return true;
}

/* H.3.4: b(30) = -0.1494 degrees, u 0.0041; recomputed -0.149376812732, 0.00413859575285. */
Test(propagation, gum_h3_predicts_the_correction_at_30_degrees)
{
    struct propagation_inputs in;
    struct propagation p;
    memset(&in, 0, sizeof in);
    add(&in, "intercept", "degC", -0.17120379013135, 0.002877597835160, 9);
    add(&in, "slope", "1", 0.00218269773989, 0.000667938773228, 9);
    cr_assert_eq(budget_correlate(&in.budget, 0, 1, -0.930429603093, NULL), ERR_OK);
    cr_assert_eq(propagation_run(h3_model, NULL, &in, NULL, 1, &p, NULL), ERR_OK);
    assert_near(p.values[0], -0.149376812732, 1e-12);
    assert_near(p.standard_uncertainties[0], 0.00413859575285, 1e-12);
    assert_near(p.degrees_of_freedom[0], 9, 1e-12);
}

static bool squares(const double *x, double *y, void *context)
{
    (void)context;
    y[0] = x[0] * x[0] + x[1] * x[1];
    y[1] = x[0] * x[1];
    y[2] = x[0] + 2 * x[1];
    return true;
}

/* JCGM 101 9.4 (comparison loss): at 0 the linear uncertainty of a sum of squares is 0, and the true one is 2
 * u^2 for normal inputs. A product of such inputs has u^2. */
Test(propagation, squares_near_zero_are_called_doubtful)
{
    struct propagation_inputs in;
    struct propagation p;
    memset(&in, 0, sizeof in);
    add(&in, "x1", "1", 0, 0.005, INFINITY);
    add(&in, "x2", "1", 0, 0.005, INFINITY);
    cr_assert_eq(propagation_run(squares, NULL, &in, NULL, 3, &p, NULL), ERR_OK);
    assert_near(p.standard_uncertainties[0], 0, 1e-12);
    cr_assert(p.doubtful[0] && p.doubtful[1]);
    cr_assert_not(p.doubtful[2]);
    assert_near(p.second_order[0], 2 * 0.005 * 0.005, 1e-15);
    assert_near(p.second_order[1], 0.005 * 0.005, 1e-15);
    assert_near(p.standard_uncertainties[2], 0.005 * sqrt(5), 1e-12);
    in.values[0] = 0.413;
    cr_assert_eq(propagation_run(squares, NULL, &in, NULL, 3, &p, NULL), ERR_OK);
    cr_assert_not(p.doubtful[0]);
    cr_assert_not(p.doubtful[1]);
}

static bool root(const double *x, double *y, void *context)
{
    (void)context;
    y[0] = sqrt(x[0]);
    return x[0] >= 0;
}

Test(propagation, a_model_that_ends_within_one_uncertainty_is_doubtful)
{
    struct propagation_inputs in;
    struct propagation p;
    memset(&in, 0, sizeof in);
    add(&in, "x", "1", 0.3, 0.4, 12);
    cr_assert_eq(propagation_run(root, NULL, &in, NULL, 1, &p, NULL), ERR_OK);
    cr_assert(p.doubtful[0] && isnan(p.second_order[0]));
    assert_near(p.sensitivities[0][0], 0.5 / sqrt(0.3), 0.01);
}

Test(propagation, refuses_what_has_no_answer)
{
    struct propagation_inputs in;
    struct propagation p;
    struct budget_component c = {.name = "x", .standard_uncertainty = 0.1, .degrees_of_freedom = 3};
    struct err e;
    memset(&in, 0, sizeof in);
    cr_assert_eq(propagation_run(root, NULL, &in, NULL, 1, &p, NULL), ERR_CALLER);
    cr_assert_eq(propagation_add(&in, &c, NAN, NULL), ERR_NO_ANSWER);
    add(&in, "length", "mm", -0.5, 0.1, 3);
    cr_assert_eq(propagation_run(root, NULL, &in, NULL, 1, &p, NULL), ERR_NO_ANSWER);
    in.values[0] = 0; /* can be computed there, but on one side only */
    cr_assert_eq(propagation_run(root, NULL, &in, NULL, 1, &p, &e), ERR_NO_ANSWER);
    cr_assert(strstr(e.text, "length") != NULL, "%s", e.text);
    cr_assert_eq(propagation_run(root, NULL, &in, NULL, PROPAGATION_OUTPUTS_MAX + 1, &p, NULL), ERR_CALLER);
    in.values[0] = 2;
    add(&in, "b", "mm", 1, 0.1, 3);
    add(&in, "c", "mm", 1, 0.1, 3);
    for (size_t i = 0; i < 3; i++) {
        for (size_t j = 0; j < i; j++)
            budget_correlate(&in.budget, i, j, -0.9, NULL);
    }
    cr_assert_eq(propagation_run(root, NULL, &in, NULL, 1, &p, NULL), ERR_NO_ANSWER);
}
