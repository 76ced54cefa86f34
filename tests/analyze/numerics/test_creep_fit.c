#include "analyze/numerics/creep_fit.h"

#include "analyze/numerics/quantity.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

#define MOST 64

static double force[MOST], share[MOST], share_u[MOST], stalled[MOST];
static struct creep_fit_data data;

static void begin(void)
{
    quantity_init_numerics();
    data = (struct creep_fit_data){.force_n = force, .share = share, .share_u = share_u, .stall_n = stalled};
}

TestSuite(creep_fit, .init = begin);

static const double TRUTH[CREEP_PARAMETERS] = {0.0037, 0.000421, 58.3, 83.7};

static double true_share(double f, double strength)
{
    double grip = TRUTH[CREEP_GRIP] * strength, onset = TRUTH[CREEP_ONSET] * strength;
    double gross = (1 - TRUTH[CREEP_OFFSET] - TRUTH[CREEP_PER_N] * grip) / (grip - onset);
    return TRUTH[CREEP_OFFSET] + TRUTH[CREEP_PER_N] * f + gross * fmax(0, f - onset);
}

/* One run at that load; its grip differs by the relative sd grip_sd. */
static void add(struct model_random *r, double load_n, double share_sd, double grip_sd)
{
    double strength = 1 + grip_sd * model_random_normal(r);
    if (load_n >= TRUTH[CREEP_GRIP] * strength) {
        stalled[data.stalls++] = TRUTH[CREEP_GRIP] * strength;
        return;
    }
    force[data.n] = load_n;
    share_u[data.n] = share_sd;
    share[data.n++] = true_share(load_n, strength) + share_sd * model_random_normal(r);
}

static const double LOADS[] = {11.7, 23.1, 36.9, 48.2, 61.7, 69.3, 77.9, 95.1};

static void series(uint64_t seed, size_t loads, int blocks, double share_sd, double grip_sd)
{
    struct model_random r = {seed};
    data.n = data.stalls = 0;
    for (int b = 0; b < blocks; b++) {
        for (size_t i = 0; i < loads; i++)
            add(&r, LOADS[i] * (1 + 0.01 * model_random_normal(&r)), share_sd, grip_sd);
    }
}

static struct creep_fit fit(void)
{
    struct creep_fit f;
    struct err e = {0};
    cr_assert_eq(creep_fit(&data, &f, &e), ERR_OK, "%s", e.text);
    return f;
}

Test(creep_fit, data_made_by_rule_are_fitted_to_the_digits_that_they_have)
{
    series(5, 8, 2, 0, 0);
    struct creep_fit f = fit();
    cr_assert(f.onset_found);
    for (int i = 0; i < CREEP_PARAMETERS; i++)
        cr_expect_float_eq(f.parameters[i], TRUTH[i], 1e-4 * TRUTH[i], "%d: %.9g", i, f.parameters[i]);
    cr_expect_float_eq(creep_fit_at(&f, 40.1, NULL), true_share(40.1, 1), 1e-6);
    cr_expect_float_eq(creep_fit_at(&f, 75.3, NULL), true_share(75.3, 1), 1e-4);
    cr_expect_float_eq(creep_fit_at(&f, f.parameters[CREEP_GRIP], NULL), 1, 1e-9);
}

Test(creep_fit, intervals_hold_the_truth_in_95_of_100)
{
    int held[CREEP_PARAMETERS] = {0}, tried = 400;
    for (int k = 0; k < tried; k++) {
        series(9001 + (uint64_t)k, 8, 3, 2.7e-4, 0.011);
        struct creep_fit f = fit();
        cr_assert(f.onset_found, "series %d", k);
        for (int i = 0; i < CREEP_PARAMETERS; i++) {
            double t =
                quantity_t_975(i < CREEP_ONSET ? f.creep_degrees_of_freedom : f.grip_degrees_of_freedom);
            held[i] += fabs(f.parameters[i] - TRUTH[i]) < t * sqrt(f.covariance[i][i]);
        }
    }
    /* 380 expected; 2.6 standard deviations of the binomial. */
    for (int i = 0; i < CREEP_PARAMETERS; i++)
        cr_expect(held[i] >= 369 && held[i] <= 391, "%d: %d of %d", i, held[i], tried);
}

Test(creep_fit, runs_below_the_onset_give_a_line_and_no_onset)
{
    int claimed = 0;
    for (int k = 0; k < 200; k++) {
        series(310 + (uint64_t)k, 4, 3, 2.7e-4, 0.011);
        struct creep_fit f = fit();
        claimed += f.onset_found;
        cr_expect(f.creep_degrees_of_freedom == 10 || f.onset_found || f.left_out > 0);
    }
    cr_expect(claimed <= 10, "%d of 200", claimed);
}

Test(creep_fit, grip_is_worked_out_without_a_stalled_run_where_slip_goes_far)
{
    series(77, 7, 3, 2.7e-4, 0.004);
    cr_assert_eq(data.stalls, 0);
    struct creep_fit f = fit();
    cr_assert(f.onset_found);
    cr_expect(fabs(f.parameters[CREEP_GRIP] - TRUTH[CREEP_GRIP]) <
              3 * sqrt(f.covariance[CREEP_GRIP][CREEP_GRIP]));
}

Test(creep_fit, a_single_run_past_the_onset_is_left_out_and_told)
{
    series(13, 4, 2, 2.7e-4, 0);
    struct model_random r = {4};
    add(&r, 66.1, 2.7e-4, 0);
    struct creep_fit f = fit();
    cr_expect(!f.onset_found);
    cr_expect_eq(f.left_out, 1);
    cr_expect_float_eq(f.below_n, 66.1, 1e-9);
    cr_expect(f.above_n > 45 && f.above_n < 51);
    cr_expect_float_eq(f.parameters[CREEP_PER_N], TRUTH[CREEP_PER_N], 5e-5);
}

Test(creep_fit, one_load_and_broken_numbers_are_refused)
{
    struct creep_fit f;
    struct err e = {0};
    series(21, 1, 5, 2.7e-4, 0.01);
    cr_expect_eq(creep_fit(&data, &f, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "one load only") != NULL, "%s", e.text);
    series(21, 4, 2, 2.7e-4, 0.01);
    share[3] = NAN;
    cr_expect_eq(creep_fit(&data, &f, &e), ERR_NO_ANSWER);
    data.n = 0;
    cr_expect_eq(creep_fit(&data, &f, &e), ERR_NO_ANSWER);
}

Test(creep_fit, two_runs_have_the_uncertainty_that_they_bring_along)
{
    series(3, 2, 1, 0, 0);
    share_u[0] = share_u[1] = 0.0005;
    struct creep_fit f = fit();
    double apart = force[1] - force[0];
    cr_expect_float_eq(sqrt(f.covariance[CREEP_PER_N][CREEP_PER_N]), 0.0005 * sqrt(2.0) / apart, 1e-9);
    cr_expect(isinf(f.creep_degrees_of_freedom));
}
