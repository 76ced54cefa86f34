#include "analyze/run_mean.h"

#include <criterion/criterion.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <string.h>

TestSuite(run_mean, .init = quantity_init_numerics);

#define RUNS_MOST 6
#define SERIES    6000
#define TRUTH     7.31
#define OWN       0.23

/* Share of means of so many runs whose interval holds the truth. between: standard deviation of what runs
 * truly differ by, in units of what each is known by; common: that of an error all runs share. */
static double share_held(size_t n, double between, double common, double degrees)
{
    gsl_rng *draws = gsl_rng_alloc(gsl_rng_taus2);
    int held = 0;
    gsl_rng_set(draws, 97 + n);
    for (int series = 0; series < SERIES; series++) {
        struct quantity values[RUNS_MOST], mean;
        struct budget shared, budget;
        double error = gsl_ran_gaussian(draws, common);
        budget_init(&shared);
        run_mean_add(&shared, "scale", "um", common, INFINITY, BUDGET_TYPE_B, false);
        for (size_t i = 0; i < n; i++) {
            /* What a run is known by is itself an estimate where its degrees of freedom are few. */
            double own = isfinite(degrees) ? OWN * sqrt(gsl_ran_chisq(draws, degrees) / degrees) : OWN;
            double value =
                TRUTH + error + gsl_ran_gaussian(draws, OWN) + gsl_ran_gaussian(draws, between * OWN);
            budget_init(&budget);
            run_mean_add(&budget, "own", "um", own, degrees, BUDGET_TYPE_A, false);
            run_mean_add_scaled(&budget, &shared, 1, "um");
            values[i] = budget_combine(&budget, value, 1);
        }
        mean = run_mean(values, n, &shared, "um", &budget);
        held += mean.low_95 <= TRUTH && TRUTH <= mean.high_95;
    }
    gsl_rng_free(draws);
    return (double)held / SERIES;
}

static void holds_as_it_says(double between, double common, double degrees)
{
    for (size_t n = 3; n <= RUNS_MOST; n++) {
        double share = share_held(n, between, common, degrees);
        cr_expect(share > 0.93 && share < 0.97, "%zu runs that differ by %g of their own: %.4f", n, between,
                  share);
    }
}

Test(run_mean, holds_where_runs_agree_to_what_each_is_known_by)
{
    holds_as_it_says(0, 0, INFINITY);
}
Test(run_mean, holds_where_runs_differ_by_as_much_again)
{
    holds_as_it_says(0.5, 0, INFINITY);
    holds_as_it_says(1, 0, INFINITY);
    holds_as_it_says(2, 0, INFINITY);
}
Test(run_mean, holds_where_runs_differ_by_far_more)
{
    holds_as_it_says(7, 0, INFINITY);
}
Test(run_mean, holds_where_what_a_run_is_known_by_is_an_estimate)
{
    holds_as_it_says(0, 0, 9);
    holds_as_it_says(2, 0, 9);
}
Test(run_mean, holds_with_an_error_that_all_runs_share)
{
    holds_as_it_says(0, 0.31, INFINITY);
    holds_as_it_says(2, 0.31, INFINITY);
}

/* Mean of three runs of 5.1, 5.1 + step and 5.1 + 2 step, each known to 0.5; 0.4 of it they share. */
static struct quantity mean_of_three(double step, struct budget *budget)
{
    struct quantity values[3];
    struct budget shared;
    budget_init(&shared);
    run_mean_add(&shared, "scale of the encoder", "um", 0.4, INFINITY, BUDGET_TYPE_B, false);
    for (size_t i = 0; i < 3; i++)
        values[i] = quantity_from(5.1 + step * (double)i, 0.5, INFINITY, 1);
    return run_mean(values, 3, &shared, "um", budget);
}

Test(run_mean, counts_the_shared_error_once_and_its_budget_adds_up)
{
    struct budget budget;
    struct quantity mean = mean_of_three(0.57, &budget);
    cr_expect_float_eq(mean.value, 5.67, 1e-12);
    cr_expect_float_eq(mean.standard_uncertainty, hypot(0.57 / sqrt(3), 0.4), 1e-12);
    cr_expect_float_eq(budget_standard_uncertainty(&budget), mean.standard_uncertainty, 1e-12);
    cr_expect_eq(mean.n, 3);
}

Test(run_mean, does_not_go_below_what_each_run_is_known_by_where_they_scatter_less)
{
    struct budget budget;
    struct quantity mean = mean_of_three(0.17, &budget);
    /* Of 0.5 each, 0.3 are its own. */
    cr_expect_float_eq(mean.standard_uncertainty, hypot(0.3 / sqrt(3), 0.4), 1e-12);
    cr_expect(isinf(mean.degrees_of_freedom));
}

Test(run_mean, of_two_runs_keeps_what_each_is_known_by_unless_they_disagree)
{
    struct quantity values[2], mean;
    struct budget shared, budget;
    budget_init(&shared);
    values[0] = quantity_from(5.1, 0.3, INFINITY, 1);
    values[1] = quantity_from(5.4, 0.3, INFINITY, 1);
    mean = run_mean(values, 2, &shared, "um", &budget);
    cr_expect_float_eq(mean.standard_uncertainty, 0.3 / sqrt(2), 1e-12);
    cr_expect(isinf(mean.degrees_of_freedom));
    values[1] = quantity_from(6.7, 0.3, INFINITY, 1);
    mean = run_mean(values, 2, &shared, "um", &budget);
    cr_expect_float_eq(mean.standard_uncertainty, 0.8, 1e-12);
    cr_expect_float_eq(mean.degrees_of_freedom, 1, 1e-9);
}

Test(run_mean, leaves_out_what_is_absent_or_a_bound)
{
    struct quantity values[] = {quantity_absent(), quantity_at_least(9), quantity_from(2.7, 0.1, 12, 1)};
    struct budget shared, budget;
    budget_init(&shared);
    struct quantity mean = run_mean(values, 3, &shared, "N", &budget);
    cr_expect_float_eq(mean.value, 2.7, 1e-12);
    cr_expect_float_eq(mean.standard_uncertainty, 0.1, 1e-12);
    cr_expect_float_eq(mean.degrees_of_freedom, 12, 1e-6);
    cr_expect_not(run_mean(values, 2, &shared, "N", &budget).present);
}
