#include "analyze/numerics/drops.h"

#include "analyze/numerics/quantity.h"
#include "rig/model/model.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define QUIET   1000
#define SAMPLES 12000
#define ROOM    512

/* A push made here: force against feed at spacing_mm, quiet stretch with the same noise. */
struct push {
    size_t n;
    double feed[SAMPLES], force[SAMPLES], quiet[QUIET];
    size_t true_count;
    double true_peak[ROOM], true_feed[ROOM];
};
static struct push push;
static struct drop drops[ROOM];

static void begin(void)
{
    quantity_init_numerics();
}

TestSuite(drops, .init = begin);

static void add_noise(double noise_n, double mains_n, struct model_random *draws)
{
    double phase = 2 * M_PI * model_random_uniform(draws);
    for (size_t i = 0; i < QUIET; i++)
        push.quiet[i] = noise_n * model_random_normal(draws) + mains_n * sin(0.31416 * (double)i + phase);
    for (size_t i = 0; i < push.n; i++)
        push.force[i] += noise_n * model_random_normal(draws) + mains_n * sin(0.31416 * (double)i + phase);
}

/* Rises of slope N/mm that give way at peaks of mean peak_n and sd scatter_n, falling by fall_n (plus a share
 * drawn evenly up to ragged of it). The places of the drops are real numbers, between samples. */
static void make_sawtooth(double slope, double peak_n, double scatter_n, double fall_n, double ragged,
                          double spacing_mm, struct model_random *draws)
{
    double force = 0, x_before = 0, peak = peak_n + scatter_n * model_random_normal(draws);
    push.n = SAMPLES;
    push.true_count = 0;
    for (size_t i = 0; i < push.n; i++) {
        double x = 0.0173 + spacing_mm * (double)i;
        force += slope * (x - x_before);
        while (force >= peak && push.true_count < ROOM) {
            double at = x - (force - peak) / slope;
            push.true_peak[push.true_count] = peak;
            push.true_feed[push.true_count++] = at;
            force -= fall_n * (1 + ragged * model_random_uniform(draws));
            peak = peak_n + scatter_n * model_random_normal(draws);
        }
        push.feed[i] = x;
        push.force[i] = force;
        x_before = x;
    }
}

static size_t find(double least_n)
{
    return drops_find(push.feed, push.force, push.n, push.quiet, QUIET, least_n, drops, ROOM);
}

/* Mean error of peaks over many drops, and that of the largest sample near each drop: the first is within
 * three standard errors of nothing, the second is not. */
Test(drops, peaks_are_read_without_upward_bias)
{
    double sum = 0, square = 0, largest_sum = 0, z_square = 0;
    size_t all = 0;
    for (uint64_t seed = 611; seed < 621; seed++) {
        struct model_random draws = {seed};
        make_sawtooth(31.7, 83.1, 0, 14.3, 0, 0.0047, &draws);
        add_noise(0.37, 0.11, &draws);
        size_t count = find(0.9);
        cr_assert_eq(count, push.true_count, "seed %llu: %zu drops of %zu", (unsigned long long)seed, count,
                     push.true_count);
        for (size_t i = 1; i < count; i++) {
            double error = drops[i].peak_n - push.true_peak[i], largest = 0;
            cr_expect(fabs(drops[i].feed_mm - push.true_feed[i]) < 0.0048,
                      "seed %llu, drop %zu at %.4f mm, truth %.4f", (unsigned long long)seed, i,
                      drops[i].feed_mm, push.true_feed[i]);
            cr_expect(drops[i].peak_standard_error_n > 0.05 && drops[i].peak_standard_error_n < 1,
                      "standard error %g N", drops[i].peak_standard_error_n);
            cr_expect(fabs(drops[i].peak_n - drops[i].trough_n - 14.3) < 1.5,
                      "seed %llu, drop %zu: fall of %.2f N", (unsigned long long)seed, i,
                      drops[i].peak_n - drops[i].trough_n);
            for (size_t j = drops[i].index - 40; j < drops[i].index; j++)
                largest = fmax(largest, push.force[j]);
            sum += error;
            square += error * error;
            z_square += pow(error / drops[i].peak_standard_error_n, 2);
            largest_sum += largest - push.true_peak[i];
            all++;
        }
    }
    double mean = sum / (double)all, sd = sqrt(square / (double)all - mean * mean),
           error = sd / sqrt((double)all);
    cr_log_info("%zu peaks: mean error %.4f +- %.4f N, largest sample %.4f N, rms in standard errors %.2f",
                all, mean, error, largest_sum / (double)all, sqrt(z_square / (double)all));
    cr_expect(all > 900);
    cr_expect(fabs(mean) < 3 * error, "mean error %.4f N, standard error %.4f N", mean, error);
    cr_expect(largest_sum / (double)all > 10 * error, "largest sample errs by %.4f N only",
              largest_sum / (double)all);
    cr_expect(z_square / (double)all > 0.4 && z_square / (double)all < 1.6,
              "mean square %.2f standard errors squared", z_square / (double)all);
}

Test(drops, random_tearing_is_found_drop_by_drop)
{
    for (uint64_t seed = 41; seed < 49; seed++) {
        struct model_random draws = {seed};
        make_sawtooth(24.3, 61.7, 2.9, 8.1, 2.2, 0.0031, &draws);
        add_noise(0.29, 0.17, &draws);
        size_t count = find(0.6), found = 0;
        cr_expect(push.true_count > 30);
        cr_expect(count <= push.true_count, "seed %llu: %zu drops, %zu made", (unsigned long long)seed, count,
                  push.true_count);
        for (size_t i = 0; i < count; i++) {
            size_t j = found;
            while (j < push.true_count && push.true_feed[j] < drops[i].feed_mm - 0.0032)
                j++;
            cr_assert(j < push.true_count && fabs(push.true_feed[j] - drops[i].feed_mm) < 0.0064,
                      "seed %llu: a drop at %.4f mm that was not made", (unsigned long long)seed,
                      drops[i].feed_mm);
            cr_expect(fabs(drops[i].peak_n - push.true_peak[j]) < 4.5 * drops[i].peak_standard_error_n,
                      "seed %llu, drop %zu: %.3f +- %.3f N, truth %.3f", (unsigned long long)seed, i,
                      drops[i].peak_n, drops[i].peak_standard_error_n, push.true_peak[j]);
            found = j + 1;
        }
        cr_expect(count + 1 >= push.true_count, "seed %llu: %zu drops, %zu made", (unsigned long long)seed,
                  count, push.true_count);
    }
}

Test(drops, noise_and_mains_alone_are_no_drops)
{
    enum { LONG = 100000 };
    double *feed = malloc(LONG * sizeof *feed), *force = malloc(LONG * sizeof *force);
    cr_assert(feed != NULL && force != NULL);
    for (uint64_t seed = 71; seed < 75; seed++) {
        struct model_random draws = {seed};
        for (size_t i = 0; i < QUIET; i++)
            push.quiet[i] = 0.43 * model_random_normal(&draws) + 0.57 * sin(0.31416 * (double)i + 0.7);
        for (size_t i = 0; i < LONG; i++) {
            feed[i] = 0.0031 * (double)i;
            force[i] = 47.3 + 0.43 * model_random_normal(&draws) + 0.57 * sin(0.31416 * (double)i + 2.1);
        }
        size_t count = drops_find(feed, force, LONG, push.quiet, QUIET, 0.1, drops, ROOM);
        cr_expect_eq(count, 0, "seed %llu: %zu drops in noise, first at sample %zu", (unsigned long long)seed,
                     count, drops[0].index);
    }
    free(feed);
    free(force);
}

Test(drops, a_drop_spread_over_some_samples_is_one_drop)
{
    for (uint64_t seed = 81; seed < 89; seed++) {
        struct model_random draws = {seed};
        double force = 0, peak = 71.3, left = 0;
        size_t made = 0;
        push.n = 4000;
        for (size_t i = 0; i < push.n; i++) {
            push.feed[i] = 0.0041 * (double)i;
            if (left > 0) {
                force -= 13.9 / 5;
                left--;
            } else {
                force += 29.3 * 0.0041;
            }
            if (left == 0 && force >= peak) {
                left = 5;
                push.true_feed[made++] = push.feed[i];
            }
            push.force[i] = force;
        }
        add_noise(0.33, 0, &draws);
        size_t count = find(0.7);
        cr_expect(count == made || count + 1 == made, "seed %llu: %zu drops, %zu made",
                  (unsigned long long)seed, count, made);
        for (size_t i = 0; i < count && i < made; i++) {
            cr_expect(drops[i].feed_mm > push.true_feed[i] - 0.005 &&
                          drops[i].feed_mm < push.true_feed[i] + 6 * 0.0041,
                      "seed %llu, drop %zu at %.4f mm, began at %.4f", (unsigned long long)seed, i,
                      drops[i].feed_mm, push.true_feed[i]);
            /* The fall took five samples: none of them may be in the rise, nor in what follows. */
            cr_expect(drops[i].peak_n > 70.1 && drops[i].peak_n < 72.5, "seed %llu, drop %zu: peak %.2f N",
                      (unsigned long long)seed, i, drops[i].peak_n);
        }
    }
}

Test(drops, room_that_is_too_small_is_kept_to)
{
    struct model_random draws = {131};
    make_sawtooth(31.7, 83.1, 0, 14.3, 0, 0.0047, &draws);
    add_noise(0.1, 0, &draws);
    memset(drops, 0x5a, sizeof drops);
    size_t count = drops_find(push.feed, push.force, push.n, push.quiet, QUIET, 0.9, drops, 7);
    cr_expect_eq(count, 7);
    for (size_t i = 1; i < count; i++)
        cr_expect(drops[i].index > drops[i - 1].index);
    cr_expect_eq(((unsigned char *)&drops[7])[0], 0x5a);
    for (size_t n = 0; n < 9; n++)
        cr_expect_eq(drops_find(push.feed, push.force, n, push.quiet, QUIET, 0.9, drops, ROOM), 0,
                     "%zu samples", n);
    cr_expect(drops_find(push.feed, push.force, 900, push.quiet, 0, 0.9, drops, ROOM) < 5);
}

Test(drops, period_is_read_from_the_autocorrelation)
{
    struct model_random draws = {157};
    double strength;
    make_sawtooth(31.7, 83.1, 0.2, 14.3, 0, 0.0047, &draws);
    add_noise(0.37, 0.2, &draws);
    size_t count = find(0.9);
    double period = drops_period_mm(push.feed, push.force, drops, count, &strength);
    cr_expect_float_eq(period, 14.3 / 31.7, 0.01 * 14.3 / 31.7, "period %.4f mm", period);
    cr_expect(strength > 0.7 && strength <= 1, "strength %.3f", strength);
    /* Over few drops the autocorrelation is finely resolved, and noise gives it tops of its own before the
     * period. */
    add_noise(2.3, 0, &draws);
    for (size_t few = 4; few < 9; few++) {
        period = drops_period_mm(push.feed, push.force, drops, few, &strength);
        cr_expect_float_eq(period, 14.3 / 31.7, 0.02 * 14.3 / 31.7, "%zu drops in noise: period %.4f mm", few,
                           period);
    }
    make_sawtooth(31.7, 83.1, 4, 9.1, 3, 0.0047, &draws);
    add_noise(0.37, 0.2, &draws);
    count = find(0.9);
    period = drops_period_mm(push.feed, push.force, drops, count, &strength);
    cr_expect(period == 0 || strength < 0.5, "irregular drops: period %.4f mm, strength %.3f", period,
              strength);
    cr_expect_eq(drops_period_mm(push.feed, push.force, drops, 2, &strength), 0);
    cr_expect_eq(strength, 0);
}

static int ascending(const void *a, const void *b)
{
    double p = *(const double *)a, q = *(const double *)b;
    return p < q ? -1 : p > q;
}

Test(drops, variance_of_the_median_agrees_with_sampling)
{
    enum { TRIALS = 60000 };
    static const size_t sizes[] = {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 25, 40};
    struct model_random draws = {20231};
    for (size_t k = 0; k < sizeof sizes / sizeof sizes[0]; k++) {
        size_t n = sizes[k];
        double square = 0, values[40] = {0};
        for (int trial = 0; trial < TRIALS; trial++) {
            for (size_t i = 0; i < n; i++)
                values[i] = model_random_normal(&draws);
            qsort(values, n, sizeof *values, ascending);
            double median = 0.5 * (values[(n - 1) / 2] + values[n / 2]);
            square += median * median / TRIALS;
        }
        /* A sampled variance scatters by sqrt(2 / trials): 0.6 %; 3 of them. */
        cr_expect(fabs(drops_median_variance(n) / square - 1) < 3 * sqrt(2.0 / TRIALS),
                  "n %zu: %.5f, sampled %.5f", n, drops_median_variance(n), square);
    }
}

Test(drops, median_of_the_peaks_and_its_standard_error)
{
    static const double peaks[] = {61.3, 58.9, 60.7, 64.1, 59.2};
    double error;
    for (size_t i = 0; i < 5; i++)
        drops[i] = (struct drop){.peak_n = peaks[i]};
    cr_expect_float_eq(drops_median_peak(drops, 5, &error), 60.7, 1e-12);
    /* Their sd is 2.08039, times the square root of 0.286834. */
    cr_expect_float_eq(error, 2.08039 * sqrt(0.286834), 2e-5, "%.7g", error);
    cr_expect_float_eq(drops_median_peak(drops, 4, &error), 61.0, 1e-12);
    cr_expect_float_eq(drops_median_peak(drops, 1, &error), 61.3, 1e-12);
    cr_expect_eq(error, 0);
    cr_expect_eq(drops_median_peak(drops, 0, &error), 0);
}

/* The rise of a motor about to lose step, integrated here: dF/dx = k (1 - s) / (1 + k (1 - s) lag'(F)), with
 * lag' = step (2/pi) / sqrt(F_m^2 - F^2); at F_m the force falls back by four steps less what the lag gives.
 */
static void make_motor_push(double k, double step, double limit_n, double creep, double spacing_mm,
                            double start_mm, double scatter, struct model_random *draws)
{
    enum { PARTS = 200 };
    double force = 0, limit = limit_n;
    push.true_count = 0;
    push.n = 3000;
    for (size_t i = 0; i < push.n; i++) {
        push.feed[i] = start_mm + spacing_mm * (double)i;
        push.force[i] = force;
        for (int part = 0; part < PARTS; part++) {
            double passed = k * (1 - creep * force);
            double u = fmin(0.9999995, force / limit);
            force += spacing_mm / PARTS * passed / (1 + passed * step * M_2_PI / (limit * sqrt(1 - u * u)));
            if (force >= limit * 0.999999 && push.true_count < ROOM) {
                push.true_peak[push.true_count] = limit;
                push.true_feed[push.true_count++] = push.feed[i] + spacing_mm * (part + 0.5) / PARTS;
                double low = 0;
                /* Rotor: 3 steps and the lag at the trough; bisection for the force there. */
                double high = limit;
                for (int b = 0; b < 60; b++) {
                    double middle = 0.5 * (low + high);
                    double back = 3 * step + step * M_2_PI * asin(middle / limit);
                    if ((limit - middle) / k > back)
                        low = middle;
                    else
                        high = middle;
                }
                force = low;
                limit = limit_n * (1 + scatter * model_random_normal(draws));
            }
        }
    }
}

Test(drops, peaks_of_a_motor_allow_for_its_load_angle)
{
    double plain = 0, motor = 0, square = 0, z_square = 0;
    size_t all = 0;
    for (uint64_t seed = 911; seed < 921; seed++) {
        struct model_random draws = {seed};
        struct motor_rise rise = {.full_step_mm = 0.127, .stiffness_n_per_mm = 37.9, .creep_per_n = 0.0006};
        make_motor_push(36.1, 0.127, 78.3, 0.0006, 0.0063, 0.013, 0.01, &draws);
        add_noise(0.28, 0.05, &draws);
        size_t count = find(0.8);
        cr_assert_eq(count, push.true_count, "seed %llu: %zu drops of %zu", (unsigned long long)seed, count,
                     push.true_count);
        for (size_t i = 0; i < count; i++)
            plain += drops[i].peak_n - push.true_peak[i];
        drops_read_motor_peaks(push.feed, push.force, push.n, 0.28, &rise, drops, count);
        for (size_t i = 0; i < count; i++) {
            double error = drops[i].peak_n - push.true_peak[i];
            motor += error;
            square += error * error;
            z_square += pow(error / drops[i].peak_standard_error_n, 2);
            all++;
        }
    }
    double mean = motor / (double)all, sd = sqrt(square / (double)all - mean * mean);
    cr_log_info("%zu peaks: plain %.4f N, as a motor's %.4f +- %.4f N, rms %.2f standard errors", all,
                plain / (double)all, mean, sd / sqrt((double)all), sqrt(z_square / (double)all));
    cr_expect(fabs(mean) < 3 * sd / sqrt((double)all) + 0.02, "mean error %.4f N, sd %.4f N", mean, sd);
    cr_expect(fabs(mean) < 0.3 * fabs(plain / (double)all), "plain reading errs by %.4f N",
              plain / (double)all);
    cr_expect(z_square / (double)all < 2, "mean square %.2f standard errors squared", z_square / (double)all);
}

/* The search passes over several samples at a time. A spike of one sample, larger than the least drop and
 * smaller than two of them, is over the threshold of the narrowest filter at one place only, so that none may
 * be passed over, up to the last that has a sample ahead. */
Test(drops, none_is_passed_over_wherever_it_is)
{
    for (size_t length = 1000; length < 1008; length++) {
        size_t spikes = 0;
        memset(&push, 0, sizeof push);
        push.n = length;
        for (size_t i = 0; i < length; i++) {
            bool spike = (i % 37 == 36 && i + 20 < length) || i + 2 == length;
            push.feed[i] = 0.0173 * (double)i;
            push.force[i] = 0.0021 * (double)i + (spike ? 1.53 : 0);
            spikes += spike;
        }
        cr_assert_eq(find(1), spikes, "%zu samples", length);
        for (size_t i = 0; i + 1 < spikes; i++)
            cr_assert_eq(drops[i].index, 37 * i + 37, "drop %zu of %zu samples", i + 1, length);
        cr_assert_eq(drops[spikes - 1].index, length - 1, "the last of %zu samples", length);
    }
}
