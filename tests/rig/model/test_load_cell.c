/* The simulated load cell under hung weights: non-linearity and hysteresis. */
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <string.h>

static struct model_parameters p;
static struct model_state s;

/* A cell without noise, drift or mains; 160 N full scale. */
static void begin(double nonlinearity_n, double hysteresis_n)
{
    p = model_default();
    p.sensor.gain_counts_per_n = 50000;
    p.sensor.noise_n = p.sensor.mains_n = p.sensor.drift_walk_n = p.sensor.drift_n_per_min = 0;
    p.sensor.full_scale_n = 160;
    p.sensor.nonlinearity_n = nonlinearity_n;
    p.sensor.hysteresis_n = hysteresis_n;
    cr_assert_null(model_check(&p), "%s", model_check(&p));
    memset(&s, 0, sizeof s);
    model_mount(&p, &s, 7);
    model_begin_run(&p, &s, 0);
}

/* How much more than the load the cell shows with hung_n hung, a millisecond later. */
static double deviation_n(double hung_n)
{
    bool over_range;
    s.hung_n = hung_n;
    model_step(&p, &s, 0, 1e-3);
    double counts = model_read_force(&p, &s, &over_range);
    cr_expect_not(over_range);
    return (counts - p.sensor.zero_counts) / p.sensor.gain_counts_per_n - hung_n;
}

Test(load_cell, is_straight_without_either)
{
    begin(0, 0);
    for (double load = 0; load < 160; load += 13.7)
        cr_expect_float_eq(deviation_n(load), 0, 2e-5, "%g N", load);
}

Test(load_cell, deviates_with_the_square_of_the_load)
{
    begin(0.32, 0);
    cr_expect_float_eq(deviation_n(160), 0.32, 2e-5);
    cr_expect_float_eq(deviation_n(80), 0.08, 2e-5);
    cr_expect_float_eq(deviation_n(8), 0.0008, 2e-5);
    cr_expect_float_eq(deviation_n(0), 0, 2e-5);
    begin(-0.32, 0);
    cr_expect_float_eq(deviation_n(120), -0.18, 2e-5);
}

Test(load_cell, shows_more_while_the_load_falls)
{
    begin(0, 0.5);
    cr_expect_float_eq(deviation_n(0), 0, 2e-5, "fresh");
    cr_expect_float_eq(deviation_n(10), -0.125, 2e-5, "half of the eighth of full scale");
    cr_expect_float_eq(deviation_n(60), -0.25, 2e-5);
    cr_expect_float_eq(deviation_n(140), -0.25, 2e-5);
    cr_expect_float_eq(deviation_n(120), 0, 2e-5, "half way over");
    cr_expect_float_eq(deviation_n(60), 0.25, 2e-5);
    cr_expect_float_eq(deviation_n(0), 0.25, 2e-5, "no return to zero");
    /* From now on the loop is closed. */
    cr_expect_float_eq(deviation_n(60), -0.25, 2e-5);
    cr_expect_float_eq(deviation_n(0), 0.25, 2e-5);
}

Test(load_cell, keeps_its_history_over_runs_and_mountings)
{
    begin(0, 0.5);
    deviation_n(140);
    deviation_n(60);
    model_begin_run(&p, &s, 0);
    cr_expect_float_eq(s.hung_n, 60, 0);
    cr_expect_float_eq(deviation_n(60), 0.25, 2e-5);
    model_mount(&p, &s, 8);
    cr_expect_float_eq(s.hung_n, 60, 0);
    cr_expect_float_eq(deviation_n(60), 0.25, 2e-5);
}

Test(load_cell, carries_push_and_weight_together)
{
    bool over_range;
    begin(0.32, 0);
    s.force_n = 100;
    s.hung_n = 60;
    cr_expect_float_eq((model_read_force(&p, &s, &over_range) - p.sensor.zero_counts) / 50000, 160.32, 2e-5);
}

Test(load_cell, makes_no_difference_to_readings_without_a_weight)
{
    struct model_parameters plain = model_default();
    struct model_state one = {0};
    bool over_range;
    double sum = 0;
    model_mount(&plain, &one, 11);
    model_begin_run(&plain, &one, 0);
    for (int i = 1; i <= 400; i++) {
        model_step(&plain, &one, i * 2.0, 1e-3);
        sum += model_read_force(&plain, &one, &over_range);
    }
    /* Worked out before hung weights were in the model. */
    cr_expect_float_eq(sum, 93939584.0, 0.5, "%.0f", sum);
}
