/* Rows with a known spacing, known ends of the range and known mains. */
#include "analyze/run_quality.h"

#include "analyze/numerics/quantity.h"
#include "tests/sim/simulate.h"

#include <criterion/criterion.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { ROWS_MAX = 400000 };
static int64_t time_us[ROWS_MAX];
static int32_t counts[ROWS_MAX], steps[ROWS_MAX];
static uint8_t flags[ROWS_MAX];
static struct run_columns columns;
static struct run_record record;
static struct calibration calibration;
static gsl_rng *rng;

/* A second of rest, then motion to half a second before the end; 4011 counts a newton. */
static void make_rows(size_t n, double rate_hz)
{
    cr_assert(n <= ROWS_MAX);
    columns = (struct run_columns){n, time_us, counts, steps, NULL, flags};
    memset(flags, 0, sizeof flags);
    for (size_t i = 0; i < n; i++) {
        time_us[i] = llround(1e6 * (double)i / rate_hz);
        counts[i] = 12480;
    }
    record = (struct run_record){.sample_rate_hz = rate_hz,
                                 .rows = (int64_t)n,
                                 .counts_min = -8388607,
                                 .counts_max = 8388607,
                                 .push_start_us = 1000000,
                                 .push_end_us = time_us[n - 1] - 500000};
    calibration = (struct calibration){.degree = 1, .coefficients = {12480, 4011}, .load_high_n = 200};
}

static void add_noise(double sd_n)
{
    for (size_t i = 0; i < columns.n; i++)
        counts[i] += (int32_t)lround(4011 * gsl_ran_gaussian(rng, sd_n));
}

static void add_mains(double hz, double amplitude_n)
{
    for (size_t i = 0; i < columns.n; i++)
        counts[i] +=
            (int32_t)lround(4011 * amplitude_n * sin(2 * M_PI * hz * 1e-6 * (double)time_us[i] + 0.7));
}

static bool near(double value, double expected, double tolerance)
{
    return fabs(value - expected) < tolerance;
}

static struct run_quality quality(void)
{
    return run_quality_of(&columns, &record, &calibration);
}

static void begin(void)
{
    const char *text = getenv("NIPBENCH_TEST_SEED");
    unsigned long seed = text != NULL ? strtoul(text, NULL, 10) : 431;
    quantity_init_numerics();
    rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    cr_log_info("seed %lu", seed);
}

static void end(void)
{
    gsl_rng_free(rng);
}

TestSuite(run_quality, .init = begin, .fini = end);

Test(run_quality, is_small)
{
    cr_expect(sizeof(struct run_quality) <= 40, "%zu bytes a run", sizeof(struct run_quality));
}

/* Every second stamp late by 7 us: steps of 1007 and 993. */
Test(run_quality, spacing_is_what_was_put_in)
{
    make_rows(4001, 1000);
    for (size_t i = 1; i < columns.n; i += 2)
        time_us[i] += 7;
    struct run_quality q = quality();
    cr_expect(near(q.interval_us, 1000, 1e-3) && near(q.jitter_us, 7, 0.01), "%g %g", q.interval_us,
              q.jitter_us);
    make_rows(4001, 1000);
    q = quality();
    cr_expect(q.interval_us == 1000 && q.jitter_us == 0, "%g %g", q.interval_us, q.jitter_us);
    /* Independent stamps, even over 0 to 40 us: a step scatters by root two of one. */
    for (size_t i = 0; i < columns.n; i++)
        time_us[i] += (int64_t)gsl_rng_uniform_int(rng, 41);
    double expected = sqrt(2 * (41.0 * 41 - 1) / 12);
    q = quality();
    cr_expect(near(q.jitter_us / expected, 1, 0.05), "%g of %g", q.jitter_us, expected);
}

Test(run_quality, holes_are_no_jitter)
{
    make_rows(4001, 1000);
    for (size_t i = 2000; i < columns.n; i++)
        time_us[i] += 35000;
    for (size_t i = 3000; i < columns.n; i++)
        time_us[i] += 1000;
    struct run_quality q = quality();
    cr_expect(q.interval_us == 1000 && q.jitter_us == 0, "%g %g", q.interval_us, q.jitter_us);
    /* The record says that nothing is missing: then the stamps are late. */
    record.link_recorded = true;
    cr_expect(quality().jitter_us > 500, "%g", quality().jitter_us);
    record.link.samples_missing = 36;
    cr_expect_eq(quality().jitter_us, 0);
}

/* Of a long run stretches are looked at, the first and the last rows among them. */
Test(run_quality, a_long_run_is_looked_at_from_end_to_end)
{
    make_rows(380001, 100000);
    for (size_t i = 1; i < columns.n; i += 2)
        time_us[i] += 2;
    struct run_quality q = quality();
    cr_expect(near(q.interval_us, 10, 1e-3) && near(q.jitter_us, 2, 0.01), "%g %g", q.interval_us,
              q.jitter_us);
    make_rows(380001, 100000);
    time_us[1] += 4;
    double first = quality().jitter_us;
    make_rows(380001, 100000);
    time_us[columns.n - 1] += 4;
    cr_expect(first > 0 && quality().jitter_us > 0);
}

Test(run_quality, ends_of_the_range_are_counted)
{
    make_rows(6000, 1000);
    record.counts_max = 500000;
    counts[3000] = 256240; /* half of what is above the zero */
    struct run_quality q = quality();
    cr_expect(q.over_range_rows == 0 && near(q.range_used, 0.5, 1e-6), "%u %g", q.over_range_rows,
              q.range_used);
    flags[100] = RUN_FLAG_OVER_RANGE;
    flags[3100] = RUN_FLAG_OVER_RANGE | RUN_FLAG_LIMIT_SWITCH;
    flags[3200] = RUN_FLAG_LIMIT_SWITCH;
    counts[3300] = 500000;   /* without its flag */
    counts[5800] = -8388607; /* after the motion */
    q = quality();
    cr_expect(q.over_range_rows == 4 && q.over_range_in_motion == 2, "%u %u", q.over_range_rows,
              q.over_range_in_motion);
    cr_expect_eq(q.range_used, 1);
    record.counts_min = record.counts_max = 0; /* not known */
    q = quality();
    cr_expect(q.over_range_rows == 2 && isnan(q.range_used), "%u %g", q.over_range_rows, q.range_used);
    /* One reading at one end is enough. */
    for (int high = 0; high < 2; high++) {
        make_rows(6000, 1000);
        record.counts_max = 500000;
        record.counts_min = -400000;
        counts[3000] = high ? 500000 : -400000;
        q = quality();
        cr_expect_eq(q.over_range_rows, 1, "%s end: %u", high ? "upper" : "lower", q.over_range_rows);
    }
}

/* Whatever happens in the motion, the rest before it is looked at. */
Test(run_quality, mains_of_the_rest_is_found)
{
    make_rows(5000, 1000);
    add_noise(0.3);
    cr_expect(quality().mains == RUN_MAINS_NONE);
    add_mains(60, 0.171);
    for (size_t i = 1100; i < columns.n; i++)
        counts[i] += (int32_t)(3 * i);
    struct run_quality q = quality();
    cr_expect(q.mains == RUN_MAINS_FOUND && q.mains_hz == 60);
    cr_expect(near(q.mains_n, 0.171, 4 * q.mains_standard_uncertainty_n), "%g, u %g", q.mains_n,
              q.mains_standard_uncertainty_n);
    cr_expect(near(q.mains_noise_n, 0.3, 0.06), "%g", q.mains_noise_n);
    cr_expect(q.mains_detectable_n > 0.02 && q.mains_detectable_n < 0.1, "%g", q.mains_detectable_n);
}

/* The same by the rows that the simulated rig would send. */
Test(run_quality, mains_of_a_simulated_run_is_found)
{
    struct model_parameters p = model_default();
    struct model_state state = {0};
    struct model_truth truth;
    struct simulated_push push = {
        .speed_mm_s = 5, .travel_mm = 9, .acceleration_mm_s2 = 500, .sample_rate_hz = 1000, .rest_s = 1.2};
    p.sensor.mains_n = 0.213;
    p.sensor.mains_hz = 50;
    cr_assert_null(model_check(&p));
    model_mount(&p, &state, 77);
    cr_assert(simulate_push(&p, &state, &push, &columns, &record, &truth));
    calibration = simulate_exact_calibration(&p);
    struct run_quality q = quality();
    cr_expect(q.mains == RUN_MAINS_FOUND && q.mains_hz == 50);
    cr_expect(near(q.mains_n, 0.213, 4 * q.mains_standard_uncertainty_n), "%g, u %g", q.mains_n,
              q.mains_standard_uncertainty_n);
    cr_expect(q.jitter_us == 0 && q.over_range_rows == 0);
    run_columns_free(&columns);
    run_record_free(&record);
}

Test(run_quality, what_cannot_be_told_is_not_told)
{
    make_rows(100, 10); /* a gauge read by hand */
    add_noise(0.05);
    struct run_quality q = quality();
    cr_expect(q.present && q.mains == RUN_MAINS_UNKNOWN && isnan(q.mains_n));
    cr_expect(near(q.interval_us, 1e5, 1) && q.jitter_us == 0);
    make_rows(5000, 1000);
    record.push_start_us = 150000; /* too short a rest */
    cr_expect(quality().mains == RUN_MAINS_UNKNOWN);
    record.push_start_us = record.push_end_us = 0; /* ended before any motion */
    cr_expect(quality().mains == RUN_MAINS_UNKNOWN);
    columns.n = 0;
    q = quality();
    cr_expect(q.present && isnan(q.interval_us) && q.mains == RUN_MAINS_UNKNOWN);
    columns.n = 1;
    cr_expect(isnan(quality().jitter_us));
}

/* A gauge that shows the same digit at rest hides whatever is less than half of it. */
Test(run_quality, a_coarse_digit_hides_mains)
{
    make_rows(3000, 500);
    calibration.coefficients[1] = 10;
    record.separate = &(struct run_separate){.force_resolution_n = 0.2};
    struct run_quality q = quality();
    cr_expect(q.mains == RUN_MAINS_NONE && near(q.mains_detectable_n, 0.1, 1e-6), "%g", q.mains_detectable_n);
    cr_expect(fabs(run_quality_step_n(&q, &record, &calibration) - 0.2) < 1e-12);
    record.separate = NULL;
    cr_expect(fabs(run_quality_step_n(&q, &record, &calibration) - 0.1) < 1e-12);
}

/* A converter of 16 bits whose readings are shifted up by four, and a gauge that counts by fives. */
Test(run_quality, steps_wider_than_a_count_are_seen)
{
    static const int wide[] = {1, 5, 16};
    for (size_t k = 0; k < 3; k++) {
        make_rows(5000, 1000);
        add_noise(0.02);
        for (size_t i = 0; i < columns.n; i++)
            counts[i] = counts[i] / wide[k] * wide[k] + 3;
        struct run_quality q = quality();
        cr_expect_eq(q.step_counts, wide[k]);
        cr_expect(fabs(run_quality_step_n(&q, &record, &calibration) - wide[k] / 4011.0) < 1e-12);
    }
    make_rows(5000, 1000);          /* too few changes to believe it */
    for (size_t i = 0; i < 20; i++) /* two changes every second time */
        counts[100 * i + 1] = i % 2 ? 12480 : 12490;
    cr_expect_eq(quality().step_counts, 1);
}
