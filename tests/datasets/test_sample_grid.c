#include "datasets/format/sample_grid.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>

/* Time of sample k of a rig that samples at a rate of whole millihertz: the grid, rounded to microseconds. */
static int64_t grid_us(int64_t k, int64_t rate_mhz)
{
    __extension__ typedef __int128 wide;
    return (int64_t)(((wide)k * 1000000000 + rate_mhz / 2) / rate_mhz);
}

Test(sample_grid, what_is_missing_is_counted_at_every_rate)
{
    static const int64_t rates_mhz[] = {1000, 7919, 997500, 1000000, 3333333, 44100000, 99999999, 100000000};
    static const int64_t lost[] = {0, 1, 2, 3, 10, 997, 65535, 1000003, 123456789};
    for (size_t r = 0; r < sizeof rates_mhz / sizeof rates_mhz[0]; r++) {
        for (size_t l = 0; l < sizeof lost / sizeof lost[0]; l++) {
            for (int64_t k = 0; k < 2000; k += 13) {
                int64_t before = grid_us(k, rates_mhz[r]);
                int64_t after = grid_us(k + 1 + lost[l], rates_mhz[r]);
                int64_t found = sample_grid_missing(before, after, (double)rates_mhz[r] / 1000);
                cr_assert_eq(found, lost[l], "%lld mHz, sample %lld, %lld lost: %lld found",
                             (long long)rates_mhz[r], (long long)k, (long long)lost[l], (long long)found);
            }
        }
    }
}

/* Four days at 99999.999 Hz: a rate that is rounded anywhere is off by many samples. */
Test(sample_grid, long_gaps_are_exact)
{
    int64_t k = INT64_C(34559999654);
    cr_expect_eq(sample_grid_missing(0, grid_us(k, 99999999), 99999.999), k - 1);
    cr_expect_eq(sample_grid_missing(17, 17 + INT64_C(14400) * 1000000, 1), 14399);
}

Test(sample_grid, a_step_counts_by_the_whole_number_of_intervals_that_fits_best)
{
    cr_expect_eq(sample_grid_missing(0, 1000, 1000), 0);
    cr_expect_eq(sample_grid_missing(0, 1499, 1000), 0);
    cr_expect_eq(sample_grid_missing(0, 1500, 1000), 1);
    cr_expect_eq(sample_grid_missing(0, 2499, 1000), 1);
    cr_expect_eq(sample_grid_missing(0, 3, 1000), 0, "closer than neighbours");
    cr_expect_eq(sample_grid_missing(500, 500, 1000), 0);
    cr_expect_eq(sample_grid_missing(501, 500, 1000), 0, "backward");
}

Test(sample_grid, hostile_numbers_do_no_harm)
{
    int64_t times[] = {INT64_MIN, INT64_MAX, INT64_MAX};
    const struct run_columns c = {.n = 3, .time_us = times};
    int64_t places = -1;
    cr_expect_eq(sample_grid_missing(0, INT64_MAX, 1000), INT64_C(9223372036854775),
                 "INT64_MAX us at a sample a ms");
    cr_expect_eq(sample_grid_missing(INT64_MIN, INT64_MAX, 1e7), INT64_MAX);
    cr_expect_eq(sample_grid_missing(INT64_MAX, INT64_MIN, 1e7), 0);
    cr_expect_eq(sample_grid_missing(0, INT64_MAX, INFINITY), INT64_MAX);
    cr_expect_eq(sample_grid_missing(0, 1000000, NAN), 0);
    cr_expect_eq(sample_grid_missing(0, 1000000, -5), 0);
    cr_expect_eq(sample_grid_missing(0, 1000000, 0), 0);
    cr_expect_eq(sample_grid_count(&c, 1e7, &places), INT64_MAX);
    cr_expect_eq(places, 1);
}

/* Samples are taken out at random, and each place and sample must be found. */
Test(sample_grid, a_run_is_counted_over_all_its_places)
{
    enum { SAMPLES = 20000 };
    static int64_t times[SAMPLES];
    unsigned seed = 40961;
    for (int round = 0; round < 50; round++) {
        struct run_columns c = {.time_us = times};
        int64_t rate_mhz = 1000 + rand_r(&seed) % 99999001;
        int64_t missing = 0;
        int64_t places = 0;
        int64_t found_places = -1;
        bool open = false;
        for (int64_t k = 0; k < SAMPLES; k++) {
            bool keep = k == 0 || k == SAMPLES - 1 || rand_r(&seed) % 10 != 0;
            missing += !keep;
            places += !keep && !open;
            open = !keep;
            if (keep)
                times[c.n++] = grid_us(k, rate_mhz);
        }
        cr_assert_eq(sample_grid_count(&c, (double)rate_mhz / 1000, &found_places), missing, "%lld mHz",
                     (long long)rate_mhz);
        cr_assert_eq(found_places, places);
        cr_assert_eq(sample_grid_count(&c, (double)rate_mhz / 1000, NULL), missing);
    }
    cr_expect_eq(sample_grid_count(&(struct run_columns){0}, 1000, NULL), 0);
}
